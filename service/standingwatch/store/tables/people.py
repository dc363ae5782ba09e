"""People and programs that may act, and what they did."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, Index, Table, Text

from standingwatch.store.tables.base import Counter, metadata

users = Table(
    "users",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", Text, nullable=False),
    # An argon2id hash in its own encoding; "" for one that cannot sign in.
    Column("password_hash", Text, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("disabled_us", BigInteger),
)

sessions = Table(
    "sessions",
    metadata,
    # SHA-256 of the secret that the browser keeps: whoever reads the store cannot use it.
    Column("key_hash", Text, primary_key=True),
    Column("user", Text, nullable=False),
    Column("begun_us", BigInteger, nullable=False),
    Column("seen_us", BigInteger, nullable=False),
    Column("ends_us", BigInteger, nullable=False),
    Index("sessions_by_user", "user"),
)

tokens = Table(
    "tokens",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("key_hash", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("ends_us", BigInteger, nullable=False),
    Column("used_us", BigInteger),
    Column("revoked_us", BigInteger),
)

sign_ins = Table(
    "sign_ins",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("time_us", BigInteger, nullable=False),
    Column("name", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("succeeded", Boolean, nullable=False),
    Index("sign_ins_by_time", "time_us"),
)

#: Every act of a person or program, and what was refused them.
audit = Table(
    "audit",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("time_us", BigInteger, nullable=False),
    Column("by", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("act", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Index("audit_by_time", "time_us"),
)
