"""What channels want to be told, what they believe, and the notifications made for them: as data."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.words import Condition, Severity


@dataclass(frozen=True)
class Hours:
    """A span of every day in a time zone; one that ends before it begins goes over midnight.

    Attributes:
        begin, end: in minutes after midnight, the end not included; it may be 1440.
        zone: the time zone, as the IANA's database names it.
    """

    begin: int
    end: int
    zone: str = "UTC"

    def holds(self, now_us: int) -> bool:
        """Whether a moment lies in it, the end not included."""
        moment = datetime.fromtimestamp(now_us / 1e6, tz=UTC).astimezone(ZoneInfo(self.zone))
        now = moment.hour * 60 + moment.minute
        if self.begin <= self.end:
            return self.begin <= now < self.end
        return now >= self.begin or now < self.end


@dataclass(frozen=True)
class ChannelRules:
    """What a channel wants to be told.

    Attributes:
        name: of the channel.
        least: least severity that it wants; it is told also when an alarm falls below that, and then no more
            until it rises again (RFC 8632, severity-level).
        regions: regions that it wants; empty for all, alarms about no region among them.
        conditions: conditions that it wants; empty for all.
        on_duty: when it wants anything at all; None for always.
        quiet: when it wants nothing below `quiet_below`; None for never.
        quiet_below: severity that breaks its quiet hours.
        is_calm: whether it is spared as the module says; else it is told each change by itself.
        after_us: it wants only what nobody has acknowledged for so long [us]; 0 for all, at once.
        remind_every_us: how often it is told again of what nobody has acknowledged [us]; 0 for never.
        remind_least: least severity that it is reminded of.
    """

    name: str
    least: Severity = Severity.WARNING
    regions: frozenset[str] = frozenset()
    conditions: frozenset[Condition] = frozenset()
    on_duty: Hours | None = None
    quiet: Hours | None = None
    quiet_below: Severity = Severity.MAJOR
    is_calm: bool = True
    after_us: int = 0
    remind_every_us: int = 0
    remind_least: Severity = Severity.MAJOR

    def wants(self, key: AlarmKey, region: str) -> bool:
        """Whether it wants to hear of a resource and condition, at whatever severity."""
        return (not self.regions or region in self.regions) and (
            not self.conditions or key.condition in self.conditions
        )


@dataclass(frozen=True)
class TellingSettings:
    """The pace. Counts are per channel, but those of a flood.

    Attributes:
        gather_us: how long further alarms of a site wait after one was told of [us].
        most_in_10_min: notifications in ten minutes, at most.
        flood_start: more alarms than this in ten minutes begin a flood.
        flood_end: fewer than this end it.
        summary_every_us: time between two summaries, at least [us].
        retell_us: how often news of the same severity is told, at most [us].
    """

    gather_us: int = 120_000_000
    most_in_10_min: int = 10
    flood_start: int = 10
    flood_end: int = 5
    summary_every_us: int = 300_000_000
    retell_us: int = 1_800_000_000


class NoticeKind(StrEnum):
    """What a channel is told."""

    RAISED = "raised"
    CHANGED = "changed"
    CLEARED = "cleared"
    REMINDER = "reminder"
    SUMMARY = "summary"


@dataclass(frozen=True)
class Told:
    """What a channel believes of an alarm.

    Attributes:
        severity: the severity that it was told.
        number: the number of the change that it was told.
        time_us: when it was told [Unix microseconds].
        by_summary: whether a summary told it.
    """

    severity: Severity
    number: int
    time_us: int
    by_summary: bool = False


@dataclass(frozen=True)
class Notice:
    """One notification to make.

    Attributes:
        channel: to whom.
        kind: of what kind.
        alarms: the alarms as they are, gravest first; one, but in a summary.
        previous: what the channel believed of each, `CLEARED` where it knew of none.
        why: of a summary, why there is one: "site", "flood", "pace" or "reminder".
        now_us: when it is made [Unix microseconds].
        is_exact: whether it tells one change just as the alarm list has it: then it has that change's id.
    """

    channel: str
    kind: NoticeKind
    alarms: tuple[Alarm, ...]
    previous: tuple[Severity, ...]
    why: str
    now_us: int
    is_exact: bool = False
