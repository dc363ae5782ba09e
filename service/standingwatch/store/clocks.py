"""What is kept of the clocks of sites: the record of each, and what its reports were corrected by."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, select

from standingwatch.alarms.words import instant, lasting
from standingwatch.readings import IntArray
from standingwatch.readings.clocks import (
    State,
    drift_s_per_day,
    from_plain,
    is_known,
    to_plain,
    unknown_clocks,
)
from standingwatch.store import tables
from standingwatch.store.reports import upsert

#: With more sites than this all records are read: SQLite takes no more than 999 names by an older default.
_MOST_NAMED = 500


@dataclass(frozen=True)
class Correction:
    """How far a site's clock was held to be off from a time of receipt on [us]; 0: right again."""

    site: str
    since_us: int
    off_us: int


@dataclass(frozen=True)
class SiteClock:
    """A site's clock as people see it.

    Attributes:
        site: name of the site.
        behind_s: how far it is behind ours, below 0 where ahead [s]; None before it is known. What a message
            takes on its way is in it.
        seen_us: when that was last seen [Unix microseconds], 0 for never.
        off_s: how far it is held to be off [s]; 0 within the tolerance.
        off_since_us: since which receipt [Unix microseconds], 0 where it never was off.
        drift_s_per_day: how fast it falls behind [s per day]; None where that cannot be told.
        jumps: how often it jumped.
        jump_by_s, jump_us: the last jump: by how much it was further behind then [s], when it was seen.
    """

    site: str
    behind_s: float | None
    seen_us: int
    off_s: float
    off_since_us: int
    drift_s_per_day: float | None
    jumps: int
    jump_by_s: float
    jump_us: int

    @property
    def is_off(self) -> bool:
        """Whether it is off by more than is tolerated."""
        return self.off_s != 0.0

    @property
    def is_remarkable(self) -> bool:
        """Whether it is off, or drifts by a second a day or more, or has jumped."""
        drifts = self.drift_s_per_day is not None and abs(self.drift_s_per_day) >= 1.0
        return self.is_off or drifts or self.jumps > 0

    def sentence(self) -> str:
        """How it goes, in words."""
        if self.behind_s is None:
            return "not known yet"
        # What a report takes on its way cannot be told from a clock that is so little behind.
        level = f"{lasting(abs(self.behind_s))} {'behind' if self.behind_s >= 0 else 'ahead'}"
        parts = [
            f"off, {level}, since {instant(self.off_since_us)}" if self.is_off else f"right, {level} at most"
        ]
        if self.drift_s_per_day is not None:
            loses = "loses" if self.drift_s_per_day > 0 else "gains"
            parts.append(f"{loses} {abs(self.drift_s_per_day):.1f} s a day")
        if self.jumps:
            way = "back" if self.jump_by_s > 0 else "forward"
            times = "once" if self.jumps == 1 else f"{self.jumps} times"
            parts.append(
                f"jumped {times}, last {lasting(abs(self.jump_by_s))} {way}, seen {instant(self.jump_us)}"
            )
        return "; ".join(parts)


def load_records(connection: Connection, sites: Sequence[str]) -> State:
    """The record of each site's clock, in the order of `sites`; of one that is not kept: nothing known."""
    query = select(tables.site_clocks.c.site, tables.site_clocks.c.record)
    if len(sites) <= _MOST_NAMED:
        query = query.where(tables.site_clocks.c.site.in_(sites))
    kept = {r.site: r.record for r in connection.execute(query)}
    state = unknown_clocks(len(sites))
    for position, site in enumerate(sites):
        if site in kept:
            state[position : position + 1] = from_plain(json.loads(kept[site]))
    return state


def save_records(connection: Connection, state: State, which: IntArray, sites: Sequence[str]) -> None:
    """Keep the records of some sites, by position."""
    some = state[which]
    names = [sites[i] for i in which.tolist()]
    upsert(
        connection,
        tables.site_clocks,
        [
            {"site": clock.site, "record": json.dumps(to_plain(record)), "remarkable": clock.is_remarkable}
            for clock, record in zip(_shown(names, some), some, strict=True)
        ],
    )


def load_corrections(connection: Connection) -> dict[str, tuple[Correction, ...]]:
    """By site, oldest first, what it was ever held to be off by."""
    columns = tables.clock_corrections.c
    result: dict[str, tuple[Correction, ...]] = {}
    for r in connection.execute(select(tables.clock_corrections).order_by(columns.site, columns.since_us)):
        result[r.site] = (*result.get(r.site, ()), Correction(r.site, r.since_us, r.off_us))
    return result


def save_corrections(connection: Connection, corrections: Sequence[Correction]) -> None:
    """Keep that sites' clocks are held to be off by something else from now on."""
    upsert(connection, tables.clock_corrections, [vars(c) for c in corrections])


def corrected_times(
    connection: Connection, key: int, said_us: IntArray, offsets_us: Sequence[int]
) -> Mapping[int, int]:
    """Which reports of a transmitter are kept already, whatever their times were corrected by.

    Args:
        connection: a writing transaction.
        key: number of the transmitter in the store.
        said_us: times as the site said them [Unix microseconds].
        offsets_us: what they can have been corrected by [us], 0 for not at all.

    Returns:
        What was added to the time of each that is kept [us], by the time that the site said.
    """
    columns = tables.readings.c
    found: dict[int, int] = {}
    for offset_us in offsets_us:
        # As many at once as every database takes in one statement.
        for begin in range(0, len(said_us), 500):
            times = (said_us[begin : begin + 500] + offset_us).tolist()
            query = select(columns.time_us, columns.clock_offset_us).where(
                columns.transmitter == key, columns.time_us.in_(times)
            )
            for row in connection.execute(query):
                if (row.clock_offset_us or 0) == offset_us:
                    found.setdefault(row.time_us - offset_us, offset_us)
    return found


def site_clocks(connection: Connection, sites: Sequence[str]) -> tuple[SiteClock, ...]:
    """The clocks of sites as people see them, in the order given."""
    return _shown(sites, load_records(connection, sites))


def remarkable_clocks(connection: Connection, sites: Collection[str]) -> tuple[SiteClock, ...]:
    """The clocks among those of some sites that are off, drift or jumped; those that are off first."""
    columns = tables.site_clocks.c
    query = select(columns.site, columns.record).where(columns.remarkable.is_(True))
    rows = [row for row in connection.execute(query) if row.site in sites]
    if not rows:
        return ()
    state = np.concatenate([from_plain(json.loads(row.record)) for row in rows])
    found = _shown([row.site for row in rows], state)
    return tuple(sorted(found, key=lambda one: (not one.is_off, -abs(one.behind_s or 0.0), one.site)))


def _shown(sites: Sequence[str], state: State) -> tuple[SiteClock, ...]:
    known, drift = is_known(state), drift_s_per_day(state)
    return tuple(
        SiteClock(
            site=site,
            behind_s=float(record["behind_us"] / 1e6) if known[i] else None,
            seen_us=int(record["seen_us"]),
            off_s=float(record["off_us"] / 1e6),
            off_since_us=int(record["off_since_us"]),
            drift_s_per_day=None if np.isnan(drift[i]) else float(drift[i]),
            jumps=int(record["jumps"]),
            jump_by_s=float(record["jump_by_us"] / 1e6),
            jump_us=int(record["jump_us"]),
        )
        for i, (site, record) in enumerate(zip(sites, state, strict=True))
    )
