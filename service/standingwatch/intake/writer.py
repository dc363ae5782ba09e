"""Batches of messages into the store: decode, qualify, commit. What cannot be used is kept too."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

from standingwatch.intake.clocks import SiteClocks, Timed
from standingwatch.intake.joining import settle_parts
from standingwatch.intake.shedding import Shares
from standingwatch.intake.sorting import Arrived, Sorted, Sorter, refused
from standingwatch.inventory import FleetDefaults, build_fleet
from standingwatch.metrics import Metrics
from standingwatch.readings import (
    Flag,
    Fleet,
    IntArray,
    QualityCarry,
    Readings,
    qualify,
)
from standingwatch.readings.clocks import ClockSettings
from standingwatch.readings.profile import Profile
from standingwatch.settings import IntakeSettings
from standingwatch.store.connect import Store, lock_arrivals
from standingwatch.store.passing import is_passing
from standingwatch.store.pending import any_pending
from standingwatch.store.redelivered import without_kept
from standingwatch.store.reports import (
    Horizon,
    RefusedReport,
    forget_horizon,
    insert_links,
    insert_readings,
    kept_otherwise,
    last_arrival,
    mark_accepted,
    new_arrival,
    readings_between,
    refuse,
    set_horizon,
)
from standingwatch.store.sites import load_site_list, site_list_version

log = logging.getLogger("standingwatch.intake")

#: How far back the newest readings are looked at after a start, to know what is late and what is stuck.
LOOK_BACK_US = 24 * 3_600_000_000


@dataclass(frozen=True)
class Written:
    """What became of a batch; repeated is what was kept before, usable or not."""

    stored: int
    repeated: int
    refused: tuple[RefusedReport, ...]
    lag_s: float


class Writer:
    """Writes batches; knows the fleet and what its stream has looked like.

    Args:
        store: where to.
        settings: of the intake.
        defaults: for what the site list does not say.
        root: first level of the topics.
        metrics: what is counted.
        clock: now [Unix microseconds].
        profiles: payload profiles for topics that are not the service's own.
        is_shared: whether other writers take in reports of the same sites at the same time. Which of them is
            late is then not told here: what one session brings may be older than what another has brought.
    """

    def __init__(
        self,
        store: Store,
        settings: IntakeSettings,
        defaults: FleetDefaults,
        root: str,
        metrics: Metrics,
        clock: Callable[[], int],
        profiles: Iterable[Profile] = (),
        is_shared: bool = False,
    ) -> None:
        self._is_shared = is_shared
        #: Since when, without a break, messages can reach us [Unix microseconds].
        self.resumed_us = 0
        self._store = store
        self._settings = settings
        self._defaults = defaults
        self._metrics = metrics
        self._clock = clock
        self._version = -1
        self._fleet: Fleet
        self._carry: QualityCarry
        self._load_fleet()
        self._clocks.show(metrics)
        self._sorter = Sorter(settings, root, self._fleet, profiles)
        self._shares = Shares(settings.refused_limit_bytes, root)
        with store.reading() as connection:
            # Of a profile that is gone, too.
            self._has_pending = any_pending(connection)

    def _load_fleet(self) -> None:
        """Read the site list; look back along the stream, so that a restart forgets nothing of it."""
        with self._store.reading() as connection:
            sites = load_site_list(connection)
            self._fleet = build_fleet(sites.rows, sites.keys, self._defaults)
            self._version = sites.version
            self._clocks = SiteClocks(
                self._settings.clock,
                ClockSettings(tolerance_us=round(self._settings.clock_tolerance_s * 1e6)),
                self._fleet,
                connection,
            )
            now_us = self._clock()
            recent = readings_between(
                connection,
                now_us - LOOK_BACK_US,
                now_us + LOOK_BACK_US,
                last_arrival(connection),
                sites.position_of_key,
            )
        carry = QualityCarry.empty(len(self._fleet))
        kept = recent.take((recent.flags & int(Flag.LATE | Flag.FUTURE)) == 0)
        _, self._carry = qualify(kept, self._fleet, kept.time_us, carry, self._settings.future_tolerance_s)

    @property
    def profiles(self) -> tuple[Profile, ...]:
        """The payload profiles that read messages of other topics than the service's own."""
        return self._sorter.profiles

    # Writing --------------------------------------------------------------------------------------------

    def write(
        self,
        batch: Sequence[Arrived],
        horizon: tuple[str, Horizon] | None = None,
        put_in_again: Sequence[int] = (),
    ) -> Written:
        """Commit a batch. It is safe when this returns.

        A message that the database cannot take for what it holds is refused alone; the rest is kept.

        Args:
            batch: messages in the order they came.
            horizon: name of the intake and how far it has come with this batch.
            put_in_again: numbers of refused reports that the batch holds once more.

        Raises:
            OperationalError, sqlite3.OperationalError and the like: the database is away, locked or full; the
                batch has to be tried again.
        """
        return self._write(batch, horizon, put_in_again, again=bool(put_in_again))

    def _write(
        self,
        batch: Sequence[Arrived],
        horizon: tuple[str, Horizon] | None,
        put_in_again: Sequence[int],
        again: bool,
    ) -> Written:
        """Commit a batch; `again` if it came long ago and is put in once more."""
        try:
            return self._commit(batch, horizon, put_in_again, again)
        except Exception as error:
            if is_passing(error):
                raise
            if len(batch) > 1:
                middle = len(batch) // 2
                first = self._write(batch[:middle], None, (), again)
                second = self._write(batch[middle:], horizon, put_in_again, again)
                return Written(
                    first.stored + second.stored,
                    first.repeated + second.repeated,
                    first.refused + second.refused,
                    max(first.lag_s, second.lag_s),
                )
            if not batch:
                raise
            log.warning("a message on %s cannot be stored: %s", batch[0].topic, error)
            detail = f"the database does not take it: {type(error).__name__}: {error}"
            report = refused(batch[0], "not-storable", detail)
            with self._store.writing() as connection:
                refuse(connection, [report])
                mark_accepted(connection, put_in_again, self._clock())
            self._metrics.messages_received.inc()
            self._metrics.reports_refused.labels(report.reason).inc()
            return Written(0, 0, (report,), 0.0)

    def _commit(
        self,
        batch: Sequence[Arrived],
        horizon: tuple[str, Horizon] | None,
        put_in_again: Sequence[int],
        again: bool,
    ) -> Written:
        with self._store.writing() as connection:
            if site_list_version(connection) != self._version:
                self._load_fleet()
                self._sorter.fleet = self._fleet
            sorted_batch = self._sorter.sort(batch)
            if self._is_shared and (sorted_batch.positions or sorted_batch.parts):
                # Others take in reports of the same sites.
                lock_arrivals(connection)
            until_us = None if horizon is None else horizon[1].until_us
            settle_parts(connection, sorted_batch, self._sorter, until_us, self.resumed_us)
            if self._is_shared and sorted_batch.positions:
                self._clocks.learn_from_others(connection, self._fleet.site_of[sorted_batch.positions])
            readings, carry, received_us, timed = self._qualified(connection, sorted_batch, again)
            inserted = 0
            if len(readings) or sorted_batch.links:
                last_us = int(batch[-1].received_us) if batch else self._clock()
                arrival = new_arrival(connection, last_us, len(readings))
                keys = self._fleet.key[readings.transmitter]
                inserted = insert_readings(connection, arrival, readings, keys, received_us, timed.offset_us)
                self._clocks.keep(connection, timed)
                insert_links(connection, arrival, sorted_batch.links)
                if inserted < len(readings):
                    self._refuse_conflicts(connection, arrival, readings, keys, sorted_batch)
            refused_all = len(sorted_batch.refused)
            marked = [(m.topic, m.received_us) for m in batch if m.is_again]
            sorted_batch.refused = without_kept(connection, sorted_batch.refused, marked)
            # What was kept once and is put in again stays.
            kept = sorted_batch.refused if again else self._shares.within(sorted_batch.refused, self._clock())
            refuse(connection, kept)
            mark_accepted(connection, put_in_again, self._clock())
            if horizon is not None:
                set_horizon(connection, *horizon)
        self._carry = carry
        self._shares.take()
        self._clocks.take(timed, self._metrics)
        self._count(batch, readings, inserted, sorted_batch.refused)
        self._metrics.messages_passed_over.inc(sorted_batch.passed_over)
        self._metrics.refused_left_out.inc(len(sorted_batch.refused) - len(kept))
        lag_s = float(np.median(received_us - readings.time_us)) / 1e6 if len(readings) else 0.0
        repeated = len(readings) - inserted + refused_all - len(sorted_batch.refused)
        return Written(inserted, repeated, tuple(sorted_batch.refused), lag_s)

    @property
    def waits_for_parts(self) -> bool:
        """Whether there may be bare numbers that wait for the rest of their report."""
        return self._sorter.joins or self._has_pending

    def forget_horizon(self, intake: str) -> None:
        """An intake is not there any more: nobody waits for it."""
        with self._store.writing() as connection:
            forget_horizon(connection, intake)

    def note_horizon(self, intake: str, horizon: Horizon) -> None:
        """Keep how far the intake has come, when there is nothing else to write."""
        if self.waits_for_parts:
            # What waits for the rest of its report can be given up, now that all has come that was sent.
            self._commit([], (intake, horizon), (), again=False)
            self._has_pending = False
            return
        with self._store.writing() as connection:
            set_horizon(connection, intake, horizon)

    def _qualified(
        self, connection: Connection, batch: Sorted, again: bool
    ) -> tuple[Readings, QualityCarry, IntArray, Timed]:
        """Readings with the times that they are kept with, and their flags."""
        received_us = np.array(batch.received_us, dtype=np.int64)
        said = Readings.from_reports(np.array(batch.positions, dtype=np.int64), batch.readings)
        timed = self._clocks.timed(connection, said.transmitter, received_us, said.time_us, again=again)
        readings = replace(said, time_us=timed.time_us)
        qualified, carry = qualify(
            readings, self._fleet, received_us, self._carry, self._settings.future_tolerance_s
        )
        if self._is_shared:
            qualified = replace(qualified, flags=qualified.flags & ~int(Flag.LATE))
        if timed.is_off.any():
            qualified = replace(qualified, flags=qualified.flags | timed.is_off * int(Flag.CLOCK_OFF))
        return qualified, carry, received_us, timed

    def _refuse_conflicts(
        self, connection: Connection, arrival: int, readings: Readings, keys: IntArray, batch: Sorted
    ) -> None:
        """A second report of the same time with other powers is not a repeat, and must not be lost."""
        for i, forward_w, reflected_w in kept_otherwise(connection, arrival, readings, keys):
            batch.refuse_reading(
                i,
                "conflicting-repeat",
                f"time {int(readings.time_us[i])} us is kept already with forward {forward_w:g} W and "
                f"reflected {reflected_w:g} W; one report a time: check the site's clock",
            )

    def _count(
        self, batch: Sequence[Arrived], readings: Readings, inserted: int, refused: Sequence[RefusedReport]
    ) -> None:
        self._metrics.messages_received.inc(len(batch))
        self._metrics.readings_stored.inc(inserted)
        self._metrics.readings_repeated.inc(len(readings) - inserted)
        for flag in Flag:
            flagged = int(np.count_nonzero(readings.flags & int(flag)))
            if flagged:
                self._metrics.readings_flagged.labels(flag.word).inc(flagged)
        for reason, count in Counter(r.reason for r in refused).items():
            self._metrics.reports_refused.labels(reason).inc(count)
