"""What one process reads or notes when it goes on with what another had."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, and_, or_, select
from sqlalchemy.dialects import postgresql, sqlite

from standingwatch.readings import IntArray, Readings
from standingwatch.store import tables
from standingwatch.store.reports import READING_COLUMNS, horizon, to_readings


def readings_handed_over(
    connection: Connection,
    arrivals: tuple[int, int],
    closed_us: tuple[int, int],
    position_of_key: IntArray,
    of_keys: Sequence[int],
) -> Readings:
    """Readings of some transmitters that the part of the watch that had them may not have judged yet.

    Args:
        connection: any transaction.
        arrivals: the last arrival of the part that had them, and of the one that takes them up.
        closed_us: up to when each had closed hours [Unix microseconds].
        position_of_key: position in the fleet of each transmitter's number.
        of_keys: numbers of the transmitters.
    """
    c = tables.readings.c
    since = and_(c.arrival > arrivals[0], c.arrival <= arrivals[1])
    open_hours = and_(
        c.arrival > 0, c.arrival <= arrivals[0], c.time_us >= closed_us[0], c.time_us < closed_us[1]
    )
    query = select(*(c[name] for name in READING_COLUMNS)).where(
        c.transmitter.in_(of_keys), or_(since, open_hours)
    )
    return to_readings([tuple(row) for row in connection.execute(query)], position_of_key)


def begin_horizons(connection: Connection, intakes: Sequence[str]) -> None:
    """See to it that intakes that have not said yet how far they have come hold up what is said of all."""
    come = horizon(connection)
    until_us = come.until_us if come is not None else 0
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    statement = dialect.insert(tables.horizons).on_conflict_do_nothing(index_elements=["intake"])
    rows = [{"intake": one, "since_us": until_us, "until_us": until_us} for one in intakes]
    connection.execute(statement, rows)
