"""Jobs: retention deletes what is old and keeps the rest; each run is noted, also one that fails."""

from __future__ import annotations

import ctypes
import platform
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import insert, select, text

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence, apply_all
from standingwatch.detect.words import Condition, Severity
from standingwatch.jobs import DAY_US, HOUR_US, KEEP_DELIVERED_DAYS, KEEP_SIZES, Jobs
from standingwatch.metrics import Metrics
from standingwatch.readings import Readings
from standingwatch.settings import StoreSettings
from standingwatch.store import tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.audit import load_audit, note_act
from standingwatch.store.connect import Store
from standingwatch.store.reports import RefusedReport, insert_readings, new_arrival, refuse
from standingwatch.store.watchman import SIZES_NOTE, load_note, store_bytes

NOW_US = 1_795_000_000_000_000
SETTINGS = StoreSettings(
    keep_readings_days=10, keep_rollups_days=100, keep_refused_days=5, keep_cleared_alarms_days=30
)


@pytest.fixture
def metrics() -> Metrics:
    return Metrics(CollectorRegistry())


@pytest.fixture
def jobs(store: Store, metrics: Metrics) -> Jobs:
    return Jobs(store, SETTINGS, metrics, lambda: NOW_US)


def work_of(jobs: Jobs, name: str) -> Callable[[], None]:
    """What the scheduler runs, run at once."""
    (job,) = (job for job in jobs._jobs if job.name == name)
    return jobs._guarded(name, job.work)


def days_ago(days: float) -> int:
    return NOW_US - int(days * DAY_US)


def fill(store: Store) -> None:
    """Rows on both sides of each limit."""
    ages = (11.0, 10.01, 9.99, 1.0)
    with store.writing() as connection:
        for age in ages:
            readings = Readings.from_columns(
                {"transmitter": [0], "time_us": [days_ago(age)], "forward_w": [50.0], "reflected_w": [1.0]}
            )
            arrival = new_arrival(connection, days_ago(age), 1)
            insert_readings(connection, arrival, readings, np.array([1]), np.array([days_ago(age)]))
        refuse(connection, [RefusedReport(days_ago(d), "t", b"", "not-json", "") for d in (5.1, 4.9)])
        connection.execute(
            insert(tables.rollups),
            [{"transmitter": 1, "hour_us": days_ago(d), "reports": 1, "usable": 1} for d in (101, 99)],
        )
        common = {"channel": "file", "site": "alder-ridge", "transmitter": "", "condition": "", "body": "{}"}
        common["last_error"] = ""
        old = days_ago(KEEP_DELIVERED_DAYS + 1)
        connection.execute(
            insert(tables.outbox),
            [
                {**common, "event_id": "old", "made_us": old, "tries": 1, "delivered_us": old},
                {**common, "event_id": "waits", "made_us": old, "tries": 0, "delivered_us": None},
                {**common, "event_id": "new", "made_us": NOW_US, "tries": 1, "delivered_us": NOW_US},
            ],
        )


def values(store: Store, column: Any) -> list[Any]:
    with store.reading() as connection:
        return sorted(connection.execute(select(column)).scalars())


def runs(store: Store) -> dict[str, tuple[bool, str]]:
    with store.reading() as connection:
        return {r.job: (r.succeeded, r.detail) for r in connection.execute(select(tables.job_runs))}


def test_retention_deletes_what_is_old_and_notes_it(store: Store, jobs: Jobs, metrics: Metrics) -> None:
    fill(store)
    work_of(jobs, "retention")()
    assert values(store, tables.readings.c.time_us) == [days_ago(9.99), days_ago(1)]
    assert values(store, tables.arrivals.c.received_us) == [days_ago(9.99), days_ago(1)]
    assert values(store, tables.refused.c.received_us) == [days_ago(4.9)]
    assert values(store, tables.rollups.c.hour_us) == [days_ago(99)]
    assert values(store, tables.outbox.c.event_id) == ["new", "waits"]
    assert runs(store) == {"retention": (True, "")}
    success = metrics.registry.get_sample_value(
        "standingwatch_job_last_success_timestamp_seconds", {"job": "retention"}
    )
    assert success == NOW_US / 1e6


def test_a_failing_run_is_counted_and_noted_and_the_next_may_succeed(
    store: Store, jobs: Jobs, metrics: Metrics, caplog: pytest.LogCaptureFixture
) -> None:
    outcomes = [OSError("disk full"), None]

    def work() -> None:
        outcome = outcomes.pop(0)
        if outcome is not None:
            raise outcome

    job = jobs._guarded("retention", work)
    job()
    assert runs(store) == {"retention": (False, "OSError: disk full")}
    failures = metrics.registry.get_sample_value("standingwatch_job_failures_total", {"job": "retention"})
    success = metrics.registry.get_sample_value(
        "standingwatch_job_last_success_timestamp_seconds", {"job": "retention"}
    )
    assert (failures, success) == (1, None)
    assert "job retention failed" in caplog.text
    job()
    assert runs(store) == {"retention": (True, "")}
    failures = metrics.registry.get_sample_value("standingwatch_job_failures_total", {"job": "retention"})
    assert failures == 1


def test_every_job_runs_as_often_as_it_says(jobs: Jobs) -> None:
    intervals = jobs.intervals()
    assert set(intervals) == {"retention", "purge", "store-size", "visits"}
    start = datetime(2026, 3, 1, tzinfo=UTC)
    for job, scheduled in zip(jobs._jobs, jobs._scheduler.get_jobs(), strict=True):
        times = [start]
        for _ in range(3):
            times.append(scheduled.trigger.get_next_fire_time(times[-1], times[-1] + timedelta(seconds=1)))
        gaps = {(b - a).total_seconds() for a, b in pairwise(times[1:])}
        assert gaps == {intervals[job.name]}


def test_alarms_that_were_cleared_long_ago_are_purged(store: Store, jobs: Jobs) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    with store.writing() as connection:
        for name, raised_days, cleared_days in (("old", 50, 31), ("new", 50, 29), ("stands", 50, None)):
            key = AlarmKey("alder-ridge", name, Condition.SWR_HIGH)
            found = [Evidence(key, Severity.MINOR, days_ago(raised_days))]
            if cleared_days is not None:
                found.append(Evidence(key, Severity.CLEARED, days_ago(cleared_days)))
            save_changes(connection, apply_all(alarms, found, NOW_US), "urn:test")
    work_of(jobs, "purge")()
    assert runs(store) == {"purge": (True, "")}
    assert values(store, tables.alarms.c.transmitter) == ["new", "stands"]
    assert values(store, tables.alarm_changes.c.transmitter) == ["new", "new", "stands"]


def test_the_size_is_remembered_once_an_hour(store: Store, metrics: Metrics) -> None:
    now = [NOW_US]
    jobs = Jobs(store, SETTINGS, metrics, lambda: now[0])
    measure = work_of(jobs, "store-size")

    def noted() -> list[list[int]]:
        with store.reading() as connection:
            sizes = load_note(connection, SIZES_NOTE)
        assert isinstance(sizes, list)
        return sizes

    for minutes in (0, 1, 61, 62, 121):
        now[0] = NOW_US + minutes * 60_000_000
        measure()
    assert [(t - NOW_US) // 60_000_000 for t, _ in noted()] == [0, 61, 121]
    assert all(size > 10_000 for _, size in noted())
    # The clock is put back: what it said of the time to come is forgotten.
    now[0] = NOW_US + 61 * 60_000_000
    measure()
    assert [(t - NOW_US) // 60_000_000 for t, _ in noted()] == [0, 61]
    for hour in range(KEEP_SIZES + 5):
        now[0] = NOW_US + (hour + 3) * HOUR_US
        measure()
    assert len(noted()) == KEEP_SIZES
    assert noted()[-1][0] == now[0]


def test_a_run_that_cannot_be_noted_stops_nothing(
    store: Store, jobs: Jobs, caplog: pytest.LogCaptureFixture
) -> None:
    with store.writing() as connection:
        connection.execute(text("ALTER TABLE job_runs RENAME TO elsewhere"))
    done: list[bool] = []
    jobs._guarded("retention", lambda: done.append(True))()
    assert done == [True]
    assert "its run cannot be noted" in caplog.text


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc can be told to give memory back")
def test_what_a_job_has_freed_goes_back_to_the_system(jobs: Jobs) -> None:
    libc = ctypes.CDLL(None)
    libc.malloc.restype = libc.memset.restype = ctypes.c_void_p
    libc.malloc.argtypes, libc.free.argtypes = [ctypes.c_size_t], [ctypes.c_void_p]
    libc.memset.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_size_t]
    stays: list[int] = []

    def work() -> None:
        held = [libc.malloc(100_000) for _ in range(500)]
        for one in held:
            libc.memset(one, 1, 100_000)
        stays.append(libc.malloc(100_000))
        for one in held:
            libc.free(one)

    def pages_more_after(name: str) -> int:
        before = int(Path("/proc/self/statm").read_text().split()[1])
        jobs._guarded(name, work)()
        return int(Path("/proc/self/statm").read_text().split()[1]) - before

    # Of some 12,200 pages of 4 KB; the one that runs each minute needs nothing and gives nothing back.
    assert pages_more_after("review") < 2_000
    assert pages_more_after("store-size") > 10_000
    for one in stays:
        libc.free(one)


def test_the_size_grows_with_what_is_kept(store: Store, metrics: Metrics) -> None:
    empty = store_bytes(store)
    assert empty > 10_000
    rows = 20_000
    readings = Readings.from_columns(
        {
            "transmitter": np.zeros(rows, dtype=np.int64),
            "time_us": NOW_US + np.arange(rows),
            "forward_w": np.full(rows, 50.0),
            "reflected_w": np.full(rows, 1.0),
        }
    )
    with store.writing() as connection:
        arrival = new_arrival(connection, NOW_US, rows)
        insert_readings(connection, arrival, readings, np.ones(rows, dtype=np.int64), readings.time_us)
    assert store_bytes(store) - empty > 20_000 * 50


def test_the_scheduler_measures_at_once(store: Store, jobs: Jobs, metrics: Metrics) -> None:
    # PostgreSQL gets its partitions at once, too.
    first = {"store-size", "visits"} | (set() if store.is_sqlite else {"retention"})
    jobs.start()
    try:
        end = time.monotonic() + 20
        while set(runs(store)) != first and time.monotonic() < end:
            time.sleep(0.05)
    finally:
        jobs.stop()
    assert runs(store) == dict.fromkeys(first, (True, ""))
    assert (metrics.registry.get_sample_value("standingwatch_store_bytes") or 0) > 10_000


def test_old_lines_of_the_audit_go_and_that_they_did_is_told(store: Store, metrics: Metrics) -> None:
    jobs = Jobs(store, SETTINGS, metrics, lambda: NOW_US, keep_audit_days=40)
    said = {"by": "Kim", "role": "operator", "address": "", "act": "comment", "outcome": "done"}
    with store.writing() as connection:
        for age in (50.0, 40.01, 39.99, 0.0):
            note_act(connection, now_us=days_ago(age), about=f"{age:g} d ago", **said)
    work_of(jobs, "purge")()
    with store.reading() as connection:
        lines = load_audit(connection, 9)
    assert [(line.by, line.about) for line in lines[1:]] == [("Kim", "0 d ago"), ("Kim", "39.99 d ago")]
    assert (lines[0].by, lines[0].act) == ("the service", "delete old lines of the audit")
    assert lines[0].outcome == "done: 2 deleted"
    # Where there was nothing to delete nothing is told.
    work_of(jobs, "purge")()
    with store.reading() as connection:
        assert load_audit(connection, 9) == lines
