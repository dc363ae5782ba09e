"""`foldback-active`: told by the report, or by a high ratio with low forward power; never by watts alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.rf import rho_from_swr

FOLDBACK = Condition.FOLDBACK_ACTIVE
READING = 1 / 48


def swr(low: float, high: float, begin: float = 20.5, end: float = np.inf) -> Any:
    return lambda day, _: np.where((day >= begin) & (day < end), rho_from_swr(high), rho_from_swr(low))


def power(high: float, low: float, begin: float = 20.5, end: float = np.inf) -> Any:
    return lambda day, _: np.where((day >= begin) & (day < end), low, high)


@pytest.fixture
def folds(line: Any) -> Any:
    return line(pa_protection="foldback", foldback_swr=2.5)


def test_a_high_ratio_with_low_power_is_foldback(folds: Any, tell: Any) -> None:
    told = tell(folds, swr(1.2, 3.0), 22, forward_w=power(95, 40))
    severity, day = told.course(FOLDBACK)[0]
    assert severity is Severity.MAJOR
    assert 20.5 < day < 20.5 + 6 * READING
    evidence = told.of(FOLDBACK)[0].evidence
    assert evidence["reported"] is False
    assert evidence["foldback_swr"] == 2.5
    assert evidence["baseline_forward_w"] == pytest.approx(95, abs=3)
    assert evidence["change_db"] == pytest.approx(10 * np.log10(40 / 95), abs=0.3)


def test_it_clears_when_the_match_is_back(folds: Any, tell: Any) -> None:
    course = tell(folds, swr(1.2, 3.0, 20.5, 21.5), 24, forward_w=power(95, 40, 20.5, 21.5)).course(FOLDBACK)
    assert [severity for severity, _ in course] == [Severity.MAJOR, Severity.CLEARED]
    assert 21.5 < course[1][1] < 21.5 + 12 * READING


def test_a_high_ratio_at_full_power_is_none(folds: Any, tell: Any) -> None:
    told = tell(folds, swr(1.2, 2.4), 22)
    assert told.of(FOLDBACK) == []
    assert told.of(Condition.SWR_HIGH) != []


def test_low_power_at_a_good_match_is_none(folds: Any, tell: Any) -> None:
    assert tell(folds, rho_from_swr(1.2), 23, forward_w=power(95, 40)).of(FOLDBACK) == []


def test_what_the_report_says_counts_at_once(line: Any, tell: Any) -> None:
    says = {"foldback": lambda day, _: ((day > 3.5) & (day < 4.5)).astype(float)}
    told = tell(line(), 0.1, 6, columns=says)
    course = told.course(FOLDBACK)
    assert [severity for severity, _ in course] == [Severity.MAJOR, Severity.CLEARED]
    assert 3.5 < course[0][1] < 3.5 + 6 * READING
    assert told.of(FOLDBACK)[0].evidence["reported"] is True
    assert tell(line(), 0.1, 6, columns={"foldback": 0.0}).findings == []


def test_a_single_report_of_it_is_none(line: Any, tell: Any) -> None:
    says = {"foldback": lambda day, _: (np.arange(len(day)) % 9 == 0).astype(float)}
    assert tell(line(), 0.1, 6, columns=says).of(FOLDBACK) == []


def test_an_amplifier_in_ice_is_iced(folds: Any, tell: Any) -> None:
    columns = {
        "ambient_temperature_c": lambda day, _: np.where((day > 20) & (day < 23), -4.0, 6.0),
        "precipitation": lambda day, _: np.where((day > 20.1) & (day < 20.4), 1.0, 0.0),
    }
    told = tell(folds, swr(1.2, 3.0, 20.5, 22), 26, forward_w=power(95, 40, 20.5, 22), columns=columns)
    assert told.leading(FOLDBACK)[-1] is Cause.ICE
    dry = tell(folds, swr(1.2, 3.0, 20.5, 22), 26, forward_w=power(95, 40, 20.5, 22))
    assert set(dry.leading(FOLDBACK)) == {Cause.ANTENNA_DAMAGE}


@pytest.mark.parametrize("odd", [0.0, np.nan])
def test_power_that_is_none_or_unknown_is_not_foldback(folds: Any, tell: Any, odd: float) -> None:
    assert tell(folds, swr(1.2, 3.0), 23, forward_w=power(95, odd)).of(FOLDBACK) == []
