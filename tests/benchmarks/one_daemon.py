"""The daemon as a process with a broker of its own, and what /proc says of it; for measurements over time."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from stage import free_port

SERVICE = Path(__file__).parents[2] / "service"

BROKER = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
autosave_interval 5
max_queued_messages 1000000
max_queued_bytes 0
max_inflight_messages {inflight}
"""

SETTINGS = """\
[broker]
port = {broker}
protocol = "{protocol}"
reconnect_min_s = 0.2
reconnect_max_s = 1.0
[store]
url = "{url}"
[inventory]
file = "inventory.csv"
[channels.file]
enabled = true
path = "events.jsonl"
[web]
port = {web}
"""


class TimedOutError(Exception):
    """What was waited for did not come; the text says what."""


def until(true: Callable[[], object], seconds: float, what: str) -> float:
    """Wait for something to become true; how long that took [s]."""
    begin = time.monotonic()
    while time.monotonic() - begin < seconds:
        if true():
            return time.monotonic() - begin
        time.sleep(0.05)
    raise TimedOutError(f"after {seconds:g} s still not: {what}")


def program(name: str) -> str:
    """Path of a program."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if found is None:
        raise TimedOutError(f"{name} is not installed")
    return found


class Sample(NamedTuple):
    """What /proc says of a process: memory [B], CPU time [s], open files and threads."""

    rss: int
    cpu_s: float
    files: int
    threads: int


def sample_of(pid: int) -> Sample:
    """A look at a process."""
    place = Path("/proc") / str(pid)
    fields = (place / "stat").read_text().rsplit(") ", 1)[1].split()
    ticks = os.sysconf("SC_CLK_TCK")
    return Sample(
        int(fields[21]) * os.sysconf("SC_PAGE_SIZE"),
        (int(fields[11]) + int(fields[12])) / ticks,
        len(list((place / "fd").iterdir())),
        int(fields[17]),
    )


@dataclass
class Broker:
    """A mosquitto that keeps what it has over a restart."""

    folder: Path
    inflight: int = 2000
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens."""
        settings = self.folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""  # it would become a user that cannot read here
        settings.write_text(user + BROKER.format(port=self.port, folder=self.folder, inflight=self.inflight))
        self.process = subprocess.Popen(
            [program("mosquitto"), "-c", str(settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._answers, 60, "mosquitto listens")

    def _answers(self) -> bool:
        with closing(socket.socket()) as sock:
            return sock.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        """End it; it writes down what it has."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(20)
            self.process = None


@dataclass
class Daemon:
    """The service as its users run it, watched from outside."""

    folder: Path
    inventory: str
    broker: Broker
    url: str = ""
    protocol: str = "5"
    more: str = ""
    web_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None
    token: str = ""
    #: What Python runs.
    program: list[str] = field(default_factory=lambda: ["-m", "standingwatch", "run"])
    #: Connections to the broker that there are when it is at work.
    connections: int = 2

    def __post_init__(self) -> None:
        self.log = self.folder / "daemon.log"
        self.url = self.url or f"sqlite:///{self.folder}/store.sqlite"
        (self.folder / "inventory.csv").write_text(self.inventory)
        (self.folder / "standingwatch.toml").write_text(
            SETTINGS.format(broker=self.broker.port, protocol=self.protocol, url=self.url, web=self.web_port)
            + self.more
        )

    def command(self, *words: str) -> str:
        """Run a command of the service beside it; what it says."""
        done = subprocess.run(
            [sys.executable, "-m", "standingwatch", *words],
            cwd=self.folder,
            env={**os.environ, "PYTHONPATH": str(SERVICE)},
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout

    def start(self) -> None:
        """Start it, and wait until it is connected."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, *self.program],
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(SERVICE)},
                stdout=log,
                stderr=log,
            )
        until(self.connected, 180, f"the daemon is connected; see {self.log}")
        if not self.token:
            said = self.command("token", "add", "measuring", "--role", "viewer")
            self.token = next(word for word in said.split() if len(word) > 40)

    @property
    def pid(self) -> int:
        """Its process."""
        if self.process is None:
            raise TimedOutError("the daemon was not started")
        return self.process.pid

    def sample(self) -> Sample:
        """What /proc says of it now."""
        return sample_of(self.pid)

    def get(self, path: str, timeout_s: float = 60.0) -> bytes:
        """A page or an answer of the API."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.web_port}{path}", headers={"Authorization": f"Bearer {self.token}"}
        )
        with urllib.request.urlopen(request, timeout=timeout_s) as answer:
            return bytes(answer.read())

    def stream_begins(self, timeout_s: float = 60.0) -> bytes:
        """The first line of a stream of the board, which is left then."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.web_port}/events/board",
            headers={"Authorization": f"Bearer {self.token}"},
        )
        with urllib.request.urlopen(request, timeout=timeout_s) as answer:
            return bytes(answer.readline())

    def metrics(self) -> dict[str, float]:
        """Every sample by its full name with labels."""
        lines = self.get("/metrics").decode().splitlines()
        return {
            name: float(value)
            for name, _, value in (line.rpartition(" ") for line in lines if not line.startswith("#"))
        }

    def connected(self) -> bool:
        """Whether all of its connections are up."""
        try:
            found = self.metrics()
        except (urllib.error.URLError, OSError):
            return False
        up = [v for k, v in found.items() if k.startswith("standingwatch_broker_connected{")]
        return len(up) >= self.connections and all(up)

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        os.kill(self.pid, number)

    def stop(self) -> None:
        """End it as a supervisor would."""
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(60)
