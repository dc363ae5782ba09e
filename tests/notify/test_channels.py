"""The outbox and its channels: in order, until delivered, once per id in the file."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence, apply_all
from standingwatch.detect.words import Condition, Severity
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.metrics import Metrics
from standingwatch.notify.channel import DeliveryError
from standingwatch.notify.file import FileChannel
from standingwatch.notify.mqtt import MqttChannel
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.settings import BrokerSettings
from standingwatch.store.alarming import Message, save_changes, waiting_counts, waiting_messages
from standingwatch.store.connect import Store

KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
CHANNELS = (("flaky", Severity.WARNING), ("mqtt", Severity.WARNING), ("grave", Severity.MAJOR))


def change_alarms(store: Store, alarms: dict[AlarmKey, Alarm], *severities: Severity) -> None:
    start = 1_795_000_000_000_000 + 60_000_000 * sum(a.changes for a in alarms.values())
    found = [Evidence(KEY, s, start + 60_000_000 * i, {"swr": 2.2}) for i, s in enumerate(severities)]
    with store.writing() as connection:
        save_changes(connection, apply_all(alarms, found, start), "urn:test", CHANNELS)


def wait(true: Callable[[], object], seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    assert true()


class Flaky:
    """A channel that fails so often before it works."""

    name = "flaky"

    def __init__(self, failures: int) -> None:
        self.failures = failures
        self.delivered: list[str] = []

    def deliver(self, messages: Sequence[Message]) -> None:
        if self.failures:
            self.failures -= 1
            raise DeliveryError("the receiver is away")
        self.delivered += [m.event_id for m in messages]

    def close(self) -> None:
        pass


def test_the_outbox_delivers_in_order_once_the_channel_is_well(store: Store) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    change_alarms(store, alarms, Severity.MINOR, Severity.MAJOR, Severity.CLEARED)
    with store.reading() as connection:
        wanted = [m.event_id for m in waiting_messages(connection, "flaky")]
    assert len(wanted) == 3
    channel = Flaky(failures=2)
    metrics = Metrics(CollectorRegistry())
    worker = OutboxWorker(channel, store, metrics, lambda: 1_795_000_000_000_000)
    worker.start()
    wait(lambda: len(channel.delivered) == 3)
    change_alarms(store, alarms, Severity.WARNING)
    worker.wake()
    wait(lambda: len(channel.delivered) == 4)
    worker.stop()
    assert channel.delivered[:3] == wanted
    assert len(set(channel.delivered)) == 4
    with store.reading() as connection:
        assert waiting_counts(connection) == {"mqtt": 4, "grave": 2}
    failed = metrics.registry.get_sample_value(
        "standingwatch_deliveries_total", {"channel": "flaky", "result": "failed"}
    )
    assert failed == 2


def test_a_channel_for_grave_alarms_is_told_of_their_end(store: Store) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    change_alarms(
        store, alarms, Severity.WARNING, Severity.CLEARED, Severity.MAJOR, Severity.MINOR, Severity.CLEARED
    )
    with store.reading() as connection:
        grave = [json.loads(m.body)["data"]["severity"] for m in waiting_messages(connection, "grave")]
    # The step down from major ends what it was told of; what comes after is not grave.
    assert grave == ["major", "minor"]


def test_a_worker_that_stops_leaves_what_waits(store: Store) -> None:
    change_alarms(store, {}, Severity.MINOR)
    channel = Flaky(failures=1000)
    worker = OutboxWorker(channel, store, Metrics(CollectorRegistry()), lambda: 1)
    worker.start()
    wait(lambda: channel.failures < 1000)
    worker.stop()
    with store.reading() as connection:
        (message,) = waiting_messages(connection, "flaky")
    assert message.tries >= 1


def message(number: int) -> Message:
    body = json.dumps({"id": f"event-{number}", "specversion": "1.0"})
    return Message(number, "file", f"event-{number}", "alder-ridge", "rpt-1", body, 0)


def test_the_file_holds_each_event_once_whatever_is_tried_again(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    first = FileChannel(path)
    first.deliver([message(1), message(2)])
    first.deliver([message(2), message(3)])
    # A crash after writing: the next process is handed the same messages.
    FileChannel(path).deliver([message(2), message(3), message(4)])
    assert [json.loads(line)["id"] for line in path.read_text().splitlines()] == [
        f"event-{n}" for n in (1, 2, 3, 4)
    ]


def test_a_line_that_a_crash_cut_off_is_written_again(tmp_path: Path) -> None:
    path = tmp_path / "events.jsonl"
    whole, cut = message(1).body + "\n", message(2).body[:10]
    path.write_text(whole + cut)
    FileChannel(path).deliver([message(2)])
    lines = path.read_text().splitlines()
    assert lines == [message(1).body, cut, message(2).body]


def test_a_file_that_cannot_be_written_is_tried_again(tmp_path: Path) -> None:
    channel = FileChannel(tmp_path / "absent" / "events.jsonl")
    with pytest.raises(DeliveryError, match="No such file"):
        channel.deliver([message(1)])
    (tmp_path / "absent").mkdir()
    channel.deliver([message(1)])
    assert len((tmp_path / "absent" / "events.jsonl").read_text().splitlines()) == 1


def test_events_and_present_alarms_over_mqtt(store: Store, broker: Any, listen: Any) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    metrics = Metrics(CollectorRegistry())
    settings = BrokerSettings(port=broker.port, reconnect_min_s=0.2, reconnect_max_s=0.5)
    connection = BrokerConnection(settings, "teller", metrics)
    channel = MqttChannel(connection, BrokerError, "standingwatch", store)
    connection.on_ready = channel.forget
    worker = OutboxWorker(channel, store, metrics, lambda: 1_795_000_000_000_000, channel.refresh)
    connection.start()
    worker.start()
    try:
        with listen(broker.port, "standingwatch/#") as heard:
            change_alarms(store, alarms, Severity.MINOR)
            worker.wake()
            wait(lambda: len(heard.messages) >= 2)
        event, present = heard.messages[-2:]
        assert event[0] == "standingwatch/event/alder-ridge/rpt-1"
        assert json.loads(event[1])["data"]["severity"] == "minor"
        assert present[0] == "standingwatch/alarm/alder-ridge/rpt-1"
        assert [a["severity"] for a in json.loads(present[1])] == ["minor"]
        # The broker loses what it retained, and is away while the alarm ends.
        broker.stop()
        change_alarms(store, alarms, Severity.CLEARED)
        worker.wake()
        time.sleep(0.5)
        broker.start()
        with listen(broker.port, "standingwatch/#") as heard:
            wait(lambda: any(t.startswith("standingwatch/alarm") for t, _, _ in heard.messages))
            wait(lambda: not waiting(store))
            time.sleep(0.3)
        assert json.loads([b for t, b, _ in heard.messages if t.startswith("standingwatch/alarm")][-1]) == []
    finally:
        worker.stop()
        connection.stop()


class Kept:
    """A publisher that keeps what it is given."""

    def __init__(self) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []

    def wait_connected(self, seconds: float) -> bool:
        return True

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        self.messages += messages


def test_a_region_and_a_group_have_topics_of_their_own(store: Store) -> None:
    north = AlarmKey("", "", Condition.SWR_WEATHER, "Coast/north")
    south = AlarmKey("", "", Condition.SWR_WEATHER, "South")
    line = AlarmKey("alder-ridge", "", Condition.SWR_HIGH)
    alarms: dict[AlarmKey, Alarm] = {}
    members = ("alder-ridge/rpt-1", "alder-ridge/rpt-2")
    steps = [(north, Severity.MINOR), (south, Severity.MINOR), (line, Severity.MAJOR)]
    steps += [(south, Severity.MAJOR), (south, Severity.CLEARED)]
    found = [Evidence(key, severity, i, members=members) for i, (key, severity) in enumerate(steps)]
    with store.writing() as connection:
        save_changes(connection, apply_all(alarms, found, 9), "urn:test", CHANNELS)
    with store.reading() as connection:
        messages = waiting_messages(connection, "mqtt")
    kept = Kept()
    channel = MqttChannel(kept, BrokerError, "root", store)
    channel.deliver(messages)
    events = [m for m in kept.messages if m[0].startswith("root/event")]
    # In the order in which they came about, and only then what stands.
    assert kept.messages[:5] == events
    assert [(topic, json.loads(body)["data"]["severity"]) for topic, body, _ in events] == [
        ("root/event-region/Coast%2Fnorth", "minor"),
        ("root/event-region/South", "minor"),
        ("root/event/alder-ridge", "major"),
        ("root/event-region/South", "major"),
        ("root/event-region/South", "cleared"),
    ]
    assert {json.loads(body)["id"] for _, body, _ in events} == {m.event_id for m in messages}
    assert len({m.event_id for m in messages}) == 5
    standing = {topic: json.loads(body) for topic, body, retained in kept.messages if retained}
    assert {topic: [(a["region"], a["members"]) for a in alarms] for topic, alarms in standing.items()} == {
        "root/alarm-region/Coast%2Fnorth": [("Coast/north", list(members))],
        "root/alarm-region/South": [],
        "root/alarm/alder-ridge": [(None, list(members))],
    }
    kept.messages.clear()
    channel.refresh()
    assert {topic: json.loads(body) for topic, body, _ in kept.messages} == standing


def waiting(store: Store) -> int:
    with store.reading() as connection:
        return waiting_counts(connection).get("mqtt", 0)


def test_a_channel_is_told_as_rfc_8632_has_it(store: Store) -> None:
    """The notification vector of `notify-severity-level`, RFC 8632, for the level major."""
    told = {
        Severity.MAJOR: True,  # T1
        Severity.MINOR: True,  # T2
        Severity.WARNING: False,  # T3
    }
    steps = [*told.items(), (Severity.MINOR, False), (Severity.MAJOR, True)]  # T4, T5
    steps += [(Severity.CRITICAL, True), (Severity.MAJOR, True), (Severity.CLEARED, True)]  # T6, T7, T8
    alarms: dict[AlarmKey, Alarm] = {}
    heard = []
    for severity, _ in steps:
        with store.reading() as connection:
            before = len(waiting_messages(connection, "grave"))
        change_alarms(store, alarms, severity)
        with store.reading() as connection:
            heard.append(len(waiting_messages(connection, "grave")) > before)
    assert heard == [wanted for _, wanted in steps]
