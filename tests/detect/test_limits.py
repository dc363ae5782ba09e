"""`swr-high`: how many readings it takes, hysteresis, severities, and the meter's rounding."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.interface import Finding, Maintenance
from standingwatch.detect.limits import Limits, LimitSettings
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings import Fleet, Readings
from standingwatch.rf import rho_from_swr

START_US = 1_767_225_600_000_000
STEP_US = 300_000_000
INVENTORY = """\
site,transmitter,frequency_mhz,rated_power_w,pa_protection,foldback_swr,tolerance_swr
amber,plain,446,100,none,,10
amber,folds,446,100,foldback,2.2,
amber,small,446,50,none,,10
"""
PLAIN, FOLDS, SMALL = 0, 1, 2
#: The limits around the major one out of the way, so that one switch is seen alone.
MAJOR_ONLY = LimitSettings(warning_swr=1.99, minor_swr=1.995)


@pytest.fixture
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    return fleet_of(INVENTORY)


@pytest.fixture
def told(fleet: Fleet, stream_of: Callable[..., Readings], judge: Any) -> Callable[..., list[Finding]]:
    """The findings about readings of given SWR, five minutes apart."""

    def run(swr: Sequence[float], owner: int = PLAIN, **more: Any) -> list[Finding]:
        time_us = START_US + np.arange(len(swr)) * STEP_US
        # 100.003 W: a meter so fine that rounding hides nothing.
        reflected_w = 100.003 * rho_from_swr(np.asarray(swr, dtype=float)) ** 2
        readings = stream_of(fleet, owner, time_us, 100.003, reflected_w)
        more.setdefault("detectors", [Limits()])
        findings, _, _ = judge(fleet, readings, **more)
        return list(findings)

    return run


def brief(findings: list[Finding]) -> list[tuple[Severity, int]]:
    """Severity, and the number of the reading."""
    return [(f.severity, (f.time_us - START_US) // STEP_US) for f in findings]


CALM = [1.2] * 8 * 12
A_DAY = 24 * 12


def test_three_in_a_row_raise(told: Any) -> None:
    assert brief(told([1.2, 2.1, 2.1, 2.1, 2.1])) == [(Severity.MAJOR, 3)]


def test_two_in_a_row_do_not(told: Any) -> None:
    assert told([1.2, 2.1, 2.1, 1.2, 2.1, 2.1, 1.95, 2.1, 2.1], detectors=[Limits(MAJOR_ONLY)]) == []


def test_a_reading_between_margin_and_limit_keeps_the_alarm(told: Any) -> None:
    raised = [2.1] * 3
    more = {"detectors": [Limits(MAJOR_ONLY)]}
    assert brief(told([*raised, *[1.95] * 20], **more)) == [(Severity.MAJOR, 2)]
    assert brief(told([*raised, 1.89, 1.89, 1.95, 1.89, 1.89, 1.89], **more)) == [
        (Severity.MAJOR, 2),
        (Severity.CLEARED, 8),
    ]


@pytest.mark.parametrize(
    ("swr", "severity"),
    [
        (1.71, Severity.MINOR),
        (1.99, Severity.MINOR),
        (2.01, Severity.MAJOR),
        (2.99, Severity.MAJOR),
        (3.01, Severity.CRITICAL),
        (np.inf, Severity.CRITICAL),
    ],
)
def test_before_there_is_a_baseline_three_readings_decide(told: Any, swr: float, severity: Severity) -> None:
    assert brief(told([swr] * 5)) == [(severity, 2)]


@pytest.mark.parametrize("swr", [1.0, 1.49, 1.51, 1.69])
def test_before_there_is_a_baseline_the_lowest_limit_says_nothing(told: Any, swr: float) -> None:
    assert told([swr] * 50) == []


@pytest.mark.parametrize(
    ("swr", "severity"),
    [(1.6, Severity.WARNING), (1.8, Severity.MINOR)],
)
def test_against_a_baseline_the_lower_limits_ask_for_a_day(told: Any, swr: float, severity: Severity) -> None:
    assert told([*CALM, *[swr] * (A_DAY - 12)]) == []
    found = told([*CALM, *[swr] * (A_DAY + 12)])
    assert [f.severity for f in found] == [severity]
    assert brief(told([*CALM, *[swr] * (A_DAY // 2), 1.2, *[swr] * (A_DAY // 2 + 12)])) == []


@pytest.mark.parametrize(("swr", "severity"), [(2.1, Severity.MAJOR), (3.5, Severity.CRITICAL)])
def test_the_upper_limits_hold_at_once_with_a_baseline_too(told: Any, swr: float, severity: Severity) -> None:
    assert brief(told([*CALM, *[swr] * 6])) == [(severity, len(CALM) + 2)]


@pytest.mark.parametrize("swr", [1.55, 1.75, 1.9])
def test_a_line_that_always_stood_there_is_no_news(told: Any, swr: float) -> None:
    """Before there is a baseline a minor one may be told; nothing comes after it."""
    found = told([swr] * 3 * A_DAY)
    assert [f.severity for f in found] == ([Severity.MINOR] if swr >= 1.7 else [])
    assert all((f.time_us - START_US) // STEP_US == 2 for f in found)


def test_severity_rises_falls_and_clears(told: Any) -> None:
    swr = [1.2] * 3 + [1.8] * 3 + [2.1] * 3 + [3.5] * 3 + [1.85] * 3 + [1.1] * 3
    assert brief(told(swr)) == [
        (Severity.MINOR, 5),
        (Severity.MAJOR, 8),
        (Severity.CRITICAL, 11),
        (Severity.MINOR, 14),
        (Severity.CLEARED, 17),
    ]


def test_foldback_caps_the_critical_limit(told: Any) -> None:
    assert brief(told([2.25] * 3, FOLDS)) == [(Severity.CRITICAL, 2)]
    assert brief(told([2.15] * 3, FOLDS)) == [(Severity.MAJOR, 2)]
    assert brief(told([2.25] * 3, PLAIN)) == [(Severity.MAJOR, 2)]


def test_a_whole_watt_meter_that_flips_one_count_raises_nothing(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    rng = np.random.default_rng(1)
    for reflected_w in (rng.integers(1, 3, 2000), np.repeat([1, 2], 1000)):
        readings = stream_of(fleet, SMALL, START_US + np.arange(2000) * STEP_US, 45.0, reflected_w)
        findings, _, _ = judge(fleet, readings, detectors=[Limits()])
        assert findings == []


def test_a_finer_meter_with_the_same_readings_raises(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    time_us = START_US + np.arange(4) * STEP_US
    # 4 W of 45 W: SWR 1.85; in whole watts it stands for 3.5 W at least, 1.78, with 2 W for 1.5 W, 1.46.
    fine = stream_of(fleet, SMALL, time_us, 45.0, np.array([3.87, 4.0, 4.0, 4.0]))
    findings, _, _ = judge(fleet, fine, detectors=[Limits()])
    assert brief(findings) == [(Severity.MINOR, 2)]
    assert findings[0].evidence["swr"] == pytest.approx(1.85, abs=0.02)
    coarse = stream_of(fleet, SMALL, time_us, 45.0, np.array([3.0, 3.0, 3.0, 3.0]))
    findings, _, _ = judge(fleet, coarse, detectors=[Limits()])
    assert findings == []


def test_a_whole_watt_meter_with_more_than_rounding_raises(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    # 4 W stands for 3.5 W at least: SWR 1.77 or more with 45.5 W forward.
    readings = stream_of(fleet, SMALL, START_US + np.arange(4) * STEP_US, 45.0, 4.0)
    findings, _, _ = judge(fleet, readings, detectors=[Limits()])
    assert brief(findings) == [(Severity.MINOR, 2)]
    assert 1.7 < findings[0].evidence["swr_least"] < findings[0].evidence["swr"]


def test_work_on_record_suppresses(told: Any) -> None:
    work = Maintenance(
        transmitter=np.array([PLAIN]),
        start_us=np.array([START_US]),
        end_us=np.array([START_US + 9 * STEP_US]),
        renews_baseline=np.array([False]),
    )
    assert told([3.5] * 10, maintenance=work) == []
    assert brief(told([3.5] * 14, maintenance=work)) == [(Severity.CRITICAL, 12)]
    assert brief(told([3.5] * 10, FOLDS, maintenance=work)) == [(Severity.CRITICAL, 2)]


@pytest.mark.parametrize("cuts", [(), tuple(range(1, 9))], ids=["one block", "a block a reading"])
def test_the_reading_before_the_rise_tells_step_from_drift(told: Any, cuts: tuple[int, ...]) -> None:
    (step,) = told([1.2] * 6 + [3.5] * 3, cuts=cuts)
    assert step.evidence["swr_before"] == pytest.approx(1.2)
    assert step.causes[0].cause is Cause.ANTENNA_DAMAGE
    (drift,) = told([1.40, 1.44, 1.48, 1.49, 1.55, 1.60, 1.71, 1.72, 1.73], cuts=cuts)
    assert drift.evidence["swr_before"] == pytest.approx(1.49)
    assert drift.causes[0].cause is Cause.CONNECTOR


def test_readings_that_say_nothing_neither_raise_nor_break_a_run(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    forward_w = np.array([100.0, 0.0, 100.0, 0.0, 100.0])
    readings = stream_of(fleet, PLAIN, START_US + np.arange(5) * STEP_US, forward_w, forward_w * 0.35)
    findings, _, _ = judge(fleet, readings, detectors=[Limits()])
    assert brief(findings) == [(Severity.CRITICAL, 4)]


def test_an_alarm_ends_when_a_line_is_back_at_a_normal_near_the_limit(line: Any, tell: Any) -> None:
    """Or the alarm would stand for good, and whatever comes next would seem to have stood as long."""

    def rho(day: Any, _: int) -> Any:
        return np.where((day > 20.5) & (day < 21.5), rho_from_swr(2.6), rho_from_swr(1.46))

    course = tell(line(), rho, 25).course(Condition.SWR_HIGH)
    assert course[0][0] >= Severity.MAJOR
    assert course[-1][0] is Severity.CLEARED
    assert 21.5 < course[-1][1] < 22


@pytest.mark.parametrize(("begin", "cause"), [(28.5, Cause.ICE), (20.5, Cause.ANTENNA_DAMAGE)])
def test_what_gets_worse_in_frost_is_ice_unless_it_has_long_stood(
    line: Any, tell: Any, begin: float, cause: Cause
) -> None:
    weather = {
        "ambient_temperature_c": lambda day, _: np.where(day > 30, -4.0, 6.0),
        "precipitation": lambda day, _: np.where((day > 30.1) & (day < 30.5), 1.0, 0.0),
    }

    def rho(day: Any, _: int) -> Any:
        fault = np.where(day > begin, rho_from_swr(2.3), rho_from_swr(1.2))
        return np.where(day > 30.4, rho_from_swr(5.0), fault)

    told = tell(line(), rho, 32, columns=weather)
    mine = told.of(Condition.SWR_HIGH)
    assert mine[0].causes[0].cause is Cause.ANTENNA_DAMAGE
    assert (mine[-1].severity, mine[-1].causes[0].cause) == (Severity.CRITICAL, cause)
