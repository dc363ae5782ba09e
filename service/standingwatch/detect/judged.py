"""Readings beside what is worked out about each of them once, for all detectors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standingwatch.detect.history import DAY_US, DAYS
from standingwatch.detect.rollup import Hours
from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: After so many days without anything, a further one changes nothing: longer than any memory of days.
FORGOTTEN_DAYS = 2 * DAYS


@dataclass(frozen=True)
class Judged:
    """Rows of one length.

    Attributes:
        readings: as they came.
        channel: number of each one's channel.
        rho: at the transmitter, 0..1.
        least: the least rho that the meter's rounding allows, 0..1.
        usable: whether it can be judged.
        working: whether work is on record at its time.
    """

    readings: Readings
    channel: IntArray
    rho: FloatArray
    least: FloatArray
    usable: BoolArray
    working: BoolArray

    def take(self, rows: IntArray) -> Judged:
        """Some of them."""
        return Judged(
            self.readings.take(rows),
            self.channel[rows],
            self.rho[rows],
            self.least[rows],
            self.usable[rows],
            self.working[rows],
        )


@dataclass(frozen=True)
class Prepared:
    """A piece of the stream, ready to be judged.

    Attributes:
        by_day: its readings that are to be judged now, by the day with which each is judged (whole days since
            1970), sorted by transmitter and time.
        nothing: what there is on all other days.
        hours, lanes: the hours that closed with it, channels pooled and apart.
        closed_from_us, closed_to_us: the span of those hours [Unix microseconds].
        until_us: everything sent up to here has been seen [Unix microseconds].
    """

    by_day: dict[int, Judged]
    nothing: Judged
    hours: Hours
    lanes: Hours
    closed_from_us: int
    closed_to_us: int
    until_us: int

    def says_nothing(self, day: int, *others_us: IntArray) -> bool:
        """Whether a day lies so deep in a gap that closing it changes nothing: there is nothing to remember.

        A single report of long ago would otherwise have every day since then closed one by one.

        Args:
            day: more than `FORGOTTEN_DAYS` after the first one, and not the last one.
            others_us: times of what else is to be remembered [Unix microseconds].
        """
        begin_us, end_us = (day - FORGOTTEN_DAYS) * DAY_US, (day + 2) * DAY_US
        heard_us = np.array([*self.by_day], dtype=np.int64) * DAY_US
        times = (self.lanes.hour_us, heard_us, *others_us)
        return not any(((t >= begin_us) & (t < end_us)).any() for t in times)
