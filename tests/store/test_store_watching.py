"""What the watch keeps, on both kinds of database: progress, state, rollups, baselines, maintenance, jobs."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from sqlalchemy import func, select

from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.watching import (
    BaselineRow,
    Progress,
    add_baselines,
    clear_state,
    load_maintenance,
    load_progress,
    load_state,
    note_job,
    present_baselines,
    replace_maintenance,
    rollup_frame,
    save_progress,
    save_rollups,
    save_state,
)

KEYS = np.array([7, 3])


def some_hours(seed: int = 1, hours: int = 4) -> Hours:
    """Two transmitters over some hours, some values unknown."""
    rng = np.random.default_rng(seed)
    rows = 2 * hours
    columns: dict[str, Any] = {}
    for f in fields(Hours):
        values = rng.normal(size=rows)
        values[rng.random(rows) < 0.3] = np.nan
        columns[f.name] = values
    columns["hour_us"] = np.repeat(np.arange(hours), 2) * HOUR_US
    columns["transmitter"] = np.tile([0, 1], hours)
    columns["channel"] = np.zeros(rows, dtype=np.int64)
    columns["reports"] = rng.integers(0, 12, rows)
    columns["usable"] = rng.integers(0, 12, rows)
    return Hours(**columns)


def keep(store: Store, hours: Hours) -> None:
    with store.writing() as connection:
        save_rollups(connection, hours, KEYS[hours.transmitter])


# Rollups ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_hours_come_back(store: Store, seed: int) -> None:
    hours = some_hours(seed)
    keep(store, hours)
    with store.reading() as connection:
        frame = rollup_frame(connection, 0, 4 * HOUR_US)
    order = np.lexsort((hours.hour_us, KEYS[hours.transmitter]))
    assert frame["transmitter"].tolist() == KEYS[hours.transmitter][order].tolist()
    for f in fields(Hours):
        if f.name not in ("transmitter", "channel"):
            np.testing.assert_array_equal(frame[f.name], getattr(hours, f.name)[order], err_msg=f.name)


def test_hours_apart_by_channel_are_refused(store: Store) -> None:
    apart = replace(some_hours(), channel=np.array([0, 0, 0, 2, 0, 0, 0, 0]))
    with store.writing() as connection, pytest.raises(ValueError, match="kept apart by channel"):
        save_rollups(connection, apart, KEYS[apart.transmitter])


def test_an_hour_that_is_kept_already_is_replaced(store: Store) -> None:
    hours = some_hours()
    keep(store, hours)
    third = hours.take(hours.hour_us == 2 * HOUR_US)
    later = replace(third, reports=third.reports + 100, rho_median=np.array([0.5, np.nan]))
    keep(store, later)
    with store.reading() as connection:
        frame = rollup_frame(connection, 0, 4 * HOUR_US)
        own = rollup_frame(connection, 2 * HOUR_US, 3 * HOUR_US, key=7)
    assert len(frame) == 8
    assert own["reports"].tolist() == [third.reports[0] + 100]
    assert own["rho_median"].tolist() == [0.5]
    replaced = frame[(frame["transmitter"] == 3) & (frame["hour_us"] == 2 * HOUR_US)]
    assert replaced["rho_median"].isna().all()


def test_a_span_without_hours_has_the_columns_all_the_same(store: Store) -> None:
    keep(store, Hours.empty())
    with store.reading() as connection:
        frame = rollup_frame(connection, 0, HOUR_US)
    assert len(frame) == 0
    assert frame["rho_median"].dtype == np.float64


# Baselines ----------------------------------------------------------------------------------------------


def test_baselines_are_versions_and_the_newest_counts(store: Store) -> None:
    first = [
        BaselineChange(0, 10, "provisional", 0.1, 0.01, "a day of readings"),
        BaselineChange(1, 11, "provisional", 0.2, 0.02, "a day of readings"),
        BaselineChange(0, 20, "full", 0.12, 0.005, "a week of readings"),
    ]
    with store.writing() as connection:
        add_baselines(connection, first, KEYS)
    with store.writing() as connection:
        add_baselines(connection, [BaselineChange(1, 30, "opened", math.nan, math.nan, "a visit")], KEYS)
    with store.reading() as connection:
        assert present_baselines(connection) == {
            7: BaselineRow(2, 20, "full", 0.12, 0.005, "a week of readings"),
            3: BaselineRow(2, 30, "opened", None, None, "a visit"),
        }
        kept = connection.execute(select(func.count()).select_from(tables.baselines)).scalar_one()
    assert kept == 4


# Progress and state -------------------------------------------------------------------------------------


def test_progress_is_each_watch_s_own(store: Store) -> None:
    with store.writing() as connection:
        assert load_progress(connection, "one") is None
        save_progress(connection, "one", Progress(4, 50, 40, "layout"))
        save_progress(connection, "two", Progress(1, 5, 4, "layout"))
        save_progress(connection, "one", Progress(9, 90, 80, "new layout"))
    with store.reading() as connection:
        assert load_progress(connection, "one") == Progress(9, 90, 80, "new layout")
        assert load_progress(connection, "two") == Progress(1, 5, 4, "layout")


def test_state_is_replaced_record_by_record(store: Store) -> None:
    with store.writing() as connection:
        save_state(
            connection,
            [
                ("quick", "alder-ridge", "rpt-1", b"\x00\x01"),
                ("quick", "alder-ridge", "", b"site"),
                ("slow", "alder-ridge", "rpt-1", b"\x07"),
            ],
        )
        save_state(connection, [("quick", "alder-ridge", "rpt-1", b"\xff\x00")])
        save_state(connection, [])
    with store.reading() as connection:
        assert load_state(connection) == {
            ("quick", "alder-ridge", "rpt-1"): b"\xff\x00",
            ("quick", "alder-ridge", ""): b"site",
            ("slow", "alder-ridge", "rpt-1"): b"\x07",
        }
    with store.writing() as connection:
        clear_state(connection)
        assert load_state(connection) == {}


# Maintenance and jobs -----------------------------------------------------------------------------------


def test_maintenance_is_replaced_as_a_whole(store: Store) -> None:
    late = MaintenanceRow("birch-hill", "", 50, 60, "outage")
    early = MaintenanceRow("alder-ridge", "rpt-1", 10, 20, "visit")
    with store.writing() as connection:
        replace_maintenance(connection, [late, early])
    with store.reading() as connection:
        assert load_maintenance(connection) == [early, late]
    with store.writing() as connection:
        replace_maintenance(connection, [late])
        assert load_maintenance(connection) == [late]
        replace_maintenance(connection, [])
        assert load_maintenance(connection) == []


def test_the_newest_run_of_a_job_is_kept(store: Store) -> None:
    with store.writing() as connection:
        note_job(connection, "retention", 1, 2, "disk full")
        note_job(connection, "retention", 3, 4, "")
        note_job(connection, "store-size", 5, 6, "")
        note_job(connection, "store-size", 7, 8, "no such file")
    with store.reading() as connection:
        rows = {r.job: tuple(r)[1:] for r in connection.execute(select(tables.job_runs))}
    assert rows == {"retention": (3, 4, True, ""), "store-size": (7, 8, False, "no such file")}
