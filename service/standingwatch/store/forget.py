"""All data of one site, counted and deleted.

What is whose is told by the columns: `site`, or a transmitter's number. A table that has neither is named
here with what is done about it, and a test fails for one that is not.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, and_, delete, func, literal, not_, or_, select

from standingwatch.store import tables
from standingwatch.store.connect import Store, lock_arrivals
from standingwatch.store.desk_mark import lock_desk, moved_on
from standingwatch.store.history import next_reading_us
from standingwatch.store.reports import upsert
from standingwatch.store.sites import SITE_LIST_MARK, site_list_version
from standingwatch.store.visits import PROPOSED_NOTE
from standingwatch.store.watchman import load_note, save_note

DAY_US = 86_400_000_000

#: Tables that hold nothing of a site, or what stays on purpose: the audit, and overnight reviews, which are
#: kept as they were read on their morning and go with their own retention.
WITHOUT_SITE = frozenset(
    {
        "arrivals",
        "audit",
        "claims",
        "horizons",
        "imports",
        "job_runs",
        "looks",
        "marks",
        "notes",
        "reviews",
        "sessions",
        "sign_ins",
        "tokens",
        "users",
        "watch_progress",
        "watch_regions",
    }
)

#: Tables that are as long as the history: deleted from a day at a time, so that nobody waits for long.
LONG = ("readings", "rollups")


class SiteData:
    """What the store holds of a site.

    Args:
        site: its name.
        root: first level of our own topics.
    """

    def __init__(self, site: str, root: str) -> None:
        self.site = site
        self._root = root

    def numbers(self, connection: Connection) -> list[int]:
        """Numbers of its transmitters, those that were taken off the site list too."""
        columns = tables.transmitters.c
        query = select(columns.key).where(columns.site == self.site).order_by(columns.key)
        return [int(key) for key in connection.execute(query).scalars()]

    def is_listed(self, connection: Connection) -> bool:
        """Whether it is on the site list."""
        columns = tables.transmitters.c
        query = select(func.count()).where(columns.site == self.site, columns.removed_us.is_(None))
        return bool(connection.execute(query).scalar_one())

    def standing(self, connection: Connection) -> int:
        """How many of its alarms stand."""
        columns = tables.alarms.c
        query = select(func.count()).where(columns.site == self.site, columns.is_cleared.is_(False))
        return int(connection.execute(query).scalar_one())

    def conditions(self, connection: Connection) -> Iterator[tuple[Table, ColumnElement[bool]]]:
        """Each table that holds something of a site, and which of its rows are this one's."""
        numbers = self.numbers(connection)
        for table in tables.metadata.sorted_tables:
            columns = table.c
            if table.name in WITHOUT_SITE:
                continue
            if table is tables.transmitters:
                # A transmitter that is watched stays on the list.
                yield table, and_(columns.site == self.site, columns.removed_us.is_not(None))
            elif "site" in columns:
                yield table, columns.site == self.site
            elif "transmitter" in columns:
                yield table, columns.transmitter.in_(numbers)
            elif "topic" in columns:
                yield table, self._in_topic(columns.topic)
            elif table is tables.visit_changes:
                of_site = select(tables.visits.c.id).where(tables.visits.c.site == self.site)
                yield table, columns.visit.in_(of_site)
            else:
                raise RuntimeError(f"table {table.name}: nobody has said what of it belongs to a site")

    def _in_topic(self, topic: Any) -> ColumnElement[bool]:
        """Of our own topics the level that names the site, of devices' own any level."""

        # Not by LIKE, which on SQLite takes a small letter for a great one.
        def begins(words: str) -> ColumnElement[bool]:
            return func.substr(topic, 1, len(words)) == words

        with_ends = literal("/").concat(topic).concat("/")
        has_level = func.replace(with_ends, f"/{self.site}/", "") != with_ends
        return or_(
            begins(f"{self._root}/report/{self.site}/"),
            topic == f"{self._root}/link/{self.site}",
            and_(not_(begins(f"{self._root}/")), has_level),
        )

    def count(self, connection: Connection) -> dict[str, int]:
        """How many rows there are of it, by table; only tables that have any."""
        found = {}
        for table, mine in self.conditions(connection):
            rows = connection.execute(select(func.count()).select_from(table).where(mine)).scalar_one()
            if rows:
                found[table.name] = int(rows)
        return found

    def reviews_that_name_it(self, connection: Connection) -> int:
        """How many kept overnight reviews name it; they stay until their own retention."""
        named = json.dumps(self.site)
        body = tables.reviews.c.body
        query = select(func.count()).where(func.replace(body, named, "") != body)
        return int(connection.execute(query).scalar_one())

    def forget(
        self,
        store: Store,
        note: Callable[[Connection, dict[str, int]], None],
        progress: Callable[[int], None] = lambda _rows: None,
    ) -> dict[str, int]:
        """Delete it all; stopped in the middle, the next run goes on.

        Args:
            store: where.
            note: told what was deleted, in the transaction that brings it to its end.
            progress: told how many rows have gone, each part once.

        Returns:
            Rows deleted, by table.
        """
        gone: dict[str, int] = {}
        with store.reading() as connection:
            numbers = self.numbers(connection)
        if numbers:
            for name in LONG:
                gone[name] = self._forget_by_day(store, tables.metadata.tables[name], numbers, progress)
        with store.writing() as connection:
            # The intake must not put anything in meanwhile, nor people act.
            lock_arrivals(connection)
            lock_desk(connection)
            _overwrite(connection)
            # What refers to another table goes before it.
            for table, mine in sorted(
                self.conditions(connection),
                key=lambda pair: (pair[0] is tables.transmitters, pair[0] is tables.visits),
            ):
                rows = int(connection.execute(delete(table).where(mine)).rowcount)
                gone[table.name] = gone.get(table.name, 0) + rows
                progress(rows)
            self._forget_proposals(connection)
            # Whoever remembers something of it reads it all again.
            version = site_list_version(connection) + 1
            upsert(connection, tables.marks, [{"name": SITE_LIST_MARK, "value": version}])
            moved_on(connection)
            gone = {name: rows for name, rows in sorted(gone.items()) if rows}
            note(connection, gone)
        return gone

    def _forget_by_day(
        self, store: Store, table: Table, numbers: list[int], progress: Callable[[int], None]
    ) -> int:
        columns = table.c
        time_us = columns.time_us if "time_us" in columns else columns.hour_us
        gone, at = 0, 0
        while True:
            with store.writing() as connection:
                _overwrite(connection)
                query = select(func.min(time_us)).where(time_us >= at, columns.transmitter.in_(numbers))
                first = (
                    next_reading_us(connection, at)
                    if table is tables.readings
                    else connection.execute(query).scalar()
                )
                if first is None:
                    return gone
                at = int(first) - int(first) % DAY_US + DAY_US
                mine = and_(time_us >= int(first), time_us < at, columns.transmitter.in_(numbers))
                rows = int(connection.execute(delete(table).where(mine)).rowcount)
            gone += rows
            progress(rows)

    def _forget_proposals(self, connection: Connection) -> None:
        proposed = load_note(connection, PROPOSED_NOTE)
        if proposed:
            save_note(connection, PROPOSED_NOTE, [pair for pair in proposed if pair[0] != self.site])


def _overwrite(connection: Connection) -> None:
    """On SQLite, overwrite what is deleted: its pages would keep it until they are needed again."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete = ON")
