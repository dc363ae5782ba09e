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
from standingwatch.web.fleet_now import FleetCache

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

    @cached_property
    def search_texts(self) -> tuple[str, ...]:
        """What a search looks at of each site: names, title, region, transmitters; without case."""
        names = self.fleet.transmitter
        return tuple(
            "\n".join(
                [
                    site,
                    self.site_title(at),
                    self.site_region(at),
                    *(names[i] for i in self.members[at].tolist()),
                ]
            ).casefold()
            for at, site in enumerate(self.fleet.site_names)
        )

    @cached_property
    def by_name(self) -> tuple[InventoryRow, ...]:
        """The rows by site and transmitter."""
        return tuple(sorted(self.rows, key=lambda row: (row.site, row.transmitter)))

    @cached_property
    def row_of(self) -> dict[tuple[str, str], InventoryRow]:
        """Each row by its site and transmitter."""
        return {(row.site, row.transmitter): row for row in self.rows}

    @cached_property
    def told_of_site(self) -> dict[str, str]:
        """Name, title and region of each site, by its name, without case, as searches of alarms want it."""
        return {
            site: "\n".join([site, self.site_title(at), self.site_region(at)]).casefold()
            for at, site in enumerate(self.fleet.site_names)
        }

    @cached_property
    def site_position(self) -> dict[str, int]:
        """The position of each site in `fleet.site_names`, by its name."""
        return {name: at for at, name in enumerate(self.fleet.site_names)}

    @cached_property
    def by_title(self) -> IntArray:
        """Each site's place in the order of titles."""
        titles = [(self.site_title(at).casefold(), name) for at, name in enumerate(self.fleet.site_names)]
        order = sorted(range(len(titles)), key=titles.__getitem__)
        place = np.empty(len(order), dtype=np.int64)
        place[order] = np.arange(len(order))
        return place

    @cached_property
    def coordinates(self) -> tuple[FloatArray, FloatArray]:
        """Latitude and longitude of each site [degrees], NaN where the site list does not say."""
        found = np.full((2, len(self.fleet.site_names)), np.nan)
        for position, row in enumerate(self.rows):
            if row.latitude is not None and row.longitude is not None:
                found[:, self.fleet.site_of[position]] = row.latitude, row.longitude
        return found[0], found[1]

    @property
    def regions(self) -> list[str]:
        """All regions, by name."""
        return sorted({region for region in self.fleet.region if region})


class RosterCache:
    """The roster of the present site list and the trends: read anew only when they have changed.

    Attributes:
        fleet: how its transmitters stand, kept in the same way.
    """

    def __init__(self, defaults: FleetDefaults, after_work_us: int = 0) -> None:
        self._defaults, self._after_work_us = defaults, after_work_us
        self.fleet = FleetCache()
        self._lock = threading.Lock()
        self._roster: Roster | None = None
        self._trends: _Trends | None = None

    def roster(self, connection: Connection) -> Roster:
        """The roster of the site list as the transaction sees it."""
        with self._lock:
            return self._present(connection)

    def trends(self, connection: Connection, now_us: int, positions: IntArray) -> FloatArray:
        """The trends of some transmitters: rho at the transmitter, shape (len(positions), `BINS`).

        Bins are aligned, so that a point keeps its value. Only those that are asked for are read. The last
        two bins, in which hours are still being closed, are read anew whenever the watch has closed an hour;
        all of them when a new bin begins.

        Args:
            connection: one reading transaction.
            now_us: now [Unix microseconds].
            positions: of the transmitters in the fleet.
        """
        start_us = now_us - now_us % BIN_US + BIN_US - BINS * BIN_US
        with self._lock:
            roster = self._present(connection)
            closed_us = board.closed_until_us(connection)
            kept = self._trends
            if kept is None or kept.roster is not roster or kept.start_us != start_us:
                count = len(roster.fleet)
                kept = self._trends = _Trends(
                    roster, start_us, np.full(count, -1, dtype=np.int64), np.full((count, BINS), np.nan)
                )
            as_of_us, keys = kept.as_of_us[positions], roster.fleet.key
            unknown = positions[as_of_us < 0]
            if len(unknown):
                kept.table[unknown] = board.trend_table(connection, keys[unknown], start_us, BINS, BIN_US)
            older = positions[(as_of_us >= 0) & (as_of_us != closed_us)]
            if len(older):
                newest_us = start_us + (BINS - 2) * BIN_US
                kept.table[older, -2:] = board.trend_table(connection, keys[older], newest_us, 2, BIN_US)
            kept.as_of_us[positions] = closed_us
            found: FloatArray = kept.table[positions]
            return found

    def _present(self, connection: Connection) -> Roster:
        version = site_list_version(connection)
        if self._roster is None or self._roster.version != version:
            listed = load_site_list(connection)
            fleet = build_fleet(listed.rows, listed.keys, self._defaults)
            members = _members(fleet)
            self._roster = Roster(listed.version, listed.rows, fleet, members, self._after_work_us)
        return self._roster


@dataclass(frozen=True, eq=False)
class _Trends:
    """Trends that are known; `as_of_us`: up to when hours were closed when each was read, -1 for never."""

    roster: Roster
    start_us: int
    as_of_us: IntArray
    table: FloatArray


def _members(fleet: Fleet) -> tuple[IntArray, ...]:
    """Positions of each site's transmitters."""
    order = np.argsort(fleet.site_of, kind="stable")
    ends = np.cumsum(np.bincount(fleet.site_of, minlength=len(fleet.site_names)))
    return tuple(np.split(order, ends[:-1])) if len(ends) else ()
