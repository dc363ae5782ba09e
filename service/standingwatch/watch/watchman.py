"""The watch on the watchman: measures the service itself, and says what is wrong with it."""

from __future__ import annotations

import logging
import shutil
import time
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import NamedTuple, Protocol, TypeVar

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence
from standingwatch.alarms.watchman import (
    ChannelLook,
    JobLook,
    Jump,
    Look,
    StoreLook,
    WatchmanSettings,
    growth_bytes_a_day,
    is_jump,
    judge,
)
from standingwatch.detect.words import Severity
from standingwatch.metrics import Metrics
from standingwatch.store.connect import Store
from standingwatch.store.passing import tell
from standingwatch.store.reports import horizon
from standingwatch.store.watchman import SIZES_NOTE, channel_states, load_job_runs, load_note, store_file

log = logging.getLogger("standingwatch.watchman")

#: Time between two looks [s].
LOOK_EVERY_S = 5.0

#: Messages that were given up on are told of for so long [us]; a metric shows the older ones.
DEAD_TOLD_US = 7 * 86_400_000_000

SERVER_NOTE = "the disk of the database server cannot be seen from here; judged by the store's size alone"

_T = TypeVar("_T")


class DiskUsage(Protocol):
    """Space on a disk [B]."""

    @property
    def total(self) -> int:
        """All of it."""
        ...

    @property
    def free(self) -> int:
        """What can still be written to."""
        ...


class _Kept(NamedTuple):
    """What one reading of the store gives."""

    horizon_us: int
    jobs: dict[str, JobLook]
    channels: dict[str, ChannelLook]
    sizes: list[tuple[int, int]]


class Watchman:
    """Looks at the service from time to time; called by the watch's thread alone.

    Args:
        store: what is asked how far all have come.
        settings: limits.
        metrics: what is shown and counted.
        job_intervals: time between two runs of each job [s].
        channels: names of the channels that are in use.
        connections: how long each connection to the broker has been down, 0 while it is up [s].
        monotonic: a clock that nobody sets [s].
        disk_usage: space on the disk that holds a path; raises `OSError` where it cannot be told.
    """

    def __init__(
        self,
        store: Store,
        settings: WatchmanSettings,
        metrics: Metrics,
        *,
        job_intervals: Mapping[str, float],
        channels: Collection[str],
        connections: Callable[[], Mapping[str, float]],
        monotonic: Callable[[], float] = time.monotonic,
        disk_usage: Callable[[Path], DiskUsage] = shutil.disk_usage,
    ) -> None:
        self._store = store
        self._settings = settings
        self._metrics = metrics
        self._job_intervals = dict(job_intervals)
        self._channels = tuple(channels)
        self._connections = connections
        self._monotonic = monotonic
        self._disk_usage = disk_usage
        self._file = store_file(store)
        self._began = monotonic()
        self._next = self._began
        self._offset_s: float | None = None
        self._jumped: tuple[float, float] | None = None
        self._alarms: Mapping[AlarmKey, Alarm] | None = None
        self._said: dict[AlarmKey, Severity] = {}
        self._told_problems: dict[str, str] = {}
        self._growth: tuple[list[tuple[int, int]], float | None] = ([], None)

    def evidence(self, now_us: int, alarms: Mapping[AlarmKey, Alarm]) -> list[Evidence]:
        """What is otherwise than the alarm list has it; empty between two looks. Never raises.

        Args:
            now_us: now [Unix microseconds], read just before.
            alarms: the alarm list. Another object than before is one that was read from the store anew: what
                was said last may not have been kept, and all is said again.
        """
        now = self._monotonic()
        if now < self._next:
            return []
        if alarms is not self._alarms:
            self._alarms, self._said = alarms, {}
        self._next = now + LOOK_EVERY_S

        def look_and_judge() -> list[Evidence]:
            return judge(self._look(now_us, now), alarms, self._said, self._settings)

        evidence = self._measured("judgement", look_and_judge) or []
        self._said |= {piece.key: piece.severity for piece in evidence}
        return evidence

    # Measuring ------------------------------------------------------------------------------------------

    def _measured(self, part: str, measure: Callable[[], _T]) -> _T | None:
        """What a measurement gives; None where it fails, which is counted and said once."""
        try:
            value = measure()
        except Exception as problem:  # noqa: BLE001  whatever it was, it is told
            # Alarms about sites must not wait for it.
            text = f"{type(problem).__name__}: {problem}"
            self._metrics.watchman_failures.labels(part).inc()
            if self._told_problems.get(part) != text:
                tell(log, problem, "the watch on the service itself: %s cannot be measured", part)
            self._told_problems[part] = text
            return None
        self._told_problems.pop(part, None)
        return value

    def _look(self, now_us: int, now: float) -> Look:
        kept = self._measured("store", lambda: self._kept(now_us))
        return Look(
            now_us=now_us,
            running_s=now - self._began,
            jump=self._jump(now_us, now),
            horizon_us=kept.horizon_us if kept is not None else None,
            connections_down_s=self._measured("connections", self._connections),
            store=self._measured("disk", lambda: self._room(kept.sizes if kept is not None else [])),
            jobs=kept.jobs if kept is not None else None,
            channels=kept.channels if kept is not None else None,
        )

    def _jump(self, now_us: int, now: float) -> Jump | None:
        """The last jump of the wall's clock, a new one too."""
        offset_s = now_us / 1e6 - now
        step_s = 0.0 if self._offset_s is None else offset_s - self._offset_s
        self._offset_s = offset_s
        if is_jump(step_s, self._settings):
            log.warning("the clock of this machine jumped by %+.1f s", step_s)
            self._jumped = (step_s, now)
        if self._jumped is None:
            return None
        return Jump(self._jumped[0], now - self._jumped[1])

    def _kept(self, now_us: int) -> _Kept:
        with self._store.reading() as connection:
            come = horizon(connection)
            runs = load_job_runs(connection)
            states = channel_states(connection, self._channels, now_us - DEAD_TOLD_US)
            sizes = load_note(connection, SIZES_NOTE) or []
        jobs = {}
        for name, interval_s in self._job_intervals.items():
            run = runs.get(name)
            jobs[name] = (
                JobLook(interval_s)
                if run is None
                else JobLook(interval_s, run.ended_us, run.succeeded, run.detail)
            )
        channels = {}
        for name, state in states.items():
            age_s = 0.0 if state.oldest_us is None else max(0.0, (now_us - state.oldest_us) / 1e6)
            self._metrics.outbox_oldest_waiting.labels(name).set(age_s)
            self._metrics.outbox_dead.labels(name).set(state.dead)
            channels[name] = ChannelLook(state.oldest_us, state.waiting, state.dead_lately, state.error)
        pairs = [(int(time_us), int(size)) for time_us, size in sizes]
        return _Kept(come.until_us if come is not None else 0, jobs, channels, pairs)

    def _room(self, sizes: list[tuple[int, int]]) -> StoreLook:
        if sizes and sizes != self._growth[0]:
            self._growth = (sizes, growth_bytes_a_day(sizes))
        known = self._growth[0]
        size, growth = (known[-1][1] if known else None), self._growth[1]
        if self._file is None:
            return StoreLook(
                size_bytes=size,
                growth_bytes_a_day=growth,
                note="" if self._store.is_sqlite else SERVER_NOTE,
            )
        try:
            usage = self._disk_usage(self._file.resolve().parent)
        except OSError as problem:
            self._metrics.watchman_failures.labels("disk").inc()
            return StoreLook(size_bytes=size, growth_bytes_a_day=growth, problem=str(problem))
        self._metrics.store_free_bytes.set(usage.free)
        return StoreLook(usage.free, usage.total, size, growth)
