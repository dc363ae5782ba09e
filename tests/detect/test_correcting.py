"""Days whose reports came late are put right: as if they had come in time."""

from __future__ import annotations

import numpy as np
import pytest

from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.history import DAY_COLUMNS, DAY_US, DAYS
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.rollup import HOUR_US, in_order, roll_up
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify

START_US = 1_795_046_400_000_000
SECOND = 1_000_000


def a_fleet() -> Fleet:
    text = "site,transmitter,frequency_mhz,feeder_loss_db\n" + "".join(
        f"site-{i},t1,446,1.0\n" for i in range(4)
    )
    rows = read_inventory_text(text, "fleet.csv").rows
    return build_fleet(rows, np.arange(1, 5), FleetDefaults())


def readings_of(fleet: Fleet, days: int, wet: bool = False) -> Readings:
    """A reading every ten minutes: warm by day, some rain if it is to be wet."""
    rng = np.random.default_rng(9)
    time_us = np.repeat(START_US + np.arange(days * 144) * 600 * SECOND, len(fleet))
    hour = (time_us - START_US) // HOUR_US
    forward_w = np.round(rng.normal(90, 1, len(time_us)), 1)
    rho = 0.1 + 0.01 * np.sin(hour / 4) + rng.normal(0, 0.002, len(time_us))
    readings = Readings.from_columns(
        {
            "transmitter": np.tile(np.arange(len(fleet)), days * 144),
            "time_us": time_us,
            "forward_w": forward_w,
            "reflected_w": np.round(forward_w * rho**2, 4),
            "ambient_temperature_c": 15 + 5 * np.sin(hour / 4),
            "precipitation": np.where(wet & (hour % 50 < 5), 2.0, 0.0),
        }
    )
    return qualify(readings, fleet, time_us, QualityCarry.empty(len(fleet)), 300.0)[0]


def learned(fleet: Fleet, readings: Readings, days: int) -> Engine:
    """An engine after these days."""
    engine = Engine(fleet, DetectionSettings())
    for day in range(days):
        begin = START_US + day * DAY_US
        part = readings.take((readings.time_us >= begin) & (readings.time_us < begin + DAY_US))
        engine.step(part, since_us=START_US, until_us=begin + DAY_US + 700 * SECOND)
    return engine


def put_right(engine: Engine, readings: Readings, owner: int, day: int, work: Maintenance) -> list[int]:
    begin = START_US + day * DAY_US
    mask = (readings.time_us >= begin) & (readings.time_us < begin + DAY_US)
    hours = roll_up(in_order(readings.take(mask & (readings.transmitter == owner))))
    return engine.correct(hours, begin, work).tolist()


@pytest.mark.parametrize("wet", [False, True])
def test_days_of_an_outage_are_as_if_there_had_been_none(wet: bool) -> None:
    fleet, days = a_fleet(), 20
    readings = readings_of(fleet, days, wet)
    never_away = learned(fleet, readings, days).slow["baseline"]
    away = (readings.transmitter == 1) & (readings.time_us >= START_US + 4 * DAY_US)
    away &= readings.time_us < START_US + 16 * DAY_US + 5 * HOUR_US
    engine = learned(fleet, readings.take(~away), days)
    state = engine.slow["baseline"]
    assert state["learned_days"].tolist() == [20, 8, 20, 20]
    for day in np.random.default_rng(2).permutation(np.arange(4, 17)).tolist():
        assert put_right(engine, readings, 1, day, Maintenance.none()) == [1]
        # Once more changes nothing: neither a level nor the number of days.
        assert put_right(engine, readings, 1, day, Maintenance.none()) == []
    assert state["learned_days"].tolist() == [20, 20, 20, 20]
    # What an antenna has left of the evening's rain is not known of a day that is put right by itself.
    rain_hours = [hour for hour in range(days * 24) if wet and hour % 50 < 5]
    soaked = {
        (START_US // DAY_US + (hour + 14) // 24) % DAYS
        for hour in rain_hours
        if (hour + 14) // 24 > hour // 24
    }
    assert len(soaked) < 9
    compared = np.array([place for place in range(DAYS) if place not in soaked])
    for name in DAY_COLUMNS if not wet else ("raw", "all_hours", "temperature_c", "power_db"):
        np.testing.assert_allclose(
            state[name][:, compared], never_away[name][:, compared], atol=1e-12, err_msg=name
        )
    assert np.array_equal(np.isfinite(state["raw"]), np.isfinite(never_away["raw"]))


def test_a_baseline_is_learned_from_days_that_came_late() -> None:
    fleet, days = a_fleet(), 18
    readings = readings_of(fleet, days + 1)
    away = (readings.transmitter == 1) & (readings.time_us >= START_US + 3 * DAY_US)
    away &= readings.time_us < START_US + 17 * DAY_US
    engine = learned(fleet, readings.take(~away), days)
    assert not engine.slow["baseline"]["taken"][1]
    for day in range(3, 17):
        put_right(engine, readings, 1, day, Maintenance.none())
    last = readings.take(readings.time_us >= START_US + days * DAY_US)
    result = engine.step(last, since_us=START_US, until_us=START_US + (days + 1) * DAY_US + 700 * SECOND)
    assert engine.slow["baseline"]["taken"][1]
    assert [(c.transmitter, c.kind) for c in result.baselines if c.kind == "full"] == [(1, "full")]


def test_what_lies_before_work_that_opened_a_new_baseline_is_left() -> None:
    fleet, days = a_fleet(), 10
    readings = readings_of(fleet, days)
    end_us = START_US + 7 * DAY_US + 3 * HOUR_US
    work = Maintenance(
        transmitter=np.array([1]),
        start_us=np.array([end_us - HOUR_US]),
        end_us=np.array([end_us]),
        renews_baseline=np.array([True]),
    )
    engine = learned(fleet, readings.take(readings.transmitter != 1), days)
    assert put_right(engine, readings, 1, 5, work) == []
    assert put_right(engine, readings, 1, 7, work) == []
    assert put_right(engine, readings, 1, 8, work) == [1]


def test_days_that_are_forgotten_or_not_closed_change_no_level() -> None:
    fleet, days = a_fleet(), 6
    readings = readings_of(fleet, days)
    engine = learned(fleet, readings.take(readings.time_us < START_US + 5 * DAY_US), 5)
    levels = engine.slow["baseline"]["raw"].copy()
    # The day that is open: none of its hours has closed.
    assert put_right(engine, readings, 1, 5, Maintenance.none()) == []
    old = readings.take(readings.transmitter == 1)
    long_ago = Readings.from_columns(
        {
            name: getattr(old, name) - (DAYS * DAY_US if name == "time_us" else 0)
            for name in ("transmitter", "time_us", "forward_w", "reflected_w")
        }
    )
    begin = START_US - DAYS * DAY_US
    assert engine.correct(roll_up(in_order(long_ago)), begin, Maintenance.none()).tolist() == []
    assert np.array_equal(engine.slow["baseline"]["raw"], levels, equal_nan=True)
