"""A soak: the daemon lives fast for a stated time, and its memory, open files and threads have to stay flat.

    PYTHONPATH=service python tests/benchmarks/soak.py --minutes 30 --speed 600 [--svg FILE]

The daemon runs as a process whose clock goes `--speed` times as fast as life (1: as its users run it, with
heartbeat and the watch on itself). Reports of a fleet come by MQTT at QoS 1, ten hours of life a minute at
600, with alarms that come and go; pages, API and streams are read, a webhook that is down now and then
takes the alarms, the broker is stopped and started again, hostile payloads are sent in between, and the
jobs run. At the end each report has to be in the store once. What is sampled from /proc is printed as a
chart and judged by its slope after a warm-up: flat is what grew by less than 3 % (files, threads: by less
than one) from the end of the warm-up to the end, or what cannot be told from no growth (95 % of the
Theil-Sen slope).

SQLite may keep up to 64 MB of a store's pages in memory for each of five connections, and a store grows for
days before it has them: with `--cache-mb 2` (at speeds other than 1) that is over within the warm-up.
(It drops a connection's pages when another one has written: 8 to 18 MB in all were seen with 2 and with 64.)
At speeds other than 1 it is told at the end what the memory was made of, in six looks.
"""

from __future__ import annotations

import argparse
import http.server
import json
import random
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from courses import bars, judged, svg
from memory_account import keep_account
from one_daemon import Broker, Daemon, Sample, TimedOutError, until
from paho.mqtt.enums import CallbackAPIVersion
from stage import free_port

INTERVAL_S = 300
SITES, PER_SITE = 20, 5
START_US = 1_790_000_000_000_000
READ_EVERY_S, BREAK_EVERY_S, BROKEN_S, SAMPLE_EVERY_S = 5.0, 90.0, 3.0, 2.0
SEED = 8
ACCOUNT = "memory.txt"

CHANNELS = """\
[channels.webhook.soak]
url = "http://127.0.0.1:{port}/"
pace = "everything"
[channels.mqtt]
pace = "everything"
[off_delay]
swr_high_s = 0
"""

HOSTILE = (b"", b"[" * 5000, b'{"time": NaN}', b"\xff" * 300, b'{"time": 1, "forward_w": 1e400}', b"{}" * 99)


def names() -> list[tuple[str, str]]:
    """The fleet."""
    return [(f"site-{s:02}", f"tx-{t}") for s in range(SITES) for t in range(PER_SITE)]


def inventory() -> str:
    """Its site list."""
    rows = [f"{site},{name},155.0,region-{int(site[-2:]) % 4},100" for site, name in names()]
    return "\n".join(["site,transmitter,frequency_mhz,region,rated_power_w", *rows]) + "\n"


class Receiver(http.server.BaseHTTPRequestHandler):
    """Takes alarms; for ten seconds of each minute it is out of order."""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(503 if time.monotonic() % 60 < 10 else 204)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        pass


class Life:
    """What happens around the daemon."""

    def __init__(self, daemon: Daemon, broker: Broker, speed: float) -> None:
        self.daemon, self.broker, self.speed = daemon, broker, speed
        self.stopping = threading.Event()
        self.random = random.Random(SEED)
        self.began = time.monotonic()
        self.start_us = START_US if speed != 1 else time.time_ns() // 1000
        self.sent = self.hostile = self.breaks = self.pages = 0
        self.failed_pages: list[str] = []
        self.failed_breaks: list[str] = []
        self.acknowledged = 0
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="soak", clean_session=False)
        self.client.max_inflight_messages_set(500)
        self.client.on_publish = self._published
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        self.threads = [threading.Thread(target=one) for one in (self.report, self.read, self.trouble)]

    def now_us(self) -> int:
        """Now, by the daemon's clock."""
        return self.start_us + round((time.monotonic() - self.began) * self.speed * 1e6)

    def due_us(self, number: int) -> int:
        """When a report is made, by its number."""
        every_us = INTERVAL_S * 1_000_000 if self.speed != 1 else 2_000_000
        return self.start_us + number * every_us // (SITES * PER_SITE)

    def report(self) -> None:
        """Reports as they are due: each transmitter's every five minutes of life, every 2 s at speed 1."""
        fleet, number = names(), 0
        while not self.stopping.is_set():
            due_us = self.due_us(number)
            ahead_s = (due_us - self.now_us()) / self.speed / 1e6
            if ahead_s > 0:
                self.stopping.wait(min(ahead_s, 0.05))
                continue
            site, name = fleet[number % len(fleet)]
            # One transmitter in ten has a bad match for six hours (or minutes, at speed 1) out of each day.
            life = (due_us // 1_000_000) // (3600 if self.speed != 1 else 60)
            bad = number % len(fleet) % 10 == 3 and life % 24 < 6
            body = {
                "time": due_us / 1e6,
                "forward_w": round(95 + self.random.random(), 2),
                "reflected_w": round((14.0 if bad else 0.9) + 0.05 * self.random.random(), 3),
            }
            self.sent += 1
            self.publish(f"standingwatch/report/{site}/{name}", json.dumps(body).encode())
            if number % 50 == 0:
                self.hostile += 1
                self.publish(f"standingwatch/report/{site}/{name}", self.random.choice(HOSTILE))
            number += 1

    def _published(self, *_: object) -> None:
        self.acknowledged += 1

    @property
    def waiting(self) -> int:
        """Messages that the broker has not acknowledged yet."""
        return self.sent + self.hostile - self.acknowledged

    def publish(self, topic: str, body: bytes) -> None:
        """Hand a message to the client, which keeps it until the broker has acknowledged it."""
        self.client.publish(topic, body, qos=1)
        while self.waiting > 10_000 and not self.stopping.wait(0.1):
            pass  # the broker is away

    def read(self) -> None:
        """Pages and the API as people and programs read them."""
        paths = (
            *("/", "/board/rows", "/alarms", "/site/site-03/tx-3", "/intake", "/review", "/map", "/visits"),
            *("/alarm-system", "/api/alarms", "/api/intake", "/api/me", "/metrics"),
            "/site/site-03/tx-3/chart",
        )
        while not self.stopping.wait(READ_EVERY_S / 2):
            for path in self.random.sample(paths, 3):
                try:
                    self.daemon.get(path, 20)
                    self.pages += 1
                    self.daemon.stream_begins(20)
                except OSError as error:  # of which HTTP errors are a kind
                    self.failed_pages.append(f"{path}: {error}")

    def trouble(self) -> None:
        """The broker goes and comes back."""
        while not self.stopping.wait(BREAK_EVERY_S):
            try:
                self.broker.stop()
                self.breaks += 1
                self.stopping.wait(BROKEN_S)
                self.broker.start()
            except (TimedOutError, subprocess.TimeoutExpired) as error:
                # A slow machine: it is made up for when this comes round again, and told at the end.
                self.failed_breaks.append(str(error))

    def start(self) -> None:
        """Begin."""
        for one in self.threads:
            one.start()

    def stop(self) -> int:
        """End; the reports that the broker took, once it has taken all."""
        self.stopping.set()
        for one in self.threads:
            one.join()
        until(lambda: self.waiting == 0, 60, "the broker has acknowledged everything")
        self.client.disconnect()
        self.client.loop_stop()
        return self.sent


def stored(folder: Path) -> tuple[int, int]:
    """Readings and refused reports in the store."""
    with sqlite3.connect(f"file:{folder}/store.sqlite?mode=ro", uri=True) as connection:
        count = [
            connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
            for name in ("readings", "refused")
        ]
    return count[0], count[1]


def missing(folder: Path, life: Life) -> str:
    """Which reports are not in the store, told by when they were made: late ones come last, lost ones before.

    The broker's own count says how many messages it still holds for somebody.
    """
    with sqlite3.connect(f"file:{folder}/store.sqlite?mode=ro", uri=True) as connection:
        kept = {int(row[0]) for row in connection.execute("SELECT time_us FROM readings")}
    gone = [number for number in range(life.sent) if life.due_us(number) not in kept]
    newest = max((number for number in range(life.sent) if life.due_us(number) in kept), default=-1)
    late = sum(number > newest for number in gone)
    return (
        f"not stored: {late} after the newest that is stored, {len(gone) - late} before it: {gone[:20]} ..."
    )


def held_by_broker(port: int) -> str:
    """What the broker says that it holds, after the ten seconds between two of its statements."""
    said: dict[str, str] = {}
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="soak-looks")
    client.on_message = lambda _client, _data, one: said.update({one.topic: one.payload.decode()})
    client.connect("127.0.0.1", port)
    for topic in ("store/messages/count", "messages/stored", "publish/messages/dropped"):
        client.subscribe(f"$SYS/broker/{topic}")
    client.loop_start()
    time.sleep(12)
    client.loop_stop()
    client.disconnect()
    return f"the broker says: {said}"


def run(minutes: float, speed: float, cache_mb: int, picture: Path | None) -> int:
    """The soak; 0 where everything is flat and nothing is lost."""
    receiver = http.server.ThreadingHTTPServer(("127.0.0.1", free_port()), Receiver)
    threading.Thread(target=receiver.serve_forever, daemon=True).start()
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = Path(name)
        broker = Broker(folder)
        broker.start()
        daemon = Daemon(folder, inventory(), broker, more=CHANNELS.format(port=receiver.server_port))
        if speed != 1:
            words = ["--serve", "--speed", str(speed), "--cache-mb", str(cache_mb)]
            daemon.program = [str(Path(__file__).resolve()), *words]
        daemon.start()
        life = Life(daemon, broker, speed)
        if speed != 1:
            (folder / "begin").write_text("now\n")
        life.start()
        samples: list[tuple[float, Sample]] = []
        end = life.began + 60 * minutes
        last = life.began
        while time.monotonic() < end:
            samples.append((time.monotonic() - life.began, daemon.sample()))
            if time.monotonic() - last > 60:
                last = time.monotonic()
                sys.stderr.write(
                    f"{(last - life.began) / 60:.0f} min: {life.sent} reports, {samples[-1][1]}\n"
                )
            time.sleep(SAMPLE_EVERY_S)
        wanted = life.stop()
        try:
            until(lambda: stored(folder)[0] >= wanted, 120, "all reports are stored")
        except TimedOutError as late:
            sys.stdout.write(f"{late}\n{missing(folder, life)}\n{held_by_broker(broker.port)}\n")
        kept, refused = stored(folder)
        pages_at_the_end = daemon.metrics()
        daemon.stop()
        broker.stop()
        log = daemon.log.read_text()
        looks = (folder / ACCOUNT).read_text().splitlines() if (folder / ACCOUNT).exists() else []
    receiver.shutdown()
    at_s = np.array([at for at, _ in samples])
    columns = {
        "memory MB": np.array([one.rss / 1e6 for _, one in samples]),
        "open files": np.array([float(one.files) for _, one in samples]),
        "threads": np.array([float(one.threads) for _, one in samples]),
    }
    alarms = sum(v for k, v in pages_at_the_end.items() if k.startswith("standingwatch_alarm_changes_total"))
    sys.stdout.write(
        f"{minutes:g} min at {speed:g} times life ({at_s[-1] * speed / 86_400:.1f} days): {wanted} reports "
        f"of {SITES * PER_SITE} transmitters, {life.hostile} hostile payloads, {life.breaks} restarts of the "
        f"broker, {alarms:.0f} alarm changes, {life.pages} pages ({len(life.failed_pages)} failed), "
        f"{samples[-1][1].cpu_s:.0f} s of CPU\n"
        f"stored {kept} of {wanted}; refused {refused} of {life.hostile}; "
        f"tracebacks {log.count('Traceback')}\n"
    )
    for line in life.failed_pages[:5]:
        sys.stdout.write(f"failed: {line}\n")
    for line in looks[:: max(1, len(looks) // 6)]:
        sys.stdout.write(f"{line}\n")
    for line in life.failed_breaks:
        sys.stdout.write(f"a restart of the broker took too long: {line}\n")
    good = kept == wanted and "Traceback" not in log and not life.failed_pages
    for name, values in columns.items():
        flat, sentence = judged(name, at_s, values)
        sys.stdout.write(f"{bars(values)}  {values.min():.4g} to {values.max():.4g}\n{sentence}\n")
        good = good and flat
    if picture is not None:
        picture.write_text(svg(at_s, columns))
    return 0 if good else 1


def serve(speed: float, cache_mb: int) -> None:
    """The daemon, by a clock that goes faster than life; ends at a signal."""
    import logging
    import signal

    from sqlalchemy import event

    from standingwatch.cli.serve import prepare
    from standingwatch.daemon import Daemon as Service
    from standingwatch.settings import load_settings

    logging.basicConfig(level=logging.INFO)
    keep_account(Path(ACCOUNT), 30.0)
    began: list[float] = []

    def clock() -> int:
        # Life begins with the first report, so that it does not depend on how long the start takes.
        if not began and Path("begin").exists():
            began.append(time.monotonic())
        return START_US + (round((time.monotonic() - began[0]) * speed * 1e6) if began else 0)

    settings = load_settings(Path("standingwatch.toml"))
    prepare(settings)
    service = Service(settings, clock=clock)

    # After the store's own, which asks for more.
    @event.listens_for(service.store.engine, "connect")
    def _connected(connection: sqlite3.Connection, _record: object) -> None:
        connection.execute(f"PRAGMA cache_size = {-1024 * cache_mb}")

    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    try:
        service.start()
        ended.wait()
    finally:
        service.stop()


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--minutes", type=float, default=30, help="how long (default 30)")
    parser.add_argument(
        "--speed", type=float, default=600, help="times life; 1 for `standingwatch run` itself"
    )
    parser.add_argument("--svg", type=Path, help="write the chart to this file")
    parser.add_argument("--cache-mb", type=int, default=2, help="SQLite's cache a connection (default 2)")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    said = parser.parse_args(arguments)
    if said.serve:
        serve(said.speed, said.cache_mb)
        return 0
    return run(said.minutes, said.speed, said.cache_mb, said.svg)


if __name__ == "__main__":
    sys.exit(main())
