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

#: Powers that are looked at together: so few that they stay in the processor's cache for all steps.
_AT_ONCE = 8192


def step_index(power_w: FloatArray) -> IntArray:
    """Position in `STEPS_W` of the coarsest step that each power is a multiple of.

    Args:
        power_w: powers as reported [W].
    """
    index = np.empty(len(power_w), dtype=np.int64)
    for begin in range(0, len(power_w), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        index[part] = _step_index(power_w[part])
    return index


def _step_index(power_w: FloatArray) -> npt.NDArray[np.int8]:
    index = np.full(len(power_w), len(STEPS_W) - 1, dtype=np.int8)
    # NaN fits nothing, as what it is compared to is NaN too; infinite powers are made so.
    power_w = np.where(np.isfinite(power_w), power_w, np.nan)
    multiple, whole = np.empty_like(power_w), np.empty_like(power_w)
    # Finest first: what also fits a coarser step is written over.
    for i in range(len(STEPS_W) - 2, -1, -1):
        np.divide(power_w, STEPS_W[i], out=multiple)
        np.rint(multiple, out=whole)
        np.subtract(multiple, whole, out=multiple)
        np.abs(multiple, out=multiple)
        np.copyto(index, np.int8(i), where=multiple < FITS)
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
