"""The alarm lifecycle as a function: alarms as they stand, and a finding, give the alarms after it.

After RFC 8632: an alarm is keyed by its resource and its type (here: a transmitter, a site or a region, and
a condition). A standing alarm changes with its severity, and also when another cause has come to lead or
other transmitters are in it: that is another thing to tell, and another one to do.
It is raised, changes and is cleared; an alarm that comes back after it was cleared is the same alarm raised
again, with its history. That it is cleared says nothing about what an operator did with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from standingwatch.detect.interface import LikelyCause, LimitForecast, Value
from standingwatch.detect.words import Cause, Condition, Severity


@dataclass(frozen=True, order=True)
class AlarmKey:
    """What an alarm is about: a resource and a condition.

    Attributes:
        site: name of the site, "" where it is about a region or about this service.
        transmitter: name of the transmitter, "" where it is not about one.
        condition: what is wrong.
        region: name of the region where it is about one, else "".
        service: name of the part of this service where it is about one, such as "intake", else "".
    """

    site: str
    transmitter: str
    condition: Condition
    region: str = ""
    service: str = ""


class ChangeKind(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    CHANGED = "changed"
    CLEARED = "cleared"


@dataclass(frozen=True)
class Evidence:
    """A finding about a named resource: what a detector found, with names in place of positions.

    Attributes:
        key: resource and condition.
        severity: how bad; `CLEARED` when it ended.
        time_us: when it was true [Unix microseconds].
        values: values behind it, each name carrying its unit.
        causes: likely causes, most likely first.
        members: "SITE/TRANSMITTER" of each that moves with the others, where it is about a group.
        forecast: when the trend reaches the limits, where a trend was found.
        is_final: of a cleared one, that nothing is to be waited for before it counts.
        chatters: whether the condition comes and goes (`alarms/steady.py` finds that).
        is_late: whether it was found in reports that came so late that others may follow and end it.
    """

    key: AlarmKey
    severity: Severity
    time_us: int
    values: Mapping[str, Value] = field(default_factory=dict)
    causes: tuple[LikelyCause, ...] = ()
    members: tuple[str, ...] = ()
    forecast: tuple[LimitForecast, ...] = ()
    is_final: bool = False
    chatters: bool = False
    is_late: bool = False


@dataclass(frozen=True)
class Alarm:
    """An alarm as it stands.

    Attributes:
        key: resource and condition.
        severity: perceived severity; of a cleared alarm the last one before it was cleared.
        is_cleared: whether the condition has ended.
        raised_us: when it was raised, the last time that it was [Unix microseconds].
        changed_us: when it last changed [Unix microseconds].
        changes: status changes so far, all raisings included; numbers the next one.
        values: evidence at the last change.
        causes: likely causes at the last change that was not a clearing.
        members: "SITE/TRANSMITTER" of each in the group; of a cleared alarm the last ones.
        forecast: when the trend reaches the limits; of a cleared alarm nothing.
        chatters: whether the condition comes and goes; of a cleared alarm false.
    """

    key: AlarmKey
    severity: Severity
    is_cleared: bool
    raised_us: int
    changed_us: int
    changes: int
    values: Mapping[str, Value]
    causes: tuple[LikelyCause, ...]
    members: tuple[str, ...] = ()
    forecast: tuple[LimitForecast, ...] = ()
    chatters: bool = False


@dataclass(frozen=True)
class Change:
    """One status change of an alarm.

    Attributes:
        kind: raised, changed or cleared.
        alarm: the alarm after it.
        previous: severity before it, `CLEARED` when it was raised.
        severity: severity after it, `CLEARED` when it was cleared.
        time_us: when it was true [Unix microseconds].
        noted_us: when the watch noted it [Unix microseconds]; later than `time_us` for old reports.
        before: the alarm before it; None if it never was.
    """

    kind: ChangeKind
    alarm: Alarm
    previous: Severity
    severity: Severity
    time_us: int
    noted_us: int
    before: Alarm | None = None


def apply(alarm: Alarm | None, evidence: Evidence, noted_us: int) -> Change | None:
    """The change that a piece of evidence makes to its alarm; None if it makes none.

    Args:
        alarm: the alarm of this key, or None if there never was one.
        evidence: what was found.
        noted_us: now [Unix microseconds].
    """
    standing = alarm is not None and not alarm.is_cleared
    if evidence.severity is Severity.CLEARED:
        if alarm is None or not standing:
            return None
        cleared = replace(
            alarm,
            is_cleared=True,
            changed_us=evidence.time_us,
            changes=alarm.changes + 1,
            values=dict(evidence.values),
            forecast=(),
            chatters=False,
        )
        return Change(
            ChangeKind.CLEARED, cleared, alarm.severity, Severity.CLEARED, evidence.time_us, noted_us, alarm
        )
    if alarm is not None and standing:
        if alarm.severity == evidence.severity and not _is_news(alarm, evidence):
            return None
        changed = replace(
            alarm,
            severity=evidence.severity,
            changed_us=evidence.time_us,
            changes=alarm.changes + 1,
            values=dict(evidence.values),
            causes=evidence.causes or alarm.causes,
            members=evidence.members,
            forecast=evidence.forecast,
            chatters=evidence.chatters,
        )
        return Change(
            ChangeKind.CHANGED, changed, alarm.severity, evidence.severity, evidence.time_us, noted_us, alarm
        )
    raised = Alarm(
        key=evidence.key,
        severity=evidence.severity,
        is_cleared=False,
        raised_us=evidence.time_us,
        changed_us=evidence.time_us,
        changes=(alarm.changes if alarm is not None else 0) + 1,
        values=dict(evidence.values),
        causes=evidence.causes,
        members=evidence.members,
        forecast=evidence.forecast,
        chatters=evidence.chatters,
    )
    return Change(
        ChangeKind.RAISED, raised, Severity.CLEARED, evidence.severity, evidence.time_us, noted_us, alarm
    )


def leading_cause(causes: tuple[LikelyCause, ...]) -> Cause | None:
    """The most likely cause; None where there is none."""
    return causes[0].cause if causes else None


def _is_news(alarm: Alarm, evidence: Evidence) -> bool:
    """Whether evidence of the same severity says something else about a standing alarm."""
    another_cause = bool(evidence.causes) and leading_cause(evidence.causes) != leading_cause(alarm.causes)
    return another_cause or evidence.members != alarm.members or evidence.chatters != alarm.chatters


def apply_all(alarms: dict[AlarmKey, Alarm], evidence: Iterable[Evidence], noted_us: int) -> list[Change]:
    """Apply pieces of evidence in order; `alarms` is brought up to date."""
    changes = []
    for piece in evidence:
        change = apply(alarms.get(piece.key), piece, noted_us)
        if change is not None:
            alarms[piece.key] = change.alarm
            changes.append(change)
    return changes
