"""`swr-high`: how many readings it takes, hysteresis, severities, and the meter's rounding."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.interface import Finding, Maintenance
from standingwatch.detect.limits import Limits
from standingwatch.detect.words import Cause, Severity
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
        findings, _, _ = judge(fleet, readings, detectors=[Limits()], **more)
        return list(findings)

    return run


def brief(findings: list[Finding]) -> list[tuple[Severity, int]]:
    """Severity, and the number of the reading."""
    return [(f.severity, (f.time_us - START_US) // STEP_US) for f in findings]


def test_three_in_a_row_raise(told: Any) -> None:
    assert brief(told([1.2, 1.6, 1.6, 1.6, 1.6])) == [(Severity.WARNING, 3)]


def test_two_in_a_row_do_not(told: Any) -> None:
    assert told([1.2, 1.6, 1.6, 1.2, 1.6, 1.6, 1.45, 1.6, 1.6]) == []


def test_a_reading_between_margin_and_limit_keeps_the_alarm(told: Any) -> None:
    raised = [1.6] * 3
    assert brief(told([*raised, *[1.45] * 20])) == [(Severity.WARNING, 2)]
    assert brief(told([*raised, 1.39, 1.39, 1.45, 1.39, 1.39, 1.39])) == [
        (Severity.WARNING, 2),
        (Severity.CLEARED, 8),
    ]


@pytest.mark.parametrize(
    ("swr", "severity"),
    [
        (1.51, Severity.WARNING),
        (1.69, Severity.WARNING),
        (1.71, Severity.MINOR),
        (1.99, Severity.MINOR),
        (2.01, Severity.MAJOR),
        (2.99, Severity.MAJOR),
        (3.01, Severity.CRITICAL),
    ],
)
def test_each_severity_has_its_limit(told: Any, swr: float, severity: Severity) -> None:
    assert brief(told([swr] * 5)) == [(severity, 2)]


def test_just_under_the_lowest_limit_is_nothing(told: Any) -> None:
    assert told([1.49] * 50) == []


def test_severity_rises_falls_and_clears(told: Any) -> None:
    swr = [1.2] * 3 + [1.6] * 3 + [2.1] * 3 + [3.5] * 3 + [1.65] * 3 + [1.1] * 3
    assert brief(told(swr)) == [
        (Severity.WARNING, 5),
        (Severity.MAJOR, 8),
        (Severity.CRITICAL, 11),
        # 1.65 lies in the margin under 1.7: minor, which 3.5 latched on the way, stays.
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
    reflected_w = np.array([1.37, 2.0, 2.0, 2.0])
    readings = stream_of(fleet, SMALL, START_US + np.arange(4) * STEP_US, 45.0, reflected_w)
    findings, _, _ = judge(fleet, readings, detectors=[Limits()])
    # 2 W of 45 W: rho = 0.2108, SWR 1.534.
    assert brief(findings) == [(Severity.WARNING, 3)]
    assert findings[0].evidence["swr"] == pytest.approx(1.534, abs=5e-4)


def test_a_whole_watt_meter_with_more_than_rounding_raises(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    # 3 W stands for 2.5 W at least: SWR 1.61 or more with 45.5 W forward.
    readings = stream_of(fleet, SMALL, START_US + np.arange(4) * STEP_US, 45.0, 3.0)
    findings, _, _ = judge(fleet, readings, detectors=[Limits()])
    assert brief(findings) == [(Severity.WARNING, 2)]


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
    (drift,) = told([1.30, 1.34, 1.38, 1.42, 1.46, 1.49, 1.51, 1.52, 1.53], cuts=cuts)
    assert drift.evidence["swr_before"] == pytest.approx(1.49)
    assert drift.causes[0].cause is Cause.CONNECTOR


def test_readings_that_say_nothing_neither_raise_nor_break_a_run(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    forward_w = np.array([100.0, 0.0, 100.0, 0.0, 100.0])
    readings = stream_of(fleet, PLAIN, START_US + np.arange(5) * STEP_US, forward_w, forward_w * 0.35)
    findings, _, _ = judge(fleet, readings, detectors=[Limits()])
    assert brief(findings) == [(Severity.CRITICAL, 4)]
