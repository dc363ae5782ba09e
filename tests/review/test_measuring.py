"""What the measuring plan expects at each joint, against a line of scikit-rf and by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf

from standingwatch.review.measuring import GOOD_LOAD_DB, LineFacts, Step, ends_of, measuring_plan

BASELINE_RHO = 0.05


def facts(**more: object) -> LineFacts:
    given = {"rated_power_w": 100.0, "loss_db": 2.0, "baseline_rho": BASELINE_RHO, **more}
    return LineFacts("RPT-1", 160.0, **given)  # type: ignore[arg-type]  # of several kinds


def at(plan: tuple[Step, ...], plane: str, setup: str) -> Step:
    (found,) = [s for s in plan if plane in s.plane and setup in s.setup]
    return found


def seen_through(load: complex, loss_db: float) -> float:
    """Return loss at the lower end of a matched feeder with a load at its upper end, by scikit-rf [dB]."""
    frequency = skrf.Frequency(160.0, 160.0, 1, unit="MHz")
    medium = skrf.media.DefinedGammaZ0(frequency, z0=50.0, gamma=loss_db / (20 * math.log10(math.e)) + 3.35j)
    line = medium.line(1.0, "m")
    whole = line ** medium.load(load)
    return float(-whole.s_db[0, 0, 0])


@pytest.mark.parametrize("loss_db", [0.3, 2.0, 5.5])
def test_ends_of_the_feeder_as_scikit_rf_has_them(loss_db: float) -> None:
    plan = measuring_plan(facts(loss_db=loss_db))
    for setup, load in (("short", -1.0), ("open", 1.0), ("good load", 10 ** (-GOOD_LOAD_DB / 20))):
        step = at(plan, "Lower end of the feeder", setup)
        assert step.return_loss_db == pytest.approx(seen_through(load, loss_db), abs=1e-6)


def test_the_antenna_alone_as_scikit_rf_has_it() -> None:
    plan = measuring_plan(facts())
    step = at(plan, "Upper end", "antenna alone")
    # What is seen through the feeder with that antenna is the baseline again.
    rho = 10 ** (-step.return_loss_db / 20)
    assert seen_through(rho, 2.0) == pytest.approx(-20 * math.log10(BASELINE_RHO), abs=1e-6)
    # By hand: 26.02 dB less 4 dB, rho 0.0792, SWR 1.172.
    assert (step.return_loss_db, step.swr) == pytest.approx((22.02, 1.172), abs=5e-3)


def test_by_hand() -> None:
    plan = measuring_plan(facts(directivity_db=30.0))
    whole = plan[0]
    assert (whole.return_loss_db, whole.swr) == pytest.approx((26.02, 1.105), abs=5e-3)
    short = at(plan, "Lower end", "short")
    assert short.return_loss_db == pytest.approx(4.0)
    assert short.means[0][0] == "over 5.0 dB"
    again = plan[-1]
    # 0.05 squared of 100 W; 30 dB of directivity are 0.0316 of rho: 0.0184 to 0.0816, 21.8 to 34.7 dB.
    assert "100 W forward and 0.25 W reflected" in again.setup
    assert again.means[-1][0] == "21.8 dB to 34.7 dB"


def test_without_a_loss_the_plan_asks_for_it() -> None:
    plan = measuring_plan(facts(loss_db=math.nan))
    assert math.isnan(at(plan, "Lower end", "short").return_loss_db)
    assert "half of it is the one-way loss" in at(plan, "Lower end", "short").means[0][1]
    assert math.isnan(at(plan, "Upper end", "antenna").return_loss_db)
    assert at(plan, "Lower end", "good load").return_loss_db == pytest.approx(GOOD_LOAD_DB)


def test_a_combiner_is_measured_where_there_is_one() -> None:
    assert not any("combiner" in step.plane for step in measuring_plan(facts()))
    for more in ({"coupler_place": "behind-combiner"}, {"shared": ("RPT-2",)}):
        assert any("combiner" in step.plane for step in measuring_plan(facts(**more)))


def test_where_the_coupler_sits_decides_what_it_says() -> None:
    up = ends_of(facts(coupler_place="antenna"), 0.1)
    assert (up.return_loss_antenna_db, up.return_loss_tx_db) == pytest.approx((20.0, 24.0))
    down = ends_of(facts(coupler_place="transmitter"), 0.1)
    assert (down.return_loss_antenna_db, down.return_loss_tx_db) == pytest.approx((16.0, 20.0))
    unit = ends_of(facts(matching_unit="transmitter"), 0.1)
    assert np.isnan([unit.return_loss_tx_db, unit.swr_antenna]).all()
    # 0.9 at the transmitter behind 2 dB would be 1.43 at the antenna: impossible.
    assert math.isnan(ends_of(facts(), 0.9).swr_antenna)
