"""`swr-weather`: ice is told while it matters, water that gets in is found, ordinary rain is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Cause, Condition, Severity

WEATHER = Condition.SWR_WEATHER
HOUR = 1 / 24
#: It rains for seven hours every third day.
RAIN_EVERY_DAYS, RAIN_HOURS = 3.0, 7.0


def rain(day: Any, _: int = 0) -> Any:
    return np.where((day - 0.3) % RAIN_EVERY_DAYS < RAIN_HOURS * HOUR, 2.0, 0.0)


def wetness(day: Any) -> Any:
    """1 in the rain, drying over some hours after it."""
    since = (day - 0.3) % RAIN_EVERY_DAYS
    return np.where(
        day < 0.3,
        0.0,
        np.where(since < RAIN_HOURS * HOUR, 1.0, np.exp(-(since - RAIN_HOURS * HOUR) * 24 / 6)),
    )


def suffers(normal: float, later: float, begin: float = 30) -> Callable[[Any, int], Any]:
    """rho rises with rain by so much, and by more from a day on."""
    return lambda day, _: 0.12 + np.where(day < begin, normal, later) * wetness(day)


MILD = {"precipitation": rain, "ambient_temperature_c": lambda day, _: np.full(len(day), 11.0)}


@pytest.mark.parametrize("seed", range(2))
def test_a_line_that_lets_water_in_is_found(line: Any, tell: Any, seed: int) -> None:
    told = tell(line(), suffers(0.02, 0.2), 60, columns=MILD, seed=seed)
    severity, day = told.course(WEATHER)[0]
    assert severity is Severity.MINOR
    # Several wet spells are wanted, three days apart.
    assert 30 + 2 * RAIN_EVERY_DAYS < day < 30 + 6 * RAIN_EVERY_DAYS
    assert told.leading(WEATHER)[0] is Cause.WATER
    evidence = told.of(WEATHER)[0].evidence
    assert evidence["wet_excess_rho"] == pytest.approx(0.2, abs=0.06)
    assert evidence["baseline_wet_excess_rho"] == pytest.approx(0.02, abs=0.02)


@pytest.mark.parametrize("normal", [0.0, 0.03, 0.15])
def test_a_line_that_suffers_as_it_always_did_is_quiet(line: Any, tell: Any, normal: float) -> None:
    assert tell(line(), suffers(normal, normal), 70, columns=MILD).findings == []


def test_it_clears_when_the_rain_does_no_harm_any_more(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        return 0.12 + np.where((day > 30) & (day < 50), 0.2, 0.02) * wetness(day)

    course = tell(line(), rho, 95, columns=MILD).course(WEATHER)
    assert course[0][0] > Severity.CLEARED
    assert course[-1][0] is Severity.CLEARED
    assert 60 < course[-1][1] < 93


def test_without_a_wet_day_in_the_baseline_there_is_nothing_to_compare(line: Any, tell: Any) -> None:
    columns = MILD | {"precipitation": lambda day, _: np.where(day < 20, 0.0, rain(day))}

    def rho(day: Any, _: int) -> Any:
        return 0.12 + np.where(day < 20, 0.0, 0.2) * wetness(day)

    assert tell(line(), rho, 50, columns=columns).of(WEATHER) == []


# Ice ----------------------------------------------------------------------------------------------------

FREEZES, THAWS = 25.3, 27.5


def cold(day: Any, _: int = 0) -> Any:
    return np.where((day > FREEZES) & (day < THAWS), -3.0, 4.0)


def snow(day: Any, _: int = 0) -> Any:
    return np.where((day > FREEZES + 0.1) & (day < FREEZES + 0.5), 1.0, 0.0)


WINTER = {"precipitation": snow, "ambient_temperature_c": cold}


def iced(rho: float) -> Callable[[Any, int], Any]:
    """rho while there is ice, from two hours of snow on until a few hours after the thaw sets in."""
    return lambda day, _: np.where((day > FREEZES + 0.18) & (day < THAWS + 0.1), rho, 0.12)


def test_ice_is_told_within_hours_and_goes_with_the_thaw(line: Any, tell: Any) -> None:
    told = tell(line(), iced(0.45), 40, columns=WINTER)
    (severity, begin), (last, end) = told.course(WEATHER)
    assert (severity, last) == (Severity.WARNING, Severity.CLEARED)
    assert FREEZES + 0.1 < begin < FREEZES + 0.5
    assert THAWS < end < THAWS + 0.3
    assert told.leading(WEATHER) == [Cause.ICE]
    assert Condition.SWR_RISING not in told.conditions()


@pytest.mark.parametrize(("iced_w", "told"), [(0.5, 0), (1.5, 2)])
def test_one_count_of_a_coarse_meter_is_no_ice(line: Any, tell: Any, iced_w: float, told: int) -> None:
    """At 25 W the first half watt reads as rho 0.14, behind 5 dB of feeder as SWR 2.6 at the antenna."""

    def rho(day: Any, _: int) -> Any:
        return np.sqrt(np.where(iced(0.45)(day, 0) > 0.12, iced_w, 0.0) / 25.0)

    fleet = line(feeder_loss_db=5.0, rated_power_w=25)
    course = tell(fleet, rho, 40, columns=WINTER, forward_w=25.0, step_w=0.5).course(WEATHER)
    assert len(course) == told


# With 2 days more, the close of that day takes the dependence on weather anew.
@pytest.mark.parametrize("shift", [0, 2])
def test_ice_that_comes_and_goes_within_a_day_is_the_same_hour_by_hour(
    line: Any, tell: Any, shift: int
) -> None:
    def outside(day: Any, _: int) -> Any:
        return cold(day - shift) + 2 * np.sin(5 * day)

    def rho(day: Any, _: int) -> Any:
        ice = (day > FREEZES + shift + 0.18) & (day < FREEZES + shift + 0.6)
        return np.where(ice, 0.45, 0.12 + 0.002 * outside(day, 0))

    winter = {"precipitation": lambda day, _: snow(day - shift), "ambient_temperature_c": outside}
    days = int(THAWS) + shift + 2
    # Readings come every half hour: in one piece, whose days are judged whole, and in pieces of an hour.
    whole = tell(line(), rho, days, columns=winter)
    cut = tell(line(), rho, days, columns=winter, cuts=range(2, len(whole.readings), 2))
    (severity, _), (last, end) = whole.course(WEATHER)
    assert (severity, last) == (Severity.WARNING, Severity.CLEARED)
    assert end < FREEZES + shift + 0.8
    assert whole.of(WEATHER) == cut.of(WEATHER)


def test_frost_and_snow_without_a_rise_are_quiet(line: Any, tell: Any) -> None:
    assert tell(line(), 0.12, 40, columns=WINTER).findings == []


def test_a_rise_in_rain_that_does_not_freeze_is_no_ice(line: Any, tell: Any) -> None:
    mild = WINTER | {"ambient_temperature_c": lambda day, _: np.full(len(day), 6.0)}
    assert Cause.ICE not in tell(line(), iced(0.45), 40, columns=mild).leading(WEATHER)


def test_dry_frost_where_rain_is_told_is_no_ice(line: Any, tell: Any) -> None:
    dry = WINTER | {"precipitation": lambda day, _: np.zeros(len(day))}
    assert tell(line(), iced(0.45), 40, columns=dry).of(WEATHER) == []


@pytest.mark.parametrize("odd", [np.nan, np.inf])
def test_weather_that_is_not_a_number_is_not_known(line: Any, tell: Any, odd: float) -> None:
    columns = dict.fromkeys(("precipitation", "ambient_temperature_c"), lambda day, _: np.full(len(day), odd))
    told = tell(line(), 0.12, 30, columns=columns)
    assert told.findings == []
    # As if nothing had been told of the weather at all.
    assert told.state()["rho"] == tell(line(), 0.12, 30).state()["rho"]
