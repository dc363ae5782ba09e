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
    made["raised_swr"] = 2.5
    return made


def asked(
    made: Any, standing: bool, fleet: Fleet, *, told: bool = True, frost: Any = FROST, back: bool = False
) -> list[int]:
    day: Any = SimpleNamespace(
        by_weather=lambda: frost,
        clear=np.zeros(len(FROST), dtype=bool),
        temperature_told=np.full(len(FROST), told),
        went_back=np.array([back, False]),
        low_rho=np.full(len(FROST), 0.4),
        normal_rho=np.full(len(FROST), 0.1),
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


NO_FROST = np.zeros(2, dtype=bool)


def test_what_goes_back_by_itself_may_be_ice_where_nobody_tells_the_temperature(fleet: Fleet) -> None:
    for told in (True, False):
        made = record(100, False)
        assert asked(made, True, fleet, told=told, frost=NO_FROST, back=True) == ([] if told else [0])
    # It is as long as it goes back, and not any more when it has held.
    assert asked(made, True, fleet, told=False, frost=NO_FROST, back=True) == []
    assert asked(made, True, fleet, told=False, frost=NO_FROST) == [0]
    assert not made["by_ice"].any()


def test_in_frost_what_goes_back_by_itself_is_ice_however_long_it_lasts(fleet: Fleet) -> None:
    made = record(40 * 24, True)
    assert asked(made, True, fleet, back=True) == [1]
    # What went back is as new: only a month later it is given up, and is ice again when it wastes.
    assert asked(made, True, fleet) == []
    made["raised_us"][0] -= 31 * 24 * HOUR_US
    assert asked(made, True, fleet) == [0]
    assert made["not_ice_us"].tolist() == [TOLD_US, TOLD_US]
    assert asked(made, True, fleet, back=True) == [0]
    assert (made["by_ice"].tolist(), made["not_ice_us"].tolist()) == ([True, False], [0, TOLD_US])


def test_since_when_it_is_not_ice_stays_with_an_alarm_that_gets_worse(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        high = np.where(day > 33.5, rho_from_swr(9.0), rho_from_swr(2.3))
        return np.where(day > 20.4, high, rho_from_swr(1.2))

    told = tell(line(), rho, 36, columns=winter(23))
    for condition in (Condition.SWR_HIGH, Condition.SWR_STEP):
        given_up = next(f for f in told.of(condition) if f.causes[0].cause is not Cause.ICE)
        assert given_up.evidence["not_ice_since_us"] == given_up.time_us
    worse = told.of(Condition.SWR_HIGH)[-1]
    assert told.day(worse) > 33
    assert worse.severity is Severity.CRITICAL
    assert worse.evidence["not_ice_since_us"] == told.of(Condition.SWR_HIGH)[-2].time_us


def test_what_melted_most_of_the_way_is_not_given_up_before_it_has_stood_on(fleet: Fleet) -> None:
    for hours_ago, given_up in ((100, []), (300, [0, 1])):
        made = record(hours_ago, True)
        made["raised_swr"] = 9.0
        assert asked(made, True, fleet, frost=NO_FROST) == given_up


def test_the_same_step_in_mild_weather_is_never_ice(line: Any, tell: Any) -> None:
    mild = {"ambient_temperature_c": lambda day, _: np.full(len(day), 9.0)}
    told = tell(line(), steps(23.1), 27, columns=mild)
    assert Cause.ICE not in told.leading(Condition.SWR_HIGH) + told.leading(Condition.SWR_STEP)
    assert told.of(Condition.SWR_HIGH) != []
