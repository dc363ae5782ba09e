"""The forecast that goes with a rise: which limits, in what words, and how much time is left."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.rf import rho_from_swr

DAY_US = 86_400_000_000
RISING = Condition.SWR_RISING


def straight(begin: float, per_day: float) -> Any:
    return lambda day, _: 0.1 + per_day * np.clip(day - begin, 0, None)


def reaches(swr: float, begin: float, per_day: float) -> float:
    """The day on which a straight course is at an SWR."""
    return begin + (float(rho_from_swr(swr)) - 0.1) / per_day


@pytest.mark.parametrize("seed", range(2))
def test_a_straight_rise_is_told_when_it_gets_there(line: Any, tell: Any, seed: int) -> None:
    per_day = 0.004
    fleet = line(pa_protection="foldback", foldback_swr=1.8)
    told = tell(fleet, straight(20, per_day), 70, seed=seed)
    last = told.of(RISING)[-1]
    by_limit = {f.limit: f for f in last.forecast}
    assert set(by_limit) >= {"swr-1.5", "swr-2", "foldback"}
    assert by_limit["foldback"].swr == 1.8
    checked = 0
    for forecast in last.forecast:
        true_day = reaches(forecast.swr, 20, per_day)
        if forecast.says != "expected" or true_day < told.day(last):
            continue
        checked += 1
        assert forecast.earliest_us <= forecast.expected_us <= forecast.latest_us
        left = (forecast.expected_us - last.time_us) / DAY_US
        assert left == pytest.approx(true_day - told.day(last), rel=0.5, abs=4)
    assert checked >= 1


def test_less_time_left_is_graver(line: Any, tell: Any) -> None:
    fleet = line(pa_protection="foldback", foldback_swr=2.0)
    fast = tell(fleet, straight(20, 0.015), 35)
    slow = tell(fleet, straight(20, 0.0015), 60)
    assert Severity.MAJOR in [f.severity for f in fast.of(RISING)]
    assert slow.of(RISING)[0].severity is Severity.WARNING


def test_limits_that_are_not_known_are_left_out(line: Any, tell: Any) -> None:
    told = tell(line(foldback_swr=2.5), straight(20, 0.004), 60)
    limits = [f.limit for f in told.of(RISING)[-1].forecast]
    assert "swr-3" not in limits
    assert len(limits) == len(set(limits))
    assert all(np.isfinite(f.swr) for f in told.of(RISING)[-1].forecast)


def test_a_limit_that_is_passed_is_reached(line: Any, tell: Any) -> None:
    told = tell(line(), straight(20, 0.006), 65)
    last = told.of(RISING)[-1]
    passed = [f for f in last.forecast if reaches(f.swr, 20, 0.006) < told.day(last) - 5]
    assert [f.says for f in passed] == ["reached"] * len(passed)
    ahead = [f for f in last.forecast if reaches(f.swr, 20, 0.006) > told.day(last) + 5]
    assert "reached" not in [f.says for f in ahead]
    assert ahead


def test_an_end_has_no_forecast(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: 0.1 + 0.15 * np.interp(day, [20, 35, 40, 55], [0, 1, 1, 0]), 70)
    for finding in told.of(RISING):
        assert bool(finding.forecast) == (finding.severity is not Severity.CLEARED)
    assert told.of(RISING)[-1].severity is Severity.CLEARED
