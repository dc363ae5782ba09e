"""How coarse a power meter counts, told from what it has reported.

A meter that shows whole watts cannot tell 1.36:1 from 1.55:1 at 45 W. What its steps are is in no report,
but a meter never reports what is not a multiple of its step: the coarsest step that fits all readings so far
is the most that its rounding can hide, and it only becomes finer as readings come.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from standingwatch.detect.segments import Segments
from standingwatch.readings.fleet import FloatArray, IntArray

#: Steps in which power meters are known to count [W], coarsest first (common practice, no source); 0 stands
#: for anything finer.
STEPS_W = np.array([1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.0])

#: How far from a whole number of steps a power may be, in steps: what is lost in its digits.
FITS = 1e-6

#: Powers are counted in steps of the finest kind [W], all others being whole multiples of it: for each count
#: below that of the coarsest step, the coarsest step that it is a whole number of.
_UNIT_W = 0.01
_UNITS = np.rint(STEPS_W[:-1] / _UNIT_W).astype(np.int64)
_COARSEST = np.array([int(np.argmax(count % _UNITS == 0)) for count in range(_UNITS[0])], dtype=np.int8)

#: Nearer than this to a whole number of units a power is that number by any step; further off than the second
#: it is none by any.
_SURELY, _NEVER = 0.1 * FITS, 10.0 * _UNITS[0] * FITS

#: Counts above this have too few digits left behind the point.
_MOST_UNITS = 1e9

#: Powers that are looked at together: so few that they stay in the processor's cache.
_AT_ONCE = 8192


def step_index(power_w: FloatArray) -> IntArray:
    """Position in `STEPS_W` of the coarsest step that each power is a multiple of.

    Args:
        power_w: powers as reported [W].
    """
    index = np.empty(len(power_w), dtype=np.int64)
    # A power may be infinite, or become so when it is counted: that is no whole number.
    with np.errstate(over="ignore", invalid="ignore"):
        for begin in range(0, len(power_w), _AT_ONCE):
            part = slice(begin, begin + _AT_ONCE)
            index[part] = _step_index(power_w[part])
    return index


def _step_index(power_w: FloatArray) -> npt.NDArray[np.int8]:
    """By the count of units where that is beyond doubt, which costs a fifth; else by each step in turn."""
    units = power_w / _UNIT_W
    count = np.rint(units)
    off = np.abs(np.subtract(units, count, out=units), out=units)
    counted = (off < _SURELY) & (np.abs(count) < _MOST_UNITS)
    if counted.all():
        return _COARSEST[count.astype(np.int64) % len(_COARSEST)]
    index = np.full(len(power_w), len(STEPS_W) - 1, dtype=np.int8)
    index[counted] = _COARSEST[count[counted].astype(np.int64) % len(_COARSEST)]
    in_doubt = ~counted & ~((off >= _NEVER) & (np.abs(count) < _MOST_UNITS))
    index[in_doubt] = _by_each_step(power_w[in_doubt])
    return index


def _by_each_step(power_w: FloatArray) -> npt.NDArray[np.int8]:
    index = np.full(len(power_w), len(STEPS_W) - 1, dtype=np.int8)
    # NaN fits nothing, as what it is compared to is NaN too; infinite powers are made so.
    power_w = np.where(np.isfinite(power_w), power_w, np.nan)
    # Finest first: what also fits a coarser step is written over.
    for i in range(len(STEPS_W) - 2, -1, -1):
        multiple = power_w / STEPS_W[i]
        index[np.abs(multiple - np.rint(multiple)) < FITS] = i
    return index


def finest_so_far(index: IntArray, segments: Segments, carried: IntArray) -> IntArray:
    """The largest index up to and with each row, within its segment, begun from what is carried.

    Args:
        index: position in `STEPS_W` per row.
        segments: the rows' segments.
        carried: the same before the first row, per segment.
    """
    started = index.copy()
    started[segments.first] = np.maximum(started[segments.first], carried)
    # Segments stand in rising order: a height of its own for each keeps one from reaching into the next.
    height = segments.of_row * len(STEPS_W)
    return np.maximum.accumulate(started + height) - height
