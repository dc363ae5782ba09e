from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings.units import (
    reflected_w_from_return_loss,
    reflected_w_from_swr,
    watts_from_dbm,
)
from standingwatch.rf.reflection import reflected_from_rho, rho_from_return_loss_db, rho_from_swr


@pytest.mark.parametrize(
    ("power_dbm", "power_w"), [(30.0, 1.0), (0.0, 1e-3), (50.0, 100.0), (60.0, 1e3), (33.0103, 2.0)]
)
def test_dbm(power_dbm: float, power_w: float) -> None:
    assert watts_from_dbm(power_dbm) == pytest.approx(power_w, rel=1e-6)


# Rows of the published relations (textbook, computed with scikit-rf): SWR, return loss, at 100 W forward.
@pytest.mark.parametrize(
    ("swr", "return_loss_db", "reflected_w"),
    [(1.22222, 20.0, 1.0), (1.5, 13.9794, 4.0), (2.0, 9.5424, 11.1111), (3.0, 6.0206, 25.0)],
)
def test_reflected_power(swr: float, return_loss_db: float, reflected_w: float) -> None:
    assert reflected_w_from_swr(100.0, swr) == pytest.approx(reflected_w, rel=1e-4)
    assert reflected_w_from_return_loss(100.0, return_loss_db) == pytest.approx(reflected_w, rel=1e-4)


def test_the_ends() -> None:
    assert reflected_w_from_swr(100.0, 1.0) == 0.0
    assert reflected_w_from_swr(100.0, 1e308) == 100.0
    assert reflected_w_from_return_loss(100.0, 0.0) == 100.0
    assert reflected_w_from_return_loss(100.0, 1e308) == 0.0
    assert watts_from_dbm(-1e308) == 0.0


def test_what_is_out_of_range_is_refused_with_a_hint() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        reflected_w_from_swr(100.0, 0.999)
    with pytest.raises(ValueError, match="sign is wrong"):
        reflected_w_from_return_loss(100.0, -14.0)
    with pytest.raises(ValueError, match="below 100"):
        watts_from_dbm(100.0)
    assert watts_from_dbm(99.99) < 1e7


@given(st.floats(0, 1e7), st.floats(1, 1e9))
def test_the_swr_relation_is_the_one_of_rf(forward_w: float, swr: float) -> None:
    theirs = reflected_from_rho(forward_w, rho_from_swr(swr))
    assert reflected_w_from_swr(forward_w, swr) == pytest.approx(theirs, rel=1e-12, abs=1e-300)


@given(st.floats(0, 1e7), st.floats(0, 200))
def test_the_return_loss_relation_is_the_one_of_rf(forward_w: float, return_loss_db: float) -> None:
    theirs = reflected_from_rho(forward_w, rho_from_return_loss_db(return_loss_db))
    assert reflected_w_from_return_loss(forward_w, return_loss_db) == pytest.approx(
        theirs, rel=1e-12, abs=1e-300
    )
