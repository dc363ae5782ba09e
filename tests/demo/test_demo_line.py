from dataclasses import replace

import numpy as np
import skrf
from hypothesis import given
from hypothesis import strategies as st
from skrf.network import a2s

from standingwatch.demo.line import (
    LineState,
    antenna_impedance,
    coupler_powers,
    reflection_at_coupler,
    turn_there_and_back_rad,
)
from standingwatch.rf.feeder import swr_ceiling
from standingwatch.rf.reflection import swr_from_rho


def line(n: int = 1, **changes: float | complex) -> LineState:
    """A perfect line of n readings on 450 MHz, with 1 dB of feeder and no jumper, but for the changes."""
    values: dict[str, float | complex] = {
        "frequency_mhz": 450.0, "antenna_resistance": 1.0, "antenna_q": 10.0, "resonance_mhz": 450.0,
        "detuning": 0.0, "top_series": 0j, "top_shunt": 0j, "feeder_loss_db": 1.0, "feeder_turn_rad": 100.0,
        "near_series": 0j, "near_shunt": 0j, "jumper_loss_db": 0.0, "jumper_turn_rad": 0.0,
    }  # fmt: skip
    values |= changes
    return LineState(**{name: np.full(n, value) for name, value in values.items()})


passive = st.builds(complex, st.floats(0, 50), st.floats(-50, 50))


@given(
    st.floats(0.05, 20), st.floats(0, 30), st.floats(-0.2, 0.2), passive, passive, passive, passive,
    st.floats(0.001, 12), st.floats(0, 5), st.floats(0, 1000), st.floats(0, 100),
)  # fmt: skip
def test_no_passive_line_reflects_more_than_it_gets(
    resistance: float, q: float, detuning: float, top_series: complex, top_shunt: complex,
    near_series: complex, near_shunt: complex, loss_db: float, jumper_db: float, turn: float,
    jumper_turn: float,
) -> None:  # fmt: skip
    state = line(
        antenna_resistance=resistance, antenna_q=q, detuning=detuning, top_series=top_series,
        top_shunt=top_shunt, near_series=near_series, near_shunt=near_shunt, feeder_loss_db=loss_db,
        jumper_loss_db=jumper_db, feeder_turn_rad=turn, jumper_turn_rad=jumper_turn,
    )  # fmt: skip
    assert np.abs(reflection_at_coupler(state))[0] <= 10 ** (-jumper_db / 10) * (1 + 1e-9)


def test_the_cascade_agrees_with_scikit_rf() -> None:
    parts = {
        "antenna_resistance": 0.8, "detuning": 0.01, "top_series": 0.1 + 0.05j, "top_shunt": 0.02 + 0.1j,
        "feeder_loss_db": 1.7, "feeder_turn_rad": 213.4, "near_series": 0.03 - 0.1j, "near_shunt": 0.2j,
        "jumper_loss_db": 0.9, "jumper_turn_rad": 17.0,
    }  # fmt: skip
    state = line(**parts)
    frequency = skrf.Frequency(450, 450, 1, "MHz")

    def abcd(a: complex, b: complex, c: complex, d: complex) -> skrf.Network:
        matrix = np.array([[[a, b], [c, d]]])
        return skrf.Network(frequency=frequency, s=a2s(matrix, 50.0 * np.ones((1, 2))), z0=50.0)

    def feeder(loss_db: float, turn_rad: float) -> skrf.Network:
        through = 10 ** (-loss_db / 20) * np.exp(-0.5j * turn_rad)
        return skrf.Network(frequency=frequency, s=np.array([[[0, through], [through, 0]]]), z0=50.0)

    z = antenna_impedance(state)[0]
    load = skrf.Network(frequency=frequency, s=np.array([[[(z - 1) / (z + 1)]]]), z0=50.0)
    chain = (
        feeder(0.9, 17.0)
        ** abcd(1, 50 * parts["near_series"], 0, 1)
        ** abcd(1, 0, parts["near_shunt"] / 50, 1)
        ** feeder(1.7, 213.4)
        ** abcd(1, 50 * parts["top_series"], 0, 1)
        ** abcd(1, 0, parts["top_shunt"] / 50, 1)
        ** load
    )
    assert np.allclose(reflection_at_coupler(state), chain.s[0, 0, 0], atol=1e-12)


def test_open_and_short_at_the_antenna_give_the_ceiling_of_the_loss() -> None:
    for loss_db in (0.25, 1.0, 3.0):
        for fault in ({"top_series": 1e6 + 0j}, {"top_shunt": 1e6 + 0j}):
            rho = np.abs(reflection_at_coupler(line(feeder_loss_db=loss_db, **fault)))[0]
            assert np.isclose(swr_from_rho(rho), swr_ceiling(loss_db), rtol=1e-4)


def test_phase_makes_two_discontinuities_add_or_cancel() -> None:
    turns = line(64, near_series=0.1 + 0j, top_series=0.1 + 0j)
    turns = replace(turns, feeder_turn_rad=np.linspace(0, 2 * np.pi, 64))
    rho = np.abs(reflection_at_coupler(turns))
    near, far = 0.1 / 2.1, 0.1 / 2.1 * 10**-0.1
    assert abs(rho.max() - (near + far)) < 0.004
    assert abs(rho.min() - (near - far)) < 0.004


def test_the_antenna_is_resonant_where_it_should_be_and_water_lowers_it() -> None:
    assert np.isclose(antenna_impedance(line())[0], 1.0)
    assert antenna_impedance(line(detuning=0.01))[0].imag > 0
    # A series resonant circuit of Q 10 is at 1 + j 0.2 one percent above its resonance, to first order.
    assert np.isclose(antenna_impedance(line(detuning=0.01))[0], 1 + 0.2j, atol=0.003)


def test_phase_of_a_feeder_is_two_pi_there_and_back_each_half_wave() -> None:
    # 299.792458 MHz: the wave in vacuum is 1 m long.
    args = (np.array([299.792458]), np.array([0.25]), np.array([0.5]), np.array([20.0]))
    assert np.isclose(turn_there_and_back_rad(*args)[0], 2 * np.pi)
    hot = turn_there_and_back_rad(*args[:3], np.array([50.0]))[0]
    assert np.isclose(hot / (2 * np.pi) - 1, 30 * 10e-6)


@given(st.floats(0, 1), st.floats(0, 7), st.floats(20, 45), st.floats(0, 7))
def test_the_coupler_stays_within_its_directivity(
    size: float, angle: float, directivity_db: float, leak_angle: float
) -> None:
    leak = 10 ** (-directivity_db / 20)
    rho = np.array([size * np.exp(1j * angle)])
    forward, reflected = coupler_powers(rho, np.array([leak * np.exp(1j * leak_angle)]))
    assert abs(np.sqrt(reflected[0]) - size) <= leak + 1e-9
    assert abs(np.sqrt(forward[0]) - 1.0) <= leak * size + 1e-9
