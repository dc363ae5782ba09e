"""Visits that the alarms call for, as data.

A visit is proposed for a fault of the antenna line that has stood long enough to be no passing weather. What
a link, a power cut or a meter needs is told by its own alarm.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.words import Cause, Condition, Severity

#: Conditions that a crew at the site can mend.
FOR_A_CREW = frozenset({Condition.SWR_HIGH, Condition.SWR_RISING})

#: How long an alarm of each severity stands before a visit is proposed [hours] (common practice, no source).
STANDING_HOURS = {Severity.MINOR: 24.0, Severity.MAJOR: 12.0, Severity.CRITICAL: 6.0}

URGENCY = {Severity.MINOR: "within-weeks", Severity.MAJOR: "within-days", Severity.CRITICAL: "at-once"}


@dataclass(frozen=True)
class Proposal:
    """A proposed visit.

    Attributes:
        site, transmitter: where.
        condition: the alarm that calls for it.
        likely_cause: most likely cause.
        urgency: "within-weeks", "within-days" or "at-once".
        time_us: when it was proposed [Unix microseconds].
    """

    site: str
    transmitter: str
    condition: Condition
    likely_cause: Cause
    urgency: str
    time_us: int


def propose(alarms: Iterable[Alarm], proposed: set[AlarmKey], now_us: int) -> list[Proposal]:
    """Visits newly called for.

    Args:
        alarms: alarms as they stand.
        proposed: keys of alarms for which a visit is proposed already; brought up to date, cleared ones out.
        now_us: now [Unix microseconds].
    """
    result = []
    for alarm in alarms:
        if alarm.is_cleared:
            proposed.discard(alarm.key)
            continue
        hours = STANDING_HOURS.get(alarm.severity)
        if alarm.key.condition not in FOR_A_CREW or hours is None or alarm.key in proposed:
            continue
        if now_us - alarm.raised_us >= hours * 3_600_000_000:
            proposed.add(alarm.key)
            cause = alarm.causes[0].cause if alarm.causes else Cause.UNKNOWN
            result.append(
                Proposal(
                    alarm.key.site,
                    alarm.key.transmitter,
                    alarm.key.condition,
                    cause,
                    URGENCY[alarm.severity],
                    now_us,
                )
            )
    return sorted(result, key=lambda p: (p.time_us, p.site, p.transmitter))
