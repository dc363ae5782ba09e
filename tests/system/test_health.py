"""Health of the whole service: a service manager's socket, a broker that goes, a store that hangs."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from databases import address_of, held, on_postgresql, url_in

from standingwatch.notify.heartbeat import STORE_WAIT_S

SERVICE = Path(__file__).parents[2] / "service"

#: What the watchdog of these tests allows [s]: it is fed four times in it.
WATCHDOG_S = 1.2

SITES = "site,transmitter,frequency_mhz\nalder,rpt-1,155.3\nbirch,rpt-1,453.2\n"


@dataclass
class Watched:
    """The daemon as a process, and the socket of its service manager."""

    folder: Path
    broker_port: int
    web_port: int
    heard: list[str] = field(default_factory=list)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        (self.folder / "sites.csv").write_text(SITES)
        (self.folder / "standingwatch.toml").write_text(
            f"""
[broker]
port = {self.broker_port}
reconnect_min_s = 0.2
reconnect_max_s = 0.5
[store]
url = "{url_in(self.folder)}"
[inventory]
file = "sites.csv"
# How full the disk under the tests is is not what they are about.
[watchman]
store_free_bytes = 1
[web]
port = {self.web_port}
"""
        )
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(self.folder / "notify"))
        self.socket.setblocking(False)

    def environ(self, **more: str) -> dict[str, str]:
        return {**os.environ, "PYTHONPATH": str(SERVICE), **more}

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", "run"],
                cwd=self.folder,
                env=self.environ(
                    NOTIFY_SOCKET=str(self.folder / "notify"), WATCHDOG_USEC=str(int(WATCHDOG_S * 1e6))
                ),
                stdout=log,
                stderr=log,
            )

    def listen(self) -> list[str]:
        """All lines that came so far, each datagram's apart."""
        while True:
            try:
                self.heard += self.socket.recv(4096).decode().split("\n")
            except BlockingIOError:
                return self.heard

    def listen_for(self, seconds: float) -> None:
        """Take what comes for a time: the socket holds few messages that nobody takes."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.listen()
            time.sleep(0.05)

    def fed(self) -> int:
        return self.listen().count("WATCHDOG=1")

    def ask(self, path: str) -> httpx.Response:
        return httpx.get(f"http://127.0.0.1:{self.web_port}{path}", timeout=10)

    def status(self, *words: str) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "standingwatch", "status", *words],
            cwd=self.folder,
            env=self.environ(),
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert "Traceback" not in done.stderr
        return done

    def until(self, true: Callable[[], object], seconds: float, what: str) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if true():
                return
            time.sleep(0.05)
        pytest.fail(f"after {seconds:g} s still not: {what}\n{(self.folder / 'log').read_text()[-2000:]}")


@pytest.fixture
def watched(tmp_path: Path, broker: Any, unused_port: int) -> Iterator[Watched]:
    made = Watched(tmp_path, broker.port, unused_port)
    yield made
    if made.process is not None and made.process.poll() is None:
        made.process.kill()
        made.process.wait(10)
    made.socket.close()


def test_health_is_told_as_it_is(watched: Watched, broker: Any, connect_client: Any) -> None:
    """One daemon through all: up, reports, broker gone, store that hangs, stopped, and down."""
    down = watched.status()
    assert down.returncode == 1
    assert ("it has no tables yet" if on_postgresql() else "there is no store at") in down.stdout
    assert "does not run: no answer from" in down.stdout
    assert not (watched.folder / "store.sqlite").exists()

    watched.start()
    watched.until(lambda: "READY=1" in watched.listen(), 30, "the service manager is told that it is up")
    watched.until(lambda: watched.ask("/readyz").status_code == 200, 30, "ready")
    assert watched.ask("/livez").json() == {"alive": True}
    ready = watched.ask("/readyz").json()
    assert (ready["ready"], ready["reasons"]) == (True, [])
    assert (ready["store_reachable"], ready["broker_connected"]) == (True, True)
    before = watched.fed()
    watched.until(lambda: watched.fed() >= before + 3, 30, "the watchdog is fed again and again")

    # What was sent is shown, newest first, with the SWR that 4 % of the power reflected make: 1.5.
    client = connect_client(broker.port)
    now = datetime.now(UTC)
    for minutes, site in ((2, "alder"), (1, "birch")):
        body = {"time": (now - timedelta(minutes=minutes)).isoformat(), "forward_w": 50, "reflected_w": 2}
        client.publish(f"standingwatch/report/{site}/rpt-1", json.dumps(body), qos=1).wait_for_publish(10)
    stored = "standingwatch_readings_stored_total 2.0\n"
    watched.until(lambda: stored in watched.ask("/metrics").text, 30, "both are stored")
    shown = watched.status("--json")
    said = json.loads(shown.stdout)
    assert (shown.returncode, said["problems"]) == (0, [])
    assert {one["site"] for one in said["store"]["newest"]} == {"alder", "birch"}
    assert [one["swr"] for one in said["store"]["newest"]] == pytest.approx([1.5, 1.5])
    assert (said["store"]["transmitters"], said["store"]["heard_last_hour"]) == (2, 2)
    assert said["store"]["jobs"]["store-size"]["succeeded"] is True
    assert said["store"]["room"]["size_bytes"] > 0

    # Without its broker it is alive and not ready, and the watchdog has no reason to start it again.
    broker.stop()
    watched.until(lambda: watched.ask("/readyz").status_code == 503, 30, "not ready without a broker")
    problem = watched.ask("/readyz")
    assert problem.headers["content-type"] == "application/problem+json"
    assert problem.json()["reasons"] == ["the intake has no connection to the broker"]
    assert problem.json()["status"] == 503
    watched.listen_for(0.2)
    before = watched.fed()
    watched.until(lambda: watched.fed() >= before + 3, 30, "the watchdog is fed without a broker too")
    assert "STATUS=the intake has no connection to the broker" in watched.listen()
    without = watched.status()
    assert without.returncode == 1
    assert without.stdout.startswith("daemon    not ready, up for ")
    assert "broker    not connected" in without.stdout
    assert without.stdout.endswith("1 problem\n  the intake has no connection to the broker\n")
    broker.start()
    watched.until(lambda: watched.ask("/readyz").status_code == 200, 30, "ready again")

    # A store that hangs holds the intake: then nothing feeds the watchdog any more.
    with held(address_of(watched.folder / "store.sqlite")):
        # What went on before the lock may be told once more, after the waits for the store's answer.
        watched.listen_for(STORE_WAIT_S + WATCHDOG_S)
        before = watched.fed()
        watched.listen_for(2 * WATCHDOG_S)
        assert watched.fed() == before
        hanging = watched.ask("/readyz")
        assert hanging.status_code == 503
        assert hanging.json()["reasons"][0] == "the store cannot be written; see the log"
    watched.until(lambda: watched.fed() > before, 30, "it is fed again")

    assert watched.process is not None
    watched.process.send_signal(signal.SIGTERM)
    assert watched.process.wait(20) == 0
    assert "STOPPING=1" in watched.listen()
    assert "Traceback" not in (watched.folder / "log").read_text()
    alone = watched.status()
    assert alone.returncode == 1
    assert "what follows is from the store alone" in alone.stdout
    assert "2 of 2 transmitters in the last hour" in alone.stdout
