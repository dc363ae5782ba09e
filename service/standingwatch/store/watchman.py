"""What the watch on the watchman asks of the store, and small things that are remembered there by name."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select, text

from standingwatch.alarms.words import data_size
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import failing
from standingwatch.store.reports import upsert

#: Note of the store's sizes: a list of [time in Unix microseconds, bytes], one an hour.
SIZES_NOTE = "store-sizes"

#: Note that shows that the store can be written.
HEARTBEAT_NOTE = "heartbeat"


def load_note(connection: Connection, name: str) -> Any:
    """A thing that is remembered, from its JSON; None where there is none of this name."""
    query = select(tables.notes.c.value).where(tables.notes.c.name == name)
    value = connection.execute(query).scalar_one_or_none()
    return None if value is None else json.loads(value)


def save_note(connection: Connection, name: str, value: Any) -> None:
    """Remember a thing that JSON can hold."""
    upsert(connection, tables.notes, [{"name": name, "value": json.dumps(value, allow_nan=False)}])


def prove_writable(
    store: Store, now_us: int, free_bytes: Callable[[Path], int] = lambda p: shutil.disk_usage(p).free
) -> None:
    """Write a few bytes; raises what the database raises where it is full or away.

    A few bytes still find a place in SQLite's own files when the disk around them has none left, so that
    free space is asked for as well.

    Raises:
        OSError: if the disk of a store in a file has less than `LEAST_FREE_BYTES` left, or cannot be seen.
        DBAPIError: if the database refuses.
    """
    file = store_file(store)
    if file is not None and (free := free_bytes(file.resolve().parent)) < LEAST_FREE_BYTES:
        raise OSError(f"its disk is full, {data_size(free)} are free")
    with store.writing() as connection:
        save_note(connection, HEARTBEAT_NOTE, now_us)


#: Less than this is no room to work in: SQLite's log takes 4 MB before it is put back into the database, and
#: the last batch as much again (https://www.sqlite.org/wal.html, section 3.3: 1000 pages of 4096 B).
LEAST_FREE_BYTES = 8_000_000


@dataclass(frozen=True)
class JobRun:
    """The newest run of a job: when it ended [Unix microseconds], whether well, and why not."""

    ended_us: int
    succeeded: bool
    detail: str


def load_job_runs(connection: Connection) -> dict[str, JobRun]:
    """The newest run of each job by its name."""
    return {
        r.job: JobRun(r.ended_us, r.succeeded, r.detail) for r in connection.execute(select(tables.job_runs))
    }


@dataclass(frozen=True)
class ChannelState:
    """What a channel has still to deliver.

    Attributes:
        oldest_us: since when the oldest message waits, or the channel as a whole fails with nothing waiting
            [Unix microseconds]; None for neither.
        waiting: how many wait.
        dead: how many were given up on and not sent again.
        dead_lately: how many of those since a given time.
        error: why the last try of the oldest failed, "" where none did.
    """

    oldest_us: int | None
    waiting: int
    dead: int
    dead_lately: int
    error: str


def channel_states(
    connection: Connection, channels: Collection[str], dead_since_us: int
) -> dict[str, ChannelState]:
    """What each of some channels has still to deliver; all of it is read from the outbox's own index."""
    columns = tables.outbox.c
    result = {}
    for channel in channels:
        mine = (columns.channel == channel) & columns.delivered_us.is_(None)
        waits = mine & columns.dead_us.is_(None)
        oldest = connection.execute(
            select(columns.made_us, columns.last_error).where(waits).order_by(columns.id).limit(1)
        ).one_or_none()
        waiting = 0
        if oldest is not None:
            waiting = connection.execute(select(func.count()).where(waits)).scalar_one()
        died = mine & columns.dead_us.is_not(None)
        dead, lately = connection.execute(
            select(func.count(), func.count().filter(columns.dead_us >= dead_since_us)).where(died)
        ).one()
        error = oldest.last_error if oldest is not None else ""
        if lately and not error:
            newest = select(columns.last_error).where(died).order_by(columns.dead_us.desc()).limit(1)
            error = connection.execute(newest).scalar_one()
        made_us = oldest.made_us if oldest is not None else None
        # What a channel does besides messages may fail too: its lists of what stands do not get out.
        trouble = failing(connection, channel)
        if trouble is not None:
            made_us = trouble.since_us if made_us is None else min(made_us, trouble.since_us)
            error = error or trouble.error
        result[channel] = ChannelState(made_us, int(waiting), int(dead), int(lately), error)
    return result


def store_file(store: Store) -> Path | None:
    """The file that holds the store; None where a database server does, or nothing but memory."""
    name = store.engine.url.database if store.is_sqlite else None
    return Path(name) if name and name != ":memory:" else None


def store_bytes(store: Store) -> int:
    """Size of the store on its disk [B]."""
    if store.is_sqlite:
        path = store_file(store) or Path()
        parts = [path, path.with_name(path.name + "-wal")] if path.name else []
        return sum(p.stat().st_size for p in parts if p.exists())
    with store.reading() as connection:
        return int(connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one())
