"""Jobs that make the overnight reviews: at each region's local hour, once, and also when it was missed."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.inventory import InventoryRow
from standingwatch.jobs import LOOK_EVERY_S, Jobs
from standingwatch.metrics import Metrics
from standingwatch.settings import StoreSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.review_due import Plan, Plans
from standingwatch.store.reviews import list_reviews
from standingwatch.store.sites import replace_site_list

VIENNA, UTAH = Plan("Alps", 5, 30, "Europe/Vienna"), Plan("Utah", 5, 30, "America/Denver")
PLANS = Plans(Plan("", 4, 0, "UTC"), (VIENNA, UTAH))


def us(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000


class Clock:
    """A clock that stands until it is set."""

    def __init__(self, text: str) -> None:
        self.now_us = us(text)

    def __call__(self) -> int:
        return self.now_us


@pytest.fixture
def fleet(store: Store) -> Store:
    rows = [InventoryRow("a", "t", 150.0, region="Alps"), InventoryRow("u", "t", 150.0, region="Utah")]
    with store.writing() as connection:
        replace_site_list(connection, rows, us("2026-01-01T00:00:00"))
    return store


@pytest.fixture
def jobs_of(fleet: Store) -> Callable[..., Jobs]:
    def make(clock: Clock, **more: Any) -> Jobs:
        return Jobs(fleet, StoreSettings(), Metrics(CollectorRegistry()), clock, PLANS, **more)

    return make


def run(jobs: Jobs, name: str) -> None:
    """What the scheduler runs, run at once."""
    (job,) = (job for job in jobs._jobs if job.name == name)
    jobs._guarded(name, job.work)()


def reviews(store: Store) -> list[tuple[str, str]]:
    with store.reading() as connection:
        return [(one.region, one.day) for one in reversed(list_reviews(connection))]


def wait_for(true: Callable[[], object]) -> None:
    end = time.monotonic() + 20
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    assert true()


def fire_times(jobs: Jobs, name: str, first: str, count: int) -> list[str]:
    """When the scheduler runs a job next, again and again, as UTC."""
    position = [job.name for job in jobs._jobs].index(name)
    trigger = jobs._scheduler.get_jobs()[position].trigger
    now, before, times = datetime.fromisoformat(first).replace(tzinfo=UTC), None, []
    for _ in range(count):
        before = trigger.get_next_fire_time(before, now)
        now = before.astimezone(UTC) + timedelta(seconds=1)
        times.append(before.astimezone(UTC).strftime("%m-%dT%H:%M"))
    return times


def test_each_region_is_reviewed_at_its_own_hour_also_over_a_change_of_the_clocks(
    jobs_of: Callable[..., Jobs],
) -> None:
    jobs = jobs_of(Clock("2026-03-28T12:00:00"))
    # Vienna goes to summer time on 29 March, Utah has been there since the 8th.
    assert fire_times(jobs, "review Alps", "2026-03-27T12:00:00", 3) == [
        "03-28T04:30",
        "03-29T03:30",
        "03-30T03:30",
    ]
    assert fire_times(jobs, "review Utah", "2026-03-27T12:00:00", 2) == ["03-28T11:30", "03-29T11:30"]
    assert fire_times(jobs, "review Alps", "2026-10-24T12:00:00", 2) == ["10-25T04:30", "10-26T04:30"]
    assert fire_times(jobs, "review", "2026-10-24T12:00:00", 2) == ["10-25T04:00", "10-26T04:00"]
    assert {name: s for name, s in jobs.intervals().items() if name.startswith("review")} == {
        "review": 90_000.0,
        "review Alps": 90_000.0,
        "review Utah": 90_000.0,
    }


def test_a_week_of_runs_over_the_change_makes_one_review_a_day(
    fleet: Store, jobs_of: Callable[..., Jobs]
) -> None:
    clock = Clock("2026-03-27T00:00:00")
    jobs = jobs_of(clock)
    for name in ("review Alps", "review Utah"):
        for fired in fire_times(jobs, name, "2026-03-27T00:00:00", 4):
            clock.now_us = us(f"2026-{fired}:00")
            run(jobs, name)
            run(jobs, name)
    days = ["2026-03-27", "2026-03-28", "2026-03-29", "2026-03-30"]
    assert reviews(fleet) == [*(("Alps", day) for day in days), *(("Utah", day) for day in days)]


def test_what_was_missed_is_made_at_the_start_and_not_twice(
    fleet: Store, jobs_of: Callable[..., Jobs]
) -> None:
    clock = Clock("2026-03-29T12:00:00")
    for _ in range(2):
        jobs = jobs_of(clock)
        jobs.start()
        try:
            wait_for(lambda: len(runs(fleet)) == 3)
        finally:
            jobs.stop()
        assert sorted(reviews(fleet)) == [("", "2026-03-29"), ("Alps", "2026-03-29"), ("Utah", "2026-03-29")]
    assert all(succeeded for succeeded in runs(fleet).values())


def runs(store: Store) -> dict[str, bool]:
    with store.reading() as connection:
        query = select(tables.job_runs).where(tables.job_runs.c.job.like("review%"))
        return {row.job: row.succeeded for row in connection.execute(query)}


def test_a_machine_that_slept_through_the_hour_makes_it_however_late(jobs_of: Callable[..., Jobs]) -> None:
    jobs = jobs_of(Clock("2026-03-29T12:00:00"))
    found = {job.name: job.when for job in jobs._jobs if job.name.startswith("review")}
    assert all(when["misfire_grace_time"] is None for when in found.values())
    assert found["review Alps"]["timezone"] == "Europe/Vienna"


def test_a_clock_of_its_own_is_asked_every_so_often(fleet: Store, jobs_of: Callable[..., Jobs]) -> None:
    clock = Clock("2026-03-29T12:00:00")
    jobs = jobs_of(clock, is_wall_clock=False)
    [when] = {tuple(job.when.items()) for job in jobs._jobs if job.name.startswith("review")}
    assert when == (("seconds", LOOK_EVERY_S),)
    for hours in (0, 10, 24, 48):
        clock.now_us = us("2026-03-29T12:00:00") + hours * 3_600_000_000
        run(jobs, "review Alps")
    assert [day for _, day in reviews(fleet)] == ["2026-03-29", "2026-03-30", "2026-03-31"]


def test_old_reviews_are_deleted_with_the_purge(fleet: Store, jobs_of: Callable[..., Jobs]) -> None:
    clock = Clock("2026-03-01T12:00:00")
    jobs = jobs_of(clock, keep_reviews_days=10)
    run(jobs, "review Alps")
    clock.now_us = us("2026-03-10T12:00:00")
    run(jobs, "review Alps")
    run(jobs, "purge")
    assert [day for _, day in reviews(fleet)] == ["2026-03-01", "2026-03-10"]
    clock.now_us = us("2026-03-12T12:00:00")
    run(jobs, "purge")
    assert [day for _, day in reviews(fleet)] == ["2026-03-10"]
