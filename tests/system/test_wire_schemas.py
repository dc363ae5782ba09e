"""Everything that goes over the wire in real runs fits the published schemas."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from databases import address_of
from jsonschema import Draft7Validator
from paho.mqtt.enums import CallbackAPIVersion
from ports import free_port
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.alarms.asyncapi import asyncapi
from standingwatch.alarms.notice import ChannelRules
from standingwatch.alarms.wire_schema import event_schema
from standingwatch.demo.country import build_country
from standingwatch.demo.faults import plan_faults
from standingwatch.demo.history import to_readings
from standingwatch.demo.run import inventory_of
from standingwatch.demo.simulator import Simulator
from standingwatch.detect.engine import DetectionSettings
from standingwatch.inventory import FleetDefaults, build_fleet
from standingwatch.metrics import Metrics
from standingwatch.readings import QualityCarry, qualify
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions

#: What the demo is sure to put on the wire within seconds; it has no heartbeat, its clock is not the wall's.
WANTED = {"report", "link", "alarmTransmitter"}

SERVICE = Path(__file__).parents[2] / "service"
START_S = 1_767_225_600
DAY_S = 86_400
DAYS = 40
RULES = (
    ChannelRules("machine", is_calm=False),
    ChannelRules("desk", remind_every_us=DAY_S * 1_000_000),
)


@pytest.fixture
def lived_through(tmp_path: Path) -> Iterator[Store]:
    """A store after the invented country of the demo has gone through forty days of faults."""
    store = Store(address_of(tmp_path / "store.sqlite"))
    store.migrate()
    country = build_country(3)
    faults = plan_faults(country, START_S, START_S + DAYS * DAY_S, 3, START_S + (DAYS - 5) * DAY_S)
    simulator = Simulator(country, faults, 3)
    with store.writing() as connection:
        replace_site_list(connection, inventory_of(country), START_S * 1_000_000)
        sites = load_site_list(connection)
    fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
    now = [START_S * 1_000_000]
    options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=DeskOptions(RULES))
    watch = Watch(store, options, Metrics(CollectorRegistry()), lambda: now[0])
    carry = QualityCarry.empty(len(fleet))
    for begin_s in range(START_S, START_S + DAYS * DAY_S, DAY_S):
        readings = to_readings(simulator.frame(begin_s, begin_s + DAY_S, 1200), fleet)
        readings, carry = qualify(readings, fleet, readings.time_us, carry, 300.0)
        now[0] = (begin_s + DAY_S) * 1_000_000
        with store.writing() as connection:
            arrival = new_arrival(connection, now[0], len(readings))
            insert_readings(connection, arrival, readings, fleet.key[readings.transmitter], readings.time_us)
            set_horizon(connection, "one", Horizon(START_S * 1_000_000, now[0]))
        while watch.make_pass():
            pass
    yield store
    store.close()


def test_every_event_of_a_fleet_that_lives(lived_through: Store) -> None:
    schema = Draft7Validator(event_schema())
    with lived_through.reading() as connection:
        bodies = connection.execute(select(tables.outbox.c.channel, tables.outbox.c.body)).all()
    kinds: Counter[tuple[str, str]] = Counter()
    for channel, body in bodies:
        event = json.loads(body)
        schema.validate(event)
        kinds[channel, event["type"].rpartition(".")[2]] += 1
    # Worth the name only if there was something of each.
    wanted = {("machine", kind) for kind in ("raised", "changed", "cleared")}
    wanted |= {("desk", kind) for kind in ("raised", "cleared", "summary")}
    assert set(kinds) >= wanted, kinds
    assert sum(kinds.values()) > 200, kinds


def of_topic(document: dict[str, Any]) -> list[tuple[str, re.Pattern[str], Draft7Validator]]:
    """For each channel of the interface: its name, the form of its topics, and what judges its payloads."""
    schemas = document["components"]["schemas"]
    made = []
    for name, channel in document["channels"].items():
        form = re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(channel["address"]))
        message = next(iter(channel["messages"]))
        payload = document["components"]["messages"][message]["payload"]
        judge = Draft7Validator({**payload, "components": {"schemas": schemas}})
        made.append((name, re.compile(form), judge))
    return made


@contextmanager
def heard_at(port: int) -> Iterator[list[tuple[str, bytes]]]:
    """Topic and payload of everything at a broker, also what it retains; MQTT 3.1.1 as the demo's broker."""
    messages: list[tuple[str, bytes]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _d, message: messages.append((message.topic, bytes(message.payload)))
    client.on_connect = lambda c, *_: c.subscribe("standingwatch/#", qos=1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield messages
    finally:
        client.disconnect()
        client.loop_stop()
        left_open = client.socket()
        if left_open is not None:
            left_open.close()


@pytest.mark.sqlite_only("the demo has its own store inside")
def test_every_message_of_the_demo(tmp_path: Path) -> None:
    """Reports and links in, events, lists and heartbeats out, as an onlooker at the broker sees them."""
    channels = of_topic(asyncapi("standingwatch"))
    log = tmp_path / "demo.log"
    broker_port, port = free_port(), free_port()
    command = ["demo", "--broker-port", str(broker_port), "--port", str(port), "--days", "30"]
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", *command, "--speed", "60"],
            env={**os.environ, "PYTHONPATH": str(SERVICE)},
            stdout=out,
            stderr=out,
        )
    seen: Counter[str] = Counter()
    try:
        end = time.monotonic() + 120
        while b"broker:" not in log.read_bytes():
            assert process.poll() is None, log.read_text()
            assert time.monotonic() < end, log.read_text()
            time.sleep(0.2)
        with heard_at(broker_port) as messages:
            done, end = 0, time.monotonic() + 90
            while time.monotonic() < end and not (set(seen) >= WANTED and seen["report"] > 500):
                time.sleep(0.5)
                fresh = messages[done:]
                done += len(fresh)
                for topic, body in fresh:
                    judges = [(name, judge) for name, form, judge in channels if form.fullmatch(topic)]
                    assert len(judges) == 1, topic
                    judges[0][1].validate(json.loads(body))
                    seen[judges[0][0]] += 1
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(60)
    assert set(seen) >= WANTED, dict(seen)
    assert seen["report"] > 500, dict(seen)
