"""Readings on PostgreSQL in partitions of time: made ahead, filled from the rest, dropped when they are old.

A reading whose time no partition holds goes to the rest (`readings_default`), so that none is refused for its
time; what lies there and is wanted gets a partition of its own at the next run of the job. Every change of
partitions waits for a lock no longer than `LOCK_WAIT_MS`, which is less than PostgreSQL waits before it looks
for a deadlock, so that it is always this work that gives way; it is tried again, and then at the next run.

Where `readings` is no partitioned table (SQLite, or one that others inherit from and that was left as it was
by the migration), there is nothing to do here, and what is old is deleted by rows.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import TypeVar

import numpy as np
from sqlalchemy import Connection, MetaData, Table, delete, insert, select, text
from sqlalchemy.exc import OperationalError

from standingwatch.readings import IntArray
from standingwatch.store import tables
from standingwatch.store.connect import Store

DAY_US = 86_400_000_000

#: Key of the lock under which partitions are made and dropped; a backup holds it shared.
PARTITION_LOCK = 7_201_913

#: Longest wait for a lock [ms]; deadlock_timeout is 1 s by default (PostgreSQL 15, 20.12).
LOCK_WAIT_MS = 500

#: So many tries in one run, and the pause between two [s].
TRIES, PAUSE_S = 5, 0.5

#: Widths that there are, by the longest retention that each is for [d]: some ninety partitions at most for a
#: retention of a year or two, since what asks for arrivals looks into each.
_WIDTHS = ((90, 1), (800, 7), (4_000, 30))
_WIDEST_DAYS = 90

#: So many partitions are there ahead of the one that is filled now.
AHEAD = 2

#: With so many, history from files gets no further ones: times of a thousand years are a mistake in a file.
MOST = 600

T = TypeVar("T")


class PartitionsBusyError(Exception):
    """Others held the partitions for too long; the next run goes on."""


@dataclass(frozen=True)
class Partition:
    """A partition of the readings.

    Attributes:
        name: of its table.
        start_us, end_us: its span, the end left out [Unix microseconds]; None for no limit.
        is_rest: whether it takes what no other one holds.
    """

    name: str
    start_us: int | None = None
    end_us: int | None = None
    is_rest: bool = False


def width_us(keep_days: int) -> int:
    """How wide partitions are made for a retention [d] of readings [us]."""
    days = next((width for longest, width in _WIDTHS if keep_days <= longest), _WIDEST_DAYS)
    return days * DAY_US


_BOUNDS = re.compile(r"FOR VALUES FROM \((MINVALUE|'?-?\d+'?)\) TO \((MAXVALUE|'?-?\d+'?)\)")


def partitions(connection: Connection) -> list[Partition]:
    """The partitions in order of time, the rest last; none where readings are one plain table."""
    if connection.dialect.name != "postgresql":
        return []
    query = text(
        "SELECT c.relname, pg_get_expr(c.relpartbound, c.oid) FROM pg_inherits i "
        "JOIN pg_class c ON c.oid = i.inhrelid JOIN pg_class p ON p.oid = i.inhparent "
        "WHERE p.oid = to_regclass('readings') AND p.relkind = 'p'"
    )
    return sorted(
        (_partition(name, bounds) for name, bounds in connection.execute(query)),
        key=lambda one: (one.is_rest, one.start_us is not None, one.start_us or 0),
    )


def _partition(name: str, bounds: str) -> Partition:
    if bounds == "DEFAULT":
        return Partition(name, is_rest=True)
    found = _BOUNDS.fullmatch(bounds)
    if found is None:
        raise RuntimeError(f"store: partition {name} has bounds that are not understood: {bounds}")
    start, end = (
        None if word in ("MINVALUE", "MAXVALUE") else int(word.strip("'")) for word in found.groups()
    )
    return Partition(name, start, end)


def keep_partitions(store: Store, now_us: int, keep_days: int) -> list[Partition]:
    """Make the partitions that are missing: that of now, those ahead, and those of readings in the rest.

    Args:
        store: where.
        now_us: now [Unix microseconds].
        keep_days: how long readings are kept [d]; what is older, and what is farther ahead than partitions
            are made, stays in the rest.

    Returns:
        Those that were made.

    Raises:
        PartitionsBusyError: if others held them for too long.
    """
    width = width_us(keep_days)
    first_us, until_us = now_us - keep_days * DAY_US, (now_us // width + 1 + AHEAD) * width
    with store.reading() as connection:
        present = partitions(connection)
        rest = next((one for one in present if one.is_rest), None)
        if rest is None:
            return []
        time_us = _readings_of(rest).c.time_us
        query = select(time_us // width).distinct().where(time_us >= first_us, time_us < until_us)
        wanted = {int(number) * width for number in connection.execute(query).scalars()}
    wanted |= {(now_us // width + ahead) * width for ahead in range(AHEAD + 1)}
    return _make_all(store, wanted, width, present, rest)


def make_room(store: Store, time_us: IntArray) -> list[Partition]:
    """Make the partitions that many readings of a past time will lie in, so that the rest stays small.

    Where others are at work, or there would be too many, nothing is made: the rest takes all that comes.

    Args:
        store: where.
        time_us: times of the readings [Unix microseconds].

    Returns:
        Those that were made.
    """
    if store.is_sqlite or len(time_us) == 0:
        return []
    with store.reading() as connection:
        present = partitions(connection)
    rest = next((one for one in present if one.is_rest), None)
    widths = [p.end_us - p.start_us for p in present if p.start_us is not None and p.end_us is not None]
    if rest is None or not widths:
        return []
    # The newest is as wide as they are made now.
    width = widths[-1]
    wanted = {int(number) * width for number in np.unique(time_us // width)}
    if len(present) + len(wanted) > MOST:
        return []
    try:
        return _make_all(store, wanted, width, present, rest)
    except PartitionsBusyError:
        return []


def _make_all(
    store: Store, wanted: set[int], width: int, present: Sequence[Partition], rest: Partition
) -> list[Partition]:
    """Make what is missing of spans given by their begin; those that were made."""
    made = []
    for start_us in sorted(wanted):
        for gap in _gaps(start_us, start_us + width, present):
            new = Partition(f"readings_{_day_word(gap[0])}", *gap)
            briefly(store, partial(_make, new=new, rest=rest))
            made.append(new)
    return made


def _gaps(start_us: int, end_us: int, present: Sequence[Partition]) -> list[tuple[int, int]]:
    """The parts of a span that no partition but the rest holds; partitions in order of time."""
    gaps = []
    for one in present:
        if one.is_rest or (one.end_us is not None and one.end_us <= start_us):
            continue
        if one.start_us is not None and one.start_us >= end_us:
            break
        if one.start_us is not None and one.start_us > start_us:
            gaps.append((start_us, one.start_us))
        if one.end_us is None:
            return gaps
        start_us = one.end_us
    if start_us < end_us:
        gaps.append((start_us, end_us))
    return gaps


def _make(connection: Connection, new: Partition, rest: Partition) -> None:
    """Make a partition, with what of the rest belongs to it.

    Who writes waits only where it writes into the rest; who reads, for as long as it takes to look through
    what stays in the rest.
    """
    name, old, into = _quoted(new.name), _readings_of(rest), _readings_of(new)
    connection.execute(text(f"CREATE TABLE {name} (LIKE readings INCLUDING ALL)"))
    connection.execute(text(f"LOCK TABLE ONLY {_quoted(rest.name)} IN SHARE ROW EXCLUSIVE MODE"))
    its = (old.c.time_us >= new.start_us, old.c.time_us < new.end_us)
    moved = delete(old).where(*its).returning(*old.c).cte("moved")
    connection.execute(insert(into).from_select(moved.c.keys(), select(moved), include_defaults=False))
    connection.execute(
        text(
            f"ALTER TABLE readings ATTACH PARTITION {name} FOR VALUES FROM ({new.start_us}) TO ({new.end_us})"
        )
    )


def drop_partition(connection: Connection, partition: Partition) -> None:
    """Drop a partition with what is in it; on a connection that `briefly` gave."""
    connection.execute(text(f"DROP TABLE {_quoted(partition.name)}"))


def hold_partition(connection: Connection, partition: Partition) -> None:
    """Let nobody read or write a partition until the transaction ends; on a connection of `briefly`."""
    connection.execute(text(f"LOCK TABLE ONLY {_quoted(partition.name)} IN ACCESS EXCLUSIVE MODE"))


def hold_still(connection: Connection) -> None:
    """Let no partition be made or dropped until the transaction ends; on SQLite there are none."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock_shared(:key)"), {"key": PARTITION_LOCK})


def briefly(store: Store, work: Callable[[Connection], T]) -> T:
    """Do something to partitions in one transaction that waits for no lock for long, and try it again.

    Raises:
        PartitionsBusyError: if no try got its locks.
    """
    said = ""
    for number in range(TRIES):
        if number:
            time.sleep(PAUSE_S)
        try:
            with store.writing() as connection:
                connection.execute(text(f"SET LOCAL lock_timeout = {LOCK_WAIT_MS}"))
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": PARTITION_LOCK})
                return work(connection)
        except OperationalError as error:
            # 55P03 lock_not_available, 40P01 deadlock_detected (PostgreSQL, appendix A).
            if getattr(error.orig, "sqlstate", None) not in ("55P03", "40P01"):
                raise
            said = " ".join(str(error.orig).split())
    raise PartitionsBusyError(f"store: partitions of readings are in use by others for long: {said}")


def _day_word(time_us: int) -> str:
    return datetime.fromtimestamp(time_us / 1e6, tz=UTC).strftime("%Y%m%d")


def _readings_of(partition: Partition) -> Table:
    """The table of a partition, with the columns of the readings."""
    return tables.readings.to_metadata(MetaData(), name=partition.name)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
