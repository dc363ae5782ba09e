"""Alarms, their history, and the outbox: written in the transaction that changes an alarm."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from standingwatch.alarms.event import cloudevent
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change
from standingwatch.alarms.text import sentence
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.store import tables
from standingwatch.store.reports import upsert


def load_alarms(connection: Connection, *, standing_only: bool = False) -> dict[AlarmKey, Alarm]:
    """All alarms, or those that stand."""
    query = select(tables.alarms)
    if standing_only:
        query = query.where(tables.alarms.c.is_cleared.is_(False))
    return {alarm.key: alarm for alarm in map(_alarm, connection.execute(query))}


def _alarm(row: Any) -> Alarm:
    return Alarm(
        key=AlarmKey(row.site, row.transmitter, Condition(row.condition), row.region),
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
    )


def save_changes(
    connection: Connection, changes: Sequence[Change], source: str, channels: Sequence[tuple[str, Severity]]
) -> None:
    """Keep alarm changes, and a message of each for every channel that wants it.

    Args:
        connection: the transaction in which the watch notes how far it has come.
        changes: in order.
        source: the CloudEvents `source` of this service.
        channels: name of each channel and the least severity that it wants. A change counts with the graver
            of its severities before and after: a channel is told when an alarm it was told of falls below
            what it wants, or ends, and then no more until it rises again (RFC 8632, severity-level).
    """
    if not changes:
        return
    history, messages, standing = [], [], {}
    for change in changes:
        event = cloudevent(change, source)
        key = change.alarm.key
        resource = {"site": key.site, "transmitter": key.transmitter, "region": key.region}
        text = sentence(change)
        history.append(
            {
                **resource,
                "condition": key.condition.value,
                "number": change.alarm.changes,
                "kind": change.kind.value,
                "previous": int(change.previous),
                "severity": int(change.severity),
                "time_us": change.time_us,
                "noted_us": change.noted_us,
                "event_id": event["id"],
                "text": text,
            }
        )
        body = json.dumps(event, allow_nan=False)
        messages += [
            {
                **resource,
                "channel": channel,
                "event_id": event["id"],
                "made_us": change.noted_us,
                "body": body,
                "tries": 0,
                "last_error": "",
            }
            for channel, least in channels
            if max(change.severity, change.previous) >= least
        ]
        standing[key] = {
            **resource,
            "condition": key.condition.value,
            "severity": int(change.alarm.severity),
            "is_cleared": change.alarm.is_cleared,
            "raised_us": change.alarm.raised_us,
            "changed_us": change.alarm.changed_us,
            "changes": change.alarm.changes,
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
    if messages:
        connection.execute(insert(tables.outbox), messages)


@dataclass(frozen=True)
class Message:
    """A message of the outbox that waits for its delivery; `region` is "" unless it is about one."""

    id: int
    channel: str
    event_id: str
    site: str
    transmitter: str
    body: str
    tries: int
    region: str = ""


def waiting_messages(connection: Connection, channel: str, limit: int = 500) -> list[Message]:
    """Messages that a channel has still to deliver, oldest first."""
    columns = tables.outbox.c
    query = (
        select(tables.outbox)
        .where(columns.channel == channel, columns.delivered_us.is_(None))
        .order_by(columns.id)
        .limit(limit)
    )
    return [
        Message(r.id, r.channel, r.event_id, r.site, r.transmitter, r.body, r.tries, r.region)
        for r in connection.execute(query)
    ]


def mark_delivered(connection: Connection, ids: Sequence[int], now_us: int) -> None:
    """Note that messages were delivered."""
    if ids:
        connection.execute(
            update(tables.outbox)
            .where(tables.outbox.c.id.in_(list(ids)))
            .values(delivered_us=now_us, tries=tables.outbox.c.tries + 1, last_error="")
        )


def mark_failed(connection: Connection, message_id: int, error: str) -> None:
    """Note that a try to deliver failed, and why."""
    connection.execute(
        update(tables.outbox)
        .where(tables.outbox.c.id == message_id)
        .values(tries=tables.outbox.c.tries + 1, last_error=error)
    )


def waiting_counts(connection: Connection) -> dict[str, int]:
    """How many messages wait, by channel."""
    columns = tables.outbox.c
    query = (
        select(columns.channel, func.count()).where(columns.delivered_us.is_(None)).group_by(columns.channel)
    )
    return {channel: int(count) for channel, count in connection.execute(query)}


def forget_delivered(connection: Connection, before_us: int) -> int:
    """Delete delivered messages made before a time; their changes stay in the history."""
    columns = tables.outbox.c
    query = tables.outbox.delete().where(columns.delivered_us.is_not(None), columns.made_us < before_us)
    return int(connection.execute(query).rowcount)


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
        )
    )
    return [StandingAlarm(_alarm(r), r.text) for r in connection.execute(query)]


@dataclass(frozen=True)
class PastChange:
    """A line of the alarm history; `site` is "" where it is about a region."""

    site: str
    transmitter: str
    condition: str
    kind: str
    severity: Severity
    time_us: int
    text: str
    region: str = ""


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
    )


def recent_changes(connection: Connection, limit: int) -> list[PastChange]:
    """The newest alarm changes, newest first."""
    query = select(tables.alarm_changes).order_by(tables.alarm_changes.c.id.desc()).limit(limit)
    return [past_change(r) for r in connection.execute(query)]
