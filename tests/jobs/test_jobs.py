"""Jobs: retention deletes what is old and keeps the rest; each run is noted, also one that fails."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import insert, select

from standingwatch.jobs import DAY_US, KEEP_DELIVERED_DAYS, Jobs, store_bytes
from standingwatch.metrics import Metrics
from standingwatch.readings import Readings
from standingwatch.settings import StoreSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import RefusedReport, insert_readings, new_arrival, refuse

NOW_US = 1_795_000_000_000_000
SETTINGS = StoreSettings(keep_readings_days=10, keep_rollups_days=100, keep_refused_days=5)


@pytest.fixture
def metrics() -> Metrics:
    return Metrics(CollectorRegistry())


@pytest.fixture
def jobs(store: Store, metrics: Metrics) -> Jobs:
    return Jobs(store, SETTINGS, metrics, lambda: NOW_US)


def work_of(jobs: Jobs, name: str) -> Callable[[], None]:
    """What the scheduler runs, run at once."""
    work = {"retention": jobs._forget, "store-size": jobs._measure}[name]
    return jobs._guarded(name, work)


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
        common = {"channel": "file", "site": "alder-ridge", "transmitter": "", "body": "{}", "last_error": ""}
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
    jobs.start()
    try:
        end = time.monotonic() + 20
        while "store-size" not in runs(store) and time.monotonic() < end:
            time.sleep(0.05)
    finally:
        jobs.stop()
    assert runs(store) == {"store-size": (True, "")}
    assert (metrics.registry.get_sample_value("standingwatch_store_bytes") or 0) > 10_000
