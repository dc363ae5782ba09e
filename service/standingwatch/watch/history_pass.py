"""A part of the history with every pass of the watch, and at last the change of its memory for another."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.alarms.steady import Delay, SteadySettings
from standingwatch.detect.engine import DetectionSettings, Engine, Links
from standingwatch.detect.interface import Maintenance
from standingwatch.readings import Fleet, IntArray
from standingwatch.store import tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.history import last_reading_us, next_reading_us
from standingwatch.store.parts import Share, history_mark_of, hold_division, watch_name
from standingwatch.store.reports import LinkReport, links_after, upsert
from standingwatch.store.telling import save_delays
from standingwatch.store.watching import (
    Progress,
    clear_state,
    replace_baselines,
    save_progress,
    save_state,
)
from standingwatch.watch.desk import Desk
from standingwatch.watch.records import all_records
from standingwatch.watch.retake import (
    TAKEN_MARK,
    Retake,
    differences,
    history_to_take,
    is_whole,
    stays,
)

log = logging.getLogger("standingwatch.watch")


class Standing(Protocol):
    """What the watch has in memory."""

    @property
    def share(self) -> Share:
        """The sites that are its own."""

    @property
    def versions(self) -> tuple[int, ...]:
        """What tells that its sites may have changed."""

    @property
    def fleet(self) -> Fleet:
        """The site list."""

    @property
    def engine(self) -> Engine:
        """The detectors with their state."""

    @property
    def maintenance(self) -> Maintenance:
        """Work on record."""

    @property
    def alarms(self) -> dict[AlarmKey, Alarm]:
        """The alarm list."""

    @property
    def delays(self) -> dict[AlarmKey, Delay]:
        """What is waited for about each alarm."""

    @property
    def desk(self) -> Desk:
        """What people and channels know of the alarms."""

    @property
    def position_of_key(self) -> IntArray:
        """Position in the fleet of each transmitter's number in the store."""

    @property
    def progress(self) -> Progress:
        """How far the watch has come."""


class Taken(NamedTuple):
    """What a part did: whether there is more of it, and whether the memory is another one now."""

    more: bool
    replaced: bool


class HistoryTaker:
    """Takes the history in that was put into the store, beside what comes live.

    Args:
        store: where it is.
        part: number of the part of the watch.
        detection, steady: settings.
        source: the CloudEvents `source` of this service.
        clock: now [Unix microseconds].
        on_changes: called after a commit that changed alarms or made messages.
    """

    def __init__(
        self,
        store: Store,
        part: int,
        detection: DetectionSettings,
        steady: SteadySettings,
        source: str,
        clock: Callable[[], int],
        on_changes: Callable[[], None],
    ) -> None:
        self._store = store
        self._part = part
        self._mark = history_mark_of(part, TAKEN_MARK)
        self._detection, self._steady = detection, steady
        self._source = source
        self._clock = clock
        self._on_changes = on_changes
        self._retake: Retake | None = None

    def take(self, standing: Standing, to_links: Callable[[Sequence[LinkReport], Fleet], Links]) -> Taken:
        """Take a part in.

        Args:
            standing: what the watch has in memory; not to be used any more once it was replaced.
            to_links: link reports as columns.
        """
        with self._store.reading() as connection:
            version = history_to_take(connection, self._mark)
            if version is None:
                self._retake = None
                return Taken(more=False, replaced=False)
            retake = self._retake
            if retake is None or (retake.version, retake.fleet) != (version, standing.fleet):
                retake = self._begin(connection, standing, version, to_links)
            self._retake = retake
            # A watch that has never heard anything stands where the history ends.
            before_us = standing.progress.until_us or last_reading_us(connection) or 0
            if retake is not None and not retake.go_on(connection, standing.maintenance, before_us):
                return Taken(more=True, replaced=False)
        self._retake = None
        if retake is None:
            log.warning(
                "the history that was put in is in the hours, not in the baselines: readings that those were "
                "learned from are past their retention"
            )
            with self._store.writing() as connection:
                upsert(connection, tables.marks, [{"name": self._mark, "value": version}])
            return Taken(more=False, replaced=False)
        self._replace(standing, retake)
        return Taken(more=True, replaced=True)

    def _begin(
        self,
        connection: Connection,
        standing: Standing,
        version: int,
        to_links: Callable[[Sequence[LinkReport], Fleet], Links],
    ) -> Retake | None:
        if not is_whole(connection):
            return None
        return Retake(
            version,
            standing.fleet,
            self._detection,
            self._steady,
            standing.position_of_key,
            to_links(links_after(connection, 0, standing.progress.arrival), standing.fleet),
            next_reading_us(connection, 0) or 0,
        )

    def _replace(self, standing: Standing, retake: Retake) -> None:
        """Put the memory that knows the history in place of the present one, in one transaction."""
        progress, noted_us = standing.progress, self._clock()
        with self._store.reading() as connection:
            taken = retake.finish(
                connection, standing.maintenance, progress.arrival, progress.until_us, standing.engine
            )
        changes = differences(standing.alarms, taken.alarms, taken.until_us, noted_us)
        plan = standing.desk.plan(changes, noted_us)
        delays = {key: delay for key, delay in taken.delays.items() if not stays(key)}
        delays |= {key: delay for key, delay in standing.delays.items() if stays(key)}
        closed_us = taken.engine.closed_until_us
        with self._store.writing() as connection:
            hold_division(connection, standing.versions[1:])
            clear_state(connection, standing.share.sites)
            save_state(connection, all_records(taken.engine))
            replace_baselines(connection, taken.baselines, standing.fleet.key)
            save_changes(connection, changes, self._source)
            save_delays(connection, delays, {*delays, *standing.delays})
            standing.desk.keep(connection, plan)
            save_progress(
                connection,
                watch_name(self._part),
                Progress(progress.arrival, taken.until_us, closed_us, progress.layout),
            )
            upsert(connection, tables.marks, [{"name": self._mark, "value": retake.version}])
        log.info("history taken in: %d baselines, %d alarms changed", len(taken.baselines), len(changes))
        if changes or not plan.is_empty:
            self._on_changes()
