"""What the import of files of history keeps: how far each has come, and its readings in bulk."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
from sqlalchemy import Connection, delete, func, insert, select, text, update

from standingwatch.readings import FLOAT_COLUMNS, STATE_COLUMNS, IntArray, Readings
from standingwatch.store import tables
from standingwatch.store.reports import READING_COLUMNS, upsert

#: Mark that counts changes of the history that lies before the watch, and the one that says how many of those
#: have been brought to an end, so that the watch may take them in.
HISTORY_MARK, HISTORY_READY_MARK = "history", "history-ready"

#: Rows of one statement: a statement a row is half as fast. SQLite takes 32,766 values in one.
_ROWS_A_STATEMENT = 64


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
    if len(readings) == 0:
        return 0
    driver: Any = connection.connection.driver_connection
    constants, columns = _constants_apart(readings, keys, -number, received_us)
    names = [*constants, *columns]
    if connection.dialect.name != "sqlite":
        rows = zip(*columns.values(), strict=True)
        return _copy(driver, list(columns), constants, rows)
    literals = ", ".join(constants.values())
    one = f"({literals}, {', '.join('?' * len(columns))})"
    # Names of our own columns and numbers, never text from outside.
    head = f"INSERT INTO readings ({', '.join(names)}) VALUES "  # noqa: S608  our own names and numbers
    flat = list(chain.from_iterable(zip(*columns.values(), strict=True)))
    width = len(columns) * _ROWS_A_STATEMENT
    whole = len(flat) - len(flat) % width
    before = driver.total_changes
    for begin, end, step, rows_each in (
        (0, whole, width, _ROWS_A_STATEMENT),
        (whole, len(flat), len(columns), 1),
    ):
        driver.executemany(
            f"{head}{', '.join([one] * rows_each)} ON CONFLICT DO NOTHING",
            (flat[at : at + step] for at in range(begin, end, step)),
        )
    return int(driver.total_changes - before)


def _copy(
    driver: Any, names: Sequence[str], constants: Mapping[str, str], rows: Iterator[tuple[Any, ...]]
) -> int:
    listed = ", ".join(names)
    with driver.cursor() as cursor:
        # Without the conditions of the table: the constant columns are not in it.
        cursor.execute(
            "CREATE TEMPORARY TABLE IF NOT EXISTS history_arriving ON COMMIT DELETE ROWS "
            "AS SELECT * FROM readings WITH NO DATA"
        )
        with cursor.copy(f"COPY history_arriving ({listed}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
        # Names of our own columns and numbers, never text from outside.
        cursor.execute(
            f"INSERT INTO readings ({', '.join(constants)}, {listed}) "  # noqa: S608  our own names and numbers
            f"SELECT {', '.join(constants.values())}, {listed} FROM history_arriving ON CONFLICT DO NOTHING"
        )
        inserted = int(cursor.rowcount)
        cursor.execute("DELETE FROM history_arriving")
    return inserted


def _constants_apart(
    readings: Readings, keys: IntArray, arrival: int, received_us: int
) -> tuple[dict[str, str], dict[str, list[Any]]]:
    """Columns that have one value throughout as SQL literals, the others as lists; NaN as NULL."""
    constants = {"arrival": str(arrival), "received_us": str(received_us)}
    columns: dict[str, list[Any]] = {"time_us": readings.time_us.tolist(), "transmitter": keys.tolist()}
    for name in ("flags", "sequence", *STATE_COLUMNS):
        values = getattr(readings, name)
        if (values == values[0]).all():
            constants[name] = str(int(values[0]))
        else:
            columns[name] = values.tolist()
    for name in FLOAT_COLUMNS:
        values = getattr(readings, name)
        unknown = np.isnan(values)
        if unknown.all():
            constants[name] = "NULL"
        elif unknown.any():
            columns[name] = [None if v != v else v for v in values.tolist()]
        else:
            columns[name] = values.tolist()
    if (readings.channel == "").all():
        constants["channel"] = "''"
    else:
        columns["channel"] = readings.channel.tolist()
    for name in READING_COLUMNS:
        if name not in constants and name not in columns:
            # What a reading does not have by itself, such as what was added to its time.
            constants[name] = "NULL"
    return constants, columns


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
