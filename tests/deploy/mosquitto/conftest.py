"""The broker as deploy/mosquitto sets it up, with certificates made by the helper beside it."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import paho.mqtt.client as mqtt
import pytest
from databases import address_of
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from ports import free_port
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select
from waiting import wait_until

from standingwatch.intake.service import Intake
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list

ROOT = Path(__file__).parents[3]
DEPLOYED = ROOT / "deploy" / "mosquitto"
HELPER = DEPLOYED / "certificates.py"
NOW_US = 1_795_000_000_000_000
FIRST_US = NOW_US - 86_400_000_000
#: One that is no plain word: blanks, quotes, letters past ASCII, what means something to openssl or a shell.
STRANGE = "Förde Süd, 3=x \"$HOME\" 'ö'"


class Helper:
    """certificates.py, run as a person does."""

    def __init__(self, folder: Path, *words: str) -> None:
        self.folder = folder
        self._words = words

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, str(HELPER), "--folder", str(self.folder), *self._words, *words],
            capture_output=True,
            text=True,
        )

    def __call__(self, *words: str) -> list[str]:
        done = self.run(*words)
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()


@pytest.fixture
def helper() -> type[Helper]:
    return Helper


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates of a small fleet, made by the helper; not to be changed."""
    folder = tmp_path_factory.mktemp("certificates")
    run = Helper(folder)
    run("init")
    run("broker", "localhost", "127.0.0.1")
    for program in ("standingwatch", "monitor", "desk"):
        run("service", program)
    run("site", "alder-ridge", "birch-hill", "cedar-gap", "alder-ridge.tower-2", STRANGE)
    return folder


@pytest.fixture
def certificates(made_once: Path, tmp_path: Path) -> Path:
    """A copy of them that a test may change."""
    return Path(shutil.copytree(made_once, tmp_path / "certificates"))


@dataclass
class Client:
    """One client, what came to it, and what the broker said to what it sent."""

    client: mqtt.Client
    heard: list[tuple[str, bytes, bool]] = field(default_factory=list)
    answers: dict[int, str] = field(default_factory=dict)
    connected: threading.Event = field(default_factory=threading.Event)
    refused: str = ""
    disconnects: int = 0

    def publish(self, topic: str, payload: bytes = b"{}", retain: bool = False) -> str:
        """Publish at QoS 1; what the broker answered; "Success" also where nobody listens."""
        info = self.client.publish(topic, payload, qos=1, retain=retain)
        wait_until(lambda: info.mid in self.answers, 30, f"the broker answers to {topic}")
        answer = self.answers[info.mid]
        return "Success" if answer == "No matching subscribers" else answer

    def subscribe(self, *filters: str) -> None:
        done: list[bool] = []
        self.client.on_subscribe = lambda *_: done.append(True)
        self.client.subscribe([(one, 1) for one in filters])
        wait_until(lambda: done, 30, f"subscribed to {filters}")


@dataclass
class Deployed:
    """mosquitto with the settings of deploy/mosquitto: only ports, folders and the user are a test's own."""

    folder: Path
    certificates: Path
    sites_port: int
    service_port: int
    passwords_port: int
    process: subprocess.Popen[bytes] | None = None

    @property
    def kept(self) -> Path:
        """What mosquitto keeps on disk."""
        return self.folder / "lib" / "mosquitto.db"

    def write(self, change: Callable[[str], str] = lambda text: text, site_rules: str = "") -> None:
        """Put everything where the broker finds it; settings and rules may be changed first."""
        etc, lib = self.folder / "etc", self.folder / "lib"
        for folder in (etc / "certs", lib):
            folder.mkdir(parents=True, exist_ok=True)
        text = change((DEPLOYED / "mosquitto.conf").read_text())
        replacing = {
            "listener 8883\n": f"listener {self.sites_port} 127.0.0.1\n",
            "listener 8884\n": f"listener {self.service_port} 127.0.0.1\n",
            "listener 8885\n": f"listener {self.passwords_port} 127.0.0.1\n",
            "/etc/mosquitto/": f"{etc}/",
            "/var/lib/mosquitto/": f"{lib}/",
            # As root it would become a user that cannot read the tests' folders.
            "\nuser mosquitto\n": "\nuser root\n" if os.geteuid() == 0 else "\n",
        }
        for old, new in replacing.items():
            assert old in text, old
            text = text.replace(old, new)
        (etc / "mosquitto.conf").write_text(text)
        (etc / "acl-sites").write_text((DEPLOYED / "acl-sites").read_text() + site_rules)
        shutil.copy(DEPLOYED / "acl-service", etc)
        self.bring_certificates()

    def bring_certificates(self) -> None:
        """As the README's commands do."""
        target = self.folder / "etc" / "certs"
        for kind in ("sites", "services"):
            shutil.copy(self.certificates / kind / "ca.crt", target / f"{kind}-ca.crt")
            shutil.copy(self.certificates / kind / "crl.pem", target / f"{kind}-crl.pem")
        for end in ("crt", "key"):
            shutil.copy(
                self.certificates / "services" / "issued" / f"localhost.{end}", target / f"broker.{end}"
            )

    def start(self) -> None:
        program = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
        assert program, "mosquitto is not installed; tests/run installs what the tests need"
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen(
                [program, "-c", str(self.folder / "etc" / "mosquitto.conf")], stdout=log, stderr=log
            )
        wait_until(self._listens, 30, "mosquitto listens: " + self.log())

    def log(self) -> str:
        path = self.folder / "mosquitto.log"
        return path.read_text() if path.exists() else ""

    def _listens(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log()
        with closing(socket.socket()) as sock:
            return sock.connect_ex(("127.0.0.1", self.service_port)) == 0

    def end(self, by: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(by)
            self.process.wait(60)
            self.process = None

    def signal(self, which: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(which)

    def save(self) -> None:
        """Let it write what it keeps, and wait until that is done."""
        before = self.kept.stat().st_mtime_ns if self.kept.exists() else 0
        self.signal(signal.SIGUSR1)
        wait_until(lambda: self.kept.exists() and self.kept.stat().st_mtime_ns != before, 30, "written")

    # Clients --------------------------------------------------------------------------------------------

    def context(self, authority: str, name: str) -> ssl.SSLContext:
        """Trust the broker's authority, and show a certificate."""
        context = ssl.create_default_context(cafile=str(self.certificates / "services" / "ca.crt"))
        if name:
            issued = next(
                p for p in (self.certificates / authority / "issued").glob("*.crt") if self._is_of(p, name)
            )
            context.load_cert_chain(issued, issued.with_suffix(".key"))
        return context

    @staticmethod
    def _is_of(path: Path, name: str) -> bool:
        return unquote(path.name.removesuffix(".crt")) == name

    @contextmanager
    def client(
        self,
        name: str,
        authority: str = "sites",
        *,
        port: int = 0,
        client_id: str = "",
        password: str = "",
        version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5,
        **more: Any,
    ) -> Iterator[Client]:
        """A client that shows a certificate, or a password; tries to connect once."""
        made = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=version, reconnect_on_failure=False
        )
        client = Client(made)
        made.tls_set_context(self.context(authority, "" if password else name))
        if password:
            made.username_pw_set(name, password)
        made.max_inflight_messages_set(1000)
        made.on_message = lambda _c, _d, m: client.heard.append((m.topic, bytes(m.payload), bool(m.retain)))
        made.on_publish = lambda _c, _d, mid, reason, _p: client.answers.update({mid: str(reason)})

        def answered(_c: Any, _d: Any, _f: Any, reason: Any, _p: Any) -> None:
            client.refused = str(reason) if reason.is_failure else ""
            client.connected.set()

        def lost(*_: Any) -> None:
            client.disconnects += 1
            if not client.connected.is_set():
                # With TLS 1.3 a certificate is refused after the client's part of the handshake.
                client.refused = "cut off"
                client.connected.set()

        made.on_connect, made.on_disconnect = answered, lost
        if "will" in more:
            made.will_set(*more.pop("will"), qos=1, retain=True)
        try:
            made.connect(
                "127.0.0.1", port or (self.sites_port if authority == "sites" else self.service_port), **more
            )
            made.loop_start()
            client.connected.wait(5)
            yield client
        finally:
            made.disconnect()
            made.loop_stop()
            if (left := made.socket()) is not None:
                left.close()


def lasting() -> dict[str, Any]:
    """Words for a session that outlives its connection."""
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    return {"clean_start": False, "properties": properties}


@pytest.fixture
def lasting_session() -> Callable[[], dict[str, Any]]:
    return lasting


@pytest.fixture
def deployed(tmp_path: Path, certificates: Path) -> Iterator[Deployed]:
    """The broker, not started yet."""
    folder = tmp_path / "broker"
    folder.mkdir()
    made = Deployed(folder, certificates, free_port(), free_port(), free_port())
    made.write()
    yield made
    made.end()


@dataclass
class Service:
    """The service's intake in this process, with the certificate that the helper made for it."""

    store: Store
    broker: BrokerSettings
    clock: Callable[[], int] = lambda: NOW_US

    @contextmanager
    def running(self) -> Iterator[Intake]:
        metrics = Metrics(CollectorRegistry())
        writer = Writer(self.store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, self.clock)
        intake = Intake(self.broker, IntakeSettings(), writer, metrics, self.clock)
        intake.start()
        try:
            assert intake.connection.wait_connected(10), "the service gets in"
            yield intake
        finally:
            intake.stop()

    def stored(self) -> list[tuple[str, int]]:
        """Site, and time after the first report [s], of each reading."""
        readings, transmitters = tables.readings.c, tables.transmitters.c
        query = select(transmitters.site, readings.time_us).join_from(
            tables.readings, tables.transmitters, readings.transmitter == transmitters.key
        )
        with self.store.reading() as connection:
            return [(r.site, (r.time_us - FIRST_US) // 1_000_000) for r in connection.execute(query)]

    def count(self) -> int:
        with self.store.reading() as connection:
            return int(connection.execute(select(func.count()).select_from(tables.readings)).scalar_one())

    def refused(self) -> list[str]:
        with self.store.reading() as connection:
            return list(connection.execute(select(tables.refused.c.reason)).scalars())


@pytest.fixture
def service(tmp_path: Path, deployed: Deployed) -> Iterator[Service]:
    store = Store(address_of(tmp_path / "store.sqlite"))
    store.migrate()
    strange = STRANGE.replace('"', '""')
    rows = [f'"{site}",rpt-1,446\n' for site in ("alder-ridge", "birch-hill", "cedar-gap", strange)]
    with store.writing() as connection:
        text = "site,transmitter,frequency_mhz\n" + "".join(rows)
        replace_site_list(connection, read_inventory_text(text, "fleet.csv").rows, NOW_US)
    issued = deployed.certificates / "services" / "issued"
    yield Service(
        store,
        BrokerSettings(
            port=deployed.service_port,
            tls=True,
            ca_file=deployed.certificates / "services" / "ca.crt",
            cert_file=issued / "standingwatch.crt",
            key_file=issued / "standingwatch.key",
        ),
    )
    store.close()


@pytest.fixture
def report() -> Callable[[int], bytes]:
    """A report so many seconds after the first one."""
    return lambda second: (
        b'{"time": %d, "forward_w": 98.2, "reflected_w": 1.13}' % (FIRST_US // 1_000_000 + second)
    )


@pytest.fixture
def wait() -> Callable[..., None]:
    return wait_until


@pytest.fixture
def strange_name() -> str:
    return STRANGE
