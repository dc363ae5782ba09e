"""`swr-rising`: slow rises are found before the limits are, healthy lines are left alone, work ends it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.rf import rho_at_transmitter, rho_from_swr

START_US = 1_767_225_600_000_000
DAY_US = 86_400_000_000
RISING = Condition.SWR_RISING


def creep(low: float, high: float, begin: float, length: float) -> Callable[[Any, int], Any]:
    """SWR at the transmitter that creeps from one value to another."""
    return lambda day, _: rho_from_swr(low + (high - low) * np.clip((day - begin) / length, 0, 1))


def work(end_day: float, *, renews: bool) -> Maintenance:
    end_us = START_US + round(end_day * DAY_US)
    return Maintenance(
        np.array([0]), np.array([end_us - DAY_US // 12]), np.array([end_us]), np.array([renews])
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_corroding_connector_is_found_before_the_limits_are(line: Any, tell: Any, seed: int) -> None:
    told = tell(line(feeder_loss_db=1.0), creep(1.2, 2.0, 20, 60), 83, seed=seed)
    first = told.of(RISING)[0]
    high = [f for f in told.of(Condition.SWR_HIGH) if f.severity >= Severity.MINOR]
    assert 20 < told.day(first) < told.day(high[0]) - 14
    severities = [f.severity for f in told.of(RISING)]
    assert severities == sorted(severities)
    assert severities[-1] >= Severity.MINOR
    # However high it gets: slow is no step.
    assert told.of(Condition.SWR_STEP) == []


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_line_is_quiet(line: Any, tell: Any, seed: int) -> None:
    assert tell(line(feeder_loss_db=1.0), rho_from_swr(1.25), 90, seed=seed).findings == []


def test_a_rise_that_stays_a_good_match_is_quiet_and_a_poorer_one_is_not(line: Any, tell: Any) -> None:
    low, high = (float(rho_at_transmitter(rho_from_swr(s), 1.0)) for s in (1.03, 1.24))

    def rho(day: Any, _: int) -> Any:
        return low + (high - low) * np.clip((day - 20) / 20, 0, 1)

    assert tell(line(feeder_loss_db=1.0), rho, 60).findings == []
    # The same rise from a poorer match: it is the floor that keeps the first one quiet.
    shifted = tell(line(feeder_loss_db=1.0), lambda day, i: rho(day, i) + 0.1, 60)
    assert 20 < shifted.day(shifted.of(RISING)[0]) < 50


def test_a_rise_that_goes_back_clears(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        return 0.1 + 0.15 * np.interp(day, [20, 35, 40, 55], [0, 1, 1, 0])

    course = tell(line(), rho, 70).course(RISING)
    assert course[0][0] > Severity.CLEARED
    assert course[-1][0] is Severity.CLEARED
    assert 45 < course[-1][1] < 65
    assert [severity for severity, _ in course].count(Severity.CLEARED) == 1


def test_a_visit_ends_it_and_the_mended_line_is_quiet(line: Any, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return np.where(day < 50.4, creep(1.2, 1.8, 20, 40)(day, i), rho_from_swr(1.15))

    told = tell(line(), rho, 80, maintenance=work(50.5, renews=True))
    course = told.course(RISING)
    assert [severity for severity, _ in course].count(Severity.CLEARED) == 1
    assert course[-1][0] is Severity.CLEARED
    assert course[-1][1] == pytest.approx(51, abs=0.5)
    assert "new baseline" in str(told.of(RISING)[-1].evidence["why"])
    assert [f for f in told.findings if told.day(f) > 51.5] == []


def test_evidence_names_level_baseline_and_what_it_costs(line: Any, tell: Any) -> None:
    told = tell(line(feeder_loss_db=1.0), creep(1.2, 2.0, 20, 40), 70)
    evidence = told.of(RISING)[-1].evidence
    assert evidence["baseline_kind"] == "full"
    assert evidence["baseline_swr"] == pytest.approx(1.2, abs=0.05)
    assert evidence["change_rho"] > evidence["limit_change_rho"] > 0
    assert evidence["swr_at_antenna"] > evidence["swr"] > evidence["baseline_swr"]
    assert evidence["swr_at_antenna_least"] < evidence["swr_at_antenna"] < evidence["swr_at_antenna_most"]
    assert evidence["return_loss_db"] < evidence["baseline_return_loss_db"]
    assert evidence["lost_db"] > evidence["lost_db_baseline"] > 1.0


def test_a_lossy_feeder_hides_part_of_a_rise_and_it_is_found_all_the_same(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        at_antenna = 0.15 + 0.3 * np.clip((day - 20) / 40, 0, 1)
        return rho_at_transmitter(at_antenna, 3.0)

    told = tell(line(feeder_loss_db=3.0), rho, 65)
    assert 20 < told.day(told.of(RISING)[0]) < 55
    assert tell(line(feeder_loss_db=3.0), rho_at_transmitter(0.15, 3.0), 65).findings == []


def test_a_coarse_meter_finds_a_rise_and_is_quiet_without_one(line: Any, tell: Any) -> None:
    whole_watts = {"step_w": 1.0, "forward_w": 50.0, "every_s": 600.0}
    assert tell(line(), rho_from_swr(1.35), 60, **whole_watts).findings == []
    told = tell(line(), creep(1.35, 2.4, 20, 40), 62, **whole_watts)
    assert 20 < told.day(told.of(RISING)[0]) < 50


def test_hot_days_are_no_rise(line: Any, tell: Any) -> None:
    """A match that moves with the temperature, and a season that gets warmer."""

    def warmth(day: Any, _: int = 0) -> Any:
        return 5 + 8 * np.sin(2 * np.pi * (day - 0.4)) + 0.35 * day

    def rho(day: Any, _: int) -> Any:
        return 0.12 + 0.0015 * (warmth(day) - 5)

    columns = {"ambient_temperature_c": warmth}
    assert tell(line(), rho, 90, columns=columns).of(RISING) == []
    blind = tell(line(), rho, 90)
    assert blind.of(RISING) != []


def test_what_is_not_a_number_is_never_a_finding(line: Any, tell: Any) -> None:
    def forward(day: Any, _: int) -> Any:
        values = np.full(len(day), 95.0)
        values[::3], values[1::3] = np.nan, 0.0
        return values

    for rho in (0.0, np.nan):
        assert tell(line(), rho, 25, noise=0.0).findings == [], rho
    assert tell(line(), 0.1, 25, forward_w=forward).findings == []


def test_a_member_of_a_line_rises_alone_and_its_cause_is_not_shared(fleet_of: Any, tell: Any) -> None:
    text = "site,transmitter,frequency_mhz,antenna_line,expected_interval_s\n"
    fleet = fleet_of(text + "".join(f"amber,a{i},44{i},top,1800\n" for i in range(3)))
    told = tell(fleet, lambda day, i: creep(1.2, 1.9, 20, 40)(day, i) if i == 1 else 0.1, 60)
    assert {f.transmitter for f in told.of(RISING)} == {1}
    assert Cause.SHARED_ANTENNA_SYSTEM not in told.leading(RISING)
    assert "none of the 2 others" in told.of(RISING)[0].causes[0].because


def test_in_frost_what_went_back_and_came_again_is_ice_for_a_month_more(line: Any, tell: Any) -> None:
    frost = {
        "ambient_temperature_c": lambda day, _: np.where(day > 20, -4.0, 6.0),
        "precipitation": lambda day, _: np.where((day > 20.1) & (day < 20.5), 1.0, 0.0),
    }

    def rho(day: Any, _: int) -> Any:
        return 0.1 + 0.012 * np.where(day < 44.5, np.clip(day - 20.5, 0, 8), np.clip(day - 45.5, 0, 8))

    told = tell(line(feeder_loss_db=1.0), rho, 68, columns=frost)
    assert set(told.leading(RISING)) == {Cause.ICE}
