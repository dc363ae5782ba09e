"""The overnight review from what is known: what changed since the one before, ranked by urgency.

Pure and deterministic: the same inputs in any order give the same review.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from standingwatch.alarms.event import subject
from standingwatch.alarms.first_steps import first_step
from standingwatch.alarms.lifecycle import Alarm
from standingwatch.alarms.performance import Performance
from standingwatch.alarms.shelving import Shelf, Window
from standingwatch.detect.words import Severity
from standingwatch.review import overnight
from standingwatch.review.no_data import counted
from standingwatch.review.overnight import Figure, Item, NoData, Outlook, Reason, Review, Trend, VisitOver
from standingwatch.review.summary import summary
from standingwatch.review.time_left import Urgency, urgency_of, urgency_word
from standingwatch.review.urgency import Place, shares, trips, wants_a_crew

_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Known:
    """What is known of one alarm.

    Attributes:
        alarm: as it stands, or as it ended.
        text: its text.
        before: severity at the review before; `CLEARED` where it did not stand.
        raisings: how often it was raised since then.
        region: of its site, or that it is about.
        operator_state, assigned_to: what people did with it.
        shelf, work: the shelf that it lies on, and the work that explains it; None for none.
        visit, visit_state: the visit that is to see to its site.
    """

    alarm: Alarm
    text: str
    before: Severity
    raisings: int = 0
    region: str = ""
    operator_state: str = "none"
    assigned_to: str = ""
    shelf: Shelf | None = None
    work: Window | None = None
    visit: int | None = None
    visit_state: str = ""


@dataclass(frozen=True)
class Frame:
    """What the review is about, and when; attributes as those of `Review`."""

    region: str
    day: str
    timezone: str
    made_us: int
    since_us: int
    data_until_us: int
    sites: int
    transmitters: int
    last_change: int = 0


@dataclass(frozen=True)
class Surroundings:
    """What is known besides the alarms.

    Attributes:
        places: where sites are, as far as known.
        site_names: what people call each site.
        trends: the course of transmitters, by site and transmitter.
        no_data: transmitters without useful data, all of them.
        performance: the alarm system's own report; None for none.
        trip_km: how far neighbours on a trip may be [km].
        visits_over: visits decided since the review before.
        causes_right, causes_told: as those of `Review`.
    """

    places: Mapping[str, Place] = field(default_factory=dict)
    site_names: Mapping[str, str] = field(default_factory=dict)
    trends: Mapping[tuple[str, str], Trend] = field(default_factory=dict)
    no_data: Sequence[NoData] = ()
    performance: Performance | None = None
    trip_km: float = 30.0
    visits_over: Sequence[VisitOver] = ()
    causes_right: int = 0
    causes_told: int = 0


def change_since(alarm: Alarm, before: Severity) -> str:
    """What an alarm did since it had the severity `before`, `CLEARED` for none."""
    if alarm.is_cleared:
        return overnight.CLEARED
    if before is Severity.CLEARED:
        return overnight.NEW
    if alarm.severity == before:
        return overnight.AS_BEFORE
    return overnight.WORSE if alarm.severity > before else overnight.BETTER


def make_review(frame: Frame, known: Sequence[Known], around: Surroundings) -> Review:
    """The review.

    Args:
        frame: what it is about.
        known: every alarm that stands in it, and each that ended since the review before.
        around: what is known besides.
    """
    standing = sorted((k for k in known if not k.alarm.is_cleared), key=_name)
    calling = [k for k in standing if not _aside(k)]
    sites = [k.alarm.key.site if wants_a_crew(k.alarm) else "" for k in calling]
    shared = shares(sites, around.places, around.trip_km)
    judged = [
        (k, urgency_of(k.alarm, frame.made_us), count) for k, count in zip(calling, shared, strict=True)
    ]
    judged.sort(key=_place)
    items = [
        _item(k, urgency, count, rank, around) for rank, (k, urgency, count) in enumerate(judged, start=1)
    ]
    crew = [
        (item.rank, item.site, item.urgency)
        for item, (k, _, _) in zip(items, judged, strict=True)
        if wants_a_crew(k.alarm)
    ]
    aside = sorted((k for k in standing if _aside(k)), key=lambda k: (-k.alarm.severity, _name(k)))
    items += [_item(k, urgency_of(k.alarm, frame.made_us), 0, 0, around) for k in aside]
    ended = sorted((k for k in known if k.alarm.is_cleared), key=lambda k: (-k.alarm.changed_us, _name(k)))
    items += [_item(k, Urgency(0.0, False, None), 0, 0, around) for k in ended]
    no_data, counts = counted(around.no_data)
    report = around.performance
    review = Review(
        **vars(frame),
        summary="",
        items=tuple(items),
        trips=trips(crew, around.places, around.site_names, around.trip_km),
        no_data=no_data,
        no_data_counts=counts,
        performance_days=0.0 if report is None else round((report.end_us - report.start_us) / _DAY_US, 2),
        performance=() if report is None else _figures(report),
        visits_over=tuple(sorted(around.visits_over, key=lambda v: (-v.decided_us, v.number))),
        causes_right=around.causes_right,
        causes_told=around.causes_told,
    )
    return replace(review, summary=summary(review))


def _name(known: Known) -> str:
    """A name that no other alarm has."""
    return f"{subject(known.alarm.key)}\n{known.alarm.key.condition.value}"


def _place(judged: tuple[Known, Urgency, int]) -> tuple[float, int, float, int, str]:
    """Where an alarm stands in the ranking: what is less comes first."""
    known, urgency, shared = judged
    counts = round(urgency.days_that_count(shared), 6)
    return (counts, -int(known.alarm.severity), -(urgency.lost_db or 0.0), -shared, _name(known))


def _aside(known: Known) -> str:
    if known.shelf is not None:
        return overnight.SHELVED
    return overnight.UNDER_WORK if known.work is not None else ""


def _item(known: Known, urgency: Urgency, shared: int, rank: int, around: Surroundings) -> Item:
    alarm, key = known.alarm, known.alarm.key
    aside = "" if alarm.is_cleared else _aside(known)
    until_us, why = None, ""
    if aside and known.shelf is not None:
        until_us, why = known.shelf.until_us, known.shelf.reason
    elif aside and known.work is not None:
        until_us, why = known.work.end_us, known.work.kind
    return Item(
        rank=rank,
        change=change_since(alarm, known.before),
        aside=aside,
        subject=subject(key),
        site=key.site,
        transmitter=key.transmitter,
        region=known.region,
        service=key.service,
        condition=key.condition.value,
        site_name=around.site_names.get(key.site, key.site),
        severity=alarm.severity.word,
        before="" if known.before is Severity.CLEARED else known.before.word,
        raised_us=alarm.raised_us,
        changed_us=alarm.changed_us,
        raisings=known.raisings,
        causes=tuple(Reason(c.cause.value, c.confidence, c.because) for c in alarm.causes),
        forecast=tuple(Outlook(**vars(f)) for f in alarm.forecast),
        days_left=round(urgency.days_left, 2),
        is_forecast=urgency.is_forecast,
        lost_db=None if urgency.lost_db is None else round(urgency.lost_db, 2),
        shares_trip=shared,
        urgency="" if alarm.is_cleared else urgency_word(urgency.days_that_count(0)),
        first_step=first_step(key.condition, alarm.severity, is_group=bool(alarm.members)),
        text=known.text,
        members=alarm.members,
        operator_state=known.operator_state,
        assigned_to=known.assigned_to,
        until_us=until_us,
        why_aside=why,
        visit=known.visit,
        visit_state=known.visit_state,
        forecast_days=None if urgency.forecast_days is None else round(urgency.forecast_days, 2),
        trend=around.trends.get((key.site, key.transmitter)) if key.transmitter else None,
    )


def _figures(report: Performance) -> tuple[Figure, ...]:
    return tuple(
        Figure(line.name, line.what, line.value, line.unit, line.verdict.value, line.target, line.note)
        for line in report.lines
    )
