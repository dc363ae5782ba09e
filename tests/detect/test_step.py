"""`swr-step`: large steps within a few readings, small ones within days, storms told from switching back."""

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
STEP = Condition.SWR_STEP
READING = 1 / 48


def step(low: float, high: float, at: float, until: float = np.inf) -> Callable[[Any, int], Any]:
    """SWR that steps at a day, and back at another."""
    return lambda day, _: np.where((day >= at) & (day < until), rho_from_swr(high), rho_from_swr(low))


def work(end_day: float, *, renews: bool) -> Maintenance:
    end_us = START_US + round(end_day * DAY_US)
    return Maintenance(
        np.array([0]), np.array([end_us - DAY_US // 12]), np.array([end_us]), np.array([renews])
    )


@pytest.mark.parametrize(
    ("swr", "least"), [(2.6, Severity.MINOR), (6.0, Severity.MAJOR), (40.0, Severity.MAJOR)]
)
def test_a_fallen_antenna_is_told_within_a_few_readings(
    line: Any, tell: Any, swr: float, least: Severity
) -> None:
    told = tell(line(), step(1.2, swr, 20.5), 22)
    severity, day = told.course(STEP)[0]
    assert severity >= least
    assert 20.5 < day < 20.5 + 6 * READING
    assert told.leading(STEP)[0] is Cause.ANTENNA_DAMAGE


def test_total_reflection_behind_a_lossy_feeder_is_told_though_no_limit_is_passed(
    line: Any, tell: Any
) -> None:
    def rho(day: Any, _: int) -> Any:
        return rho_at_transmitter(np.where(day < 20.5, 0.1, 1.0), 8.0)

    told = tell(line(feeder_loss_db=8.0), rho, 22)
    assert told.of(Condition.SWR_HIGH) == []
    severity, day = told.course(STEP)[0]
    assert severity is Severity.MAJOR
    assert day < 20.5 + 6 * READING


@pytest.mark.parametrize(("loss", "within"), [("", True), ("0.1", False)])
def test_where_the_loss_is_not_known_some_is_assumed(line: Any, tell: Any, loss: str, within: bool) -> None:
    """SWR 1.9 at the transmitter is over 2 at the antenna, unless the feeder is known to lose nothing."""
    course = tell(line(feeder_loss_db=loss), step(1.1, 1.9, 20.5), 22).course(STEP)
    assert any(day < 20.5 + 6 * READING for _, day in course) is within


@pytest.mark.parametrize(
    ("loss", "before_w", "after_w", "step_w"),
    [
        ("9.0", 0.3, 0.95, 0.1),
        ("9.0", 0.3, 0.95, 0.01),
        # Two counts.
        ("9.0", 0.5, 1.5, 0.5),
        ("", 1.5, 8.5, 0.5),
        # SWR 1.6, from none at all and from 1.26.
        ("", 0.0, 6.8, 0.1),
        ("", 1.75, 7.1, 0.1),
        # SWR 1.3 behind 9 dB that nobody has told.
        ("", 0.05, 2.1, 0.01),
    ],
)
def test_what_a_lossy_feeder_makes_small_is_told_within_three_readings(
    line: Any, tell: Any, loss: str, before_w: float, after_w: float, step_w: float
) -> None:
    """Every reading after it lies counts of the meter above any before it."""

    def rho(day: Any, _: int) -> Any:
        return np.sqrt(np.where(day >= 20.5, after_w, before_w) / 126.0)

    told = tell(line(feeder_loss_db=loss), rho, 22, forward_w=126.0, step_w=step_w)
    assert 20.5 < told.course(STEP)[0][1] < 20.5 + 3.5 * READING


def test_a_count_of_a_coarse_meter_behind_a_lossy_feeder_is_no_step(line: Any, tell: Any) -> None:
    """At 50 W and 9 dB half a watt more looks like SWR 2 and over at the antenna."""

    def rho(day: Any, _: int) -> Any:
        return np.sqrt(np.where((day >= 20.5) & (day < 20.9), 0.5, 0.0) / 50.0)

    told = tell(line(feeder_loss_db=9.0), rho, 22, forward_w=50.0, step_w=0.5)
    assert told.of(STEP) == []


@pytest.mark.parametrize(("hours", "at_once"), [(0.0, True), (6.0, False)])
def test_what_grew_over_hours_did_not_come_at_once(line: Any, tell: Any, hours: float, at_once: bool) -> None:
    def rho(day: Any, _: int) -> Any:
        grown = np.clip((day - 20.5) * 24 / hours, 0, 1) if hours else day >= 20.5
        return 0.1 + 0.6 * grown

    told = tell(line(), rho, 22, every_s=600.0)
    assert told.of(STEP)[0].evidence["came_at_once"] is at_once


@pytest.mark.parametrize("bad_rho", [0.95, 0.0])
def test_a_bad_reading_just_before_the_limit_is_passed_is_no_jump(
    line: Any, tell: Any, bad_rho: float
) -> None:
    """Far too high it begins the run in which ice grows past the limit, far too low it lends that height."""

    def rho(day: Any, _: int) -> Any:
        grown = 0.1 + 0.6 * np.clip((day - 20.5) * 24 / 6, 0, 1)
        return np.where(np.isclose((day - 20.5) * 144, 9), bad_rho, grown)

    told = tell(line(), rho, 22, every_s=600.0)
    assert [f.evidence["came_at_once"] for f in told.of(STEP)] == [False]


@pytest.mark.parametrize(("step_w", "at_once"), [(0.5, False), (0.01, True)])
def test_one_step_of_a_coarse_meter_is_no_jump(line: Any, tell: Any, step_w: float, at_once: bool) -> None:
    """Of 25 W such a meter shows rho 0 below 0.1, and 0.14 above it."""
    fleet = line(feeder_loss_db=6.0, rated_power_w=25)

    def rho(day: Any, _: int) -> Any:
        return np.where(day >= 20.5, 0.15, 0.02)

    told = tell(fleet, rho, 22, every_s=600.0, forward_w=25.0, step_w=step_w)
    assert told.of(STEP)[0].evidence["came_at_once"] is at_once


def test_a_small_step_that_stays_is_told_within_days_and_is_no_slow_rise(line: Any, tell: Any) -> None:
    told = tell(line(feeder_loss_db="0.5"), step(1.15, 1.5, 20.5), 40)
    assert [severity for severity, _ in told.course(STEP)] == [Severity.WARNING]
    assert 21 < told.course(STEP)[0][1] < 28
    assert told.of(Condition.SWR_RISING) == []
    assert told.leading(STEP)[0] is Cause.ANTENNA_DAMAGE


@pytest.mark.parametrize("high", [1.5, 3.5])
def test_a_step_that_goes_back_clears(line: Any, tell: Any, high: float) -> None:
    course = tell(line(), step(1.15, high, 20.5, 35.5), 50).course(STEP)
    assert course[0][0] > Severity.CLEARED
    assert course[-1][0] is Severity.CLEARED
    assert 35.5 < course[-1][1] < 44
    assert len([1 for severity, _ in course if severity is Severity.CLEARED]) == 1


def test_one_bad_hour_on_a_healthy_line_is_no_small_step(line: Any, tell: Any) -> None:
    """Where the feeder's loss is known: else it may hide an antenna that came down and was put up again."""
    assert tell(line(feeder_loss_db="0.5"), step(1.15, 1.45, 20.5, 20.6), 40).findings == []
    told = tell(line(feeder_loss_db=""), step(1.15, 1.45, 20.5, 20.6), 40)
    assert [severity for severity, _ in told.course(STEP)] == [Severity.WARNING, Severity.CLEARED]
    assert told.course(STEP)[1][1] < 21


def test_single_bad_readings_are_no_step(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        values = np.full(len(day), 0.1)
        values[1000::97] = 0.7
        return values

    assert tell(line(), rho, 40).of(STEP) == []


def test_a_retune_on_record_is_learned_and_not_told(line: Any, tell: Any) -> None:
    told = tell(line(), step(1.15, 1.42, 25.45), 60, maintenance=work(25.5, renews=True))
    assert told.findings == []
    assert [b.kind for b in told.baselines if told.day(b) > 25][:3] == ["opened", "provisional", "full"]
    assert told.state()["rho"] == pytest.approx(rho_from_swr(1.42), abs=0.01)


def test_a_visit_ends_a_step_though_the_transmitter_is_not_keyed_again(line: Any, tell: Any) -> None:
    def forward(day: Any, _: int) -> Any:
        return np.where(day < 20.6, 95.0, 0.0)

    rho = step(1.15, 4.0, 20.3)
    told = tell(line(), rho, 24, forward_w=forward, maintenance=work(20.7, renews=True))
    assert [severity for severity, _ in told.course(STEP)] == [Severity.MAJOR, Severity.CLEARED]
    assert 20.6 < told.course(STEP)[1][1] < 21.5
    idle = tell(line(), rho, 24, forward_w=forward)
    assert [severity for severity, _ in idle.course(STEP)] == [Severity.MAJOR]


@pytest.mark.parametrize("kind", ["none", "outage"])
def test_the_same_step_without_such_work_is_told(line: Any, tell: Any, kind: str) -> None:
    maintenance = Maintenance.none() if kind == "none" else work(25.5, renews=False)
    told = tell(line(), step(1.15, 1.42, 25.45), 60, maintenance=maintenance)
    assert 25.45 < told.day(told.of(STEP)[0]) < 34


def test_nothing_is_told_while_work_goes_on(line: Any, tell: Any) -> None:
    told = tell(line(), step(1.15, 30.0, 25.43, 25.49), 30, maintenance=work(25.5, renews=False))
    assert told.of(STEP) == []
    assert tell(line(), step(1.15, 30.0, 25.3, 25.4), 30, maintenance=work(25.5, renews=False)).of(STEP) != []


def test_total_reflection_none_and_no_number_are_defined(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: np.where(day < 20.5, 0.1, 1.0), 22, noise=0.0)
    severity, day = told.course(STEP)[0]
    assert (severity, day < 20.8) == (Severity.MAJOR, True)
    for finding in told.findings:
        assert not [k for k, v in finding.evidence.items() if isinstance(v, float) and np.isnan(v)]
    for odd in (np.nan, 0.0):
        assert tell(line(), lambda day, _, odd=odd: np.where(day < 20.5, 0.1, odd), 25).of(STEP) == []


def test_where_nobody_tells_the_rain_what_went_back_by_itself_has_to_stay_for_longer(
    line: Any, tell: Any
) -> None:
    def rho(day: Any, _: int) -> Any:
        return np.where(np.isin(np.floor(day), (20, 21)) | (day >= 23), 0.17, 0.1)

    warm = {"ambient_temperature_c": 12.0}
    told = tell(line(feeder_loss_db=1.0), rho, 36, columns=warm)
    assert 29 < told.day(told.of(STEP)[0]) < 33
    # Where it is told, and dry, there is nothing else that it could be.
    told = tell(line(feeder_loss_db=1.0), rho, 36, columns=warm | {"precipitation": 0.0})
    assert 25 < told.day(told.of(STEP)[0]) < 27
