"""What is learned from the hours of a day: dependence on temperature and rain, and what each channel adds."""

from __future__ import annotations

import numpy as np

from standingwatch.detect.history import midmean, robust_spread
from standingwatch.detect.interface import State
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: How much is needed to believe in a dependence: the noise of an hour's level against what such a dependence
#: is usually at most (0.01 in rho; 0.001 per degree; 0.05 from dry to wet: from the readings of invented and
#: of one real transmitter, no published source). It draws what is poorly known towards none.
RIDGE_C, RIDGE_WET = (0.01 / 0.001) ** 2, (0.01 / 0.05) ** 2


def learn_weather(state: State, made_from: BoolArray, known: BoolArray, smallest_spread_rho: float) -> None:
    """Add what the hours of this day say of temperature and rain, each against the day's own means."""
    rho, wet = state["hour_rho"], state["hour_wet"]
    warmth = np.where(np.isfinite(state["hour_temperature_c"]), state["hour_temperature_c"], 0.0)
    wet = np.where(np.isfinite(wet), wet, 0.0)
    count = np.maximum(known.sum(axis=1), 1)[:, None]

    def centred(values: FloatArray) -> FloatArray:
        return np.where(known, values - np.where(known, values, 0.0).sum(axis=1, keepdims=True) / count, 0.0)

    level = midmean(rho, made_from)[:, None]
    reach = 3.0 * np.fmax(robust_spread(rho), smallest_spread_rho)[:, None] + 0.05
    y = centred(np.clip(np.where(known, rho - level, 0.0), -reach, reach))
    y = np.where(np.isfinite(y), y, 0.0)
    c, w = centred(warmth), centred(wet)
    state["xx"][:, 0] += (c * c).sum(axis=1)
    state["xx"][:, 1] += (c * w).sum(axis=1)
    state["xx"][:, 2] += (w * w).sum(axis=1)
    state["xy"][:, 0] += (c * y).sum(axis=1)
    state["xy"][:, 1] += (w * y).sum(axis=1)


def weather_of(state: State, rows: IntArray) -> tuple[FloatArray, FloatArray]:
    """Change of rho per degree and from dry to wet, of some transmitters."""
    xx, xy = state["xx"][rows], state["xy"][rows]
    cc, cw, ww = xx[:, 0] + RIDGE_C, xx[:, 1], xx[:, 2] + RIDGE_WET
    determinant = cc * ww - cw * cw
    per_c = (ww * xy[:, 0] - cw * xy[:, 1]) / determinant
    per_wet = (cc * xy[:, 1] - cw * xy[:, 0]) / determinant
    return per_c, per_wet


def learn_channels(state: State, level: FloatArray, full_days: int, calm: BoolArray) -> None:
    """Bring what each channel adds up to date; frozen once the full baseline is taken.

    Args:
        state: records of `history.BASELINE_STATE` with the sums of the day.
        level: the day's level, NaN where there is none.
        full_days: days that a channel is learned from.
        calm: per transmitter, whether no hour of the day was iced: what comes and goes within a day is shared
            out among the channels by chance.
    """
    state["channel_rho_before"] = state["channel_rho"]
    seen = (state["channel_weight"] > 0) & (np.isfinite(level) & calm)[:, None]
    several = (state["channel"] != 0).sum(axis=1) > 1
    # A channel that appears after the baseline was taken is learned all the same.
    learning = ~state["taken"][:, None] | (state["channel_days"] < full_days)
    seen &= several[:, None] & learning
    if seen.any():
        weight = np.where(state["channel_weight"] > 0, state["channel_weight"], 0.0)
        mean = state["channel_sum"] / np.maximum(weight, 1.0)
        # Channels are held against each other over the same hours, those that are known where there are any:
        # what weather does to all of them is none of any one.
        known = (weight > 0) & (state["channel_days"] > 0)
        against = np.where(known, weight, 0.0)
        against = np.where(against.sum(axis=1, keepdims=True) > 0, against, weight)
        common = (against * (mean - state["channel_rho"])).sum(axis=1) / np.maximum(against.sum(axis=1), 1.0)
        apart = mean - common[:, None] - state["channel_rho"]
        state["channel_days"] += seen
        gain = 1.0 / np.maximum(state["channel_days"], 1.0)
        state["channel_rho"] += np.where(seen, gain * np.where(seen, apart, 0.0), 0.0)
    state["channel_sum"] = 0.0
    state["channel_weight"] = 0.0
