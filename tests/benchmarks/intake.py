"""Reports stored and acknowledged a second, beside a paho subscriber that does nothing.

    python tests/benchmarks/intake.py                     one report a message and ten, on SQLite
    python tests/benchmarks/intake.py --postgres          on PostgreSQL too
    python tests/benchmarks/intake.py --long 10000000     memory over ten million readings

The messages wait at the broker in the session of the subscriber before it starts, so that nobody else needs
the processors meanwhile: the broker hands over, the subscriber takes. Both subscribers run in turn. Rates are
of the clock; the ratio of CPU times says the same where a machine is busy with other things.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from stage import (
    Publisher,
    answer_of,
    child,
    cpu_s,
    make_store,
    mosquitto,
    names,
    now_us,
    peak_mb,
    postgres,
    rss_mb,
    say,
    spread,
)

CLIENT = "standingwatch"
FILTERS = ("standingwatch/report/+/+", "standingwatch/link/+")


def messages(
    transmitters: int, count: int, per_message: int, first: int, step_us: int, begin_us: int
) -> list[tuple[bytes, bytes]]:
    """Reports of a fleet in turn, each at a time of its own; `first` is the number of the first message."""
    topics = [f"standingwatch/report/{s}/{t}".encode() for s, t in names(transmitters)]
    out = []
    for number in range(first, first + count):
        reports = []
        for part in range(per_message):
            at = begin_us + (number // transmitters * per_message + part) * step_us + number % transmitters
            text = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(at // 1_000_000))
            reports.append(
                f'{{"time":"{text}.{at % 1_000_000:06d}Z","forward_w":{95 + number % 41 / 10:.1f},'
                f'"reflected_w":{1.4 + (number + part) % 31 / 100:.2f},"keyed":true}}'
            )
        body = reports[0] if per_message == 1 else f"[{','.join(reports)}]"
        out.append((topics[number % transmitters], body.encode()))
    return out


def make_session(port: int, protocol: str) -> None:
    """A session of the subscriber's name at the broker, so that messages wait for it."""
    client = new_client(protocol)
    done = threading.Event()
    client.on_connect = lambda c, *_: c.subscribe([(f, 1) for f in FILTERS])
    client.on_subscribe = lambda *_: done.set()
    connect(client, port, protocol)
    client.loop_start()
    if not done.wait(10):
        raise RuntimeError("the broker gave no session")
    client.disconnect()
    client.loop_stop()


def new_client(protocol: str) -> mqtt.Client:
    if protocol == "5":
        return mqtt.Client(CallbackAPIVersion.VERSION2, client_id=CLIENT, protocol=MQTTProtocolVersion.MQTTv5)
    return mqtt.Client(CallbackAPIVersion.VERSION2, client_id=CLIENT, clean_session=False)


def connect(client: mqtt.Client, port: int, protocol: str) -> None:
    if protocol == "5":
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        properties.ReceiveMaximum = 5000
        client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    else:
        client.connect("127.0.0.1", port)


# Children -----------------------------------------------------------------------------------------------


def take_bare(port: int, protocol: str, wanted: int) -> dict[str, float]:
    """What paho alone can take: a callback that counts."""
    client = new_client(protocol)
    count = 0
    done = threading.Event()

    def take(_c: mqtt.Client, _d: Any, _message: mqtt.MQTTMessage) -> None:
        nonlocal count
        count += 1
        if count == wanted:
            done.set()

    client.on_message = take
    begin, used = time.perf_counter(), cpu_s()
    connect(client, port, protocol)
    client.loop_start()
    if not done.wait(600):
        raise RuntimeError(f"{count} of {wanted} messages came")
    taken = {"wall_s": time.perf_counter() - begin, "cpu_s": cpu_s() - used}
    client.disconnect()
    client.loop_stop()
    return taken


def take_ours(port: int, protocol: str, wanted: int, url: str, follow: bool) -> dict[str, float]:
    """The service's intake, into a store: until every reading is committed and every message acknowledged."""
    import os

    from prometheus_client import CollectorRegistry

    from standingwatch.intake.service import Intake
    from standingwatch.intake.writer import Writer
    from standingwatch.inventory import FleetDefaults
    from standingwatch.metrics import Metrics
    from standingwatch.settings import BrokerSettings, IntakeSettings
    from standingwatch.store.connect import Store

    metrics = Metrics(CollectorRegistry())
    store = Store(url)
    broker = BrokerSettings(port=port, protocol="5" if protocol == "5" else "3.1.1", client_id=CLIENT)
    settings = IntakeSettings()
    writer = Writer(store, settings, FleetDefaults(), broker.topic_root, metrics, now_us)
    intake = Intake(broker, settings, writer, metrics, now_us)
    begin, used = time.perf_counter(), cpu_s()
    intake.start()
    said = 0.0
    while (stored := metrics.readings_stored._value.get()) < wanted or intake.queue_length:
        time.sleep(0.01)
        if follow and stored - said >= 250_000:
            said = stored
            say(json.dumps({"stored": stored, "rss_mb": rss_mb(os.getpid())}))
        if time.perf_counter() - begin > 7200:
            raise RuntimeError(f"{stored} of {wanted} readings were stored")
    batches = next(
        s.value for s in next(iter(metrics.batch_seconds.collect())).samples if s.name[-6:] == "_count"
    )
    taken = {
        "wall_s": time.perf_counter() - begin,
        "cpu_s": cpu_s() - used,
        "batches": batches,
        "peak_mb": peak_mb(os.getpid()),
    }
    intake.stop()
    store.close()
    return taken


# Measuring ----------------------------------------------------------------------------------------------


def one_run(options: argparse.Namespace, who: str, per_message: int, url: str) -> dict[str, float]:
    """Fill the broker's queue, and let a subscriber empty it."""
    count = options.messages if per_message == 1 else max(2000, options.messages // 4)
    with (
        tempfile.TemporaryDirectory(prefix="standingwatch-intake-") as folder,
        mosquitto(Path(folder)) as port,
    ):
        store_url = url or f"sqlite:///{folder}/store.sqlite"
        if who == "ours":
            store = make_store(store_url, options.transmitters)
            fill(store, options)
            store.close()
        make_session(port, options.protocol)
        step_us = 1_000_000
        rounds = count // options.transmitters + 1
        publisher = Publisher(port, "load")
        publisher.send(
            messages(
                options.transmitters,
                count,
                per_message,
                0,
                step_us,
                now_us() - rounds * per_message * step_us,
            )
        )
        publisher.close()
        wanted = count if who == "bare" else count * per_message
        taken = answer_of(child(__file__, "--take", who, options.protocol, str(port), str(wanted), store_url))
        return {**taken, "messages": count, "readings": count * per_message}


def fill(store: Any, options: argparse.Namespace) -> None:
    """Older readings of the same fleet: an empty table flatters."""
    import numpy as np

    from standingwatch.readings import Readings
    from standingwatch.store.reports import insert_readings, new_arrival
    from standingwatch.store.sites import load_site_list

    with store.reading() as connection:
        keys = load_site_list(connection).keys
    each, begin_us = 50_000, now_us() - 40 * 86_400_000_000
    for first in range(0, options.filled, each):
        row = np.arange(first, first + each)
        position, time_us = row % len(keys), begin_us + row // len(keys) * 300_000_000
        columns = {
            "transmitter": position,
            "time_us": time_us,
            "forward_w": np.full(each, 95.0),
            "reflected_w": 1.4 + row % 31 / 100,
            "flags": np.zeros(each, dtype=np.int64),
        }
        with store.writing() as connection:
            arrival = new_arrival(connection, int(time_us.max()), each)
            insert_readings(connection, arrival, Readings.from_columns(columns), keys[position], time_us)


def compare(options: argparse.Namespace, per_message: int, kind: str, server: Any) -> None:
    """Both subscribers in turn; the first round only fills caches."""
    found: dict[str, list[dict[str, float]]] = {"bare": [], "ours": []}
    for _ in range(options.repeats):
        for who, runs in found.items():
            url = server.database() if kind == "postgresql" and who == "ours" else ""
            runs.append(one_run(options, who, per_message, url))
    bare, ours = found["bare"], found["ours"]
    say(
        f"intake, MQTT {options.protocol}, {per_message} report(s) a message, {kind}, "
        f"{options.filled:,} readings in the store before"
    )
    say(
        f"  bare paho      {spread([r['messages'] / r['wall_s'] for r in bare], 0)} messages/s, "
        f"{spread([1e6 * r['cpu_s'] / r['messages'] for r in bare], 1)} us of CPU a message"
    )
    say(
        f"  standingwatch  {spread([r['messages'] / r['wall_s'] for r in ours], 0)} messages/s, "
        f"{spread([1e6 * r['cpu_s'] / r['messages'] for r in ours], 1)} us of CPU a message, "
        f"{spread([r['readings'] / r['wall_s'] for r in ours], 0)} readings/s stored, "
        f"{median(r['readings'] / r['batches'] for r in ours):.0f} a batch, "
        f"peak {median(r['peak_mb'] for r in ours):.0f} MB"
    )
    ratio = [
        a["wall_s"] / a["messages"] / (b["wall_s"] / b["messages"]) for a, b in zip(bare, ours, strict=True)
    ]
    cpu = [a["cpu_s"] / a["messages"] / (b["cpu_s"] / b["messages"]) for a, b in zip(bare, ours, strict=True)]
    say(f"  ratio          {spread(ratio)} by the clock, {spread(cpu)} by CPU")


def long_run(options: argparse.Namespace) -> None:
    """Memory over many readings, ten a message, the broker's queue filled again as it empties."""
    with (
        tempfile.TemporaryDirectory(prefix="standingwatch-intake-") as folder,
        mosquitto(Path(folder)) as port,
    ):
        url = f"sqlite:///{folder}/store.sqlite"
        make_store(url, options.transmitters).close()
        make_session(port, options.protocol)
        rounds = options.long // 10 // options.transmitters + 1
        begin_us = now_us() - rounds * 10 * 1_000_000
        process = child(
            __file__, "--follow", "--take", "ours", options.protocol, str(port), str(options.long), url
        )
        publisher = Publisher(port, "load")
        sent, stored, seen = 0, 0.0, []
        for line in process.stdout or ():
            said = json.loads(line)
            if "wall_s" in said:
                say(
                    f"  {options.long:,} readings in {said['wall_s']:.0f} s, {said['cpu_s']:.0f} s of CPU, "
                    f"peak {said['peak_mb']:.0f} MB"
                )
                break
            stored = said.get("stored", 0.0)
            seen.append((stored, said.get("rss_mb", 0.0)))
            while sent * 10 < min(options.long, stored + 600_000):
                count = min(20_000, options.long // 10 - sent)
                publisher.send(messages(options.transmitters, count, 10, sent, 1_000_000, begin_us))
                sent += count
        publisher.close()
        process.wait(60)
    shown = seen[:: max(1, len(seen) // 12)]
    say("  readings stored and memory: " + ", ".join(f"{n / 1e6:.2f} M {mb:.0f} MB" for n, mb in shown))


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--messages", type=int, default=200_000, help="a run (ten a message: a quarter)")
    parser.add_argument("--transmitters", type=int, default=1000)
    parser.add_argument("--filled", type=int, default=1_000_000, help="readings in the store before")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--protocol", choices=("5", "3.1.1"), default="5")
    parser.add_argument("--per-message", type=int, nargs="*", default=[1, 10])
    parser.add_argument("--sqlite", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--postgres", action="store_true")
    parser.add_argument("--long", type=int, default=0, metavar="READINGS")
    parser.add_argument("--follow", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--take", nargs=5, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.take:
        who, protocol, port, wanted, url = options.take
        if options.follow:
            say("{}")
        taken = (
            take_bare(int(port), protocol, int(wanted))
            if who == "bare"
            else take_ours(int(port), protocol, int(wanted), url, options.follow)
        )
        say(json.dumps(taken))
        return 0
    for per_message in options.per_message:
        if options.sqlite:
            compare(options, per_message, "sqlite", None)
        if options.postgres:
            with postgres() as server:
                compare(options, per_message, "postgresql", server)
    if options.long:
        say(f"memory of the intake over {options.long:,} readings, ten a message, SQLite")
        long_run(options)
    return 0


if __name__ == "__main__":
    sys.exit(main())
