"""Secrets are planted everywhere, everything fails once, and all that comes out is searched for them."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.parse
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from sqlalchemy import inspect, text

from standingwatch.cli import main
from standingwatch.settings import load_settings
from standingwatch.store.access import Role, add_user
from standingwatch.store.connect import Store
from standingwatch.store.passwords import hash_password

SERVICE = Path(__file__).parents[2] / "service"

#: What no output may show, by what it is for. Each is a word that stands nowhere else.
PLANTED = {
    "password at the broker": "Q1kingfisher7Broker",
    "password at the database": "Q2kingfisher7Base",
    "secret of a webhook": "Q3kingfisher7Sign",
    "path of a webhook": "Q4kingfisher7Path",
    "token of a webhook": "Q5kingfisher7Token",
    "password at the mail server": "Q6kingfisher7Mail",
    "password at the alert manager": "Q7kingfisher7Alert",
    "password of a user": "Q8kingfisher7User",
    "wrong password that was tried": "Q9kingfisher7Wrong",
    "token that does not hold": "Q0kingfisher7Bearer",
    "session that does not hold": "QAkingfisher7Session",
    "new password that was refused": "QBk7",
}

INVENTORY = """\
site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db,expected_interval_s
alder-ridge,rpt-1,155.34,100,0.5,300
"""

RPT = "standingwatch/report/alder-ridge/rpt-1"


def forms_of(secret: str) -> list[str]:
    """A secret as it is, and as it crosses some wire."""
    encoded = base64.b64encode(secret.encode()).decode().rstrip("=")
    basic = [base64.b64encode(f"watch:{secret}".encode()).decode().rstrip("=")]
    plain = base64.b64encode(f"\0watch\0{secret}".encode()).decode().rstrip("=")
    return [secret, urllib.parse.quote(secret), encoded, *basic, plain]


def found_in(output: dict[str, str], secrets: dict[str, str]) -> list[str]:
    """Which secrets show where."""
    return [
        f"{what} in {where}: ...{shown[max(0, shown.find(form) - 120) : shown.find(form) + 60]}..."
        for what, secret in secrets.items()
        for where, shown in output.items()
        for form in forms_of(secret)
        if form in shown
    ]


class Echo(BaseHTTPRequestHandler):
    """A receiver that refuses, and tells back all that it was sent."""

    def do_POST(self) -> None:
        length = int(self.headers.get("Content-Length", 0))
        told = f"{self.path}\n{self.headers}\n".encode() + self.rfile.read(length)
        self.server.heard.append(told.decode())  # type: ignore[attr-defined]  # made below
        self.send_response(500 if "alerts" in self.path else 400, f"no: {self.path}"[:400])
        self.send_header("X-You-Sent", self.headers.get("Authorization", self.path))
        self.send_header("Content-Length", str(len(told)))
        self.end_headers()
        self.wfile.write(told)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


@pytest.fixture
def echo() -> Iterator[Any]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Echo)
    server.heard = []  # type: ignore[attr-defined]  # for the handler
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def rude_mail() -> Iterator[tuple[int, list[str]]]:
    """A mail server that refuses whoever signs in, and tells back what it was sent."""
    listening = socket.create_server(("127.0.0.1", 0))
    heard: list[str] = []

    def serve() -> None:
        while True:
            try:
                connection, _ = listening.accept()
            except OSError:
                return
            with connection, connection.makefile("rwb", buffering=0) as stream:
                stream.write(b"220 mail.test\r\n")
                with contextlib.suppress(OSError):
                    for line in stream:
                        heard.append(line.decode())
                        if line.upper().startswith(b"EHLO"):
                            stream.write(b"250-mail.test\r\n250 AUTH PLAIN LOGIN\r\n")
                        else:
                            stream.write(b"535 5.7.8 you sent " + line.strip() + b"\r\n")

    thread = threading.Thread(target=serve)
    thread.start()
    yield listening.getsockname()[1], heard
    listening.shutdown(socket.SHUT_RDWR)
    listening.close()
    thread.join()


class Run:
    """Commands and the daemon in a folder, and all that they wrote."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.log = folder, folder / "daemon.log"
        self.output: dict[str, str] = {}

    def command(self, capsys: pytest.CaptureFixture[str], *words: str) -> str:
        """Run a command to its end, in this process: starting one takes long; what it wrote."""
        main([*words, "--settings", str(self.folder / "standingwatch.toml")])
        out, err = capsys.readouterr()
        self.output[" ".join((*words, *(k for k in os.environ if k.startswith("STANDINGWATCH_"))))] = (
            out + err
        )
        return out + err

    @contextlib.contextmanager
    def daemon(self) -> Iterator[None]:
        """Run the daemon meanwhile."""
        with self.log.open("a") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", "run"],
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(SERVICE)},
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        try:
            yield
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(30)
            self.output["log"] = self.log.read_text()


def test_a_secret_that_is_planted_shows_nowhere(
    tmp_path: Path,
    run_broker: Callable[..., Any],
    postgres_port: int,
    unused_port: int,
    echo: Any,
    rude_mail: tuple[int, list[str]],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    of = PLANTED
    mail_port, mail_heard = rude_mail
    name = f"secrets_{time.monotonic_ns()}"
    with psycopg.connect(
        f"host=127.0.0.1 port={postgres_port} user=watch dbname=postgres", autocommit=True
    ) as c:
        c.execute(f"CREATE DATABASE {name}")
    base = f"postgresql+psycopg://watch:{of['password at the database']}@127.0.0.1:{{}}/{name}"
    (tmp_path / "inventory.csv").write_text(INVENTORY)
    (tmp_path / "broker-password").write_text(of["password at the broker"])
    (tmp_path / "standingwatch.toml").write_text(f"""
[broker]
port = {unused_port}
username = "watch"
password_file = "broker-password"
reconnect_min_s = 0.1
reconnect_max_s = 0.2
[store]
url = "{base.format(postgres_port)}"
[inventory]
file = "inventory.csv"
[web]
port = {unused_port + 1 if unused_port < 65000 else unused_port - 1}
[log]
level = "debug"
[off_delay]
swr_high_s = 0
[channels.mqtt]
pace = "everything"
[channels.file]
enabled = true
path = "events.jsonl"
[channels.webhook.desk]
url = "http://127.0.0.1:{echo.server_port}/{of["path of a webhook"]}?token={of["token of a webhook"]}"
secret = "{of["secret of a webhook"]}"
pace = "everything"
[channels.alertmanager.main]
url = "http://127.0.0.1:{echo.server_port}/"
username = "watch"
password = "{of["password at the alert manager"]}"
resend_every_s = 1
[channels.email.desk]
host = "127.0.0.1"
port = {mail_port}
security = "none"
username = "watch"
password = "{of["password at the mail server"]}"
from_address = "watch@example.org"
to_addresses = ["desk@example.org"]
chart = false
pace = "everything"
""")
    run = Run(tmp_path)
    settings = load_settings(tmp_path / "standingwatch.toml", {})
    run.output["the settings as a program shows them"] = f"{settings!r} {settings} {settings.model_dump()}"
    assert "0 errors" in run.command(capsys, "check")
    passwords = tmp_path / "passwords"
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", str(passwords), "watch", of["password at the broker"]], check=True
    )
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "site", "site"], check=True)
    passwords.chmod(0o644)
    store = Store(base.format(postgres_port))
    store.migrate()
    hashed = hash_password(of["password of a user"])
    with store.writing() as connection:
        add_user(connection, "Ada", Role.ADMINISTRATOR, hashed, time.time_ns() // 1000)

    def until(true: Callable[[], object], what: str) -> None:
        end = time.monotonic() + 30
        while not true():
            assert time.monotonic() < end, f"{what}\n{run.log.read_text()[-3000:]}"
            time.sleep(0.05)

    web = httpx.Client(base_url=f"http://127.0.0.1:{settings.web.port}")
    with run.daemon():
        secrets = dict(PLANTED)

        def answers() -> bool:
            with contextlib.suppress(httpx.TransportError):
                return web.get("/livez").status_code == 200
            return False

        until(answers, "the pages are there")
        lines = (
            f"allow_anonymous false\npassword_file {passwords}\n"
            f"listener {unused_port} 127.0.0.1\nallow_anonymous false\n"
        )
        # The first try of each connection fails: the broker is not there.
        with run_broker(tmp_path, more_settings=lines), _Listener(unused_port) as events:
            secrets |= _visit(web, of, run)
            # What is published before the intake has a session at the broker is nobody's.
            until(lambda: web.get("/readyz").status_code == 200, "the intake listens")
            # Of now: what comes late, and piece by piece, may be told much later.
            begin = datetime.now(UTC) - timedelta(minutes=16)
            for number in range(16):
                report = {
                    "time": (begin + timedelta(seconds=60 * number)).isoformat(),
                    "forward_w": 47.3,
                    "reflected_w": 1.31 if number < 6 else 13.7,
                }
                _publish(unused_port, RPT, json.dumps(report))
            _publish(unused_port, RPT, '{"time": ')
            until(lambda: "swr-high" in "".join(events.heard), "an alarm is told by MQTT")
            until(lambda: any("alerts" in one for one in echo.heard), "the alert manager is told")
            until(lambda: any(of["path of a webhook"] in one for one in echo.heard), "the webhook is told")
            until(lambda: any("AUTH" in one for one in mail_heard), "the mail server is told")
            run.output["events by MQTT"] = "".join(events.heard)
            run.output["events to receivers"] = "\n".join(
                # What each receiver is there to know: its own address and its own password.
                re.sub(r"(?im)^(/\S*|authorization: .*)$", "", one)
                for one in echo.heard
            )
            _crawl(web, run)
        # A broker that knows us no more.
        subprocess.run(["mosquitto_passwd", "-b", str(passwords), "watch", "another"], check=True)
        with run_broker(tmp_path, more_settings=lines):
            until(lambda: "check broker.username, broker.password" in run.log.read_text(), "refused")
    run.output["events.jsonl"] = (tmp_path / "events.jsonl").read_text()
    assert "swr-high" in run.output["events.jsonl"]
    for words in (
        *(("notify", "test", channel) for channel in ("webhook.desk", "email.desk", "alertmanager.main")),
        ("notify", "dead"),
        ("notify", "list"),
    ):
        assert run.command(capsys, *words)
    # The database is away.
    monkeypatch.setenv("STANDINGWATCH_STORE__URL", base.format(9))
    assert "cannot be opened" in run.command(capsys, "user", "list")
    run.output["the store"] = _all_rows(store)
    store.close()
    web.close()
    # What was searched is what was meant to be: each part told of its failure.
    log = run.output["log"]
    for part in ("webhook.desk", "email.desk", "alertmanager.main", "broker"):
        assert part in log
    assert len(run.output) > 40
    assert found_in(run.output, secrets) == []
    # The search finds what is there, in whatever form.
    for form in forms_of(of["password at the mail server"]):
        assert found_in({"x": f"a {form} b"}, of)


def _visit(web: httpx.Client, of: dict[str, str], run: Run) -> dict[str, str]:
    """Sign in and out of things, rightly and wrongly; the secrets that came of it."""

    def token_at(page: str) -> str:
        found = re.search(r'name="token" value="([^"]+)"', web.get(page).text)
        assert found is not None
        return found[1]

    def sign_in(password: str) -> httpx.Response:
        fields = {"token": token_at("/sign-in"), "name": "Ada", "password": password, "next": "/"}
        return web.post("/sign-in", data=fields)

    wrong = sign_in(of["wrong password that was tried"])
    assert wrong.status_code == 401
    run.output["a wrong password"] = wrong.text
    assert sign_in(of["password of a user"]).status_code == 303
    session = web.cookies["standingwatch_session"]
    made = web.post("/api/tokens", json={"name": "board", "role": "viewer", "days": 3})
    assert made.status_code in (200, 201), made.text
    (token,) = [value for value in made.json().values() if isinstance(value, str) and len(value) > 30]
    as_program = httpx.get(f"{web.base_url}/api/me", headers={"Authorization": f"Bearer {token}"})
    assert as_program.status_code == 200
    refused = httpx.get(
        f"{web.base_url}/api/me", headers={"Authorization": f"Bearer {of['token that does not hold']}"}
    )
    assert refused.status_code == 401
    other = httpx.get(
        f"{web.base_url}/",
        headers={"Cookie": f"standingwatch_session={of['session that does not hold']}"},
    )
    assert other.status_code == 303
    short = web.put(
        "/api/me/password",
        json={"old": of["password of a user"], "new": of["new password that was refused"]},
    )
    assert short.status_code in (400, 409, 422)
    fields = {"name": "Bo", "role": "viewer", "password": of["new password that was refused"]}
    page = web.post("/users", data={"token": token_at("/users"), **fields}, follow_redirects=True)
    run.output |= {
        "what a token gets": as_program.text,
        "a wrong token": f"{refused.headers} {refused.text}",
        "a wrong session": f"{other.headers} {other.text}",
        "a refused password": f"{short.text} {page.text}",
    }
    return {"session": session, "token": token}


def _crawl(web: httpx.Client, run: Run) -> None:
    """Ask for every page and every answer of the API that needs no name."""
    paths = [
        *("/", "/alarms", "/shelves", "/work", "/visits", "/review", "/reviews", "/map", "/since", "/intake"),
        *("/bench", "/account", "/users", "/audit", "/alarm-system", "/site/alder-ridge", "/metrics"),
        *("/site/alder-ridge/rpt-1", "/livez", "/readyz", "/nowhere", "/api/nowhere"),
    ]
    described = web.get("/openapi.json").json()["paths"]
    paths += [path for path, operations in described.items() if "get" in operations and "{" not in path]
    for path in dict.fromkeys(paths):
        answer = web.get(path)
        assert answer.status_code < 500 or path == "/readyz", (path, answer.text)
        run.output[f"GET {path}"] = f"{answer.headers}\n{answer.text}"


def _publish(port: int, topic: str, body: str) -> None:
    words = ["-p", str(port), "-u", "site", "-P", "site", "-q", "1", "-t", topic, "-m", body]
    subprocess.run(["mosquitto_pub", *words], check=True)


class _Listener:
    """All that is said at the broker about alarms, and about the service itself."""

    def __init__(self, port: int) -> None:
        self.heard: list[str] = []
        words = ["-p", str(port), "-u", "site", "-P", "site", "-v"]
        topics = [
            w
            for t in ("event", "alarm", "event-service", "heartbeat")
            for w in ("-t", f"standingwatch/{t}/#")
        ]
        self._process = subprocess.Popen(
            ["mosquitto_sub", *words, *topics], stdout=subprocess.PIPE, text=True
        )
        self._thread = threading.Thread(target=self._read)

    def _read(self) -> None:
        assert self._process.stdout is not None
        self.heard.extend(iter(self._process.stdout.readline, ""))

    def __enter__(self) -> _Listener:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._thread.join(10)
        self._process.wait(10)
        if self._process.stdout is not None:
            self._process.stdout.close()


def _all_rows(store: Store) -> str:
    """Everything that the store holds, as text."""
    with store.reading() as connection:
        names = inspect(connection).get_table_names()
        assert {"sessions", "tokens", "audit", "users"} <= set(names)
        return "\n".join(
            f"{name} {tuple(row)}"
            for name in names
            for row in connection.execute(text(f'SELECT * FROM "{name}"'))
        )
