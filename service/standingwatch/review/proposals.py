"""Visits that the alarms call for, as data.

A visit is proposed for what a crew at the site can mend, once it has stood long enough to be no passing
weather, burst or power cut. Ice goes with the thaw and a region's weather with the weather: neither is ever a
reason to drive. One trouble is one visit: while one is proposed for a transmitter, further alarms of it add
nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.overnight import URGENCIES
from standingwatch.review.time_left import urgency_of_alarm

HOUR_US = 3_600_000_000

#: How long an alarm of each condition and severity stands before a visit is proposed [h] (common practice, no
#: source). What is found day by day has been confirmed for days already; what comes at once may go again.
STANDING_HOURS: dict[Condition, dict[Severity, float]] = {
    Condition.SWR_HIGH: {Severity.MINOR: 72, Severity.MAJOR: 24, Severity.CRITICAL: 8},
    # That a small step has gone back takes four days to be known: it has to stand for longer than that.
    Condition.SWR_STEP: {Severity.WARNING: 120, Severity.MINOR: 48, Severity.MAJOR: 24},
    Condition.SWR_RISING: {Severity.WARNING: 120, Severity.MINOR: 24, Severity.MAJOR: 12},
    Condition.SWR_INTERMITTENT: {Severity.WARNING: 72, Severity.MINOR: 24},
    Condition.SWR_WEATHER: {Severity.MINOR: 72},
    Condition.FEEDER_LOSS_RISING: {Severity.WARNING: 240, Severity.MINOR: 168},
    Condition.FORWARD_POWER_LOW: {Severity.WARNING: 168, Severity.MINOR: 48, Severity.MAJOR: 24},
    Condition.FOLDBACK_ACTIVE: {Severity.MAJOR: 24},
    Condition.MEASUREMENT_SUSPECT: {Severity.MINOR: 48},
    Condition.REPORTS_MISSING: {Severity.MINOR: 72},
    Condition.SITE_UNREACHABLE: {Severity.MAJOR: 48},
}

#: Causes that no crew is sent for.
PASSES_BY_ITSELF = frozenset({Cause.ICE, Cause.REGIONAL_WEATHER})

#: Alarms about the match. One that was put down to ice, and has outlived what ice is thought to last, may be
#: ice after all while another of the same transmitter is put down to it.
OF_THE_MATCH = frozenset(
    {
        Condition.SWR_HIGH,
        Condition.SWR_STEP,
        Condition.SWR_RISING,
        Condition.SWR_INTERMITTENT,
        Condition.SWR_WEATHER,
        Condition.FEEDER_LOSS_RISING,
        Condition.FOLDBACK_ACTIVE,
    }
)

#: Where nobody tells the temperature, what came at once has to stand so many times as long (common practice,
#: no source).
ICE_NOT_RULED_OUT = 3.0
#: What grew there may be ice, and has to stand for as long as any ice does without a break: a fortnight [h].
ICE_NOT_RULED_OUT_HOURS = 336.0
#: There, what has come and gone by itself before (its alarm has changed so often, or is about just that)
#: goes again, unless it stands for so long [h]. So does a match that seems to improve by a count of the meter
#: or hardly more: the reflection of ice adds to the line's own, or takes from it. And wherever it is, so does
#: what is small and was put down to ice before.
CAME_AND_WENT_CHANGES, CAME_AND_WENT_HOURS = 3, 504.0

#: A resource: site and transmitter, "" for the whole site.
Resource = tuple[str, str]


@dataclass(frozen=True)
class Proposal:
    """A proposed visit.

    Attributes:
        site, transmitter: where; transmitter "" for what is about a group or the whole site.
        condition: the alarm that says most about it.
        likely_cause: its most likely cause.
        urgency: "with-the-next-visit", "within-weeks", "within-days" or "at-once".
        time_us: when it was proposed [Unix microseconds].
        members: "SITE/TRANSMITTER" of each that the alarm is about, where it is about a group.
    """

    site: str
    transmitter: str
    condition: Condition
    likely_cause: Cause
    urgency: str
    time_us: int
    members: tuple[str, ...] = ()


def propose(alarms: Iterable[Alarm], proposed: set[Resource], now_us: int) -> list[Proposal]:
    """Visits newly called for.

    Args:
        alarms: alarms as they stand.
        proposed: resources for which a visit is proposed already; brought up to date, those on which nothing
            stands any more that a crew could mend taken out.
        now_us: now [Unix microseconds].
    """
    standing: dict[Resource, list[Alarm]] = {}
    for alarm in alarms:
        if not alarm.is_cleared and not alarm.key.region and alarm.key.condition in STANDING_HOURS:
            standing.setdefault((alarm.key.site, alarm.key.transmitter), []).append(alarm)
    covered = set(standing)
    for mine in standing.values():
        covered.update(_resource(member) for alarm in mine for member in alarm.members)
    proposed &= covered
    iced = {
        place
        for mine in standing.values()
        for alarm in mine
        if alarm.key.condition in OF_THE_MATCH and _is_ice(alarm)
        for place in _places(alarm)
    }
    result = []
    # Groups first: what a group explains needs no visit of its own.
    for resource in sorted(standing, key=lambda r: (r[1] != "", r)):
        if resource in proposed:
            continue
        due = [
            alarm
            for alarm in standing[resource]
            if _is_due(alarm, now_us)
            and not (_not_ice_since_us(alarm) is not None and iced.intersection(_places(alarm)))
        ]
        if not due:
            continue
        # What says most about the cause may not have stood for long itself.
        telling = max((a for a in standing[resource] if not _passes(a)), key=_weight)
        urgency = min((urgency_of_alarm(alarm, now_us) for alarm in due), key=URGENCIES.index)
        members = tuple(dict.fromkeys(m for alarm in due for m in alarm.members))
        proposed.add(resource)
        proposed.update(_resource(member) for member in members)
        result.append(
            Proposal(
                *resource,
                telling.key.condition,
                telling.causes[0].cause if telling.causes else Cause.UNKNOWN,
                urgency,
                now_us,
                members,
            )
        )
    return result


def _is_due(alarm: Alarm, now_us: int) -> bool:
    listed = STANDING_HOURS[alarm.key.condition]
    # One that is graver than any that is listed is as the gravest of those.
    hours = listed.get(min(alarm.severity, max(listed)))
    if hours is None or _passes(alarm):
        return False
    if alarm.values.get("temperature_told") is False:
        # Ice grows over hours: what came from one reading to the next was hardly it.
        if alarm.values.get("came_at_once"):
            hours *= ICE_NOT_RULED_OUT
        elif _goes_again(alarm):
            hours = max(hours, CAME_AND_WENT_HOURS)
        else:
            hours = max(hours, ICE_NOT_RULED_OUT_HOURS)
    # What was put down to ice at first has stood since it was not any more. Where it is small, the next ice
    # may show that it was: in a winter that freezes and thaws by turns the level of days does not come back.
    since_us = _not_ice_since_us(alarm)
    if since_us is not None and alarm.severity < Severity.MAJOR:
        hours = max(hours, CAME_AND_WENT_HOURS)
    begin_us = alarm.raised_us if since_us is None else since_us
    return now_us - begin_us >= hours * HOUR_US


def _goes_again(alarm: Alarm) -> bool:
    small = alarm.key.condition is Condition.FEEDER_LOSS_RISING and alarm.severity is Severity.WARNING
    by_nature = alarm.key.condition is Condition.SWR_INTERMITTENT
    return alarm.changes > CAME_AND_WENT_CHANGES or by_nature or small


def _passes(alarm: Alarm) -> bool:
    return bool(alarm.causes) and alarm.causes[0].cause in PASSES_BY_ITSELF


def _is_ice(alarm: Alarm) -> bool:
    return bool(alarm.causes) and alarm.causes[0].cause is Cause.ICE


def _not_ice_since_us(alarm: Alarm) -> int | None:
    """Since when an alarm is not put down to ice any more; None where it never was, or still is."""
    since = alarm.values.get("not_ice_since_us")
    return int(since) if isinstance(since, int) else None


def _places(alarm: Alarm) -> list[Resource]:
    """The transmitters that an alarm is about, as resources; the site where it is about that."""
    if alarm.members:
        return [_resource(member) for member in alarm.members]
    return [(alarm.key.site, alarm.key.transmitter)]


def _weight(alarm: Alarm) -> tuple[float, int]:
    """How much an alarm says about what is wrong: the confidence of its leading cause, then its severity."""
    return (alarm.causes[0].confidence if alarm.causes else 0.0, int(alarm.severity))


def _resource(member: str) -> Resource:
    site, _, transmitter = member.partition("/")
    return site, transmitter
