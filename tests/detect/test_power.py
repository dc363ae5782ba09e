"""`forward-power-low`: an amplifier that ages or fails is found, switching and small changes are not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Cause, Condition, Severity

START_US = 1_767_225_600_000_000
DAY_US = 86_400_000_000
POWER = Condition.FORWARD_POWER_LOW


def falls(db: float, begin: float = 20, length: float = 30) -> Callable[[Any, int], Any]:
    return lambda day, _: 95.0 * 10 ** (-0.1 * db * np.clip((day - begin) / length, 0, 1))


@pytest.mark.parametrize("seed", range(2))
def test_an_ageing_amplifier_is_found(line: Any, tell: Any, seed: int) -> None:
    told = tell(line(), 0.1, 65, forward_w=falls(3.0), seed=seed)
    course = told.course(POWER)
    assert 20 < course[0][1] < 45
    assert [severity for severity, _ in course] == [Severity.WARNING, Severity.MINOR]
    assert set(told.leading(POWER)) == {Cause.AMPLIFIER}
    assert told.conditions() == {POWER}
    evidence = told.of(POWER)[-1].evidence
    assert evidence["forward_w"] < evidence["baseline_forward_w"] == pytest.approx(95, abs=2)
    assert evidence["abrupt"] is False


def test_a_failed_stage_is_told_when_it_has_stayed(line: Any, tell: Any) -> None:
    told = tell(line(), 0.1, 50, forward_w=falls(3.0, 20.4, 0.01))
    assert 22 < told.course(POWER)[0][1] < 40
    assert told.leading(POWER)[0] is Cause.AMPLIFIER
    assert told.of(POWER)[0].evidence["abrupt"] is True


def test_power_that_is_switched_for_some_days_is_no_fault(line: Any, tell: Any) -> None:
    def forward(day: Any, _: int) -> Any:
        return np.where((day > 20.5) & (day < 26.5), 47.0, 95.0)

    assert tell(line(), 0.1, 50, forward_w=forward).findings == []


@pytest.mark.parametrize("begin", [0, 20])
def test_power_that_is_switched_every_night_is_no_fault(line: Any, tell: Any, begin: float) -> None:
    def forward(day: Any, _: int) -> Any:
        return np.where((day >= begin) & (day % 1 < 0.4), 47.0, 95.0)

    assert tell(line(), 0.1, 50, forward_w=forward).findings == []


def test_a_visit_ends_it(line: Any, tell: Any) -> None:
    end_us = START_US + round(48.5 * DAY_US)
    visit = Maintenance(
        np.array([0]), np.array([end_us - DAY_US // 12]), np.array([end_us]), np.array([True])
    )
    course = tell(line(), 0.1, 60, forward_w=falls(3.0, length=15), maintenance=visit).course(POWER)
    assert course[-1][0] is Severity.CLEARED
    assert 48.5 < course[-1][1] < 49.5


@pytest.mark.parametrize("db", [0.0, 0.4])
def test_a_healthy_amplifier_is_quiet(line: Any, tell: Any, db: float) -> None:
    assert tell(line(), 0.1, 70, forward_w=falls(db)).findings == []


def test_it_clears_when_the_power_is_back(line: Any, tell: Any) -> None:
    def forward(day: Any, _: int) -> Any:
        return 95.0 * 10 ** (-0.3 * np.interp(day, [20, 40, 45, 55], [0, 1, 1, 0]))

    course = tell(line(), 0.1, 70, forward_w=forward).course(POWER)
    assert course[-1][0] is Severity.CLEARED
    assert 47 < course[-1][1] < 62


def test_a_visit_opens_a_new_baseline_of_power(line: Any, tell: Any) -> None:
    end_us = START_US + round(30.5 * DAY_US)
    visit = Maintenance(
        np.array([0]), np.array([end_us - DAY_US // 12]), np.array([end_us]), np.array([True])
    )
    told = tell(line(), 0.1, 70, forward_w=falls(3.0, 30.45, 0.01), maintenance=visit)
    assert told.findings == []


def test_power_that_is_folded_back_is_told_as_that(line: Any, tell: Any) -> None:
    fleet = line(pa_protection="foldback", foldback_swr=2.0)

    def rho(day: Any, _: int) -> Any:
        return 0.1 + 0.35 * np.clip((day - 20) / 10, 0, 1)

    told = tell(fleet, rho, 50, forward_w=falls(3.0, 29, 3))
    assert told.of(POWER) == []
    assert told.of(Condition.FOLDBACK_ACTIVE) != []


def test_an_unkeyed_transmitter_has_no_low_power(line: Any, tell: Any) -> None:
    keyed = {"keyed": lambda day, _: (day < 25).astype(float)}

    def forward(day: Any, _: int) -> Any:
        return np.where(day < 25, 95.0, 0.0)

    assert tell(line(), 0.1, 50, forward_w=forward, columns=keyed).findings == []


def test_what_is_not_a_number_is_no_low_power(line: Any, tell: Any) -> None:
    told = tell(line(), 0.1, 50, forward_w=lambda day, _: np.where(day < 25, 95.0, np.nan))
    assert told.of(POWER) == []
