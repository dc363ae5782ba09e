"""Array operations along runs of rows that belong to one transmitter.

Rows are sorted by transmitter and then by time. A state machine that would be a loop over readings becomes
a handful of array operations over all rows of all transmitters at once, and what it ends with is carried
into the next call: the answer does not depend on how the stream was cut into calls.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from standingwatch.readings.fleet import BoolArray, IntArray


@dataclass(frozen=True)
class Segments:
    """Where each transmitter's rows begin and end.

    Attributes:
        owner: the transmitter (or site) of each segment, ascending.
        first: position of each segment's first row.
        last: position of each segment's last row.
        of_row: position, in `owner`, of each row's segment.
    """

    owner: IntArray
    first: IntArray
    last: IntArray
    of_row: IntArray

    @classmethod
    def of(cls, owner_of_row: IntArray) -> Segments:
        """Segments of rows whose owners are given; equal owners must stand together."""
        n = len(owner_of_row)
        if n == 0:
            none = np.empty(0, dtype=np.int64)
            return cls(none, none, none, none)
        begins = np.empty(n, dtype=np.bool_)
        begins[0] = True
        np.not_equal(owner_of_row[1:], owner_of_row[:-1], out=begins[1:])
        first = np.flatnonzero(begins)
        last = np.append(first[1:] - 1, n - 1)
        return cls(owner_of_row[first], first, last, np.cumsum(begins) - 1)

    def __len__(self) -> int:
        return len(self.owner)

    def first_of_row(self) -> IntArray:
        """Position of the first row of each row's segment."""
        return self.first[self.of_row]


def run_length(mask: BoolArray, segments: Segments, carried: IntArray) -> IntArray:
    """How many rows in a row have been true, up to and with each row.

    Args:
        mask: a truth value per row.
        segments: the rows' segments.
        carried: run length before the first row, per segment.
    """
    position = np.arange(len(mask))
    before = segments.first_of_row() - 1
    last_false = np.maximum.accumulate(np.where(mask, -1, position))
    unbroken = last_false <= before
    run = position - np.maximum(last_false, before)
    return np.where(unbroken, run + carried[segments.of_row], run)


def held(mark: IntArray, segments: Segments, carried: IntArray) -> IntArray:
    """Each row's latest mark that is not 0, counting itself; before any such mark, the carried one.

    Args:
        mark: a number per row, 0 for "no mark here".
        segments: the rows' segments.
        carried: the mark that held before the first row, per segment.
    """
    position = np.arange(len(mark))
    latest = np.maximum.accumulate(np.where(mark != 0, position, -1))
    inside = latest >= segments.first_of_row()
    return np.where(inside, mark[np.maximum(latest, 0)], carried[segments.of_row])


def shifted(values: Any, segments: Segments, carried: Any) -> Any:
    """Each row's value at the row before it, within its segment; at the first row the carried one.

    Args:
        values: a value per row.
        segments: the rows' segments.
        carried: the value before the first row, per segment.
    """
    earlier = np.empty_like(values)
    earlier[1:] = values[:-1]
    earlier[segments.first] = carried
    return earlier


@dataclass(frozen=True)
class Latched:
    """What `latch` found: state per row, and what to carry per segment."""

    on: BoolArray
    over_run: IntArray
    under_run: IntArray
    on_at_end: BoolArray


def latch(
    over: BoolArray,
    under: BoolArray,
    segments: Segments,
    *,
    rows_to_raise: int,
    rows_to_clear: int,
    over_run: IntArray,
    under_run: IntArray,
    on: BoolArray,
    ready: BoolArray | None = None,
) -> Latched:
    """A two-state switch with hysteresis and a least number of rows each way, over all segments at once.

    On after `rows_to_raise` rows in a row that are `over`, off after `rows_to_clear` in a row that are
    `under`; a row that is neither breaks both runs and leaves the switch as it is.

    Args:
        over: per row, evidence for on.
        under: per row, evidence for off; never true where `over` is.
        segments: the rows' segments.
        rows_to_raise: rows needed to switch on, at least 1.
        rows_to_clear: rows needed to switch off, at least 1.
        over_run: run of `over` carried in, per segment.
        under_run: run of `under` carried in, per segment.
        on: state carried in, per segment.
        ready: per row, whether it may switch on here at all; None for everywhere.
    """
    over_count = run_length(over, segments, over_run)
    under_count = run_length(under, segments, under_run)
    raises = over_count >= rows_to_raise
    if ready is not None:
        raises &= ready
    mark = np.where(raises, 1, np.where(under_count >= rows_to_clear, -1, 0))
    state = held(mark, segments, np.where(on, 1, -1))
    return Latched(
        on=state > 0,
        over_run=over_count[segments.last],
        under_run=under_count[segments.last],
        on_at_end=state[segments.last] > 0,
    )
