"""When a rising level reaches its limits: an average over many curves, each weighted by how well it fits.

A slow fault is known by its departure from the baseline; the day it began and the bend of its course are not
known. So every curve of a family is tried on each transmitter at once: a day of beginning, and from there a
straight, slowing or accelerating rise, or a rise that has stopped. Curves are scaled to the data by least
squares; one that leaves large residuals gets little weight, one that fits as well as the best keeps its say.
The date of each limit is read off every curve, and the weighted dates are the forecast: a clear, long trend
leaves few curves and a narrow interval, a young departure many and a wide one. In other words a Bayesian
average over a grid, the likelihood held back for autocorrelation.

A departure wanders about its course, the more the further it has grown: days with a large departure count
less in the fit, and the level on the day that counts, and the pace until then, are the less certain the more
it wanders.

The interval is meant to hold the date in 80 of 100 cases; `tests/detect/test_forecast.py` holds that, and
`tests/detection/test_outlooks.py` on simulated sites. What was found by trying, on seeds that the tests do
not use, says so where it stands; the other constants are reasoned.

Levels are taken above the baseline and, within, in units of the largest, so that no scale matters. The curves
and their symbols are in `_trend.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np

from standingwatch.detect._trend import (
    FEWEST_DAYS,
    MEMORY_DAYS,
    Curves,
    Fit,
    curves,
    fit_curves,
    median_of_known,
    theil_sen_error,
    theil_sen_slope,
)
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: Days over which the present slope is taken, and the level of a transmitter without a trend.
RATE_DAYS = 21
STANDING_DAYS = 7

#: Standard deviations by which the best curve must beat "stays at its baseline". The best of some hundred
#: curves is picked, hence more than the usual 2: see the false trends on AR(1) noise in the test.
EVIDENCE = 4.0

#: A level that lately falls by more than this many standard errors is no rise, whatever it did before.
FALLING_ERRORS = 1.0

#: Standard deviation of the pace, as a factor on log(1 day + time left), per wander of the departure: what
#: grows unevenly does not keep its pace either, which matters the more the more time is left. Of 0, 0.6, 0.7,
#: 0.85 and 1, tried on the same seeds as `WANDER`, 0 held 70 of 100 dates of the proving ground, 0.7 held 76,
#: and 1 held 81; 0.5 is of the later trial that `WANDER` tells of.
PACE_SPREAD = 0.5

# Three-point Gauss-Hermite nodes and weights of the standard normal distribution (Abramowitz and Stegun,
# table 25.10, scaled; from memory).
_NODES = ((-np.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (np.sqrt(3.0), 1.0 / 6.0))

# Dates are counted in steps of log(1 day + time left) up to 8.6, 15 years; what is later is in the last cell.
_STEP = 1.0 / 32.0
_LAST = int(8.6 / _STEP)

# Rows that are worked on at once: their arrays of all curves stay near the processor, and small.
_BLOCK = 128

# A finite number beyond this is no level: its square would not be a number.
_LARGEST = 1e100


class Says(IntEnum):
    """What a forecast says about one limit of one transmitter."""

    EXPECTED = 0
    REACHED = 1
    TOO_FEW_DAYS = 2
    NO_TREND = 3
    TOO_FAR = 4
    NO_LIMIT = 5


@dataclass(frozen=True)
class Forecasts:
    """When each limit is reached, with an 80 % interval, and how fast the level changes now.

    Attributes:
        low_days: (n, K) days from now, 10 % point; 0 where reached, NaN where nothing can be said.
        mid_days: (n, K) the same, 50 % point; 0 where reached; finite or inf where `Says.TOO_FAR`.
        high_days: (n, K) the same, 90 % point; inf where the limit may well never be reached. Above 0 where
            the limit counts as reached, but with less than 90 % certainty.
        says: (n, K) a `Says` each.
        rate: (n,) slope over the last `RATE_DAYS` [rho per day]; NaN where not known.
        rate_error: (n,) its standard error, with the noise's autocorrelation allowed for [rho per day].
    """

    low_days: FloatArray
    mid_days: FloatArray
    high_days: FloatArray
    says: IntArray
    rate: FloatArray
    rate_error: FloatArray


def forecast(
    levels: FloatArray,
    baseline: FloatArray,
    spread: FloatArray,
    limits: FloatArray,
    *,
    horizon_days: float = 365.0,
) -> Forecasts:
    """When each transmitter's daily level reaches each of its limits.

    Nothing here depends on what rho means: all four may be scaled or shifted together.

    Args:
        levels: (n, D) daily levels of rho, oldest first, the last column the day that just ended; a value
            that is not finite is a day without a level. At most the last `MEMORY_DAYS` count.
        baseline: (n,) level before any departure [rho]; not finite: not known, `Says.TOO_FEW_DAYS`.
        spread: (n,) robust standard deviation of the daily level there [rho], 0 or more; else: not known.
        limits: (n, K) [rho]; not finite: there is none.
        horizon_days: a limit whose 50 % point lies beyond is `Says.TOO_FAR`; above 0.

    Raises:
        ValueError: shapes that do not fit together, or a horizon that is not above 0.
    """
    levels, baseline, spread, limits = (np.asarray(a, np.float64) for a in (levels, baseline, spread, limits))
    shapes = (levels.shape, baseline.shape, spread.shape, limits.shape)
    if (levels.ndim, baseline.ndim, limits.ndim) != (2, 1, 2) or spread.shape != baseline.shape:
        raise ValueError(f"wanted levels (n, D), baseline (n,), spread (n,), limits (n, K); got {shapes}")
    if not len(levels) == len(baseline) == len(limits):
        raise ValueError(f"wanted as many levels, baselines, spreads and limits; got {shapes}")
    if not horizon_days > 0:
        raise ValueError(f"wanted horizon_days above 0; got {horizon_days}")

    blocks = []
    for begin in range(0, max(1, len(levels)), _BLOCK):
        some = slice(begin, begin + _BLOCK)
        blocks.append(_forecast_block(levels[some], baseline[some], spread[some], limits[some], horizon_days))
    return Forecasts(*(np.concatenate([getattr(b, f.name) for b in blocks]) for f in fields(Forecasts)))


def _forecast_block(
    levels: FloatArray, baseline: FloatArray, spread: FloatArray, limits: FloatArray, horizon_days: float
) -> Forecasts:
    learned = _usable(baseline) & _usable(spread) & (spread >= 0)
    departure, spread, limits_above, unit = _above_baseline(levels, baseline, spread, limits, learned)
    recent = departure[:, -RATE_DAYS:]
    # A course that is known lately is known in all: the recent days are among them.
    enough = np.isfinite(recent).sum(axis=1) >= FEWEST_DAYS
    fit = fit_curves(departure, spread)
    rate = theil_sen_slope(recent)
    rate_error = theil_sen_error(recent, rate, spread)

    goes_on = fit.chance[:, curves().stopped > 0].sum(axis=1) <= 0.5
    rising = enough & goes_on & (fit.evidence >= EVIDENCE) & ~(rate + FALLING_ERRORS * rate_error < 0)
    low, mid, high, reached = _points(fit, limits_above, rising)
    # Without a trend, a limit is reached where the last days stand at or above it.
    standing = median_of_known(departure[:, -STANDING_DAYS:])[:, None] >= limits_above
    reached = np.where(rising[:, None], reached, enough[:, None] & standing)

    there, enough_here, rising_here = (
        np.broadcast_to(a, limits.shape) for a in (_usable(limits), enough[:, None], rising[:, None])
    )
    # The first that holds is said.
    cases = (
        (~there, Says.NO_LIMIT),
        (reached, Says.REACHED),
        (~enough_here, Says.TOO_FEW_DAYS),
        (~rising_here, Says.NO_TREND),
        (mid > horizon_days, Says.TOO_FAR),
    )
    says = np.select([holds for holds, _ in cases], [int(case) for _, case in cases], int(Says.EXPECTED))
    otherwise = np.where(says == Says.REACHED, 0.0, np.nan)
    low, mid, high = (np.where(there & rising_here, point, otherwise) for point in (low, mid, high))
    return Forecasts(
        low_days=low,
        mid_days=mid,
        high_days=high,
        says=says.astype(np.int64),
        rate=np.where(enough, rate * unit, np.nan),
        rate_error=np.where(enough, rate_error * unit, np.nan),
    )


def _usable(values: FloatArray) -> BoolArray:
    # A comparison with NaN is false.
    return np.abs(values) < _LARGEST


def _above_baseline(
    levels: FloatArray, baseline: FloatArray, spread: FloatArray, limits: FloatArray, learned: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Levels (n, MEMORY_DAYS), spread, limits, above the baseline in units of the largest; the unit (n,)."""
    baseline, spread = np.where(learned, baseline, 0.0), np.where(learned, spread, 0.0)
    kept = levels[:, max(0, levels.shape[1] - MEMORY_DAYS) :]
    known = _usable(kept) & learned[:, None]
    departure = np.full((len(levels), MEMORY_DAYS), np.nan)
    departure[:, MEMORY_DAYS - kept.shape[1] :] = np.where(
        known, np.where(known, kept, 0.0) - baseline[:, None], np.nan
    )
    size = np.maximum(np.abs(np.where(np.isnan(departure), 0.0, departure)).max(axis=1), spread)
    unit = np.where(size > 1.0 / _LARGEST, size, 1.0)
    there = _usable(limits) & learned[:, None]
    above = np.where(there, (np.where(there, limits, 0.0) - baseline[:, None]) / unit[:, None], np.nan)
    return departure / unit[:, None], spread / unit, above, unit


def _points(
    fit: Fit, limits_above: FloatArray, rising: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """The 10, 50 and 90 % points of the days to each limit, (n, K); where it is likelier reached than not."""
    tried = curves()
    cells = limits_above.size
    # Curves of less than a thousandth of the best one's chance move no point that is read off here.
    most = fit.chance.max(axis=1, keepdims=True)
    row, curve = np.nonzero((fit.chance > 1e-3 * most) & rising[:, None])
    chance, scale, error = (a[row, curve] for a in (fit.chance, fit.scale, fit.scale_error))
    offset, wander = fit.offset[row, curve], fit.wander[row]
    # Two ways in which the departure may stand higher or lower than its course on the day that counts.
    stray = np.hypot(error / scale, wander)
    mass = np.zeros((cells, _LAST + 1))
    at_once = np.zeros(cells)
    for node, node_chance in _NODES:
        # A smaller departure and a slower pace are taken to come together: on the safe side.
        scale_here, pace = scale * np.exp(-node * stray), np.exp(node * PACE_SPREAD * wander)
        for k in range(limits_above.shape[1]):
            wanted = limits_above[row, k] - offset
            there = np.isfinite(wanted)
            days = _days_until(np.where(there, wanted, 0.0) / scale_here, curve, tried)
            place = np.clip(np.log1p(days) * pace / _STEP, 0.0, _LAST)
            step = np.minimum(place.astype(np.int64), _LAST - 1)
            cell = row * limits_above.shape[1] + k
            now, later = there & (days <= 0), there & (days > 0) & np.isfinite(days)
            at_once += np.bincount(cell[now], node_chance * chance[now], minlength=cells)
            # Shared between two cells, so that a date never jumps from one to the next.
            for cell_step, part in ((step, 1.0 - (place - step)), (step + 1, place - step)):
                mass += np.bincount(
                    (cell * (_LAST + 1) + cell_step)[later],
                    (node_chance * chance * part)[later],
                    minlength=mass.size,
                ).reshape(mass.shape)
    until = at_once[:, None] + np.cumsum(mass, axis=1)
    low, mid, high = (_days_at(until, point).reshape(limits_above.shape) for point in (0.1, 0.5, 0.9))
    return low, mid, high, (at_once >= 0.5).reshape(limits_above.shape)


def _days_until(multiple: FloatArray, curve: IntArray, tried: Curves) -> FloatArray:
    """Days until a curve is at a multiple of its present value; 0 if it is now, inf if it stopped below."""
    # A thousand million times is beyond the last date for all but curves of which nothing later is asked.
    multiple = np.clip(multiple, 0.0, 1e9)
    power, bend = tried.power[curve], tried.bend[curve]
    by_power = multiple ** (1.0 / np.where(power > 0, power, 1.0))
    by_bend = np.log1p(multiple * np.expm1(bend)) / np.where(bend > 0, bend, 1.0)
    v = np.where(bend > 0, by_bend, by_power)
    v = np.where((tried.stopped[curve] > 0) & (multiple > 1.0), np.inf, v)
    return np.maximum(tried.age_days[curve] * (v - 1.0), 0.0)


def _days_at(until: FloatArray, point: float) -> FloatArray:
    """Days at which the mass until then passes a point: 0 if at once, inf if never."""
    passed = until >= point
    passed[:, -1] = False  # the last cell holds what is later than it, too
    first = np.argmax(passed, axis=1)
    row = np.arange(len(until))
    before = until[row, np.maximum(first - 1, 0)]
    gap = until[row, first] - before
    part = np.where(gap > 0, (point - before) / np.where(gap > 0, gap, 1.0), 1.0)
    return np.where(passed.any(axis=1), np.expm1(np.maximum(first - 1 + part, 0.0) * _STEP), np.inf)
