"""The antenna lines of the fleet as they are with nothing wrong: what weather alone does to them."""

from __future__ import annotations

import numpy as np

from standingwatch.demo.chance import FloatArray, IntArray
from standingwatch.demo.equipment import FleetColumns
from standingwatch.demo.line import (
    LOSS_PER_K,
    REFERENCE_C,
    LineState,
    coupler_powers,
    reflection_at_coupler,
    turn_there_and_back_rad,
)
from standingwatch.demo.weather import WeatherHours

JUMPER_VELOCITY_FACTOR = 0.695
"""PTFE cable, textbook."""


def healthy_state(fleet: FleetColumns, position: IntArray, weather: WeatherHours) -> LineState:
    """Return the lines as the weather alone makes them; all arrays are fresh, faults may change them."""
    frequency_mhz = fleet.frequency_mhz[position]
    warmer_k = weather.temperature_c - REFERENCE_C
    return LineState(
        frequency_mhz=frequency_mhz,
        antenna_resistance=fleet.antenna_resistance[position],
        antenna_q=fleet.antenna_q[position],
        resonance_mhz=fleet.resonance_mhz[position],
        detuning=(
            fleet.warm_detuning_per_k[position] * warmer_k
            + fleet.film_detuning[position] * weather.film
            + fleet.ice_detuning_per_mm[position] * weather.ice_mm
        ),
        top_series=fleet.top_series[position],
        top_shunt=fleet.top_shunt[position],
        feeder_loss_db=fleet.feeder_loss_db[position] * (1.0 + LOSS_PER_K * warmer_k),
        feeder_turn_rad=turn_there_and_back_rad(
            frequency_mhz,
            fleet.feeder_length_m[position],
            fleet.velocity_factor[position],
            weather.temperature_c,
        ),
        near_series=fleet.near_series[position],
        near_shunt=fleet.near_shunt[position],
        jumper_loss_db=fleet.jumper_loss_db[position] + fleet.combiner_loss_db[position],
        jumper_turn_rad=turn_there_and_back_rad(
            frequency_mhz,
            fleet.jumper_length_m[position],
            np.full(len(position), JUMPER_VELOCITY_FACTOR),
            # The jumper is indoors.
            np.full(len(position), REFERENCE_C),
        ),
    )


def least_reflected_share(fleet: FleetColumns) -> FloatArray:
    """Return the least share of the power that each healthy line reflects in any usual weather, as shown."""
    position = np.arange(len(fleet.site), dtype=np.int64)
    least = np.full(len(position), np.inf)
    for temperature_c in (-10.0, 0.0, 10.0, 20.0, 30.0):
        for film in (0.0, 1.0):
            none = np.zeros(len(position))
            weather = WeatherHours(none + temperature_c, none, none, none + film, none, none)
            rho = reflection_at_coupler(healthy_state(fleet, position, weather))
            _, share = coupler_powers(rho, fleet.leak)
            least = np.minimum(least, share)
    return least
