"""A backup put back: all of it is looked at first, and the store changes at one stroke or not at all."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zipfile import ZipFile

from sqlalchemy import Connection, delete, text
from sqlalchemy.exc import DBAPIError

from standingwatch.store import tables
from standingwatch.store.backups import sqlite
from standingwatch.store.backups.file import (
    BackupError,
    Manifest,
    Progress,
    cannot_write,
    look_at,
    opened,
    sync_folder,
    take_out,
)
from standingwatch.store.connect import Store, known_layouts
from standingwatch.store.damage import connect_to, find_damage
from standingwatch.store.watchman import store_file

#: Bytes of a SQLite file that its users lock: every connection in WAL mode holds some of them as long as it
#: is open (https://www.sqlite.org/lockingv3.html, https://www.sqlite.org/src/file/src/os.h, PENDING_BYTE).
_LOCK_BYTE, _LOCK_BYTES = 0x40000000, 512

IN_USE = "is in use; stop the service and every command first"

Note = Callable[[Connection], None]


@dataclass(frozen=True)
class Restored:
    """What was done.

    Attributes:
        manifest: of the backup.
        layout: what the tables were brought up to.
        sessions: how many sign-ins were ended.
        kept: the file of the store as it was before; None where it was empty, and for PostgreSQL.
    """

    manifest: Manifest
    layout: str
    sessions: int
    kept: Path | None


def restore(
    store: Store,
    file: Path,
    *,
    replace: bool,
    now_us: int,
    note: Note,
    progress: Progress = lambda _bytes: None,
) -> Restored:
    """Put a backup back into a store that nobody uses, and bring it to this version's layout.

    Everybody has to sign in again: a session that was ended since the backup must not come alive.

    Args:
        store: where to; of the kind of database that the backup is of.
        file: the backup.
        replace: what is in the store may go; without it the store has to be empty.
        now_us: now [Unix microseconds].
        note: keeps in the restored store that it was done.
        progress: told how many bytes were moved.

    Raises:
        BackupError: if the backup is damaged or does not fit, or the store is in use or not empty; the store
            is then as it was.
        StoreError: if the database cannot be opened.
    """
    with opened(file) as (archive, manifest):
        _refuse_strangers(store, file, manifest)
        try:
            if store.is_sqlite:
                return _into_sqlite(store, file, archive, manifest, replace, now_us, note, progress)
            return _into_postgres(store, file, archive, manifest, replace, note, progress)
        except DBAPIError as error:
            raise store.unusable(error) from error


def refuse_later(file: Path, manifest: Manifest) -> None:
    """Refuse a backup of a layout that only later versions know."""
    if manifest.layout not in known_layouts():
        raise BackupError(
            f"{file}: its layout is {manifest.layout}, by version {manifest.version}, which this version "
            "does not know; use the version that made it, or a later one"
        )


def _refuse_strangers(store: Store, file: Path, manifest: Manifest) -> None:
    refuse_later(file, manifest)
    wanted = "sqlite" if store.is_sqlite else "postgresql"
    if manifest.database != wanted:
        raise BackupError(
            f"{file}: is a backup of a {manifest.database} store, and store.url names a {wanted} one; "
            "a backup goes back into the kind of database that it came from"
        )


def _refuse_filled(store: Store, rows: int, replace: bool) -> None:
    if rows and not replace:
        raise BackupError(
            f"store {store.shown_url}: is not empty, {rows} rows are in it; give --replace to put the backup "
            "in their place"
        )


def _finish(store: Store, note: Note) -> int:
    """Bring the tables up, end the sessions, and keep what was done; how many sessions were ended."""
    store.migrate()
    with store.writing() as connection:
        sessions = int(connection.execute(delete(tables.sessions)).rowcount)
        note(connection)
    return sessions


def _compare(file: Path, manifest: Manifest, layout: str, rows: dict[str, int]) -> None:
    if layout != manifest.layout or rows != manifest.rows:
        differ = sorted(name for name in {*rows, *manifest.rows} if rows.get(name) != manifest.rows.get(name))
        raise BackupError(
            f"{file}: its manifest tells of other data than are in it ({', '.join(differ) or layout})"
        )


# SQLite -------------------------------------------------------------------------------------------------


def _into_sqlite(
    store: Store,
    file: Path,
    archive: ZipFile,
    manifest: Manifest,
    replace: bool,
    now_us: int,
    note: Note,
    progress: Progress,
) -> Restored:
    target = store_file(store)
    if target is None:
        raise BackupError(f"store {store.shown_url}: is kept in memory alone, so nothing can be put back")
    # As long as nobody has opened the file, it is not there.
    store.close()
    filled = _rows_in(target)
    _refuse_filled(store, filled, replace)
    with _alone(target, store.shown_url):
        pass
    new = target.with_name(target.name + ".restoring")
    _remove(new)
    try:
        descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as stream:
            take_out(file, archive, manifest, stream.write, progress)
        if damage := find_damage(new, whole_bytes=1 << 62):
            raise BackupError(f"{file}: the store in it is damaged ({damage}); take another one")
        content = sqlite.content_of(new)
        _compare(file, manifest, content.layout, content.rows)
        made = Store(f"sqlite:///{new.resolve()}")
        try:
            sessions = _finish(made, note)
        finally:
            made.close()
        _settle(new, store.shown_url)
        _give_to_owner(new, target)
        with new.open("rb") as stream:
            os.fsync(stream.fileno())
        kept = _swap(new, target, store.shown_url, now_us if filled else None)
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        _remove(new)
    return Restored(manifest, known_layouts()[-1], sessions, kept)


def _rows_in(file: Path) -> int:
    """Rows of a SQLite store but for the number of its layout; a file that cannot be read has some."""
    if not file.is_file() or file.stat().st_size == 0:
        return 0
    try:
        rows = sqlite.content_of(file).rows
    except sqlite3.DatabaseError:
        return 1
    return sum(count for name, count in rows.items() if name != "alembic_version")


def _settle(file: Path, shown_url: str) -> None:
    """Put what is in the log of a SQLite file into it, so that it stands alone; one that is damaged stays."""
    try:
        with closing(connect_to(file)) as connection:
            connection.execute("PRAGMA busy_timeout = 1000")
            connection.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise BackupError(f"store {shown_url}: {IN_USE}") from error
        raise BackupError(f"store {shown_url}: cannot be written: {error}") from error
    except sqlite3.DatabaseError:
        # It cannot be mended here: it is put aside together with its log.
        return


@contextmanager
def _alone(file: Path, shown_url: str) -> Iterator[None]:
    """Hold a SQLite file so that no other process can use it; nothing of ours may open it meanwhile."""
    if not file.exists():
        yield
        return
    descriptor = os.open(file, os.O_RDWR | os.O_CLOEXEC)
    try:
        try:
            fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB, _LOCK_BYTES, _LOCK_BYTE)
        except OSError:
            raise BackupError(f"store {shown_url}: {IN_USE}") from None
        yield
    finally:
        os.close(descriptor)


def _give_to_owner(new: Path, target: Path) -> None:
    """Whoever the store belonged to can use it again, where root puts it back for the service."""
    before = target.stat() if target.exists() else target.resolve().parent.stat()
    if os.geteuid() == 0:
        os.chown(new, before.st_uid, before.st_gid)
    if target.exists():
        os.chmod(new, before.st_mode & 0o777)


def _swap(new: Path, target: Path, shown_url: str, keep_as_of_us: int | None) -> Path | None:
    """Put a file in the place of the store, at one stroke; where the old one is now, if it is kept."""
    if target.exists():
        _settle(target, shown_url)
    kept = None
    with _alone(target, shown_url):
        if keep_as_of_us is not None:
            stamp = datetime.fromtimestamp(keep_as_of_us // 1_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
            kept = target.with_name(f"{target.name}.replaced-{stamp}")
            # A second name first: there is no moment in which the store has none.
            os.link(target, kept)
        for ending in ("-wal", "-shm", "-journal"):
            # A log that is left belongs to the old file: beside the new one it would be played into it.
            log = target.with_name(target.name + ending)
            if log.exists():
                os.replace(log, kept.with_name(kept.name + ending)) if kept else log.unlink()
        os.replace(new, target)
    sync_folder(target)
    return kept


def _remove(file: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        file.with_name(file.name + ending).unlink(missing_ok=True)


# PostgreSQL ---------------------------------------------------------------------------------------------


def _into_postgres(
    store: Store,
    file: Path,
    archive: ZipFile,
    manifest: Manifest,
    replace: bool,
    note: Note,
    progress: Progress,
) -> Restored:
    # Its driver and tools are there only where they are used.
    from standingwatch.store.backups import postgres

    with store.reading() as connection:
        if others := postgres.others_at_work(connection):
            raise BackupError(f"store {store.shown_url}: {IN_USE} ({others} other connections of its user)")
        # Tables that only a later version knows would stay, and stand in the way of its next start.
        store.layout(connection)
        names = postgres.tables_there(connection)
        rows = postgres.rows_of(connection, [name for name in names if name != "alembic_version"])
        _refuse_filled(store, sum(rows.values()), replace)
        schema = postgres.schema_of(connection)
        if schema != manifest.schema:
            raise BackupError(
                f"{file}: its tables are in the schema {manifest.schema}, and store.url leads to {schema}"
            )
    # The tools work in connections of their own, and look at the checksum only as the last byte goes by.
    look_at(file)
    postgres.load(store, file, archive, manifest, progress)
    with store.reading() as connection:
        layout = store.layout(connection) or ""
        _compare(file, manifest, layout, postgres.rows_of(connection, postgres.tables_there(connection)))
    sessions = _finish(store, note)
    with store.writing() as connection:
        # The planner knows nothing of tables that were filled at once.
        connection.execute(text("ANALYZE"))
    return Restored(manifest, known_layouts()[-1], sessions, None)
