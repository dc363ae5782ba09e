"""How long the reports of other sites take from publishing to the store while one site sends 20,000 old ones.

Run it with a mosquitto that can be started: `PYTHONPATH=service python tests/benchmarks/burst.py [URL]`, with
an empty database's address in place of SQLite files of its own.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from prometheus_client import CollectorRegistry, Histogram
from sqlalchemy import select
from stage import free_port

from standingwatch.detect.engine import DetectionSettings
from standingwatch.intake.service import Intake
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list
from standingwatch.watch.live import Watch, WatchOptions

OLD, AWAY = 20_000, ("a1", "a2", "a3", "a4", "a5")
FLEET = 300


def now_us() -> int:
    return time.time_ns() // 1000


def connected(port: int) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def body(time_us: int, watts: float = 50.0) -> str:
    return json.dumps({"time": time_us / 1e6, "forward_w": watts, "reflected_w": 0.5})


def send_burst(port: int, per_message: int) -> None:
    """The site's part, in a process of its own."""
    rng = np.random.default_rng(1)
    begin = now_us() - 14 * 86_400_000_000
    times = begin + np.arange(OLD // len(AWAY)) * 300_000_000
    messages = []
    for name in AWAY:
        shuffled = rng.permutation(times).tolist()
        for number in range(0, len(shuffled), per_message):
            parts = ",".join(body(us) for us in shuffled[number : number + per_message])
            messages.append(
                (f"standingwatch/report/away/{name}", parts if per_message == 1 else f"[{parts}]")
            )
    rng.shuffle(messages)
    client = connected(port)
    infos = []
    for topic, payload in messages:
        infos.append(client.publish(topic, payload, qos=1))
    for info in infos:
        info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def measure(store: Store, port: int, per_message: int) -> None:
    """One burst, the old reports so many in a message, the live ones of 300 sites 100 a second."""
    metrics = Metrics(CollectorRegistry())
    writer = Writer(store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, now_us)
    intake = Intake(BrokerSettings(port=port), IntakeSettings(), writer, metrics, now_us)
    watch = Watch(store, WatchOptions(DetectionSettings(), FleetDefaults()), metrics, now_us)
    intake.start()
    watch.start()
    intake.connection.wait_connected(10)
    live = connected(port)
    sent: dict[int, int] = {}
    kept: dict[int, int] = {}
    stop = threading.Event()

    def look() -> None:
        newest = 0
        while not stop.is_set():
            with store.reading() as connection:
                columns = tables.readings.c
                query = select(columns.time_us, columns.arrival).where(
                    columns.arrival > newest, columns.forward_w == 77.0
                )
                rows = connection.execute(query).all()
            at = now_us()
            for row in rows:
                kept.setdefault(row.time_us, at)
                newest = max(newest, row.arrival)
            time.sleep(0.002)

    looking = threading.Thread(target=look)
    looking.start()
    sending: subprocess.Popen[bytes] | None = None
    begin = time.monotonic()
    number = 0
    counts: list[float] = []
    at_s: list[float] = []
    # The sender's start takes long on a busy machine.
    while (elapsed := time.monotonic() - begin) < 12 or (max(counts) < OLD and elapsed < 120):
        if sending is None and time.monotonic() - begin > 3:
            sending = subprocess.Popen([sys.executable, __file__, "--send", str(port), str(per_message)])
        us = now_us()
        sent[us] = us
        live.publish(f"standingwatch/report/site-{number % FLEET:03}/t1", body(us, 77.0), qos=1)
        number += 1
        counts.append(metrics.readings_stored._value.get())
        at_s.append(time.monotonic())
        time.sleep(0.01)
    time.sleep(2)
    stop.set()
    looking.join()
    intake.stop()
    watch.stop()
    live.disconnect()
    live.loop_stop()
    if sending is not None:
        sending.wait(60)
    stored = metrics.readings_stored._value.get()
    # Of what was sent live, no more can have been stored than was sent.
    begun = next(i for i, c in enumerate(counts) if c > i + 1)
    over = next((i for i, c in enumerate(counts) if c >= OLD), len(counts) - 1)
    delays = {us: (kept[us] - us) / 1e3 for us in sent if us in kept}
    began_us = list(sent)[begun]
    before = [d for us, d in delays.items() if us < began_us]
    during = [d for us, d in delays.items() if us >= began_us and us <= began_us + 6_000_000]
    took_s = at_s[over] - at_s[begun]
    sys.stdout.write(
        f"{per_message} a message: {stored:.0f} stored, {len(sent) - len(delays)} live ones lost, "
        f"old ones in {took_s:.1f} s\n"
        f"  live before: median {np.median(before):.0f} ms, most {max(before):.0f} ms\n"
        f"  live in the 6 s after its begin: median {np.median(during):.0f} ms, "
        f"99 % {np.percentile(during, 99):.0f} ms, most {max(during):.0f} ms\n"
        f"  batches {histogram(metrics.batch_seconds)}, passes {histogram(metrics.watch_seconds)}\n"
    )


def histogram(one: Histogram) -> str:
    """Count, mean and sum."""
    samples = {s.name: s.value for s in next(iter(one.collect())).samples if "bucket" not in s.name}
    count, total = (next(v for k, v in samples.items() if k.endswith(e)) for e in ("_count", "_sum"))
    return f"{count:.0f} of {1000 * total / max(count, 1):.0f} ms"


def main() -> None:
    folder = Path(tempfile.mkdtemp())
    port = free_port()
    (folder / "m.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\n"
        "max_queued_messages 500000\nmax_inflight_messages 1000\n"
    )
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") or "mosquitto"
    broker = subprocess.Popen(
        [program, "-c", str(folder / "m.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    time.sleep(0.5)
    lines = [f"away,{name},446" for name in AWAY] + [f"site-{i:03},t1,446" for i in range(FLEET)]
    text = "site,transmitter,frequency_mhz\n" + "\n".join(lines) + "\n"
    try:
        for per_message in (1, 50):
            url = sys.argv[1] if len(sys.argv) > 1 else f"sqlite:///{folder}/{per_message}.sqlite"
            store = Store(url)
            store.migrate()
            with store.writing() as connection:
                replace_site_list(connection, read_inventory_text(text, "fleet.csv").rows, now_us())
            measure(store, port, per_message)
            store.close()
    finally:
        broker.terminate()
        shutil.rmtree(folder)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--send"]:
        send_burst(int(sys.argv[2]), int(sys.argv[3]))
    else:
        main()
