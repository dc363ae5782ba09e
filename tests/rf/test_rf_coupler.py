"""Bounds against printed figures, and against what a leaking coupler and a coarse meter really show."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch import rf

any_float = st.floats(allow_nan=True, allow_infinity=True)


def test_directivity_bounds_as_printed(published, agree):
    # The inequality reads the same both ways: here from the true value to what may be indicated.
    table = published("directivity_bounds")
    rho = rf.rho_from_return_loss_db(table["true_return_loss_db"])
    agree(rf.swr_from_rho(rho), table["true_swr"], 4)
    low, high = rf.rho_bounds(rho, table["directivity_db"])
    agree(rf.swr_from_rho(high), table["max_indicated_swr"], 4)
    agree(rf.return_loss_db_from_rho(high), table["min_indicated_rl_db"], 3)
    # The file has a leak of exactly the directivity, the bounds one of at most that. The lower ends agree
    # where the reflection exceeds the leak; where the two can cancel, a lesser leak reaches 0.
    leak = 10 ** (-table["directivity_db"] / 20)
    exceeds = rho > leak + 1e-9
    assert 0 < exceeds.sum() < len(table)
    agree(rf.swr_from_rho(low[exceeds]), table["min_indicated_swr"][exceeds], 4)
    agree(rf.return_loss_db_from_rho(low[exceeds]), table["max_indicated_rl_db"][exceeds], 3)
    assert (low[~exceeds] < 1e-15).all()
    agree(rf.swr_from_rho((leak - rho)[~exceeds].abs()), table["min_indicated_swr"][~exceeds], 4)


def test_a_leak_into_the_forward_port_too_goes_a_little_beyond(published):
    # What the docstring says of the bounds' limit, against the printed worst case of both ports leaking.
    table = published("directivity_bounds")
    rho = rf.rho_from_return_loss_db(table["true_return_loss_db"])
    leak = 10 ** (-table["directivity_db"] / 20)
    _, high = rf.rho_bounds(rho, table["directivity_db"])
    beyond = rf.rho_from_return_loss_db(table["min_indicated_rl_db_both_couplers"]) - high
    assert (beyond > 0.0).all()
    np.testing.assert_allclose(beyond, rho * (rho + leak) * leak, rtol=0.1, atol=1e-4)


def test_a_true_1_1_behind_25_db_may_read_up_to_1_23():
    low, high = rf.rho_bounds(rf.rho_from_swr(1.1), 25.0)
    assert low == 0.0
    assert rf.swr_from_rho(high) == pytest.approx(1.23, abs=0.005)


@given(
    true_rho=st.floats(0.0, 1.0),
    directivity_db=st.floats(0.0, 60.0),
    share=st.floats(0.0, 1.0),
    phase=st.floats(0.0, 2 * math.pi),
)
def test_the_band_holds_the_truth_for_any_phase_and_any_lesser_leak(true_rho, directivity_db, share, phase):
    leak = share * 10 ** (-directivity_db / 20)
    measured = abs(true_rho + leak * np.exp(1j * phase))
    low, high = rf.rho_bounds(measured, directivity_db)
    assert low - 1e-12 <= true_rho <= high + 1e-12


@given(true_rho=st.floats(0.1, 1.0), directivity_db=st.floats(25.0, 60.0))
def test_a_phase_sweep_reaches_both_ends_of_the_band(true_rho, directivity_db):
    leak = 10 ** (-directivity_db / 20)
    measured = np.abs(true_rho + leak * np.exp(1j * np.linspace(0.0, 2 * math.pi, 721)))
    low, high = rf.rho_bounds(measured, directivity_db)
    assert high[np.argmin(measured)] == pytest.approx(true_rho, abs=1e-9)
    assert low[np.argmax(measured)] == pytest.approx(true_rho, abs=1e-9)


def test_a_perfect_coupler_leaves_the_reading():
    assert rf.rho_bounds(0.3, math.inf) == (0.3, 0.3)


def test_the_upper_bound_is_not_cut_at_one():
    _, high = rf.rho_bounds(1.0, 20.0)
    assert high == pytest.approx(1.1)
    assert not rf.is_passive(high)


@pytest.mark.parametrize(
    ("rho", "directivity_db"),
    [(0.2, math.nan), (0.2, -1.0), (math.nan, 25.0), (-0.1, 25.0), (math.inf, 25.0)],
)
def test_no_bounds_from_an_unknown_directivity_or_an_impossible_reading(rho, directivity_db):
    assert all(math.isnan(bound) for bound in rf.rho_bounds(rho, directivity_db))


def test_half_a_step_each_side():
    low, high = rf.power_step_bounds(50.0, 2.0, 1.0, 1.0)
    assert low == pytest.approx(math.sqrt(1.5 / 50.5))
    assert high == pytest.approx(math.sqrt(2.5 / 49.5))


def test_zero_reflected_on_a_coarse_meter_still_allows_a_mismatch():
    low, high = rf.power_step_bounds(10.0, 0.0, 0.1, 1.0)
    assert low == 0.0
    assert rf.swr_from_rho(high) == pytest.approx(1.577, abs=0.001)  # sqrt(0.5 / 9.95) = 0.2242


def test_an_exact_meter_leaves_the_reading():
    assert rf.power_step_bounds(100.0, 4.0, 0.0, 0.0) == (0.2, 0.2)


@given(
    forward_w=st.floats(0.2, 1000.0),
    ratio=st.floats(0.0, 1.0),
    forward_step_w=st.sampled_from([0.01, 0.1, 0.25, 1.0, 5.0]),
    reflected_step_w=st.sampled_from([0.01, 0.1, 0.25, 1.0, 5.0]),
)
def test_the_band_holds_the_truth_behind_rounded_meters(forward_w, ratio, forward_step_w, reflected_step_w):
    reflected_w = ratio * forward_w
    forward_read_w = round(forward_w / forward_step_w) * forward_step_w
    reflected_read_w = round(reflected_w / reflected_step_w) * reflected_step_w
    low, high = rf.power_step_bounds(forward_read_w, reflected_read_w, forward_step_w, reflected_step_w)
    least = rf.power_step_least(forward_read_w, reflected_read_w, forward_step_w, reflected_step_w)
    assert least == low or (math.isnan(least) and math.isnan(low))
    if forward_read_w == 0.0:
        assert math.isnan(low)
        assert math.isnan(high)
    else:
        assert low - 1e-6 <= math.sqrt(ratio) <= high + 1e-6


def test_a_forward_power_that_may_be_nothing_bounds_nothing_above():
    assert rf.power_step_bounds(0.5, 0.2, 1.0, 0.1) == (pytest.approx(math.sqrt(0.15)), math.inf)
    assert rf.power_step_bounds(0.5, 0.0, 1.0, 0.0) == (0.0, 0.0)


@pytest.mark.parametrize(
    "readings",
    [
        (0.0, 0.0, 1.0, 1.0),
        (-5.0, 1.0, 1.0, 1.0),
        (5.0, -1.0, 1.0, 1.0),
        (5.0, 1.0, -1.0, 1.0),
        (5.0, 1.0, 1.0, -1.0),
        (5.0, 1.0, math.nan, 1.0),
        (5.0, 1.0, 1.0, math.nan),
        (5.0, 1.0, math.inf, 1.0),
        (math.nan, 1.0, 1.0, 1.0),
        (5.0, math.nan, 1.0, 1.0),
    ],
)
def test_no_step_bounds_from_impossible_values(readings):
    assert math.isnan(rf.power_step_least(*readings))
    assert all(math.isnan(bound) for bound in rf.power_step_bounds(*readings))


@given(rho=any_float, directivity_db=any_float)
def test_any_floats_give_ordered_bounds_or_nan(rho, directivity_db):
    low, high = rf.rho_bounds(rho, directivity_db)
    assert math.isnan(low) is math.isnan(high)
    assert math.isnan(low) or 0.0 <= low <= high


@given(readings=st.tuples(any_float, any_float, any_float, any_float))
def test_any_powers_and_steps_give_no_warning_and_no_negative_bound(readings):
    for bound in rf.power_step_bounds(*readings):
        assert math.isnan(bound) or bound >= 0.0
