"""What the pages about handling ask of the store: texts, ended alarms, the history of one alarm."""

from __future__ import annotations

from sqlalchemy import Connection, and_, func, select

from standingwatch.alarms.handling import OperatorState
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.store import tables
from standingwatch.store.alarming import (
    PastChange,
    StandingAlarm,
    alarm_key,
    key_is,
    load_alarm,
    load_alarms,
    past_change,
)


def alarm_with_text(connection: Connection, key: AlarmKey) -> StandingAlarm | None:
    """One alarm with its text, whether it stands or has ended; None where there is none."""
    alarm = load_alarm(connection, key)
    if alarm is None:
        return None
    query = select(tables.alarms.c.text).where(key_is(tables.alarms, key))
    return StandingAlarm(alarm, connection.execute(query).scalar_one())


def ended_alarms(connection: Connection) -> list[StandingAlarm]:
    """Alarms that have ended, the last that did first."""
    query = select(tables.alarms).where(tables.alarms.c.is_cleared.is_(True))
    texts = {alarm_key(row): row.text for row in connection.execute(query)}
    ended = [
        StandingAlarm(alarm, texts[key])
        for key, alarm in load_alarms(connection).items()
        if key in texts and alarm.is_cleared
    ]
    return sorted(ended, key=lambda one: (-one.alarm.changed_us, one.alarm.key))


def ended_and_open(connection: Connection) -> int:
    """How many alarms have ended and were not closed."""
    alarms, handlings = tables.alarms, tables.handlings
    same = and_(*(alarms.c[name] == handlings.c[name] for name in tables.ALARM_KEY))
    is_open = func.coalesce(handlings.c.before_shelf, "") != OperatorState.CLOSED.value
    query = select(func.count()).select_from(alarms.outerjoin(handlings, same))
    return int(connection.execute(query.where(alarms.c.is_cleared.is_(True), is_open)).scalar_one())


def changes_of_alarm(connection: Connection, key: AlarmKey, limit: int) -> list[PastChange]:
    """The newest changes of one alarm, newest first."""
    table = tables.alarm_changes
    query = select(table).where(key_is(table, key)).order_by(table.c.id.desc()).limit(limit)
    return [past_change(row) for row in connection.execute(query)]


def window_is_from_file(connection: Connection, number: int) -> bool | None:
    """Whether a window of work came with an import; None where there is no window of this number."""
    columns = tables.maintenance.c
    entered_by = connection.execute(
        select(columns.entered_by).where(columns.id == number)
    ).scalar_one_or_none()
    return None if entered_by is None else entered_by == "file"
