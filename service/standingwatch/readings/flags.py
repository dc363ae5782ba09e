"""Quality flags: what is wrong with a reading, said beside it and never by leaving it out.

All rows of a call are judged by array operations. What has to be remembered of the stream from call to call
is a `QualityCarry`, so that the flags do not depend on how the stream is cut into calls.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntFlag

import numpy as np

from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray


class Flag(IntFlag):
    """What can be wrong with a reading. A reading can carry several."""

    NOT_KEYED = 1
    LOW_FORWARD = 2
    REFLECTED_ABOVE_FORWARD = 4
    OUT_OF_RANGE = 8
    FUTURE = 16
    LATE = 32
    STUCK = 64


UNUSABLE: int = int(
    Flag.NOT_KEYED
    | Flag.LOW_FORWARD
    | Flag.REFLECTED_ABOVE_FORWARD
    | Flag.OUT_OF_RANGE
    | Flag.FUTURE
    | Flag.LATE
    | Flag.STUCK
)
"""The flags that make a reading unusable for judging the match: every one of them."""

# Where keyed is not said, forward power below this share of the least useful power is the transmitter's idle.
NOT_KEYED_SHARE = 0.5
# A meter's zero may be off by a few percent of its range (common practice, no source).
NEGATIVE_SHARE_OF_RATED = 0.05
NEGATIVE_LIMIT_W = 1.0
MOST_SHARE_OF_RATED = 3.0
MOST_FORWARD_W = 1e7
# A meter that reads whole watts repeats a pair for hours in good health. In six weeks of five-minute readings
# of a real one (a coastal HF transmitter, January and February 2018, from rucool/hfradarpy) the longest run
# was 107 readings over 8 h 50 min: the number alone says nothing, the span excludes that run 2.7 times over.
STUCK_READINGS = 100
STUCK_SPAN_US = 24 * 3_600 * 1_000_000

_NEVER_US = np.iinfo(np.int64).min


@dataclass(frozen=True, eq=False)
class QualityCarry:
    """What the stream before a call leaves behind, an array element per transmitter of the fleet.

    Attributes:
        newest_time_us: newest time seen [us], of readings not from the future; least int64 before any.
        last_forward_w, last_reflected_w: the last keyed pair in order [W], NaN before any.
        run_length: how many keyed readings in order had that pair, one after the other.
        run_start_us: time of the first of them [us].
    """

    newest_time_us: IntArray
    last_forward_w: FloatArray
    last_reflected_w: FloatArray
    run_length: IntArray
    run_start_us: IntArray

    def __len__(self) -> int:
        return len(self.newest_time_us)

    @classmethod
    def empty(cls, n: int) -> QualityCarry:
        """The carry of `n` transmitters that were never heard."""
        return cls(
            newest_time_us=np.full(n, _NEVER_US, dtype=np.int64),
            last_forward_w=np.full(n, np.nan),
            last_reflected_w=np.full(n, np.nan),
            run_length=np.zeros(n, dtype=np.int64),
            run_start_us=np.zeros(n, dtype=np.int64),
        )

    def rearranged(self, old_position: IntArray) -> QualityCarry:
        """The carry for a changed fleet.

        Parameters
        ----------
        old_position
            For each transmitter of the new fleet its position in the old one, -1 for one that was not in it.
        """
        known = old_position >= 0
        fresh = QualityCarry.empty(len(old_position))
        for name in ("newest_time_us", "last_forward_w", "last_reflected_w", "run_length", "run_start_us"):
            getattr(fresh, name)[known] = getattr(self, name)[old_position[known]]
        return fresh


def qualify(
    readings: Readings,
    fleet: Fleet,
    received_us: IntArray,
    carry: QualityCarry,
    future_tolerance_s: float,
) -> tuple[Readings, QualityCarry]:
    """The same rows in the same order with their flags, and the carry for the next call.

    Parameters
    ----------
    readings
        Rows in the order they arrived. Flags they already have are replaced.
    fleet
        The fleet that `readings.transmitter` are positions in.
    received_us
        When each row was received [us since 1970-01-01 UTC]. Shape (rows,).
    carry
        What the previous call returned, or `QualityCarry.empty(len(fleet))`. It is not changed.
    future_tolerance_s
        How far a time may lie past its receipt before it is from the future [s], 0 or more.

    Raises
    ------
    ValueError
        If the lengths do not fit, a transmitter is not in the fleet, or the tolerance is out of range.

    Notes
    -----
    A row whose `keyed` is not said and whose power is below half the least useful one is both NOT_KEYED and
    LOW_FORWARD. LATE and STUCK look back along a transmitter's rows in order of arrival; rows from the future
    do not make later ones LATE, and rows that are late, from the future or not keyed neither end nor lengthen
    a run.
    """
    _check(readings, fleet, received_us, carry, future_tolerance_s)
    if len(readings) == 0:
        return readings, carry
    transmitter, time_us = readings.transmitter, readings.time_us
    flags, keyed = _flags_of_values(readings, fleet)
    future = time_us > received_us + round(future_tolerance_s * 1e6)
    flags |= future * int(Flag.FUTURE)

    order = _by_transmitter(transmitter, len(fleet))
    of = transmitter[order]
    first = np.empty(len(of), dtype=np.bool_)
    first[0] = True
    np.not_equal(of[1:], of[:-1], out=first[1:])

    late, newest_time_us = _late(time_us[order], future[order], of, first, carry)
    flags[order] |= late * int(Flag.LATE)

    # Positions, among the sorted rows, of those that can be part of a run.
    regular = np.flatnonzero(keyed[order] & ~late & ~future[order])
    after = replace(carry, newest_time_us=newest_time_us)
    if len(regular):
        rows = order[regular]
        stuck, after = _stuck(readings, rows, after)
        flags[rows] |= stuck * int(Flag.STUCK)
    return replace(readings, flags=flags), after


def _check(
    readings: Readings, fleet: Fleet, received_us: IntArray, carry: QualityCarry, future_tolerance_s: float
) -> None:
    if len(received_us) != len(readings):
        raise ValueError(
            f"qualify: {len(readings)} readings but {len(received_us)} receipt times; give one each"
        )
    if len(carry) != len(fleet):
        raise ValueError(
            f"qualify: the fleet has {len(fleet)} transmitters but the carry {len(carry)}; "
            "use QualityCarry.rearranged when the fleet changes"
        )
    if not 0.0 <= future_tolerance_s < 1e9:
        raise ValueError(
            f"qualify: future_tolerance_s is {future_tolerance_s}, wanted 0 or more and below 1e9"
        )
    if len(readings) and not 0 <= (least := readings.transmitter.min()) <= readings.transmitter.max() < len(
        fleet
    ):
        raise ValueError(
            f"qualify: transmitter positions run from {least} to {readings.transmitter.max()}, wanted 0 to "
            f"{len(fleet) - 1}; set aside reports of transmitters that are not in the fleet before this"
        )


def _flags_of_values(readings: Readings, fleet: Fleet) -> tuple[IntArray, BoolArray]:
    """The flags that a row carries on its own, and whether it counts as keyed."""
    forward_w, reflected_w = readings.forward_w, readings.reflected_w
    least_w = fleet.min_forward_w[readings.transmitter]
    rated_w = fleet.rated_power_w[readings.transmitter]
    # Comparisons with an unknown (NaN) limit are false throughout, which is what is wanted.
    unkeyed = (readings.keyed == 0) | ((readings.keyed < 0) & (forward_w < NOT_KEYED_SHARE * least_w))
    said_unkeyed = readings.keyed == 0
    low = ~said_unkeyed & (forward_w < least_w)
    above = ~said_unkeyed & (reflected_w > forward_w) & (forward_w > 0.0) & ~(forward_w < least_w)
    lowest_w = -np.where(np.isnan(rated_w), NEGATIVE_LIMIT_W, NEGATIVE_SHARE_OF_RATED * rated_w)
    # Written as what is in range, so that a power that is NaN is out of it.
    in_range = (forward_w >= lowest_w) & (reflected_w >= lowest_w)
    in_range &= (forward_w <= MOST_FORWARD_W) & (reflected_w <= MOST_FORWARD_W)
    out = ~in_range | (forward_w > MOST_SHARE_OF_RATED * rated_w)
    flags = unkeyed * np.int64(Flag.NOT_KEYED)
    flags |= low * np.int64(Flag.LOW_FORWARD)
    flags |= above * np.int64(Flag.REFLECTED_ABOVE_FORWARD)
    flags |= out * np.int64(Flag.OUT_OF_RANGE)
    return flags, ~unkeyed


def _by_transmitter(transmitter: IntArray, n: int) -> IntArray:
    """The order of the rows by transmitter that keeps the order of arrival within each."""
    # numpy sorts 16-bit integers by radix, about six times as fast as wider ones.
    narrow = transmitter.astype(np.uint16) if n <= 1 << 16 else transmitter
    return np.argsort(narrow, kind="stable")


def _late(
    time_us: IntArray, future: BoolArray, of: IntArray, first: BoolArray, carry: QualityCarry
) -> tuple[BoolArray, IntArray]:
    """Of rows sorted by transmitter which are late, and the newest time of every transmitter after them."""
    # A running maximum that starts anew at every transmitter: one running maximum over the times' ranks,
    # lifted by more than any rank at each new transmitter. The times themselves, so lifted, would overflow.
    by_time = np.argsort(time_us, kind="stable")
    risen = np.empty(len(by_time), dtype=np.int64)
    risen[0] = 1
    ascending = time_us[by_time]
    np.cumsum(ascending[1:] != ascending[:-1], out=risen[1:])
    risen[1:] += 1
    rank = np.empty_like(risen)
    rank[by_time] = risen
    lift = (np.cumsum(first) - 1) * (len(by_time) + 1)
    highest = np.maximum.accumulate(lift + np.where(future, 0, rank))
    # Each row is held against the highest of the rows before it, the first of a transmitter against nothing.
    before = np.empty_like(highest)
    before[0] = 0
    before[1:] = highest[:-1]
    late = (~first & (lift + rank <= before)) | (time_us <= carry.newest_time_us[of])

    starts = np.flatnonzero(first)
    newest = np.maximum.reduceat(np.where(future, _NEVER_US, time_us), starts)
    after = carry.newest_time_us.copy()
    after[of[starts]] = np.maximum(after[of[starts]], newest)
    return late, after


def _stuck(readings: Readings, rows: IntArray, carry: QualityCarry) -> tuple[BoolArray, QualityCarry]:
    """Of rows sorted by transmitter, keyed and in order, which are stuck; and the carry after them."""
    of, time_us = readings.transmitter[rows], readings.time_us[rows]
    forward_w, reflected_w = readings.forward_w[rows], readings.reflected_w[rows]
    first = np.empty(len(rows), dtype=np.bool_)
    first[0] = True
    np.not_equal(of[1:], of[:-1], out=first[1:])
    begins = first.copy()
    begins[1:] |= (forward_w[1:] != forward_w[:-1]) | (reflected_w[1:] != reflected_w[:-1])

    # Runs that began before this call go on with their length and start.
    length_before = np.zeros(len(rows), dtype=np.int64)
    start_us = time_us.copy()
    firsts = np.flatnonzero(first)
    held = of[firsts]
    goes_on = (carry.last_forward_w[held] == forward_w[firsts]) & (
        carry.last_reflected_w[held] == reflected_w[firsts]
    )
    continued, by = firsts[goes_on], held[goes_on]
    length_before[continued] = carry.run_length[by]
    start_us[continued] = carry.run_start_us[by]

    position = np.arange(len(rows))
    start = np.maximum.accumulate(np.where(begins, position, 0))
    length = position - start + 1 + length_before[start]
    began_us = start_us[start]
    stuck = (length >= STUCK_READINGS) & (time_us - began_us >= STUCK_SPAN_US) & (forward_w > 0.0)

    lasts = np.append(firsts[1:], len(rows)) - 1
    after = replace(
        carry,
        last_forward_w=carry.last_forward_w.copy(),
        last_reflected_w=carry.last_reflected_w.copy(),
        run_length=carry.run_length.copy(),
        run_start_us=carry.run_start_us.copy(),
    )
    after.last_forward_w[held] = forward_w[lasts]
    after.last_reflected_w[held] = reflected_w[lasts]
    after.run_length[held] = length[lasts]
    after.run_start_us[held] = began_us[lasts]
    return stuck, after
