"""Alarms and their history: written in the transaction that changes an alarm."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, and_, insert, select

from standingwatch.alarms.event import event_id
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change
from standingwatch.alarms.text import sentence
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.store import tables
from standingwatch.store.reports import upsert


def key_columns(key: AlarmKey) -> dict[str, str]:
    """An alarm's key as columns."""
    return {
        "site": key.site,
        "transmitter": key.transmitter,
        "condition": key.condition.value,
        "region": key.region,
        "service": key.service,
    }


def alarm_key(row: Any) -> AlarmKey:
    """The key in a row's columns."""
    return AlarmKey(row.site, row.transmitter, Condition(row.condition), row.region, row.service)


def key_is(table: Table, key: AlarmKey) -> ColumnElement[bool]:
    """The condition that a row of a table is about an alarm."""
    return and_(*(table.c[name] == value for name, value in key_columns(key).items()))


def load_alarm(connection: Connection, key: AlarmKey) -> Alarm | None:
    """One alarm, standing or cleared; None where there is none."""
    row = connection.execute(select(tables.alarms).where(key_is(tables.alarms, key))).one_or_none()
    return None if row is None else alarm_of_row(row)


def load_alarms(connection: Connection, *, standing_only: bool = False) -> dict[AlarmKey, Alarm]:
    """All alarms, or those that stand."""
    query = select(tables.alarms)
    if standing_only:
        query = query.where(tables.alarms.c.is_cleared.is_(False))
    return {alarm.key: alarm for alarm in map(alarm_of_row, connection.execute(query))}


def alarm_of_row(row: Any) -> Alarm:
    """The alarm in a row of `alarms`."""
    return Alarm(
        key=alarm_key(row),
        severity=Severity(row.severity),
        is_cleared=row.is_cleared,
        raised_us=row.raised_us,
        changed_us=row.changed_us,
        changes=row.changes,
        values=json.loads(row.evidence),
        causes=tuple(
            LikelyCause(Cause(c["cause"]), c["confidence"], c["because"]) for c in json.loads(row.causes)
        ),
        members=tuple(json.loads(row.members)),
        forecast=tuple(LimitForecast(**f) for f in json.loads(row.forecast)),
        chatters=row.chatters,
    )


def save_changes(connection: Connection, changes: Sequence[Change], source: str) -> None:
    """Keep alarm changes: the alarms as they are after them, and each as a line of the history.

    Args:
        connection: the transaction in which the watch notes how far it has come.
        changes: in order.
        source: the CloudEvents `source` of this service.
    """
    if not changes:
        return
    history, standing = [], {}
    for change in changes:
        key = change.alarm.key
        text = sentence(change)
        history.append(
            {
                **key_columns(key),
                "number": change.alarm.changes,
                "kind": change.kind.value,
                "previous": int(change.previous),
                "severity": int(change.severity),
                "time_us": change.time_us,
                "noted_us": change.noted_us,
                "event_id": event_id(source, change),
                "text": text,
            }
        )
        standing[key] = {
            **key_columns(key),
            "severity": int(change.alarm.severity),
            "is_cleared": change.alarm.is_cleared,
            "raised_us": change.alarm.raised_us,
            "changed_us": change.alarm.changed_us,
            "changes": change.alarm.changes,
            "chatters": change.alarm.chatters,
            "evidence": json.dumps(dict(change.alarm.values)),
            "causes": json.dumps(
                [
                    {"cause": c.cause.value, "confidence": c.confidence, "because": c.because}
                    for c in change.alarm.causes
                ]
            ),
            "members": json.dumps(change.alarm.members),
            "forecast": json.dumps([asdict(f) for f in change.alarm.forecast]),
            "text": text,
        }
    upsert(connection, tables.alarms, list(standing.values()))
    connection.execute(insert(tables.alarm_changes), history)


@dataclass(frozen=True)
class StandingAlarm:
    """An alarm that stands, with its text."""

    alarm: Alarm
    text: str


def standing_alarms(connection: Connection) -> list[StandingAlarm]:
    """Alarms that stand, gravest first, then the newest."""
    columns = tables.alarms.c
    query = (
        select(tables.alarms)
        .where(columns.is_cleared.is_(False))
        .order_by(
            columns.severity.desc(),
            columns.raised_us.desc(),
            columns.region,
            columns.site,
            columns.transmitter,
            columns.service,
        )
    )
    return [StandingAlarm(alarm_of_row(r), r.text) for r in connection.execute(query)]


@dataclass(frozen=True)
class PastChange:
    """A line of the alarm history; `site` is "" where it is about a region; `number` is its place in it."""

    site: str
    transmitter: str
    condition: str
    kind: str
    severity: Severity
    time_us: int
    text: str
    region: str = ""
    service: str = ""
    number: int = 0


def past_change(row: Any) -> PastChange:
    """A row of `alarm_changes` as a line of the history."""
    return PastChange(
        row.site,
        row.transmitter,
        row.condition,
        row.kind,
        Severity(row.severity),
        row.time_us,
        row.text,
        row.region,
        row.service,
        row.id,
    )


def recent_changes(connection: Connection, limit: int, before: int | None = None) -> list[PastChange]:
    """The newest alarm changes, newest first; only those before the one of a number, if one is given."""
    query = select(tables.alarm_changes).order_by(tables.alarm_changes.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(tables.alarm_changes.c.id < before)
    return [past_change(r) for r in connection.execute(query)]
