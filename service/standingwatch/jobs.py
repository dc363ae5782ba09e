"""Work at set times, on APScheduler: what is past its time is deleted, the store's size is measured."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from typing import Any

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy.exc import DBAPIError

from standingwatch.metrics import Metrics
from standingwatch.settings import StoreSettings
from standingwatch.store.connect import Store
from standingwatch.store.outbox import forget_delivered
from standingwatch.store.purge import purge_alarms
from standingwatch.store.reports import forget_before
from standingwatch.store.watching import note_job
from standingwatch.store.watchman import SIZES_NOTE, load_note, save_note, store_bytes

log = logging.getLogger("standingwatch.jobs")

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

#: How long delivered messages stay in the outbox [d].
KEEP_DELIVERED_DAYS = 30

#: So many sizes of the store are remembered, one an hour.
KEEP_SIZES = 24 * 14


@dataclass(frozen=True)
class Job:
    """Work at set times.

    Attributes:
        name: what runs are noted by.
        interval_s: time between two runs [s].
        trigger: APScheduler's trigger, which has to agree with the interval.
        when: its arguments.
        work: what is done.
    """

    name: str
    interval_s: float
    trigger: str
    when: dict[str, Any]
    work: Callable[[], None]


class Jobs:
    """The scheduler with its jobs; each run is noted in the store and in the metrics.

    Args:
        store: what is kept in order.
        settings: retention.
        metrics: where runs are shown.
        clock: now [Unix microseconds].
    """

    def __init__(
        self, store: Store, settings: StoreSettings, metrics: Metrics, clock: Callable[[], int]
    ) -> None:
        self._store = store
        self._settings = settings
        self._metrics = metrics
        self._clock = clock
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "misfire_grace_time": 3600},
        )
        self._jobs = (
            Job("retention", 3600.0, "cron", {"hour": "*", "minute": 17}, self._forget),
            Job("purge", 86_400.0, "cron", {"hour": 3, "minute": 41}, self._purge),
            Job("store-size", 60.0, "interval", {"minutes": 1}, self._measure),
        )
        for job in self._jobs:
            self._scheduler.add_job(self._guarded(job.name, job.work), job.trigger, **job.when)

    def intervals(self) -> dict[str, float]:
        """The time between two runs of each job by its name [s]."""
        return {job.name: job.interval_s for job in self._jobs}

    def start(self) -> None:
        """Begin to work at the set times, and measure the store at once."""
        self._scheduler.start()
        self._scheduler.add_job(self._guarded("store-size", self._measure))

    def stop(self) -> None:
        """Let the run under way finish, and stop."""
        self._scheduler.shutdown(wait=True)

    def _guarded(self, name: str, work: Callable[[], None]) -> Callable[[], None]:
        """A job whose runs are noted, and whose failure is seen and stops nothing else."""

        def run() -> None:
            started = self._clock()
            begin = time.monotonic()
            error = ""
            try:
                work()
            except Exception as problem:
                log.exception("job %s failed", name)
                error = f"{type(problem).__name__}: {problem}"
                self._metrics.job_failures.labels(name).inc()
            else:
                self._metrics.job_success.labels(name).set(self._clock() / 1e6)
            log.debug("job %s took %.2f s", name, time.monotonic() - begin)
            try:
                with self._store.writing() as connection:
                    note_job(connection, name, started, self._clock(), error)
            except DBAPIError:
                # The watch finds a run that is not noted as one that was missed, and tells of it.
                log.exception("job %s: its run cannot be noted", name)

        return run

    def _forget(self) -> None:
        """Delete what is past its retention."""
        now_us = self._clock()
        settings = self._settings
        with self._store.writing() as connection:
            gone = forget_before(
                connection,
                now_us - settings.keep_readings_days * DAY_US,
                now_us - settings.keep_rollups_days * DAY_US,
                now_us - settings.keep_refused_days * DAY_US,
            )
            gone["outbox"] = forget_delivered(connection, now_us - KEEP_DELIVERED_DAYS * DAY_US)
        log.info("retention: deleted %s", ", ".join(f"{n} {table}" for table, n in gone.items()))

    def _purge(self) -> None:
        """Delete alarms that were cleared long ago, with their history."""
        before_us = self._clock() - self._settings.keep_cleared_alarms_days * DAY_US
        with self._store.writing() as connection:
            gone = purge_alarms(connection, before_us)
        log.info("purge: deleted %d alarms that were cleared long ago", gone)

    def _measure(self) -> None:
        """Measure the size of the store, and remember it once an hour."""
        size = store_bytes(self._store)
        self._metrics.store_bytes.set(size)
        now_us = self._clock()
        with self._store.reading() as connection:
            sizes = load_note(connection, SIZES_NOTE) or []
        # After a clock that was put back the sizes of the time to come are of no use.
        kept = [s for s in sizes if s[0] <= now_us]
        is_new = not kept or kept[-1][0] // HOUR_US != now_us // HOUR_US
        if is_new:
            kept.append([now_us, size])
        if is_new or len(kept) != len(sizes):
            with self._store.writing() as connection:
                save_note(connection, SIZES_NOTE, kept[-KEEP_SIZES:])
