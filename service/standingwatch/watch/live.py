"""The watch: what has arrived, judged, and the alarms that follow, in one transaction with the cursor.

After a crash between any two lines the store holds either all of a pass or nothing of it. State in memory
that a failed pass has changed is thrown away and read from the store again, as after a start.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply_all
from standingwatch.detect.engine import DetectionSettings, Engine, Links, StepResult, in_order
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.rollup import HOUR_US, Hours, hour_of, roll_up
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import FleetDefaults, build_fleet
from standingwatch.metrics import FleetState, Metrics
from standingwatch.readings import UNUSABLE, Flag, Fleet, IntArray, Readings
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.reports import (
    Horizon,
    LinkReport,
    horizon,
    last_arrival,
    links_after,
    readings_after,
    readings_between,
)
from standingwatch.store.sites import load_site_list, site_list_version
from standingwatch.store.watching import (
    Progress,
    add_baselines,
    clear_state,
    load_maintenance,
    load_progress,
    load_state,
    present_baselines,
    save_progress,
    save_rollups,
    save_state,
)
from standingwatch.watch.judging import to_evidence, to_maintenance
from standingwatch.watch.records import all_records, changed_records, layout_text, parts_of, restore

log = logging.getLogger("standingwatch.watch")

WATCH = "watch"


@dataclass(frozen=True)
class WatchOptions:
    """What the watch needs of the settings.

    Attributes:
        detection: the detectors' settings.
        defaults: for what the site list does not say.
        source: CloudEvents `source` of the alarm events.
        channels: channels and the least severity that each wants.
        rows_per_pass: readings taken in one pass, at most.
        pause_s: pause between passes when there is nothing new [s].
    """

    detection: DetectionSettings
    defaults: FleetDefaults
    source: str
    channels: tuple[tuple[str, Severity], ...]
    rows_per_pass: int = 200_000
    pause_s: float = 0.25


@dataclass
class _Loaded:
    """What a watch has in memory; made from the store, and made anew after a failure."""

    fleet: Fleet
    engine: Engine
    maintenance: Maintenance
    alarms: dict[AlarmKey, Alarm]
    position_of_key: IntArray
    version: int
    progress: Progress
    shown: FleetState
    orphans: list[Evidence]


class Watch:
    """Judges what arrives until it is stopped.

    Args:
        store: where readings are and alarms go.
        options: settings.
        metrics: what is counted and shown.
        clock: now [Unix microseconds].
        on_changes: called after a commit that changed alarms.
    """

    def __init__(
        self,
        store: Store,
        options: WatchOptions,
        metrics: Metrics,
        clock: Callable[[], int],
        on_changes: Callable[[], None] = lambda: None,
    ) -> None:
        self._store = store
        self._options = options
        self._metrics = metrics
        self._clock = clock
        self._on_changes = on_changes
        self._loaded: _Loaded | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Watch on a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the pass under way, and stop."""
        self._stopping.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with self._metrics.watch_seconds.time():
                    busy = self.make_pass()
            except Exception:
                # Whatever it was, the store holds the last good pass, and the next one begins from there.
                log.exception("a pass of the watch failed; it is made again from the store")
                self._metrics.watch_failures.inc()
                self._loaded = None
                self._stopping.wait(1.0)
                continue
            if not busy:
                self._stopping.wait(self._options.pause_s)

    # A pass ---------------------------------------------------------------------------------------------

    def make_pass(self) -> bool:
        """Judge what is new and commit what follows; true if there may be more to do at once."""
        with self._store.reading() as connection:
            loaded = self._loaded
            if loaded is None or site_list_version(connection) != loaded.version:
                loaded = self._loaded = self._load()
            progress = loaded.progress
            readings, arrival = readings_after(
                connection, progress.arrival, self._options.rows_per_pass, loaded.position_of_key
            )
            links = links_after(connection, progress.arrival, arrival)
            now_known = horizon(connection)
            newest_arrival = last_arrival(connection)
            loaded.maintenance = to_maintenance(load_maintenance(connection), loaded.fleet)
        # While arrivals wait that this pass does not hold, nothing can be said about silence.
        behind = newest_arrival > arrival
        known = now_known if now_known is not None else Horizon(0, 0)
        until_us = progress.until_us if behind else max(progress.until_us, known.until_us)
        self._metrics.watch_lag.set(self._lag_s(readings) if behind else 0.0)

        closed_before = loaded.engine.closed_until_us
        result = loaded.engine.step(
            readings,
            since_us=known.since_us,
            until_us=until_us,
            links=self._links(links, loaded.fleet),
            maintenance=loaded.maintenance,
        )
        noted_us = self._clock()
        evidence = loaded.orphans + to_evidence(result.findings, loaded.fleet)
        changes = apply_all(loaded.alarms, evidence, noted_us)
        loaded.orphans = []
        self._commit(loaded, result, changes, readings, closed_before, arrival, until_us)
        self._show(loaded, readings, result, changes)
        return behind

    def _commit(
        self,
        loaded: _Loaded,
        result: StepResult,
        changes: Sequence[Change],
        readings: Readings,
        closed_before: int,
        arrival: int,
        until_us: int,
    ) -> None:
        """Keep all that the pass changed, in one transaction; nothing if it changed nothing."""
        engine = loaded.engine
        old = readings.take((readings.time_us < closed_before) & ((readings.flags & int(Flag.FUTURE)) == 0))
        progress = Progress(arrival, until_us, engine.closed_until_us, loaded.progress.layout)
        nothing = (
            arrival == loaded.progress.arrival
            and engine.closed_until_us == loaded.progress.closed_until_us
            and not changes
            and not any(len(positions) for positions in result.touched.values())
        )
        if nothing:
            loaded.progress = progress
            return
        with self._store.writing() as connection:
            save_state(
                connection,
                changed_records(engine, result.touched),
            )
            save_rollups(connection, result.hours, loaded.fleet.key[result.hours.transmitter])
            for hours in self._corrected(connection, loaded, old, arrival):
                save_rollups(connection, hours, loaded.fleet.key[hours.transmitter])
            add_baselines(connection, result.baselines, loaded.fleet.key)
            save_changes(connection, changes, self._options.source, self._options.channels)
            save_progress(connection, WATCH, progress)
        loaded.progress = progress
        if changes:
            self._on_changes()

    @staticmethod
    def _corrected(connection: Connection, loaded: _Loaded, old: Readings, arrival: int) -> list[Hours]:
        """Hours that were closed before some of their readings came, made again with them."""
        corrected = []
        hour = hour_of(old.time_us)
        for begin in np.unique(hour).tolist():
            late = np.unique(old.transmitter[hour == begin])
            whole = readings_between(
                connection,
                begin,
                begin + HOUR_US,
                arrival,
                loaded.position_of_key,
            )
            corrected.append(roll_up(in_order(whole.take(np.isin(whole.transmitter, late)))))
        return corrected

    def _lag_s(self, readings: Readings) -> float:
        """How far the newest reading taken is behind now [s]."""
        return (self._clock() - int(readings.time_us.max())) / 1e6 if len(readings) else 0.0

    @staticmethod
    def _links(reports: Sequence[LinkReport], fleet: Fleet) -> Links:
        where = {name: i for i, name in enumerate(fleet.site_names)}
        known = [r for r in reports if r.site in where]
        return Links(
            np.array([where[r.site] for r in known], dtype=np.int64),
            np.array([r.time_us for r in known], dtype=np.int64),
            np.array([r.online for r in known], dtype=np.bool_),
        )

    # Loading --------------------------------------------------------------------------------------------

    def _load(self) -> _Loaded:
        """Everything the watch has in memory, from the store."""
        with self._store.reading() as connection:
            sites = load_site_list(connection)
            fleet = build_fleet(sites.rows, sites.keys, self._options.defaults)
            engine = Engine(fleet, self._options.detection)
            layout = layout_text(engine)
            progress = load_progress(connection, WATCH) or Progress(0, 0, 0, layout)
            kept_layout = progress.layout
            records = load_state(connection)
            restore(engine, progress.layout, records)
            engine.closed_until_us = progress.closed_until_us
            if progress.closed_until_us:
                engine.pending = readings_between(
                    connection,
                    progress.closed_until_us,
                    np.iinfo(np.int64).max,
                    progress.arrival,
                    sites.position_of_key,
                )
                engine.pending = engine.pending.take((engine.pending.flags & int(Flag.FUTURE)) == 0)
            alarms = load_alarms(connection)
            baselines = present_baselines(connection)
            shown = FleetState.unseen(fleet)
            for position, key in enumerate(sites.keys.tolist()):
                row = baselines.get(key)
                if row is not None and row.rho is not None:
                    shown.baseline_rho[position] = row.rho
        if progress.layout != layout:
            with self._store.writing() as connection:
                clear_state(connection)
                save_state(connection, all_records(engine))
                progress = replace(progress, layout=layout)
                save_progress(connection, WATCH, progress)
        resources = {(s, t, "") for s, t in zip(fleet.site, fleet.transmitter, strict=True)}
        resources |= {(site, "", "") for site in fleet.site_names}
        resources |= {("", "", region) for region in fleet.region_names}
        gone = {"why": "no longer in the site list"}
        orphans = [
            Evidence(key, Severity.CLEARED, self._clock(), gone)
            for key, alarm in alarms.items()
            if not alarm.is_cleared and (key.site, key.transmitter, key.region) not in resources
        ]
        if "slow" not in parts_of(kept_layout):
            # Version 0.1 told slow rises by other means; what it told is watched anew.
            renewed = {"why": "watched anew, by another way of telling a slow rise"}
            orphans += [
                Evidence(key, Severity.CLEARED, self._clock(), renewed)
                for key, alarm in alarms.items()
                if not alarm.is_cleared and key.condition is Condition.SWR_RISING
            ]
        loaded = _Loaded(
            fleet,
            engine,
            Maintenance.none(),
            alarms,
            sites.position_of_key,
            sites.version,
            progress,
            shown,
            orphans,
        )
        self._show(loaded, engine.pending, StepResult(), [])
        return loaded

    # Showing --------------------------------------------------------------------------------------------

    def _show(
        self, loaded: _Loaded, readings: Readings, result: StepResult, changes: Sequence[Change]
    ) -> None:
        """Bring metrics up to date."""
        self._metrics.readings_judged.inc(len(readings))
        for change in changes:
            self._metrics.alarm_changes.labels(change.kind.value, change.severity.word).inc()
        loaded.shown = newest_of(loaded.shown, readings)
        for change_of_baseline in result.baselines:
            loaded.shown.baseline_rho[change_of_baseline.transmitter] = change_of_baseline.rho
        standing = [a for a in loaded.alarms.values() if not a.is_cleared]
        for severity in (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL):
            count = sum(a.severity is severity for a in standing)
            self._metrics.alarms_standing.labels(severity.word).set(count)
        self._metrics.fleet.show(
            loaded.shown,
            {
                (a.key.site, a.key.transmitter, a.key.condition.value, a.key.region): int(a.severity)
                for a in standing
            },
        )


def newest_of(shown: FleetState, readings: Readings) -> FleetState:
    """The newest readings, after some more; what is older than what is shown changes nothing."""
    known = readings.take((readings.flags & int(Flag.FUTURE)) == 0).sorted_by_transmitter()
    result = replace(
        shown,
        time_us=shown.time_us.copy(),
        usable_us=shown.usable_us.copy(),
        forward_w=shown.forward_w.copy(),
        reflected_w=shown.reflected_w.copy(),
        keyed=shown.keyed.copy(),
        baseline_rho=shown.baseline_rho.copy(),
    )
    last = _last_of_each(known.transmitter)
    newer = last[known.time_us[last] > result.time_us[known.transmitter[last]]]
    owner = known.transmitter[newer]
    result.time_us[owner] = known.time_us[newer]
    result.keyed[owner] = (known.flags[newer] & int(Flag.NOT_KEYED)) == 0
    usable = known.take((known.flags & UNUSABLE & ~int(Flag.LATE)) == 0)
    last = _last_of_each(usable.transmitter)
    newer = last[usable.time_us[last] > result.usable_us[usable.transmitter[last]]]
    owner = usable.transmitter[newer]
    result.usable_us[owner] = usable.time_us[newer]
    result.forward_w[owner] = usable.forward_w[newer]
    result.reflected_w[owner] = usable.reflected_w[newer]
    return result


def _last_of_each(owner: IntArray) -> IntArray:
    """Position of the last row of each owner; rows are sorted by owner."""
    if len(owner) == 0:
        return np.empty(0, dtype=np.int64)
    return np.append(np.flatnonzero(owner[1:] != owner[:-1]), len(owner) - 1)
