"""Readings at the edge of what can be: total reflection, more than that, and none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.readings import Fleet, Readings

START_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000


@pytest.fixture
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    head = "site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db,expected_interval_s"
    return fleet_of(f"{head}\namber,a1,446,100,1,1800\namber,a2,447,100,,1800\n")


@pytest.mark.parametrize(
    ("reflected_w", "swr"),
    [(100.0, np.inf), (110.0, np.inf), (124.9, np.inf), (99.9, None)],
    ids=["equal", "slightly above", "above", "just below"],
)
def test_total_reflection_is_critical_and_evidence_is_never_nan(
    fleet: Fleet,
    stream_of: Callable[..., Readings],
    judge: Any,
    reflected_w: float,
    swr: float | None,
) -> None:
    readings = stream_of(fleet, 0, START_US + np.arange(6) * 15 * MINUTE_US, 100.0, reflected_w)
    findings, _, _ = judge(fleet, readings)
    (found,) = [f for f in findings if f.condition is Condition.SWR_HIGH]
    assert found.severity is Severity.CRITICAL
    assert found.time_us == readings.time_us[2]
    got = found.evidence["swr"]
    assert isinstance(got, float)
    assert got == swr if swr is not None else 1000 < got < np.inf
    assert not [k for k, v in found.evidence.items() if isinstance(v, float) and np.isnan(v)]


def test_reflected_far_above_forward_is_a_fault_of_the_measurement(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    readings = stream_of(fleet, 0, START_US + np.arange(2 * 48 + 2) * 30 * MINUTE_US, 100.0, 130.0)
    findings, _, _ = judge(fleet, readings)
    assert [f.condition for f in findings] == [Condition.MEASUREMENT_SUSPECT]


def test_no_reflected_power_is_a_perfect_match(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    owner = 0
    readings = stream_of(
        fleet, owner, START_US + np.arange(200) * 15 * MINUTE_US + np.arange(200), 100.0, 0.0
    )
    findings, engine, steps = judge(fleet, readings)
    assert findings == []
    assert engine.quick["limits"]["last_swr"][0] == 1.0
    (baseline,) = [b for s in steps for b in s.baselines]
    assert baseline.rho == 0.0
