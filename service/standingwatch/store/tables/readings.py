"""Sites, work on record, readings, what was refused, rollups, baselines, and how far the watch has come."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

from standingwatch.store.tables.base import Counter, metadata

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
    # Who ended it before its time; "" for nobody.
    Column("ended_by", Text, nullable=False, server_default=""),
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
    # What was added to the time that the site said, where its clock was corrected.
    Column("clock_offset_us", BigInteger),
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
