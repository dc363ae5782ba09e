"""The tables. Times are Unix microseconds in UTC; powers are watts; text that is not known is "".

`readings` has the time first in its key: reports come in order of time, so that a batch touches the end of
one tree and not a page per transmitter. What asks for one transmitter over months reads `rollups`.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    false,
)

metadata = MetaData()

#: A key that counts by itself: SQLite does that for INTEGER only.
Counter = BigInteger().with_variant(Integer, "sqlite")

#: What an alarm is about and what is wrong, in the order of its key.
ALARM_KEY = ("site", "transmitter", "condition", "region", "service")


def _alarm_key(*, primary: bool) -> list[Column[str]]:
    """The columns of an alarm's key; region and service are empty but for alarms about those."""
    return [
        Column(name, Text, primary_key=primary, nullable=False, server_default=default)
        for name, default in zip(ALARM_KEY, (None, None, None, "", ""), strict=True)
    ]


transmitters = Table(
    "transmitters",
    metadata,
    Column("key", Counter, primary_key=True, autoincrement=True),
    Column("site", Text, nullable=False),
    Column("transmitter", Text, nullable=False),
    Column("position", BigInteger, nullable=False),
    Column("row", Text, nullable=False),
    Column("removed_us", BigInteger),
    UniqueConstraint("site", "transmitter", name="one_name_a_transmitter"),
)

marks = Table(
    "marks",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", BigInteger, nullable=False),
)

maintenance = Table(
    "maintenance",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("site", Text, nullable=False),
    Column("transmitter", Text, nullable=False),
    Column("start_us", BigInteger, nullable=False),
    Column("end_us", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    # "file" for what an import brought and the next one replaces; else who entered it.
    Column("entered_by", Text, nullable=False, server_default="file"),
    Column("note", Text, nullable=False, server_default=""),
)

arrivals = Table(
    "arrivals",
    metadata,
    Column("arrival", Counter, primary_key=True, autoincrement=True),
    Column("received_us", BigInteger, nullable=False),
    Column("rows", Integer, nullable=False),
)

readings = Table(
    "readings",
    metadata,
    Column("time_us", BigInteger, primary_key=True, autoincrement=False),
    Column("transmitter", BigInteger, primary_key=True, autoincrement=False),
    Column("arrival", BigInteger, nullable=False),
    Column("received_us", BigInteger, nullable=False),
    Column("flags", Integer, nullable=False),
    Column("forward_w", Double, nullable=False),
    Column("reflected_w", Double, nullable=False),
    Column("keyed", SmallInteger, nullable=False),
    Column("frequency_mhz", Double),
    Column("channel", Text, nullable=False),
    Column("set_power_w", Double),
    Column("foldback", SmallInteger, nullable=False),
    Column("pa_temperature_c", Double),
    Column("ambient_temperature_c", Double),
    Column("precipitation", Double),
    Column("wind_mps", Double),
    Column("sequence", BigInteger, nullable=False),
    Index("readings_by_arrival", "arrival"),
    sqlite_with_rowid=False,
)

refused = Table(
    "refused",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    Column("received_us", BigInteger, nullable=False),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("reason", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("accepted_us", BigInteger),
    Index("refused_by_time", "received_us"),
)

link_reports = Table(
    "link_reports",
    metadata,
    Column("arrival", BigInteger, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("site", Text, nullable=False),
    Column("time_us", BigInteger, nullable=False),
    Column("online", Boolean, nullable=False),
)

horizons = Table(
    "horizons",
    metadata,
    Column("intake", Text, primary_key=True),
    Column("since_us", BigInteger, nullable=False),
    Column("until_us", BigInteger, nullable=False),
)

rollups = Table(
    "rollups",
    metadata,
    Column("transmitter", BigInteger, primary_key=True, autoincrement=False),
    Column("hour_us", BigInteger, primary_key=True, autoincrement=False),
    Column("reports", Integer, nullable=False),
    Column("usable", Integer, nullable=False),
    Column("forward_w", Double),
    Column("rho_low", Double),
    Column("rho_median", Double),
    Column("rho_high", Double),
    Column("rho_max", Double),
    Column("rho_level", Double),
    Column("reflected_step_w", Double),
    Column("pa_temperature_c", Double),
    Column("ambient_temperature_c", Double),
    Column("precipitation", Double),
    Column("wind_mps", Double),
    Index("rollups_by_hour", "hour_us"),
    sqlite_with_rowid=False,
)

baselines = Table(
    "baselines",
    metadata,
    Column("transmitter", BigInteger, primary_key=True, autoincrement=False),
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("time_us", BigInteger, nullable=False),
    Column("kind", Text, nullable=False),
    Column("rho", Double),
    Column("spread", Double),
    Column("reason", Text, nullable=False),
)

watch_progress = Table(
    "watch_progress",
    metadata,
    Column("watch", Text, primary_key=True),
    Column("arrival", BigInteger, nullable=False),
    Column("until_us", BigInteger, nullable=False),
    Column("closed_until_us", BigInteger, nullable=False),
    Column("layout", Text, nullable=False),
)

watch_state = Table(
    "watch_state",
    metadata,
    Column("part", Text, primary_key=True),
    Column("site", Text, primary_key=True),
    Column("transmitter", Text, primary_key=True),
    Column("state", LargeBinary, nullable=False),
    sqlite_with_rowid=False,
)

alarms = Table(
    "alarms",
    metadata,
    *_alarm_key(primary=True),
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
)

alarm_changes = Table(
    "alarm_changes",
    metadata,
    Column("id", Counter, primary_key=True, autoincrement=True),
    *_alarm_key(primary=False),
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
    *_alarm_key(primary=True),
    Column("record", Text, nullable=False),
)

#: What people have done with each alarm (RFC 8632, operator state); absent where nobody did anything.
handlings = Table(
    "handlings",
    metadata,
    *_alarm_key(primary=True),
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
    *_alarm_key(primary=False),
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
    *_alarm_key(primary=True),
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
    *_alarm_key(primary=False),
    Column("made_us", BigInteger, nullable=False),
    Column("body", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("last_error", Text, nullable=False),
    Column("delivered_us", BigInteger),
    # Given up on, and kept until somebody sends it again.
    Column("dead_us", BigInteger),
    UniqueConstraint("channel", "event_id", name="once_a_channel"),
    Index("outbox_waiting", "channel", "delivered_us", "dead_us", "id"),
)

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

# People and programs that may act -----------------------------------------------------------------------

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

# The overnight review and visits ------------------------------------------------------------------------

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
