"""The publisher as it runs at a site, and the service at the other end of the wire."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from databases import address_of
from sqlalchemy import select
from sqlalchemy.exc import DBAPIError

from standingwatch.store import tables
from standingwatch.store.connect import Store

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
FOLDER = ROOT / "deploy" / "publisher"
SCRIPT = FOLDER / "standingwatch_publisher.py"


def until(true: Callable[[], object], seconds: float, what: Callable[[], str]) -> None:
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            pytest.fail(f"after {seconds:g} s still not: {what()}")
        time.sleep(0.05)


@pytest.fixture
def wait() -> Callable[..., None]:
    """Waits for something to become true: `wait(true, seconds, what)`."""
    return until


@pytest.fixture(scope="session")
def publisher_folder() -> Path:
    """Where the script, its example and its unit are."""
    return FOLDER


@pytest.fixture(scope="session")
def module() -> Iterator[ModuleType]:
    """The script as a module."""
    spec = importlib.util.spec_from_file_location("standingwatch_publisher", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = made  # dataclasses look their module up
    spec.loader.exec_module(made)
    yield made
    del sys.modules[spec.name]


@dataclass
class Site:
    """A site's computer: a folder with the settings, the spool, and meters that count.

    A meter is a command that notes each value before it tells it: what was measured is known for sure.
    """

    folder: Path
    port: int
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def log(self) -> Path:
        return self.folder / "publisher.log"

    @property
    def spool(self) -> Path:
        return self.folder / "reports.sqlite"

    def meter(self, name: str) -> str:
        """A source, as the settings have it, of a meter that tells one more each time."""
        path = self.folder / f"meter-{name}"
        measured = self.measured_file(name)
        path.write_text(
            "#!/bin/sh\n"
            f'n=$(wc -l < "{measured}"); n=$((n + 1))\n'
            f'echo "$n $(date +%s%N)" >> "{measured}"\n'
            'echo "fwd=$n"; echo "rfl=0.5"\n'
        )
        path.chmod(0o755)
        measured.touch()
        return f'{{ command = ["{path}"] }}'

    def measured_file(self, name: str) -> Path:
        return self.folder / f"measured-{name}"

    def measured(self, name: str) -> dict[int, int]:
        """What a meter told, and when [Unix microseconds]."""
        lines = [line.split() for line in self.measured_file(name).read_text().splitlines()]
        return {int(number): int(at) // 1000 for number, at in lines}

    def settings(self, transmitters: str, more: str = "", broker: str = "") -> None:
        clock = "" if "[clock]" in more else "[clock]\nwait_for_synchronised = false\n"
        (self.folder / "publisher.toml").write_text(
            f'site = "alder"\n[broker]\nhost = "127.0.0.1"\nport = {self.port}\ntls = false\n{broker}\n'
            f'[spool]\nfile = "{self.spool}"\n{clock}{more}\n{transmitters}'
        )

    def metered(self, *names: str, every_s: float = 0.1, more: str = "", broker: str = "") -> None:
        """Settings with a counting meter for each transmitter."""
        made = [
            f'[[transmitter]]\nname = "{name}"\nevery_s = {every_s}\nsource = {self.meter(name)}\n'
            '[transmitter.values]\nforward = { from = "fwd", unit = "W" }\n'
            'reflected = { from = "rfl", unit = "W" }\n'
            for name in names
        ]
        self.settings("\n".join(made), more, broker)

    def start(self, *words: str, clock: Path | None = None) -> subprocess.Popen[bytes]:
        """Run the script; with a file that says so, with another clock than the system's."""
        command = [SCRIPT] if clock is None else [HERE / "other_clock.py", SCRIPT, clock]
        with self.log.open("ab") as out:
            process = subprocess.Popen(
                [sys.executable, *command, "--settings", self.folder / "publisher.toml", *words],
                stdout=out,
                stderr=out,
                cwd=self.folder,
            )
        self.processes.append(process)
        return process

    def end(self, process: subprocess.Popen[bytes], how: signal.Signals = signal.SIGTERM) -> int:
        process.send_signal(how)
        status = process.wait(30)
        # A meter that ran when its reader was killed goes on to its end, and is to have told by then.
        until(lambda: not self._meters_run(), 30, lambda: "the meters have ended")
        return status

    def _meters_run(self) -> bool:
        wanted = str(self.folder / "meter-").encode()
        for command in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                if wanted in command.read_bytes():
                    return True
            except OSError:
                continue  # it has ended meanwhile
        return False

    def once(self, *words: str, clock: Path | None = None) -> int:
        """Run with --once to its end: the exit status."""
        return self.start("--once", *words, clock=clock).wait(90)

    def said(self) -> str:
        """The log so far."""
        return self.log.read_text()


@pytest.fixture
def site_at(tmp_path: Path) -> Iterator[Callable[[int], Site]]:
    """Makes the site's computer, with the port of its broker."""
    made: list[Site] = []

    def make(port: int) -> Site:
        folder = tmp_path / "site"
        folder.mkdir()
        made.append(Site(folder, port))
        return made[-1]

    yield make
    for site in made:
        for process in site.processes:
            if process.poll() is None:
                process.kill()
                process.wait(10)


@dataclass
class Service:
    """Standing Watch as a process, with a store of its own."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    @property
    def store_url(self) -> str:
        return address_of(self.folder / "store.sqlite")

    def start(self) -> None:
        (self.folder / "inventory.csv").write_text(
            "site,transmitter,frequency_mhz,expected_interval_s\n"
            + "".join(f"alder,rpt-{n},155.{n}4,300\n" for n in (1, 2, 3))
        )
        (self.folder / "standingwatch.toml").write_text(
            f'[store]\nurl = "{self.store_url}"\n[broker]\nport = {self.port}\n'
            "reconnect_min_s = 0.2\nreconnect_max_s = 1.0\n"
            '[inventory]\nfile = "inventory.csv"\n[web]\nenabled = false\n[watchman]\nheartbeat_s = 1\n'
        )
        with (self.folder / "daemon.log").open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml"],
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(ROOT / "service")},
                stdout=out,
                stderr=out,
            )
        until(self.listens, 60, lambda: (self.folder / "daemon.log").read_text()[-3000:])

    def _rows(self, query: Any) -> list[Any]:
        with closing(Store(self.store_url)) as store:
            try:
                with store.reading() as connection:
                    return list(connection.execute(query))
            except DBAPIError:
                return []  # there are no tables yet

    def listens(self) -> bool:
        return bool(self._rows(select(tables.horizons)))

    def stored(self) -> list[Any]:
        """Site's name for the transmitter, time, forward and reflected power of every reading, by time."""
        readings, transmitters = tables.readings.c, tables.transmitters.c
        return self._rows(
            select(transmitters.transmitter, readings.time_us, readings.forward_w, readings.reflected_w)
            .join_from(tables.readings, tables.transmitters, readings.transmitter == transmitters.key)
            .order_by(readings.time_us)
        )

    def refused(self) -> list[Any]:
        return self._rows(select(tables.refused.c.reason, tables.refused.c.detail))

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(30)


@pytest.fixture
def durable_broker(tmp_path: Path, run_broker: Callable[..., Any]) -> Iterator[Any]:
    """A broker that keeps its sessions and what waits in them when it is stopped, as one in real use does."""
    kept = f"allow_anonymous true\npersistence true\npersistence_location {tmp_path}/\n"
    with run_broker(tmp_path, more_settings=kept) as running:
        yield running


@pytest.fixture
def service_at(tmp_path: Path) -> Iterator[Callable[[int], Service]]:
    """Starts the service, with the port of its broker."""
    made: list[Service] = []

    def make(port: int) -> Service:
        folder = tmp_path / "service"
        folder.mkdir()
        made.append(Service(folder, port))
        made[-1].start()
        return made[-1]

    yield make
    for service in made:
        service.stop()


@pytest.fixture
def clock_file(tmp_path: Path) -> Callable[..., Path]:
    """Writes what the clock of a publisher says: `clock_file(off_s=-3600, synchronised=False)`."""

    def write(off_s: float = 0.0, synchronised: bool | None = True, boot: str = "one") -> Path:
        path = tmp_path / "clock.json"
        fresh = path.with_suffix(".new")
        fresh.write_text(json.dumps({"off_s": off_s, "synchronised": synchronised, "boot": boot}))
        fresh.rename(path)
        return path

    return write
