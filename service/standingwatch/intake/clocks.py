"""The intake's part about clocks: reports of sites whose clock is off are marked or corrected, by setting.

What a site's clock is held to be off by stays until it has moved by half the tolerance, so that few
different corrections are ever in use. The same report sent twice may meet two of them: it is looked for
under each that its site ever had, and gets the one that it is kept with, so that it stays a repeat.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

import numpy as np
from sqlalchemy import Connection

from standingwatch.metrics import Metrics
from standingwatch.readings import BoolArray, Fleet, IntArray
from standingwatch.readings.clocks import ClockSettings, Observed, observe
from standingwatch.store.clocks import (
    Correction,
    corrected_times,
    load_corrections,
    load_records,
    save_corrections,
    save_records,
)


@dataclass(frozen=True, eq=False)
class Timed:
    """Reports with their times as they are to be kept.

    Attributes:
        time_us: their times [Unix microseconds].
        offset_us: what was added to the times that the sites said [us].
        is_off: whether the site's clock was off, corrected or not.
        sites: positions of the sites that `observed` is about, in the order of its records.
        observed: what was learned of their clocks; None where nothing was to be.
        corrections: what is to be kept of them beside the records.
    """

    time_us: IntArray
    offset_us: IntArray
    is_off: BoolArray
    sites: IntArray
    observed: Observed | None
    corrections: tuple[Correction, ...]


class SiteClocks:
    """The clocks of a fleet's sites, as one writer knows them.

    Args:
        mode: whether reports of sites whose clock is off are only marked, or corrected too.
        settings: when a clock is off.
        fleet: the site list.
        connection: any transaction of the store.
    """

    def __init__(
        self,
        mode: Literal["mark", "correct"],
        settings: ClockSettings,
        fleet: Fleet,
        connection: Connection,
    ) -> None:
        self._corrects = mode == "correct"
        self._settings = settings
        self._fleet = fleet
        self._state = load_records(connection, fleet.site_names)
        self._corrections = load_corrections(connection)

    def timed(
        self,
        connection: Connection,
        transmitter: IntArray,
        received_us: IntArray,
        said_us: IntArray,
        *,
        again: bool = False,
    ) -> Timed:
        """Times for reports, and what they say about the clocks; nothing is kept before `keep`.

        Args:
            connection: the transaction that the reports are to be kept in.
            transmitter: position of each report's transmitter in the fleet.
            received_us, said_us: receipt and time of each [Unix microseconds].
            again: whether they came long ago and are put in again: then nothing is learned from them.
        """
        site = self._fleet.site_of[transmitter]
        sites, place = np.unique(site, return_inverse=True)
        observed: Observed | None = None
        corrections: tuple[Correction, ...] = ()
        if again:
            off_us = self._off_then(site, received_us)
            off_us[said_us == received_us] = 0
        else:
            # Few of many sites speak in one batch.
            observed = observe(self._state[sites], place, received_us, said_us, self._settings)
            off_us, corrections = observed.off_us, self._changed(sites, observed)
        is_off = off_us != 0
        if not self._corrects and not self._corrections:
            return Timed(
                said_us, np.zeros(len(said_us), dtype=np.int64), is_off, sites, observed, corrections
            )
        offset_us = off_us.copy() if self._corrects else np.zeros(len(said_us), dtype=np.int64)
        self._as_kept(connection, transmitter, site, said_us, offset_us, corrections)
        return Timed(said_us + offset_us, offset_us, is_off, sites, observed, corrections)

    def learn_from_others(self, connection: Connection, site: IntArray) -> None:
        """Read again what is kept of some sites' clocks, where other writers keep theirs too.

        Args:
            connection: the transaction of a batch, with the lock under which all writers work.
            site: positions of the sites of its reports.
        """
        sites = np.unique(site)
        names = [self._fleet.site_names[i] for i in sites.tolist()]
        self._state[sites] = load_records(connection, names)
        self._corrections = load_corrections(connection)

    def keep(self, connection: Connection, timed: Timed) -> None:
        """Write what was learned, in the transaction of the reports."""
        if timed.observed is not None and len(timed.observed.judged):
            names = [self._fleet.site_names[i] for i in timed.sites.tolist()]
            save_records(connection, timed.observed.state, timed.observed.judged, names)
            save_corrections(connection, timed.corrections)

    def take(self, timed: Timed, metrics: Metrics) -> None:
        """Believe it, once the transaction has been committed."""
        if timed.observed is None:
            return
        self._state[timed.sites] = timed.observed.state
        for one in timed.corrections:
            self._corrections[one.site] = (*self._corrections.get(one.site, ()), one)
        if len(timed.observed.judged):
            self.show(metrics)

    def show(self, metrics: Metrics) -> None:
        """Bring the metrics up to date."""
        metrics.clocks.show(self._fleet.site_names, self._state)

    def _changed(self, sites: IntArray, observed: Observed) -> tuple[Correction, ...]:
        """Sites that are held to be off by something else than before."""
        before, after = self._state["off_us"][sites], observed.state["off_us"]
        since_us = observed.state["off_since_us"]
        return tuple(
            Correction(self._fleet.site_names[sites[i]], int(since_us[i]), int(after[i]))
            for i in observed.judged[before[observed.judged] != after[observed.judged]].tolist()
        )

    def _off_then(self, site: IntArray, received_us: IntArray) -> IntArray:
        """How far each report's site was held to be off when it came."""
        off_us = np.zeros(len(site), dtype=np.int64)
        for number in np.unique(site).tolist():
            known = self._corrections.get(self._fleet.site_names[number], ())
            since = [c.since_us for c in known]
            for row in np.flatnonzero(site == number).tolist() if known else ():
                at = bisect_right(since, int(received_us[row])) - 1
                off_us[row] = known[at].off_us if at >= 0 else 0
        return off_us

    def _as_kept(
        self,
        connection: Connection,
        transmitter: IntArray,
        site: IntArray,
        said_us: IntArray,
        offset_us: IntArray,
        corrections: tuple[Correction, ...],
    ) -> None:
        """Give reports that are kept already the correction that they are kept with; changes `offset_us`."""
        new = {c.site: c for c in corrections}
        for number in np.unique(site).tolist():
            name = self._fleet.site_names[number]
            past = self._corrections.get(name, ())
            if not past and name not in new:
                continue
            offsets = dict.fromkeys(
                [0, *(c.off_us for c in past), *([new[name].off_us] if name in new else [])]
            )
            for owner in np.unique(transmitter[site == number]).tolist():
                rows = np.flatnonzero(transmitter == owner)
                key = int(self._fleet.key[owner])
                kept = corrected_times(connection, key, said_us[rows], list(offsets))
                seen: dict[int, int] = {}
                for row in rows.tolist():
                    said = int(said_us[row])
                    # Twice in one batch, on both sides of a change: the first counts.
                    offset_us[row] = kept.get(said, seen.setdefault(said, int(offset_us[row])))
