"""Real receivers for the channels: HTTP, mail, Alertmanager, syslog; and messages in an outbox for them."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import ssl
import subprocess
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from ports import free_port
from prometheus_client import CollectorRegistry

from standingwatch.alarms.event import cloudevent
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply_all
from standingwatch.detect.words import Condition, Severity
from standingwatch.metrics import Metrics
from standingwatch.notify.outbox import OutboxWorker, Patience
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.outbox import Message, NewMessage, Subject, add_messages

SOURCE = "urn:standingwatch:test"
START_US = 1_795_000_000_000_000


@pytest.fixture
def wait() -> Callable[..., None]:
    """Waits until something is true; fails when it does not become so in time."""

    def wait_for(true: Callable[[], object], seconds: float = 30.0) -> None:
        end = time.monotonic() + seconds
        while not true() and time.monotonic() < end:
            time.sleep(0.02)
        assert true()

    return wait_for


# Messages -----------------------------------------------------------------------------------------------


@dataclass
class Desk:
    """Alarms whose every change goes into the alarm list and into the outbox of some channels."""

    store: Store
    channels: tuple[str, ...]
    start_us: int = START_US
    alarms: dict[AlarmKey, Alarm] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)

    def change(
        self,
        *severities: Severity,
        site: str = "alder-ridge",
        transmitter: str = "rpt-1",
        condition: Condition = Condition.SWR_HIGH,
        region: str = "",
    ) -> list[str]:
        """Take an alarm through severities, a minute each; the ids of the events."""
        key = AlarmKey(site, transmitter, condition, region)
        new, made = [], []
        for severity in severities:
            now_us = self.start_us + 60_000_000 * len(self.changes)
            [change] = apply_all(self.alarms, [Evidence(key, severity, now_us, {"swr": 2.2})], now_us)
            self.changes.append(change)
            made.append(change)
            event = cloudevent(change, SOURCE)
            body = json.dumps(event)
            new += [NewMessage(c, event["id"], Subject.of(key), now_us, body) for c in self.channels]
        with self.store.writing() as connection:
            save_changes(connection, made, SOURCE)
            assert add_messages(connection, new) == len(new)
        return list(dict.fromkeys(message.event_id for message in new))


@pytest.fixture
def make_desk(store: Store) -> Callable[..., Desk]:
    """Makes a desk that writes for the named channels."""

    def make(*channels: str, start_us: int = START_US) -> Desk:
        return Desk(store, channels, start_us)

    return make


@pytest.fixture
def event_message() -> Callable[..., Message]:
    """Makes a message of the outbox that was never in one: one change of one alarm."""

    def make(*severities: Severity, number: int = 1, made_us: int = START_US, **names: Any) -> Message:
        fields = {"site": "alder-ridge", "transmitter": "rpt-1", "condition": Condition.SWR_HIGH, **names}
        key = AlarmKey(**fields)
        alarms: dict[AlarmKey, Alarm] = {}
        change = None
        for severity in severities or (Severity.MAJOR,):
            [change] = apply_all(alarms, [Evidence(key, severity, made_us, {"swr": 2.2})], made_us)
        assert change is not None
        event = cloudevent(change, SOURCE)
        return Message(number, "test", event["id"], Subject.of(key), made_us, json.dumps(event), 0)

    return make


@pytest.fixture
def other_message() -> Callable[..., Message]:
    """Makes a message of another kind than a change, with the data that is given."""

    def make(kind: str, data: dict[str, Any], event_id: str = "event-1") -> Message:
        event = {"id": event_id, "specversion": "1.0", "type": f"standingwatch.alarm.{kind}", "data": data}
        names = {n: str(data.get(n) or "") for n in ("site", "transmitter", "condition", "region", "service")}
        return Message(1, "test", event_id, Subject(**names), START_US, json.dumps(event), 0)

    return make


#: Short waits: a test cannot wait for a minute.
HASTY = Patience(first_s=0.05, channel_most_s=0.2, message_most_s=0.2, retry_after_most_s=1.0)


@pytest.fixture
def hasty() -> Patience:
    """Patience with short waits."""
    return HASTY


@pytest.fixture
def running(store: Store) -> Iterator[Callable[..., OutboxWorker]]:
    """Runs a worker of a channel; those that the test leaves running are stopped."""
    made: list[OutboxWorker] = []

    def run(
        channel: Any,
        *,
        clock: Callable[[], int] = lambda: START_US,
        patience: Patience = HASTY,
        metrics: Metrics | None = None,
        refresh: Callable[[], None] = lambda: None,
    ) -> OutboxWorker:
        metrics = metrics or Metrics(CollectorRegistry())
        worker = OutboxWorker(channel, store, metrics, clock, refresh, patience)
        worker.start()
        made.append(worker)
        return worker

    yield run
    for worker in made:
        worker.stop()


# Certificates -------------------------------------------------------------------------------------------


@dataclass
class Certificates:
    """An authority of the tests' own, and a server's certificate by it for the loopback."""

    ca_file: Path
    server: ssl.SSLContext


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    authority = trustme.CA()
    path = tmp_path_factory.mktemp("certificates") / "ca.pem"
    authority.cert_pem.write_to_path(str(path))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1", "localhost").configure_cert(context)
    return Certificates(path, context)


# HTTP ---------------------------------------------------------------------------------------------------


@dataclass
class Answer:
    """How a receiver answers."""

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    wait_s: float = 0.0


@dataclass
class HttpReceiver:
    """A web server that keeps what is posted to it, and answers as it is told."""

    port: int
    context: ssl.SSLContext | None = None
    requests: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    #: Decides the answer from path, headers (names in lower case) and body.
    answer: Callable[[str, dict[str, str], bytes], Answer] = lambda _p, _h, _b: Answer()
    server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        return f"{'https' if self.context else 'http'}://127.0.0.1:{self.port}/hook"

    @property
    def ids(self) -> list[str]:
        """Ids of the events that came, in order."""
        return [json.loads(body)["id"] for _, _, body in self.requests]

    def start(self) -> None:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                headers = {name.lower(): value for name, value in self.headers.items()}
                answer = receiver.answer(self.path, headers, body)
                if 200 <= answer.status < 300:
                    receiver.requests.append((self.path, headers, body))
                time.sleep(answer.wait_s)
                self.send_response(answer.status)
                for name, value in answer.headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(answer.body)))
                self.end_headers()
                self.wfile.write(answer.body)

            def log_message(self, *_: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: Any) -> None:
                # Who hung up, or did not trust the certificate, is what some tests are about.
                pass

        self.server = Server(("127.0.0.1", self.port), Handler)
        if self.context is not None:
            self.server.socket = self.context.wrap_socket(self.server.socket, server_side=True)
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        if self.server is not None:
            self.server.shutdown()
            self.server.server_close()
            self.server = None


@pytest.fixture
def http_answer() -> type[Answer]:
    """The class of answers of the receiver."""
    return Answer


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    """A receiver that is up."""
    made = HttpReceiver(free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture
def tls_receiver(certificates: Certificates) -> Iterator[HttpReceiver]:
    """A receiver with a certificate, that is up."""
    made = HttpReceiver(free_port(), certificates.server)
    made.start()
    yield made
    made.stop()


# Mail ---------------------------------------------------------------------------------------------------


class EndingController(Controller):
    """One whose connections end with it: with TLS they would be left open when its loop is stopped."""

    def __init__(self, handler: Any, **options: Any) -> None:
        super().__init__(handler, **options)
        self._sessions: list[Any] = []

    def factory(self) -> Any:
        self._sessions.append(super().factory())
        return self._sessions[-1]

    def stop(self, no_assert: bool = False) -> None:
        asyncio.run_coroutine_threadsafe(self._end_all(), self.loop).result(20)
        super().stop(no_assert)

    async def _end_all(self) -> None:
        self.server.close()
        # Who is in the middle of a mail gets the answer to it.
        end = self.loop.time() + 5.0
        while any(session.transport is not None for session in self._sessions) and self.loop.time() < end:
            await asyncio.sleep(0.01)
        for session in self._sessions:
            if session.transport is not None:
                session.transport.abort()
        # What has been cut is told so in the next turns of the loop.
        for _ in range(10):
            await asyncio.sleep(0)


@dataclass
class MailReceiver:
    """A mail server that keeps what it takes: envelope sender, recipients, bytes."""

    port: int
    context: ssl.SSLContext | None = None
    login: tuple[str, str] | None = None
    mails: list[tuple[str, list[str], bytes]] = field(default_factory=list)
    #: Decide the answers; "" is the usual one.
    answer_recipient: Callable[[str], str] = lambda _address: ""
    answer_data: Callable[[bytes], str] = lambda _data: ""
    controller: EndingController | None = None

    async def handle_RCPT(  # noqa: N802  the name that aiosmtpd calls
        self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any
    ) -> str:
        answer = self.answer_recipient(address)
        if answer:
            return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802  the name that aiosmtpd calls
        self, _server: Any, _session: Any, envelope: Any
    ) -> str:
        answer = self.answer_data(envelope.content)
        if answer:
            return answer
        self.mails.append((envelope.mail_from, list(envelope.rcpt_tos), envelope.content))
        return "250 taken"

    def start(self) -> None:
        def authenticate(_s: Any, _session: Any, _e: Any, _mechanism: str, data: Any) -> AuthResult:
            given = (data.login.decode(), data.password.decode())
            return AuthResult(success=given == self.login, handled=False)

        options: dict[str, Any] = {"tls_context": self.context, "require_starttls": self.context is not None}
        if self.login is not None:
            options |= {"authenticator": authenticate, "auth_required": True}
        self.controller = EndingController(self, hostname="127.0.0.1", port=self.port, **options)
        self.controller.start()

    def stop(self) -> None:
        if self.controller is not None:
            self.controller.stop()
            self.controller = None


@pytest.fixture
def mail_receiver(certificates: Certificates) -> Iterator[MailReceiver]:
    """A mail server that wants STARTTLS and a login; it is up."""
    made = MailReceiver(free_port(), certificates.server, ("desk", "secret"))
    made.start()
    yield made
    made.stop()


@pytest.fixture
def plain_mail_receiver() -> Iterator[MailReceiver]:
    """A mail server that knows no encryption; it is up."""
    made = MailReceiver(free_port())
    made.start()
    yield made
    made.stop()


# Alertmanager -------------------------------------------------------------------------------------------

ALERTMANAGER_SETTINGS = """\
route:
  receiver: nobody
receivers:
  - name: nobody
"""


@dataclass
class Alertmanager:
    """An Alertmanager of the tests' own."""

    port: int
    folder: Path
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        program = shutil.which("prometheus-alertmanager")
        if program is None:
            pytest.fail("prometheus-alertmanager is not installed; tests/run installs what the tests need")
        settings = self.folder / "alertmanager.yml"
        settings.write_text(ALERTMANAGER_SETTINGS)
        self.process = subprocess.Popen(
            [
                program,
                f"--config.file={settings}",
                f"--storage.path={self.folder / 'data'}",
                f"--web.listen-address=127.0.0.1:{self.port}",
                "--cluster.listen-address=",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ},
        )
        end = time.monotonic() + 30
        while not self._answers():
            if time.monotonic() > end:
                pytest.fail("after 30 s the Alertmanager does not answer")
            time.sleep(0.05)

    def _answers(self) -> bool:
        try:
            urllib.request.urlopen(f"{self.url}/-/ready", timeout=1).close()
        except OSError:
            return False
        return True

    def alerts(self) -> list[dict[str, Any]]:
        """The alerts that stand, as its API tells them."""
        with urllib.request.urlopen(f"{self.url}/api/v2/alerts", timeout=5) as answer:
            found: list[dict[str, Any]] = json.load(answer)
        return found

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(20)
            self.process = None


@pytest.fixture
def alertmanager(tmp_path: Path) -> Iterator[Alertmanager]:
    """An Alertmanager that is up."""
    made = Alertmanager(free_port(), tmp_path)
    made.start()
    yield made
    made.stop()


# Syslog -------------------------------------------------------------------------------------------------


@dataclass
class SyslogReceiver:
    """A syslog server over TCP or TLS: each connection's bytes are cut into frames as RFC 6587 says."""

    port: int
    context: ssl.SSLContext | None = None
    packets: list[bytes] = field(default_factory=list)
    listener: socket.socket | None = None

    def start(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, args=(self.listener,), daemon=True).start()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                try:
                    self._take(connection)
                except (ssl.SSLError, ConnectionError):
                    # Who does not trust the certificate hangs up.
                    continue

    def _take(self, connection: socket.socket) -> None:
        if self.context is not None:
            connection = self.context.wrap_socket(connection, server_side=True)
        with connection:
            got = b""
            while part := connection.recv(65536):
                got += part
            if isinstance(connection, ssl.SSLSocket):
                connection.unwrap()
        while got:
            length, _, got = got.partition(b" ")
            self.packets.append(got[: int(length)])
            assert len(got) >= int(length)
            got = got[int(length) :]

    def stop(self) -> None:
        if self.listener is not None:
            # A thread that waits in accept() is not woken by close() alone.
            self.listener.shutdown(socket.SHUT_RDWR)
            self.listener.close()
            self.listener = None


@pytest.fixture
def syslog_receivers(certificates: Certificates) -> Iterator[dict[str, SyslogReceiver]]:
    """Syslog servers over "tcp" and "tls" that are up."""
    made = {
        "tcp": SyslogReceiver(free_port()),
        "tls": SyslogReceiver(free_port(), certificates.server),
    }
    for one in made.values():
        one.start()
    yield made
    for one in made.values():
        one.stop()


@pytest.fixture
def datagrams() -> Iterator[socket.socket]:
    """A UDP socket of the loopback."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(5)
        yield sock


def unique_in_order(ids: Sequence[str]) -> list[str]:
    """Ids by when they came first."""
    return list(dict.fromkeys(ids))


@pytest.fixture
def first_seen() -> Callable[[Sequence[str]], list[str]]:
    """Ids by when they came first."""
    return unique_in_order
