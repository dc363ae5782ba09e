"""What the pages about handling ask of the store: texts, and the history of one alarm."""

from __future__ import annotations

from sqlalchemy import Connection, select

from standingwatch.alarms.handling import UNTOUCHED
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.store import tables
from standingwatch.store.alarming import PastChange, alarm_of_row, key_is, past_change
from standingwatch.store.ended import HandledAlarm
from standingwatch.store.handling import handling_of_row


def handled_alarm(connection: Connection, key: AlarmKey) -> HandledAlarm | None:
    """One alarm, standing or not, with its text and what was done with it; None where there is none."""
    row = connection.execute(select(tables.alarms).where(key_is(tables.alarms, key))).one_or_none()
    if row is None:
        return None
    handled = connection.execute(select(tables.handlings).where(key_is(tables.handlings, key))).one_or_none()
    return HandledAlarm(
        alarm_of_row(row), row.text, UNTOUCHED if handled is None else handling_of_row(handled)
    )


def changes_of_alarm(
    connection: Connection, key: AlarmKey, limit: int, before: int | None = None
) -> list[PastChange]:
    """The newest changes of one alarm, newest first.

    Args:
        connection: a transaction.
        key: which alarm.
        limit: so many at most.
        before: only those before the one of this number in the history; None for all.
    """
    table = tables.alarm_changes
    query = select(table).where(key_is(table, key)).order_by(table.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(table.c.id < before)
    return [past_change(row) for row in connection.execute(query)]


def window_is_from_file(connection: Connection, number: int) -> bool | None:
    """Whether a window of work came with an import; None where there is no window of this number."""
    columns = tables.maintenance.c
    entered_by = connection.execute(
        select(columns.entered_by).where(columns.id == number)
    ).scalar_one_or_none()
    return None if entered_by is None else entered_by == "file"
