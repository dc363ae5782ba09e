"""What is kept of each transmitter's days: one record per transmitter, with a place per day.

A day's place is its number (days since 1970-01-01 UTC) modulo `DAYS`, the same for the whole fleet, so that
the last days of all transmitters are one array.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from standingwatch.detect._trend import MAD_TO_SIGMA, median_of_known
from standingwatch.detect.channels import PLACES
from standingwatch.detect.interface import State
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings.fleet import FloatArray

DAY_US = 24 * HOUR_US

#: Days that are remembered.
DAYS = 120

#: The middle half of normally distributed values, in standard deviations.
NORMAL_MIDDLE_HALF = 1.349

NO_BASELINE, PROVISIONAL, FULL, COMMISSIONED = 0, 1, 2, 3
KIND_WORDS = ("none", "provisional", "full", "as-commissioned")

#: Columns of `raw`, `wet_excess`, ... by day; see `BASELINE_STATE`.
DAY_COLUMNS = (
    "raw",
    "all_hours",
    "with_ice",
    "temperature_c",
    "wet_excess",
    "wet_hours",
    "power_db",
    "hour_spread",
)

BASELINE_STATE = np.dtype(
    [
        # Today's hours: level of rho with the channels' offsets taken off, forward power, weather.
        ("hour_rho", np.float64, 24),
        ("hour_weight", np.float64, 24),
        ("hour_forward_db", np.float64, 24),
        ("hour_temperature_c", np.float64, 24),
        ("hour_wet", np.float64, 24),
        ("hour_iced", np.bool_, 24),
        # Days in a row on which an hour was far above normal, told by nothing but its own readings.
        ("risen_days", np.int32),
        ("hour_frost", np.bool_, 24),
        # By day: level of dry hours as measured, of all hours without the iced ones and with them, mean
        # temperature of the hours that made the level, how far the wet hours lay above it, how many hours
        # were wet, forward power at full level, spread of the hours.
        *((name, np.float64, DAYS) for name in DAY_COLUMNS),
        ("last_day", np.int64),
        ("renewed", np.bool_),
        # The baseline in force: kind, level, spread of the daily level, spread of the hourly level, forward
        # power, and since when; before that time the one before it holds, after `opened_us` none.
        ("kind", np.int8),
        ("rho", np.float64),
        ("spread", np.float64),
        ("hour_rho_spread", np.float64),
        ("forward_db", np.float64),
        ("forward_spread_db", np.float64),
        ("wet_excess_normal", np.float64),
        ("effective_us", np.int64),
        ("opened_us", np.int64),
        ("kind_before", np.int8),
        ("rho_before", np.float64),
        ("forward_db_before", np.float64),
        ("hour_rho_spread_before", np.float64),
        ("wet_excess_normal_before", np.float64),
        # Baseline and hourly spread as the last closed day left them; present level, from the last days with
        # one, and what it was before the last day closed.
        ("day_rho", np.float64),
        ("day_spread", np.float64),
        ("recent_rho", np.float64),
        ("recent_rho_before", np.float64),
        # Learning: days since it began; sums for the dependence on temperature and wetness within days.
        ("learned_days", np.int32),
        # Whether what is learned has been taken, and whether work has ever opened a new baseline.
        ("taken", np.bool_),
        ("reopened", np.bool_),
        ("quiet_days", np.int32),
        ("xx", np.float64, 3),
        ("xy", np.float64, 2),
        ("per_c", np.float64),
        ("per_wet", np.float64),
        ("reference_c", np.float64),
        # Channels: number, what each adds to the level, days that it was learned from.
        ("channel", np.int64, PLACES),
        ("channel_rho", np.float64, PLACES),
        ("channel_rho_before", np.float64, PLACES),
        ("channel_days", np.float64, PLACES),
        ("channel_sum", np.float64, PLACES),
        ("channel_weight", np.float64, PLACES),
        # The meter: its step as told from the readings, and the forward power of the last day's middle hour.
        ("step_w", np.float64),
        ("forward_w", np.float64),
        # Since when its readings cannot be (what they show is a matter of the meter), and since when they
        # can again; 0 for never.
        ("suspect_us", np.int64),
        ("trusted_us", np.int64),
    ]
)


def initial(state: State) -> None:
    """Nothing known."""
    for name in (
        "hour_rho",
        "hour_forward_db",
        "hour_temperature_c",
        "hour_wet",
        *DAY_COLUMNS,
        "rho",
        "spread",
        "hour_rho_spread",
        "forward_db",
        "forward_spread_db",
        "wet_excess_normal",
        "rho_before",
        "forward_db_before",
        "hour_rho_spread_before",
        "wet_excess_normal_before",
        "day_rho",
        "day_spread",
        "recent_rho",
        "recent_rho_before",
        "reference_c",
        "forward_w",
    ):
        state[name] = np.nan
    state["step_w"] = np.inf


def place_of_day(day: int) -> int:
    """Where a day's values stand."""
    return day % DAYS


def last_days(values: FloatArray, day: int, count: int) -> FloatArray:
    """The values of the last `count` days up to and with `day`, oldest first.

    Args:
        values: a column of the state, shape (transmitters, `DAYS`).
        day: number of the last day.
        count: at most `DAYS`.
    """
    window: FloatArray = values[:, np.arange(day - count + 1, day + 1) % DAYS]
    return window


def adjusted(state: State, day: int, count: int) -> FloatArray:
    """Daily dry levels of rho as they would be at the baseline's own temperature, oldest first.

    Args:
        state: records of `BASELINE_STATE`.
        day: number of the last day.
        count: number of days.
    """
    raw = last_days(state["raw"], day, count)
    temperature = last_days(state["temperature_c"], day, count)
    warmer = np.where(np.isfinite(temperature), temperature, state["reference_c"][:, None])
    warmer = warmer - state["reference_c"][:, None]
    levels: FloatArray = raw - state["per_c"][:, None] * np.where(np.isfinite(warmer), warmer, 0.0)
    return levels


def last_known(values: FloatArray, count: int) -> FloatArray:
    """The last `count` finite values of each row in order, NaN before them where there are fewer.

    Args:
        values: shape (transmitters, days), oldest first.
        count: how many.
    """
    rows, days = values.shape
    # A stable sort by "is known" brings the finite ones to the end and keeps their order.
    order = np.argsort(np.isfinite(values), axis=1, kind="stable")
    sorted_values = np.take_along_axis(values, order, axis=1)
    if days < count:
        missing = np.full((rows, count - days), np.nan)
        sorted_values = np.concatenate([missing, sorted_values], axis=1)
    kept: FloatArray = sorted_values[:, -count:]
    return np.where(np.isfinite(kept), kept, np.nan)


def midmean(values: FloatArray, use: npt.NDArray[Any] | None = None) -> FloatArray:
    """Mean of the middle half of each row's finite values; NaN where there is none.

    Nearly as sharp as a mean and as deaf to a quarter of bad values on either side as a median.
    """
    values = np.where(np.isfinite(values) & (True if use is None else use), values, np.nan)
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    cut = count // 4
    rank = np.arange(values.shape[1])
    inside = (rank >= cut[:, None]) & (rank < (count - cut)[:, None])
    total = np.where(inside, ordered, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count - 2 * cut, 1), np.nan)


def full_power(state: State, least: int) -> FloatArray:
    """Forward power of the day's upper hours [dBW]: where it is switched, full power is what compares.

    Args:
        state: records of `BASELINE_STATE`, with the day's hours.
        least: hours that it takes; NaN with fewer.
    """
    ordered = np.sort(state["hour_forward_db"], axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    at = np.minimum((0.75 * count).astype(np.int64), np.maximum(count - 1, 0))
    return np.where(count >= least, ordered[np.arange(len(ordered)), at], np.nan)


def lower_quarter(values: FloatArray) -> FloatArray:
    """Each row's value below which a quarter of its finite values lie; NaN where there is none."""
    ordered = np.sort(np.where(np.isfinite(values), values, np.nan), axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    return np.where(count > 0, ordered[np.arange(len(ordered)), np.maximum(count - 1, 0) // 4], np.nan)


def nan_median(values: FloatArray) -> FloatArray:
    """Median of each row's finite values; NaN where there is none (and no warning)."""
    return median_of_known(np.where(np.isfinite(values), values, np.nan))


def middle_half(values: FloatArray) -> FloatArray:
    """How far the middle half of each row's values reaches, as a standard deviation; for rows without NaN.

    Not as deaf as `robust_spread`: it hears of a third of the values that lie elsewhere.
    """
    low, high = np.quantile(values, [0.25, 0.75], axis=1)
    reach: FloatArray = (high - low) / NORMAL_MIDDLE_HALF
    return reach


def robust_spread(values: FloatArray) -> FloatArray:
    """Robust standard deviation of each row's finite values: the median absolute deviation, scaled."""
    return MAD_TO_SIGMA * nan_median(np.abs(values - nan_median(values)[:, None]))
