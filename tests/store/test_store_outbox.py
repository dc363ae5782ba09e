"""The outbox on both kinds of database: messages wait, are delivered or given up on, and wait again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sqlalchemy import select

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import (
    FORGET_FAILING_US,
    ChannelState,
    NewMessage,
    Subject,
    add_messages,
    channel_state,
    channels_with_messages,
    dead_messages,
    failing,
    forget_delivered,
    give_up,
    made_since,
    mark_dead,
    mark_delivered,
    mark_failed,
    note_failing,
    note_well,
    send_again,
    waiting_counts,
    waiting_messages,
)

KEY = Subject.of(AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH))


def message(number: int, channel: str = "file", made_us: int | None = None) -> NewMessage:
    made_us = number * 1_000_000 if made_us is None else made_us
    return NewMessage(channel, f"event-{number}", KEY, made_us, f'{{"id": "event-{number}"}}')


def add(store: Store, *messages: NewMessage) -> int:
    with store.writing() as connection:
        return add_messages(connection, messages)


def rows(store: Store) -> list[Any]:
    with store.reading() as connection:
        return list(connection.execute(select(tables.outbox).order_by(tables.outbox.c.id)).all())


def test_a_message_comes_back_as_it_was_put_in(store: Store) -> None:
    region = NewMessage(
        "mqtt", "e", Subject(region="Coast / north", condition="swr-weather"), 7, '{"ü": "Ω"}'
    )
    part = NewMessage("mqtt", "f", Subject(service="store"), 8, "{}")
    assert add(store, region, part, message(1)) == 3
    with store.reading() as connection:
        first, second = waiting_messages(connection, "mqtt")
    assert (first.event_id, first.subject, first.made_us, first.body) == ("e", region.key, 7, region.body)
    assert (first.channel, first.tries) == ("mqtt", 0)
    assert second.subject == Subject("", "", "", "", "store")


def test_an_event_is_put_in_once_a_channel(store: Store) -> None:
    assert add(store, message(1), message(2)) == 2
    assert add(store, message(1), message(3), message(1, "mqtt"), message(3)) == 2
    assert add(store) == 0
    with store.reading() as connection:
        assert waiting_counts(connection) == {"file": 3, "mqtt": 1}
        assert [m.event_id for m in waiting_messages(connection, "file")] == ["event-1", "event-2", "event-3"]


def test_messages_wait_until_delivered_and_tries_are_counted(store: Store) -> None:
    add(store, message(1), message(2), message(3))
    with store.writing() as connection:
        first, second, third = waiting_messages(connection, "file")
        assert waiting_messages(connection, "file", limit=1) == [first]
        assert waiting_messages(connection, "file", after_id=first.id) == [second, third]
        assert waiting_messages(connection, "mqtt") == []
        mark_failed(connection, first.id, "disk full")
        mark_failed(connection, first.id, "disk full")
    with store.writing() as connection:
        assert waiting_messages(connection, "file")[0] == replace(first, tries=2)
        assert channel_state(connection, "file").last_error == "disk full"
        mark_delivered(connection, [first.id, second.id], 99)
        mark_delivered(connection, [], 99)
    with store.reading() as connection:
        assert [m.id for m in waiting_messages(connection, "file")] == [third.id]
        assert channel_state(connection, "file") == ChannelState(1, 0, 3_000_000, None, "")
    kept = [(r.tries, r.last_error, r.delivered_us or 0) for r in rows(store)]
    assert kept == [(3, "", 99), (1, "", 99), (0, "", 0)]


def test_dead_letters_are_kept_and_sent_again(store: Store) -> None:
    add(store, *(message(n) for n in range(1, 6)), message(1, "mqtt"))
    with store.writing() as connection:
        ids = [m.id for m in waiting_messages(connection, "file")]
        [other] = waiting_messages(connection, "mqtt")
        mark_dead(connection, ids[1], 50, "answered 422")
        mark_dead(connection, other.id, 60, "too large")
        mark_delivered(connection, [ids[0]], 99)
        # Only what waits is given up on.
        assert give_up(connection, "file", 4_000_000, 70, "away") == 2
        assert give_up(connection, "file", 4_000_000, 80, "away") == 0
    with store.reading() as connection:
        dead = [
            (d.message.event_id, d.message.channel, d.dead_us, d.error) for d in dead_messages(connection)
        ]
        assert [d.message.id for d in dead_messages(connection, "file", limit=1)] == [ids[3]]
        assert channel_state(connection, "file") == ChannelState(1, 3, 5_000_000, None, "away")
        assert waiting_counts(connection) == {"file": 1}
        assert channels_with_messages(connection) == ["file", "mqtt"]
    assert dead == [
        ("event-4", "file", 70, "away"),
        ("event-3", "file", 70, "away"),
        ("event-1", "mqtt", 60, "too large"),
        ("event-2", "file", 50, "answered 422"),
    ]
    # What was delivered, or waits, is not sent again; nor are others' dead letters.
    with store.writing() as connection:
        note_failing(connection, "file", 90, "away")
        assert send_again(connection, message_id=ids[0]) == 0
        assert send_again(connection, message_id=ids[4]) == 0
        assert send_again(connection, "mqtt", ids[1]) == 0
        assert failing(connection, "file") is not None
        assert send_again(connection, "file", ids[1]) == 1
        assert failing(connection, "file") is None
        assert [m.id for m in waiting_messages(connection, "file")] == [ids[1], ids[4]]
        assert waiting_messages(connection, "file")[0].tries == 0
        assert send_again(connection) == 3
        assert dead_messages(connection) == []
        assert channel_state(connection, "file").last_error == ""


def test_since_when_a_channel_fails_is_kept_while_it_is_tried(store: Store) -> None:
    step_us = FORGET_FAILING_US
    with store.writing() as connection:
        assert failing(connection, "file") is None
        assert note_failing(connection, "file", 0, "a").since_us == 0
        assert note_failing(connection, "mqtt", 5, "b").since_us == 5
        now = note_failing(connection, "file", step_us, "c")
    assert (now.since_us, now.last_us, now.error) == (0, step_us, "c")
    with store.writing() as connection:
        assert channel_state(connection, "file") == ChannelState(0, 0, None, now, "c")
        # The service was off in between: that time was not spent trying.
        assert note_failing(connection, "file", 2 * step_us + 1, "d").since_us == 2 * step_us + 1
        # The clock was set back.
        assert note_failing(connection, "file", 7, "d").since_us == 7
        note_well(connection, "file")
        note_well(connection, "file")
        assert failing(connection, "file") is None
        assert failing(connection, "mqtt") is not None


def test_only_old_delivered_messages_are_forgotten(store: Store) -> None:
    add(store, *(message(n) for n in range(4)))
    with store.writing() as connection:
        first, second, _, fourth = waiting_messages(connection, "file")
        mark_delivered(connection, [first.id, fourth.id], 5_000_000)
        mark_dead(connection, second.id, 5_000_000, "x")
        assert forget_delivered(connection, 1_500_000) == 1
    assert [r.event_id for r in rows(store)] == ["event-1", "event-2", "event-3"]


def test_when_messages_were_made(store: Store) -> None:
    add(store, message(3), message(1), message(2), message(9, "mqtt"))
    with store.reading() as connection:
        made = made_since(connection, 2_000_000)
    assert made == {"file": [2_000_000, 3_000_000], "mqtt": [9_000_000]}
