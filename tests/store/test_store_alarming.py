"""Alarms and their history, on both kinds of database: written once, in one transaction."""

from __future__ import annotations

import math
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from standingwatch.alarms.event import cloudevent
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import (
    load_alarm,
    load_alarms,
    recent_changes,
    save_changes,
    standing_alarms,
)
from standingwatch.store.connect import Store

SOURCE = "urn:standingwatch:test"


def course(*severities: Severity, transmitter: str = "rpt-1", start_us: int = 0) -> list[Change]:
    """The changes of one alarm that goes through severities, a second each."""
    alarm: Alarm | None = None
    changes = []
    for i, severity in enumerate(severities):
        key = AlarmKey("alder-ridge", transmitter, Condition.SWR_HIGH)
        causes = (LikelyCause(Cause.WATER, 0.5, "wet"),)
        values = {"swr": math.inf, "limit_swr": 3.0, "swr_at_antenna": None}
        time_us = start_us + i * 1_000_000
        change = apply(alarm, Evidence(key, severity, time_us, values, causes), time_us + 7)
        assert change is not None
        alarm = change.alarm
        changes.append(change)
    return changes


def save(store: Store, changes: list[Change]) -> None:
    with store.writing() as connection:
        save_changes(connection, changes, SOURCE)


def rows(store: Store, table: Any) -> list[Any]:
    with store.reading() as connection:
        return list(connection.execute(select(table)).all())


def test_alarm_and_history_are_written_together(store: Store) -> None:
    changes = course(Severity.MINOR, Severity.MAJOR, Severity.CLEARED)
    save(store, changes)
    with store.reading() as connection:
        assert load_alarms(connection) == {changes[-1].alarm.key: changes[-1].alarm}
        assert load_alarms(connection, standing_only=True) == {}
        assert [(c.kind, c.severity) for c in recent_changes(connection, 10)] == [
            ("cleared", Severity.CLEARED),
            ("changed", Severity.MAJOR),
            ("raised", Severity.MINOR),
        ]
    history = rows(store, tables.alarm_changes)
    assert [(h.number, h.noted_us) for h in history] == [(1, 7), (2, 1_000_007), (3, 2_000_007)]
    events = [cloudevent(change, SOURCE) for change in changes]
    assert [e["id"] for e in events] == [h.event_id for h in history]
    assert [e["data"]["text"] for e in events] == [h.text for h in history]


def test_an_infinite_swr_comes_back(store: Store) -> None:
    [change] = course(Severity.MAJOR)
    save(store, [change])
    with store.reading() as connection:
        [alarm] = load_alarms(connection).values()
    assert alarm == change.alarm
    assert alarm.values["swr"] == math.inf


REGION = AlarmKey("", "", Condition.SWR_WEATHER, "Coast / north")
LINE = AlarmKey("alder-ridge", "", Condition.SWR_HIGH)
MEMBERS = ("alder-ridge/rpt-1", "birch-hill/b 1")
FORECAST = (
    LimitForecast("swr-2", 2.0, "reached"),
    LimitForecast("foldback", 2.5, "expected", 1_800_000_000_000_001, 1_800_000_000_000_002, None),
)


def group(key: AlarmKey, time_us: int = 5) -> Change:
    change = apply(None, Evidence(key, Severity.MINOR, time_us, {}, (), MEMBERS, FORECAST), time_us)
    assert change is not None
    return change


def test_region_members_and_forecast_come_back(store: Store) -> None:
    changes = [group(REGION), group(LINE)]
    save(store, changes)
    with store.reading() as connection:
        assert load_alarms(connection) == {c.alarm.key: c.alarm for c in changes}
        assert [(c.site, c.transmitter, c.region) for c in recent_changes(connection, 9)] == [
            ("alder-ridge", "", ""),
            ("", "", "Coast / north"),
        ]


def test_regions_have_alarms_of_their_own(store: Store) -> None:
    south = AlarmKey("", "", Condition.SWR_WEATHER, "South")
    save(store, [group(REGION), group(south)])
    with store.reading() as connection:
        assert set(load_alarms(connection)) == {REGION, south}
        assert [one.alarm.key for one in standing_alarms(connection)] == [REGION, south]


def test_the_same_change_cannot_be_kept_twice(store: Store) -> None:
    changes = course(Severity.MINOR)
    save(store, changes)
    with pytest.raises(IntegrityError):
        save(store, changes)
    assert len(rows(store, tables.alarm_changes)) == 1


def test_no_changes_write_nothing(store: Store) -> None:
    save(store, [])
    assert rows(store, tables.alarm_changes) == []


def test_standing_alarms_come_gravest_first_then_newest(store: Store) -> None:
    save(store, course(Severity.MINOR, transmitter="a", start_us=5))
    save(store, course(Severity.CRITICAL, transmitter="b", start_us=1))
    save(store, course(Severity.MINOR, transmitter="c", start_us=9))
    save(store, course(Severity.MAJOR, Severity.CLEARED, transmitter="d"))
    with store.reading() as connection:
        standing = standing_alarms(connection)
    assert [s.alarm.key.transmitter for s in standing] == ["b", "c", "a"]
    assert standing[0].text.startswith("alder-ridge/b: SWR over its limit, critical")


def test_alarms_about_the_service_are_alarms_of_their_own(store: Store) -> None:
    parts = [AlarmKey("", "", Condition.CHANNEL_FAILING, service=f"channel {n}") for n in ("mqtt", "file")]
    changes = [group(key) for key in parts]
    save(store, changes)
    with store.reading() as connection:
        assert set(load_alarms(connection)) == set(parts)
        assert load_alarm(connection, parts[0]) == changes[0].alarm
        assert load_alarm(connection, AlarmKey("", "", Condition.CHANNEL_FAILING)) is None
        assert [c.service for c in recent_changes(connection, 9)] == ["channel file", "channel mqtt"]
