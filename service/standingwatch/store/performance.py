"""What the alarm system's own report is made of, read from the store."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Select, and_, func, select, union_all

from standingwatch.alarms.event import subject
from standingwatch.alarms.handling import Act, OperatorState
from standingwatch.alarms.lifecycle import AlarmKey, ChangeKind
from standingwatch.alarms.performance import Performance, episodes, performance
from standingwatch.readings import IntArray
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key
from standingwatch.store.outbox import made_since

#: Delivered messages stay in the outbox for so long (`jobs.KEEP_DELIVERED_DAYS`); what was sent before is
#: not known any more [d].
NOTIFICATION_DAYS = 30

_DAY_US = 86_400_000_000


def alarm_name(key: AlarmKey) -> str:
    """An alarm by name: what it is about as the CloudEvents `subject`, and its condition."""
    return f"{subject(key)} {key.condition.value}"


def alarm_performance(
    connection: Connection, start_us: int, end_us: int, *, operators: float = 1.0
) -> Performance:
    """The alarm system's report over a span, its beginning moved to where the store's history begins.

    Args:
        connection: a reading transaction.
        start_us, end_us: the span, the end not included, no later than now [Unix microseconds].
        operators: among how many people the load is divided.

    Raises:
        ValueError: if nothing is left of the span, or `operators` is not a number above 0.
    """
    first_us = _first_us(connection)
    start_us = start_us if first_us is None else max(start_us, min(first_us, end_us - 1))
    since_us = max(start_us, end_us - NOTIFICATION_DAYS * _DAY_US)
    columns = tables.alarms.c
    chatters = select(func.count()).where(columns.chatters.is_(True), columns.is_cleared.is_(False))
    shelved = select(func.count()).where(tables.handlings.c.state == OperatorState.SHELVED.value)
    return performance(
        episodes(_changes(connection, start_us, end_us), _seen(connection, end_us)),
        start_us,
        end_us,
        operators=operators,
        chatters=int(connection.execute(chatters).scalar_one()),
        shelved=int(connection.execute(shelved).scalar_one()),
        notifications=_sent(connection, since_us),
        notifications_since_us=since_us,
    )


def _first_us(connection: Connection) -> int | None:
    """When the store's history begins [Unix microseconds]; None for an empty store."""
    arrivals = select(func.min(tables.arrivals.c.received_us).label("first_us"))
    changes = select(func.min(tables.alarm_changes.c.noted_us).label("first_us"))
    both = union_all(arrivals, changes).subquery()
    found = connection.execute(select(func.min(both.c.first_us))).scalar_one_or_none()
    return None if found is None else int(found)


def _changes(connection: Connection, start_us: int, end_us: int) -> pd.DataFrame:
    """Raisings and clearings of a span, and the raisings of what stood when it began, as noted."""
    table = tables.alarm_changes
    turns = table.c.kind.in_([ChangeKind.RAISED.value, ChangeKind.CLEARED.value])
    names = [table.c[name] for name in tables.ALARM_KEY]
    newest = (
        select(func.max(table.c.id).label("id"))
        .where(turns, table.c.noted_us < start_us)
        .group_by(*names)
        .subquery()
    )
    wanted = (*names, table.c.id, table.c.kind, table.c.severity, table.c.noted_us)
    before = select(*wanted).join(newest, table.c.id == newest.c.id)
    before = before.where(table.c.kind == ChangeKind.RAISED.value)
    within = select(*wanted).where(and_(turns, table.c.noted_us >= start_us, table.c.noted_us < end_us))
    rows = sorted((*connection.execute(before), *connection.execute(within)), key=lambda r: int(r.id))
    return pd.DataFrame(
        {
            "key": _names(rows),
            "kind": pd.Series([r.kind for r in rows], dtype=object),
            "severity": np.array([r.severity for r in rows], dtype=np.int64),
            "noted_us": np.array([r.noted_us for r in rows], dtype=np.int64),
        }
    )


def _seen(connection: Connection, end_us: int) -> pd.DataFrame:
    """When alarms were acknowledged or closed."""
    table = tables.handling_changes
    query: Select[Any] = select(table).where(
        table.c.act.in_([Act.ACKNOWLEDGE.value, Act.CLOSE.value]), table.c.time_us < end_us
    )
    rows = connection.execute(query).all()
    return pd.DataFrame({"key": _names(rows), "time_us": np.array([r.time_us for r in rows], dtype=np.int64)})


def _names(rows: Any) -> pd.Series[str]:
    return pd.Series([alarm_name(alarm_key(r)) for r in rows], dtype=object)


def _sent(connection: Connection, since_us: int) -> dict[str, IntArray]:
    """When each channel was given its messages; one that was given none since then is left out."""
    return {
        channel: np.array(times, dtype=np.int64)
        for channel, times in made_since(connection, since_us).items()
    }
