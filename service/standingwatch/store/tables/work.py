"""Small things to remember, and when jobs ran."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, Table, Text

from standingwatch.store.tables.base import metadata

#: Small things to remember, each a JSON text by its name.
notes = Table(
    "notes",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

job_runs = Table(
    "job_runs",
    metadata,
    Column("job", Text, primary_key=True),
    Column("started_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger, nullable=False),
    Column("succeeded", Boolean, nullable=False),
    Column("detail", Text, nullable=False),
)
