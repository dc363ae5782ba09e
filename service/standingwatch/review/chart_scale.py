"""Scales that charts of a match share: linear in rho, labelled in SWR or return loss; lines with gaps.

Linear in rho, a change of the reflection takes the same height at a good match and at a poor one, an infinite
SWR has a place, and the feeder is one factor: a second axis labels the same curve at the antenna.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from standingwatch.readings.fleet import FloatArray, IntArray

SWR_TICKS = (1.0, 1.1, 1.2, 1.3, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0, 10.0, 30.0)
RETURN_LOSS_TICKS_DB = (40, 30, 25, 20, 17, 14, 12, 10, 8, 6, 5, 4, 3, 2, 1)

#: Least distance of two labels of the axis [pixels].
TICK_PX = 15.0


def rho_ticks(
    values: Sequence[float], rho_of: Callable[[float], float], top_rho: float, height_px: float
) -> list[float]:
    """Places of axis labels, those that would touch the one before left out.

    Args:
        values: what may be labelled.
        rho_of: the place of a value on the axis.
        top_rho: upper end of the axis, above 0; the lower one is 0.
        height_px: length of the axis.
    """
    ticks: list[float] = []
    for rho in sorted(rho_of(value) for value in values):
        if rho <= top_rho and (not ticks or (rho - ticks[-1]) / top_rho * height_px >= TICK_PX):
            ticks.append(rho)
    return ticks


def breaks(time_us: IntArray, values: FloatArray, gap_us: int) -> tuple[IntArray, IntArray]:
    """How to draw a line through the known values: over short gaps, and broken at longer ones.

    Args:
        time_us: rising [Unix microseconds].
        values: NaN where not known.
        gap_us: longest distance of two points that a line bridges [us].

    Returns:
        Positions of the known values; and of those, which begin anew after a longer gap.
    """
    known = np.flatnonzero(np.isfinite(values))
    return known, np.flatnonzero(np.diff(time_us[known]) > gap_us) + 1
