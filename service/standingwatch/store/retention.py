"""Readings past their retention: into the archive where there is one, and then out of the store.

On PostgreSQL whole partitions are dropped; what lies in the rest, or in the one large partition of a store
that was brought up from an older layout, is deleted by rows, as everything is on SQLite.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from sqlalchemy import BigInteger, ColumnElement, Connection, TableClause, column, delete, select, table

from standingwatch.store import tables
from standingwatch.store.archive import (
    DAY_US,
    Seen,
    archive_day,
    days_with_readings,
    nothing_imported_since,
    seen,
)
from standingwatch.store.connect import Store
from standingwatch.store.partitions import (
    Partition,
    PartitionsBusyError,
    briefly,
    drop_partition,
    hold_partition,
    partitions,
)


@dataclass(frozen=True)
class Gone:
    """What was deleted: partitions that were dropped, and rows apart from those.

    Attributes:
        partitions: how many.
        rows: how many.
        archived: readings that were written to the archive.
        busy: what could not be dropped yet, because others used it; "" for nothing.
    """

    partitions: int
    rows: int
    archived: int = 0
    busy: str = ""


class _ComeSinceError(Exception):
    """Readings came that are not in the archive yet."""


def forget_readings(store: Store, before_us: int, archive: Path | None = None) -> Gone:
    """Delete readings of before a time; with an archive, or in partitions, some stay for some days more.

    Args:
        store: where.
        before_us: readings of this time and later stay [Unix microseconds].
        archive: folder that readings go to first, by whole days of UTC; None for none.

    Raises:
        OSError: if the archive cannot be written; then nothing is deleted that is not in it.
    """
    if archive is not None:
        before_us -= before_us % DAY_US
    with store.reading() as connection:
        present = partitions(connection)
    dropped, archived, busy = 0, 0, ""
    for one in present:
        if one.is_rest or one.start_us is None or one.end_us is None or one.end_us > before_us:
            continue
        then = None
        if archive is not None:
            then = seen(store)
            with store.reading() as connection:
                days = list(days_with_readings(connection, one.start_us, one.end_us))
            archived += sum(archive_day(store, archive, day_us) for day_us in days)
        try:
            dropped += briefly(store, partial(_drop, partition=one, then=then))
        except PartitionsBusyError as error:
            busy = str(error)
    rows = 0
    # Of partitions only what has no begin, and the rest; a plain table as a whole.
    for name in [p.name for p in present if p.start_us is None] or [tables.readings.name]:
        its = _readings_in(name)
        if archive is None:
            with store.writing() as connection:
                rows += _delete(connection, its, its.c.time_us < before_us)
        else:
            more_rows, more_archived = _forget_days(store, its, before_us, archive)
            rows, archived = rows + more_rows, archived + more_archived
    return Gone(dropped, rows, archived, busy)


def _drop(connection: Connection, partition: Partition, then: Seen | None) -> int:
    """Drop a partition, unless readings came to it that are not in the archive; whether it was dropped."""
    if then is not None:
        hold_partition(connection, partition)
        arrival = _readings_in(partition.name).c.arrival
        later = connection.execute(select(arrival).where(arrival > then.arrival).limit(1)).first()
        if later is not None or not nothing_imported_since(connection, then):
            return 0
    drop_partition(connection, partition)
    return 1


def _forget_days(store: Store, its: TableClause, before_us: int, archive: Path) -> tuple[int, int]:
    """Archive and delete readings of one table by days; how many were deleted, and how many archived."""
    gone, archived = 0, 0
    with store.reading() as connection:
        days = list(days_with_readings(connection, 0, before_us, its))
    for start_us in days:
        then = seen(store)
        archived += archive_day(store, archive, start_us)
        of_day = (its.c.time_us >= start_us, its.c.time_us < start_us + DAY_US)
        with suppress(_ComeSinceError), store.writing() as connection:
            rows = _delete(connection, its, *of_day, its.c.arrival <= then.arrival)
            if not nothing_imported_since(connection, then):
                raise _ComeSinceError
            gone += rows
    return gone, archived


def _readings_in(name: str) -> TableClause:
    """All readings, or a partition of them: what is asked of those here."""
    return table(name, column("time_us", BigInteger), column("arrival", BigInteger))


def _delete(connection: Connection, its: TableClause, *which: ColumnElement[bool]) -> int:
    return int(connection.execute(delete(its).where(*which)).rowcount)
