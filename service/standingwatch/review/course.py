"""How one antenna line went: its match and power as columns, by readings, hours or days, with their bounds.

Everything is kept as the reflection coefficient's magnitude rho at the transmitter: carrying it along the
feeder is one factor, averages and bands mean the same at any match, and an infinite SWR is 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from standingwatch.detect.limits import TOTAL_REFLECTION_RATIO
from standingwatch.detect.resolution import STEPS_W, step_index
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray
from standingwatch.review.spans import DAY_US, Resolution
from standingwatch.rf import power_step_bounds, rho_bounds, rho_from_power

#: Columns of the weather that are means.
_MEANS = ("pa_temperature_c", "ambient_temperature_c", "precipitation")


@dataclass(frozen=True, eq=False)
class Course:
    """Columns of one length, a row per reading, hour or day; NaN where not known.

    Attributes:
        resolution: what a row stands for.
        time_us: when, or begin of the hour or day, rising [Unix microseconds].
        reports: reports in it.
        usable: those that say something about the match.
        forward_w: forward power [W]: of readings as reported, of hours the median of the usable ones, of days
            the median of the hours.
        rho: reflection coefficient's magnitude at the transmitter, 0..1; 1 is total reflection. Of hours the
            median, of days the median of the hours' medians.
        rho_low, rho_high: of hours the 10 and 90 % points, of days the lowest and highest hourly median;
            of readings the same as `rho`.
        rho_max: highest reading, 0..1.
        rho_least, rho_most: bounds of the true value: coupler's directivity and meter's step, 0..1.
        pa_temperature_c, ambient_temperature_c: [degree C], means.
        precipitation: as reported, mean.
        wind_mps: maximum [m/s].
    """

    resolution: Resolution
    time_us: IntArray
    reports: IntArray
    usable: IntArray
    forward_w: FloatArray
    rho: FloatArray
    rho_low: FloatArray
    rho_high: FloatArray
    rho_max: FloatArray
    rho_least: FloatArray
    rho_most: FloatArray
    pa_temperature_c: FloatArray
    ambient_temperature_c: FloatArray
    precipitation: FloatArray
    wind_mps: FloatArray

    def __len__(self) -> int:
        return len(self.time_us)

    @property
    def length_us(self) -> int:
        """What a row covers [us]; 0 for readings."""
        return {Resolution.RAW: 0, Resolution.HOUR: HOUR_US, Resolution.DAY: DAY_US}[self.resolution]


def from_readings(columns: Mapping[str, Any], directivity_db: float) -> Course:
    """The course of single readings.

    Args:
        columns: arrays of one length by name: time_us, flags, forward_w, reflected_w, pa_temperature_c,
            ambient_temperature_c, precipitation, wind_mps.
        directivity_db: of the coupler at least [dB]; NaN for not known, then nothing bounds the true value.
    """
    forward_w, reflected_w = columns["forward_w"], columns["reflected_w"]
    usable, total = says_match(columns["flags"], forward_w, reflected_w)
    measured = rho_from_power(forward_w, np.maximum(reflected_w, 0.0))
    rho = np.where(usable, np.minimum(np.where(total, 1.0, measured), 1.0), np.nan)
    step_w = meter_step_w(reflected_w[usable & ~total])
    least, most = _bounds(rho, forward_w, np.full(len(rho), step_w), directivity_db)
    return Course(
        resolution=Resolution.RAW,
        time_us=columns["time_us"],
        reports=np.ones(len(rho), dtype=np.int64),
        usable=usable.astype(np.int64),
        forward_w=forward_w,
        rho=rho,
        rho_low=rho,
        rho_high=rho,
        rho_max=rho,
        rho_least=least,
        rho_most=most,
        **{name: columns[name] for name in (*_MEANS, "wind_mps")},
    )


def says_match(
    flags: IntArray, forward_w: FloatArray, reflected_w: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """Which readings say something about the match, and which of them are total reflection.

    A reflected power a little above the forward one is total reflection read by imperfect meters, as for the
    detector of `swr-high`. A value that never moves says what it says: that it does not move is judged apart.

    Args:
        flags: `Flag` bits.
        forward_w, reflected_w: powers [W].
    """
    unusable = flags & (UNUSABLE & ~int(Flag.STUCK))
    total: BoolArray = (unusable == int(Flag.REFLECTED_ABOVE_FORWARD)) & (
        reflected_w <= TOTAL_REFLECTION_RATIO * forward_w
    )
    usable: BoolArray = ((unusable == 0) | total) & (forward_w > 0.0)
    return usable, total


def meter_step_w(reflected_w: FloatArray) -> float:
    """Coarsest step that all reflected powers are multiples of [W]; 0 without any.

    Args:
        reflected_w: as reported [W].
    """
    return float(STEPS_W[step_index(reflected_w).max()]) if len(reflected_w) else 0.0


def from_hours(columns: Mapping[str, Any], directivity_db: float) -> Course:
    """The course by hours.

    Args:
        columns: arrays of one length by name, as the roll-up has them (`detect.rollup.Hours`).
        directivity_db: of the coupler at least [dB]; NaN for not known.
    """
    rho = np.minimum(columns["rho_median"], 1.0)
    # An hour tells at most how coarse the meter can be: the finest hour of the span is nearest to the truth.
    steps = columns["reflected_step_w"][np.isfinite(columns["reflected_step_w"])]
    step_w = float(steps.min()) if len(steps) else 0.0
    least, most = _bounds(rho, columns["forward_w"], np.full(len(rho), step_w), directivity_db)
    return Course(
        resolution=Resolution.HOUR,
        time_us=columns["hour_us"],
        reports=columns["reports"],
        usable=columns["usable"],
        forward_w=columns["forward_w"],
        rho=rho,
        rho_low=np.minimum(columns["rho_low"], 1.0),
        rho_high=np.minimum(columns["rho_high"], 1.0),
        rho_max=np.minimum(columns["rho_max"], 1.0),
        rho_least=least,
        rho_most=most,
        **{name: columns[name] for name in (*_MEANS, "wind_mps")},
    )


def _bounds(
    rho: FloatArray, forward_w: FloatArray, step_w: FloatArray, directivity_db: float
) -> tuple[FloatArray, FloatArray]:
    """Bounds of the true rho, 0..1: first what the meter's step hides, then the coupler's leak about that.

    The forward meter is taken as exact: its step is a small part of what it reads.
    """
    known = np.isfinite(rho) & (forward_w > 0.0)
    power = np.where(known, forward_w, np.nan)
    low, high = power_step_bounds(power, power * rho**2, np.zeros(len(rho)), step_w)
    leak = np.full(len(rho), directivity_db)
    least, _ = rho_bounds(low, leak)
    _, most = rho_bounds(high, leak)
    return np.minimum(least, 1.0), np.minimum(most, 1.0)


def by_day(hours: Course) -> Course:
    """Hours as days (UTC): medians of the hours, their lowest and highest; bounds are medians as well."""
    days, day = np.unique(hours.time_us // DAY_US, return_inverse=True)
    hour = hours.time_us % DAY_US // HOUR_US

    def table(values: FloatArray) -> FloatArray:
        """A row a day, a column an hour; NaN where there is none."""
        made = np.full((len(days), 24), np.nan)
        made[day, hour] = values
        return made

    def total(values: IntArray) -> IntArray:
        return np.bincount(day, values, minlength=len(days)).astype(np.int64)

    def at(values: FloatArray, share: float) -> FloatArray:
        """An order statistic of each day's known hours: 0 lowest, 1 highest; 0.5 the median."""
        # Unknown ones come last.
        ordered = np.sort(table(values), axis=1)
        count = np.isfinite(ordered).sum(axis=1)
        last = np.maximum(count - 1, 0)
        row = np.arange(len(days))
        below = ordered[row, np.floor(share * last).astype(np.int64)]
        above = ordered[row, np.ceil(share * last).astype(np.int64)]
        middle: FloatArray = (below + above) / 2
        return middle

    def mean(values: FloatArray) -> FloatArray:
        known = np.isfinite(table(values))
        summed = np.where(known, table(values), 0.0).sum(axis=1)
        count = known.sum(axis=1)
        return np.where(count > 0, summed / np.maximum(count, 1), np.nan)

    return Course(
        resolution=Resolution.DAY,
        time_us=days * DAY_US,
        reports=total(hours.reports),
        usable=total(hours.usable),
        forward_w=at(hours.forward_w, 0.5),
        rho=at(hours.rho, 0.5),
        rho_low=at(hours.rho, 0.0),
        rho_high=at(hours.rho, 1.0),
        rho_max=at(hours.rho_max, 1.0),
        rho_least=at(hours.rho_least, 0.5),
        rho_most=at(hours.rho_most, 0.5),
        wind_mps=at(hours.wind_mps, 1.0),
        **{name: mean(getattr(hours, name)) for name in _MEANS},
    )
