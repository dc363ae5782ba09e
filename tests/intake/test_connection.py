"""The connection to the broker: who may in, encrypted or not, and what is said when it does not work."""

from __future__ import annotations

import gc
import logging
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from pydantic import SecretStr
from waiting import wait_until

from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings


def connect(settings: BrokerSettings, seconds: float = 5.0) -> bool:
    connection = BrokerConnection(settings, "visitor", Metrics(CollectorRegistry()))
    connection.start()
    try:
        return connection.wait_connected(seconds)
    finally:
        connection.stop()


def make_password_file(folder: Path, user: str, password: str) -> Path:
    path = folder / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(path), user, password], check=True)
    path.chmod(0o644)
    return path


def test_user_and_password(tmp_path: Path, run_broker: Any, caplog: pytest.LogCaptureFixture) -> None:
    passwords = make_password_file(tmp_path, "watch", "right-word")
    lines = f"allow_anonymous false\npassword_file {passwords}\n"
    with run_broker(tmp_path, more_settings=lines) as broker:
        right = BrokerSettings(port=broker.port, username="watch", password=SecretStr("right-word"))
        assert connect(right)
        assert connect(right.model_copy(update={"protocol": "3.1.1"}))
        wrong = right.model_copy(update={"password": SecretStr("wrong-word")})
        with caplog.at_level(logging.ERROR):
            assert not connect(wrong, 1.5)
    assert "check broker.username, broker.password" in caplog.text
    assert "word" not in caplog.text.replace("password", "")


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], check=True, cwd=folder, capture_output=True)


# paho does not close the socket of a handshake that failed, which Python tells when it is collected.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_with_certificates_of_both_sides(tmp_path: Path, run_broker: Any) -> None:
    openssl(
        tmp_path,
        *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=test authority"),
        *("-keyout", "ca.key", "-out", "ca.crt"),
    )
    (tmp_path / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("server", "client"):
        openssl(
            tmp_path,
            *("req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}"),
            *("-keyout", f"{name}.key", "-out", f"{name}.csr"),
        )
        openssl(
            tmp_path,
            *("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-days", "2"),
            *("-CAcreateserial", "-extfile", "names", "-out", f"{name}.crt"),
        )
        (tmp_path / f"{name}.key").chmod(0o644)
    lines = (
        f"allow_anonymous true\ncafile {tmp_path}/ca.crt\ncertfile {tmp_path}/server.crt\n"
        f"keyfile {tmp_path}/server.key\nrequire_certificate true\n"
    )
    with run_broker(tmp_path, more_settings=lines) as broker:
        trusting = BrokerSettings(
            port=broker.port,
            tls=True,
            ca_file=tmp_path / "ca.crt",
            cert_file=tmp_path / "client.crt",
            key_file=tmp_path / "client.key",
        )
        assert connect(trusting)
        assert not connect(trusting.model_copy(update={"cert_file": None, "key_file": None}), 1.5)
        assert not connect(trusting.model_copy(update={"ca_file": None}), 1.5)
        gc.collect()


def test_publishing_without_a_broker_says_so(unused_port: int) -> None:
    connection = BrokerConnection(BrokerSettings(port=unused_port), "visitor", Metrics(CollectorRegistry()))
    connection.start()
    try:
        with pytest.raises(BrokerError, match=f"not connected to the broker at 127.0.0.1:{unused_port}"):
            connection.publish([("a", b"b", False)])
    finally:
        connection.stop()


def test_unacknowledged_messages_come_again_to_the_same_identity(broker: Any) -> None:
    seen: list[tuple[int, int, int]] = []
    settings = BrokerSettings(port=broker.port)

    def start() -> BrokerConnection:
        connection = BrokerConnection(
            settings,
            "keeper",
            Metrics(CollectorRegistry()),
            ("field/#",),
            lambda m, number: seen.append((m.mid, m.qos, number)),
        )
        connection.start()
        assert connection.wait_connected(5)
        return connection

    def until(count: int) -> None:
        end = time.monotonic() + 5
        while len(seen) < count and time.monotonic() < end:
            time.sleep(0.02)
        assert len(seen) == count

    first = start()
    subprocess.run(
        ["mosquitto_pub", "-p", str(broker.port), "-q", "1", "-t", "field/a", "-m", "1"], check=True
    )
    until(1)
    first.stop()
    second = start()
    until(2)  # not acknowledged, so the broker sends it again
    second.acknowledge(*seen[1])
    time.sleep(0.3)
    second.stop()
    third = start()
    time.sleep(0.5)
    third.stop()
    assert len(seen) == 2  # acknowledged, so it does not


def test_how_long_it_is_down(broker: Any) -> None:
    settings = BrokerSettings(port=broker.port, reconnect_min_s=0.2, reconnect_max_s=0.4)
    connection = BrokerConnection(settings, "visitor", Metrics(CollectorRegistry()))
    assert (connection.name, connection.down_s) == ("visitor", 0.0)
    connection.start()
    try:
        assert connection.wait_connected(5)
        assert connection.down_s == 0.0
        broker.stop()
        end = time.monotonic() + 5
        while connection.connected and time.monotonic() < end:
            time.sleep(0.02)
        first = connection.down_s
        time.sleep(0.3)
        # Tries that fail do not begin it anew.
        assert connection.down_s > first + 0.25
        broker.start()
        assert connection.wait_connected(5)
        assert connection.down_s == 0.0
    finally:
        connection.stop()
    assert connection.down_s == 0.0


def test_two_with_one_identity_are_told_so(broker: Any, caplog: pytest.LogCaptureFixture) -> None:
    settings = BrokerSettings(port=broker.port, reconnect_min_s=0.05, reconnect_max_s=0.1)
    two = [BrokerConnection(settings, "visitor", Metrics(CollectorRegistry())) for _ in range(2)]
    with caplog.at_level(logging.ERROR):
        for one in two:
            one.start()
        try:
            wait_until(lambda: "does another process use this broker.client_id" in caplog.text, 30, "told")
        finally:
            for one in two:
                one.stop()


def test_an_error_on_the_network_thread_does_not_end_it(broker: Any, connect_client: Any) -> None:
    heard: list[bytes] = []
    errors = iter([MemoryError("none left")])

    def take(message: Any, _connection: int) -> None:
        for error in errors:
            raise error
        heard.append(bytes(message.payload))

    settings = BrokerSettings(port=broker.port)
    one = BrokerConnection(settings, "visitor", Metrics(CollectorRegistry()), ("a/#",), take)
    one.start()
    try:
        assert one.wait_connected(5)
        connect_client(broker.port).publish("a/b", b"1", qos=1)
        wait_until(lambda: heard and set(heard) == {b"1"}, 30, "the message is handled again")
    finally:
        one.stop()
