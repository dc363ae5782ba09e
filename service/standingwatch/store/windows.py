"""Windows of work on record: entered by people, or brought by an import; ended before their time."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, delete, insert, select, tuple_, update

from standingwatch.alarms.shelving import Window
from standingwatch.inventory.maintenance import KINDS, MaintenanceRow
from standingwatch.store import tables
from standingwatch.store.desk_mark import lock_desk, moved_on
from standingwatch.store.handling import EntryError, problems_of_entry, problems_of_name


@dataclass(frozen=True)
class EnteredWindow:
    """A window of work with who entered it ("file" for an import), why, and who ended it before its time."""

    number: int
    window: Window
    entered_by: str
    note: str
    ended_by: str = ""


def load_windows(
    connection: Connection,
    since_us: int = 0,
    *,
    after: tuple[int, int] | None = None,
    limit: int | None = None,
) -> list[EnteredWindow]:
    """Work on record that ends at or after a time, by its beginning.

    Args:
        connection: a transaction.
        since_us: [Unix microseconds].
        after: only what comes behind this beginning [Unix microseconds] and number.
        limit: so many at most; None for all.
    """
    columns = tables.maintenance.c
    query = (
        select(tables.maintenance).where(columns.end_us >= since_us).order_by(columns.start_us, columns.id)
    )
    if after is not None:
        query = query.where(tuple_(columns.start_us, columns.id) > after)
    return [
        EnteredWindow(
            r.id,
            Window(r.site, r.transmitter, r.start_us, r.end_us, r.kind),
            r.entered_by,
            r.note,
            r.ended_by,
        )
        for r in connection.execute(query.limit(limit))
    ]


def add_window(connection: Connection, row: MaintenanceRow, *, by: str, note: str) -> int:
    """Enter a window of work; returns its number.

    Raises:
        EntryError: with every problem.
    """
    problems = problems_of_entry(by, "note", note)
    if by.strip() == "file":
        problems.append("by: got the word for what an import brought, wanted a name")
    if row.end_us <= row.start_us:
        problems.append("end: got a time not after the start, wanted a later one")
    if row.kind not in KINDS:
        problems.append(f"kind: got {row.kind!r}, wanted one of {', '.join(KINDS)}")
    site = select(tables.transmitters.c.site).where(
        tables.transmitters.c.site == row.site, tables.transmitters.c.removed_us.is_(None)
    )
    if row.transmitter:
        site = site.where(tables.transmitters.c.transmitter == row.transmitter)
    if connection.execute(site.limit(1)).first() is None:
        what = f"{row.site}/{row.transmitter}" if row.transmitter else row.site
        problems.append(f"site, transmitter: got {what!r}, wanted one of the site list")
    if problems:
        raise EntryError(*problems)
    lock_desk(connection)
    number = connection.execute(
        insert(tables.maintenance).values(**vars(row), entered_by=by.strip(), note=note.strip())
    ).inserted_primary_key
    moved_on(connection)
    if number is None:
        raise RuntimeError("the database gave no number to the window it has just kept")
    return int(number[0])


def end_window(connection: Connection, number: int, *, by: str, now_us: int) -> bool:
    """End a window of work now, or take it away if it has not begun; false if there is none to end.

    What an import brought is ended in its file. Who ended one stays with it; of one that was taken away only
    the audit tells.

    Raises:
        EntryError: if nobody is named who does it.
    """
    if problems := problems_of_name(by):
        raise EntryError(*problems)
    lock_desk(connection)
    columns = tables.maintenance.c
    entered = (columns.id == number) & (columns.entered_by != "file") & (columns.end_us > now_us)
    gone = connection.execute(delete(tables.maintenance).where(entered, columns.start_us >= now_us)).rowcount
    ended = connection.execute(
        update(tables.maintenance).where(entered).values(end_us=now_us, ended_by=by.strip())
    ).rowcount
    if gone or ended:
        moved_on(connection)
    return bool(gone or ended)
