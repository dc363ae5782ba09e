"""`swr-intermittent`: bursts on several days are a loose connection; rain, odd samples, levels are not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Cause, Condition, Severity

BURSTS = Condition.SWR_INTERMITTENT


def bursts(
    first: float, every: float, count: int, hours: float = 2.0, height: float = 0.3
) -> Callable[[Any, int], Any]:
    """A good match with bursts, a number of days apart."""

    def rho(day: Any, _: int) -> Any:
        values = np.full(len(day), 0.1)
        for i in range(count):
            begin = first + i * every
            values[(day >= begin) & (day < begin + hours / 24)] += height
        return values

    return rho


@pytest.mark.parametrize("hours", [0.7, 3.0])
def test_a_loose_connector_is_found(line: Any, tell: Any, hours: float) -> None:
    told = tell(line(expected_interval_s=600), bursts(20.6, 1.3, 8, hours), 40, every_s=600)
    course = told.course(BURSTS)
    # At least three days with a burst are wanted, and not more than a week of them.
    assert 22 < course[0][1] < 27
    assert Severity.MINOR in [severity for severity, _ in course]
    assert set(told.leading(BURSTS)) == {Cause.LOOSE_CONNECTION}
    assert told.of(Condition.SWR_RISING) == []
    assert told.of(BURSTS)[-1].evidence["swr"] > told.of(BURSTS)[-1].evidence["baseline_swr"] + 0.3


def test_it_clears_after_quiet_weeks(line: Any, tell: Any) -> None:
    course = tell(line(), bursts(20.6, 1.0, 6), 55).course(BURSTS)
    assert course[-1][0] is Severity.CLEARED
    assert 33 < course[-1][1] < 50


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_line_is_quiet(line: Any, tell: Any, seed: int) -> None:
    assert tell(line(), 0.1, 60, seed=seed).findings == []


def test_one_burst_is_not_yet_a_finding(line: Any, tell: Any) -> None:
    assert tell(line(), bursts(20.6, 1.0, 1), 40).of(BURSTS) == []


def test_rare_single_bad_samples_are_part_of_a_meters_life(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        values = np.full(len(day), 0.1)
        values[2000::401] = 0.5
        return values

    assert tell(line(expected_interval_s=600), rho, 60, every_s=600).findings == []


def test_a_level_that_stays_high_is_no_burst(line: Any, tell: Any) -> None:
    assert tell(line(), lambda day, _: np.where(day < 20, 0.1, 0.4), 40).of(BURSTS) == []


def test_bursts_in_the_rain_are_the_rain(line: Any, tell: Any) -> None:
    rho = bursts(20.6, 1.3, 8)
    columns = {"precipitation": lambda day, i: np.where(rho(day, i) > 0.2, 2.0, 0.0)}
    assert tell(line(), rho, 40, columns=columns).of(BURSTS) == []
    dry = {"precipitation": lambda day, _: np.zeros(len(day))}
    assert tell(line(), rho, 40, columns=dry).of(BURSTS) != []


def test_many_sites_on_the_same_days_are_weather(fleet_of: Any, tell: Any) -> None:
    text = "site,transmitter,frequency_mhz,region,expected_interval_s\n"
    fleet = fleet_of(text + "".join(f"s{i},main,446,north,1800\n" for i in range(6)))
    together = bursts(20.6, 1.0, 6)
    # Dry and warm by what the sites tell: it is their number alone that speaks.
    told = {"precipitation": 0.0, "ambient_temperature_c": 12.0}
    assert tell(fleet, together, 32, columns=told).of(BURSTS) == []
    assert tell(fleet, together, 32).of(BURSTS) == []
    alone = tell(fleet, lambda day, i: together(day, i) if i == 2 else 0.1, 32, columns=told)
    # One of six is more than the share that makes it weather, but it is one site.
    assert {f.transmitter for f in alone.of(BURSTS)} == {2}


def test_a_coarse_meters_rounding_is_no_burst(line: Any, tell: Any) -> None:
    assert tell(line(), 0.12, 40, step_w=1.0, forward_w=20.0).findings == []


def test_one_count_of_a_coarse_meter_is_no_burst(line: Any, tell: Any) -> None:
    """0.45 W is shown as none, 0.55 W as 1 W: it looks like a burst and may be almost nothing."""
    counts = bursts(20.6, 1.0, 8, height=0.066)
    told = tell(line(), lambda day, i: counts(day, i) + 0.05, 40, step_w=1.0, forward_w=20.0, noise=0.0)
    assert set(told.readings.reflected_w.tolist()) == {0.0, 1.0}
    assert told.of(BURSTS) == []


def test_what_is_not_a_number_is_no_burst(line: Any, tell: Any) -> None:
    def odd(value: float) -> Callable[[Any, int], Any]:
        return lambda day, i: np.where(bursts(20.6, 1.0, 6)(day, i) > 0.2, value, 0.1)

    for value in (np.nan, 0.0):
        assert tell(line(), odd(value), 32).of(BURSTS) == [], value


@pytest.mark.parametrize(("rising", "found"), [({0}, {0}), ({0, 1, 2}, set())])
def test_bursts_on_most_lines_of_a_site_at_once_are_no_connector(
    fleet_of: Any, tell: Any, rising: set[int], found: set[int]
) -> None:
    head = "site,transmitter,frequency_mhz,expected_interval_s\n"
    fleet = fleet_of(head + "".join(f"amber,a{i},44{i},1800\n" for i in range(4)))
    course = bursts(20.6, 1.0, 6)
    told = tell(fleet, lambda day, i: course(day, i) if i in rising else 0.1, 30)
    assert {f.transmitter for f in told.of(BURSTS)} == found


def grown(first: float, every: float, count: int, hours: float = 9.0) -> Callable[[Any, int], Any]:
    """A good match with humps that grow and waste over hours, a number of days apart."""

    def rho(day: Any, _: int) -> Any:
        values = np.full(len(day), 0.1)
        for i in range(count):
            phase = (day - first - i * every) / (hours / 24)
            values += 0.3 * np.where((phase > 0) & (phase < 1), np.sin(np.pi * phase), 0.0)
        return values

    return rho


WARM = {"precipitation": 0.0, "ambient_temperature_c": 12.0}


def test_what_grows_over_hours_may_be_ice_where_nobody_tells_the_temperature(line: Any, tell: Any) -> None:
    course = grown(20.6, 1.3, 8)
    untold, told = (
        tell(line(expected_interval_s=600), course, 40, every_s=600, columns=columns)
        for columns in ({}, WARM)
    )
    assert set(untold.leading(BURSTS)) == {Cause.ICE}
    assert set(told.leading(BURSTS)) == {Cause.LOOSE_CONNECTION}
    assert [told.of(BURSTS)[0].evidence[name] for name in ("temperature_told", "came_at_once")] == [
        True,
        False,
    ]
    sudden = tell(line(expected_interval_s=600), bursts(20.6, 1.3, 8, height=0.4), 40, every_s=600)
    assert set(sudden.leading(BURSTS)) == {Cause.LOOSE_CONNECTION}
    assert [sudden.of(BURSTS)[0].evidence[n] for n in ("temperature_told", "came_at_once")] == [False, True]


def test_no_cold_spell_lasts_for_ever(line: Any, tell: Any) -> None:
    told = tell(line(expected_interval_s=1200), grown(20.6, 2.0, 26), 72, every_s=1200)
    causes = told.leading(BURSTS)
    assert causes[0] is Cause.ICE
    assert causes[-1] is Cause.LOOSE_CONNECTION


def test_slow_bursts_at_some_sites_of_a_region_are_weather_where_nobody_tells(
    fleet_of: Any, tell: Any
) -> None:
    text = "site,transmitter,frequency_mhz,region,expected_interval_s\n"
    fleet = fleet_of(text + "".join(f"s{i // 2:02},t{i},446,north,1200\n" for i in range(22)))
    # For longer than what rises together is taken for weather hour by hour.
    slow = grown(20.6, 1.0, 16, 6.0)
    for columns, found in (({}, set()), (WARM, {0, 1, 2})):
        told = tell(fleet, lambda day, i: slow(day, i) if i < 3 else 0.1, 37, every_s=1200, columns=columns)
        assert {f.transmitter for f in told.of(BURSTS)} == found
