"""Whether the board has anything new to show: its version, and the ETag of an answer (RFC 9110, 8.8.3)."""

from __future__ import annotations

import hashlib

from sqlalchemy import Connection, func, select

from standingwatch import __version__
from standingwatch.store import tables
from standingwatch.store.board import closed_until_us
from standingwatch.store.desk_mark import desk_version
from standingwatch.store.reports import last_arrival
from standingwatch.store.sites import site_list_version
from standingwatch.web.streams import Version

#: An answer is made anew after this time although nothing came: how long ago things were is told in it [us].
ANSWER_HOLDS_US = 10_000_000


def board_version(connection: Connection) -> Version:
    """The version of what the board shows."""
    changes, baselines = tables.alarm_changes.c, tables.baselines.c
    newest_change = connection.execute(select(func.max(changes.id))).scalar_one()
    learned = connection.execute(select(func.count(), func.max(baselines.time_us))).one()
    alarms = f"{newest_change or 0}-{desk_version(connection)}"
    rest = f"{site_list_version(connection)}-{last_arrival(connection)}-{closed_until_us(connection)}"
    return Version(alarms, f"{rest}-{learned[0]}-{learned[1] or 0}")


def etag_of(version: Version, now_us: int, *more: object) -> str:
    """The ETag of an answer: weak, since two answers under it may tell a time some seconds apart.

    Args:
        version: of what it shows.
        now_us: when it is made [Unix microseconds].
        more: whatever else it depends on.
    """
    text = repr((__version__, version, now_us // ANSWER_HOLDS_US, *more))
    return f'W/"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'
