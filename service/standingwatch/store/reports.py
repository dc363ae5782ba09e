"""Readings, refused reports, link reports and the intake's horizon: what the intake keeps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, bindparam, delete, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from standingwatch.readings import FLOAT_COLUMNS, STATE_COLUMNS, IntArray, Readings
from standingwatch.readings.columns import COLUMNS
from standingwatch.store import tables
from standingwatch.store.bulk import insert_bulk
from standingwatch.store.connect import lock_arrivals

#: Columns of the readings table in its own order, but for the one that few readings have.
READING_COLUMNS = tuple(c.name for c in tables.readings.columns if c.name != "clock_offset_us")


#: No arrival has a number like this.
_NEVER = 2**62


@dataclass(frozen=True)
class RefusedReport:
    """A report that could not be used, kept whole.

    Attributes:
        received_us: when it came [Unix microseconds].
        topic: where it came.
        payload: its bytes.
        reason: a fixed word.
        detail: what was wrong, what was wanted, how to mend it.
        id: number in the store, 0 before it is there.
        accepted_us: when it was put in again with success, or None.
    """

    received_us: int
    topic: str
    payload: bytes
    reason: str
    detail: str
    id: int = 0
    accepted_us: int | None = None


@dataclass(frozen=True)
class LinkReport:
    """What a site's link said."""

    site: str
    time_us: int
    online: bool


def new_arrival(connection: Connection, received_us: int, rows: int) -> int:
    """Number the arrival that this transaction brings; numbers rise in the order of the commits."""
    lock_arrivals(connection)
    result = connection.execute(insert(tables.arrivals).values(received_us=received_us, rows=rows))
    key = result.inserted_primary_key
    if key is None:
        raise RuntimeError("store: the database gave no number for an arrival")
    return int(key[0])


def insert_readings(
    connection: Connection,
    arrival: int,
    readings: Readings,
    keys: IntArray,
    received_us: IntArray,
    clock_offset_us: IntArray | None = None,
) -> int:
    """Keep readings; those whose transmitter and time are kept already change nothing.

    Args:
        connection: a writing transaction.
        arrival: number of the arrival.
        readings: what to keep.
        keys: number of each reading's transmitter in the store.
        received_us: when each came [Unix microseconds].
        clock_offset_us: what was added to the time that each site said [us]; None where nothing was.

    Returns:
        How many were new.
    """
    return insert_bulk(connection, readings, keys, arrival, received_us, clock_offset_us)


def kept_otherwise(
    connection: Connection, arrival: int, readings: Readings, keys: IntArray
) -> list[tuple[int, float, float]]:
    """Readings that were kept with other powers than these: a second report of the same time.

    Returns:
        For each, its position in `readings` and the forward and reflected power that are kept [W].
    """
    found = []
    for i, (time_us, key) in enumerate(zip(readings.time_us.tolist(), keys.tolist(), strict=True)):
        kept = connection.execute(
            select(tables.readings.c.forward_w, tables.readings.c.reflected_w).where(
                tables.readings.c.time_us == time_us, tables.readings.c.transmitter == key
            )
        ).one()
        if (kept.forward_w, kept.reflected_w) != (readings.forward_w[i], readings.reflected_w[i]):
            found.append((i, kept.forward_w, kept.reflected_w))
    return found


#: Rows that are turned from tuples into arrays at a time: more of them only take more memory.
_ROWS_A_PIECE = 20_000


def to_readings(rows: Sequence[Sequence[Any]], position_of_key: IntArray) -> Readings:
    """Rows of the readings table, in `READING_COLUMNS`, as arrays.

    Args:
        rows: rows of the table.
        position_of_key: position in the fleet of each transmitter number, -1 for none: such rows go.
    """
    return _joined([rows] if len(rows) else [], position_of_key)


def selected_readings(connection: Connection, condition: str, position_of_key: IntArray) -> Readings:
    """Readings that a condition of SQL holds for, through the driver's own cursor.

    Args:
        connection: any transaction.
        condition: what follows WHERE; made of our own columns and numbers, never of text from outside.
        position_of_key: position in the fleet of each transmitter number, -1 for none: such rows go.
    """
    driver: Any = connection.connection.driver_connection
    cursor = driver.cursor()
    try:
        cursor.execute(f"SELECT {', '.join(READING_COLUMNS)} FROM readings WHERE {condition}")
        return _joined(iter(lambda: cursor.fetchmany(_ROWS_A_PIECE), []), position_of_key)
    finally:
        cursor.close()


def _joined(pieces: Iterable[Sequence[Sequence[Any]]], position_of_key: IntArray) -> Readings:
    """Pieces of rows as arrays; a column with one value throughout a piece takes no memory."""
    parts = []
    for rows in pieces:
        columns = dict(zip(READING_COLUMNS, zip(*rows, strict=True), strict=True))
        keys = np.array(columns["transmitter"], dtype=np.int64)
        known = keys < len(position_of_key)
        position = np.where(known, position_of_key[np.where(known, keys, 0)], -1)
        given = {name: _column(name, columns[name]) for name in COLUMNS if name != "time_us"}
        times = np.array(columns["time_us"], dtype=np.int64)
        flags = _column("flags", columns["flags"])
        part = Readings(transmitter=position, time_us=times, flags=flags, **given)
        parts.append(part if (position >= 0).all() else part.take(position >= 0))
    return parts[0] if len(parts) == 1 else Readings.concatenate(parts)


def _column(name: str, values: tuple[Any, ...]) -> Any:
    """One column as an array; one value seen at every row where all are the same."""
    dtype = _TYPES[name]
    first = values[0]
    if values.count(first) == len(values):
        return np.broadcast_to(np.array(np.nan if first is None else first, dtype=dtype), len(values))
    if dtype is np.object_:
        texts = np.empty(len(values), dtype=np.object_)
        texts[:] = values
        return texts
    return np.array(values, dtype=dtype)


_TYPES: dict[str, Any] = {
    **dict.fromkeys(FLOAT_COLUMNS, np.float64),
    **dict.fromkeys(STATE_COLUMNS, np.int8),
    "channel": np.object_,
    "sequence": np.int64,
    "flags": np.int64,
}


def readings_after(
    connection: Connection,
    arrival: int,
    most_rows: int,
    position_of_key: IntArray,
    of_keys: Sequence[int] | None = None,
    up_to: int | None = None,
) -> tuple[Readings, int]:
    """Readings that arrived after an arrival, whole arrivals at a time, about `most_rows` at most.

    With `of_keys` only those of transmitters with these numbers are read, with `up_to` none that arrived
    after that.

    Returns:
        The readings, and the last arrival that they hold (the one given if there is nothing new).
    """
    waiting = connection.execute(
        select(tables.arrivals.c.arrival, tables.arrivals.c.rows)
        .where(tables.arrivals.c.arrival > arrival, tables.arrivals.c.arrival <= (up_to or _NEVER))
        .order_by(tables.arrivals.c.arrival)
        .limit(10_000)
    ).all()
    total, last = 0, arrival
    for row in waiting:
        if total and total + row.rows > most_rows:
            break
        total, last = total + row.rows, row.arrival
    if total == 0:
        return Readings.empty(), last
    only = "" if of_keys is None else f" AND transmitter IN ({','.join(map(str, of_keys)) or 'NULL'})"
    where = f"arrival > {arrival} AND arrival <= {last}{only}"
    return selected_readings(connection, where, position_of_key), last


def readings_between(
    connection: Connection, start_us: int, end_us: int, up_to_arrival: int, position_of_key: IntArray
) -> Readings:
    """Readings of a span of time that had arrived by an arrival."""
    condition = f"time_us >= {start_us} AND time_us < {end_us} AND arrival <= {up_to_arrival}"
    return selected_readings(connection, f"{condition} ORDER BY time_us, transmitter", position_of_key)


def last_arrival(connection: Connection) -> int:
    """Number of the newest arrival, 0 before the first."""
    return int(connection.execute(select(func.coalesce(func.max(tables.arrivals.c.arrival), 0))).scalar_one())


def refuse(connection: Connection, reports: Sequence[RefusedReport]) -> None:
    """Keep refused reports."""
    if reports:
        connection.execute(
            insert(tables.refused),
            [
                {
                    "received_us": r.received_us,
                    "topic": r.topic,
                    "payload": r.payload,
                    "reason": r.reason,
                    "detail": r.detail,
                }
                for r in reports
            ],
        )


def refused_reports(
    connection: Connection, *, waiting_only: bool = True, reason: str | None = None, limit: int | None = 1000
) -> list[RefusedReport]:
    """Refused reports, oldest first.

    Args:
        connection: any transaction.
        waiting_only: leave out those that were put in again.
        reason: only those refused for this reason.
        limit: so many at most; None for all.
    """
    columns = tables.refused.c
    query = select(tables.refused).order_by(columns.id).limit(limit)
    if waiting_only:
        query = query.where(columns.accepted_us.is_(None))
    if reason is not None:
        query = query.where(columns.reason == reason)
    return [
        RefusedReport(r.received_us, r.topic, bytes(r.payload), r.reason, r.detail, r.id, r.accepted_us)
        for r in connection.execute(query)
    ]


def refused_counts(connection: Connection) -> dict[str, int]:
    """How many refused reports wait, by reason."""
    columns = tables.refused.c
    query = select(columns.reason, func.count()).where(columns.accepted_us.is_(None)).group_by(columns.reason)
    return {reason: int(count) for reason, count in connection.execute(query)}


def mark_accepted(connection: Connection, ids: Iterable[int], now_us: int) -> None:
    """Note that refused reports were put in again."""
    rows = [{"which": i, "now": now_us} for i in ids]
    if rows:
        connection.execute(
            update(tables.refused)
            .where(tables.refused.c.id == bindparam("which"))
            .values(accepted_us=bindparam("now")),
            rows,
        )


def insert_links(connection: Connection, arrival: int, links: Sequence[LinkReport]) -> None:
    """Keep link reports."""
    if links:
        connection.execute(
            insert(tables.link_reports),
            [
                {"arrival": arrival, "number": i, "site": r.site, "time_us": r.time_us, "online": r.online}
                for i, r in enumerate(links)
            ],
        )


def links_after(connection: Connection, arrival: int, last: int) -> list[LinkReport]:
    """Link reports of the arrivals after one, up to and with another."""
    columns = tables.link_reports.c
    query = (
        select(tables.link_reports)
        .where(columns.arrival > arrival, columns.arrival <= last)
        .order_by(columns.arrival, columns.number)
    )
    return [LinkReport(r.site, r.time_us, r.online) for r in connection.execute(query)]


def upsert(connection: Connection, table: Any, rows: Sequence[dict[str, Any]]) -> None:
    """Insert rows, or bring the ones with the same key up to date."""
    if not rows:
        return
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    statement = dialect.insert(table)
    keys = [column.name for column in table.primary_key.columns]
    changing = {name: statement.excluded[name] for name in rows[0] if name not in keys}
    connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=changing), list(rows))


@dataclass(frozen=True)
class Horizon:
    """Up to when, and since when without a break, everything sent has been kept [Unix microseconds]."""

    since_us: int
    until_us: int


def set_horizon(connection: Connection, intake: str, horizon: Horizon) -> None:
    """Note how far an intake has come."""
    upsert(
        connection,
        tables.horizons,
        [{"intake": intake, "since_us": horizon.since_us, "until_us": horizon.until_us}],
    )


def horizon_names(connection: Connection) -> set[str]:
    """Names of the intakes that have said how far they have come."""
    return set(connection.execute(select(tables.horizons.c.intake)).scalars())


def forget_horizon(connection: Connection, intake: str) -> None:
    """Leave an intake out that is not there any more."""
    connection.execute(delete(tables.horizons).where(tables.horizons.c.intake == intake))


def horizon(connection: Connection) -> Horizon | None:
    """How far all intakes have come; None before the first has said."""
    row = connection.execute(
        select(func.max(tables.horizons.c.since_us), func.min(tables.horizons.c.until_us))
    ).one()
    return None if row[1] is None else Horizon(int(row[0]), int(row[1]))


def forget_before(
    connection: Connection, readings_us: int, rollups_us: int, refused_us: int
) -> dict[str, int]:
    """Delete what is past its retention, but for the readings themselves (`retention.py`).

    Returns:
        Rows deleted, by table.
    """
    done = {
        # The newest stays: SQLite would begin to count anew, below the cursor of the watch.
        "arrivals": delete(tables.arrivals).where(
            tables.arrivals.c.received_us < readings_us, tables.arrivals.c.arrival < last_arrival(connection)
        ),
        "link_reports": delete(tables.link_reports).where(tables.link_reports.c.time_us < readings_us),
        "rollups": delete(tables.rollups).where(tables.rollups.c.hour_us < rollups_us),
        "refused": delete(tables.refused).where(tables.refused.c.received_us < refused_us),
    }
    return {name: int(connection.execute(query).rowcount) for name, query in done.items()}
