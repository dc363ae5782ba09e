"""Clocks of sites: what is known of each, and what its reports' times were corrected by."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, Table, Text

from standingwatch.store.tables.base import metadata

site_clocks = Table(
    "site_clocks",
    metadata,
    Column("site", Text, primary_key=True),
    # `readings.clocks.CLOCK_STATE` by field name, as a JSON object.
    Column("record", Text, nullable=False),
    # Whether there is something about it that people should see.
    Column("remarkable", Boolean, nullable=False),
)

#: What the clock of a site was held to be off by, from a time of receipt on; 0 when it was right again.
clock_corrections = Table(
    "clock_corrections",
    metadata,
    Column("site", Text, primary_key=True),
    Column("since_us", BigInteger, primary_key=True, autoincrement=False),
    Column("off_us", BigInteger, nullable=False),
)

#: Days of transmitters that old reports came for, so that their hours and levels have to be made anew.
late_days = Table(
    "late_days",
    metadata,
    Column("transmitter", BigInteger, primary_key=True, autoincrement=False),
    Column("day_us", BigInteger, primary_key=True, autoincrement=False),
    # When the newest of them was seen by the watch.
    Column("seen_us", BigInteger, nullable=False),
)
