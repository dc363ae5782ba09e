"""Quality flags: what is wrong with a reading, said beside it and never by leaving it out.

All rows of a call are judged by array operations. What has to be remembered of the stream from call to call
is a `QualityCarry`, so that the flags do not depend on how the stream is cut into calls.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntFlag

import numpy as np
import numpy.typing as npt

from standingwatch.readings.columns import Readings, by_transmitter
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
    #: Its site's clock was off when it came (`readings/clocks.py`). What it says of the match holds;
    #: the intake sets it, not `qualify`.
    CLOCK_OFF = 128

    @property
    def word(self) -> str:
        """A single flag as files, pages and metrics name it."""
        return str(self.name).lower().replace("_", "-")


def flag_words(flags: int) -> list[str]:
    """The flags of a reading as words."""
    return [flag.word for flag in Flag if flags & int(flag)]


UNUSABLE: int = int(
    Flag.NOT_KEYED
    | Flag.LOW_FORWARD
    | Flag.REFLECTED_ABOVE_FORWARD
    | Flag.OUT_OF_RANGE
    | Flag.FUTURE
    | Flag.LATE
    | Flag.STUCK
)
"""The flags that make a reading unusable for judging the match: every one but `CLOCK_OFF`."""

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
    flags, keyed = _flags_of_values(readings, fleet)
    future = readings.time_us > received_us + round(future_tolerance_s * 1e6)
    flags |= future * np.uint8(Flag.FUTURE)

    groups = _Groups.of(readings.transmitter, len(fleet))
    late, newest_time_us = _late(readings.time_us[groups.order], future[groups.order], groups, carry)
    flags[groups.order] |= late * np.uint8(Flag.LATE)

    # What can be part of a run: keyed, in order and not from the future.
    ruled_out = ~keyed[groups.order] | late | future[groups.order]
    after = replace(carry, newest_time_us=newest_time_us)
    if ruled_out.any():
        groups = groups.without(ruled_out)
    if len(groups.order):
        stuck, after = _stuck(readings, groups, after)
        flags[stuck] |= np.uint8(Flag.STUCK)
    return replace(readings, flags=flags.astype(np.int64)), after


@dataclass(frozen=True, eq=False)
class _Groups:
    """Rows by transmitter, within each in order of arrival.

    Attributes:
        order: the rows.
        owner: the transmitters that have rows, ascending.
        first: where in `order` the rows of each begin.
    """

    order: IntArray
    owner: IntArray
    first: IntArray

    @classmethod
    def of(cls, transmitter: IntArray, n: int) -> _Groups:
        return cls._counted(by_transmitter(transmitter), np.bincount(transmitter, minlength=n))

    @classmethod
    def _counted(cls, order: IntArray, count: IntArray) -> _Groups:
        owner = np.flatnonzero(count)
        return cls(order, owner, np.cumsum(count[owner]) - count[owner])

    @property
    def last(self) -> IntArray:
        """Where in `order` the rows of each owner end, that row included."""
        return np.append(self.first[1:], len(self.order)) - 1

    def without(self, out: BoolArray) -> _Groups:
        """The groups without some of their rows, and without owners that lose all of theirs."""
        kept = np.add.reduceat(~out, self.first, dtype=np.int64)
        count = np.zeros(int(self.owner[-1]) + 1, dtype=np.int64)
        count[self.owner] = kept
        return self._counted(self.order[~out], count)


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


def _flags_of_values(readings: Readings, fleet: Fleet) -> tuple[npt.NDArray[np.uint8], BoolArray]:
    """The flags that a row carries on its own, and whether it counts as keyed."""
    transmitter, forward_w, reflected_w = readings.transmitter, readings.forward_w, readings.reflected_w
    # Limits are worked out per transmitter, and then looked up per row. Comparisons with an unknown (NaN)
    # limit are false throughout, which is what is wanted.
    idle_w = NOT_KEYED_SHARE * fleet.min_forward_w
    rated_w = fleet.rated_power_w
    lowest_of_w = -np.where(np.isnan(rated_w), NEGATIVE_LIMIT_W, NEGATIVE_SHARE_OF_RATED * rated_w)
    most_of_w = np.fmin(MOST_FORWARD_W, MOST_SHARE_OF_RATED * rated_w)

    said_unkeyed = readings.keyed == 0
    unkeyed = said_unkeyed | ((readings.keyed < 0) & (forward_w < idle_w[transmitter]))
    weak = forward_w < fleet.min_forward_w[transmitter]
    low = weak & ~said_unkeyed
    above = (reflected_w > forward_w) & (forward_w > 0.0) & ~(said_unkeyed | weak)
    lowest_w = lowest_of_w[transmitter]
    # Written as what is in range, so that a power that is NaN is out of it.
    in_range = (forward_w >= lowest_w) & (reflected_w >= lowest_w)
    in_range &= (forward_w <= most_of_w[transmitter]) & (reflected_w <= MOST_FORWARD_W)
    # All flags fit into a byte; arrays of bytes are an eighth of the work.
    flags = unkeyed * np.uint8(Flag.NOT_KEYED)
    flags |= low * np.uint8(Flag.LOW_FORWARD)
    flags |= above * np.uint8(Flag.REFLECTED_ABOVE_FORWARD)
    flags |= ~in_range * np.uint8(Flag.OUT_OF_RANGE)
    return flags, ~unkeyed


def _late(
    time_us: IntArray, future: BoolArray, groups: _Groups, carry: QualityCarry
) -> tuple[BoolArray, IntArray]:
    """Of grouped rows which are late, and the newest time of every transmitter after them."""
    newest_before = carry.newest_time_us[groups.owner]
    newest_time_us = carry.newest_time_us.copy()
    rises = np.empty(len(time_us), dtype=np.bool_)
    np.greater(time_us[1:], time_us[:-1], out=rises[1:])
    rises[groups.first] = time_us[groups.first] > newest_before
    if rises.all() and not future.any():
        # The stream in good order: every row is its transmitter's newest.
        newest_time_us[groups.owner] = time_us[groups.last]
        return ~rises, newest_time_us

    first = np.zeros(len(time_us), dtype=np.bool_)
    first[groups.first] = True
    number = np.cumsum(first) - 1
    # A running maximum that starts anew at every transmitter: one running maximum over ranks from 1, lifted
    # by more than any rank at each new transmitter.
    rank, most = _ranks(time_us, len(groups.owner))
    lift = number * (most + 1)
    highest = np.maximum.accumulate(lift + np.where(future, 0, rank))
    # Each row is held against the highest of the rows before it, the first of a transmitter against nothing.
    before = np.empty_like(highest)
    before[0] = 0
    before[1:] = highest[:-1]
    late = (~first & (lift + rank <= before)) | (time_us <= newest_before[number])

    newest = np.maximum.reduceat(np.where(future, _NEVER_US, time_us), groups.first)
    newest_time_us[groups.owner] = np.maximum(newest_before, newest)
    return late, newest_time_us


def _ranks(time_us: IntArray, owners: int) -> tuple[IntArray, int]:
    """Numbers from 1 in the order of the times, equal for equal ones; and a number that none exceeds."""
    earliest, latest = int(time_us.min()), int(time_us.max())
    most = latest - earliest + 1
    if (most + 1) * (owners + 1) < 1 << 62:
        return time_us - earliest + 1, most
    # Times so far apart that the times themselves, lifted, would overflow.
    by_time = np.argsort(time_us, kind="stable")
    ascending = time_us[by_time]
    risen = np.ones(len(by_time), dtype=np.int64)
    np.cumsum(ascending[1:] != ascending[:-1], out=risen[1:])
    risen[1:] += 1
    rank = np.empty_like(risen)
    rank[by_time] = risen
    return rank, len(by_time)


def _stuck(readings: Readings, groups: _Groups, carry: QualityCarry) -> tuple[IntArray, QualityCarry]:
    """Of grouped rows, keyed and in order, those that are stuck; and the carry after them."""
    time_us, forward_w = readings.time_us[groups.order], readings.forward_w[groups.order]
    reflected_w = readings.reflected_w[groups.order]
    begins = np.empty(len(time_us), dtype=np.bool_)
    np.not_equal(forward_w[1:], forward_w[:-1], out=begins[1:])
    begins[1:] |= reflected_w[1:] != reflected_w[:-1]
    begins[groups.first] = True

    # From here on an element is a run. Those that began before this call go on with their length and start.
    start = np.flatnonzero(begins)
    rows = np.diff(start, append=len(time_us))
    first_run = np.searchsorted(start, groups.first)
    held = groups.owner
    goes_on = (carry.last_forward_w[held] == forward_w[groups.first]) & (
        carry.last_reflected_w[held] == reflected_w[groups.first]
    )
    length_before = np.zeros(len(start), dtype=np.int64)
    began_us = time_us[start]
    length_before[first_run[goes_on]] = carry.run_length[held[goes_on]]
    began_us[first_run[goes_on]] = carry.run_start_us[held[goes_on]]
    length = length_before + rows

    # Only the rows of long runs are looked at.
    is_long = length >= STUCK_READINGS
    at = np.flatnonzero(np.repeat(is_long, rows))
    run = np.repeat(np.flatnonzero(is_long), rows[is_long])
    is_stuck = at - start[run] + 1 + length_before[run] >= STUCK_READINGS
    is_stuck &= (time_us[at] - began_us[run] >= STUCK_SPAN_US) & (forward_w[at] > 0.0)

    last, last_run = groups.last, np.append(first_run[1:], len(start)) - 1
    after = replace(
        carry,
        last_forward_w=carry.last_forward_w.copy(),
        last_reflected_w=carry.last_reflected_w.copy(),
        run_length=carry.run_length.copy(),
        run_start_us=carry.run_start_us.copy(),
    )
    after.last_forward_w[held] = forward_w[last]
    after.last_reflected_w[held] = reflected_w[last]
    after.run_length[held] = length[last_run]
    after.run_start_us[held] = began_us[last_run]
    return groups.order[at[is_stuck]], after
