"""Work at set times, on APScheduler: what is past its retention is deleted, the store's size is measured."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy import make_url, text

from standingwatch.metrics import Metrics
from standingwatch.settings import StoreSettings
from standingwatch.store.alarming import forget_delivered
from standingwatch.store.connect import Store
from standingwatch.store.reports import forget_before
from standingwatch.store.watching import note_job

log = logging.getLogger("standingwatch.jobs")

DAY_US = 24 * 3_600_000_000

#: How long delivered messages stay in the outbox [d].
KEEP_DELIVERED_DAYS = 30


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
        self._scheduler.add_job(self._guarded("retention", self._forget), "cron", hour="*", minute=17)
        self._scheduler.add_job(self._guarded("store-size", self._measure), "interval", minutes=1)

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
            with self._store.writing() as connection:
                note_job(connection, name, started, self._clock(), error)

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

    def _measure(self) -> None:
        """Measure the size of the store."""
        self._metrics.store_bytes.set(store_bytes(self._store))


def store_bytes(store: Store) -> int:
    """Size of the store on its disk [B]."""
    if store.is_sqlite:
        path = Path(make_url(store.shown_url).database or "")
        parts = [path, path.with_name(path.name + "-wal")]
        return sum(p.stat().st_size for p in parts if p.exists())
    with store.reading() as connection:
        return int(connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one())
