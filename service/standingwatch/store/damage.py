"""Damage in a SQLite file: found at the start, told in one sentence with the way back."""

from __future__ import annotations

import logging
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import (
    ColumnClause,
    Engine,
    Select,
    asc,
    column,
    desc,
    event,
    func,
    literal_column,
    select,
    table,
)
from sqlalchemy.engine import ExceptionContext

from standingwatch.store.sqlite_words import quoted, sqlite_text

log = logging.getLogger("standingwatch.store")

#: Files up to this size are looked at whole at the start: 1.6 s for each GB in memory, the disk's pace else.
WHOLE_BYTES = 1_000_000_000

#: Tables that are as long as the history; of larger files their ends are looked at, not all of them.
LONG = ("readings", "rollups")

_DAMAGE_CODES = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def damage_of(error: BaseException) -> str:
    """What SQLite says of a damaged file; "" for an error of another kind, and for PostgreSQL's."""
    cause: BaseException | None = getattr(error, "orig", None) or error
    code = getattr(cause, "sqlite_errorcode", None)
    # The low byte tells the kind, the others which of that kind (https://www.sqlite.org/rescode.html).
    return str(cause) if code is not None and code & 0xFF in _DAMAGE_CODES else ""


def damage_sentence(shown_url: str, detail: str) -> str:
    """What to tell of a damaged store, with what to do."""
    return (
        f"store {shown_url}: its file is damaged ({detail}); stop the service and put the last backup back "
        "with: standingwatch restore BACKUP --replace (the damaged file is kept beside it)"
    )


def tell_of_damage(engine: Engine, shown_url: str) -> None:
    """Have the first error of a SQLite file that turns out to be damaged said in the log, with what to do."""
    told: list[str] = []

    @event.listens_for(engine, "handle_error")
    def handle(context: ExceptionContext) -> None:
        detail = damage_of(context.original_exception)
        if detail and not told:
            told.append(detail)
            log.critical("%s", damage_sentence(shown_url, detail))


def connect_to(file: Path) -> sqlite3.Connection:
    """A connection to a SQLite file that is there: it never makes one."""
    address = f"file:{quote(str(file.resolve()))}?mode=rw"
    return sqlite3.connect(address, uri=True, timeout=30, isolation_level=None)


def find_damage(file: Path, whole_bytes: int = WHOLE_BYTES) -> str:
    """Look for damage in a SQLite file.

    A file up to `whole_bytes` is read whole (SQLite's quick check: all trees, not whether indices hold what
    their tables do). Of a larger one all tables but the long ones are, and of those both ends: the start must
    not take minutes. What is damaged in their middle shows when it is read.

    Returns:
        What is wrong, "" where nothing was found. A file that is not there, or that cannot be opened for
        another reason, is not damaged.
    """
    if not file.is_file() or file.stat().st_size == 0:
        return ""
    try:
        with closing(connect_to(file)) as connection:
            if file.stat().st_size <= whole_bytes:
                return _quick_check(connection, "")
            names = [
                str(name)
                for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            ]
            found = (_quick_check(connection, name) for name in names if name not in LONG)
            wrong = next((one for one in found if one), "")
            if not wrong:
                _read_ends(connection, names)
            return wrong
    except sqlite3.OperationalError as error:
        # In use, or not ours to read: who opens the store next says so better.
        return damage_of(error)
    except sqlite3.DatabaseError as error:
        return damage_of(error) or str(error)


def _quick_check(connection: sqlite3.Connection, of_table: str) -> str:
    """The first problem that SQLite finds in a table, or in all of the file for ""; "" for none."""
    argument = f"({quoted(of_table)})" if of_table else ""
    for (said,) in connection.execute(f"PRAGMA quick_check{argument}").fetchall():
        null = _NULL_VALUE.match(said)
        if said == "ok" or (null and not _has_null(connection, *null.groups())):
            continue
        return " ".join(str(said).split())
    return ""


#: SQLite 3.40 says so of tables without row numbers whose key is not their first columns, where there is no
#: NULL at all (found by a test; `watch_state` is such a table). What is wrong with trees it says before this.
_NULL_VALUE = re.compile(r"NULL value in (\w+)\.(\w+)$")


def _has_null(connection: sqlite3.Connection, of_table: str, name: str) -> bool:
    # Not `IS NULL`, which is false unseen where the column may not be NULL.
    kind = func.typeof(column(name))
    found: Select[Any] = (
        select(literal_column("1")).select_from(table(of_table)).where(kind == "null").limit(1)
    )
    return connection.execute(sqlite_text(found)).fetchone() is not None


def _read_ends(connection: sqlite3.Connection, names: list[str]) -> None:
    for name in LONG:
        if name not in names:
            continue
        info = connection.execute(f"PRAGMA table_info({quoted(name)})")
        columns: list[ColumnClause[Any]] = [column(str(row[1])) for row in info if row[5]]
        for order in (asc, desc):
            ends = [order(one) for one in columns]
            end: Select[Any] = select(literal_column("*")).select_from(table(name)).order_by(*ends).limit(1)
            connection.execute(sqlite_text(end)).fetchall()
