"""Channels of the settings, and the commands about them, against real receivers."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry

from standingwatch.cli import main
from standingwatch.detect.words import Severity
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.metrics import Metrics
from standingwatch.notify.alertmanager import AlertmanagerChannel
from standingwatch.notify.email import EmailChannel
from standingwatch.notify.file import FileChannel
from standingwatch.notify.make import BrokerLink, ChannelError, enabled_channels, make_channel, make_worker
from standingwatch.notify.mqtt import MqttChannel
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.notify.syslog import SyslogChannel
from standingwatch.notify.webhook import WebhookChannel
from standingwatch.settings import BrokerSettings, Settings, load_settings
from standingwatch.store.connect import Store
from standingwatch.store.outbox import mark_dead, note_failing, waiting_messages


def make_workers(settings: Settings, *of_all: Any) -> list[OutboxWorker]:
    """A worker for each channel that is on."""
    return [make_worker(settings, name, *of_all) for name in enabled_channels(settings)]


class NoBroker:
    on_ready: Callable[[], None] | None = None

    def wait_connected(self, seconds: float) -> bool:
        return False

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        raise ConnectionError


LINK = BrokerLink(NoBroker(), ConnectionError)

KINDS = {
    "mqtt": MqttChannel,
    "file": FileChannel,
    "webhook.desk": WebhookChannel,
    "email.desk": EmailChannel,
    "alertmanager.main": AlertmanagerChannel,
    "syslog.main": SyslogChannel,
}


@pytest.fixture
def toml(
    tmp_path: Path,
    store_url: str,
    broker: Any,
    receiver: Any,
    mail_receiver: Any,
    syslog_receivers: Any,
    certificates: Any,
) -> Path:
    """Settings with a channel of each kind, of receivers that are up, but for the Alertmanager."""
    path = tmp_path / "settings.toml"
    path.write_text(f"""
[broker]
port = {broker.port}
[store]
url = "{store_url}"
[channels.mqtt]
enabled = false
[channels.file]
enabled = true
path = "events.jsonl"
[channels.webhook.desk]
url = "{receiver.url}"
secret = "geheim"
[channels.email.desk]
host = "127.0.0.1"
port = {mail_receiver.port}
username = "desk"
password = "secret"
ca_file = "{certificates.ca_file}"
from_address = "watch@example.org"
to_addresses = ["desk@example.org"]
[channels.alertmanager.main]
url = "http://127.0.0.1:1"
[channels.syslog.main]
host = "127.0.0.1"
port = {syslog_receivers["tls"].port}
ca_file = "{certificates.ca_file}"
give_up_after_hours = 1
""")
    return path


def test_each_kind_of_channel_is_made_of_its_settings(store: Store, toml: Path) -> None:
    settings = load_settings(toml, {})
    for name, kind in KINDS.items():
        channel = make_channel(settings, name, store, lambda: 0, LINK)
        assert type(channel) is kind
        assert channel.name == name
        channel.close()
    assert enabled_channels(settings) == [name for name in KINDS if name != "mqtt"]
    workers = make_workers(settings, store, Metrics(CollectorRegistry()), lambda: 0)
    assert [worker.name for worker in workers] == enabled_channels(settings)
    for worker in workers:
        worker.start()
        worker.stop()


def test_a_broker_that_comes_back_gets_the_lists_again(
    store: Store, make_desk: Any, broker: Any, listen: Any, wait: Any
) -> None:
    make_desk().change(Severity.MINOR)
    settings = Settings(broker=BrokerSettings(port=broker.port, reconnect_min_s=0.2, reconnect_max_s=0.5))
    metrics = Metrics(CollectorRegistry())
    connection = BrokerConnection(settings.broker, "teller", metrics)
    connection.start()
    [worker] = make_workers(settings, store, metrics, lambda: 0, BrokerLink(connection, BrokerError))
    worker.start()
    try:
        for _ in range(2):
            with listen(broker.port, "standingwatch/alarm/#") as heard:
                wait(lambda h=heard: h.messages)
            assert heard.messages[0][0] == "standingwatch/alarm/alder-ridge/rpt-1"
            # It forgets what it retained.
            broker.stop()
            broker.start()
    finally:
        worker.stop()
        connection.stop()


def test_what_cannot_be_made_is_said(store: Store, tmp_path: Path) -> None:
    with pytest.raises(ChannelError, match=r"no channel 'webhook\.x' in the settings; there are mqtt, file"):
        make_channel(Settings(), "webhook.x", store, lambda: 0)
    with pytest.raises(ChannelError, match="no connection to the broker"):
        make_workers(Settings(), store, Metrics(CollectorRegistry()), lambda: 0)


@pytest.mark.parametrize("name", [name for name in KINDS if name != "alertmanager.main"])
def test_a_test_event_proves_a_channel(
    toml: Path,
    capsys: Any,
    receiver: Any,
    mail_receiver: Any,
    syslog_receivers: Any,
    broker: Any,
    listen: Any,
    wait: Any,
    name: str,
) -> None:
    with listen(broker.port, "standingwatch/#") as heard:
        assert main(["notify", "test", name, "--settings", str(toml)]) == 0
        if name == "mqtt":
            wait(lambda: heard.messages)
    out, err = capsys.readouterr()
    assert out.startswith(f"{name}: the receiver has the test event ")
    event_id = out.split()[7]
    came = {
        "mqtt": "".join(f"{topic} {body.decode()}" for topic, body, _ in heard.messages),
        "file": (toml.parent / "events.jsonl").read_text() if name == "file" else "",
        "webhook.desk": "".join(body.decode() for _, _, body in receiver.requests),
        "email.desk": "".join(data.decode() for _, _, data in mail_receiver.mails),
        "syslog.main": "".join(packet.decode() for packet in syslog_receivers["tls"].packets),
    }
    assert [channel for channel, text in came.items() if event_id in text] == [name]
    assert f"A test of channel {name}" in " ".join(came[name].replace("=\r\n", "").split())
    assert ("not enabled" in err) == (name == "mqtt")
    if name == "mqtt":
        assert [topic for topic, _, _ in heard.messages] == ["standingwatch/event-fleet"]


def test_a_test_event_that_does_not_arrive_is_said(
    toml: Path, capsys: Any, receiver: Any, http_answer: Any, broker: Any
) -> None:
    assert main(["notify", "test", "alertmanager.main", "--settings", str(toml)]) == 1
    assert "did not arrive: http://127.0.0.1:1: " in capsys.readouterr().err
    receiver.answer = lambda *_: http_answer(410, body=b"moved away")
    assert main(["notify", "test", "webhook.desk", "--settings", str(toml)]) == 1
    assert "answered 410: moved away" in capsys.readouterr().err
    assert main(["notify", "test", "email.nobody", "--settings", str(toml)]) == 1
    assert "there is no channel 'email.nobody'" in capsys.readouterr().err


def test_list_dead_and_resend(store: Store, toml: Path, make_desk: Any, capsys: Any) -> None:
    def run(*words: str) -> tuple[int, str]:
        status = main(["notify", *words, "--settings", str(toml)])
        out, err = capsys.readouterr()
        return status, out + err

    assert run("list") == (
        0,
        "mqtt: off, 0 waiting, 0 dead\n"
        + "".join(f"{name}: on, 0 waiting, 0 dead\n" for name in KINDS if name != "mqtt"),
    )
    assert run("dead") == (0, "0 dead letters\n")
    ids = make_desk("webhook.desk", "webhook.gone").change(Severity.MINOR, Severity.MAJOR, Severity.CLEARED)
    with store.writing() as connection:
        first, second, _ = waiting_messages(connection, "webhook.desk")
        mark_dead(connection, first.id, 1_795_000_100_000_000, "answered 422: no\nsuch")
        mark_dead(connection, second.id, 1_795_000_200_000_000, "answered 413")
        note_failing(connection, "file", 1_795_000_300_000_000, "disk full")
    status, text = run("list")
    assert status == 1
    assert "webhook.desk: on, 1 waiting, the oldest since 2026-11-18T11:08:40Z, 2 dead\n" in text
    assert "webhook.gone: not in the settings, 3 waiting" in text
    assert (
        "file: on, 0 waiting, 0 dead\n    failing since 2026-11-18T11:11:40Z\n    last error: disk full"
        in text
    )
    status, text = run("dead", "--channel", "webhook.desk")
    assert status == 0
    lines = text.splitlines()
    assert lines[0].startswith(f"{second.id}  webhook.desk  alder-ridge/rpt-1/swr-high  made 2026-11-18T")
    assert lines[3] == '    "answered 422: no\\nsuch"'
    assert lines[4] == "2 dead letters"
    assert run("resend", "--id", "999")[0] == 1
    assert run("resend", "--id", str(first.id))[1].startswith("1 dead letters wait")
    assert run("resend", "--channel", "webhook.desk")[1].startswith("1 dead letters wait")
    with store.reading() as connection:
        assert [m.event_id for m in waiting_messages(connection, "webhook.desk")] == ids


def test_secrets_are_not_shown(toml: Path, capsys: Any, receiver: Any) -> None:
    assert main(["notify", "test", "webhook.desk", "--settings", str(toml)]) == 0
    out, err = capsys.readouterr()
    assert "geheim" not in out + err
    assert "geheim" not in json.dumps(receiver.requests[0][1])
