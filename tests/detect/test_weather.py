"""Weather by site and hour: told by the site, its region, or the region's own readings."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from standingwatch.detect import weather
from standingwatch.detect.rollup import HOUR_US, Hours, roll_up
from standingwatch.detect.weather import SITE_STATE, HourWeather, hour_weather, may_be_iced
from standingwatch.readings import Fleet, Readings

START_US = 1_767_225_600_000_000
NAN = float("nan")
INVENTORY = """\
site,transmitter,frequency_mhz,region
amber,a1,446,north
amber,a2,447,north
birch,b1,446,north
cedar,c1,446,south
"""
AMBER, BIRCH, CEDAR = 0, 1, 2


@dataclass
class Course:
    """Hours of weather as they are fed: one value per transmitter and hour, or one per hour."""

    fleet: Fleet
    sites: Any

    def hours(self, first: int, count: int, **columns: Any) -> Hours:
        n = len(self.fleet)
        at = np.repeat(np.arange(first, first + count), n)
        readings: dict[str, Any] = {
            "transmitter": np.tile(np.arange(n), count),
            "time_us": START_US + at * HOUR_US,
            "forward_w": np.full(n * count, 95.0),
            "reflected_w": np.full(n * count, 1.0),
        }
        for name, values in columns.items():
            table = np.asarray(values, dtype=np.float64)
            table = table[:, None] if table.ndim == 1 else table
            readings[name] = np.broadcast_to(table, (count, n)).ravel()
        return roll_up(Readings.from_columns(readings))

    def pass_by(self, first: int, count: int, moved: Any = None, **columns: Any) -> HourWeather:
        hours = self.hours(first, count, **columns)
        normal = np.full(len(hours), NAN)
        if moved is not None:
            normal = (
                hours.rho_median - 0.01 * np.broadcast_to(np.asarray(moved), (count, len(self.fleet))).ravel()
            )
        return hour_weather(hours, self.fleet, self.sites, normal, np.full(len(hours), 0.01))

    def of(self, values: Any, transmitter: int) -> list[Any]:
        """The course of one transmitter."""
        return np.asarray(values).reshape(-1, len(self.fleet))[:, transmitter].tolist()


@pytest.fixture
def course(fleet_of: Callable[[str], Fleet]) -> Callable[..., Course]:
    def build(text: str = INVENTORY) -> Course:
        fleet = fleet_of(text)
        sites = np.zeros(len(fleet.site_names), dtype=SITE_STATE)
        weather.initial(sites)
        return Course(fleet, sites)

    return build


def test_an_antenna_is_wet_in_the_rain_and_dries_over_hours(course: Any) -> None:
    one = course()
    wet = one.of(one.pass_by(0, 30, precipitation=[0.0] * 3 + [2.0] * 2 + [0.0] * 25).wet, 0)
    assert wet[:5] == [0, 0, 0, 1, 1]
    assert all(a > b for a, b in itertools.pairwise(wet[4:]))
    # Half dry within some hours, dry within a day.
    assert 0.3 < wet[8] < 0.8
    assert wet[-1] < weather.DRY


def test_what_a_site_does_not_tell_its_region_tells(course: Any) -> None:
    one = course()
    temperature = np.full((2, 4), NAN)
    temperature[:, 0], temperature[:, 1], temperature[:, 3] = 4.0, 6.0, 20.0
    seen = one.pass_by(0, 2, ambient_temperature_c=temperature)
    assert one.of(seen.temperature_c, 0) == [5, 5]
    assert one.of(seen.temperature_c, 2) == [5, 5]
    assert one.of(seen.temperature_c, 3) == [20, 20]


def test_a_region_that_tells_nothing_knows_nothing(course: Any) -> None:
    one = course()
    temperature = np.full((2, 4), NAN)
    temperature[:, 3] = 20.0
    seen = one.pass_by(0, 2, ambient_temperature_c=temperature, precipitation=np.full((2, 4), NAN))
    assert np.isnan(one.of(seen.temperature_c, 0)).all()
    assert seen.wet.tolist() == [0] * 8
    assert not seen.iced.any()
    assert np.isnan(seen.wind_mps).all()


def test_an_old_temperature_is_forgotten(course: Any) -> None:
    one = course()
    seen = one.pass_by(0, 8, ambient_temperature_c=[7.0] + [NAN] * 7)
    known = np.isfinite(one.of(seen.temperature_c, 0))
    assert known[:3].all()
    assert not known[-2:].any()


@pytest.mark.parametrize(("temperature_c", "iced"), [(-2.0, True), (0.0, True), (3.0, False), (NAN, False)])
def test_ice_comes_at_freezing_with_precipitation(course: Any, temperature_c: float, iced: bool) -> None:
    one = course()
    seen = one.pass_by(0, 3, ambient_temperature_c=[temperature_c] * 3, precipitation=[0.0, 1.0, 0.0])
    assert one.of(seen.iced, 0) == [False, iced, iced]


def test_ice_stays_until_it_has_thawed(course: Any) -> None:
    one = course()
    seen = one.pass_by(
        0,
        50,
        ambient_temperature_c=[-3.0] * 20 + [0.7] * 5 + [5.0] * 25,
        precipitation=[1.0] + [0.0] * 49,
    )
    iced = one.of(seen.iced, 0)
    assert iced[:25] == [True] * 25
    # Gone within a day of thaw, once and for all.
    assert sorted(iced, reverse=True) == iced
    assert not iced[-1]
    assert one.of(seen.wet, 0)[-1] < weather.DRY


def test_dry_frost_may_be_ice_only_where_nobody_tells_rain(course: Any) -> None:
    for precipitation, maybe in ((NAN, True), (0.0, False)):
        one = course()
        seen = one.pass_by(0, 2, ambient_temperature_c=[-3.0] * 2, precipitation=[precipitation] * 2)
        assert not seen.iced.any()
        assert seen.frost.all() == maybe
        assert may_be_iced(one.sites).all() == maybe
        after_us = START_US + 2 * HOUR_US
        assert seen.frost_at(AMBER, after_us, 0) is maybe
        # Not before the first of those hours had closed.
        assert seen.frost_at(AMBER, START_US + HOUR_US // 2, 0) is False


REGION = "site,transmitter,frequency_mhz,region\n" + "".join(
    f"s{i // 2},t{i % 2},446,{'north' if i < 8 else 'south'}\n" for i in range(10)
)


@pytest.mark.parametrize(
    ("risen", "wet"),
    [(range(8), True), (range(6), True), (range(3), False), ((), False)],
    ids=["all", "most", "few", "none"],
)
def test_a_region_that_rises_together_is_wet(course: Any, risen: Any, wet: bool) -> None:
    one = course(REGION)
    moved = np.zeros((1, 10))
    moved[:, list(risen)] = 4.0
    seen = one.pass_by(0, 1, moved=moved)
    assert [one.of(seen.wet, i) == [1.0] for i in range(10)] == [wet] * 8 + [False] * 2


def test_a_site_that_tells_of_no_rain_is_believed(course: Any) -> None:
    one = course(REGION)
    precipitation = np.full((1, 10), NAN)
    precipitation[:, :8] = 0.0
    seen = one.pass_by(0, 1, moved=np.full((1, 10), 4.0), precipitation=precipitation)
    assert seen.wet[:8].tolist() == [0] * 8


def test_few_sites_that_rise_are_no_weather(course: Any) -> None:
    text = "site,transmitter,frequency_mhz\n" + "".join(f"s{i // 4},t{i % 4},446\n" for i in range(8))
    one = course(text)
    assert one.pass_by(0, 1, moved=np.full((1, 8), 4.0)).wet.tolist() == [0] * 8


def test_no_hours_no_weather(course: Any) -> None:
    one = course()
    seen = hour_weather(Hours.empty(), one.fleet, one.sites, np.empty(0), np.empty(0))
    assert len(seen.wet) == 0
    assert seen.frost_at(BIRCH, START_US, 0) is False


def test_any_cut_between_hours_gives_the_same(course: Any) -> None:
    rng = np.random.default_rng(3)
    columns = {
        "precipitation": np.where(
            rng.random((60, 4)) < 0.1, 1.0, np.where(rng.random((60, 4)) < 0.5, NAN, 0.0)
        ),
        "ambient_temperature_c": np.where(rng.random((60, 4)) < 0.3, NAN, rng.normal(0, 3, (60, 4))),
    }
    whole = course()
    at_once = whole.pass_by(0, 60, **columns)
    cut = course()
    parts = [
        cut.pass_by(i, 1, **{name: values[i : i + 1] for name, values in columns.items()}) for i in range(60)
    ]
    for name in ("temperature_c", "wet", "iced", "frost"):
        joined = np.concatenate([getattr(part, name) for part in parts])
        np.testing.assert_array_equal(joined, getattr(at_once, name), err_msg=name)
    assert whole.sites.tobytes() == cut.sites.tobytes()
    assert at_once.iced.any()
    assert not at_once.iced.all()


MANY_FAULTS = "site,transmitter,frequency_mhz,expected_interval_s,region\n" + "".join(
    f"hill-{i // 2},t{i},446,1800,north\n" for i in range(8)
)


def test_faults_of_most_of_a_region_are_no_rain_without_end(
    fleet_of: Callable[[str], Fleet], tell: Any
) -> None:
    """Five of eight step up and stay; then it rains on all for a day, where nobody tells it."""

    def rho(day: Any, owner: int) -> Any:
        rain = np.where((day >= 40.2) & (day < 41.4), 0.05, 0.0)
        return 0.1 + rain + np.where((owner < 5) & (day >= 20), 0.1, 0.0)

    told = tell(fleet_of(MANY_FAULTS), rho, 44)
    state = told.engine.slow["baseline"]
    raw, wet = (
        state[n][:, (START_US // (24 * HOUR_US) + np.arange(31, 44)) % 120] for n in ("raw", "wet_hours")
    )
    assert np.isfinite(raw[:, :9]).all()
    assert (wet[:, 9:11].sum(axis=1) >= 20).all()
    # The noise of eight transmitters makes an hour of rain now and then.
    assert wet[:, :9].mean() < 3
