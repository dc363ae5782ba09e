"""What is said of a broker that cannot be reached: each once, with what to look at."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry

from standingwatch.intake.broker_words import why_unreachable
from standingwatch.intake.connection import BrokerConnection
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates: of a broker here, of one elsewhere, each its own authority."""
    folder = tmp_path_factory.mktemp("files")
    for name, address in (("here", "IP:127.0.0.1"), ("elsewhere", "DNS:elsewhere.example.org")):
        subprocess.run(
            [
                *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
                *("-nodes", "-keyout", f"{name}.key", "-out", f"{name}.crt", "-subj", "/CN=x"),
                *("-addext", f"subjectAltName={address}"),
            ],
            cwd=folder,
            check=True,
            capture_output=True,
        )
        (folder / f"{name}.key").chmod(0o644)
    folder.chmod(0o755)
    return folder


@pytest.fixture(scope="module")
def ports(
    files: Path, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[dict[str, int]]:
    """One real broker with a door for each mistake; "nobody" is where none listens."""
    found = {}
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in range(5)]
    names = ("password", "clear", "tls", "certificate", "elsewhere", "nobody")
    for name, one in zip(names, [*sockets, socket.create_server(("127.0.0.1", 0))], strict=True):
        found[name] = one.getsockname()[1]
        one.close()
    passwords = files / "passwords"
    passwords.write_text("watch:right\n")
    subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True, capture_output=True)
    passwords.chmod(0o644)
    tls = f"certfile {files}/here.crt\nkeyfile {files}/here.key\n"
    conf = files / "mosquitto.conf"
    # As root it would become a user that cannot read the tests' folders.
    user = "user root\n" if os.geteuid() == 0 else ""
    conf.write_text(
        f"{user}per_listener_settings true\n"
        f"listener {found['password']} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
        f"listener {found['clear']} 127.0.0.1\nallow_anonymous true\n"
        f"listener {found['tls']} 127.0.0.1\nallow_anonymous true\n{tls}"
        f"listener {found['certificate']} 127.0.0.1\nallow_anonymous true\n{tls}"
        f"require_certificate true\ncafile {files}/here.crt\n"
        f"listener {found['elsewhere']} 127.0.0.1\nallow_anonymous true\n"
        f"{tls.replace('/here.', '/elsewhere.')}"
    )
    with (files / "log").open("wb") as log:
        broker = subprocess.Popen(["/usr/sbin/mosquitto", "-c", str(conf)], stdout=log, stderr=log)
    try:
        end = time.monotonic() + 20
        while time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", found["elsewhere"]), 1).close()
                break
            except OSError:
                time.sleep(0.05)
        yield found
    finally:
        broker.terminate()
        broker.wait(20)


#: The door, what the settings say besides, and what has to be said.
MISTAKES: dict[str, tuple[str, dict[str, Any], list[str]]] = {
    "nobody-listens": ("nobody", {}, ["nobody listens there", "broker.port"]),
    "wrong-password": (
        "password",
        {"username": "watch", "password": "wrong"},
        ["refused the connection", "check broker.username, broker.password"],
    ),
    "no-password": ("password", {}, ["refused the connection", "check broker.username"]),
    "clear-where-tls": ("tls", {}, ["it may want TLS", "broker.tls"]),
    "tls-where-clear": ("clear", {"tls": True, "ca_file": "here.crt"}, ["not speak TLS", "broker.port"]),
    "no-authority": ("tls", {"tls": True}, ["is not trusted", "set broker.ca_file"]),
    "wrong-authority": (
        "tls",
        {"tls": True, "ca_file": "elsewhere.crt"},
        ["is not trusted", "elsewhere.crt) has to be of the authority"],
    ),
    "wrong-name": (
        "elsewhere",
        {"tls": True, "ca_file": "elsewhere.crt"},
        ["is not trusted", "broker.host has to be a name"],
    ),
    "no-certificate": (
        "certificate",
        {"tls": True, "ca_file": "here.crt"},
        ["broker.cert_file", "may want a client certificate"],
    ),
}


def until(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + 20
    while not holds() and time.monotonic() < end:
        time.sleep(0.02)


# Where TLS fails paho leaves the socket to be closed by the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <s:ResourceWarning")
@pytest.mark.parametrize("mistake", MISTAKES)
def test_what_is_said(
    files: Path, ports: dict[str, int], caplog: pytest.LogCaptureFixture, mistake: str
) -> None:
    door, said, wanted = MISTAKES[mistake]
    given = {key: files / value if key == "ca_file" else value for key, value in said.items()}
    settings = BrokerSettings.model_validate(
        {"host": "127.0.0.1", "port": ports[door], "reconnect_min_s": 0.05, "reconnect_max_s": 0.1, **given}
    )
    caplog.set_level(logging.ERROR, logger="standingwatch.broker")
    connection = BrokerConnection(settings, "newcomer", Metrics(CollectorRegistry()))
    connection.start()
    try:
        until(lambda: bool(caplog.messages))
        first = list(caplog.messages)
        time.sleep(0.4)
        again = list(caplog.messages)
    finally:
        connection.stop()
    for words in wanted:
        assert words in first[0], first
    if "refused the connection" not in first[0]:
        # Tried again and again, said once.
        assert again == first
    assert not connection.connected


def test_a_name_that_nobody_knows_and_silence() -> None:
    settings = BrokerSettings(host="watch.example.org")
    assert "'watch.example.org' is not known; check broker.host" in why_unreachable(
        socket.gaierror(-2, "Name or service not known"), settings
    )
    assert "no answer; check broker.host" in why_unreachable(TimeoutError(), settings)
    assert "No route to host; check" in why_unreachable(OSError(113, "No route to host"), settings)
