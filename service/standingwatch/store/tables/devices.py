"""Messages of devices that tell a report in several: those whose others have not come yet."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, LargeBinary, Table, Text

from standingwatch.store.tables.base import Counter, metadata

pending_parts = Table(
    "pending_parts",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    # What the parts of one report have in common, as JSON: profile, site, transmitter and what else there is.
    Column("about", Text, nullable=False),
    Column("received_us", BigInteger, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Index("pending_parts_by_report", "about"),
)
