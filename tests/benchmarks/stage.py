"""What the benchmarks share: real parts on ports of their own, load, and figures with their spread.

Every figure is printed beside a reference that was measured in the same run, in turn with it, so that what a
busy machine takes away is taken from both.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

SERVICE = Path(__file__).resolve().parents[2] / "service"
SUPPORT = SERVICE.parent / "tests" / "support"
sys.path[:0] = [str(SERVICE), str(SUPPORT)]

from ports import free_port  # noqa: E402 - its folder is on the path from here

PER_SITE = 3


def say(text: str) -> None:
    """Write a line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def spread(values: Sequence[float], digits: int = 2) -> str:
    """The median, and the least and the most of several runs."""
    if len(values) == 1:
        return f"{values[0]:,.{digits}f}"
    return f"{median(values):,.{digits}f} ({min(values):,.{digits}f} to {max(values):,.{digits}f})"


def now_us() -> int:
    """Now [Unix microseconds]."""
    return time.time_ns() // 1000


def cpu_s() -> float:
    """User and system time of this process [s]."""
    return sum(os.times()[:2])


def rss_mb(pid: int) -> float:
    """Memory of a process that is in RAM [MB]."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGESIZE") / 1e6


def peak_mb(pid: int) -> float:
    """The most memory that a process ever had in RAM [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) * 1024 / 1e6
    raise RuntimeError(f"process {pid} tells no VmHWM")


def wait_for_port(port: int, seconds: float = 20.0) -> None:
    """Wait until somebody listens."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with closing(socket.socket()) as sock:
            if sock.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise RuntimeError(f"nobody listens on port {port} after {seconds:g} s")


def child(*words: str) -> subprocess.Popen[str]:
    """A Python process that has the service and this folder on its path."""
    path = os.pathsep.join([str(SERVICE), str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, *words],
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def answer_of(process: subprocess.Popen[str]) -> Any:
    """The last line that a child printed, as JSON; it has to end well."""
    out, _ = process.communicate()
    if process.returncode:
        raise RuntimeError(f"a measuring process ended with {process.returncode}")
    return json.loads(out.splitlines()[-1])


# Broker -------------------------------------------------------------------------------------------------


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """A broker that queues whatever it is given; its port."""
    port = free_port()
    settings = folder / f"mosquitto-{port}.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    settings.write_text(
        f"{user}listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n"
        "max_queued_bytes 0\nmax_inflight_messages 5000\nset_tcp_nodelay true\n"
    )
    program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if program is None:
        raise RuntimeError("mosquitto is not installed")
    broker = subprocess.Popen([program, "-c", str(settings)], stderr=subprocess.DEVNULL)
    try:
        wait_for_port(port)
        yield port
    finally:
        broker.terminate()
        broker.wait(20)


def _length(value: int) -> bytes:
    """A length as MQTT writes it (MQTT 3.1.1, 2.2.3)."""
    out = bytearray()
    while True:
        value, digit = divmod(value, 128)
        out.append(digit | (128 if value else 0))
        if not value:
            return bytes(out)


class Publisher:
    """Sends QoS 1 messages as fast as the socket takes them, without a client library in the way.

    A load source must cost less than what it loads: paho publishes some 10,000 messages a second, the bytes
    themselves go out ten times as fast. What it sends is what MQTT 3.1.1 says in 3.1, 3.3 and 3.4.
    """

    def __init__(self, port: int, name: str) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + len(name).to_bytes(2, "big") + name.encode()
        self._socket.sendall(b"\x10" + _length(len(body)) + body)
        if self._socket.recv(4)[:1] != b"\x20":
            raise RuntimeError("the broker did not take the publisher")
        self._sent = 0
        self._bytes_back = 0
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while data := self._socket.recv(65536):
            self._bytes_back += len(data)

    @staticmethod
    def packet(number: int, topic: bytes, payload: bytes) -> bytes:
        """One PUBLISH; numbers go round."""
        body = len(topic).to_bytes(2, "big") + topic + (number % 65535 + 1).to_bytes(2, "big") + payload
        return b"\x32" + _length(len(body)) + body

    def send(self, messages: Sequence[tuple[bytes, bytes]]) -> None:
        """Send topics and payloads, and wait until the broker has acknowledged all that was ever sent."""
        part: list[bytes] = []
        for topic, payload in messages:
            part.append(self.packet(self._sent, topic, payload))
            self._sent += 1
            if len(part) == 500:
                self._socket.sendall(b"".join(part))
                part.clear()
        self._socket.sendall(b"".join(part))
        while self._bytes_back < 4 * self._sent:  # a PUBACK has four bytes
            time.sleep(0.005)

    def close(self) -> None:
        """Say good-bye."""
        self._socket.sendall(b"\xe0\x00")
        self._socket.shutdown(socket.SHUT_RDWR)
        self._reader.join(5)
        self._socket.close()


# Databases ----------------------------------------------------------------------------------------------


@dataclass
class Postgres:
    """A PostgreSQL server of the benchmark's own, with its usual safety (fsync on)."""

    port: int
    made: int = 0

    def database(self) -> str:
        """The URL of a new, empty database."""
        import psycopg

        self.made += 1
        name = f"bench{self.made}"
        with psycopg.connect(
            f"host=127.0.0.1 port={self.port} user=watch dbname=postgres", autocommit=True
        ) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return f"postgresql+psycopg://watch@127.0.0.1:{self.port}/{name}"


@contextmanager
def postgres() -> Iterator[Postgres]:
    """Start a server."""
    folder = Path(tempfile.mkdtemp(prefix="standingwatch-benchmark-postgres-"))
    folder.chmod(0o755)
    run_as: list[str] = []
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres", "postgres")
        run_as = ["runuser", "-u", "postgres", "--"]
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))[-1]
    data, port = folder / "data", free_port()
    subprocess.run(
        [*run_as, str(programs / "initdb"), "-D", str(data), "-U", "watch", "-A", "trust", "-E", "UTF8"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    words = ("-D", str(data), "-p", str(port), "-c", "listen_addresses=127.0.0.1", "-k", str(folder))
    tuned = ("-c", "shared_buffers=512MB", "-c", "max_wal_size=4GB")
    server = subprocess.Popen(
        [*run_as, str(programs / "postgres"), *words, *tuned], stderr=subprocess.DEVNULL
    )
    try:
        wait_for_port(port, 30)
        time.sleep(0.5)
        yield Postgres(port)
    finally:
        server.terminate()
        server.wait(60)
        shutil.rmtree(folder)


# Fleets -------------------------------------------------------------------------------------------------


def names(transmitters: int) -> list[tuple[str, str]]:
    """Site and transmitter of an invented fleet."""
    return [(f"site-{number // PER_SITE:05d}", f"tx-{number % PER_SITE}") for number in range(transmitters)]


def make_store(url: str, transmitters: int, interval_s: float = 300.0, regions: int = 8) -> Any:
    """An empty store with the site list of the invented fleet."""
    from standingwatch.inventory import InventoryRow
    from standingwatch.store.connect import Store
    from standingwatch.store.sites import replace_site_list

    store = Store(url)
    store.migrate()
    rows = [
        InventoryRow(
            site=site,
            transmitter=transmitter,
            frequency_mhz=446.0,
            region=f"region-{number // PER_SITE % regions}",
            rated_power_w=100.0,
            feeder_loss_db=1.2,
            expected_interval_s=interval_s,
        )
        for number, (site, transmitter) in enumerate(names(transmitters))
    ]
    with store.writing() as connection:
        replace_site_list(connection, rows, now_us())
    return store
