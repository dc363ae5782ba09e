"""Every channel of the running service, its receivers away for a time and the service killed in between."""

from __future__ import annotations

import email
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from email.policy import default
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select
from sqlalchemy.exc import DBAPIError

from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import waiting_messages

SERVICE = Path(__file__).parents[2] / "service"
SITES = ("alder-ridge", "birch-hill", "cedar-top")
INVENTORY = "site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db,expected_interval_s\n" + "".join(
    f"{site},rpt-1,155.34,100,0.5,300\n" for site in SITES
)
#: Good readings, then as many bad ones, and so on: a change of each alarm so often.
RUN = 10


class Daemon:
    """The service as a process."""

    def __init__(self, folder: Path, store_url: str, settings: str) -> None:
        self.folder, self.log = folder, folder / "daemon.log"
        self.process: subprocess.Popen[bytes] | None = None
        (folder / "inventory.csv").write_text(INVENTORY)
        (folder / "standingwatch.toml").write_text(f'[store]\nurl = "{store_url}"\n{settings}')

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml"],
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(SERVICE)},
                stdout=log,
                stderr=log,
            )

    def end(self, how: signal.Signals) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait(30)


@pytest.fixture
def durable_broker(tmp_path: Path, run_broker: Callable[..., Any]) -> Iterator[Any]:
    """A broker that keeps its sessions and what waits in them when it is stopped, as one in real use does."""
    kept = f"allow_anonymous true\npersistence true\npersistence_location {tmp_path}/\n"
    with run_broker(tmp_path, more_settings=kept) as running:
        yield running


@contextmanager
def subscribed(port: int) -> Iterator[list[dict[str, Any]]]:
    """Every event that comes to a subscriber whose session outlives its connection, in order."""
    events: list[dict[str, Any]] = []
    ready: list[bool] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="desk", clean_session=False)
    client.reconnect_delay_set(1, 1)
    client.on_message = lambda _c, _d, message: events.append(json.loads(message.payload))
    client.on_connect = lambda c, *_: c.subscribe("standingwatch/event/#", qos=1)
    client.on_subscribe = lambda *_: ready.append(True)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        end = time.monotonic() + 10
        while not ready:
            assert time.monotonic() < end, "not subscribed"
            time.sleep(0.02)
        yield events
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.fixture
def make_daemon(tmp_path: Path) -> Iterator[Callable[[str, str], Daemon]]:
    made: list[Daemon] = []

    def make(store_url: str, settings: str) -> Daemon:
        made.append(Daemon(tmp_path, store_url, settings))
        return made[-1]

    yield make
    for daemon in made:
        daemon.end(signal.SIGTERM)


def listens(store_url: str) -> bool:
    """Whether the intake has said that all that is sent reaches it."""
    store = Store(store_url)
    try:
        with store.reading() as connection:
            return connection.execute(select(tables.horizons)).first() is not None
    except DBAPIError:
        return False  # there are no tables yet
    finally:
        store.close()


def test_each_change_is_delivered_once_per_id(
    store_url: str,
    make_daemon: Callable[[str, str], Daemon],
    durable_broker: Any,
    connect_client: Any,
    receiver: Any,
    mail_receiver: Any,
    alertmanager: Any,
    certificates: Any,
    first_seen: Callable[[Any], list[str]],
    wait: Callable[..., None],
) -> None:
    broker = durable_broker
    daemon = make_daemon(
        store_url,
        f"""
[broker]
port = {broker.port}
reconnect_min_s = 0.2
reconnect_max_s = 1.0
[inventory]
file = "inventory.csv"
[web]
enabled = false
[off_delay]
swr_high_s = 0
foldback_active_s = 0
[chatter]
raises = 10
[watch]
late_pause_s = 0.5
[channels.mqtt]
pace = "everything"
[channels.webhook.desk]
url = "{receiver.url}"
secret = "between us"
pace = "everything"
[channels.email.desk]
host = "127.0.0.1"
port = {mail_receiver.port}
username = "desk"
password = "secret"
ca_file = "{certificates.ca_file}"
from_address = "watch@example.org"
to_addresses = ["desk@example.org"]
chart = false
pace = "everything"
[channels.alertmanager.main]
url = "{alertmanager.url}"
resend_every_s = 1
""",
    )
    daemon.start()
    wait(lambda: listens(store_url), 60)
    begin = datetime.now(UTC) - timedelta(days=1)
    sender = connect_client(broker.port)
    reports = 0

    def next_reports(count: int) -> list[tuple[str, str]]:
        """Topic and content of so many more reports of every site."""
        nonlocal reports
        made = []
        for number in range(reports, reports + count):
            report = {
                "time": (begin + timedelta(seconds=60 * number)).isoformat(),
                "forward_w": 47.3,
                "reflected_w": 1.31 if (number // RUN) % 2 == 0 else 13.7,
            }
            made += [(f"standingwatch/report/{site}/rpt-1", json.dumps(report)) for site in SITES]
        reports += count
        return made

    def send(count: int) -> None:
        """So many more reports of every site, by the broker."""
        for info in [sender.publish(topic, body, qos=1) for topic, body in next_reports(count)]:
            info.wait_for_publish(30)

    def put_in(count: int) -> None:
        """The same past the broker, as `refused retry` puts them in."""
        now_us = time.time_ns() // 1000
        with closing(Store(store_url)) as store:
            writer = Writer(
                store,
                IntakeSettings(),
                FleetDefaults(),
                "standingwatch",
                Metrics(CollectorRegistry()),
                lambda: now_us,
            )
            writer.write([Arrived(topic, body.encode(), now_us) for topic, body in next_reports(count)])

    def wait_at_mqtt() -> int:
        """How many messages wait for the broker."""
        with closing(Store(store_url)) as store, store.reading() as connection:
            return len(waiting_messages(connection, "mqtt"))

    def are_stored() -> bool:
        """Whether all reports so far are: older ones that come after newer ones move no alarm."""
        with closing(Store(store_url)) as store, store.reading() as connection:
            stored = connection.execute(select(func.count()).select_from(tables.readings)).scalar_one()
        return bool(stored == reports * len(SITES))

    with subscribed(broker.port) as heard:
        for receiver_away in (receiver, mail_receiver, alertmanager):
            receiver_away.stop()
            send(2 * RUN)
            time.sleep(1.5)
            daemon.end(signal.SIGKILL)
            send(RUN)
            daemon.start()
            time.sleep(1.5)
            receiver_away.start()
        # What the daemon judges while the broker is away it cannot tell by MQTT until that is back.
        send(RUN)
        wait(are_stored)
        wait(lambda: not wait_at_mqtt())
        broker.stop()
        daemon.end(signal.SIGKILL)
        put_in(2 * RUN)
        daemon.start()
        wait(lambda: wait_at_mqtt() >= len(SITES), 60)
        daemon.end(signal.SIGKILL)
        daemon.start()
        broker.start()
        wait(sender.is_connected)
        send(RUN)
        send(RUN)  # so that alarms stand at the end

        store = Store(store_url)
        outbox, changes = tables.outbox.c, tables.alarm_changes.c

        def waiting() -> list[Any]:
            with store.reading() as connection:
                told = connection.execute(select(func.count()).select_from(tables.alarm_changes)).scalar_one()
                # Every run after the first is a change of each alarm.
                if told < len(SITES) * (reports // RUN - 1):
                    return [f"only {told} changes are noted"]
                query = select(outbox.channel, outbox.tries, outbox.last_error)
                return list(connection.execute(query.where(outbox.delivered_us.is_(None))))

        end = time.monotonic() + 120
        while left := waiting():
            assert time.monotonic() < end, f"{left}\n{daemon.log.read_text()[-3000:]}"
            time.sleep(0.2)
        time.sleep(1.0)
        by_mqtt = [event["id"] for event in heard]

    with store.reading() as connection:
        noted = connection.execute(select(tables.alarm_changes).order_by(changes.id)).all()
        messages = connection.execute(select(tables.outbox).order_by(outbox.id)).all()
        dead = [m for m in messages if m.dead_us is not None]
        standing = connection.execute(
            select(tables.alarms).where(tables.alarms.c.is_cleared.is_(False))
        ).all()
    store.close()
    assert dead == []
    about_sites = [c for c in noted if c.site]
    wanted = [c.event_id for c in about_sites]
    site_of = {c.event_id: c.site for c in about_sites}
    mails = [email.message_from_bytes(data, policy=default) for _, _, data in mail_receiver.mails]
    by_mail = [str(mail["Message-ID"]).strip("<>").partition("@")[0] for mail in mails]
    for name, ids in {"mqtt": by_mqtt, "webhook": receiver.ids, "email": by_mail}.items():
        of_sites = [i for i in first_seen(ids) if i in site_of]
        assert sorted(of_sites) == sorted(wanted), name
        for site in SITES:
            in_order = [i for i in of_sites if site_of[i] == site]
            assert in_order == [i for i in wanted if site_of[i] == site], (name, site)
    # The Alertmanager shows what stands, and nothing that has ended.
    end = time.monotonic() + 30

    def shown() -> set[tuple[str, str]]:
        return {(a["labels"]["alertname"], a["labels"].get("site", "")) for a in alertmanager.alerts()}

    alarms = {(row.condition, row.site) for row in standing}
    assert alarms
    while shown() != alarms:
        assert time.monotonic() < end, (shown(), alarms)
        time.sleep(0.2)
    assert "Traceback" not in daemon.log.read_text()
