"""Proof by what was wrong: limits without a baseline, power, rain, bursts, reports, alarms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.comparing import Level
from standingwatch.review.proof import ends, measure_of, overall, prove
from standingwatch.review.proof_counts import chance_of_so_few
from standingwatch.review.proof_data import MEASURES, Course, Measure, Proof, Verdict, Work
from standingwatch.review.proposals import STANDING_HOURS
from standingwatch.review.visits import Trouble, TroubleAlarm

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
WORK_US = 1_773_478_800_000_000
BEFORE_H, AFTER_H = 80 * 24, 30 * 24
HOURS = np.arange(-BEFORE_H, AFTER_H)


def trouble(condition: Condition, raised_days: float = 10.0) -> Trouble:
    alarm = TroubleAlarm(condition, Severity.MINOR, WORK_US - round(raised_days * DAY_US))
    causes = (LikelyCause(Cause.CONNECTOR, 0.6, "it fits"),)
    return Trouble("RPT-1", condition, causes, "within-weeks", True, WORK_US - DAY_US, (), (alarm,))


def course(**columns: np.ndarray) -> Course:
    """A quiet line of rho 0.08 and 100 W, with some columns in place of it."""
    rng = np.random.default_rng(5)
    count = len(HOURS)
    rho = columns.pop("rho", np.full(count, 0.08)) + rng.normal(0, 0.004, count)
    rest = {
        "reports": np.full(count, 60),
        "usable": np.full(count, 30),
        "forward_w": np.full(count, 100.0),
        "rho_high": rho * 1.1,
        "precipitation": np.full(count, np.nan),
        **columns,
    }
    return Course(hour_us=WORK_US + HOURS * HOUR_US, rho_level=rho, **rest)


def work(days: float) -> Work:
    return Work(WORK_US, WORK_US, WORK_US + round(days * DAY_US))


def test_every_condition_that_calls_for_a_visit_has_its_measure() -> None:
    assert set(MEASURES) == set(STANDING_HOURS)
    assert measure_of(trouble(Condition.SWR_HIGH)) is Measure.MATCH


def test_without_a_baseline_the_first_limit_counts() -> None:
    # SWR 1.5 is rho 0.2.
    for after, wanted in ((0.12, Verdict.FIXED), (0.2, Verdict.NOT_YET), (0.3, Verdict.NOT_FIXED)):
        found = course(rho=np.where(HOURS < 0, 0.4, after))
        said = prove(trouble(Condition.SWR_HIGH), "RPT-1", found, work(7))
        assert said.verdict is wanted, said.reasons


def test_a_fault_of_a_day_is_compared_by_its_hours() -> None:
    found = course(rho=np.where((HOURS < 0) & (HOURS >= -20), 0.5, 0.08))
    said = prove(trouble(Condition.SWR_HIGH, 0.8), "RPT-1", found, work(6), baseline_rho=0.08)
    assert said.verdict is Verdict.FIXED
    assert said.before is not None
    assert said.before.days == 1
    assert said.before.mean == pytest.approx(0.5, abs=0.005)
    minutes = prove(trouble(Condition.SWR_HIGH, 0.1), "RPT-1", found, work(6), baseline_rho=0.08)
    assert minutes.verdict is Verdict.NOT_YET
    assert "nothing to compare with" in minutes.reasons[0]


def test_a_match_that_seemed_too_good_is_fixed_when_it_is_as_bad_as_before() -> None:
    found = course(rho=np.where((HOURS < 0) & (HOURS >= -40 * 24), 0.03, 0.1))
    said = prove(trouble(Condition.FEEDER_LOSS_RISING), "RPT-1", found, work(7), baseline_rho=0.1)
    assert said.verdict is Verdict.FIXED
    left = course(rho=np.where(HOURS >= -40 * 24, 0.03, 0.1))
    said = prove(trouble(Condition.FEEDER_LOSS_RISING), "RPT-1", left, work(7), baseline_rho=0.1)
    assert said.verdict is Verdict.NOT_FIXED


def test_power_is_compared_with_before_the_fault() -> None:
    rng = np.random.default_rng(2)
    noise = np.exp(rng.normal(0, 0.02, len(HOURS)))
    for after_w, wanted in ((100.0, Verdict.FIXED), (62.0, Verdict.NOT_FIXED)):
        forward_w = np.where(HOURS < -14 * 24, 100.0, np.where(HOURS < 0, 60.0, after_w)) * noise
        said = prove(trouble(Condition.FORWARD_POWER_LOW), "RPT-1", course(forward_w=forward_w), work(8))
        assert said.verdict is wanted, said.reasons
        assert said.unit == "dB"
        assert said.gain is not None
        # 100 W over 60 W are 2.22 dB.
        assert said.gain.mean == pytest.approx(10 * math.log10(after_w / 60.0), abs=0.1)


def test_rain_has_to_come_before_anything_can_be_said() -> None:
    wet = (HOURS % (3 * 24) >= 6) & (HOURS % (3 * 24) < 12)
    rain = np.where(wet, 1.0, 0.0)
    rho = np.where(wet & (HOURS < 0) & (HOURS > -30 * 24), 0.25, 0.08)
    what = trouble(Condition.SWR_WEATHER, 28.0)
    found = course(rho=rho, precipitation=rain)
    assert prove(what, "RPT-1", found, work(5), baseline_rho=0.08).verdict is Verdict.NOT_YET
    assert prove(what, "RPT-1", found, work(14), baseline_rho=0.08).verdict is Verdict.FIXED
    dry = course(rho=rho, precipitation=np.where(HOURS < 0, rain, 0.0))
    said = prove(what, "RPT-1", dry, work(14), baseline_rho=0.08)
    assert said.reasons == ("0 wet days since the work; it takes 3",)
    untold = prove(what, "RPT-1", course(rho=rho), work(14), baseline_rho=0.08)
    assert untold.reasons == ("nobody tells the rain there",)


def test_bursts_are_counted_by_days() -> None:
    burst = (HOURS // 24 % 3 == 0) & (HOURS % 24 == 5)
    calm = course(rho_high=np.where(burst & (HOURS < 0), 0.5, 0.1))
    what = trouble(Condition.SWR_INTERMITTENT, 20.0)
    said = {d: prove(what, "RPT-1", calm, work(d), baseline_rho=0.08).verdict for d in (3, 25)}
    assert said == {3: Verdict.NOT_YET, 25: Verdict.FIXED}
    goes_on = course(rho_high=np.where(burst, 0.5, 0.1))
    assert prove(what, "RPT-1", goes_on, work(7), baseline_rho=0.08).verdict is Verdict.NOT_FIXED


@pytest.mark.parametrize("counts", [(6, 14, 0, 14), (3, 10, 1, 9), (14, 14, 2, 5), (0, 9, 0, 9)])
def test_chance_is_fishers_exact_test(counts: tuple[int, int, int, int]) -> None:
    a, of_a, b, of_b = counts
    wanted = stats.fisher_exact([[b, of_b - b], [a, of_a - a]], alternative="less")
    assert chance_of_so_few(a, of_a, b, of_b) == pytest.approx(wanted.pvalue)


def test_reports_have_to_come_for_three_days() -> None:
    what = trouble(Condition.SITE_UNREACHABLE)
    back = course(reports=np.where((HOURS < 0) & (HOURS > -100), 0, 60))
    gone = course(reports=np.where(HOURS > -100, 0, 60))
    assert prove(what, "RPT-1", back, work(2.5)).verdict is Verdict.NOT_YET
    assert prove(what, "RPT-1", back, work(3.5)).verdict is Verdict.FIXED
    assert prove(what, "RPT-1", gone, work(3.5)).verdict is Verdict.NOT_FIXED


def test_a_measurement_is_judged_by_its_alarm() -> None:
    what, found = trouble(Condition.MEASUREMENT_SUSPECT), course()
    assert prove(what, "RPT-1", found, work(1)).verdict is Verdict.NOT_YET
    assert prove(what, "RPT-1", found, work(4)).verdict is Verdict.FIXED
    stands = prove(what, "RPT-1", found, work(4), in_alarm=("measurement-suspect",))
    assert stands.verdict is Verdict.NOT_FIXED


def test_levels_at_both_ends() -> None:
    # 0.1 at the transmitter and 3 dB one way: 0.19953 at the antenna, SWR 1.4985.
    at_tx, at_antenna = ends(Level(0.1, 0.0, 7, 6), 3.0)
    assert at_tx == pytest.approx((1.2222, 1.2222, 1.2222), abs=1e-4)
    assert at_antenna == pytest.approx((1.4985,) * 3, abs=1e-4)
    assert all(math.isnan(v) for v in ends(Level(0.1, 0.0, 7, 6), math.nan)[1])


def test_a_visit_is_fixed_when_all_of_it_is() -> None:
    fixed = Proof("a", Measure.MATCH, Verdict.FIXED, ())
    waits, failed = replace(fixed, verdict=Verdict.NOT_YET), replace(fixed, verdict=Verdict.NOT_FIXED)
    assert overall([fixed, fixed]) is Verdict.FIXED
    assert overall([fixed, waits]) is Verdict.NOT_YET
    assert overall([fixed, waits, failed]) is Verdict.NOT_FIXED
    assert overall([]) is Verdict.NOT_YET
