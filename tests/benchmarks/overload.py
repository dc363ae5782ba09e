"""What becomes of the service under many times the load that it can take.

    PYTHONPATH=service python tests/benchmarks/overload.py [--reports 200000] [--protocol 5|3.1.1]

The daemon runs as a process. First its capacity is measured: how fast a burst is stored. Then another
process of this script keeps the write lock of the store for most of the time, so that at least ten times of
what is taken is offered, while 64 readers hold streams of the board and never read, a receiver of alarms
never answers, and a tenth of the reports raise and end alarms. Memory is sampled from /proc all the while.
In the end the store is let go, and each report that the broker took has to be in it once.

Printed: what was offered and taken, memory before and at most, what waited in the service at most, how long
after the end all was stored, and what was lost.
"""

from __future__ import annotations

import argparse
import json
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from one_daemon import Broker, Daemon, Sample, program, until

SITES, PER_SITE = 10, 2
STREAMS = 64
#: The lock is held for so much of the time, so that less than a twentieth of the capacity is left.
HELD, PERIOD_S = 0.96, 5.0
#: mosquitto_pub takes acknowledgements of an earlier round for its own past 65,535 lines.
LINES_AT_ONCE = 50_000

SETTINGS = """\
[channels.webhook.dead]
url = "http://127.0.0.1:{port}/"
pace = "everything"
timeout_s = 2.0
[off_delay]
swr_high_s = 0
"""


def names() -> list[tuple[str, str]]:
    """The fleet."""
    return [(f"site-{s:02}", f"tx-{t}") for s in range(SITES) for t in range(PER_SITE)]


def inventory() -> str:
    """Its site list."""
    return "site,transmitter,frequency_mhz\n" + "".join(f"{s},{t},155.0\n" for s, t in names())


def lines(first: int, count: int) -> dict[str, list[str]]:
    """Reports by topic, numbered from one on, a second apart; at a tenth ten good and ten bad in turn."""
    fleet, begin_s, found = names(), int(time.time()) - 86_400, dict[str, list[str]]()
    for number in range(first, first + count):
        at, turn = number % len(fleet), number // len(fleet)
        site, name = fleet[at]
        bad = at % 10 == 0 and turn // 10 % 2
        body = {"time": begin_s + turn, "forward_w": 95.5, "reflected_w": 14.5 if bad else 0.9}
        found.setdefault(f"standingwatch/report/{site}/{name}", []).append(json.dumps(body))
    return found


def publish(port: int, first: int, count: int) -> float:
    """Publish at QoS 1 by mosquitto_pub until the broker has all; how long it took [s]."""
    by_topic = lines(first, count)
    begin = time.monotonic()
    # A few at a time: each is a process, and the cores are wanted by what is measured.
    waiting = list(by_topic.items())
    running: list[subprocess.Popen[bytes]] = []
    while waiting or running:
        running = [one for one in running if one.poll() is None]
        while waiting and len(running) < 4:
            topic, bodies = waiting.pop()
            words = ["-p", str(port), "-q", "1", "-l", "-t", topic]
            one = subprocess.Popen([program("mosquitto_pub"), *words], stdin=subprocess.PIPE)
            if one.stdin is not None:
                one.stdin.write(("\n".join(bodies) + "\n").encode())
                one.stdin.close()
            running.append(one)
        time.sleep(0.002)
    return time.monotonic() - begin


def hold(path: str) -> None:
    """Keep the write lock of the store for most of the time, until the process is ended."""
    connection = sqlite3.connect(path, timeout=60, isolation_level=None)
    while True:
        connection.execute("BEGIN IMMEDIATE")
        time.sleep(PERIOD_S * HELD)
        connection.execute("ROLLBACK")
        time.sleep(PERIOD_S * (1 - HELD))


class DeafReceiver:
    """Takes connections and says nothing."""

    def __init__(self) -> None:
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self.socket.getsockname()[1])
        self._kept: list[socket.socket] = []
        threading.Thread(target=self._take, daemon=True).start()

    def _take(self) -> None:
        while True:
            try:
                self._kept.append(self.socket.accept()[0])
            except OSError:
                return  # closed


@dataclass
class Looks:
    """What was seen of the daemon, sampled by a thread."""

    daemon: Daemon
    samples: list[Sample] = field(default_factory=list)
    queue_most: float = 0.0
    _stop: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Looks:
        self._thread = threading.Thread(target=self._look)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._stop.wait(0.25):
            self.samples.append(self.daemon.sample())
            try:
                waiting = self.daemon.metrics().get("standingwatch_intake_queue_messages", 0.0)
            except OSError:
                continue  # the page is late; memory is sampled all the same
            self.queue_most = max(self.queue_most, waiting)

    @property
    def most_mb(self) -> float:
        """Most memory [MB]."""
        return max(one.rss for one in self.samples) / 1e6


def deaf_readers(daemon: Daemon) -> list[socket.socket]:
    """Streams of the board that nobody reads."""
    found = []
    for _ in range(STREAMS):
        one = socket.create_connection(("127.0.0.1", daemon.web_port))
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        one.sendall(
            f"GET /events/board HTTP/1.1\r\nHost: 127.0.0.1:{daemon.web_port}\r\n"
            f"Authorization: Bearer {daemon.token}\r\n\r\n".encode()
        )
        found.append(one)
    return found


def stored(daemon: Daemon) -> float:
    """Readings stored so far, as the service counts."""
    return daemon.metrics().get("standingwatch_readings_stored_total", 0.0)


def wait_for_the_rest(daemon: Daemon, wanted: int) -> None:
    """Wait until all is stored, for as long as it goes on: on a busy machine that may be long."""
    while (before := stored(daemon)) < wanted:
        until(
            lambda last=before: stored(daemon) > last, 60, f"any more stored than {before:,.0f} of {wanted:,}"
        )


def measure(folder: Path, reports: int, protocol: str) -> int:
    """The whole measurement; 0 where memory is bounded and nothing is lost."""
    deaf = DeafReceiver()
    broker = Broker(folder)
    broker.start()
    more = SETTINGS.format(port=deaf.port)
    daemon = Daemon(folder, inventory(), broker, protocol=protocol, more=more, connections=3)
    daemon.start()
    try:
        probe = min(reports, 40_000)
        begin = time.monotonic()
        publish(broker.port, 0, probe)
        until(lambda: stored(daemon) >= probe, 120, "the first reports are stored")
        capacity = probe / (time.monotonic() - begin)
        readers = deaf_readers(daemon)
        time.sleep(2)
        before = daemon.sample()
        holder = subprocess.Popen([sys.executable, __file__, "--hold", str(folder / "store.sqlite")])
        with Looks(daemon) as looks:
            count_before, begin = stored(daemon), time.monotonic()
            offered_s = publish(broker.port, probe, reports)
            # The load stays for as long again: what waits at the broker is offered at every moment.
            time.sleep(max(10.0, offered_s))
            held_s = time.monotonic() - begin
            taken = (stored(daemon) - count_before) / held_s
            holder.terminate()
            holder.wait()
            begin = time.monotonic()
            wait_for_the_rest(daemon, probe + reports)
            after_s = time.monotonic() - begin
            time.sleep(5)
        for one in readers:
            one.close()
        found = daemon.metrics()
    finally:
        daemon.stop()
        broker.stop()
    deaf.socket.close()
    with sqlite3.connect(folder / "store.sqlite") as connection:
        kept, refused = (
            connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("readings", "refused")
        )
        waiting = connection.execute("SELECT count(*) FROM outbox WHERE delivered_us IS NULL").fetchone()[0]
    offered = reports / offered_s
    grown_mb = looks.most_mb - before.rss / 1e6
    tracebacks = daemon.log.read_text().count("Traceback")
    failures = found.get("standingwatch_intake_batch_failures_total", 0.0)
    rows = (
        ("capacity, reports/s", f"{capacity:,.0f}"),
        ("offered, reports/s", f"{offered:,.0f}"),
        ("taken meanwhile, reports/s", f"{taken:,.0f}"),
        ("offered over taken", f"{offered / max(taken, 1e-9):.0f}"),
        ("memory before, MB", f"{before.rss / 1e6:.0f}"),
        ("memory at most, MB", f"{looks.most_mb:.0f} (+{grown_mb:.0f})"),
        (
            "files and threads at most",
            f"{max(s.files for s in looks.samples)}, {max(s.threads for s in looks.samples)}",
        ),
        ("messages waiting in the service at most", f"{looks.queue_most:,.0f}"),
        ("batches tried again", f"{failures:.0f}"),
        ("messages of alarms waiting for the deaf receiver", f"{waiting:,}"),
        ("all stored so long after the end, s", f"{after_s:.1f}"),
        ("lost, refused", f"{probe + reports - kept}, {refused}"),
        ("tracebacks", f"{tracebacks}"),
    )
    sys.stdout.write(f"MQTT {protocol}, {reports:,} reports\n| | |\n| --- | ---: |\n")
    for name, value in rows:
        sys.stdout.write(f"| {name} | {value} |\n")
    good = kept == probe + reports and not refused and not tracebacks and offered >= 10 * taken
    return 0 if good and grown_mb < MOST_GROWTH_MB else 1


#: The queue at its limits of messages and a batch being decoded, with room [MB].
MOST_GROWTH_MB = 100.0


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--reports", type=int, default=200_000)
    parser.add_argument("--protocol", choices=("5", "3.1.1"), default="5")
    parser.add_argument("--hold", help=argparse.SUPPRESS)
    said = parser.parse_args(arguments)
    if said.hold:
        hold(said.hold)
    with tempfile.TemporaryDirectory(prefix="overload-") as name:
        return measure(Path(name), said.reports, said.protocol)


if __name__ == "__main__":
    sys.exit(main())
