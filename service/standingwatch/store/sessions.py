"""What is noted of sessions of the intake that are yet to begin."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection
from sqlalchemy.dialects import postgresql, sqlite

from standingwatch.store import tables
from standingwatch.store.reports import horizon


def begin_horizons(connection: Connection, intakes: Sequence[str]) -> None:
    """See to it that intakes that have not said yet how far they have come hold up what is said of all."""
    come = horizon(connection)
    until_us = come.until_us if come is not None else 0
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    statement = dialect.insert(tables.horizons).on_conflict_do_nothing(index_elements=["intake"])
    rows = [{"intake": one, "since_us": until_us, "until_us": until_us} for one in intakes]
    connection.execute(statement, rows)
