"""SQLite in and out of a backup: a copy of one moment, made while others write."""

from __future__ import annotations

import sqlite3
import zipfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import func, select, table

from standingwatch.store.backups.file import BackupError, Progress, Written, pump
from standingwatch.store.damage import connect_to, damage_sentence, find_damage
from standingwatch.store.sqlite_words import sqlite_text

MEMBER = "store.sqlite"

#: Pages of 4 KB that are copied at a time; between two of them others have their turn at the disk.
STEP_PAGES = 1024

#: The quickest that zlib has: readings shrink to a fifth, at 150 MB/s (measured).
_LEVEL = 1


@dataclass(frozen=True)
class Content:
    """What stands in a SQLite file.

    Attributes:
        layout: of its tables; "" where it has none.
        rows: by table.
        newest_reading_us: time of the newest reading [Unix microseconds]; None without any.
    """

    layout: str
    rows: dict[str, int]
    newest_reading_us: int | None


def copy_of(store: Path, shown_url: str, target: Path, progress: Progress) -> None:
    """Copy a store that is in use.

    SQLite's online backup begins anew whenever somebody writes between two of its steps, and would never come
    to its end beside a service that always does. So the connection that it reads by holds one view of the
    data from the first step to the last. In WAL mode that stops no writer; the log grows by what is written
    meanwhile (https://www.sqlite.org/backup.html, https://www.sqlite.org/wal.html).

    Args:
        store: the store's file.
        shown_url: what to call it.
        target: the copy; it must not be there.
        progress: told how many bytes were copied.

    Raises:
        BackupError: if the file or its copy is damaged, or the disk refuses.
    """
    done_pages = 0

    def step(_status: int, remaining: int, total: int) -> None:
        nonlocal done_pages
        if total - remaining < done_pages:
            raise BackupError(
                f"store {shown_url}: the copy began anew, so it is not of one moment; try again"
            )
        progress((total - remaining - done_pages) * page_bytes)
        done_pages = total - remaining

    try:
        with closing(connect_to(store)) as origin, closing(sqlite3.connect(target)) as copy:
            origin.execute("PRAGMA query_only = ON")
            copy.execute("PRAGMA synchronous = OFF")
            page_bytes = int(origin.execute("PRAGMA page_size").fetchone()[0])
            origin.execute("BEGIN")
            # The view begins with the first read.
            origin.execute("SELECT count(*) FROM sqlite_master").fetchone()
            origin.backup(copy, pages=STEP_PAGES, progress=step)
            origin.execute("ROLLBACK")
            # One file and no log beside it.
            copy.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.DatabaseError as error:
        raise _cannot_copy(error, shown_url, target) from error
    if damage := find_damage(target, whole_bytes=1 << 62):
        raise BackupError(damage_sentence(shown_url, damage))


def _cannot_copy(error: sqlite3.DatabaseError, shown_url: str, target: Path) -> BackupError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return BackupError(damage_sentence(shown_url, str(error)))
    return BackupError(
        f"store {shown_url}: cannot be copied to {target}: {error}; check that the folder has room for it "
        "once more, and that both may be read and written"
    )


def content_of(file: Path) -> Content:
    """Count what stands in a SQLite file that nobody uses."""
    with closing(connect_to(file)) as connection:
        names = [
            str(name)
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite^_%' "
                "ESCAPE '^' ORDER BY name"
            )
        ]

        def one(query: str) -> Any:
            found = connection.execute(query).fetchone()
            return None if found is None else found[0]

        rows = {name: int(one(sqlite_text(select(func.count()).select_from(table(name))))) for name in names}
        return Content(
            layout=(one("SELECT version_num FROM alembic_version") or "")
            if "alembic_version" in rows
            else "",
            rows=rows,
            newest_reading_us=one("SELECT max(time_us) FROM readings") if "readings" in rows else None,
        )


def put_in(archive: zipfile.ZipFile, file: Path, progress: Progress) -> Written:
    """Put a file into a backup, made smaller."""
    archive.compression, archive.compresslevel = zipfile.ZIP_DEFLATED, _LEVEL
    with file.open("rb") as source, archive.open(MEMBER, "w", force_zip64=True) as member:
        return pump(source.read, member.write, progress)
