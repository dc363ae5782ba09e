"""The statistics of a night over a fleet as arrays, beside libraries that are called once per series.

    python tests/benchmarks/review.py                       10,000 transmitters by 90 days

The slope between all pairs of days is the same statistic on both sides and has to be equal. What the service
works out besides (its error with autocorrelation, and the curves of a forecast) has no counterpart in the
libraries; Mann-Kendall's test and a search for change points are what one would run per series in its place.
The libraries run on a sample, and their time is scaled to the fleet; that is said where it is printed.
Needs ruptures, pymannkendall and scipy.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable

import numpy as np
from stage import peak_mb, say, spread


def levels_of(rows: int, days: int, gaps: bool) -> np.ndarray:
    """Daily levels of an invented fleet: noise with memory, some that creep up, some with days missing."""
    rng = np.random.default_rng(11)
    level = np.empty((rows, days))
    level[:, 0] = rng.normal(0, 0.004, rows)
    for day in range(1, days):
        level[:, day] = 0.4 * level[:, day - 1] + rng.normal(0, 0.004, rows)
    level += 0.12 + np.where(np.arange(rows) % 10 == 0, 0.0006, 0.0)[:, None] * np.arange(days)
    if gaps:
        level[rng.random(level.shape) < 0.03] = np.nan
    return level


def cpu_of(work: Callable[[], object]) -> float:
    """Time of the processor [s]."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--transmitters", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--sample", type=int, default=200, help="series that the libraries are called for")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--gaps", action="store_true", help="3 of 100 days are missing")
    options = parser.parse_args()

    import pymannkendall
    import ruptures
    from scipy.stats import theilslopes

    from standingwatch.detect._trend import (
        MEMORY_DAYS,
        fit_curves,
        theil_sen_error,
        theil_sen_slope,
    )

    level = levels_of(options.transmitters, options.days, options.gaps)
    every = np.linspace(0, options.transmitters - 1, options.sample).astype(int)
    sample = [level[row][np.isfinite(level[row])] for row in every]
    day = [np.flatnonzero(np.isfinite(level[row])) for row in every]
    usual = np.full(len(level), 0.004)
    padded = np.full((len(level), MEMORY_DAYS), np.nan)
    padded[:, -options.days :] = (level - 0.12)[:, -MEMORY_DAYS:] / 0.004

    def curves() -> None:
        for begin in range(0, len(level), 500):
            fit_curves(padded[begin : begin + 500], np.ones(len(padded[begin : begin + 500])))

    ours = {
        "slope, all pairs of days": lambda: theil_sen_slope(level),
        "its error, autocorrelation": lambda: theil_sen_error(level, slope, usual),
        "curves of the forecast": curves,
    }
    theirs = {
        "scipy.stats.theilslopes": lambda: [theilslopes(y, x) for x, y in zip(day, sample, strict=True)],
        "pymannkendall.original_test": lambda: [pymannkendall.original_test(y) for y in sample],
        "pymannkendall.hamed_rao": lambda: [pymannkendall.hamed_rao_modification_test(y) for y in sample],
        "ruptures.Pelt(l2)": lambda: [
            ruptures.Pelt(model="l2", min_size=5).fit(y).predict(pen=3 * 0.004**2 * len(y)) for y in sample
        ],
    }
    slope = theil_sen_slope(level)
    worst = max(
        abs(slope[row] - theilslopes(y, x).slope) for row, x, y in zip(every, day, sample, strict=True)
    )
    if worst > 1e-15:
        raise RuntimeError(f"slopes differ from scipy's by up to {worst}")
    say(f"{options.transmitters:,} transmitters by {options.days} days; slopes equal scipy's to {worst:g}")
    scale = options.transmitters / options.sample
    own = {name: [cpu_of(work) for _ in range(options.repeats)] for name, work in ours.items()}
    for name, taken in own.items():
        say(f"  {name:28s} {spread(taken)} s of CPU")
    other = {name: [scale * cpu_of(work) for _ in range(options.repeats)] for name, work in theirs.items()}
    for name, taken in other.items():
        say(f"  {name:28s} {spread(taken)} s of CPU, scaled from {options.sample} series")
    one = own["slope, all pairs of days"]
    for name in ("scipy.stats.theilslopes", "pymannkendall.original_test"):
        ratio = [a / b for a, b in zip(other[name], one, strict=True)]
        say(f"  slope, times as fast as {name}: {spread(ratio, 1)}")
    night = [sum(times) for times in zip(*own.values(), strict=True)]
    libraries = [sum(times) for times in zip(*other.values(), strict=True)]
    ratio = [a / b for a, b in zip(libraries, night, strict=True)]
    say(f"  all of the night beside all libraries: {spread(ratio, 1)}; peak {peak_mb(os.getpid()):.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
