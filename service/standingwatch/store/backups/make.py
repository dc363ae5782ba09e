"""A backup made of a store that is in use."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from standingwatch import __version__
from standingwatch.store import tables
from standingwatch.store.backups import sqlite
from standingwatch.store.backups.file import (
    FORMAT,
    FORMAT_VERSION,
    BackupError,
    Draft,
    Manifest,
    Progress,
    drafted,
    write_manifest,
)
from standingwatch.store.connect import Store
from standingwatch.store.watchman import store_file


def make_backup(store: Store, file: Path, now_us: int, progress: Progress = lambda _bytes: None) -> Manifest:
    """Write a backup of all that is committed by now; the service may go on meanwhile.

    The store is taken in the layout that it has; nothing is brought up to date.

    Args:
        store: what to keep.
        file: the backup; one that is there is replaced once the new one is whole.
        now_us: now [Unix microseconds].
        progress: told how many bytes were moved.

    Raises:
        BackupError: if there is nothing to keep, or it cannot be read or written.
        StoreError: if the store cannot be opened, or a later version wrote it.
    """
    try:
        with drafted(file) as draft:
            make = _from_sqlite if store.is_sqlite else _from_postgres
            manifest = make(store, draft, now_us, progress)
            write_manifest(draft.archive, manifest)
    except DBAPIError as error:
        raise store.unusable(error) from error
    return manifest


def _from_sqlite(store: Store, draft: Draft, now_us: int, progress: Progress) -> Manifest:
    source = store_file(store)
    if source is None or not source.is_file():
        raise BackupError(f"store {store.shown_url}: there is no such file, so there is nothing to keep")
    sqlite.copy_of(source, store.shown_url, draft.scratch, progress)
    content = sqlite.content_of(draft.scratch)
    layout = _known(store, content.layout)
    written = sqlite.put_in(draft.archive, draft.scratch, progress)
    return Manifest(
        format=FORMAT,
        format_version=FORMAT_VERSION,
        version=__version__,
        layout=layout,
        database="sqlite",
        database_version=sqlite3.sqlite_version,
        schema="",
        made_us=now_us,
        newest_reading_us=content.newest_reading_us,
        rows=content.rows,
        member=sqlite.MEMBER,
        data_bytes=written.data_bytes,
        sha256=written.sha256,
    )


def _from_postgres(store: Store, draft: Draft, now_us: int, progress: Progress) -> Manifest:
    # Its driver and tools are there only where they are used.
    from standingwatch.store.backups import postgres

    with store.reading() as connection:
        layout = _known(store, store.layout(connection) or "")
        names = postgres.tables_there(connection)
        written = postgres.dump(store, connection, names, draft.archive, progress)
        return Manifest(
            format=FORMAT,
            format_version=FORMAT_VERSION,
            version=__version__,
            layout=layout,
            database="postgresql",
            database_version=str(connection.execute(text("SHOW server_version")).scalar_one()),
            schema=postgres.schema_of(connection),
            made_us=now_us,
            newest_reading_us=connection.execute(select(func.max(tables.readings.c.time_us))).scalar_one(),
            rows=postgres.rows_of(connection, names),
            member=postgres.MEMBER,
            data_bytes=written.data_bytes,
            sha256=written.sha256,
        )


def _known(store: Store, layout: str) -> str:
    if not layout:
        raise BackupError(f"store {store.shown_url}: has no tables yet, so there is nothing to keep")
    store.refuse_later(layout)
    return layout
