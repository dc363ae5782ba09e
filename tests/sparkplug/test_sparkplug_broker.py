"""The host at a real broker, into a real store: what edge nodes of two encoders do, and what it does itself.

The names of the specification's assertions stand beside what holds them (Eclipse Sparkplug 3.0.0).
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from databases import address_of
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.intake.again import put_in_again
from standingwatch.intake.connection import BrokerConnection
from standingwatch.intake.service import Intake
from standingwatch.intake.sparkplug import SparkplugHost
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings.sparkplug.events import Message
from standingwatch.settings import BrokerSettings, IntakeSettings, SparkplugSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import refused_reports
from standingwatch.store.sites import replace_site_list

SITES = "site,transmitter,frequency_mhz\nhill-03,tx-1,155.34\nhill-03,tx-2,155.79\n"
STATE = "spBv1.0/STATE/standingwatch"


def now_us() -> int:
    return time.time_ns() // 1000


def until(true: Callable[[], object], what: str, seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return
        time.sleep(0.02)
    pytest.fail(f"after {seconds:g} s still not: {what}")


@dataclass
class Ear:
    """Everything that is published, with its QoS."""

    port: int
    heard: list[mqtt.MQTTMessage] = field(default_factory=list)

    def __post_init__(self) -> None:
        ready: list[bool] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = lambda _c, _d, message: self.heard.append(message)
        self.client.on_connect = lambda client, *_: client.subscribe("spBv1.0/#", qos=1)
        self.client.on_subscribe = lambda *_: ready.append(True)
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        until(lambda: ready, "the ear listens")

    def on(self, topic: str) -> list[mqtt.MQTTMessage]:
        return [message for message in self.heard if message.topic == topic]

    def states(self) -> list[tuple[bool, int]]:
        said = [json.loads(message.payload) for message in self.on(STATE)]
        return [(one["online"], one["timestamp"]) for one in said]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@dataclass
class Service:
    """Intake, writer, store and host."""

    store: Store
    port: int
    profile: Any
    protocol: Any = "5"
    places: Callable[[], list[tuple[str, str, str]]] = list
    parts: list[Any] = field(default_factory=list)

    def start(self, **settings: Any) -> None:
        self.registry = CollectorRegistry()
        metrics = Metrics(self.registry)
        broker = BrokerSettings(
            port=self.port, reconnect_min_s=0.2, reconnect_max_s=0.4, protocol=self.protocol
        )
        intake = IntakeSettings()
        writer = Writer(self.store, intake, FleetDefaults(), "standingwatch", metrics, now_us)
        self.intake = Intake(broker, intake, writer, metrics, now_us)
        chosen = SparkplugSettings(enabled=True, **{"reorder_wait_s": 0.5, "join_s": 0.2, **settings})
        self.host = SparkplugHost(
            broker, chosen, intake, [self.profile], self.intake.offer, metrics, now_us, self.places
        )
        self.host.on_ready = self.intake.begin_anew
        self.intake.depend_on(self.host.connection)
        self.host.start()
        self.intake.start()
        assert self.host.connection.wait_connected(10)
        assert self.intake.connection.wait_connected(10)

    def stop(self) -> None:
        self.intake.stop()
        self.host.stop()

    def metric(self, name: str, **labels: str) -> float:
        return self.registry.get_sample_value(f"standingwatch_{name}", labels) or 0.0

    def readings(self) -> list[tuple[int, float, float]]:
        """Time [ms] and powers of what is stored, in order of time."""
        columns = (tables.readings.c.time_us, tables.readings.c.forward_w, tables.readings.c.reflected_w)
        with self.store.reading() as connection:
            rows = connection.execute(select(*columns).order_by(tables.readings.c.time_us)).all()
        return [(int(row[0]) // 1000, float(row[1]), round(float(row[2]), 4)) for row in rows]

    def refused(self) -> list[Any]:
        with self.store.reading() as connection:
            return list(refused_reports(connection, limit=100))

    def links(self) -> list[tuple[str, bool]]:
        """What was said of links, in order."""
        with self.store.reading() as connection:
            rows = connection.execute(select(tables.link_reports)).mappings().all()
        return [(row["site"], bool(row["online"])) for row in sorted(rows, key=lambda row: row["arrival"])]


@pytest.fixture
def store(tmp_path: Any) -> Iterator[Store]:
    """One kind of database: what comes out of the host goes the way of all reports, tested on both."""
    made = Store(address_of(tmp_path / "store.sqlite"))
    made.migrate()
    with made.writing() as connection:
        replace_site_list(connection, read_inventory_text(SITES, "test").rows, now_us())
    yield made
    made.close()


@pytest.fixture
def service(store: Store, broker: Any, make_profile: Any) -> Iterator[Service]:
    made = Service(store, broker.port, make_profile())
    made.start()
    yield made
    made.stop()


@pytest.fixture
def ear(broker: Any) -> Iterator[Ear]:
    made = Ear(broker.port)
    yield made
    made.close()


@pytest.fixture
def live(edge: Any) -> Any:
    """An edge node with the right time."""
    edge.time_ms = now_us() // 1000 - 100_000
    return edge


def connect(port: int, will: Message) -> mqtt.Client:
    """A client whose death is that of an edge node."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.will_set(will.topic, will.payload, qos=1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    until(client.is_connected, "the edge node is connected")
    return client


def publish(client: mqtt.Client, *messages: Message, retain: bool = False) -> None:
    for message in messages:
        client.publish(message.topic, message.payload, qos=1, retain=retain).wait_for_publish(5)


def powers(metric: Any, forward: float, reflected: float) -> tuple[Any, ...]:
    return metric("Tx/Fwd", "Double", forward, alias=1), metric("Tx/Rfl", "Double", reflected, alias=2)


def by_alias(metric: Any, forward: float, reflected: float) -> tuple[Any, ...]:
    return tuple(one._replace(name="") for one in powers(metric, forward, reflected))


def test_stream_with_a_death_by_broken_connection(
    service: Service, broker: Any, live: Any, metric: Any
) -> None:
    client = connect(broker.port, live.death())
    publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    for i in range(30):
        publish(client, live.device_data("tx-1", *by_alias(metric, 90.0 + i, 3.0)))
    until(lambda: len(service.readings()) == 31, "all is stored")
    assert [row[1:] for row in service.readings()] == [(100.0, 4.0), *((90.0 + i, 3.0) for i in range(30))]
    assert service.readings()[-1][0] == live.time_ms
    assert service.refused() == []
    assert service.links() == [("hill-03", True)]
    until(lambda: service.metric("sparkplug_nodes", state="online") == 1, "the node counts as online")
    assert service.metric("sparkplug_devices") == 1
    assert service.metric("sparkplug_messages_total") == 32
    assert service.metric("sparkplug_reports_total", kind="new") == 31
    # The connection breaks without a good-bye: the broker publishes the death certificate.
    socket = client.socket()
    assert socket is not None
    socket.shutdown(2)
    client.loop_stop()
    until(lambda: service.links() == [("hill-03", True), ("hill-03", False)], "the link is offline")
    until(lambda: service.metric("sparkplug_nodes", state="offline") == 1, "the node counts as offline")
    until(lambda: service.metric("sparkplug_devices") == 0, "its devices count no more")


def test_lost_birth_is_asked_for_and_what_came_is_kept(
    service: Service, broker: Any, ear: Ear, live: Any, metric: Any
) -> None:
    client = connect(broker.port, live.death())
    live.birth()  # lost
    live.device_birth("tx-1", *powers(metric, 100.0, 4.0))  # lost
    data = live.device_data("tx-1", *by_alias(metric, 90.0, 3.0))
    publish(client, data)
    command = "spBv1.0/north/NCMD/hill-03"
    until(lambda: ear.on(command), "the births are asked for")
    asked = ear.on(command)[0]
    # tck-id-topics-ncmd-mqtt, payloads-ncmd-qos, payloads-ncmd-retain
    assert (asked.qos, asked.retain) == (0, False)
    until(lambda: service.refused(), "what came without a birth is kept")
    (kept,) = service.refused()
    assert (kept.reason, kept.topic, bytes(kept.payload)) == ("no-birth", data.topic, data.payload)
    assert service.metric("reports_refused_total", reason="no-birth") == 1
    publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 80.0, 2.0)))
    until(lambda: len(service.readings()) == 1, "the births are read")
    assert len(ear.on(command)) == 1
    assert service.metric("sparkplug_rebirth_requests_total") == 1
    client.disconnect()
    client.loop_stop()


def test_wrong_order_and_wrong_number(
    service: Service, broker: Any, ear: Ear, live: Any, metric: Any
) -> None:
    client = connect(broker.port, live.death())
    publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    a, b, c = (live.device_data("tx-1", *by_alias(metric, float(i), 0.1)) for i in (1, 2, 3))
    publish(client, c, a, b)
    until(lambda: len(service.readings()) == 4, "all is stored")
    time.sleep(0.8)  # longer than the wait
    assert ear.on("spBv1.0/north/NCMD/hill-03") == []
    live.seq += 100
    publish(client, live.device_data("tx-1", *by_alias(metric, 5.0, 0.1)))
    until(lambda: ear.on("spBv1.0/north/NCMD/hill-03"), "the births are asked for")
    # What came with a wrong number is used all the same: both powers are in it.
    until(lambda: len(service.readings()) == 5, "it is stored")
    client.disconnect()
    client.loop_stop()


def test_restart_of_the_host(service: Service, broker: Any, ear: Ear, live: Any, metric: Any) -> None:
    """tck-id-message-flow-phid-sparkplug-clean-session-50: nothing is kept for a host that is away."""
    client = connect(broker.port, live.death())
    publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    until(lambda: len(service.readings()) == 1, "the birth is stored")
    service.stop()
    publish(client, live.device_data("tx-1", *by_alias(metric, 90.0, 3.0)))
    service.start()
    publish(client, live.device_data("tx-1", *by_alias(metric, 91.0, 3.0)))
    until(lambda: ear.on("spBv1.0/north/NCMD/hill-03"), "the births are asked for")
    publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 92.0, 3.0)))
    until(lambda: len(service.readings()) == 2, "the births are stored")
    assert [row[1] for row in service.readings()] == [100.0, 92.0]
    assert [kept.reason for kept in service.refused()] == ["no-birth"]
    client.disconnect()
    client.loop_stop()


def test_silent_node_of_the_site_list_is_asked(
    store: Store, broker: Any, ear: Ear, make_profile: Any
) -> None:
    service = Service(store, broker.port, make_profile(), places=lambda: [("hill-03", "tx-1", "")])
    service.start(rebirth_every_s=1.0)
    try:
        until(lambda: ear.on("spBv1.0/north/NCMD/hill-03"), "the births are asked for")
    finally:
        service.stop()


def test_broker_away_for_a_while(
    store: Store, broker: Any, make_profile: Any, live: Any, metric: Any
) -> None:
    service = Service(store, broker.port, make_profile())
    service.start(repeat_s=0.3)
    try:
        client = connect(broker.port, live.death())
        publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
        until(lambda: service.metric("sparkplug_reports_total", kind="repeated") > 1, "it is repeated")
        client.disconnect()
        client.loop_stop()
        broker.stop()
        until(lambda: not service.host.connection.connected, "the host has lost its broker")
        before = service.metric("sparkplug_reports_total", kind="repeated")
        time.sleep(1.0)
        # Stale: nothing is said of a device that nobody hears.
        assert service.metric("sparkplug_reports_total", kind="repeated") == before
        broker.start()
        ear = Ear(broker.port)
        until(lambda: service.host.connection.connected, "the host is there again")
        until(lambda: ear.on("spBv1.0/north/NCMD/hill-03"), "its nodes are asked for their births")
        # tck-id-operational-behavior-primary-application-state-with-multiple-servers-state
        assert ear.heard[0].topic == STATE
        ear.close()
    finally:
        service.stop()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_state_of_the_host(store: Store, broker: Any, ear: Ear, make_profile: Any, protocol: str) -> None:
    """The STATE topic through a life: birth, a late will of before, a broken connection, good-bye.

    tck-id-host-topic-phid-birth-message, -qos, -retain, -topic, -payload, -payload-timestamp; the same of
    phid-death; message-flow-hid-sparkplug-state-message-delivered;
    operational-behavior-host-application-connect-will-..., -connect-birth-..., -termination, -death-...
    """
    service = Service(store, broker.port, make_profile(), protocol)
    before_ms = now_us() // 1000
    service.start()
    try:
        until(ear.states, "the birth certificate")
        ((online, born_ms),) = ear.states()
        assert online
        assert before_ms <= born_ms <= now_us() // 1000
        first = ear.on(STATE)[0]
        assert first.qos == 1
        with_kept = Ear(broker.port)
        until(with_kept.states, "the broker keeps it")
        assert with_kept.on(STATE)[0].retain
        with_kept.close()

        # An older will arrives late: the host says at once, with the same time, that it is there.
        ear.client.publish(STATE, json.dumps({"online": False, "timestamp": born_ms - 5000}), 1, True)
        until(lambda: len(ear.states()) >= 3, "said again")
        time.sleep(0.3)
        # Perhaps twice: brokers may deliver what fits two filters for each of them.
        assert ear.states()[1] == (False, born_ms - 5000)
        assert set(ear.states()[2:]) == {(True, born_ms)}

        # The connection breaks: the will has the time of the birth; the next birth a new one.
        socket = service.host.connection._client.socket()
        assert socket is not None
        socket.shutdown(2)
        until(lambda: ear.states()[-1] not in ((True, born_ms), (False, born_ms)), "will and new birth")
        assert (False, born_ms) in ear.states()
        last_online, last_ms = ear.states()[-1]
        assert last_online
        assert last_ms > born_ms
        time.sleep(0.5)  # answers to the will, which the broker may still deliver, are under way
    finally:
        count = len(ear.states())
        leaving_ms = now_us() // 1000
        service.stop()
    until(lambda: len(ear.states()) > count, "the good-bye")
    time.sleep(0.3)
    (good_bye,) = ear.states()[count:]  # and no will after it
    assert {message.qos for message in ear.on(STATE)} == {1}
    kept = Ear(broker.port)
    until(kept.states, "the broker keeps it")
    assert kept.states() == [good_bye]
    kept.close()
    assert not good_bye[0]
    assert leaving_ms <= good_bye[1] <= now_us() // 1000


@pytest.mark.parametrize(("protocol", "shown"), [("5", "p5"), ("3.1.1", "p2")])
def test_what_the_broker_sees_of_a_connection(
    store: Store, tmp_path: Any, run_broker: Any, make_profile: Any, protocol: str, shown: str
) -> None:
    """By the broker's own log: clean session, will, subscriptions before the birth, the birth first.

    tck-id-message-flow-phid-sparkplug-clean-session-50 and -311,
    tck-id-message-flow-phid-sparkplug-subscription,
    tck-id-operational-behavior-host-application-connect-will-qos and -retained.
    """
    me, log = "standingwatch-sparkplug", tmp_path / "broker.log"
    lines = f"allow_anonymous true\nlog_type all\nlog_dest file {log}\n"
    with run_broker(tmp_path, more_settings=lines) as broker:
        service = Service(store, broker.port, make_profile(), protocol, lambda: [("hill-03", "tx-1", "")])
        service.start(rebirth_every_s=1.0)
        until(lambda: service.metric("sparkplug_rebirth_requests_total"), "a node is asked for its births")
        time.sleep(0.2)
        service.stop()
        # A broker that is told to end may end before it has read what is on its way to it.
        good_bye = f"Received DISCONNECT from {me}"
        until(lambda: good_bye in log.read_text(), "the broker is told good-bye")
    said = [line.split(": ", 1)[1] for line in log.read_text().splitlines()]
    connected = next(line for line in said if line.startswith("New client") and f" as {me} " in line)
    assert f"({shown}, c1, " in connected
    after = said[said.index(connected) :]
    assert next(line for line in after if "Will message specified" in line).endswith("(r1, q1).")
    sent = [line for line in after if line.startswith("Received ") and f" from {me}" in line]
    kinds = [line.split()[1] for line in sent]
    assert kinds[0] == "SUBSCRIBE"
    published = [line for line in sent if line.startswith("Received PUBLISH")]
    assert kinds.index("SUBSCRIBE") < kinds.index("PUBLISH")
    assert "(d0, q1, r1, " in published[0]
    assert f"'{STATE}'" in published[0]
    (asked,) = [line for line in published if "/NCMD/" in line]
    assert "(d0, q0, r0, " in asked
    # The good-bye, and then the DISCONNECT.
    assert f"'{STATE}'" in published[-1]
    assert kinds[-1] == "DISCONNECT"


def test_only_chosen_groups(
    store: Store, broker: Any, make_profile: Any, live: Any, edge_named: Any, metric: Any
) -> None:
    service = Service(store, broker.port, make_profile(topic="{group}/{site}/{transmitter}"))
    service.start(groups=("north",))
    try:
        other = edge_named(group="south", name="hill-03", time_ms=live.time_ms)
        client = connect(broker.port, live.death())
        for node in (other, live):
            publish(client, node.birth(), node.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
        until(lambda: service.readings(), "the chosen group is read")
        assert service.metric("sparkplug_messages_total") == 2
        client.disconnect()
        client.loop_stop()
    finally:
        service.stop()


def test_what_the_broker_had_kept_is_no_birth(
    store: Store, broker: Any, make_profile: Any, live: Any, metric: Any
) -> None:
    client = connect(broker.port, live.death())
    old = live.birth()
    publish(client, old, retain=True)
    service = Service(store, broker.port, make_profile())
    service.start()
    try:
        until(service.refused, "it is refused")
        (kept,) = service.refused()
        assert (kept.reason, kept.topic) == ("bad-sparkplug", old.topic)
        assert "retain" in kept.detail
        assert service.metric("sparkplug_nodes", state="online") == 0
    finally:
        service.stop()
        client.disconnect()
        client.loop_stop()


def test_unknown_transmitter_can_be_put_in_again(
    service: Service, broker: Any, live: Any, metric: Any
) -> None:
    client = connect(broker.port, live.death())
    publish(client, live.birth(), live.device_birth("tx-9", *powers(metric, 100.0, 4.0)))
    until(service.refused, "it is refused")
    (kept,) = service.refused()
    # As a report of ours, which needs no session to be understood.
    assert (kept.reason, kept.topic) == ("unknown-transmitter", "standingwatch/report/hill-03/tx-9")
    assert json.loads(kept.payload)["forward_w"] == 100.0
    client.disconnect()
    client.loop_stop()


def test_what_a_profile_refused_is_read_again_once_it_is_mended(
    store: Store, broker: Any, live: Any, metric: Any, make_profile: Any
) -> None:
    def profile(**more: Any) -> Any:
        forward = {"metric": "Tx/Fwd", "unit": "dBm", **more}
        return make_profile(fields={"forward": forward, "reflected": {"metric": "Tx/Rfl", "unit": "W"}})

    service = Service(store, broker.port, profile())
    service.start()
    try:
        client = connect(broker.port, live.death())
        # Tenths of a dBm, which the profile does not know yet.
        tenths = metric("Tx/Fwd", "Int16", 500, alias=1), metric("Tx/Rfl", "Double", 0.5, alias=2)
        publish(client, live.birth(), live.device_birth("tx-1", *tenths))
        publish(client, Message("spBv1.0/north/DDATA/hill-03/tx-1", b"no protobuf", 0))
        until(lambda: len(service.refused()) == 2, "it is refused")
        assert {kept.reason for kept in service.refused()} == {"bad-value", "bad-sparkplug"}
        assert service.readings() == []
        client.disconnect()
        client.loop_stop()
    finally:
        service.stop()
    metrics = Metrics(CollectorRegistry())
    with_it = [profile(scale=0.1)]
    mended = Writer(store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, now_us, with_it)
    assert put_in_again(store, mended) == (1, 1)
    assert service.readings() == [(live.time_ms, pytest.approx(100.0), 0.5)]
    (kept,) = service.refused()
    assert (kept.reason, bytes(kept.payload)) == ("no-birth", b"no protobuf")


def test_too_large_and_broken_messages(service: Service, broker: Any, live: Any, metric: Any) -> None:
    client = connect(broker.port, live.death())
    publish(client, live.birth(), live.device_birth("tx-1", *powers(metric, 100.0, 4.0)))
    publish(client, Message("spBv1.0/north/DDATA/hill-03/tx-1", b"\x00" * 2_000_000, 0))
    publish(client, Message("spBv1.0/north/DDATA/hill-03/tx-1", b"{}", 0))
    publish(client, live.device_data("tx-1", *by_alias(metric, 5.0, 0.1)))
    until(lambda: len(service.readings()) == 2, "the stream goes on")
    assert sorted(kept.reason for kept in service.refused()) == ["bad-sparkplug", "too-large"]
    client.disconnect()
    client.loop_stop()


def test_nobody_is_silent_while_the_host_has_no_broker(store: Store, broker: Any, unused_port: int) -> None:
    metrics = Metrics(CollectorRegistry())
    settings = BrokerSettings(port=broker.port, reconnect_min_s=0.1, reconnect_max_s=0.2)
    writer = Writer(store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, now_us)
    intake = Intake(settings, IntakeSettings(), writer, metrics, now_us)
    other = BrokerConnection(settings.model_copy(update={"port": unused_port}), "other", metrics)
    intake.depend_on(other)
    other.start()
    intake.start()
    try:
        assert intake.connection.wait_connected(5)
        time.sleep(2.5)
        assert intake.until_us is None
        intake._others.clear()
        until(lambda: intake.until_us is not None, "without it the intake says how far it has come")
    finally:
        intake.stop()
        other.stop()
