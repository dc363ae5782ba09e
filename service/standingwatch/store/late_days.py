"""Days that reports came for after their hours had closed: noted, and put right when the burst pauses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, delete, func, select

from standingwatch.readings import Flag, IntArray, Readings
from standingwatch.store import tables
from standingwatch.store.reports import READING_COLUMNS, to_readings, upsert

DAY_US = 86_400_000_000

#: With more transmitters than this all from the first to the last are read, and theirs chosen afterwards.
MOST_NAMED = 500


@dataclass(frozen=True)
class LateDay:
    """A day, and the transmitters whose late reports have come to a pause.

    Attributes:
        day_us: begin of the day [Unix microseconds].
        keys: their numbers in the store.
        seen_us: no report of theirs was noted after this [Unix microseconds].
        is_part: whether others of that day are somebody else's to put right.
    """

    day_us: int
    keys: IntArray
    seen_us: int
    is_part: bool = False


def note_late(connection: Connection, keys: IntArray, time_us: IntArray, now_us: int) -> None:
    """Note that reports of these transmitters and times came late."""
    pairs = np.unique(np.column_stack([keys, time_us - time_us % DAY_US]), axis=0)
    upsert(
        connection,
        tables.late_days,
        [{"transmitter": key, "day_us": day_us, "seen_us": now_us} for key, day_us in pairs.tolist()],
    )


def next_late_day(
    connection: Connection, seen_before_us: int, most_rows: int, of_keys: Sequence[int] | None = None
) -> LateDay | None:
    """The oldest day with late reports of which none was noted since a time; None where there is none.

    Where the day has too many readings to be held at once, so many of its transmitters as have about
    `most_rows` between them, and one at least: the others are next.

    Args:
        connection: any transaction.
        seen_before_us: the time [Unix microseconds].
        most_rows: most readings that are held at once.
        of_keys: only of transmitters with these numbers; None for all.
    """
    columns = tables.late_days.c
    due = columns.seen_us <= seen_before_us
    if of_keys is not None:
        due &= columns.transmitter.in_(of_keys)
    day_us = connection.execute(select(func.min(columns.day_us)).where(due)).scalar_one()
    if day_us is None:
        return None
    keys = connection.execute(select(columns.transmitter).where(columns.day_us == day_us, due)).scalars()
    late_keys = np.array(sorted(keys), dtype=np.int64)
    fitting = late_keys[: _fitting(connection, day_us, late_keys, most_rows)]
    return LateDay(int(day_us), fitting, seen_before_us, of_keys is not None)


def _fitting(connection: Connection, day_us: int, keys: IntArray, most_rows: int) -> int:
    """How many of the transmitters, from the first on, can be read together."""
    columns = tables.readings.c
    query = (
        select(columns.transmitter, func.count())
        .where(columns.time_us >= day_us, columns.time_us < day_us + DAY_US)
        .where(columns.transmitter.between(int(keys[0]), int(keys[-1])))
        .group_by(columns.transmitter)
        .order_by(columns.transmitter)
    )
    counted = np.array(connection.execute(query).all(), dtype=np.int64).reshape(-1, 2)
    # Those in between that are not late are read too where there are many.
    past = counted[np.cumsum(counted[:, 1]) > most_rows, 0]
    return len(keys) if len(past) == 0 else max(1, int(np.searchsorted(keys, past[0])))


def forget_late_day(connection: Connection, late: LateDay) -> None:
    """It has been put right; what was noted meanwhile stays."""
    columns = tables.late_days.c
    done = (columns.day_us == late.day_us) & (columns.seen_us <= late.seen_us)
    done &= columns.transmitter <= int(late.keys[-1])
    if late.is_part:
        done &= columns.transmitter.in_(late.keys.tolist())
    connection.execute(delete(tables.late_days).where(done))


def readings_of_day(
    connection: Connection, late: LateDay, up_to_arrival: int, position_of_key: IntArray
) -> Readings:
    """All readings of a late day and its transmitters up to an arrival; none from the future."""
    columns = tables.readings.c
    query = select(*(columns[name] for name in READING_COLUMNS)).where(
        columns.time_us >= late.day_us,
        columns.time_us < late.day_us + DAY_US,
        columns.arrival <= up_to_arrival,
        columns.transmitter.between(int(late.keys[0]), int(late.keys[-1])),
    )
    if len(late.keys) <= MOST_NAMED:
        query = query.where(columns.transmitter.in_(late.keys.tolist()))
    rows = connection.execute(query).all()
    found = to_readings([tuple(row) for row in rows], position_of_key)
    wanted = position_of_key[late.keys[late.keys < len(position_of_key)]]
    return found.take(np.isin(found.transmitter, wanted) & ((found.flags & int(Flag.FUTURE)) == 0))
