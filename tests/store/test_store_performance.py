"""The alarm system's own report out of the store, on both kinds of database."""

from __future__ import annotations

import pytest
from sqlalchemy import update

from standingwatch import jobs
from standingwatch.alarms.handling import Act, put_on_shelf
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence, apply
from standingwatch.alarms.performance import Frequent, Performance
from standingwatch.detect.words import Condition, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import key_is, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.handling import act_on, load_handling, save_handlings
from standingwatch.store.outbox import NewMessage, Subject, add_messages
from standingwatch.store.performance import NOTIFICATION_DAYS, alarm_name, alarm_performance
from standingwatch.store.purge import purge_alarms
from standingwatch.store.reports import new_arrival

S = 1_000_000
MIN, HOUR, DAY = 60 * S, 3600 * S, 86_400 * S
NOW = 20_000 * DAY
OFF, MINOR, MAJOR, CRITICAL = Severity.CLEARED, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL
A = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
B = AlarmKey("", "", Condition.SWR_WEATHER, region="Coast / north")
C = AlarmKey("alder", "", Condition.SITE_UNREACHABLE)


def course(store: Store, key: AlarmKey, *steps: tuple[int, Severity]) -> None:
    """What an alarm goes through: when noted, half an hour after it was true, and its severity."""
    alarm: Alarm | None = None
    changes = []
    for noted_us, severity in steps:
        change = apply(alarm, Evidence(key, severity, noted_us - 30 * MIN), noted_us)
        assert change is not None
        changes.append(change)
        alarm = change.alarm
    with store.writing() as connection:
        save_changes(connection, changes, "urn:test")


def report(store: Store, days: float, **more: float) -> Performance:
    with store.reading() as connection:
        return alarm_performance(connection, NOW - round(days * DAY), NOW, **more)


def values(found: Performance) -> dict[str, float | None]:
    return {line.name: line.value for line in found.lines}


@pytest.fixture
def busy(store: Store) -> Store:
    """A comes three times, the first before the last ten days; B stands since; C stands since before."""
    with store.writing() as connection:
        new_arrival(connection, NOW - 100 * DAY, 1)
    steps = [
        (9 * DAY + HOUR, OFF),
        (9 * DAY, MAJOR),
        (9 * DAY - 20 * S, OFF),
        (8 * DAY, CRITICAL),
        (DAY, MINOR),
    ]
    course(store, A, (NOW - 12 * DAY, MINOR), *((NOW - ago, severity) for ago, severity in steps))
    course(store, B, (NOW - 2 * DAY, MINOR))
    course(
        store,
        C,
        (NOW - 40 * DAY, MAJOR),
        (NOW - 39 * DAY, OFF),
        (NOW - 30 * DAY, CRITICAL),
        (NOW - DAY, MAJOR),
    )
    return store


def test_the_report_counts_what_the_history_holds(busy: Store) -> None:
    with busy.writing() as connection:
        act_on(connection, [A], Act.ACKNOWLEDGE, by="Kim", now_us=NOW - 8 * DAY + 10 * MIN)
        act_on(connection, [A], Act.TAKE_BACK, by="Kim", now_us=NOW - 8 * DAY + 11 * MIN)
        act_on(connection, [A], Act.ACKNOWLEDGE, by="Kim", now_us=NOW - 8 * DAY + 50 * MIN)
        act_on(connection, [B], Act.COMMENT, by="Kim", now_us=NOW - 2 * DAY + 1, text="hm")
        on = put_on_shelf(load_handling(connection, B), "rain", NOW - DAY)
        assert on is not None
        save_handlings(connection, [(B, *on)])
        connection.execute(update(tables.alarms).where(key_is(tables.alarms, A)).values(chatters=True))
    found = report(busy, 10)
    assert (found.start_us, found.end_us) == (NOW - 10 * DAY, NOW)
    # A at 9 and 8 days ago, B at 2: what changes is not counted again, and what came before neither.
    assert found.alarms == 3
    assert found.frequent == (
        Frequent("alder/rpt-1 swr-high", 2, pytest.approx(200 / 3)),
        Frequent("region/Coast / north swr-weather", 1, pytest.approx(100 / 3)),
    )
    assert found.by_severity == {"warning": 0, "minor": 1, "major": 1, "critical": 1}
    got = values(found)
    assert got["per-day"] == pytest.approx(0.3)
    assert got["fleeting"] == 1
    # A since 8 days, B since 2, C since 30.
    assert (got["stale"], got["stale-most"]) == (3, 3)
    assert (got["acknowledged"], got["time-to-acknowledge"]) == (1, 10)
    assert (got["shelved"], got["chattering-held"]) == (1, 1)
    assert values(report(busy, 10, operators=3))["per-day"] == pytest.approx(0.1)


def test_the_end_of_the_span_is_not_in_it(busy: Store) -> None:
    with busy.reading() as connection:
        found = alarm_performance(connection, NOW - 9 * DAY, NOW - 2 * DAY)
    assert found.alarms == 2
    assert values(found)["stale"] == 2
    with busy.reading() as connection:
        found = alarm_performance(connection, NOW - 9 * DAY + 1, NOW - 2 * DAY + 1)
    assert found.alarms == 2


def test_an_alarm_that_stood_before_the_span_is_found_and_one_that_had_ended_is_not(busy: Store) -> None:
    found = report(busy, 1)
    assert found.alarms == 0
    assert values(found)["stale"] == 3
    with busy.reading() as connection:
        found = alarm_performance(connection, NOW - 38 * DAY, NOW - 31 * DAY)
    assert values(found)["stale-most"] == 0


def test_the_span_begins_where_history_does(store: Store) -> None:
    assert report(store, 30).start_us == NOW - 30 * DAY
    course(store, A, (NOW - 3 * DAY, MINOR))
    assert report(store, 30).start_us == NOW - 3 * DAY
    assert values(report(store, 30))["per-day"] == pytest.approx(1 / 3)
    with store.writing() as connection:
        new_arrival(connection, NOW - 6 * DAY, 1)
    assert report(store, 30).start_us == NOW - 6 * DAY
    assert report(store, 2).start_us == NOW - 2 * DAY
    assert report(store, 2).alarms == 0
    with store.reading() as connection:
        # Before anything was known: the shortest span there is.
        found = alarm_performance(connection, NOW - 9 * DAY, NOW - 8 * DAY)
    assert (found.end_us - found.start_us, found.alarms) == (1, 0)


def test_notifications_are_counted_by_channel_as_far_back_as_they_are_kept(store: Store) -> None:
    assert NOTIFICATION_DAYS == jobs.KEEP_DELIVERED_DAYS
    with store.writing() as connection:
        new_arrival(connection, NOW - 100 * DAY, 1)
        made = [
            ("mqtt", 31 * DAY),
            ("mqtt", 29 * DAY),
            ("mqtt", HOUR),
            ("email.desk", 5 * DAY),
            ("old", 40 * DAY),
        ]
        made += [("email.desk", DAY - i * S) for i in range(11)]
        messages = [
            NewMessage(ch, f"{i}", Subject.of(A), NOW - ago, "{}") for i, (ch, ago) in enumerate(made)
        ]
        add_messages(connection, messages)
    found = report(store, 60)
    assert found.notifications_since_us == NOW - 30 * DAY
    assert set(found.notifications) == {"email.desk", "mqtt"}
    figures = {ch: {line.name: line.value for line in lines} for ch, lines in found.notifications.items()}
    assert figures["mqtt"]["per-day"] == pytest.approx(2 / 30)
    assert (figures["email.desk"]["peak"], figures["mqtt"]["peak"]) == (11, 1)
    assert found.alarms == 0
    assert report(store, 2).notifications_since_us == NOW - 2 * DAY


def test_what_was_purged_is_not_in_the_report_any_more(store: Store) -> None:
    with store.writing() as connection:
        new_arrival(connection, NOW - 100 * DAY, 1)
    course(store, A, (NOW - 9 * DAY, MINOR), (NOW - 8 * DAY, OFF))
    course(store, C, (NOW - 7 * DAY, MINOR))
    assert report(store, 10).alarms == 2
    with store.writing() as connection:
        assert purge_alarms(connection, NOW) == 1
    assert [f.key for f in report(store, 10).frequent] == [alarm_name(C)]
