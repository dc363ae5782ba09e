"""All that a campaign runs: sites, broker, store, daemon, receivers, and proxies between them."""

from __future__ import annotations

import random
import shutil
import struct
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import sqlalchemy
from ports import free_port
from sqlalchemy import Engine, event
from sqlalchemy.pool import NullPool

from fault_campaign.broker import Broker
from fault_campaign.daemon import Daemon
from fault_campaign.disk import SmallDisk, can_mount
from fault_campaign.postgres import Postgres
from fault_campaign.proxy import Proxy
from fault_campaign.receivers import HttpReceiver, Listener
from fault_campaign.sites import Sites
from fault_campaign.waits import must_become

Database = Literal["sqlite", "postgresql"]

SETTINGS = """\
[broker]
port = {broker_port}
reconnect_min_s = 0.2
reconnect_max_s = 1.0
keepalive_s = 2
[store]
url = "{store_url}"
[inventory]
file = "inventory.csv"
[channels.mqtt]
pace = "everything"
[channels.file]
enabled = true
path = "events.jsonl"
[channels.webhook.desk]
url = "http://127.0.0.1:{receiver_port}/"
timeout_s = 2
pace = "everything"
# Ends count at once, and what comes and goes is told each time, so that every change can be counted.
[off_delay]
swr_high_s = 0
[chatter]
raises = 100
window_s = 1
quiet_s = 1
# What is wrong is told within the few seconds that a fault lasts here.
[watchman]
heartbeat_s = 1
broker_lost_s = 1
channel_late_s = 2
intake_late_s = 5
[web]
port = {web_port}
"""


class FakeClock:
    """A clock of one process that can be stepped: `clock.c`, built with the machine's C compiler."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "clock"
        self.step(0.0)
        library = folder / "clock.so"
        source = Path(__file__).with_name("clock.c")
        subprocess.run(
            ["cc", "-O2", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"],  # as found
            check=True,
        )
        self.environ = {"LD_PRELOAD": str(library), "FAULT_CLOCK_FILE": str(self._file)}

    @staticmethod
    def is_possible() -> bool:
        """Whether there is a C compiler."""
        return shutil.which("cc") is not None

    def step(self, seconds: float) -> None:
        """Be off by so much from now on [s]."""
        with self._file.open("r+b" if self._file.exists() else "wb") as file:
            file.write(struct.pack("=q", round(seconds * 1e9)))


@dataclass
class World:
    """Everything runs once it is made, and `close` ends it.

    Attributes:
        folder: for all files.
        seed: of all chance.
        database: kind of the store.
        small_disk: whether the store is on a small disk of its own, where this machine lets us have one.
    """

    folder: Path
    seed: int
    database: Database
    small_disk: bool = True
    fake_clock: bool = True
    disk: SmallDisk | None = field(init=False, default=None)
    postgres: Postgres | None = field(init=False, default=None)
    store_proxy: Proxy | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.folder.mkdir(parents=True, exist_ok=True)
        if self.small_disk and can_mount():
            self.disk = SmallDisk(self.folder / "disk", 64 if self.database == "sqlite" else 400)
        self.broker = Broker(free_port(), self.folder / "broker")
        self.broker.start()
        self.broker_proxy = Proxy(free_port(), self.broker.port, random=self.rng)
        self.receiver = HttpReceiver()
        if self.database == "sqlite":
            self.store_folder = self.disk.folder if self.disk is not None else self.folder
            store_url = f"sqlite:///{self.store_file}"
            self.look_url = store_url
        else:
            self.postgres = Postgres(self.disk)
            self.store_proxy = Proxy(free_port(), self.postgres.port, random=self.rng)
            store_url = f"postgresql+psycopg://watch@127.0.0.1:{self.store_proxy.port}/watch"
        self.sites = Sites(self.broker.port, random.Random(self.seed + 1))
        self.sites.rest()
        web_port = free_port()
        (self.folder / "inventory.csv").write_text(self.sites.inventory())
        (self.folder / "standingwatch.toml").write_text(
            SETTINGS.format(
                broker_port=self.broker_proxy.port,
                store_url=store_url,
                receiver_port=self.receiver.port,
                web_port=web_port,
            )
        )
        self.clock = FakeClock(self.folder) if self.fake_clock and FakeClock.is_possible() else None
        environ = self.clock.environ if self.clock is not None else {}
        self.daemon = Daemon(self.folder, web_port, environ)
        self.listener = Listener(self.broker.port)
        self.daemon.begin()
        must_become(lambda: self.daemon.ready()[0], 60, "the daemon is ready")
        self.sites.go_on()

    @property
    def store_file(self) -> Path:
        """The SQLite file."""
        return self.store_folder / "store.sqlite"

    def look(self) -> Engine:
        """The store, past the proxy, for one look: nothing of it stays open."""
        if self.postgres is not None:
            url = f"postgresql+psycopg://watch@127.0.0.1:{self.postgres.port}/watch"
            return sqlalchemy.create_engine(url, poolclass=NullPool, connect_args={"connect_timeout": 5})
        engine = sqlalchemy.create_engine(self.look_url, poolclass=NullPool, connect_args={"timeout": 5})

        @event.listens_for(engine, "connect")
        def only_look(connection: object, _record: object) -> None:
            connection.execute("PRAGMA query_only = ON")  # type: ignore[attr-defined]  # of sqlite3

        return engine

    def mend(self) -> None:
        """Do what service managers of the other servers do: start those again that have ended."""
        if self.broker.process is None or self.broker.process.poll() is not None:
            self.broker.start()
        if self.postgres is not None and not self.postgres.runs:
            self.postgres.end()
            self.postgres.start()

    def close(self) -> None:
        """End everything."""
        self.daemon.close()
        self.sites.close()
        self.listener.close()
        self.broker_proxy.close()
        if self.store_proxy is not None:
            self.store_proxy.close()
        self.receiver.close()
        self.broker.end()
        if self.postgres is not None:
            self.postgres.close()
        if self.disk is not None:
            time.sleep(0.2)
            self.disk.unmount()


def wait_a_while(rng: random.Random, least_s: float, most_s: float) -> None:
    """Let some time pass, drawn by chance."""
    time.sleep(rng.uniform(least_s, most_s))
