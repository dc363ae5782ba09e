"""What the small chart of a review's item shows, on page and in mail: course, baseline, forecast."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standingwatch.alarms.words import GRAVE_LIMITS, number
from standingwatch.readings.fleet import FloatArray
from standingwatch.review.overnight import TREND_DAYS, Item, Outlook, swr_of
from standingwatch.rf import swr_from_rho

#: Ends of the SWR axis; a chart takes the first that holds its values, so that calm ones look calm.
TOPS = (1.5, 1.8, 2.5, 4.0, 6.0, 10.0)

#: The band is so many spreads wide on either side of the baseline.
BAND_SPREADS = 2.0

#: How far ahead the axis goes where there is a forecast, at most and at least [d].
AHEAD_MOST, AHEAD_LEAST = 60.0, 10.0

_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Fan:
    """Where the forecast goes: a limit (SWR), and when it is reached, in days from the end of the course.

    `earliest` and `latest` are the ends of the range; NaN where they are not known.
    """

    limit: str
    swr: float
    earliest: float
    expected: float
    latest: float


@dataclass(frozen=True)
class SmallChart:
    """What is drawn.

    Attributes:
        days: middle of each day, from the end of the course [d], all below 0.
        swr: daily SWR, at most `top`; NaN for gaps.
        low, high: ends of the baseline's band [1]; NaN without one.
        baseline: level of the baseline [1]; NaN without one.
        fan: the forecast; None without.
        ahead: how far the axis goes beyond the end of the course [d].
        top: end of the SWR axis, which begins at 1.
        label: what it shows, in words.
    """

    days: FloatArray
    swr: FloatArray
    low: float
    high: float
    baseline: float
    fan: Fan | None
    ahead: float
    top: float
    label: str


def small_chart(item: Item) -> SmallChart | None:
    """The chart of an item; None where nothing was measured."""
    trend = item.trend
    if trend is None or all(rho is None for rho in trend.daily_rho):
        return None
    rho = np.array([np.nan if value is None else value for value in trend.daily_rho], dtype=np.float64)
    swr = np.asarray(swr_from_rho(rho), dtype=np.float64)
    end_us = trend.start_us + TREND_DAYS * _DAY_US
    fan = _fan(item, end_us)
    baseline = swr_of(trend.baseline_rho)
    low = high = math.nan
    if trend.baseline_rho is not None and trend.baseline_spread is not None:
        wide = BAND_SPREADS * trend.baseline_spread
        low = swr_of(max(trend.baseline_rho - wide, 0.0))
        high = swr_of(min(trend.baseline_rho + wide, 1.0))
    levels = [float(np.nanmax(swr)), baseline, fan.swr if fan is not None else math.nan]
    most = max(level for level in levels if not math.isnan(level))
    top = next((t for t in TOPS if most <= t), TOPS[-1])
    days = np.arange(TREND_DAYS, dtype=np.float64) - TREND_DAYS + 0.5
    ahead = 0.0
    if fan is not None:
        reach = fan.latest if math.isfinite(fan.latest) else fan.expected
        ahead = min(max(1.15 * reach, AHEAD_LEAST), AHEAD_MOST)
    return SmallChart(
        days,
        np.minimum(swr, top),
        min(low, top),
        min(high, top),
        baseline,
        fan,
        ahead,
        top,
        _label(swr, baseline, fan),
    )


def _fan(item: Item, end_us: int) -> Fan | None:
    """The forecast of the nearest of the limits that matter most; None where none has a date."""
    dated = [f for f in item.forecast if f.expected_us is not None]
    grave = [f for f in dated if f.limit in GRAVE_LIMITS]

    def in_days(time_us: int | None) -> float:
        return math.nan if time_us is None else max((time_us - end_us) / _DAY_US, 0.0)

    def first(some: list[Outlook]) -> Fan | None:
        soon = min(some, key=lambda f: (f.expected_us or 0, f.swr), default=None)
        if soon is None:
            return None
        return Fan(
            soon.limit, soon.swr, *(in_days(t) for t in (soon.earliest_us, soon.expected_us, soon.latest_us))
        )

    return first(grave or dated)


def _label(swr: FloatArray, baseline: float, fan: Fan | None) -> str:
    """What the chart shows, for those who do not see it."""
    known = swr[~np.isnan(swr)]
    words = [
        f"SWR over {TREND_DAYS} days from {number(float(known.min()))}:1 to {number(float(known.max()))}:1"
    ]
    words.append("no baseline yet" if math.isnan(baseline) else f"baseline {number(baseline)}:1")
    if fan is not None:
        words.append(f"{fan.limit} ({fan.swr:g}:1) expected in about {fan.expected:.0f} days")
    return "; ".join(words)
