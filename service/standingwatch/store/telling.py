"""What channels were told, and what the alarm list waits for; kept in the transaction that changes it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, delete, select

from standingwatch.alarms.lifecycle import AlarmKey, ChangeKind, Evidence
from standingwatch.alarms.notice import Told
from standingwatch.alarms.steady import NOTHING, Delay
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key, key_columns, key_is
from standingwatch.store.reports import upsert


def load_told(connection: Connection) -> dict[str, dict[AlarmKey, Told]]:
    """What each channel believes, by its name."""
    result: dict[str, dict[AlarmKey, Told]] = {}
    for row in connection.execute(select(tables.told)):
        told = Told(Severity(row.severity), row.number, row.time_us, row.by_summary)
        result.setdefault(row.channel, {})[alarm_key(row)] = told
    return result


def save_told(connection: Connection, told: Sequence[tuple[str, AlarmKey, Told | None]]) -> None:
    """Keep what channels believe by now; None where they take an alarm to be over."""
    rows = []
    for channel, key, belief in told:
        if belief is None:
            mine = tables.told.c.channel == channel
            connection.execute(delete(tables.told).where(mine, key_is(tables.told, key)))
            continue
        rows.append(
            {
                "channel": channel,
                **key_columns(key),
                "severity": int(belief.severity),
                "number": belief.number,
                "time_us": belief.time_us,
                "by_summary": belief.by_summary,
            }
        )
    upsert(connection, tables.told, rows)


def raised_since(connection: Connection, since_us: int) -> list[int]:
    """When alarms were raised since a time, by when that was noted, in order [Unix microseconds]."""
    columns = tables.alarm_changes.c
    query = (
        select(columns.noted_us)
        .where(columns.noted_us > since_us, columns.kind == ChangeKind.RAISED.value)
        .order_by(columns.noted_us)
    )
    return [int(time_us) for time_us in connection.execute(query).scalars()]


# Delays -------------------------------------------------------------------------------------------------


def load_delays(connection: Connection) -> dict[AlarmKey, Delay]:
    """What is waited for about each alarm."""
    return {
        (key := alarm_key(row)): _delay(key, json.loads(row.record))
        for row in connection.execute(select(tables.alarm_delays))
    }


def save_delays(
    connection: Connection, delays: Mapping[AlarmKey, Delay], touched: Iterable[AlarmKey]
) -> None:
    """Keep the delays of some alarms as they are by now."""
    rows = []
    for key in sorted(touched):
        delay = delays.get(key, NOTHING)
        if delay.is_empty:
            connection.execute(delete(tables.alarm_delays).where(key_is(tables.alarm_delays, key)))
        else:
            rows.append({**key_columns(key), "record": json.dumps(_record(delay))})
    upsert(connection, tables.alarm_delays, rows)


def _record(delay: Delay) -> dict[str, Any]:
    waiting = delay.waiting
    return {
        "due_us": delay.due_us,
        "begins_us": list(delay.begins_us),
        "chatters": delay.chatters,
        "waiting": None
        if waiting is None
        else {
            "severity": int(waiting.severity),
            "time_us": waiting.time_us,
            "values": dict(waiting.values),
            "causes": [asdict(c) for c in waiting.causes],
            "members": list(waiting.members),
            "forecast": [asdict(f) for f in waiting.forecast],
            "chatters": waiting.chatters,
            "is_late": waiting.is_late,
        },
    }


def _delay(key: AlarmKey, record: Mapping[str, Any]) -> Delay:
    kept = record["waiting"]
    waiting = None
    if kept is not None:
        waiting = Evidence(
            key,
            Severity(kept["severity"]),
            kept["time_us"],
            kept["values"],
            tuple(LikelyCause(Cause(c["cause"]), c["confidence"], c["because"]) for c in kept["causes"]),
            tuple(kept["members"]),
            tuple(LimitForecast(**f) for f in kept["forecast"]),
            chatters=kept["chatters"],
            # Version 0.3 did not tell late ones apart.
            is_late=kept.get("is_late", False),
        )
    return Delay(waiting, record["due_us"], tuple(record["begins_us"]), record["chatters"])
