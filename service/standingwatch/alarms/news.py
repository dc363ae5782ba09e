"""What a channel may be told of an alarm now."""

from __future__ import annotations

from dataclasses import dataclass

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.words import Severity


@dataclass(frozen=True)
class News:
    """An alarm that a channel may be told of now; `gravity` is of the graver of before and after."""

    alarm: Alarm
    was: Severity
    since_us: int

    @property
    def now(self) -> Severity:
        """As it is now."""
        return present(self.alarm)

    @property
    def gravity(self) -> Severity:
        """The graver of before and now."""
        return max(self.now, self.was)

    @property
    def order(self) -> tuple[int, int, AlarmKey]:
        """What sorts the gravest first, and of those the one that has waited longest."""
        return -int(self.gravity), self.since_us, self.alarm.key


def present(alarm: Alarm) -> Severity:
    """The severity of an alarm as it is: `CLEARED` of one that has ended."""
    return Severity.CLEARED if alarm.is_cleared else alarm.severity
