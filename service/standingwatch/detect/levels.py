"""Levels of a day: what the hours of each transmitter's day come to, put in the day's place.

Of the day that closes, and of one that closed long ago and whose reports came late.
"""

from __future__ import annotations

import numpy as np

from standingwatch.detect import channels
from standingwatch.detect.history import (
    full_power,
    last_days,
    last_known,
    midmean,
    place_of_day,
    robust_spread,
)
from standingwatch.detect.interface import State
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.detect.weather import DRY
from standingwatch.readings.fleet import BoolArray, FloatArray

#: Wetness from which an hour shows what rain does.
WET = 0.5
#: Below this an hour may be one of wet snow as well, and says nothing about rain [degrees C].
NEAR_FREEZING_C = 3.0
#: What an iced hour has to be above the last level to be put down to the ice, at the antenna's end, in rho.
ICED_RHO = 0.02


def put_hours(state: State, hours: Hours, day_us: int, temperature_c: FloatArray, wet: FloatArray) -> None:
    """Put usable hours of a day into their places, with what each channel adds to the level taken off.

    Args:
        state: records of `history.BASELINE_STATE`; brought up to date.
        hours: usable hours of one day; several channels of an hour are put together.
        day_us: begin of the day [Unix microseconds].
        temperature_c: temperature per row [degree C], NaN where not known.
        wet: how wet it was per row, 0 to 1.
    """
    owner, hour = hours.transmitter, (hours.hour_us - day_us) // HOUR_US
    place = channels.place_of(hours.channel, owner, state["channel"])
    offset = np.where(place >= 0, state["channel_rho"][owner, np.maximum(place, 0)], 0.0)
    weight = hours.usable.astype(np.float64)
    total = np.zeros((len(state), 24))
    weights = np.zeros((len(state), 24))
    np.add.at(total, (owner, hour), weight * (hours.rho_level - offset))
    np.add.at(weights, (owner, hour), weight)
    rows, columns = np.nonzero(weights)
    state["hour_rho"][rows, columns] = total[rows, columns] / weights[rows, columns]
    state["hour_weight"][rows, columns] = weights[rows, columns]
    state["hour_forward_db"][owner, hour] = 10.0 * np.log10(np.maximum(hours.forward_w, 1e-6))
    state["hour_temperature_c"][owner, hour] = temperature_c
    state["hour_wet"][owner, hour] = wet


def put_levels(
    state: State, shrunk: FloatArray, number: int, least: int
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Make the levels of a day from its hours, and put them into the day's place.

    Args:
        state: records of `history.BASELINE_STATE` with the hours of that day; brought up to date.
        shrunk: what the feeder of each leaves of a reflection (`scale.attenuation`).
        number: the day, since 1970-01-01 UTC.
        least: usable hours that make a level, at least.

    Returns:
        The level, NaN where there is none; the hours it was made from, shape (transmitters, 24); and all
        hours that say something, those of ice left out.
    """
    place = place_of_day(number)
    rho, wet = state["hour_rho"], state["hour_wet"]
    # Ice is told apart, and says nothing about the line's own state; frost that lets rho alone does not
    # matter.
    before = last_known(last_days(state["raw"], number - 1, 10), 1)[:, 0]
    before = np.where(np.isfinite(before), before, state["rho"])
    least_rise = np.fmax(ICED_RHO * shrunk, 4.0 * np.nan_to_num(state["spread"]))
    iced = state["hour_frost"] & (rho >= (before + least_rise)[:, None])
    finite = np.isfinite(rho) & ~iced
    dry = finite & ~(wet >= DRY)
    enough_dry = dry.sum(axis=1) >= least
    level = np.where(enough_dry, midmean(rho, dry), np.nan)
    all_hours = np.where(finite.sum(axis=1) >= least, midmean(rho, finite), np.nan)
    # Where it rains for days on end, a level with the known part of the rain taken off is better than none.
    long_wet = ~np.isfinite(last_days(state["raw"], number - 1, 4)).any(axis=1) & ~enough_dry
    without_rain = midmean(rho - state["per_wet"][:, None] * np.where(np.isfinite(wet), wet, 0.0), finite)
    level = np.where(long_wet & np.isfinite(all_hours), without_rain, level)
    made_from = np.where(enough_dry[:, None], dry, finite)
    state["raw"][:, place] = level
    state["all_hours"][:, place] = all_hours
    state["with_ice"][:, place] = np.where(np.isfinite(rho).sum(axis=1) >= least, midmean(rho), np.nan)
    state["temperature_c"][:, place] = midmean(state["hour_temperature_c"], made_from)
    state["wet_hours"][:, place] = (wet >= WET).sum(axis=1)
    state["wet_excess"][:, place] = _wet_excess(state, number)
    state["hour_spread"][:, place] = robust_spread(rho)
    state["power_db"][:, place] = full_power(state, least)
    return level, made_from, finite


def _wet_excess(state: State, number: int) -> FloatArray:
    """How far the wet hours' upper level lay above the last dry level, in rho; NaN without two."""
    cold = state["hour_iced"] | (state["hour_temperature_c"] <= NEAR_FREEZING_C)
    wet = np.isfinite(state["hour_rho"]) & (state["hour_wet"] >= WET) & ~cold
    ordered = np.sort(np.where(wet, state["hour_rho"], np.nan), axis=1)
    count = wet.sum(axis=1)
    at = np.maximum((0.75 * count).astype(np.int64) - 1, 0)
    upper = ordered[np.arange(len(ordered)), at]
    dry = last_known(last_days(state["raw"], number, 10), 1)[:, 0]
    dry = np.where(np.isfinite(dry), dry, state["rho"])
    return np.where(count >= 2, upper - dry, np.nan)
