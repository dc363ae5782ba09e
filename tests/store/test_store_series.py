"""What one line did, asked of both databases."""

from __future__ import annotations

import numpy as np
import pytest
from sqlalchemy import insert

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.rollup import HOUR_US, roll_up
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.readings import Readings
from standingwatch.store import series, tables
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import add_baselines, save_rollups

#: 2026-03-14 09:00:00 UTC
NOON_US = 1_773_478_800_000_000
SECOND_US = 1_000_000


@pytest.fixture
def keys(store: Store) -> list[int]:
    """Two transmitters of one site and one of another, with three hours of readings each minute."""
    rows = [
        InventoryRow(site=site, transmitter=name, frequency_mhz=150.0, region="Fells")
        for site, name in (("A", "T1"), ("A", "T2"), ("B", "T1"))
    ]
    with store.writing() as connection:
        replace_site_list(connection, rows, NOON_US)
        listed = load_site_list(connection).keys
        minute = np.repeat(np.arange(180), 3)
        owner = np.tile(np.arange(3), 180)
        readings = Readings.from_columns(
            {
                "transmitter": owner,
                "time_us": NOON_US + minute * 60 * SECOND_US,
                "forward_w": np.full(540, 100.0),
                "reflected_w": np.where(owner == 1, 4.0, 1.0) + minute / 1000,
                "flags": np.zeros(540, dtype=np.int64),
                "ambient_temperature_c": np.where(owner == 1, 7.5, np.nan),
            }
        )
        arrival = new_arrival(connection, NOON_US, 540)
        insert_readings(connection, arrival, readings, listed[owner], readings.time_us)
        hours = roll_up(readings)
        save_rollups(connection, hours, listed[hours.transmitter])
    return [int(key) for key in listed]


def test_readings_of_one_transmitter_in_a_span(store: Store, keys: list[int]) -> None:
    with store.reading() as connection:
        found = series.readings_of(
            connection, keys[1], NOON_US + 60 * SECOND_US, NOON_US + 240 * SECOND_US, 100
        )
        assert found["time_us"].tolist() == [NOON_US + n * 60 * SECOND_US for n in (1, 2, 3)]
        assert found["reflected_w"].tolist() == [4.001, 4.002, 4.003]
        assert found["ambient_temperature_c"].tolist() == [7.5] * 3
        assert np.isnan(found["wind_mps"]).all()
        assert len(series.readings_of(connection, keys[1], NOON_US, NOON_US + HOUR_US, 5)["time_us"]) == 5
        nothing = series.readings_of(connection, keys[1], 0, NOON_US, 5)
        assert {len(column) for column in nothing.values()} == {0}


def test_newest_reading(store: Store, keys: list[int]) -> None:
    with store.reading() as connection:
        found = series.newest_reading(connection, keys[2], NOON_US, NOON_US + 10 * HOUR_US)
        assert found == series.NewestReading(NOON_US + 179 * 60 * SECOND_US, 0, 100.0, 1.179, -1)
        assert series.newest_reading(connection, keys[2], 0, NOON_US - 1) is None


def test_hours_and_what_is_known(store: Store, keys: list[int]) -> None:
    with store.reading() as connection:
        found = series.hours_of(connection, keys[1], NOON_US + HOUR_US, NOON_US + 3 * HOUR_US)
        assert found["hour_us"].tolist() == [NOON_US + HOUR_US, NOON_US + 2 * HOUR_US]
        # The median of minutes 60 to 119 lies between 89 and 90.
        assert found["rho_median"][0] == pytest.approx((np.sqrt(0.04089) + np.sqrt(0.0409)) / 2)
        assert found["ambient_temperature_c"].tolist() == [7.5, 7.5]
        assert series.hours_known(connection, keys[1]) == (NOON_US, NOON_US + 2 * HOUR_US)
        assert series.hours_known(connection, 999) is None


def test_baselines_oldest_first(store: Store, keys: list[int]) -> None:
    changes = [
        BaselineChange(1, NOON_US, "full", 0.2, 0.01, "learned"),
        BaselineChange(1, NOON_US + HOUR_US, "opened", np.nan, np.nan, "visit"),
        BaselineChange(0, NOON_US, "full", 0.1, 0.01, "another"),
    ]
    with store.writing() as connection:
        add_baselines(connection, changes, np.array(keys))
    with store.reading() as connection:
        found = series.baselines_of(connection, keys[1])
    assert [(row.version, row.kind, row.rho) for row in found] == [(1, "full", 0.2), (2, "opened", None)]


def raise_alarm(
    store: Store, key: AlarmKey, at_us: int, severity: Severity, members: tuple[str, ...] = ()
) -> None:
    with store.writing() as connection:
        evidence = Evidence(key, severity, at_us, members=members)
        save_changes(connection, apply_all(load_alarms(connection), [evidence], at_us), "urn:test")


def test_alarms_of_a_line_are_its_own_and_those_of_its_groups(store: Store, keys: list[int]) -> None:
    own = AlarmKey("A", "T1", Condition.SWR_HIGH)
    site = AlarmKey("A", "", Condition.SITE_UNREACHABLE)
    group = AlarmKey("A", "", Condition.SWR_RISING)
    region = AlarmKey("", "", Condition.SWR_WEATHER, "Fells")
    raise_alarm(store, own, NOON_US, Severity.MINOR)
    raise_alarm(store, own, NOON_US + HOUR_US, Severity.MAJOR)
    raise_alarm(store, own, NOON_US + 2 * HOUR_US, Severity.CLEARED)
    raise_alarm(store, site, NOON_US, Severity.MAJOR)
    raise_alarm(store, group, NOON_US, Severity.MINOR, ("A/T2", "A/T3"))
    raise_alarm(store, region, NOON_US, Severity.WARNING, ("A/T1", "B/T1"))
    raise_alarm(store, AlarmKey("B", "T1", Condition.SWR_HIGH), NOON_US, Severity.MINOR)
    raise_alarm(store, AlarmKey("", "", Condition.STORE_FILLING, service="store"), NOON_US, Severity.MINOR)
    with store.reading() as connection:
        found = series.alarms_of_line(connection, "A", "T1", "Fells")
        assert set(found) == {own, site, region}
        assert set(series.alarms_of_line(connection, "A", "T2", "Fells")) == {site, group}
        assert set(series.alarms_of_line(connection, "A", "T1", "")) == {own, site}
        steps = series.alarm_steps(connection, "A", "T1", "Fells", NOON_US + 3 * HOUR_US)
        mine = [(s.time_us, s.severity, s.is_cleared) for s in steps if s.key == own]
        early = series.alarm_steps(connection, "A", "T1", "Fells", NOON_US + HOUR_US)
    assert [(time_us, cleared) for time_us, _, cleared in mine] == [
        (NOON_US, False),
        (NOON_US + HOUR_US, False),
        (NOON_US + 2 * HOUR_US, True),
    ]
    assert [severity for _, severity, _ in mine[:2]] == [Severity.MINOR, Severity.MAJOR]
    assert [step.key for step in early].count(own) == 1


def test_work_and_visits_that_touch_a_span(store: Store, keys: list[int]) -> None:
    window = {"kind": "visit", "entered_by": "Cy", "note": "jumper"}
    visit = {"urgency": "soon", "proposed_us": 0, "changed_us": 0, "reasons": "[]"}
    with store.writing() as connection:
        for site, name, start, end in (
            ("A", "", 0, 1),
            ("A", "T1", 2, 3),
            ("A", "T2", 2, 3),
            ("B", "", 2, 3),
        ):
            times = {"start_us": NOON_US + start * HOUR_US, "end_us": NOON_US + end * HOUR_US}
            connection.execute(
                insert(tables.maintenance).values(site=site, transmitter=name, **times, **window)
            )
        for site, state, begun, ended in (
            ("A", "under-way", NOON_US, None),
            ("A", "proven", NOON_US - 9 * HOUR_US, NOON_US - 8 * HOUR_US),
            ("A", "proposed", NOON_US, None),
            ("B", "under-way", NOON_US, None),
        ):
            values = {"site": site, "state": state, "begun_us": begun, "ended_us": ended, **visit}
            connection.execute(insert(tables.visits).values(**values))
    with store.reading() as connection:
        work = series.work_of_line(connection, "A", "T1", NOON_US - HOUR_US, NOON_US + 4 * HOUR_US)
        assert [(w.start_us, w.note) for w in work] == [
            (NOON_US, "jumper"),
            (NOON_US + 2 * HOUR_US, "jumper"),
        ]
        assert series.work_of_line(connection, "A", "T1", NOON_US - 2, NOON_US - 1) == []
        visits = series.visits_of_site(connection, "A", NOON_US - HOUR_US, NOON_US + HOUR_US)
    assert visits == [series.WorkSpan("under way", NOON_US, NOON_US + HOUR_US, "visit 1")]
