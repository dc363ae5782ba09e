"""Two short runs of daily levels against each other: trimmed means, winsorised variances, dependent days.

Yuen's test (K. K. Yuen, "The two-sample trimmed t for unequal population variances", Biometrika 61, 1974;
from memory, held to scipy's `ttest_ind(trim=...)` in the tests): a fifth is trimmed at each end, so that a
day of rain or a bad meter moves little. Days are not independent of each other: the variance of each mean is
made larger by what their correlation does to it, taken as that of a first-order autoregression.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from standingwatch.readings.fleet import FloatArray

#: Share that is trimmed at each end.
TRIM = 0.2

#: Quantiles 0.995 of Student's t by degrees of freedom: half of the errors of a two-sided interval of 99 % at
#: each end. NIST/SEMATECH e-Handbook, 1.3.6.7.2 (from memory, held to scipy in the tests).
_T_995 = {
    **dict(enumerate((63.657, 9.925, 5.841, 4.604, 4.032, 3.707, 3.499, 3.355, 3.250, 3.169), start=1)),
    **dict(enumerate((3.106, 3.055, 3.012, 2.977, 2.947, 2.921, 2.898, 2.878, 2.861, 2.845), start=11)),
    25: 2.787,
    30: 2.750,
    40: 2.704,
    60: 2.660,
    120: 2.617,
    1_000_000: 2.576,
}

#: Correlation from day to day that is assumed where too few days tell it, and the most that is believed.
ASSUMED_CORRELATION, MOST_CORRELATION = 0.4, 0.9
#: Days that have to tell it.
DAYS_FOR_CORRELATION = 20


@dataclass(frozen=True)
class Level:
    """The level of some days.

    Attributes:
        mean: their trimmed mean.
        error: standard error of it, the dependence of the days allowed for.
        days: how many there are.
        freedom: degrees of freedom of the error.
    """

    mean: float
    error: float
    days: int
    freedom: float

    @property
    def low(self) -> float:
        """Lower end of the interval of 99 %."""
        return self.mean - t_995(self.freedom) * self.error

    @property
    def high(self) -> float:
        """Upper end of the interval of 99 %."""
        return self.mean + t_995(self.freedom) * self.error


def t_995(freedom: float) -> float:
    """The 0.995 quantile of Student's t, straight lines in 1 / freedom between the listed ones.

    Args:
        freedom: degrees of freedom, 1 or more.
    """
    known = np.array(sorted(_T_995))
    at = np.array([_T_995[n] for n in known.tolist()])
    return float(np.interp(1.0 / max(freedom, 1.0), (1.0 / known)[::-1], at[::-1]))


def level_of(values: FloatArray, correlation: float) -> Level:
    """The level of some days, in order; days without a level are left out.

    Args:
        values: daily levels, NaN where there is none.
        correlation: from day to day, 0 to `MOST_CORRELATION`.

    Raises:
        ValueError: if fewer than two days have a level.
    """
    known = np.sort(values[np.isfinite(values)])
    count = len(known)
    if count < 2:
        raise ValueError(f"level: got {count} days with a level, wanted 2 or more")
    cut = int(TRIM * count)
    inner = known[cut : count - cut]
    winsorised = np.clip(known, inner[0], inner[-1])
    squares = float(np.square(winsorised - winsorised.mean()).sum())
    within = len(inner)
    larger = inflation(count, correlation)
    # Dependent days lie nearer to each other than they do to the level: the variance is too small as well.
    shrunk = max(1.0 - (larger - 1.0) / (count - 1), 0.1)
    variance = squares / (within * (within - 1)) * larger / shrunk
    return Level(float(inner.mean()), math.sqrt(variance), count, within - 1)


def inflation(days: int, correlation: float) -> float:
    """By how much dependence makes the variance of a mean larger: 1 + 2 sum (1 - k / n) phi^k."""
    lag = np.arange(1, days)
    return float(1.0 + 2.0 * np.sum((1.0 - lag / days) * np.power(correlation, lag)))


def combination(levels: Sequence[Level], weights: Sequence[float], shift: float = 0.0) -> Level:
    """A weighted sum of levels that do not depend on each other, with its error (Welch, Satterthwaite)."""
    parts = [(w * level.error) ** 2 for level, w in zip(levels, weights, strict=True)]
    total = sum(parts)
    below = sum(part**2 / level.freedom for part, level in zip(parts, levels, strict=True))
    return Level(
        shift + sum(w * level.mean for level, w in zip(levels, weights, strict=True)),
        math.sqrt(total),
        sum(level.days for level in levels),
        total**2 / below if below > 0.0 else 1e6,
    )


def day_to_day_correlation(runs: Sequence[FloatArray]) -> float:
    """Correlation from day to day of runs of daily levels; never below 0.

    Of a first-order autoregression the mean square of the change over two days is 1 + phi times that over one
    (from its autocovariance). Changes take no note of the level: neither a step nor a slope within a run, as
    the fault itself makes it, counts as dependence.

    Args:
        runs: daily levels in order, NaN where there is none; too few days give `ASSUMED_CORRELATION`.
    """
    one, two = (np.concatenate([_changes(run, lag) for run in runs]) for lag in (1, 2))
    if len(two) < DAYS_FOR_CORRELATION:
        return ASSUMED_CORRELATION
    over_one, over_two = _mean_square(one), _mean_square(two)
    if over_one <= 0.0:
        return ASSUMED_CORRELATION
    return min(max(over_two / over_one - 1.0, 0.0), MOST_CORRELATION)


def _changes(run: FloatArray, lag: int) -> FloatArray:
    """Changes over some days that are known; in a long run less each half's median, the fault's slope."""
    changes = run[lag:] - run[:-lag] if len(run) > lag else np.empty(0)
    halves = np.array_split(changes, 2) if len(changes) >= DAYS_FOR_CORRELATION else [changes]
    known = [half[np.isfinite(half)] for half in halves]
    if len(known) > 1:
        known = [half - np.median(half) for half in known if len(half)]
    return np.concatenate(known) if known else np.empty(0)


def without_slope(run: FloatArray) -> FloatArray:
    """A run of daily levels turned level about its middle, by the median of its slopes between all days."""
    day = np.flatnonzero(np.isfinite(run))
    if len(day) < 3:
        return run
    first, second = np.triu_indices(len(day), 1)
    slope = float(np.median((run[day[second]] - run[day[first]]) / (day[second] - day[first])))
    turned: FloatArray = run - slope * (np.arange(len(run)) - day.mean())
    return turned


def _mean_square(values: FloatArray) -> float:
    """Mean square with what lies far out, such as the step of a fault, drawn in."""
    far = 3.0 * 1.4826 * float(np.median(np.abs(values)))
    return float(np.square(np.clip(values, -far, far)).mean())
