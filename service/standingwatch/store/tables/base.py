"""What all tables share: their metadata, and the columns of an alarm's key."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Integer, MetaData, Text

metadata = MetaData()

#: A key that counts by itself: SQLite does that for INTEGER only.
Counter = BigInteger().with_variant(Integer, "sqlite")

#: What an alarm is about and what is wrong, in the order of its key.
ALARM_KEY = ("site", "transmitter", "condition", "region", "service")


def alarm_key(*, primary: bool) -> list[Column[str]]:
    """The columns of an alarm's key; region and service are empty but for alarms about those."""
    return [
        Column(name, Text, primary_key=primary, nullable=False, server_default=default)
        for name, default in zip(ALARM_KEY, (None, None, None, "", ""), strict=True)
    ]
