"""The site list as the pages need it, and the trends of its transmitters; kept between requests."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from sqlalchemy import Connection

from standingwatch.detect.rollup import HOUR_US
from standingwatch.inventory import FleetDefaults, InventoryRow, build_fleet
from standingwatch.readings import IntArray
from standingwatch.readings.fleet import Fleet, FloatArray
from standingwatch.store import board
from standingwatch.store.sites import load_site_list, site_list_version

TREND_DAYS = 14
BIN_US = 6 * HOUR_US
BINS = TREND_DAYS * 24 * HOUR_US // BIN_US


@dataclass(frozen=True, eq=False)
class Roster:
    """The watched transmitters.

    Attributes:
        version: version of the site list.
        rows: inventory rows.
        fleet: the same as columns.
        members: positions of each site's transmitters, in the order of `fleet.site_names`.
        after_work_us: how long after its end a window of work still explains an alarm [us].
    """

    version: int
    rows: tuple[InventoryRow, ...]
    fleet: Fleet
    members: tuple[IntArray, ...]
    after_work_us: int = 0

    def site_title(self, site: int) -> str:
        """What people call a site."""
        row = self.rows[int(self.members[site][0])]
        return row.site_name or row.site

    def site_region(self, site: int) -> str:
        """The region of a site, "" where not known."""
        return self.fleet.region[int(self.members[site][0])]

    @cached_property
    def region_of_site(self) -> dict[str, str]:
        """The region of each site by its name, "" where not known."""
        return {name: self.site_region(site) for site, name in enumerate(self.fleet.site_names)}

    @cached_property
    def title_of_site(self) -> dict[str, str]:
        """What people call each site, by its name."""
        return {name: self.site_title(site) for site, name in enumerate(self.fleet.site_names)}

    @cached_property
    def transmitters(self) -> frozenset[tuple[str, str]]:
        """Site and name of each transmitter."""
        return frozenset(zip(self.fleet.site, self.fleet.transmitter, strict=True))

    @property
    def regions(self) -> list[str]:
        """All regions, by name."""
        return sorted({region for region in self.fleet.region if region})


class RosterCache:
    """The roster of the present site list and the trends: read anew only when they have changed."""

    def __init__(self, defaults: FleetDefaults, after_work_us: int = 0) -> None:
        self._defaults, self._after_work_us = defaults, after_work_us
        self._lock = threading.Lock()
        self._roster: Roster | None = None
        self._trends: _Trends | None = None

    def roster(self, connection: Connection) -> Roster:
        """The roster of the site list as the transaction sees it."""
        with self._lock:
            return self._present(connection)

    def trends(self, connection: Connection, now_us: int) -> tuple[Roster, FloatArray, int]:
        """The roster and its trends: rho at the transmitter, shape (transmitters, `BINS`), and their begin.

        Bins are aligned, so that a point keeps its value. The last two, in which hours are still being
        closed, are read anew whenever the watch has closed an hour; all of them when a new bin begins.
        """
        start_us = now_us - now_us % BIN_US + BIN_US - BINS * BIN_US
        with self._lock:
            roster = self._present(connection)
            closed_us = board.closed_until_us(connection)
            kept, keys = self._trends, roster.fleet.key
            if kept is None or kept.roster is not roster or kept.start_us != start_us:
                table = board.trend_table(connection, keys, start_us, BINS, BIN_US)
                kept = _Trends(roster, start_us, closed_us, table)
            elif kept.closed_us != closed_us:
                table = kept.table.copy()
                newest_us = start_us + (BINS - 2) * BIN_US
                table[:, -2:] = board.trend_table(connection, keys, newest_us, 2, BIN_US)
                kept = _Trends(roster, start_us, closed_us, table)
            self._trends = kept
            return roster, kept.table, start_us

    def _present(self, connection: Connection) -> Roster:
        version = site_list_version(connection)
        if self._roster is None or self._roster.version != version:
            listed = load_site_list(connection)
            fleet = build_fleet(listed.rows, listed.keys, self._defaults)
            members = tuple(np.flatnonzero(fleet.site_of == site) for site in range(len(fleet.site_names)))
            self._roster = Roster(listed.version, listed.rows, fleet, members, self._after_work_us)
        return self._roster


@dataclass(frozen=True, eq=False)
class _Trends:
    roster: Roster
    start_us: int
    closed_us: int
    table: FloatArray
