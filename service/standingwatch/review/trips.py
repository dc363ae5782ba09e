"""What follows for visits from the alarms as they stand: new ones, what joins one, what came to an end."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from standingwatch.alarms.detail import detail
from standingwatch.alarms.lifecycle import Alarm
from standingwatch.alarms.words import forecast_sentences
from standingwatch.review.proposals import (
    HOUR_US,
    PASSES_BY_ITSELF,
    STANDING_HOURS,
    Proposal,
    Resource,
    propose,
)
from standingwatch.review.time_left import urgency_of_alarm
from standingwatch.review.visits import MOST_URGENT_FIRST, Trouble, TroubleAlarm, Visit, VisitState

#: How long nothing has to have stood before a proposal that nobody has planned is dropped [h] (common
#: practice, no source): what comes and goes shall not make and drop a proposal each time.
NOTHING_STANDS_HOURS = 24.0

#: Why such a proposal is dropped.
ENDED_BY_ITSELF = "what it was proposed for has ended before anybody planned it"


@dataclass(frozen=True)
class Change:
    """A visit that is new or has changed, and the line of its story; "" where there is nothing to tell."""

    visit: Visit
    text: str


def advance_visits(
    visits: Sequence[Visit],
    alarms: Iterable[Alarm],
    proposed: set[Resource],
    now_us: int,
) -> list[Change]:
    """Bring visits up to date with the alarms: what is new, what has changed, what has ended.

    Args:
        visits: those that are not closed, and those closed ones whose resources `proposed` still holds.
        alarms: all that stand.
        proposed: resources for which a visit is proposed already; brought up to date (`propose`).
        now_us: now [Unix microseconds].
    """
    standing = [alarm for alarm in alarms if not alarm.is_cleared]
    _let_go(visits, standing, proposed, now_us)
    new: dict[str, list[Proposal]] = {}
    for proposal in propose(standing, proposed, now_us):
        new.setdefault(proposal.site, []).append(proposal)
    at_site: dict[str, list[Alarm]] = {}
    for alarm in standing:
        if not alarm.key.region and alarm.key.condition in STANDING_HOURS and not _passes(alarm):
            at_site.setdefault(alarm.key.site, []).append(alarm)
    changes = []
    served = set()
    # One a site takes in what is new: the one that is furthest on its way.
    for visit in sorted((v for v in visits if v.is_open), key=lambda v: (v.site, v.state != "under-way")):
        mine = [] if visit.site in served else new.pop(visit.site, [])
        served.add(visit.site)
        after = _follow(visit, mine, at_site.get(visit.site, []), now_us)
        if _ended(after, now_us):
            dropped = replace(after, state=VisitState.DROPPED, changed_us=now_us)
            changes.append(Change(dropped, ENDED_BY_ITSELF))
        elif after != visit:
            changes.append(Change(after, _news(visit, after)))
    for visit in visits:
        if visit.state is VisitState.DONE:
            after = _with_ends(visit, at_site.get(visit.site, []), now_us)
            if after != visit:
                changes.append(Change(after, _news(visit, after)))
    for site, mine in sorted(new.items()):
        empty = Visit(0, site, VisitState.PROPOSED, now_us, now_us, ())
        made = _follow(empty, mine, at_site.get(site, []), now_us)
        changes.append(Change(made, "proposed"))
    return changes


def _let_go(visits: Sequence[Visit], standing: Sequence[Alarm], proposed: set[Resource], now_us: int) -> None:
    """Let be proposed again what was not fixed, and what got more urgent after its visit was dropped."""
    worst: dict[Resource, int] = {}
    for alarm in standing:
        resource, rank = (alarm.key.site, alarm.key.transmitter), _rank(urgency_of_alarm(alarm, now_us))
        worst[resource] = min(worst.get(resource, rank), rank)
    # Of several visits for a resource the last word counts.
    newest: dict[Resource, Visit] = {}
    for visit in sorted(visits, key=lambda v: (v.is_open or v.state is VisitState.DONE, v.changed_us)):
        newest.update(dict.fromkeys(visit.resources, visit))
    for resource, visit in newest.items():
        if visit.state is VisitState.NOT_FIXED:
            proposed.discard(resource)
        elif visit.state is VisitState.DROPPED and resource in worst:
            then = [t.urgency for t in visit.troubles if resource[1] in (t.transmitter, *t.members)]
            if worst[resource] < min(map(_rank, then)):
                proposed.discard(resource)


def _rank(urgency: str) -> int:
    return MOST_URGENT_FIRST.index(urgency)


def _passes(alarm: Alarm) -> bool:
    return bool(alarm.causes) and alarm.causes[0].cause in PASSES_BY_ITSELF


def _follow(
    visit: Visit,
    proposals: Sequence[Proposal],
    alarms: Sequence[Alarm],
    now_us: int,
) -> Visit:
    """The visit with what was proposed, and with its site's alarms as they stand."""
    by_resource: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        by_resource.setdefault(alarm.key.transmitter, []).append(alarm)
    troubles = {trouble.transmitter: trouble for trouble in visit.troubles}
    for proposal in proposals:
        before = troubles.get(proposal.transmitter)
        members = tuple(m.partition("/")[2] for m in proposal.members if m.partition("/")[0] == visit.site)
        noted_us = before.noted_us if before is not None else now_us
        troubles[proposal.transmitter] = Trouble(
            proposal.transmitter,
            proposal.condition,
            (),
            proposal.urgency,
            True,
            noted_us,
            members,
            before.alarms if before is not None else (),
        )
    in_group = {name for trouble in troubles.values() for name in trouble.members}
    for name, mine in by_resource.items():
        if name not in troubles and name not in in_group:
            # Not due by itself: done with the same trip.
            least = MOST_URGENT_FIRST[-1]
            troubles[name] = Trouble(name, mine[0].key.condition, (), least, False, now_us)
    followed = [_brought_up(trouble, by_resource.get(name, []), now_us) for name, trouble in troubles.items()]
    # What only came along and has ended belongs to the trip no longer, unless the crew is there.
    if visit.state in (VisitState.PROPOSED, VisitState.PLANNED):
        followed = [trouble for trouble in followed if trouble.calls or trouble.stands]
    order = sorted(followed, key=lambda t: (not t.calls, _rank(t.urgency), t.transmitter))
    return replace(visit, troubles=tuple(order))


def _with_ends(visit: Visit, alarms: Sequence[Alarm], now_us: int) -> Visit:
    """A visit that is done with the ends of its alarms; its causes stay as they were when somebody drove."""
    stands = {(alarm.key.transmitter, alarm.key.condition) for alarm in alarms}
    troubles = [
        replace(
            trouble,
            alarms=tuple(
                replace(noted, ended_us=now_us)
                if noted.ended_us is None and (trouble.transmitter, noted.condition) not in stands
                else noted
                for noted in trouble.alarms
            ),
        )
        for trouble in visit.troubles
    ]
    return replace(visit, troubles=tuple(troubles))


def _brought_up(trouble: Trouble, alarms: Sequence[Alarm], now_us: int) -> Trouble:
    """A trouble with its alarms as they stand."""
    kept = {alarm.condition: alarm for alarm in trouble.alarms}
    now = {alarm.key.condition: alarm for alarm in alarms}
    for condition, alarm in now.items():
        kept[condition] = TroubleAlarm(
            condition, alarm.severity, alarm.raised_us, None, _figures(alarm, now_us)
        )
    for condition, noted in kept.items():
        if condition not in now and noted.ended_us is None:
            kept[condition] = replace(noted, ended_us=now_us)
    result = replace(trouble, alarms=tuple(sorted(kept.values(), key=lambda a: (-a.severity, a.condition))))
    if not alarms:
        return result
    telling = max(alarms, key=lambda a: (a.causes[0].confidence if a.causes else 0.0, int(a.severity)))
    worst = min((urgency_of_alarm(alarm, now_us) for alarm in alarms), key=_rank)
    urgency = trouble.urgency
    if trouble.calls and trouble.alarms and _rank(worst) < _rank(urgency):
        urgency = worst
    members = tuple(
        dict.fromkeys(
            name
            for alarm in alarms
            for site, _, name in (member.partition("/") for member in alarm.members)
            if site == alarm.key.site
        )
    )
    return replace(
        result,
        condition=telling.key.condition,
        causes=telling.causes,
        urgency=urgency,
        members=members or trouble.members,
    )


def _figures(alarm: Alarm, now_us: int) -> str:
    """The figures of an alarm, and what is to come, in words; the time left is counted from now."""
    words = [detail(alarm.key.condition, alarm.values), *forecast_sentences(alarm.forecast, now_us)]
    return " ".join(word for word in words if word)


def _ended(visit: Visit, now_us: int) -> bool:
    """Whether a proposal has nothing left for long enough; what a person has planned is theirs to drop."""
    if visit.state is not VisitState.PROPOSED or visit.stands:
        return False
    last_us = max((trouble.ended_us or 0 for trouble in visit.troubles if trouble.calls), default=0)
    return now_us - last_us >= NOTHING_STANDS_HOURS * HOUR_US


def _news(before: Visit, after: Visit) -> str:
    """What changed, in words; "" where it is nothing that a person has to read."""
    had, has = {t.transmitter: t for t in before.troubles}, {t.transmitter: t for t in after.troubles}
    news = []
    for name, trouble in has.items():
        what = name or "the whole site"
        old = had.get(name)
        if trouble.calls and (old is None or not old.calls):
            news.append(f"joined by {what}: {trouble.condition}")
        elif old is not None and old.urgency != trouble.urgency:
            news.append(f"{what}: now {trouble.urgency}")
        elif old is not None and trouble.calls and old.stands and not trouble.stands:
            news.append(f"{what}: no alarm stands any more")
        elif old is not None and trouble.calls and trouble.stands and not old.stands:
            news.append(f"{what}: in alarm again")
    return "; ".join(news)
