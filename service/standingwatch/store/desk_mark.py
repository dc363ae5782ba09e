"""The mark that counts what people do with alarms, and the lock under which they do it, one after the other.

Whoever changes anything of it moves the mark `desk` on, by which the watch sees that there is something new.
"""

from __future__ import annotations

from sqlalchemy import Connection, select, text

from standingwatch.store import tables
from standingwatch.store.reports import upsert

#: Name of the mark that counts changes by people.
DESK_MARK = "desk"

#: Key of the lock of `lock_desk` on PostgreSQL.
DESK_LOCK = 7_201_915


def desk_version(connection: Connection) -> int:
    """A number that grows with every change by people."""
    query = select(tables.marks.c.value).where(tables.marks.c.name == DESK_MARK)
    return int(connection.execute(query).scalar_one_or_none() or 0)


def lock_desk(connection: Connection) -> None:
    """Make this transaction the only one that changes what people do with alarms, until it ends.

    Two that read the same and write it anew would lose what one of them wrote, or move the mark to the same
    number. SQLite has one writer at a time anyway.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": DESK_LOCK})


def moved_on(connection: Connection) -> None:
    """Move the mark of the desk on."""
    upsert(connection, tables.marks, [{"name": DESK_MARK, "value": desk_version(connection) + 1}])
