"""What a feeder does to a reflection: printed figures, scikit-rf, inverses, edges."""

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from skrf.tlineFunctions import Gamma0_2_Gamma_in, zl_2_Gamma0, zl_2_total_loss

from standingwatch import rf

DB_PER_NEPER = 20.0 / math.log(10.0)
passive_rho = st.floats(0.0, 1.0)
loss = st.floats(0.0, 20.0)
any_float = st.floats(allow_nan=True, allow_infinity=True)


def test_total_loss_as_printed(published, agree):
    table = published("line_total_loss")
    rho, loss_db = rf.rho_from_swr(table["swr_load"]), table["matched_loss_db"]
    agree(rf.total_loss_db(rho, loss_db), table["total_loss_db"], 4)
    agree(rf.additional_loss_db(rho, loss_db), table["extra_loss_due_to_swr_db"], 4)
    rho_in = rf.rho_at_transmitter(rho, loss_db)
    agree(rf.swr_from_rho(rho_in), table["swr_input"], 4)
    agree(rf.return_loss_db_from_rho(rho_in), table["return_loss_input_db"], 4)


def test_ceiling_with_an_open_or_short_as_printed(published, agree):
    table = published("swr_ceiling_open_short")
    loss_db = table["matched_loss_db"]
    agree(rf.swr_ceiling(loss_db), table["max_swr_at_tx"], 4)
    rho = rf.rho_at_transmitter(1.0, loss_db)
    agree(rho, table["rho_in"], 6)
    agree(rf.return_loss_db_from_rho(rho), table["max_measured_return_loss_with_open_or_short_db"], 2)


def test_from_the_transmitter_to_the_antenna_as_printed(published, agree):
    table = published("swr_tx_to_antenna")
    rho = rf.rho_at_antenna(rf.rho_from_swr(table["swr_at_tx"]), table["matched_loss_db"])
    agree(rho, table["rho_at_antenna"], 6)
    impossible = table["swr_at_antenna"] == "impossible(rho>1)"
    assert impossible.any()
    assert rf.is_passive(rho).tolist() == (~impossible).tolist()
    swr = rf.swr_from_rho(rho)
    assert swr[impossible].isna().all()
    agree(swr[~impossible], table["swr_at_antenna"][~impossible].astype(float), 4)


def test_crests_as_printed(published, agree):
    # The file gives 100 W net into the load; the functions take the forward wave, which carries more.
    table = published("standing_wave_factors")
    rho = rf.rho_from_swr(table["swr"])
    forward_w = 100.0 / (1.0 - rho**2)
    agree(rf.crest_ratio(rho), table["vmax_over_vfwd(1+rho)"], 6)
    agree(rf.crest_ratio(rho) ** 2, table["peak_local_heating_factor_same_fwd((1+rho)^2)"], 6)
    agree(rf.crest_voltage_v(forward_w, rho), table["vmax_peak_100W_net_50ohm"], 3)
    agree(rf.crest_voltage_v(forward_w, rho) / math.sqrt(2), table["vmax_rms_100W_net_50ohm"], 3)
    agree(rf.crest_current_a(forward_w, rho) / math.sqrt(2), table["imax_rms_100W_net_50ohm"], 4)


@pytest.mark.parametrize("electrical_length_rad", [0.3, 1.1, 2.0, 40.0])
def test_total_loss_agrees_with_scikit_rf(electrical_length_rad):
    # scikit-rf solves the line for one length and load. With a real characteristic impedance the length
    # drops out.
    loss_db = np.array([0.2, 1.0, 3.0, 6.0])
    z_load = np.array([150.0, 20.0, 75.0, 400.0])
    theta = loss_db / DB_PER_NEPER + 1j * electrical_length_rad
    wanted_db = 10 * np.log10(zl_2_total_loss(50.0, z_load, theta))
    rho = np.abs(zl_2_Gamma0(50.0, z_load))
    np.testing.assert_allclose(rf.total_loss_db(rho, loss_db), wanted_db, rtol=1e-9)


def test_rho_at_the_transmitter_agrees_with_scikit_rf():
    loss_db = np.linspace(0.0, 10.0, 21)
    theta = loss_db / DB_PER_NEPER + 0.7j
    wanted = np.abs(Gamma0_2_Gamma_in(0.4 + 0.3j, theta))
    np.testing.assert_allclose(rf.rho_at_transmitter(0.5, loss_db), wanted, rtol=1e-9)


@given(rho=st.floats(0.0, 3.0), loss_db=loss)
def test_to_the_antenna_and_back(rho, loss_db):
    there = rf.rho_at_antenna(rho, loss_db)
    assert rf.rho_at_transmitter(there, loss_db) == pytest.approx(rho, rel=1e-12, abs=1e-300)
    assert there >= rho


@given(loss_db=loss)
def test_the_ceiling_is_a_total_reflection_at_the_antenna(loss_db):
    # approx compares infinity, the ceiling without loss, as equal only to infinity.
    assert rf.swr_ceiling(loss_db) == pytest.approx(rf.swr_from_rho(rf.rho_at_transmitter(1.0, loss_db)))


@given(rho=passive_rho, loss_db=st.floats(1e-6, 20.0))
def test_no_antenna_shows_more_than_the_ceiling(rho, loss_db):
    assert rf.swr_from_rho(rf.rho_at_transmitter(rho, loss_db)) <= rf.swr_ceiling(loss_db)


def test_a_fixed_two_to_one_limit_cannot_be_reached_behind_4_77_db():
    assert rf.swr_ceiling(4.77) > 2.0 > rf.swr_ceiling(4.78)


@given(one=loss, other=loss)
def test_the_ceiling_falls_with_loss(one, other):
    low, high = sorted((one, other))
    assert rf.swr_ceiling(low) >= rf.swr_ceiling(high)


@given(rho=st.floats(0.0, 0.999), loss_db=loss)
def test_total_loss_is_the_published_form(rho, loss_db):
    # The module computes it as a difference of mismatch losses; this is the formula as printed.
    a = 10 ** (loss_db / 10)
    printed_db = 10 * math.log10((a**2 - rho**2) / (a * (1 - rho**2)))
    assert rf.total_loss_db(rho, loss_db) == pytest.approx(printed_db, rel=1e-9, abs=1e-9)


@given(one=st.floats(0.0, 0.999), other=st.floats(0.0, 0.999), loss_db=loss)
def test_additional_loss_rises_with_rho_and_is_never_negative(one, other, loss_db):
    low, high = sorted((one, other))
    assert -1e-12 <= rf.additional_loss_db(low, loss_db) <= rf.additional_loss_db(high, loss_db) + 1e-12


@given(rho=st.floats(0.0, 0.999), one=loss, other=loss)
def test_additional_loss_rises_with_the_matched_loss(rho, one, other):
    low, high = sorted((one, other))
    assert rf.additional_loss_db(rho, low) <= rf.additional_loss_db(rho, high) + 1e-12


def test_edges_of_the_losses():
    assert rf.total_loss_db(0.0, 3.0) == 3.0
    assert rf.additional_loss_db(0.0, 3.0) == 0.0
    assert rf.additional_loss_db(0.5, 0.0) == 0.0
    assert rf.total_loss_db(1.0, 3.0) == math.inf
    assert rf.additional_loss_db(1.0, 3.0) == math.inf
    assert math.isnan(rf.total_loss_db(1.0, 0.0))
    assert rf.swr_ceiling(0.0) == math.inf
    assert rf.rho_at_antenna(0.3, 0.0) == 0.3


@pytest.mark.parametrize("function", [rf.total_loss_db, rf.additional_loss_db])
@pytest.mark.parametrize("rho", [1.01, -0.1, math.nan, math.inf])
def test_no_loss_from_an_impossible_rho(function, rho):
    assert math.isnan(function(rho, 3.0))


@pytest.mark.parametrize("rho", [-0.1, math.nan, math.inf])
@pytest.mark.parametrize("function", [rf.rho_at_antenna, rf.rho_at_transmitter])
def test_nothing_is_carried_from_a_rho_that_is_no_number_or_negative(function, rho):
    assert math.isnan(function(rho, 3.0))


@pytest.mark.parametrize("loss_db", [-0.1, math.nan, math.inf])
def test_an_impossible_loss_gives_nan(loss_db):
    for function in (rf.rho_at_antenna, rf.rho_at_transmitter, rf.total_loss_db, rf.additional_loss_db):
        assert math.isnan(function(0.3, loss_db))
    assert math.isnan(rf.swr_ceiling(loss_db))


def test_more_reflection_at_the_antenna_than_there_is_stays_visible():
    rho = rf.rho_at_antenna(0.5, 6.0)
    assert rho == pytest.approx(0.5 * 10**0.6)
    assert not rf.is_passive(rho)


def test_crests_of_matched_and_totally_reflecting_line():
    assert rf.crest_voltage_v(100.0, 0.0) == pytest.approx(100.0)
    assert rf.crest_voltage_v(100.0, 1.0) == pytest.approx(200.0)
    assert rf.crest_current_a(100.0, 1.0) == pytest.approx(4.0)
    assert rf.crest_voltage_v(100.0, 0.0, 75.0) == pytest.approx(math.sqrt(15000.0))
    assert rf.crest_voltage_v(0.0, 0.5) == 0.0


@given(forward_w=st.floats(0.1, 1e5), rho=passive_rho, impedance_ohm=st.floats(10.0, 300.0))
def test_voltage_over_current_is_the_impedance(forward_w, rho, impedance_ohm):
    volts = rf.crest_voltage_v(forward_w, rho, impedance_ohm)
    amperes = rf.crest_current_a(forward_w, rho, impedance_ohm)
    assert volts / amperes == pytest.approx(impedance_ohm)
    # Half of peak times peak is the power of the forward wave, raised by both crests.
    assert volts * amperes / 2 == pytest.approx(forward_w * rf.crest_ratio(rho) ** 2)


@pytest.mark.parametrize("function", [rf.crest_voltage_v, rf.crest_current_a])
@pytest.mark.parametrize(
    "values",
    [
        (-1.0, 0.5, 50.0),
        (math.inf, 0.5, 50.0),
        (math.nan, 0.5, 50.0),
        (1.0, 1.1, 50.0),
        (1.0, 0.5, 0.0),
        (1.0, 0.5, -50.0),
        (1.0, 0.5, math.inf),
    ],
)
def test_no_crest_from_impossible_values(function, values):
    assert math.isnan(function(*values))


@pytest.mark.parametrize("rho", [1.1, -0.1, math.nan])
def test_no_crest_ratio_from_an_impossible_rho(rho):
    assert math.isnan(rf.crest_ratio(rho))


@pytest.mark.parametrize(
    "function",
    [
        rf.rho_at_antenna,
        rf.rho_at_transmitter,
        rf.total_loss_db,
        rf.additional_loss_db,
        rf.crest_voltage_v,
        rf.crest_current_a,
        lambda length_m, mhz: rf.matched_loss_db(rf.FEEDER_TYPES["RG-58"], length_m, mhz),
    ],
)
@given(one=any_float, other=any_float)
def test_any_floats_give_no_warning_and_nothing_negative(function, one, other):
    got = function(one, other)
    assert math.isnan(got) or got >= -1e-12


@given(forward_w=any_float, rho=passive_rho, impedance_ohm=any_float)
@example(forward_w=8e307, rho=0.5, impedance_ohm=5e-324)
def test_any_impedance_gives_no_warning_and_nothing_negative(forward_w, rho, impedance_ohm):
    for function in (rf.crest_voltage_v, rf.crest_current_a):
        got = function(forward_w, rho, impedance_ohm)
        assert math.isnan(got) or got >= 0.0
