"""What comes from one reading to the next: damage and loose connections do, ice does not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from standingwatch.detect.interface import State
from standingwatch.detect.segments import Segments
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: A rise from two readings to the next two of so much rho at the antenna's end, within so long [us], is no
#: ice: that grows over hours (common practice, no source).
AT_ONCE_RHO, AT_ONCE_US = 0.3, 20 * 60 * 1_000_000

#: Readings before a block that are kept of each transmitter.
KEPT = 3

#: What is kept of them, the last first.
TAIL_FIELDS = [
    ("tail_rho", np.float64, KEPT),
    ("tail_least", np.float64, KEPT),
    ("tail_us", np.int64, KEPT),
    ("tail_high", np.bool_, KEPT),
]


def leads_away(rho: FloatArray, least: FloatArray, before: FloatArray, jump: FloatArray) -> BoolArray:
    """Whether readings lie so much above what was read before that no rounding of the meter explains it.

    What rounding may have added to a reading it may have taken from one before: a coarse meter shows in one
    step what grew for hours.

    Args:
        rho: as read.
        least: the same, less what rounding may have added.
        before: rho as read before each of them, NaN where nothing was: nothing leads away from that.
        jump: rise that counts, in rho at the transmitter.
    """
    rounding = np.maximum(rho**2 - least**2, 0.0)
    away: BoolArray = least - np.sqrt(before**2 + rounding) >= jump
    return away


@dataclass(frozen=True)
class Beginnings:
    """How bursts began, per reading that is the second one of a burst.

    Attributes:
        rows: positions of those second readings among the rows.
        at_once: whether the burst came from one reading to the next, and stayed for the second one.
        grew: whether the first reading of it was not half of that away from the one shortly before.
    """

    rows: IntArray
    at_once: BoolArray
    grew: BoolArray


def beginnings(
    rho: FloatArray,
    least: FloatArray,
    time_us: IntArray,
    high: BoolArray,
    segments: Segments,
    record: State,
    jump: FloatArray,
) -> Beginnings:
    """How the bursts among the rows began; `record` is brought up to date.

    Only the few rows that are second in a burst are looked at, and their neighbours.

    Args:
        rho, least, time_us: of the rows, which are sorted by transmitter and then by time.
        high: whether a row is far above normal.
        segments: the rows' segments.
        record: records with `TAIL_FIELDS`, all transmitters.
        jump: rise that counts as one from one reading to the next, per transmitter, in rho.
    """
    before_high = _Before(high, record["tail_high"], segments)
    second = np.flatnonzero(high)
    second = second[before_high.at(second, 1)]
    second = second[~before_high.at(second, 2)]
    before_rho = _Before(rho, record["tail_rho"], segments)
    before_least = _Before(least, record["tail_least"], segments)
    before_us = _Before(time_us, record["tail_us"], segments)
    # A single bad reading is no jump: it has to lead away from the two before it, and to stay.
    calm = np.fmax(before_rho.at(second, 2), before_rho.at(second, 3))
    wanted = jump[segments.owner[segments.of_row[second]]]
    close = before_us.at(second, 1) - before_us.at(second, 2) <= AT_ONCE_US
    at_once = (
        close
        & leads_away(before_rho.at(second, 1), before_least.at(second, 1), calm, wanted)
        & leads_away(rho[second], least[second], calm, wanted)
    )
    # What the meter's rounding hides counts against it.
    grew = close & (before_rho.at(second, 1) - before_least.at(second, 2) < 0.5 * wanted)
    for before in (before_high, before_rho, before_least, before_us):
        before.keep()
    return Beginnings(second, at_once, grew & ~at_once)


@dataclass(frozen=True)
class _Before:
    """Values of the rows before given ones, those of earlier blocks among them.

    Attributes:
        values: per row.
        tail: per transmitter, the last values before the block, the last first.
        segments: the rows' segments.
    """

    values: Any
    tail: Any
    segments: Segments

    def at(self, rows: IntArray, back: int) -> Any:
        """The value so many rows before each of `rows`, of the same transmitter."""
        segment = self.segments.of_row[rows]
        since_first = rows - self.segments.first[segment]
        kept = self.tail[self.segments.owner[segment], np.clip(back - 1 - since_first, 0, KEPT - 1)]
        return np.where(since_first >= back, self.values[np.maximum(rows - back, 0)], kept)

    def keep(self) -> None:
        """Keep the last values of each transmitter for the next block."""
        columns = [self.values[self.segments.last]]
        columns += [self.at(self.segments.last, back) for back in range(1, KEPT)]
        self.tail[self.segments.owner] = np.stack(columns, axis=1)
