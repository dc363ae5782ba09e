"""The overnight review and visits."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, Table, Text, UniqueConstraint

from standingwatch.store.tables.base import Counter, metadata

reviews = Table(
    "reviews",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    # "" for the whole fleet.
    Column("region", Text, nullable=False),
    # The local day that it is about, as 2026-11-25.
    Column("day", Text, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("since_us", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    UniqueConstraint("region", "day", name="one_review_a_day"),
)

visits = Table(
    "visits",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("site", Text, nullable=False),
    # proposed, planned, under-way, done, proven, not-fixed, dropped
    Column("state", Text, nullable=False),
    Column("urgency", Text, nullable=False),
    Column("proposed_us", BigInteger, nullable=False),
    Column("changed_us", BigInteger, nullable=False),
    Column("planned_for_us", BigInteger),
    Column("crew", Text, nullable=False, server_default=""),
    Column("begun_us", BigInteger),
    Column("ended_us", BigInteger),
    # What it is for, what was found, and what came of it: JSON texts of `review/visits.py`.
    Column("reasons", Text, nullable=False),
    Column("findings", Text, nullable=False, server_default=""),
    Column("proof", Text, nullable=False, server_default=""),
    Index("visits_by_site", "site"),
    Index("visits_by_state", "state", "changed_us"),
)

visit_changes = Table(
    "visit_changes",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("visit", BigInteger, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("by", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index("visit_changes_by_visit", "visit", "id"),
)

#: When each person last said that the board is seen.
looks = Table(
    "looks",
    metadata,
    Column("user", Text, primary_key=True),
    Column("time_us", BigInteger, nullable=False),
)
