import numpy as np
import pytest

from standingwatch.demo import weather as weather_module
from standingwatch.demo.chance import normal_pair, uniform
from standingwatch.demo.country import build_country
from standingwatch.demo.traffic import is_keyed, keyed_chance
from standingwatch.demo.weather import BLOCK_HOURS, LAPSE_K_PER_M

HOUR_0 = 1_760_000_000 // 3600


def test_chance_is_even_independent_of_order_and_differs_by_stream() -> None:
    when = np.arange(200_000)
    who = np.array([7])
    values = uniform(1, 2, who, when)
    assert values.min() >= 0.0
    assert values.max() < 1.0
    assert abs(values.mean() - 0.5) < 0.004
    counts, _ = np.histogram(values, bins=50, range=(0, 1))
    # Chi-squared, 49 degrees of freedom: 99.9 % point 85.4.
    assert ((counts - 4000) ** 2 / 4000).sum() < 85.4
    assert np.array_equal(values[::-1], uniform(1, 2, who, when[::-1]))
    for other in (uniform(1, 3, who, when), uniform(2, 2, who, when), uniform(1, 2, who + 1, when)):
        assert abs(np.corrcoef(values, other)[0, 1]) < 0.01
    assert abs(np.corrcoef(values[1:], values[:-1])[0, 1]) < 0.01


def test_normal_pairs_are_normal_and_independent() -> None:
    a, b = normal_pair(3, 5, np.array([0]), np.arange(100_000))
    for x in (a, b):
        assert abs(x.mean()) < 0.015
        assert abs(x.std() - 1.0) < 0.015
        assert abs((np.abs(x) > 1.959964).mean() - 0.05) < 0.004
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.015


def test_weather_is_the_same_however_it_is_asked_for_and_blocks_join() -> None:
    whole = build_country(1).weather.hours(HOUR_0, HOUR_0 + 2000)
    other = build_country(1).weather
    later = other.hours(HOUR_0 + 900, HOUR_0 + 2000)
    assert np.array_equal(np.concatenate([other.hours(HOUR_0, HOUR_0 + 900), later]), whole)
    seam = (HOUR_0 // BLOCK_HOURS + 1) * BLOCK_HOURS - HOUR_0
    step = np.abs(np.diff(whole[:, :, 0], axis=0))
    assert step[seam - 1].max() <= step.max()
    assert step[seam - 1].max() < 3.5
    # A long wet or dry memory must carry over: soak changes by no more at the seam than rain can explain.
    soak = np.diff(whole[:, :, 4], axis=0)
    assert (soak[seam - 1] >= -0.02).all()


def test_run_up_forgets_where_a_block_started(monkeypatch: pytest.MonkeyPatch) -> None:
    hours = HOUR_0, HOUR_0 + 400
    usual = build_country(1).weather.hours(*hours)
    monkeypatch.setattr(weather_module, "SPIN_UP_HOURS", 2 * weather_module.SPIN_UP_HOURS)
    longer = build_country(1).weather.hours(*hours)
    assert np.array_equal(usual[:, :, 1] > 0, longer[:, :, 1] > 0)
    assert np.abs(usual - longer).max() < 1e-3


def test_a_year_looks_like_the_land_it_stands_for() -> None:
    country = build_country(1)
    table = country.weather.hours(HOUR_0, HOUR_0 + 365 * 24)
    temperature, rain, wind, film, soak, ice = (table[:, :, i] for i in range(6))
    mean = np.array([country.regions[s.region].mean_temperature_c for s in country.sites])
    height = np.array([s.elevation_m for s in country.sites])
    assert np.abs(temperature.mean(axis=0) - (mean - LAPSE_K_PER_M * height)).max() < 2.0
    months = temperature[: 12 * 730].reshape(12, 730, -1).mean(axis=(1, 2))
    assert 12.0 < months.max() - months.min() < 22.0
    assert 0.06 < (rain > 0).mean() < 0.25
    assert 400 < rain.sum(axis=0).mean() < 1800
    assert 2.0 < np.median(wind) < 10.0
    for share in (film, soak):
        assert share.min() >= 0.0
        assert share.max() <= 1.0
    assert ice.min() >= 0.0
    # Ice forms where it freezes, and none of it outlives warm days.
    assert ice.max() > 2.0
    assert ice[temperature > 8.0].max() == 0.0


def test_traffic_follows_day_and_week_and_control_channels_never_rest() -> None:
    monday_s = 1_760_313_600 - 3600  # 2025-10-13 00:00 in the country, a Monday
    hours_s = monday_s + np.arange(7 * 24) * 3600
    busy = np.full(len(hours_s), 0.6)
    never = np.zeros(len(hours_s), dtype=np.bool_)
    chance = keyed_chance(busy, never, hours_s).reshape(7, 24)
    assert chance.max() == 0.6
    assert chance[0, 3] < 0.1 * chance[0, 16]
    assert np.array_equal(chance[0], chance[4])
    assert np.allclose(chance[5], 0.55 * chance[0])
    assert (keyed_chance(busy, ~never, hours_s) == 1.0).all()
    times_s = monday_s + 10 * 3600 + np.arange(20_000) % 1800 + 604_800 * (np.arange(20_000) // 1800)
    who = np.full(len(times_s), 3)
    keyed = is_keyed(1, who, np.full(len(times_s), 0.6), np.zeros(len(times_s), dtype=np.bool_), times_s)
    expected = keyed_chance(
        np.full(len(times_s), 0.6), np.zeros(len(times_s), dtype=np.bool_), times_s
    ).mean()
    # Binomial: four standard deviations of 20,000 draws.
    assert abs(keyed.mean() - expected) < 4 * np.sqrt(expected * (1 - expected) / 20_000)
