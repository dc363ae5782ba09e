"""Work at set times, on APScheduler: things deleted, the store measured, reviews made, visits proposed."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy.exc import DBAPIError

from standingwatch.memory import give_back
from standingwatch.metrics import Metrics
from standingwatch.settings import AccessSettings, StoreSettings
from standingwatch.store.audit import forget_audit
from standingwatch.store.connect import Store
from standingwatch.store.outbox import forget_delivered
from standingwatch.store.partitions import keep_partitions
from standingwatch.store.passing import Attempt, tell
from standingwatch.store.purge import purge_alarms
from standingwatch.store.reports import forget_before
from standingwatch.store.retention import forget_readings
from standingwatch.store.review_due import Plan, Plans, make_due
from standingwatch.store.reviews import forget_reviews
from standingwatch.store.visits import follow_alarms
from standingwatch.store.watching import note_job
from standingwatch.store.watchman import SIZES_NOTE, load_note, save_note, store_bytes

log = logging.getLogger("standingwatch.jobs")

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

#: How long delivered messages stay in the outbox [d].
KEEP_DELIVERED_DAYS = 30

#: Longest time between two runs at a set local time: the day on which the clocks are put back [s].
LONGEST_DAY_S = 25 * 3600.0

#: Where the clock is not that of the wall, reviews are looked for so often [s].
LOOK_EVERY_S = 20

#: The job that runs each minute and needs next to nothing.
MEASURING = "store-size"

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
        reviews: when overnight reviews are made; None for never.
        keep_reviews_days: how long they are kept [d].
        keep_audit_days: how long lines of the audit are kept [d].
        is_wall_clock: whether `clock` goes as the scheduler's own; another one is asked every so often.
    """

    def __init__(
        self,
        store: Store,
        settings: StoreSettings,
        metrics: Metrics,
        clock: Callable[[], int],
        reviews: Plans | None = None,
        *,
        keep_reviews_days: int = 400,
        keep_audit_days: int = AccessSettings().keep_audit_days,
        is_wall_clock: bool = True,
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
        self._keep_reviews_days, self._keep_audit_days = keep_reviews_days, keep_audit_days
        self._reviews = tuple(self._review_job(reviews, plan, is_wall_clock) for plan in _plans(reviews))
        visits: dict[str, Any] = {"hour": "*", "minute": 7} if is_wall_clock else {"seconds": LOOK_EVERY_S}
        trigger = "cron" if is_wall_clock else "interval"
        self._visits = Job("visits", 3600.0, trigger, visits, self._follow_alarms)
        self._jobs = (
            Job("retention", 3600.0, "cron", {"hour": "*", "minute": 17}, self._forget),
            Job("purge", 86_400.0, "cron", {"hour": 3, "minute": 41}, self._purge),
            Job(MEASURING, 60.0, "interval", {"minutes": 1}, self._measure),
            *self._reviews,
            self._visits,
        )
        for job in self._jobs:
            self._scheduler.add_job(self._guarded(job.name, job.work), job.trigger, id=job.name, **job.when)

    def intervals(self) -> dict[str, float]:
        """The time between two runs of each job by its name [s]."""
        return {job.name: job.interval_s for job in self._jobs}

    def start(self) -> None:
        """Begin to work at the set times; at once measure the store, and do what was missed."""
        at_once = {MEASURING, self._visits.name, *(job.name for job in self._reviews)}
        if not self._store.is_sqlite:
            # What comes now should find its partition.
            at_once.add("retention")
        for name in at_once:
            # A first time and not a job of its own: one that is over is removed, which fails where the
            # scheduler is stopped at that moment.
            self._scheduler.modify_job(name, next_run_time=datetime.now(UTC))
        self._scheduler.start()

    def stop(self) -> None:
        """Let the run under way finish, and stop."""
        self._scheduler.shutdown(wait=True)

    def _review_job(self, plans: Plans | None, plan: Plan, is_wall_clock: bool) -> Job:
        """The job that makes the reviews of a plan."""
        name = f"review {plan.region}" if plan.region else "review"

        def work() -> None:
            if plans is not None:
                made = make_due(self._store, plans, plan, self._clock())
                if made:
                    log.info("%s: made %d", name, len(made))

        if not is_wall_clock:
            return Job(name, LONGEST_DAY_S, "interval", {"seconds": LOOK_EVERY_S}, work)
        # However late the machine wakes up, the morning's review is made.
        when = {
            "hour": plan.hour,
            "minute": plan.minute,
            "timezone": plan.timezone,
            "misfire_grace_time": None,
        }
        return Job(name, LONGEST_DAY_S, "cron", when, work)

    def _guarded(self, name: str, work: Callable[[], None]) -> Callable[[], None]:
        """A job whose runs are noted, and whose failure is seen and stops nothing else."""

        def run() -> None:
            started = self._clock()
            begin = time.monotonic()
            error = ""
            with Attempt(log, "job %s failed", name) as attempt:
                work()
            if attempt.error is not None:
                error = f"{type(attempt.error).__name__}: {attempt.error}"
                self._metrics.job_failures.labels(name).inc()
            else:
                self._metrics.job_success.labels(name).set(self._clock() / 1e6)
            if name != MEASURING:
                give_back()
            log.debug("job %s took %.2f s", name, time.monotonic() - begin)
            try:
                with self._store.writing() as connection:
                    note_job(connection, name, started, self._clock(), error)
            except DBAPIError as problem:
                # The watch finds a run that is not noted as one that was missed, and tells of it.
                tell(log, problem, "job %s: its run cannot be noted", name)

        return run

    def _forget(self) -> None:
        """Delete what is past its retention, archive it before, and make partitions for what will come."""
        now_us = self._clock()
        settings = self._settings
        readings = forget_readings(
            self._store, now_us - settings.keep_readings_days * DAY_US, settings.archive
        )
        with self._store.writing() as connection:
            gone = forget_before(
                connection,
                now_us - settings.keep_readings_days * DAY_US,
                now_us - settings.keep_rollups_days * DAY_US,
                now_us - settings.keep_refused_days * DAY_US,
            )
            gone["outbox"] = forget_delivered(connection, now_us - KEEP_DELIVERED_DAYS * DAY_US)
        if readings.busy:
            log.warning("retention: %s; the next run goes on", readings.busy)
        gone = {
            "archived": readings.archived,
            "readings": readings.rows,
            "partitions": readings.partitions,
        } | gone
        log.info("retention: deleted %s", ", ".join(f"{n} {table}" for table, n in gone.items()))
        self._keep_partitions()

    def _keep_partitions(self) -> None:
        """On PostgreSQL, make the partitions of readings that are missing."""
        made = keep_partitions(self._store, self._clock(), self._settings.keep_readings_days)
        if made:
            log.info("partitions: made %s", ", ".join(one.name for one in made))

    def _purge(self) -> None:
        """Delete alarms cleared long ago, with their history, old reviews and old lines of the audit."""
        now_us = self._clock()
        with self._store.writing() as connection:
            gone = purge_alarms(connection, now_us - self._settings.keep_cleared_alarms_days * DAY_US)
            reviews = forget_reviews(connection, now_us - self._keep_reviews_days * DAY_US)
            audit = forget_audit(connection, now_us - self._keep_audit_days * DAY_US, now_us)
        text = "purge: deleted %d alarms that were cleared long ago, %d reviews, %d lines of the audit"
        log.info(text, gone, reviews, audit)

    def _follow_alarms(self) -> None:
        """Bring visits up to date with the alarms."""
        with self._store.writing() as connection:
            new = follow_alarms(connection, self._clock())
        if new:
            log.info("visits: proposed %d", new)

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


def _plans(reviews: Plans | None) -> tuple[Plan, ...]:
    """Every plan, that of the whole fleet first."""
    return () if reviews is None else (reviews.whole, *reviews.regions)
