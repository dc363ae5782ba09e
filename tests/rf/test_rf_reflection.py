"""Reflection against printed figures, scikit-rf, its own inverses, and at the edges."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skrf.tlineFunctions import Gamma0_2_swr, zl_2_Gamma0, zl_2_swr

from standingwatch import rf

INVERSES = [
    (rf.swr_from_rho, rf.rho_from_swr),
    (rf.return_loss_db_from_rho, rf.rho_from_return_loss_db),
    (rf.mismatch_loss_db_from_rho, rf.rho_from_mismatch_loss_db),
    (rf.percent_reflected_from_rho, rf.rho_from_percent_reflected),
]
FROM_RHO = [forth for forth, _ in INVERSES]
TO_RHO = [back for _, back in INVERSES]
passive_rho = st.floats(0.0, 1.0)
any_float = st.floats(allow_nan=True, allow_infinity=True)


def test_swr_relations_as_printed(published, agree):
    table = published("swr_relations")
    rho = rf.rho_from_swr(table["swr"])
    agree(rho, table["rho"], 6)
    agree(rf.return_loss_db_from_rho(rho), table["return_loss_db"], 4)
    agree(rf.percent_reflected_from_rho(rho), table["reflected_power_pct"], 4)
    agree(rf.mismatch_loss_db_from_rho(rho), table["mismatch_loss_db"], 5)
    agree(rf.swr_from_rho(rho), table["swr"], 9)


def test_return_loss_to_swr_as_printed(published, agree):
    table = published("return_loss_to_swr")
    rho = rf.rho_from_return_loss_db(table["return_loss_db"])
    agree(rho, table["rho"], 6)
    agree(rf.swr_from_rho(rho), table["swr"], 5)
    agree(rf.mismatch_loss_db_from_rho(rho), table["mismatch_loss_db"], 5)


def test_forward_and_reflected_to_swr_as_printed(published, agree):
    table = published("fwd_refl_to_swr")
    rho = rf.rho_from_power(table["forward_w"], table["reflected_w"])
    agree(rho, table["rho"], 6)
    agree(rf.return_loss_db_from_rho(rho), table["return_loss_db"], 4)
    agree(rf.swr_from_rho(rho), table["swr"], 5)
    agree(table["forward_w"] - rf.reflected_from_rho(table["forward_w"], rho), table["net_w"], 4)


def test_swr_agrees_with_scikit_rf_over_reflection_coefficients():
    rho = np.linspace(0.0, 0.999, 500)
    np.testing.assert_allclose(rf.swr_from_rho(rho), Gamma0_2_swr(rho), rtol=1e-12)


def test_swr_agrees_with_scikit_rf_over_load_impedances():
    z_load = np.array([10 + 5j, 25, 50, 75 - 20j, 150 + 100j, 400])
    rho = np.abs(zl_2_Gamma0(50.0, z_load))
    np.testing.assert_allclose(rf.swr_from_rho(rho), zl_2_swr(50.0, z_load), rtol=1e-9)


@pytest.mark.parametrize(("forth", "back"), INVERSES)
@given(rho=st.floats(1e-4, 1.0))
def test_forth_and_back_gives_the_same_rho(forth, back, rho):
    assert back(forth(rho)) == pytest.approx(rho, rel=1e-7)


@given(forward_w=st.floats(1e-3, 1e6), rho=passive_rho)
def test_power_forth_and_back_gives_the_same_rho(forward_w, rho):
    again = rf.rho_from_power(forward_w, rf.reflected_from_rho(forward_w, rho))
    assert again == pytest.approx(rho, rel=1e-9, abs=1e-150)


@pytest.mark.parametrize(
    ("forth", "rising"),
    [
        (rf.swr_from_rho, True),
        (rf.return_loss_db_from_rho, False),
        (rf.mismatch_loss_db_from_rho, True),
        (rf.percent_reflected_from_rho, True),
    ],
)
@given(one=passive_rho, other=passive_rho)
def test_monotonic_in_rho(forth, rising, one, other):
    low, high = sorted((one, other))
    assert forth(low) <= forth(high) if rising else forth(low) >= forth(high)


@given(rho=st.floats(1e-150, 1.0))
def test_return_loss_of_what_comes_back_is_the_power_ratio(rho):
    # Two routes to the same number: dB of the amplitude ratio, dB of the power ratio. Below 1e-150 the square
    # of rho is a subnormal float and has lost its digits.
    percent = rf.percent_reflected_from_rho(rho)
    assert rf.return_loss_db_from_rho(rho) == pytest.approx(-10 * math.log10(percent / 100), abs=1e-6)


@pytest.mark.parametrize(
    ("function", "value", "wanted"),
    [
        (rf.swr_from_rho, 1.0, math.inf),
        (rf.swr_from_rho, 0.0, 1.0),
        (rf.return_loss_db_from_rho, 0.0, math.inf),
        (rf.return_loss_db_from_rho, 1.0, 0.0),
        (rf.mismatch_loss_db_from_rho, 0.0, 0.0),
        (rf.mismatch_loss_db_from_rho, 1.0, math.inf),
        (rf.percent_reflected_from_rho, 1.0, 100.0),
        (rf.rho_from_swr, math.inf, 1.0),
        (rf.rho_from_swr, 1.0, 0.0),
        (rf.rho_from_return_loss_db, math.inf, 0.0),
        (rf.rho_from_return_loss_db, 0.0, 1.0),
        (rf.rho_from_mismatch_loss_db, math.inf, 1.0),
        (rf.rho_from_mismatch_loss_db, 0.0, 0.0),
        (rf.rho_from_percent_reflected, 0.0, 0.0),
        (rf.rho_from_percent_reflected, 100.0, 1.0),
    ],
)
def test_ends_of_the_range(function, value, wanted):
    assert function(value) == wanted
    assert math.copysign(1.0, function(value)) == 1.0, "no negative zero"


@pytest.mark.parametrize("function", FROM_RHO)
@pytest.mark.parametrize("rho", [math.nextafter(1.0, 2.0), 1.5, math.inf, -1e-9, -0.5, -math.inf, math.nan])
def test_an_impossible_rho_is_nan_and_flagged(function, rho):
    assert math.isnan(function(rho))
    assert not rf.is_passive(rho)


@pytest.mark.parametrize(
    ("function", "value"),
    [
        (rf.rho_from_swr, 0.999),
        (rf.rho_from_swr, 0.0),
        (rf.rho_from_swr, -3.0),
        (rf.rho_from_swr, -math.inf),
        (rf.rho_from_return_loss_db, -0.1),
        (rf.rho_from_return_loss_db, -math.inf),
        (rf.rho_from_mismatch_loss_db, -0.1),
        (rf.rho_from_percent_reflected, -1.0),
        (rf.rho_from_percent_reflected, 100.1),
        *[(function, math.nan) for function in TO_RHO],
    ],
)
def test_an_impossible_value_gives_nan_rho(function, value):
    assert math.isnan(function(value))


@pytest.mark.parametrize(
    ("forward_w", "reflected_w"),
    [
        (0.0, 0.0),
        (0.0, 5.0),
        (-0.0, 5.0),
        (-10.0, 1.0),
        (-10.0, -1.0),
        (10.0, -0.1),
        (math.nan, 1.0),
        (10.0, math.nan),
        (math.inf, 1.0),
        (10.0, math.inf),
    ],
)
def test_no_rho_without_forward_power_or_with_impossible_powers(forward_w, reflected_w):
    assert math.isnan(rf.rho_from_power(forward_w, reflected_w))


def test_reflected_above_forward_is_kept_for_the_flag_to_see():
    rho = rf.rho_from_power(10.0, 40.0)
    assert rho == 2.0
    assert rf.is_passive(rho) is False


def test_powers_whose_quotient_overflows_are_flagged():
    rho = rf.rho_from_power(1e-300, 1e300)
    assert rho == math.inf
    assert not rf.is_passive(rho)


@pytest.mark.parametrize(
    ("forward_w", "rho"), [(-1.0, 0.5), (math.inf, 0.5), (math.nan, 0.5), (10.0, 1.01), (10.0, -0.1)]
)
def test_no_reflected_power_from_impossible_values(forward_w, rho):
    assert math.isnan(rf.reflected_from_rho(forward_w, rho))


def test_nothing_forward_reflects_nothing():
    assert rf.reflected_from_rho(0.0, 0.7) == 0.0


def test_is_passive_takes_the_ends_in():
    rho = np.array([0.0, 0.5, 1.0, math.nextafter(1.0, 2.0), -0.1, np.nan, np.inf])
    assert rf.is_passive(rho).tolist() == [True, True, True, False, False, False, False]
    assert rf.is_passive(1.0) is True


# Overflow, division by zero and NaN comparisons must stay inside: pytest turns any warning into an error.
@pytest.mark.parametrize("function", FROM_RHO)
@given(value=any_float)
def test_any_float_gives_a_value_in_range_or_nan(function, value):
    got = function(value)
    assert math.isnan(got) is not rf.is_passive(value)
    assert math.isnan(got) or got >= (1.0 if function is rf.swr_from_rho else 0.0)


@pytest.mark.parametrize("function", TO_RHO)
@given(value=any_float)
def test_any_float_gives_a_passive_rho_or_nan(function, value):
    got = function(value)
    assert math.isnan(got) or rf.is_passive(got)


@given(forward_w=any_float, reflected_w=any_float)
def test_any_powers_give_rho_from_zero_up_or_nan(forward_w, reflected_w):
    rho = rf.rho_from_power(forward_w, reflected_w)
    usable = 0.0 < forward_w < math.inf and 0.0 <= reflected_w < math.inf
    assert math.isnan(rho) is not usable
    assert math.isnan(rho) or rho >= 0.0
