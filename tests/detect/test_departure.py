"""`swr-rising`: slow rises are found early, quiet lines are left alone, work opens a new baseline."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.interface import BaselineChange, Finding, Maintenance
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings import Fleet, Readings
from standingwatch.rf import rho_at_transmitter, rho_from_swr, swr_from_rho

START_US = 1_767_225_600_000_000
HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
INVENTORY = """\
site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db
amber,main,446,100,1.0
"""
SPREAD_RHO = 0.006


@pytest.fixture
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    return fleet_of(INVENTORY)


@pytest.fixture
def told(fleet: Fleet, stream_of: Callable[..., Readings], judge: Any) -> Callable[..., Any]:
    """Findings and baselines about a course of rho at the transmitter, a function of the day."""

    def run(
        rho_of_day: Callable[[Any], Any], days: int, seed: int = 3, **more: Any
    ) -> tuple[list[Finding], list[BaselineChange]]:
        rng = np.random.default_rng(seed)
        # Ten minutes past the last hour's end and more: the hour is closed with the last reading.
        time_us = START_US + np.arange(days * 144 + 8) * (HOUR_US // 6)
        day = (time_us - START_US) / DAY_US
        daily = rng.normal(0, SPREAD_RHO / 3, days + 1)[np.floor(day).astype(int)]
        rho = np.abs(rho_of_day(day) + daily + rng.normal(0, SPREAD_RHO, len(day)))
        forward_w = np.round(rng.normal(95, 1, len(day)), 1)
        readings = stream_of(fleet, 0, time_us, forward_w, np.round(forward_w * rho**2, 2))
        findings, _, steps = judge(fleet, readings, **more)
        return findings, [b for s in steps for b in s.baselines]

    return run


def day_of(time_us: int) -> float:
    return (time_us - START_US) / DAY_US


def rising(findings: list[Finding]) -> list[Finding]:
    return [f for f in findings if f.condition is Condition.SWR_RISING]


@pytest.mark.parametrize("seed", range(4))
def test_a_slow_rise_is_found_before_the_limits_are(told: Any, seed: int) -> None:
    begin, length = 20, 60

    def rho(day: Any) -> Any:
        return rho_from_swr(1.2 + 0.8 * np.clip((day - begin) / length, 0, 1))

    findings, _ = told(rho, begin + length + 3, seed)
    first = rising(findings)[0]
    reached = begin + length * (1.7 - 1.2) / 0.8
    high = [f for f in findings if f.condition is Condition.SWR_HIGH and f.severity >= Severity.MINOR]
    assert begin < day_of(first.time_us) < reached - 14
    assert first.time_us < high[0].time_us - 14 * DAY_US
    minor = next(f for f in rising(findings) if f.severity is Severity.MINOR)
    assert minor.time_us < high[0].time_us
    assert [f.severity for f in rising(findings)] == [Severity.WARNING, Severity.MINOR]


@pytest.mark.parametrize("seed", range(4))
def test_a_quiet_line_raises_nothing_in_ninety_days(told: Any, seed: int) -> None:
    findings, _ = told(lambda day: np.full(len(day), rho_from_swr(1.25)), 90, seed)
    assert findings == []


def test_a_rise_that_stays_a_good_match_at_the_antenna_raises_nothing(told: Any) -> None:
    low, high = (float(rho_at_transmitter(rho_from_swr(s), 1.0)) for s in (1.05, 1.27))

    def rho(day: Any) -> Any:
        return low + (high - low) * np.clip((day - 20) / 20, 0, 1)

    findings, _ = told(rho, 60)
    assert findings == []
    # The rise itself is one that would be told at a poorer match: it is the floor that keeps it quiet.
    offset = float(rho_at_transmitter(rho_from_swr(1.35), 1.0)) - high
    shifted, _ = told(lambda day: rho(day) + offset, 60)
    assert [f.severity for f in rising(shifted)] == [Severity.WARNING]


def test_a_rise_that_goes_back_clears(told: Any) -> None:
    def rho(day: Any) -> Any:
        return np.where((day > 20) & (day < 30), rho_from_swr(1.6), rho_from_swr(1.2))

    findings, _ = told(rho, 40)
    severities = [(f.severity, day_of(f.time_us)) for f in rising(findings)]
    # Away from day 20 on, three whole days; back from day 30 on, three whole days.
    assert severities == [(Severity.MINOR, 23.0), (Severity.CLEARED, 33.0)]


def work(end_day: float, *, renews: bool) -> Maintenance:
    end_us = START_US + round(end_day * DAY_US)
    return Maintenance(
        transmitter=np.array([0]),
        start_us=np.array([end_us - 2 * HOUR_US]),
        end_us=np.array([end_us]),
        renews_baseline=np.array([renews]),
    )


def step_at(day_of_step: float) -> Callable[[Any], Any]:
    return lambda day: np.where(day < day_of_step, rho_from_swr(1.15), rho_from_swr(1.42))


def test_a_retune_with_a_step_opens_a_new_baseline(told: Any) -> None:
    findings, baselines = told(step_at(25.45), 60, maintenance=work(25.5, renews=True))
    assert rising(findings) == []
    opened = [b for b in baselines if b.kind == "opened"]
    assert [day_of(b.time_us) for b in opened] == [25.5]
    assert np.isnan(opened[0].rho)
    later = baselines[baselines.index(opened[0]) + 1 :]
    assert [b.kind for b in later] == ["provisional", "full"]
    for baseline in later:
        assert swr_from_rho(baseline.rho) == pytest.approx(1.42, abs=0.02)


@pytest.mark.parametrize("maintenance", [Maintenance.none(), work(25.5, renews=False)], ids=["none", "other"])
def test_the_same_step_without_such_work_is_told(told: Any, maintenance: Maintenance) -> None:
    findings, baselines = told(step_at(25.45), 60, maintenance=maintenance)
    # 1.42:1 behind 1 dB of feeder is 1.56:1 at the antenna: minor.
    assert [f.severity for f in rising(findings)] == [Severity.MINOR]
    assert 27 < day_of(rising(findings)[0].time_us) <= 29
    assert "opened" not in [b.kind for b in baselines]


def test_baselines_are_told_with_times_and_reasons(told: Any) -> None:
    _, baselines = told(lambda day: np.full(len(day), rho_from_swr(1.25)), 30)
    provisional, full = baselines
    assert (provisional.kind, provisional.time_us) == ("provisional", START_US + 6 * HOUR_US)
    assert (full.kind, full.time_us) == ("full", START_US + 14 * DAY_US)
    for baseline in baselines:
        assert baseline.transmitter == 0
        assert baseline.rho == pytest.approx(rho_from_swr(1.25), abs=0.006)
        assert 0 < baseline.spread < 0.02
    assert provisional.reason == "from the first 6 usable hours"
    assert full.reason == "from 14 days with data that did not drift"


def test_a_line_that_already_moves_is_not_taken_for_normal(told: Any) -> None:
    findings, baselines = told(lambda day: rho_from_swr(1.2 + day * 0.02), 30)
    assert [b.kind for b in baselines] == ["provisional"]
    assert rising(findings)[0].evidence["baseline_kind"] == "provisional"


@pytest.mark.parametrize("hours", [1, 7, 24, 100])
def test_baselines_do_not_depend_on_the_blocks(told: Any, fleet: Fleet, hours: int) -> None:
    course, visit = step_at(25.45), work(25.5, renews=True)
    whole = told(course, 45, maintenance=visit)
    cuts = list(range(hours * 6, 45 * 144, hours * 6))
    cut = told(course, 45, maintenance=visit, cuts=cuts)
    assert repr(cut[1]) == repr(whole[1])
    assert cut[0] == whole[0]
