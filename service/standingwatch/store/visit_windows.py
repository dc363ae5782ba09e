"""The windows of work of a visit: opened when the work begins, ended when it is done.

A window of kind "visit" for each transmitter that is worked at: after it the watch learns its baseline anew.
One of kind "outage" for the whole site: what the crew takes off the air is explained, and keeps its baseline.
"""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import Connection, delete, select

from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.review.visits import Visit
from standingwatch.store import tables
from standingwatch.store.desk_mark import moved_on
from standingwatch.store.windows import add_window, end_window


def open_windows(
    connection: Connection, visit: Visit, *, by: str, start_us: int, end_us: int
) -> tuple[int, ...]:
    """Enter the windows of a visit that begins; returns their numbers."""
    columns = tables.transmitters.c
    query = select(columns.transmitter).where(columns.site == visit.site, columns.removed_us.is_(None))
    listed = set(connection.execute(query).scalars())
    rows = [
        MaintenanceRow(visit.site, name, start_us, end_us, "visit")
        for name in visit.touched
        if name in listed
    ]
    if listed:
        rows.append(MaintenanceRow(visit.site, "", start_us, end_us, "outage"))
    note = f"visit {visit.number}"
    return tuple(add_window(connection, row, by=by, note=note) for row in rows)


def close_windows(connection: Connection, visit: Visit, *, by: str, now_us: int) -> tuple[int, ...]:
    """End the windows of a visit; returns the numbers of all that it had.

    A window that ran out before somebody said that the work is done is followed by one up to now, so that
    nothing is learned from the hours of the work.
    """
    numbers = list(visit.windows)
    columns = tables.maintenance.c
    rows = connection.execute(select(tables.maintenance).where(columns.id.in_(numbers))).all()
    for row in rows:
        if end_window(connection, row.id, by=by, now_us=now_us):
            continue
        if row.end_us < now_us:
            later = MaintenanceRow(row.site, row.transmitter, row.end_us, now_us, row.kind)
            numbers.append(add_window(connection, later, by=by, note=f"visit {visit.number}, went on longer"))
    return tuple(numbers)


def take_windows_away(connection: Connection, numbers: Collection[int]) -> None:
    """Take windows away as if they had never been: nothing was worked at."""
    if numbers:
        connection.execute(delete(tables.maintenance).where(tables.maintenance.c.id.in_(numbers)))
        moved_on(connection)
