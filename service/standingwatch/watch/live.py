"""The watch: what has arrived, judged, and the alarms that follow, in one transaction with the cursor.

After a crash between any two lines the store holds either all of a pass or nothing of it. State in memory
that a failed pass has changed is thrown away and read from the store again, as after a start.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence
from standingwatch.alarms.steady import Advance, advance
from standingwatch.detect.engine import Links, StepResult
from standingwatch.metrics import Metrics
from standingwatch.readings import Flag, Fleet, Readings
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.late_days import note_late
from standingwatch.store.parts import DivisionChangedError, all_have_met, hold_division, watch_name
from standingwatch.store.passing import Attempt
from standingwatch.store.reports import (
    Horizon,
    LinkReport,
    horizon,
    last_arrival,
    links_after,
    readings_after,
)
from standingwatch.store.telling import save_delays
from standingwatch.store.watching import (
    Progress,
    add_baselines,
    load_maintenance,
    save_progress,
    save_rollups,
    save_state,
)
from standingwatch.watch.desk import Plan
from standingwatch.watch.history_pass import HistoryTaker
from standingwatch.watch.judging import to_evidence, to_maintenance
from standingwatch.watch.late import LateWork, late_evidence
from standingwatch.watch.loading import Loaded, WatchOptions, load_watch, versions_of
from standingwatch.watch.records import changed_records
from standingwatch.watch.showing import forget_part, newest_of, show_alarms, show_desk

__all__ = ["Watch", "WatchOptions", "no_evidence"]

log = logging.getLogger("standingwatch.watch")


def no_evidence(_now_us: int, _present: Mapping[AlarmKey, Alarm]) -> Sequence[Evidence]:
    """No evidence: nobody watches over the service."""
    return ()


class Watch:
    """Judges what arrives until it is stopped.

    Args:
        store: where readings are and alarms go.
        options: settings.
        metrics: what is counted and shown.
        clock: now [Unix microseconds].
        on_changes: called after a commit that changed alarms or made messages.
        watch_over_itself: gives evidence about the service itself, from now and the alarms as they stand.
        part: its number, where the sites are shared out to several (`store/parts.py`).
    """

    def __init__(
        self,
        store: Store,
        options: WatchOptions,
        metrics: Metrics,
        clock: Callable[[], int],
        on_changes: Callable[[], None] = lambda: None,
        watch_over_itself: Callable[[int, Mapping[AlarmKey, Alarm]], Sequence[Evidence]] = no_evidence,
        part: int = 0,
    ) -> None:
        self.part = part
        self._store = store
        self._options = options
        self._metrics = metrics
        self._clock = clock
        self._on_changes = on_changes
        self._watch_over_itself = watch_over_itself
        self._loaded: Loaded | None = None
        self._late_pause_us = round(options.late_pause_s * 1e6)
        self._history = HistoryTaker(
            store, part, options.detection, options.steady, options.desk.source, clock, on_changes
        )
        #: How far the watch has come, when its last pass ended, and how far it is behind what has arrived.
        self.until_us: int | None = None
        self.last_pass_us: int | None = None
        self.lag_s = 0.0
        #: When the loop last went round, after a pass that failed too; on the monotonic clock [s].
        self.turned_s = time.monotonic()
        #: How many alarms stand, by the word for their severity.
        self.standing: dict[str, int] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Watch on a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the pass under way, and stop."""
        self._stopping.set()
        self._thread.join()
        forget_part(self._metrics, self.part)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.turned_s, began_ns = time.monotonic(), time.time_ns()
            busy = False
            failed = "a pass of the watch failed; it is made again from the store"
            with Attempt(log, failed) as attempt, self._metrics.watch_seconds.time():
                busy = self.make_pass()
            if attempt.error is not None:
                # The store holds the last good pass, and the next one begins from there.
                self._metrics.spans.note("pass", began_ns, error=type(attempt.error).__name__)
                self._metrics.watch_failures.inc()
                self._loaded = None
                self._stopping.wait(1.0)
                continue
            if not busy:
                self._stopping.wait(self._options.pause_s)

    # A pass ---------------------------------------------------------------------------------------------

    def make_pass(self) -> bool:
        """Judge what is new and commit what follows; true if there may be more to do at once."""
        began_ns = time.time_ns()
        while True:
            loaded = self._loaded = self._loaded or self._load()
            progress = loaded.progress
            with self._store.reading() as connection:
                meeting = loaded.share.meeting
                has_met = meeting is not None and loaded.has_come and all_have_met(connection, meeting)
                if has_met or versions_of(connection) != loaded.versions:
                    self._loaded = None
                    continue
                if loaded.share.is_idle:
                    self.last_pass_us = self._clock()
                    return False
                readings, arrival = readings_after(
                    connection,
                    progress.arrival,
                    self._options.rows_per_pass,
                    loaded.position_of_key,
                    loaded.of_keys,
                    None if meeting is None else meeting[0],
                )
                links = links_after(connection, progress.arrival, arrival)
                now_known = horizon(connection)
                newest_arrival = last_arrival(connection)
                loaded.maintenance = to_maintenance(load_maintenance(connection), loaded.fleet)
                loaded.desk.look(connection, self._clock())
                # While arrivals wait that this pass does not hold, nothing can be said about silence.
                behind = newest_arrival > arrival
                late = LateWork.next_of(
                    connection,
                    self._clock() - self._late_pause_us,
                    arrival,
                    self._options.rows_per_pass,
                    loaded.position_of_key,
                    loaded.of_keys,
                )
            break
        known = now_known if now_known is not None else Horizon(0, 0)
        if meeting is not None and arrival == meeting[0]:
            # All that was sent up to then was there when the first one had come so far.
            until_us = meeting[1]
        else:
            until_us = progress.until_us if behind else max(progress.until_us, known.until_us)
        self.lag_s = self._lag_s(readings) if behind else 0.0
        self._metrics.watch_lag.set(self.lag_s)

        closed_before = loaded.engine.closed_until_us
        result = loaded.engine.step(
            readings,
            since_us=known.since_us,
            until_us=until_us,
            links=self._links(links, loaded.fleet),
            maintenance=loaded.maintenance,
        )
        late.put_right(loaded.engine, loaded.maintenance, result)
        noted_us = self._clock()
        old = readings.take((readings.time_us < closed_before) & ((readings.flags & int(Flag.FUTURE)) == 0))
        evidence = [
            *loaded.orphans,
            *late_evidence(to_evidence(result.findings, loaded.fleet), closed_before, noted_us),
            *self._watch_over_itself(noted_us, loaded.alarms),
        ]
        advanced = advance(
            loaded.alarms,
            loaded.delays,
            evidence,
            self._options.steady,
            until_us=until_us,
            closed_us=loaded.engine.closed_until_us,
            noted_us=noted_us,
            late_pause_us=self._late_pause_us,
            late_sites={loaded.fleet.site[i] for i in np.unique(old.transmitter).tolist()},
        )
        loaded.orphans = []
        plan = loaded.desk.plan(advanced.changes, noted_us)
        try:
            self._commit(loaded, result, advanced, plan, old, late, arrival, until_us)
        except DivisionChangedError:
            self._loaded = None
            return True
        self._show(loaded, readings, result, advanced.changes)
        show_desk(self._metrics, loaded.desk, plan, self.part)
        self.until_us, self.last_pass_us = until_us, self._clock()
        self._metrics.watch_last_pass.set(self.last_pass_us / 1e6)
        if len(readings) or advanced.changes:  # two passes a second find nothing to do
            about = {"readings": len(readings), "changes": len(advanced.changes)}
            self._metrics.spans.note("pass", began_ns, about)
        # What comes now goes before what was.
        if late.day is not None or (behind and not loaded.has_come):
            return True
        if meeting is not None:
            return False
        try:
            taken = self._history.take(loaded, self._links)
        except DivisionChangedError:
            self._loaded = None
            return True
        if taken.replaced:
            self._loaded = None
        return taken.more

    def _commit(
        self,
        loaded: Loaded,
        result: StepResult,
        advanced: Advance,
        plan: Plan,
        old: Readings,
        late: LateWork,
        arrival: int,
        until_us: int,
    ) -> None:
        """Keep all that the pass changed, in one transaction; nothing if it changed nothing."""
        engine = loaded.engine
        progress = Progress(arrival, until_us, engine.closed_until_us, loaded.progress.layout)
        nothing = (
            arrival == loaded.progress.arrival
            and engine.closed_until_us == loaded.progress.closed_until_us
            and not advanced.changes
            and not advanced.touched
            and plan.is_empty
            and not any(len(positions) for positions in result.touched.values())
            and late.day is None
            and loaded.share.meeting is None
        )
        if nothing:
            loaded.progress = progress
            return
        with self._store.writing() as connection:
            hold_division(connection, loaded.versions[1:])
            save_state(
                connection,
                changed_records(engine, result.touched),
            )
            save_rollups(connection, result.hours, loaded.fleet.key[result.hours.transmitter])
            late.keep(connection, loaded.fleet)
            note_late(connection, loaded.fleet.key[old.transmitter], old.time_us, self._clock())
            add_baselines(connection, result.baselines, loaded.fleet.key)
            save_changes(connection, advanced.changes, self._options.desk.source)
            save_delays(connection, loaded.delays, advanced.touched)
            loaded.desk.keep(connection, plan)
            save_progress(connection, watch_name(self.part), progress)
        loaded.progress = progress
        if advanced.changes or not plan.is_empty:
            self._on_changes()

    def _lag_s(self, readings: Readings) -> float:
        """How far the newest reading taken is behind now [s]."""
        return (self._clock() - int(readings.time_us.max())) / 1e6 if len(readings) else 0.0

    @staticmethod
    def _links(reports: Sequence[LinkReport], fleet: Fleet) -> Links:
        if not reports:
            return Links.none()
        where = {name: i for i, name in enumerate(fleet.site_names)}
        known = [r for r in reports if r.site in where]
        return Links(
            np.array([where[r.site] for r in known], dtype=np.int64),
            np.array([r.time_us for r in known], dtype=np.int64),
            np.array([r.online for r in known], dtype=np.bool_),
        )

    def _load(self) -> Loaded:
        """Everything the watch has in memory, from the store."""
        loaded = load_watch(self._store, self._options, self._clock, self.part)
        self._show(loaded, loaded.engine.pending, StepResult(), [])
        return loaded

    # Showing --------------------------------------------------------------------------------------------

    def _show(
        self, loaded: Loaded, readings: Readings, result: StepResult, changes: Sequence[Change]
    ) -> None:
        """Bring metrics up to date."""
        self._metrics.readings_judged.inc(len(readings))
        loaded.shown = newest_of(loaded.shown, readings)
        for change_of_baseline in result.baselines:
            loaded.shown.baseline_rho[change_of_baseline.transmitter] = change_of_baseline.rho
        self.standing = show_alarms(self._metrics, loaded.shown, loaded.alarms.values(), changes, self.part)
