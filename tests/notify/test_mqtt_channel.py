"""MQTT to a real broker: events on their topics, and retained lists that follow every change."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any

import pytest
from prometheus_client import CollectorRegistry

from standingwatch.alarms.handling import Act
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition, Severity
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.metrics import Metrics
from standingwatch.notify import mqtt
from standingwatch.notify.channel import DeliveryError, RefusedError
from standingwatch.notify.mqtt import MqttChannel
from standingwatch.settings import BrokerSettings
from standingwatch.store.connect import Store
from standingwatch.store.handling import act_on
from standingwatch.store.outbox import dead_messages, waiting_messages

NOW_US = 1_795_000_000_000_000
KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)


def waiting(store: Store) -> int:
    with store.reading() as connection:
        return len(waiting_messages(connection, "mqtt", 10_000))


class Kept:
    """A publisher that keeps what it is given, or fails."""

    def __init__(self) -> None:
        self.on_ready: Callable[[], None] | None = None
        self.messages: list[tuple[str, bytes, bool]] = []
        self.fails = False

    def wait_connected(self, seconds: float) -> bool:
        return True

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        if self.fails:
            raise BrokerError("away")
        self.messages += messages

    def take(self) -> dict[str, Any]:
        """What was published since the last call: topic and content, all of it retained."""
        taken = {topic: json.loads(body) for topic, body, _ in self.messages}
        assert len(taken) == len(self.messages)
        assert all(retained for _, _, retained in self.messages)
        self.messages.clear()
        return taken


def act(store: Store, what: Act, text: str = "", key: AlarmKey = KEY) -> None:
    with store.writing() as connection:
        assert act_on(connection, [key], what, by="Kim", now_us=NOW_US, text=text).refused == ()


def test_events_and_present_alarms_over_mqtt(
    store: Store, make_desk: Any, broker: Any, listen: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("mqtt")
    settings = BrokerSettings(port=broker.port, reconnect_min_s=0.2, reconnect_max_s=0.5)
    connection = BrokerConnection(settings, "teller", Metrics(CollectorRegistry()))
    channel = MqttChannel(connection, BrokerError, "standingwatch", store)
    connection.start()
    worker = running(channel, refresh=channel.refresh)
    event, alarm = "standingwatch/event/alder-ridge/rpt-1", "standingwatch/alarm/alder-ridge/rpt-1"

    def lists(heard: Any) -> list[list[Any]]:
        return [json.loads(body) for topic, body, _ in heard.messages if topic == alarm]

    try:
        with listen(broker.port, "standingwatch/#") as heard:
            [first] = desk.change(Severity.MINOR)
            worker.wake()
            wait(lambda: lists(heard) and any(topic == event for topic, _, _ in heard.messages))
            assert [(a["severity"], a["operator_state"]) for a in lists(heard)[-1]] == [("minor", "none")]
            # What a person does is told to nobody, and is in the list all the same.
            act(store, Act.ACKNOWLEDGE)
            wait(lambda: lists(heard)[-1][0]["operator_state"] == "ack")
        # The broker loses what it retained, and is away while the alarm ends; the worker is made anew.
        broker.stop()
        [second] = desk.change(Severity.CLEARED)
        worker.wake()
        time.sleep(0.5)
        worker.stop()
        again = MqttChannel(connection, BrokerError, "standingwatch", store)
        running(again, refresh=again.refresh)
        broker.start()
        with listen(broker.port, "standingwatch/#") as late:
            wait(lambda: lists(late))
            wait(lambda: not waiting(store))
            time.sleep(0.3)
        assert lists(late)[-1] == []
        ids = [json.loads(b)["id"] for h in (heard, late) for t, b, _ in h.messages if t == event]
        assert ids[0] == first
        assert set(ids) <= {first, second}
    finally:
        connection.stop()


def test_topics_of_a_region_a_group_a_part_of_the_service_and_the_fleet(
    store: Store, make_desk: Any, running: Any, wait: Any, other_message: Any
) -> None:
    desk = make_desk("mqtt")
    weather = Condition.SWR_WEATHER
    desk.change(Severity.MINOR, site="", transmitter="", condition=weather, region="Coast/north")
    desk.change(Severity.MAJOR, transmitter="")
    desk.change(Severity.MINOR, Severity.CLEARED, site="", transmitter="", condition=weather, region="South")
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    with store.reading() as connection:
        messages = waiting_messages(connection, "mqtt")
    channel.deliver(messages)
    assert [(t, json.loads(b)["data"]["severity"], r) for t, b, r in kept.messages] == [
        ("root/event-region/Coast%2Fnorth", "minor", False),
        ("root/event/alder-ridge", "major", False),
        ("root/event-region/South", "minor", False),
        ("root/event-region/South", "cleared", False),
    ]
    assert [json.loads(b)["id"] for _, b, _ in kept.messages] == [m.event_id for m in messages]
    kept.messages.clear()
    channel.refresh()
    lists = kept.take()
    assert {topic: [(a["region"], a["site"]) for a in alarms] for topic, alarms in lists.items()} == {
        "root/alarm-region/Coast%2Fnorth": [("Coast/north", None)],
        "root/alarm-region/South": [],
        "root/alarm/alder-ridge": [(None, "alder-ridge")],
    }
    data = {"severity": "major", "text": "x"}
    channel.deliver([other_message("summary", data), other_message("raised", {**data, "service": "intake"})])
    assert [topic for topic, _, _ in kept.messages] == ["root/event-fleet", "root/event-service/intake"]


def test_lists_follow_each_change_and_each_act_and_nothing_else(store: Store, make_desk: Any) -> None:
    desk = make_desk()  # no channel is told of anything
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    desk.change(Severity.MINOR)
    desk.change(Severity.MINOR, transmitter="rpt-2")
    channel.refresh()
    assert set(kept.take()) == {"root/alarm/alder-ridge/rpt-1", "root/alarm/alder-ridge/rpt-2"}
    channel.refresh()
    assert kept.take() == {}
    desk.change(Severity.MAJOR)
    channel.refresh()
    [(topic, [alarm])] = kept.take().items()
    assert (topic, alarm["severity"], alarm["assigned_to"]) == ("root/alarm/alder-ridge/rpt-1", "major", None)
    act(store, Act.ASSIGN, "crew north")
    act(store, Act.ACKNOWLEDGE)
    kept.fails = True
    with pytest.raises(DeliveryError):
        channel.refresh()
    kept.fails = False
    channel.refresh()
    [(topic, [alarm])] = kept.take().items()
    assert (alarm["operator_state"], alarm["assigned_to"]) == ("ack", "crew north")
    desk.change(Severity.MINOR, condition=Condition.SWR_STEP)
    desk.change(Severity.CLEARED)
    channel.refresh()
    [(topic, standing)] = kept.take().items()
    assert [a["condition"] for a in standing] == ["swr-step"]
    channel.refresh()
    assert kept.take() == {}
    channel.forget()
    channel.refresh()
    assert set(kept.take()) == {"root/alarm/alder-ridge/rpt-1", "root/alarm/alder-ridge/rpt-2"}


def test_many_changes_at_once_are_all_in_the_lists(store: Store, make_desk: Any, monkeypatch: Any) -> None:
    desk = make_desk()
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    channel.refresh()
    for few in (1000, 0):  # worked out one by one, and all at once
        monkeypatch.setattr(mqtt, "FEW", few)
        wanted = {}
        for number in range(300):
            severities = (Severity.MINOR, Severity.CLEARED, Severity.MAJOR)[: 1 + number % 3]
            desk.change(*severities, transmitter=f"rpt-{few}-{number}")
            wanted[f"root/alarm/alder-ridge/rpt-{few}-{number}"] = [["minor"], [], ["major"]][number % 3]
        channel.refresh()
        lists = kept.take()
        assert {t: [a["severity"] for a in alarms] for t, alarms in lists.items()} == wanted
        channel.refresh()
        assert kept.take() == {}


def test_a_connection_made_while_lists_go_out_gets_them_once_more(store: Store, make_desk: Any) -> None:
    make_desk().change(Severity.MINOR)
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    publish = kept.publish

    def and_reconnect(messages: Any, timeout_s: float = 10.0) -> None:
        publish(messages, timeout_s)
        channel.forget()

    kept.publish = and_reconnect  # type: ignore[method-assign]  # a connection that comes at a bad moment
    channel.refresh()
    assert len(kept.take()) == 1
    kept.publish = publish  # type: ignore[method-assign]  # as before
    channel.refresh()
    assert len(kept.take()) == 1
    channel.refresh()
    assert kept.take() == {}


def test_a_name_that_no_topic_can_have_is_a_dead_letter_and_others_go_on(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("mqtt")
    [first] = desk.change(Severity.MINOR)
    [bad] = desk.change(Severity.MINOR, site="a/b")
    [third] = desk.change(Severity.MAJOR)
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    running(channel)
    wait(lambda: not waiting(store))
    assert [json.loads(body)["id"] for _, body, _ in kept.messages] == [first, third]
    with store.reading() as connection:
        [letter] = dead_messages(connection, "mqtt")
    assert (letter.message.event_id, "rename it" in letter.error) == (bad, True)
    with pytest.raises(RefusedError):
        channel.deliver([letter.message])


def test_a_change_that_commits_late_is_not_missed(store: Store, make_desk: Any) -> None:
    """PostgreSQL numbers a change when it is written, and others may be committed before it."""
    desk = make_desk()
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    desk.change(Severity.MINOR)
    desk.change(Severity.MINOR, transmitter="rpt-2")
    channel.refresh()
    kept.take()
    seen = channel._seen["alarm_changes"]
    late = sorted(seen.before)[0]
    seen.before.remove(late)  # as if it had not been there to see
    channel.refresh()
    assert set(kept.take()) == {"root/alarm/alder-ridge/rpt-1"}
