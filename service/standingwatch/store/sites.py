"""The site list in the store: each transmitter has a number that is never used again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
from sqlalchemy import Connection, func, insert, select, text, update

from standingwatch.inventory import InventoryRow
from standingwatch.readings import IntArray
from standingwatch.store import tables
from standingwatch.store.reports import upsert

SITE_LIST_MARK = "site-list-version"

#: Key of the lock on PostgreSQL under which the site list is changed.
SITE_LIST_LOCK = 7_201_916


@dataclass(frozen=True)
class SiteList:
    """The transmitters that are watched, and their numbers in the store.

    Attributes:
        rows: inventory rows in the order of the file.
        keys: number of each.
        version: rises with each change.
    """

    rows: tuple[InventoryRow, ...]
    keys: IntArray
    version: int

    @property
    def position_of_key(self) -> IntArray:
        """Position in `rows` of each number; -1 for numbers that are not watched."""
        size = int(self.keys.max()) + 1 if len(self.keys) else 1
        position = np.full(size, -1, dtype=np.int64)
        position[self.keys] = np.arange(len(self.keys))
        return position


@dataclass(frozen=True)
class ListChange:
    """What replacing the site list did, as numbers of transmitters."""

    added: int
    changed: int
    removed: int


def site_list_version(connection: Connection) -> int:
    """Version of the site list, 0 before the first."""
    value = connection.execute(
        select(tables.marks.c.value).where(tables.marks.c.name == SITE_LIST_MARK)
    ).scalar()
    return int(value or 0)


def load_site_list(connection: Connection) -> SiteList:
    """The transmitters that are watched now."""
    columns = tables.transmitters.c
    query = (
        select(columns.key, columns.row)
        .where(columns.removed_us.is_(None))
        .order_by(columns.position, columns.key)
    )
    found = connection.execute(query).all()
    return SiteList(
        rows=tuple(InventoryRow(**json.loads(r.row)) for r in found),
        keys=np.array([r.key for r in found], dtype=np.int64),
        version=site_list_version(connection),
    )


class ListedError(Exception):
    """A transmitter is on the site list already."""


def add_to_site_list(connection: Connection, row: InventoryRow) -> None:
    """Put one transmitter on the site list, behind the others, which stay as they are.

    One that was on it before comes back with its history and number.

    Args:
        connection: a writing transaction.
        row: the transmitter.

    Raises:
        ListedError: it is on the list.
    """
    columns = tables.transmitters.c
    _lock_site_list(connection)
    here = (columns.site == row.site) & (columns.transmitter == row.transmitter)
    known = connection.execute(select(tables.transmitters).where(here)).one_or_none()
    if known is not None and known.removed_us is None:
        raise ListedError(f"{row.site}/{row.transmitter} is on the site list already.")
    last = connection.execute(select(func.coalesce(func.max(columns.position), -1))).scalar_one()
    values = {"row": json.dumps(asdict(row), sort_keys=True), "position": int(last) + 1}
    if known is None:
        names = {"site": row.site, "transmitter": row.transmitter}
        connection.execute(insert(tables.transmitters).values(**names, **values))
    else:
        connection.execute(
            update(tables.transmitters).where(columns.key == known.key).values(removed_us=None, **values)
        )
    _moved_on(connection)


def put_on_site_list(connection: Connection, row: InventoryRow) -> bool:
    """Put one transmitter on the site list, or its row in the place of the one that is there.

    Args:
        connection: a writing transaction.
        row: the transmitter.

    Returns:
        Whether it was not on the list before.
    """
    try:
        add_to_site_list(connection, row)
    except ListedError:
        pass
    else:
        return True
    columns, written = tables.transmitters.c, json.dumps(asdict(row), sort_keys=True)
    here = (columns.site == row.site) & (columns.transmitter == row.transmitter)
    if connection.execute(
        update(tables.transmitters).where(here, columns.row != written).values(row=written)
    ).rowcount:
        _moved_on(connection)
    return False


def take_off_site_list(connection: Connection, site: str, transmitter: str, now_us: int) -> bool:
    """Take one transmitter off the site list; false if it is not on it. Its history and number stay.

    Args:
        connection: a writing transaction.
        site, transmitter: which.
        now_us: now [Unix microseconds].
    """
    columns = tables.transmitters.c
    _lock_site_list(connection)
    here = (columns.site == site) & (columns.transmitter == transmitter) & columns.removed_us.is_(None)
    gone = connection.execute(update(tables.transmitters).where(here).values(removed_us=now_us)).rowcount
    if gone:
        _moved_on(connection)
    return bool(gone)


def _lock_site_list(connection: Connection) -> None:
    """Make this transaction the only one that changes the list, until it ends.

    Two at once would both count it on to the same version, or, as processes that start together from one
    file, both put the same transmitter on it. SQLite has one writer at a time anyway.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": SITE_LIST_LOCK})


def _moved_on(connection: Connection) -> None:
    """Count the list on to another version."""
    upsert(connection, tables.marks, [{"name": SITE_LIST_MARK, "value": site_list_version(connection) + 1}])


def replace_site_list(connection: Connection, rows: Sequence[InventoryRow], now_us: int) -> ListChange:
    """Make `rows` the site list; one that is not in it any more keeps its history and number."""
    columns = tables.transmitters.c
    _lock_site_list(connection)
    present = {(r.site, r.transmitter): r for r in connection.execute(select(tables.transmitters))}
    added = changed = 0
    for position, row in enumerate(rows):
        written = json.dumps(asdict(row), sort_keys=True)
        known = present.pop((row.site, row.transmitter), None)
        if known is None:
            connection.execute(
                insert(tables.transmitters).values(
                    site=row.site, transmitter=row.transmitter, position=position, row=written
                )
            )
            added += 1
        elif known.row != written or known.removed_us is not None or known.position != position:
            connection.execute(
                update(tables.transmitters)
                .where(columns.key == known.key)
                .values(row=written, removed_us=None, position=position)
            )
            if known.removed_us is not None:
                added += 1
            elif known.row != written:
                changed += 1
    removed = [r.key for r in present.values() if r.removed_us is None]
    if removed:
        connection.execute(
            update(tables.transmitters).where(columns.key.in_(removed)).values(removed_us=now_us)
        )
    if added or changed or removed:
        upsert(
            connection,
            tables.marks,
            [{"name": SITE_LIST_MARK, "value": site_list_version(connection) + 1}],
        )
    return ListChange(added, changed, len(removed))
