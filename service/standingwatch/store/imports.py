"""What the import of files of history keeps: how far each has come, and its readings in bulk."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, delete, func, insert, select, text, update

from standingwatch.readings import IntArray, Readings
from standingwatch.store import tables
from standingwatch.store.bulk import insert_bulk
from standingwatch.store.reports import upsert

#: Mark that counts changes of the history that lies before the watch, and the one that says how many of those
#: have been brought to an end, so that the watch may take them in.
HISTORY_MARK, HISTORY_READY_MARK = "history", "history-ready"


@dataclass(frozen=True)
class Import:
    """A file that was imported, or is under way.

    Attributes:
        number: its number; its readings carry the arrival -number.
        file: its name as it was given.
        begun_us, ended_us: when; None while it is under way [Unix microseconds].
        rows: rows of the file that are dealt with.
        stored, repeated: what became of them.
        refused: how many were refused, by reason.
        first_us, last_us: span of the readings stored; None before any [Unix microseconds].
        rolled_up: whether the hours of its readings have been made anew since its last change.
    """

    number: int
    file: str
    begun_us: int
    ended_us: int | None
    rows: int
    stored: int
    repeated: int
    refused: Mapping[str, int]
    first_us: int | None
    last_us: int | None
    rolled_up: bool


def _import(row: Any) -> Import:
    return Import(
        row.id,
        row.file,
        row.begun_us,
        row.ended_us,
        row.rows,
        row.stored,
        row.repeated,
        json.loads(row.refused),
        row.first_us,
        row.last_us,
        row.rolled_up_us is not None and row.rolled_up_us >= row.changed_us,
    )


def list_imports(connection: Connection) -> list[Import]:
    """All imports, oldest first."""
    return [_import(r) for r in connection.execute(select(tables.imports).order_by(tables.imports.c.id))]


def begin_import(connection: Connection, file: str, fingerprint: str, mapping: str, now_us: int) -> Import:
    """The import of a file with a column map: a new one, or the one that was begun before."""
    columns = tables.imports.c
    query = select(tables.imports).where(columns.fingerprint == fingerprint, columns.mapping == mapping)
    row = connection.execute(query).one_or_none()
    if row is None:
        values = {"file": file, "fingerprint": fingerprint, "mapping": mapping, "refused": "{}"}
        nothing = {"rows": 0, "stored": 0, "repeated": 0}
        connection.execute(
            insert(tables.imports).values(**values, **nothing, begun_us=now_us, changed_us=now_us)
        )
        row = connection.execute(query).one()
    return _import(row)


def note_import(
    connection: Connection,
    number: int,
    now_us: int,
    *,
    rows: int,
    stored: int,
    repeated: int,
    refused: Mapping[str, int],
    span_us: tuple[int, int] | None,
    ended: bool,
) -> None:
    """Note how far an import has come; `stored`, `repeated` and the span are those of the newest rows."""
    columns = tables.imports.c
    row = connection.execute(select(columns.first_us, columns.last_us).where(columns.id == number)).one()
    first, last = row.first_us, row.last_us
    if span_us is not None:
        first = span_us[0] if first is None else min(first, span_us[0])
        last = span_us[1] if last is None else max(last, span_us[1])
    connection.execute(
        update(tables.imports)
        .where(columns.id == number)
        .values(
            rows=rows,
            stored=columns.stored + stored,
            repeated=columns.repeated + repeated,
            refused=json.dumps(dict(sorted(refused.items()))),
            first_us=first,
            last_us=last,
            # What has changed has to be rolled up, also where the clock has stood still.
            changed_us=func.coalesce(columns.rolled_up_us + 1, now_us) if stored else columns.changed_us,
            ended_us=now_us if ended else None,
        )
    )
    if stored:
        _count_on(connection, HISTORY_MARK)


def _count_on(connection: Connection, mark: str) -> int:
    count = history_mark(connection, mark) + 1
    upsert(connection, tables.marks, [{"name": mark, "value": count}])
    return count


def history_mark(connection: Connection, mark: str = HISTORY_READY_MARK) -> int:
    """A mark about the history, 0 before the first change."""
    query = select(tables.marks.c.value).where(tables.marks.c.name == mark)
    return int(connection.execute(query).scalar() or 0)


def history_is_ready(connection: Connection) -> bool:
    """Let the watch take in what has been imported; true if there is anything that it has not been let."""
    there = history_mark(connection, HISTORY_MARK)
    if history_mark(connection) >= there:
        return False
    upsert(connection, tables.marks, [{"name": HISTORY_READY_MARK, "value": there}])
    return True


def history_changed(connection: Connection) -> None:
    """Note that readings that lie before the watch are others now."""
    _count_on(connection, HISTORY_MARK)


def waiting_to_roll_up(connection: Connection) -> list[Import]:
    """Imports whose hours have to be made anew."""
    return [one for one in list_imports(connection) if one.first_us is not None and not one.rolled_up]


def note_rolled_up(connection: Connection, numbers: Sequence[int]) -> None:
    """Note that the hours of imports have been made anew."""
    columns = tables.imports.c
    connection.execute(
        update(tables.imports).where(columns.id.in_(numbers)).values(rolled_up_us=columns.changed_us)
    )


def take_back(connection: Connection, number: int) -> int | None:
    """Delete what an import brought, and the import; None where there is none of this number.

    Returns:
        How many readings were deleted.
    """
    columns = tables.imports.c
    if connection.execute(select(columns.id).where(columns.id == number)).one_or_none() is None:
        return None
    gone = connection.execute(delete(tables.readings).where(tables.readings.c.arrival == -number)).rowcount
    connection.execute(delete(tables.imports).where(columns.id == number))
    history_changed(connection)
    return int(gone)


def insert_history(
    connection: Connection, number: int, readings: Readings, keys: IntArray, received_us: int
) -> int:
    """Keep readings of an import in bulk; those whose transmitter and time are kept already change nothing.

    Args:
        connection: a writing transaction.
        number: of the import.
        readings: what to keep.
        keys: number of each reading's transmitter in the store.
        received_us: when they came [Unix microseconds].

    Returns:
        How many were new.
    """
    return insert_bulk(connection, readings, keys, -number, received_us)


def kept_with_other_powers(
    connection: Connection, readings: Readings, keys: IntArray
) -> list[tuple[int, float, float]]:
    """Readings whose time is kept with other powers than theirs.

    Returns:
        For each, its position in `readings` and the forward and reflected power that are kept [W].
    """
    connection.execute(
        text(
            "CREATE TEMPORARY TABLE IF NOT EXISTS rows_to_compare "
            "(number BIGINT, time_us BIGINT, transmitter BIGINT)"
        )
    )
    rows = zip(range(len(readings)), readings.time_us.tolist(), keys.tolist(), strict=True)
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "sqlite":
        driver.executemany("INSERT INTO rows_to_compare VALUES (?, ?, ?)", rows)
    else:
        with driver.cursor() as cursor, cursor.copy("COPY rows_to_compare FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
    found = connection.execute(
        text(
            "SELECT c.number, r.forward_w, r.reflected_w FROM rows_to_compare c "
            "CROSS JOIN readings r WHERE r.time_us = c.time_us AND r.transmitter = c.transmitter"
        )
    ).all()
    connection.execute(text("DELETE FROM rows_to_compare"))
    if not found:
        return []
    number, forward_w, reflected_w = (np.array(column) for column in zip(*found, strict=True))
    other = (forward_w != readings.forward_w[number]) | (reflected_w != readings.reflected_w[number])
    kept = zip(number[other].tolist(), forward_w[other].tolist(), reflected_w[other].tolist(), strict=True)
    return sorted(kept)
