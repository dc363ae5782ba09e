"""What the intake cannot take stays with the broker: it is told how much it may send, and the queue ends."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from databases import address_of, held
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select
from waiting import wait_until

from standingwatch.courtesy import Courtesy
from standingwatch.intake.connection import BrokerConnection
from standingwatch.intake.service import PARTS_BESIDE_PAGES, Intake
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list

NOW_US = 1_795_000_000_000_000
RECEIVE_MAXIMUM, SESSION_EXPIRY = 0x21, 0x11  # MQTT 5.0, 3.1.2.11


def properties_of_connect(packet: bytes) -> dict[int, int]:
    """The properties of a CONNECT of MQTT 5 whose lengths fit into one byte, those of two and four bytes."""
    assert packet[0] == 0x10
    assert packet[2:9] == b"\x00\x04MQTT\x05"
    body = packet[13 : 13 + packet[12]]
    found, at = {}, 0
    while at < len(body):
        size = {RECEIVE_MAXIMUM: 2, SESSION_EXPIRY: 4}[body[at]]
        found[body[at]] = int.from_bytes(body[at + 1 : at + 1 + size])
        at += 1 + size
    return found


def test_the_broker_is_told_how_much_it_may_send() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        settings = BrokerSettings(port=server.getsockname()[1], receive_maximum=321)
        metrics = Metrics(CollectorRegistry())
        connection = BrokerConnection(settings, "i", metrics, ("a/#",), lambda _m, _n: None)
        connection.start()
        try:
            client, _ = server.accept()
            with client:
                packet = client.recv(1000)
        finally:
            connection.stop()
    assert properties_of_connect(packet)[RECEIVE_MAXIMUM] == 321


class OfOne(NamedTuple):
    """What an intake of one transmitter needs; `value` tells a metric by its name."""

    store: Store
    metrics: Metrics
    writer: Writer
    value: Callable[[str], float]


def of_one_transmitter(address: str, settings: IntakeSettings) -> OfOne:
    store = Store(address)
    store.migrate()
    with store.writing() as connection:
        rows = read_inventory_text("site,transmitter,frequency_mhz\namber,a1,155\n", "test").rows
        replace_site_list(connection, rows, NOW_US)
    metrics = Metrics(CollectorRegistry())
    writer = Writer(store, settings, FleetDefaults(), "standingwatch", metrics, lambda: NOW_US)

    def value(name: str) -> float:
        return metrics.registry.get_sample_value(f"standingwatch_{name}") or 0.0

    return OfOne(store, metrics, writer, value)


def flood(client: Any, reports: int) -> None:
    """Send reports of that transmitter, a second apart, until the broker has taken all of them."""
    infos = []
    for i in range(reports):
        body = json.dumps({"time": 1_794_900_000 + i, "forward_w": 50, "reflected_w": 1})
        infos.append(client.publish("standingwatch/report/amber/a1", body, qos=1))
    for info in infos:
        info.wait_for_publish(20)


@pytest.mark.parametrize("is_asked", [True, False])
def test_batches_are_small_and_far_between_while_somebody_waits_for_a_page(
    tmp_path: Path, run_broker: Any, connect_client: Any, is_asked: bool
) -> None:
    """All of a flood is kept either way; the writer makes way between its batches only for who waits."""
    settings, courtesy = IntakeSettings(batch_rows=80), Courtesy()
    store, metrics, writer, value = of_one_transmitter(address_of(tmp_path / "store.sqlite"), settings)
    with run_broker(tmp_path, inflight=5000) as broker, ExitStack() as waiting:
        if is_asked:
            waiting.enter_context(courtesy.answering())
        made = BrokerSettings(port=broker.port, receive_maximum=5000)
        intake = Intake(made, settings, writer, metrics, lambda: NOW_US, courtesy=courtesy)
        intake.start()
        assert intake.connection.wait_connected(10)
        flood(connect_client(broker.port), 600)
        wait_until(lambda: value("readings_stored_total") == 600, 30, "all is stored")
        intake.stop()
    with store.reading() as connection:
        largest = connection.execute(select(func.max(tables.arrivals.c.rows))).scalar_one()
    store.close()
    assert (value("intake_made_way_seconds_total") > 0) is is_asked
    if is_asked:
        assert largest <= 80 // PARTS_BESIDE_PAGES


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_the_store_does_not_take_waits_at_the_broker(
    tmp_path: Path, run_broker: Any, connect_client: Any, protocol: Any
) -> None:
    """More than the queue holds, at a broker that sends as much as it can, while the store is locked."""
    address = address_of(tmp_path / "store.sqlite")
    settings = IntakeSettings(queue_limit=300, batch_rows=100)
    store, metrics, writer, value = of_one_transmitter(address, settings)
    with run_broker(tmp_path, inflight=5000) as broker:
        made = BrokerSettings(port=broker.port, protocol=protocol, receive_maximum=5000)
        intake = Intake(made, settings, writer, metrics, lambda: NOW_US)
        with held(address):
            intake.start()
            assert intake.connection.wait_connected(10)
            flood(connect_client(broker.port), 1500)
            # A batch of a hundred was taken and cannot be written; with it the queue is full.
            wait_until(lambda: intake.queue_length >= 200, 30, "the queue is full")
            threading.Event().wait(0.3)
            assert intake.queue_length <= 300
        wait_until(lambda: value("readings_stored_total") == 1500, 30, "all is stored")
        intake.stop()
    assert value("intake_held_back_seconds_total") > 0.2
    with store.reading() as connection:
        assert connection.execute(select(func.count()).select_from(tables.readings)).scalar_one() == 1500
    store.close()
