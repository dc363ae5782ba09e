"""Alarms, what people do with them, and what channels are told."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Index,
    Integer,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    false,
)

from standingwatch.store.tables.base import ALARM_KEY, Counter, alarm_key, metadata

alarms = Table(
    "alarms",
    metadata,
    *alarm_key(primary=True),
    Column("severity", SmallInteger, nullable=False),
    Column("is_cleared", Boolean, nullable=False),
    Column("raised_us", BigInteger, nullable=False),
    Column("changed_us", BigInteger, nullable=False),
    Column("changes", Integer, nullable=False),
    Column("chatters", Boolean, nullable=False, server_default=false()),
    Column("evidence", Text, nullable=False),
    Column("causes", Text, nullable=False),
    Column("members", Text, nullable=False, server_default="[]"),
    Column("forecast", Text, nullable=False, server_default="[]"),
    Column("text", Text, nullable=False),
    Index("alarms_by_end", "is_cleared", "changed_us"),
)

alarm_changes = Table(
    "alarm_changes",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    *alarm_key(primary=False),
    Column("number", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("previous", SmallInteger, nullable=False),
    Column("severity", SmallInteger, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("noted_us", BigInteger, nullable=False),
    Column("event_id", Text, nullable=False, unique=True),
    Column("text", Text, nullable=False),
    UniqueConstraint(*ALARM_KEY, "number", name="one_number_a_change"),
    Index("alarm_changes_by_noted", "noted_us"),
)

#: What the alarm list waits for before it counts: delays and chattering (`alarms/steady.py`).
alarm_delays = Table(
    "alarm_delays",
    metadata,
    *alarm_key(primary=True),
    Column("record", Text, nullable=False),
)

#: What people have done with each alarm (RFC 8632, operator state); absent where nobody did anything.
handlings = Table(
    "handlings",
    metadata,
    *alarm_key(primary=True),
    Column("state", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("before_shelf", Text, nullable=False),
    Column("assigned_to", Text, nullable=False),
)

handling_changes = Table(
    "handling_changes",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    *alarm_key(primary=False),
    Column("time_us", BigInteger, nullable=False),
    Column("by", Text, nullable=False),
    Column("act", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index("handling_changes_by_alarm", *ALARM_KEY),
)

shelves = Table(
    "shelves",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("position", Integer, nullable=False),
    Column("site", Text, nullable=False),
    Column("region", Text, nullable=False),
    Column("transmitter", Text, nullable=False),
    Column("condition", Text, nullable=False),
    Column("up_to_severity", SmallInteger, nullable=False),
    Column("from_us", BigInteger, nullable=False),
    Column("until_us", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("ended_us", BigInteger),
    Column("ended_by", Text, nullable=False, server_default=""),
)

#: What each channel has last told of each alarm that it believes to stand.
told = Table(
    "told",
    metadata,
    Column("channel", Text, primary_key=True),
    *alarm_key(primary=True),
    Column("severity", SmallInteger, nullable=False),
    Column("number", Integer, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("by_summary", Boolean, nullable=False),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("channel", Text, nullable=False),
    Column("event_id", Text, nullable=False),
    *alarm_key(primary=False),
    Column("made_us", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("last_error", Text, nullable=False),
    Column("delivered_us", BigInteger),
    # Given up on, and kept until somebody sends it again.
    Column("dead_us", BigInteger),
    UniqueConstraint("channel", "event_id", name="once_a_channel"),
    Index("outbox_waiting", "channel", "delivered_us", "dead_us", "id"),
    Index("outbox_by_made", "made_us"),
)
