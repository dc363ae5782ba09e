"""Shelves and windows of work: which alarms nobody is told of for now, and why.

A shelf says which alarms it takes, for how long, and why (RFC 8632, alarm shelving). Shelves are ordered; an
alarm lies on the first that takes it. A shelf takes an alarm only up to the severity that it names, so that
one that grows graver comes off it by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.detect.words import Severity


@dataclass(frozen=True)
class Shelf:
    """Which alarms are shelved, for how long, and why. An empty name takes any.

    Attributes:
        number: its number in the store.
        site, region, transmitter, condition: what an alarm has to be about; "" for any. A region takes the
            alarms of all its sites, and those about itself; a site those of all its transmitters.
        up_to: the gravest severity that it takes.
        from_us, until_us: when it holds, the end not included [Unix microseconds].
        reason: why.
        by: who made it.
    """

    number: int
    site: str
    region: str
    transmitter: str
    condition: str
    up_to: Severity
    from_us: int
    until_us: int
    reason: str
    by: str

    def takes(self, alarm: Alarm, region: str) -> bool:
        """Whether an alarm belongs on it, whenever that is.

        Args:
            alarm: the alarm; of a cleared one the severity that it had counts.
            region: the region of its site, or that it is about; "" for none.
        """
        key = alarm.key
        pairs = (
            (self.site, key.site),
            (self.region, region),
            (self.transmitter, key.transmitter),
            (self.condition, key.condition.value),
        )
        return all(wanted in ("", has) for wanted, has in pairs) and alarm.severity <= self.up_to

    def holds(self, now_us: int) -> bool:
        """Whether it holds at a time [Unix microseconds]."""
        return self.from_us <= now_us < self.until_us


def shelf_of(alarm: Alarm, region: str, shelves: Sequence[Shelf], now_us: int) -> Shelf | None:
    """The first shelf that holds now and takes an alarm; None where none does."""
    return next((s for s in shelves if s.holds(now_us) and s.takes(alarm, region)), None)


@dataclass(frozen=True)
class Window:
    """A window of work on record.

    Attributes:
        site: where.
        transmitter: which; "" for all of the site.
        start_us, end_us: from when until when, the end not included [Unix microseconds].
        kind: "visit", "retune" or "outage".
    """

    site: str
    transmitter: str
    start_us: int
    end_us: int
    kind: str

    def covers(self, site: str, transmitter: str) -> bool:
        """Whether the work is at this transmitter."""
        return site == self.site and self.transmitter in ("", transmitter)


def work_of(alarm: Alarm, windows: Sequence[Window], now_us: int, settle_us: int = 0) -> Window | None:
    """The window of work that explains an alarm now; None where none does.

    A group's alarm is explained when there is work at each of its members.

    Args:
        alarm: the alarm.
        windows: work on record.
        now_us: now [Unix microseconds].
        settle_us: how long after its end a window still explains what has not settled [us].
    """
    held = [w for w in windows if w.start_us <= now_us < w.end_us + settle_us]
    if not held:
        return None
    about = [tuple(m.split("/", 1)) for m in alarm.members] or [(alarm.key.site, alarm.key.transmitter)]
    found = [next((w for w in held if w.covers(*names)), None) for names in about]
    return found[0] if all(found) else None
