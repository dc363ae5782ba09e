"""Readings of a span whatever brought them, in order of time: what is derived from them can be made again."""

from __future__ import annotations

from sqlalchemy import Connection, delete, func, select

from standingwatch.readings import Flag, IntArray, Readings
from standingwatch.store import tables
from standingwatch.store.reports import selected_readings

#: Transmitters of one statement.
_SOME = 500


def next_reading_us(connection: Connection, from_us: int) -> int | None:
    """Time of the first reading at a time or later [Unix microseconds]; None where there is none."""
    columns = tables.readings.c
    query = select(func.min(columns.time_us)).where(columns.time_us >= from_us)
    found = connection.execute(query).scalar()
    return None if found is None else int(found)


def last_reading_us(connection: Connection) -> int | None:
    """Time of the newest reading not from the future [Unix microseconds]; None where there is none."""
    columns = tables.readings.c
    is_future = columns.flags.bitwise_and(int(Flag.FUTURE)) != 0
    query = select(columns.time_us).where(~is_future).order_by(columns.time_us.desc()).limit(1)
    found = connection.execute(query).scalar()
    return None if found is None else int(found)


def readings_of_span(
    connection: Connection, start_us: int, end_us: int, position_of_key: IntArray
) -> Readings:
    """Readings of [start, end) that are not from the future, in order of time."""
    condition = f"time_us >= {int(start_us)} AND time_us < {int(end_us)} ORDER BY time_us, transmitter"
    readings = selected_readings(connection, condition, position_of_key)
    return readings.take((readings.flags & int(Flag.FUTURE)) == 0)


def forget_rollups(connection: Connection, keys: IntArray, start_us: int, end_us: int) -> int:
    """Delete hours of [start, end) of some transmitters; returns how many."""
    columns = tables.rollups.c
    gone = 0
    for begin in range(0, len(keys), _SOME):
        query = delete(tables.rollups).where(
            columns.hour_us >= start_us,
            columns.hour_us < end_us,
            columns.transmitter.in_(keys[begin : begin + _SOME].tolist()),
        )
        gone += int(connection.execute(query).rowcount)
    return gone
