"""Small things to remember, when jobs ran, and which process owns which part of the work."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, Integer, Table, Text

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

#: Parts of the work, each owned by one process at a time (`store/claims.py`); names of processes among them.
claims = Table(
    "claims",
    metadata,
    Column("name", Text, primary_key=True),
    # An identity that no other run of a program has, and what people call it.
    Column("owner", Text, nullable=False),
    Column("called", Text, nullable=False),
    # Machine, process and when it began: who is on the same machine can see that it has ended.
    Column("place", Text, nullable=False),
    # Counts owners: what an earlier one still writes is refused by it.
    Column("epoch", BigInteger, nullable=False),
    # By the clock of the database, which is the same for all [Unix microseconds].
    Column("until_us", BigInteger, nullable=False),
    Column("detail", Text, nullable=False),
)

#: Which part of the watch a region is given to, where there are several (`store/parts.py`).
watch_regions = Table(
    "watch_regions",
    metadata,
    Column("region", Text, primary_key=True),
    Column("part", Integer, nullable=False),
)

#: Which part of the watch has a site.
watch_sites = Table(
    "watch_sites",
    metadata,
    Column("site", Text, primary_key=True),
    Column("part", Integer, nullable=False),
)
