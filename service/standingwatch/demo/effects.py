"""What each kind of fault changes in the line or the amplifier. The readings follow from the line's physics.

Sizes, by kind of fault:

| kind | size |
| --- | --- |
| connector-corrosion, loose-connector | resistance of the contact over 50 ohm |
| feeder-water | loss that a soaked feeder gains [dB], one way |
| antenna-water | susceptance of the water across the connector, over 1/50 siemens |
| storm-damage, bent | share by which the resonance falls |
| antenna-ice | share by which the resonance falls [1/mm of ice] |
| amplifier-ageing | share of the power that is lost |
| planned-retune | change of frequency [MHz] |
| coupler-stuck | reflected power that is shown, as a share of the rated power |

The laws are the simplest that behave as the trade says faults behave (common practice, no source); their
figures are invented for the demo.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from standingwatch.demo.chance import FloatArray, IntArray, normal, uniform
from standingwatch.demo.faults import (
    AMPLIFIER_AGEING,
    ANTENNA_ICE,
    ANTENNA_WATER,
    CORROSION,
    COUPLER_STUCK,
    COUPLER_ZERO,
    FEEDER_WATER,
    LINK_OUTAGE,
    LOOSE_CONNECTOR,
    PLANNED_RETUNE,
    STORM_DAMAGE,
    TRANSMITTER_SILENT,
    Fault,
)
from standingwatch.demo.line import LineState
from standingwatch.demo.weather import WeatherHours

OPEN_OR_SHORT = 1e4
"""Impedance of an open end, and admittance of a short, over 50 ohm: as good as infinite."""

GUST_WINDOW_S = 1800
_FRETTING, _GUSTS, _CONTACT, _GAP = 41, 42, 43, 44


@dataclass
class Moment:
    """Where and when the readings are made: arrays of one length.

    Attributes:
        time_s: Unix seconds.
        weather: weather at the site.
        output_share: share of its usual power that the amplifier gives; faults change it in place.
    """

    time_s: IntArray
    weather: WeatherHours
    output_share: FloatArray


def rows_of(state: LineState, moment: Moment, rows: slice) -> tuple[LineState, Moment]:
    """Return views of some rows: what is changed in them is changed in the whole."""
    part = LineState(**{f.name: getattr(state, f.name)[rows] for f in fields(LineState)})
    weather = WeatherHours(**{f.name: getattr(moment.weather, f.name)[rows] for f in fields(WeatherHours)})
    return part, Moment(moment.time_s[rows], weather, moment.output_share[rows])


def growth(fault: Fault, time_s: IntArray) -> FloatArray:
    """Return how far a fault has come, 0 before its onset and after its end, 1 fully developed."""
    if fault.develops_s > 0.0:
        share = np.clip((time_s - fault.onset_s) / fault.develops_s, 0.0, 1.0)
    else:
        share = np.ones(len(time_s))
    return np.where((time_s >= fault.onset_s) & (time_s < fault.end_s), share, 0.0)


def _who(fault: Fault) -> IntArray:
    """Return whose chance a fault takes: one connector is behind all readings of a line."""
    return np.array([fault.first], dtype=np.int64)


def _add_contact(state: LineState, fault: Fault, resistance: FloatArray) -> None:
    """Put a resistance in series at the fault's connector."""
    if fault.place == "near":
        state.near_series += resistance
    elif fault.place == "top":
        state.top_series += resistance
    else:
        raise ValueError(f"fault {fault.kind} at {fault.site}: place is {fault.place!r}, wanted near or top")


def _corrosion(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Contact resistance grows ever faster, is higher in heat, and becomes irregular late."""
    grown = growth(fault, moment.time_s)
    heat = np.clip(1.0 + 0.012 * (moment.weather.temperature_c - 10.0), 0.5, 1.6)
    fretting = np.exp(0.15 * grown * normal(seed, _FRETTING, _who(fault), moment.time_s))
    _add_contact(state, fault, fault.size * grown**2.5 * heat * fretting)


def _feeder_water(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Loss grows, and more so after rain; the water slows the wave a little."""
    wet = growth(fault, moment.time_s) * (0.65 + 0.35 * moment.weather.soak)
    state.feeder_loss_db += fault.size * wet
    state.feeder_turn_rad *= 1.0 + 0.0015 * wet


def _antenna_water(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Water lies across the connector after rain and dries out part of the way; more stays each time."""
    grown = growth(fault, moment.time_s)
    water = grown * (0.25 * grown + 0.3 * moment.weather.film + 0.6 * moment.weather.soak)
    state.top_shunt += fault.size * (0.35 + 1j) * water


def _storm_damage(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Within one moment the antenna is off, shorted or bent."""
    struck = growth(fault, moment.time_s)
    if fault.place == "open":
        state.top_series += OPEN_OR_SHORT * struck
    elif fault.place == "short":
        state.top_shunt += OPEN_OR_SHORT * struck
    elif fault.place == "bent":
        state.detuning += fault.size * struck
        state.antenna_resistance *= 1.0 - 0.25 * struck
    else:
        raise ValueError(
            f"fault {fault.kind} at {fault.site}: place is {fault.place!r}, wanted open, short or bent"
        )


def _loose_connector(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Bursts of bad contact, half an hour or several; the stronger the wind, the more of them."""
    chance = np.clip(0.01 + 0.3 * (moment.weather.wind_mps / 12.0) ** 3, 0.0, 0.85)
    who = _who(fault)
    shaking = uniform(seed, _GUSTS, who, moment.time_s // GUST_WINDOW_S) < chance
    open_now = shaking & (uniform(seed, _GAP, who, moment.time_s) < 0.65)
    contact = fault.size * np.exp(0.7 * normal(seed, _CONTACT, who, moment.time_s))
    _add_contact(state, fault, np.where(open_now, contact, 0.0) * growth(fault, moment.time_s))


def _antenna_ice(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Bare elements are loaded by ice until it thaws."""
    state.detuning += fault.size * moment.weather.ice_mm * growth(fault, moment.time_s)


def _amplifier_ageing(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """The amplifier gives less; the line stays as it is."""
    moment.output_share *= 1.0 - fault.size * growth(fault, moment.time_s)


def _planned_retune(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Another frequency on the same antenna: the match and all phases are others."""
    before_mhz = state.frequency_mhz.copy()
    state.frequency_mhz += fault.size * growth(fault, moment.time_s)
    ratio = state.frequency_mhz / before_mhz
    state.feeder_turn_rad *= ratio
    state.jumper_turn_rad *= ratio
    state.feeder_loss_db *= np.sqrt(ratio)


def _no_change(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """The line is sound: the meter, the controller or the link is at fault, see the simulator."""


_EFFECTS: dict[str, Callable[[Fault, LineState, Moment, int], None]] = {
    CORROSION: _corrosion,
    FEEDER_WATER: _feeder_water,
    ANTENNA_WATER: _antenna_water,
    STORM_DAMAGE: _storm_damage,
    LOOSE_CONNECTOR: _loose_connector,
    ANTENNA_ICE: _antenna_ice,
    AMPLIFIER_AGEING: _amplifier_ageing,
    PLANNED_RETUNE: _planned_retune,
    COUPLER_STUCK: _no_change,
    COUPLER_ZERO: _no_change,
    LINK_OUTAGE: _no_change,
    TRANSMITTER_SILENT: _no_change,
}


def check_kinds(faults: list[Fault]) -> None:
    """Raise ValueError naming every fault whose kind is not known."""
    unknown = sorted({fault.kind for fault in faults} - set(_EFFECTS))
    if unknown:
        raise ValueError(
            f"faults: unknown kinds {', '.join(unknown)}; known are {', '.join(sorted(_EFFECTS))}"
        )


def apply_fault(fault: Fault, state: LineState, moment: Moment, seed: int) -> None:
    """Change the line and the amplifier behind some readings, in place, as a fault changes them."""
    _EFFECTS[fault.kind](fault, state, moment, seed)
