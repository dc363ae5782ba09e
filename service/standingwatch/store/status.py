"""How the service is, as far as the store tells: what `standingwatch status` shows."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict

import numpy as np
import pandas as pd
from sqlalchemy import Connection, func, select

from standingwatch.alarms.watchman import growth_bytes_a_day
from standingwatch.detect.words import Severity
from standingwatch.readings import FloatArray
from standingwatch.readings.flags import Flag
from standingwatch.readings.plausible import doubt_sentence, unit_doubts
from standingwatch.rf import rho_from_power, swr_from_rho
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms
from standingwatch.store.board import AHEAD_US, RECENT_US, intake_state, newest_readings
from standingwatch.store.claims import PROCESS, all_claims, owners_of
from standingwatch.store.connect import Store
from standingwatch.store.parts import parts_in_use
from standingwatch.store.reports import horizon_names
from standingwatch.store.sites import load_site_list
from standingwatch.store.watching import present_baselines
from standingwatch.store.watchman import (
    HEARTBEAT_NOTE,
    SIZES_NOTE,
    ChannelState,
    JobRun,
    channel_states,
    load_job_runs,
    load_note,
    store_bytes,
    store_file,
)

#: So many of the newest readings are shown.
NEWEST = 5


@dataclass(frozen=True)
class NewReading:
    """One of the newest readings: powers [W], time [Unix microseconds], SWR at the transmitter (1 or
    more)."""

    site: str
    transmitter: str
    time_us: int
    forward_w: float
    reflected_w: float
    swr: float


@dataclass(frozen=True)
class StoreRoom:
    """How much room the store has.

    Attributes:
        size_bytes: size of the store [B].
        growth_bytes_a_day: what it grows by [B/d]; None before it has been seen for a day.
        free_bytes: room that is left for it [B]; None where that cannot be told.
        total_bytes: size of its disk, or what it may grow to [B]; likewise.
    """

    size_bytes: int
    growth_bytes_a_day: float | None
    free_bytes: int | None
    total_bytes: int | None

    @property
    def days_until_full(self) -> float | None:
        """Time until there is no room at the present growth [d]; None where it does not grow, or is not
        known."""
        growth = self.growth_bytes_a_day
        if growth is None or growth <= 0.0 or self.free_bytes is None:
            return None
        return self.free_bytes / growth


@dataclass(frozen=True)
class StoreStatus:
    """What the store tells; times in Unix microseconds, None for what never was.

    Attributes:
        transmitters: on the site list.
        heard: how many of them have a reading of the last hour.
        newest: the newest readings, the last one first.
        received_us: when the newest report came.
        horizon_us: up to when all that was sent is kept.
        doubts: transmitters whose newest report can hardly be in watts, with what to ask.
        waiting: arrivals that the watch has not judged yet.
        waiting_us: since when the oldest of these waits.
        alarms: standing alarms by the word for their severity, those about the service itself too.
        about_service: severity and text of each alarm about the service itself, the worst first.
        jobs: the newest run of each job.
        channels: what each channel has still to deliver.
        room: for the store.
        beat_us: when the daemon last proved that it can write.
        owners: what each live process does, by what it is called; empty on SQLite, where there is one.
        free: parts of the work that no live process does, by name.
    """

    transmitters: int
    heard: int
    newest: tuple[NewReading, ...]
    doubts: tuple[str, ...]
    received_us: int | None
    horizon_us: int | None
    waiting: int
    waiting_us: int | None
    alarms: dict[str, int]
    about_service: tuple[tuple[str, str], ...]
    jobs: dict[str, JobRun]
    channels: dict[str, ChannelState]
    room: StoreRoom
    beat_us: int | None
    owners: dict[str, list[str]]
    free: tuple[str, ...]


def store_status(
    store: Store,
    *,
    now_us: int,
    channels: Collection[str],
    store_max_bytes: int = 0,
    free_and_total: Callable[[Path], tuple[int, int]] = lambda p: (
        shutil.disk_usage(p).free,
        shutil.disk_usage(p).total,
    ),
) -> StoreStatus:
    """Ask the store, in one reading transaction.

    Args:
        store: its tables have to have this version's layout.
        now_us: now [Unix microseconds].
        channels: names of the channels that are in use.
        store_max_bytes: most that the store may hold where its disk cannot be seen [B]; 0 for not known.
        free_and_total: room on the disk that holds a folder [B].
    """
    size_bytes = store_bytes(store)
    with store.reading() as connection:
        state = intake_state(connection)
        heard = newest_readings(connection, now_us - RECENT_US, now_us + AHEAD_US)
        waiting, waiting_us = _not_judged(connection)
        standing = load_alarms(connection, standing_only=True).values()
        sizes = [(int(t), int(size)) for t, size in load_note(connection, SIZES_NOTE) or []]
        return StoreStatus(
            transmitters=_count_transmitters(connection),
            heard=len(heard),
            newest=_newest(connection),
            doubts=_doubts(connection, heard),
            received_us=state.received_us,
            horizon_us=None if state.horizon is None else state.horizon.until_us,
            waiting=waiting,
            waiting_us=waiting_us,
            alarms={
                severity.word: sum(alarm.severity is severity for alarm in standing)
                for severity in (Severity.CRITICAL, Severity.MAJOR, Severity.MINOR, Severity.WARNING)
            },
            about_service=_about_service(connection),
            jobs=load_job_runs(connection),
            channels=channel_states(connection, channels, 0),
            room=_room(store, size_bytes, sizes, store_max_bytes, free_and_total),
            beat_us=load_note(connection, HEARTBEAT_NOTE),
            **_owners(store, connection),
        )


class _Owners(TypedDict):
    owners: dict[str, list[str]]
    free: tuple[str, ...]


def _owners(store: Store, connection: Connection) -> _Owners:
    if store.is_sqlite:
        return {"owners": {}, "free": ()}
    claims = all_claims(connection)
    parts, sessions = parts_in_use(connection), len(horizon_names(connection))
    free = [
        c.name
        for c in claims
        if not c.is_live
        and not c.name.startswith(PROCESS)
        # One that was given up, with fewer parts than before, is nobody's on purpose.
        and (c.kind != "watch" or int(c.name.partition("/")[2]) in parts)
        and (c.kind != "intake" or int(c.name.partition("/")[2]) < sessions)
    ]
    return {"owners": owners_of(claims), "free": tuple(free)}


def _count_transmitters(connection: Connection) -> int:
    columns = tables.transmitters.c
    return int(connection.execute(select(func.count()).where(columns.removed_us.is_(None))).scalar_one())


def _newest(connection: Connection) -> tuple[NewReading, ...]:
    columns, names = tables.readings.c, tables.transmitters.c
    rows = connection.execute(
        select(names.site, names.transmitter, columns.time_us, columns.forward_w, columns.reflected_w)
        .join(tables.transmitters, names.key == columns.transmitter)
        # What was imported has numbers below 0: it has not come, it was put in.
        .where(columns.arrival > 0)
        .order_by(columns.arrival.desc(), columns.time_us.desc())
        .limit(NEWEST)
    ).all()
    forward_w, reflected_w = _numbers([r.forward_w for r in rows]), _numbers([r.reflected_w for r in rows])
    swr = swr_from_rho(rho_from_power(forward_w, reflected_w))
    values = zip(forward_w.tolist(), reflected_w.tolist(), swr.tolist(), strict=True)
    return tuple(
        NewReading(row.site, row.transmitter, row.time_us, *three)
        for row, three in zip(rows, values, strict=True)
    )


def _doubts(connection: Connection, heard: pd.DataFrame) -> tuple[str, ...]:
    """What to ask of transmitters by the newest reading of the last hour."""
    listed = load_site_list(connection)
    rated_w = _numbers([row.rated_power_w for row in listed.rows])
    baselines = present_baselines(connection)
    rho = _numbers([b.rho if (b := baselines.get(key)) else None for key in listed.keys])
    powers = heard.reindex(listed.keys)
    forward_w, reflected_w = (
        powers[name].to_numpy(dtype=np.float64) for name in ("forward_w", "reflected_w")
    )
    is_keyed = (powers["flags"].fillna(0).to_numpy(dtype=np.int64) & int(Flag.NOT_KEYED)) == 0
    doubts = unit_doubts(rated_w, forward_w, reflected_w, is_keyed, rho)
    return tuple(
        f"{listed.rows[at].site}/{listed.rows[at].transmitter}: "
        + doubt_sentence(int(doubts[at]), float(forward_w[at]), float(rated_w[at]))
        for at in np.flatnonzero(doubts).tolist()
    )


def _numbers(values: Sequence[float | None]) -> FloatArray:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _not_judged(connection: Connection) -> tuple[int, int | None]:
    """How many arrivals are still to be judged, by any part of the watch, and when the oldest came."""
    progress, arrivals = tables.watch_progress.c, tables.arrivals.c
    done = select(func.min(progress.arrival)).scalar_subquery()
    count, oldest_us = connection.execute(
        select(func.count(), func.min(arrivals.received_us)).where(arrivals.arrival > func.coalesce(done, 0))
    ).one()
    return int(count), oldest_us


def _about_service(connection: Connection) -> tuple[tuple[str, str], ...]:
    columns = tables.alarms.c
    rows = connection.execute(
        select(columns.severity, columns.text)
        .where(columns.service != "", columns.is_cleared.is_(False))
        .order_by(columns.severity.desc(), columns.service)
    )
    return tuple((Severity(row.severity).word, row.text) for row in rows)


def _room(
    store: Store,
    size_bytes: int,
    sizes: list[tuple[int, int]],
    most_bytes: int,
    free_and_total: Callable[[Path], tuple[int, int]],
) -> StoreRoom:
    file, free_bytes, total_bytes = store_file(store), None, None
    if file is not None:
        free_bytes, total_bytes = free_and_total(file.resolve().parent)
    if most_bytes and (free_bytes is None or most_bytes - size_bytes < free_bytes):
        free_bytes, total_bytes = max(0, most_bytes - size_bytes), most_bytes
    return StoreRoom(size_bytes, growth_bytes_a_day(sizes), free_bytes, total_bytes)
