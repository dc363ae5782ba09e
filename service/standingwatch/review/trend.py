"""The figures of a course: now, a week ago, a month ago."""

from __future__ import annotations

import numpy as np

from standingwatch.readings.fleet import FloatArray
from standingwatch.review.overnight import TREND_DAYS, Trend

#: Of the newest level: how many days old it may be. Of one some days before: how far off its day may be.
_NEWEST_WITHIN = 3
_BEFORE = ((7, 2), (30, 5))


def trend_of(
    start_us: int, rho: FloatArray, baseline_rho: float, baseline_spread: float, baseline_kind: str
) -> Trend:
    """The course with its figures.

    Args:
        start_us: begin of the first day [Unix microseconds].
        rho: daily level of rho at the transmitter, `TREND_DAYS` of them, oldest first, NaN for none.
        baseline_rho, baseline_spread: level and spread of the baseline, NaN without.
        baseline_kind: its kind, "" without.
    """
    if len(rho) != TREND_DAYS:
        raise ValueError(f"trend: got {len(rho)} days, wanted {TREND_DAYS}")
    known = np.flatnonzero(np.isfinite(rho))
    newest = int(known[-1]) if len(known) else -1
    if newest < TREND_DAYS - _NEWEST_WITHIN:
        newest = -1
    before = [_near(rho, newest - days, within) if newest >= 0 else None for days, within in _BEFORE]
    return Trend(
        start_us,
        tuple(_kept(value) for value in rho.tolist()),
        _kept(baseline_rho),
        _kept(baseline_spread),
        baseline_kind,
        _kept(float(rho[newest])) if newest >= 0 else None,
        *before,
    )


def _near(rho: FloatArray, day: int, within: int) -> float | None:
    """The level of a day, or of the one nearest to it; of two as near the earlier."""
    first = max(day - within, 0)
    days = first + np.flatnonzero(np.isfinite(rho[first : max(day + within + 1, 0)]))
    if not len(days):
        return None
    return _kept(float(rho[int(days[np.argmin(np.abs(days - day))])]))


def _kept(value: float) -> float | None:
    return round(min(value, 1.0), 5) if np.isfinite(value) else None
