"""What a coupler sees of an antenna line: the exact cascade of antenna, connectors, feeder and jumper.

Impedances are divided by 50 ohm. From the antenna to the coupler:

    antenna -> top connector -> feeder -> connector near the transmitter -> jumper, combiner -> coupler

A connector is a shunt admittance across the line and an impedance in series, both passive, so nothing in
here can reflect more than it gets. Sums of reflections are phasors: whether two add or cancel depends on
the electrical length between them, and turns with frequency and temperature.

Sources: cascade, resonance and feeder equations are textbook transmission line theory. The antenna is the
simplest one that has a bandwidth, a series resonant circuit. Loss over temperature: 0.39 %/K resistivity of
copper (IEC 60028), half of it in a loss by skin effect. Phase over temperature: 10 ppm/K, from memory for
foam corrugated cable.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from standingwatch.demo.chance import FloatArray

ComplexArray = npt.NDArray[np.complex128]

LIGHT_M_PER_US = 299.792458
LOSS_PER_K = 0.00195
LENGTH_PER_K = 10e-6
REFERENCE_C = 20.0


@dataclass
class LineState:
    """State of the antenna line behind each reading, arrays of one length. Faults change them in place.

    Attributes:
        frequency_mhz: carrier frequency [MHz].
        antenna_resistance: antenna's resistance at resonance, over 50 ohm.
        antenna_q: quality factor of the antenna, its bandwidth turned over.
        resonance_mhz: frequency at which the dry antenna is resonant [MHz].
        detuning: share by which water, ice, heat or damage lower the resonance, 0 none.
        top_series, top_shunt: impedance in series and admittance across the line at the antenna connector.
        feeder_loss_db: one-way matched loss of the feeder [dB].
        feeder_turn_rad: phase of the way through the feeder, there and back [rad].
        near_series, near_shunt: the same two of the connector near the transmitter.
        jumper_loss_db: one-way loss of jumper and combiner [dB].
        jumper_turn_rad: phase of the way through them, there and back [rad].
    """

    frequency_mhz: FloatArray
    antenna_resistance: FloatArray
    antenna_q: FloatArray
    resonance_mhz: FloatArray
    detuning: FloatArray
    top_series: ComplexArray
    top_shunt: ComplexArray
    feeder_loss_db: FloatArray
    feeder_turn_rad: FloatArray
    near_series: ComplexArray
    near_shunt: ComplexArray
    jumper_loss_db: FloatArray
    jumper_turn_rad: FloatArray


def antenna_impedance(state: LineState) -> ComplexArray:
    """Return the impedance of the antenna over 50 ohm."""
    resonance_mhz = state.resonance_mhz * (1.0 - state.detuning)
    offset = state.frequency_mhz / resonance_mhz - resonance_mhz / state.frequency_mhz
    return state.antenna_resistance * (1.0 + 1j * state.antenna_q * offset)


def through_connector(impedance: ComplexArray, shunt: ComplexArray, series: ComplexArray) -> ComplexArray:
    """Return the impedance before a connector: `shunt` across the line behind, `series` in front of it."""
    return 1.0 / (1.0 / impedance + shunt) + series


def through_feeder(impedance: ComplexArray, loss_db: FloatArray, turn_rad: FloatArray) -> ComplexArray:
    """Return the impedance at the near end of a matched-impedance feeder.

    Args:
        impedance: at the far end, over 50 ohm.
        loss_db: one-way matched loss [dB], above 0.
        turn_rad: phase there and back [rad].
    """
    rho = (impedance - 1.0) / (impedance + 1.0) * attenuated_turn(loss_db, turn_rad)
    return (1.0 + rho) / (1.0 - rho)


def attenuated_turn(loss_db: FloatArray, turn_rad: FloatArray) -> ComplexArray:
    """Return the factor a reflection takes on its way there and back through a length of line."""
    turned: ComplexArray = 10.0 ** (-loss_db / 10.0) * np.exp(-1j * turn_rad)
    return turned


def reflection_at_coupler(state: LineState) -> ComplexArray:
    """Return the complex reflection coefficient at the coupler; its magnitude is at most 1."""
    top = through_connector(antenna_impedance(state), state.top_shunt, state.top_series)
    near = through_feeder(top, state.feeder_loss_db, state.feeder_turn_rad)
    before = through_connector(near, state.near_shunt, state.near_series)
    return (before - 1.0) / (before + 1.0) * attenuated_turn(state.jumper_loss_db, state.jumper_turn_rad)


def turn_there_and_back_rad(
    frequency_mhz: FloatArray, length_m: FloatArray, velocity_factor: FloatArray, temperature_c: FloatArray
) -> FloatArray:
    """Return the phase of the way through a line and back [rad], with its change over temperature."""
    length_m = length_m * (1.0 + LENGTH_PER_K * (temperature_c - REFERENCE_C))
    return 4.0 * np.pi * frequency_mhz * length_m / (LIGHT_M_PER_US * velocity_factor)


def coupler_powers(rho: ComplexArray, leak: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Return what a coupler shows of a forward wave of power 1: forward and reflected power.

    Some of each wave leaks into the other's port. `leak` is that share as a phasor, 10^(-directivity / 20)
    at most, its phase fixed when the coupler was made and not known to anybody.
    """
    return np.abs(1.0 + np.conj(leak) * rho) ** 2, np.abs(rho + leak) ** 2
