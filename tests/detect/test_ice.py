"""Ice as a cause: alarms that came with frost are put down to it, and no longer when it has thawed."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.ice import ICE_FIELDS, retold
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings import Fleet
from standingwatch.rf import rho_from_swr

TOLD_US = 1_767_225_600_000_000
FROST = np.array([True, False])


@pytest.fixture
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    return fleet_of("site,transmitter,frequency_mhz\namber,a1,446\nbirch,b1,446\n")


def record(raised_hours_ago: float, by_ice: bool) -> Any:
    made = np.zeros(2, dtype=ICE_FIELDS)
    made["raised_us"] = TOLD_US - round(raised_hours_ago * HOUR_US)
    made["by_ice"] = by_ice
    return made


def asked(made: Any, standing: bool, fleet: Fleet) -> list[int]:
    day: Any = SimpleNamespace(
        by_weather=lambda: FROST,
        clear=np.zeros(len(FROST), dtype=bool),
        temperature_told=np.ones(len(FROST), dtype=bool),
        told_us=TOLD_US,
        end_us=TOLD_US,
    )
    return retold(made, np.full(2, standing), day, fleet).tolist()


def test_a_fresh_alarm_of_a_day_with_frost_is_put_down_to_ice_once(fleet: Fleet) -> None:
    made = record(5, False)
    assert asked(made, True, fleet) == [0]
    assert made["by_ice"].tolist() == [True, False]
    assert asked(made, True, fleet) == []


def test_an_old_alarm_is_not(fleet: Fleet) -> None:
    made = record(100, False)
    assert asked(made, True, fleet) == []
    assert not made["by_ice"].any()


def test_a_day_without_frost_takes_it_back(fleet: Fleet) -> None:
    made = record(100, True)
    assert asked(made, True, fleet) == [1]
    assert made["by_ice"].tolist() == [True, False]


def test_what_does_not_stand_is_not_told(fleet: Fleet) -> None:
    made = record(5, True)
    assert asked(made, False, fleet) == []
    assert not made["by_ice"].any()


def winter(until: float) -> dict[str, Any]:
    return {
        "ambient_temperature_c": lambda day, _: np.where((day > 20) & (day < until), -4.0, 6.0),
        "precipitation": lambda day, _: np.where((day > 20.1) & (day < 20.5), 1.0, 0.0),
    }


def steps(end: float) -> Any:
    return lambda day, _: np.where((day > 20.4) & (day < end), rho_from_swr(3.5), rho_from_swr(1.2))


def test_an_alarm_that_comes_with_the_ice_and_goes_with_it(line: Any, tell: Any) -> None:
    told = tell(line(), steps(23.1), 27, columns=winter(23))
    assert set(told.leading(Condition.SWR_HIGH)) == {Cause.ICE}
    assert set(told.leading(Condition.SWR_STEP)) == {Cause.ICE}
    assert told.course(Condition.SWR_HIGH)[-1][0] is Severity.CLEARED


def test_what_stays_after_the_thaw_was_not_the_ice(line: Any, tell: Any) -> None:
    told = tell(line(), steps(np.inf), 30, columns=winter(23))
    for condition in (Condition.SWR_HIGH, Condition.SWR_STEP):
        causes = told.leading(condition)
        assert causes[0] is Cause.ICE
        assert causes[-1] is Cause.ANTENNA_DAMAGE
        assert 23 < told.day(told.of(condition)[-1]) < 26


def test_the_same_step_without_frost_is_never_ice(line: Any, tell: Any) -> None:
    told = tell(line(), steps(23.1), 27)
    assert Cause.ICE not in told.leading(Condition.SWR_HIGH) + told.leading(Condition.SWR_STEP)
    assert told.of(Condition.SWR_HIGH) != []
