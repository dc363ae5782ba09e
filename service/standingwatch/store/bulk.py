"""Readings into their table by the drivers' bulk paths, on SQLite and PostgreSQL.

Most columns of a batch hold one value throughout. Such a column goes into the statement as a literal and not
into every row. With many rows a statement too, SQLite is three times as fast as with a row a statement.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Connection, Dialect, column, insert, literal_column, select, table
from sqlalchemy.dialects import postgresql

from standingwatch.readings import FLOAT_COLUMNS, STATE_COLUMNS, IntArray, Readings
from standingwatch.store import tables

#: Rows of one statement. SQLite takes 32,766 values in one.
_ROWS_A_STATEMENT = 64


def insert_bulk(
    connection: Connection,
    readings: Readings,
    keys: IntArray,
    arrival: int,
    received_us: IntArray | int,
    clock_offset_us: IntArray | None = None,
) -> int:
    """Keep readings; those whose transmitter and time are kept already change nothing.

    Args:
        connection: a writing transaction.
        readings: what to keep.
        keys: number of each reading's transmitter in the store.
        arrival: number that all of them carry.
        received_us: when each came, or all did [Unix microseconds].
        clock_offset_us: what was added to the time that each site said [us]; None where nothing was.

    Returns:
        How many were new.
    """
    if len(readings) == 0:
        return 0
    driver: Any = connection.connection.driver_connection
    constants, columns = _constants_apart(readings, keys, arrival, received_us, clock_offset_us)
    if connection.dialect.name == "sqlite":
        return _insert(driver, connection.dialect, constants, columns)
    return _copy(driver, connection.dialect, constants, columns)


def _insert(
    driver: Any, dialect: Dialect, constants: Mapping[str, str], columns: Mapping[str, list[Any]]
) -> int:
    """Many rows a statement on SQLite."""
    fixed: dict[str, ColumnElement[Any]] = {name: literal_column(value) for name, value in constants.items()}
    put = insert(tables.readings).values(fixed).compile(dialect=dialect, column_keys=[*columns])
    head, values, one = str(put).partition(" VALUES ")
    # In the order in which the statement asks for them.
    listed = [columns[name] for name in put.positiontup or ()]
    flat = list(chain.from_iterable(zip(*listed, strict=True)))
    width = len(columns) * _ROWS_A_STATEMENT
    whole = len(flat) - len(flat) % width
    before = driver.total_changes
    for begin, end, step, rows_each in (
        (0, whole, width, _ROWS_A_STATEMENT),
        (whole, len(flat), len(columns), 1),
    ):
        driver.executemany(
            f"{head}{values}{', '.join([one] * rows_each)} ON CONFLICT DO NOTHING",
            (flat[at : at + step] for at in range(begin, end, step)),
        )
    return int(driver.total_changes - before)


def _copy(
    driver: Any, dialect: Dialect, constants: Mapping[str, str], columns: Mapping[str, list[Any]]
) -> int:
    """COPY into a table of the connection's own, and from there in one statement, on PostgreSQL."""
    listed = ", ".join(columns)
    with driver.cursor() as cursor:
        # Without the conditions of the table: the constant columns are not in it.
        cursor.execute(
            "CREATE TEMPORARY TABLE IF NOT EXISTS readings_arriving ON COMMIT DELETE ROWS "
            "AS SELECT * FROM readings WITH NO DATA"
        )
        with cursor.copy(f"COPY readings_arriving ({listed}) FROM STDIN") as copy:
            for piece in _as_text(columns):
                copy.write(piece)
        arriving = table("readings_arriving", *map(column, columns))
        values: list[ColumnElement[Any]] = [*map(literal_column, constants.values()), *arriving.c]
        put = postgresql.insert(tables.readings).from_select(
            [*constants, *columns], select(*values), include_defaults=False
        )
        cursor.execute(str(put.on_conflict_do_nothing().compile(dialect=dialect)))
        inserted = int(cursor.rowcount)
        cursor.execute("DELETE FROM readings_arriving")
    return inserted


#: What COPY's text format wants written otherwise (PostgreSQL, COPY, "Text Format").
_ESCAPES = str.maketrans(
    {"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r", "\b": "\\b", "\f": "\\f", "\v": "\\v"}
)


def _as_text(columns: Mapping[str, list[Any]], rows_a_piece: int = 2000) -> Iterator[str]:
    """Columns as COPY's text format; numbers as Python writes them, which loses no digit of them."""
    texts = [_texts(name, values) for name, values in columns.items()]
    rows = len(texts[0])
    for begin in range(0, rows, rows_a_piece):
        piece = zip(*(text[begin : begin + rows_a_piece] for text in texts), strict=True)
        yield "\n".join(map("\t".join, piece)) + "\n"


def _texts(name: str, values: list[Any]) -> Sequence[str]:
    if name == "channel":
        return [value.translate(_ESCAPES) for value in values]
    return ["\\N" if value is None else repr(value) for value in values]


def _constants_apart(
    readings: Readings,
    keys: IntArray,
    arrival: int,
    received_us: IntArray | int,
    clock_offset_us: IntArray | None,
) -> tuple[dict[str, str], dict[str, list[Any]]]:
    """Columns that have one value throughout as SQL literals, the others as lists; unknown as NULL."""
    constants = {"arrival": str(arrival)}
    columns: dict[str, list[Any]] = {"time_us": readings.time_us.tolist(), "transmitter": keys.tolist()}
    whole = {name: getattr(readings, name) for name in ("flags", "sequence", *STATE_COLUMNS)}
    whole["received_us"] = np.broadcast_to(np.asarray(received_us, dtype=np.int64), len(readings))
    for name, values in whole.items():
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
    if clock_offset_us is None or not clock_offset_us.any():
        constants["clock_offset_us"] = "NULL"
    else:
        columns["clock_offset_us"] = [by or None for by in clock_offset_us.tolist()]
    return constants, columns
