"""The whole service as its users run it: a process, a real broker, real clients, on both databases."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from standingwatch.store import tables
from standingwatch.store.connect import Store

SERVICE = Path(__file__).parents[2] / "service"

INVENTORY = """\
site,transmitter,frequency_mhz,region,rated_power_w,feeder_type,feeder_length_m,expected_interval_s
alder-ridge,rpt-1,155.34,north,100,7/8-in foam,40,300
alder-ridge,rpt-2,155.79,north,100,7/8-in foam,40,300
birch-hill,rpt-1,453.2,south,50,1/2-in foam,30,300
"""

TRANSMITTERS = (("alder-ridge", "rpt-1"), ("alder-ridge", "rpt-2"), ("birch-hill", "rpt-1"))


@dataclass
class Service:
    """The daemon as a process."""

    folder: Path
    store_url: str
    broker_port: int
    web_port: int
    process: subprocess.Popen[bytes] | None = None
    log: Path = field(init=False)

    def __post_init__(self) -> None:
        self.log = self.folder / "daemon.log"
        (self.folder / "inventory.csv").write_text(INVENTORY)
        (self.folder / "standingwatch.toml").write_text(
            f"""
[broker]
port = {self.broker_port}
reconnect_min_s = 0.2
reconnect_max_s = 1.0
[store]
url = "{self.store_url}"
[inventory]
file = "inventory.csv"
[channels.mqtt]
pace = "everything"
[channels.file]
enabled = true
path = "events.jsonl"
# Ends count at once, and what comes and goes is told each time, so that every change can be counted.
# How full the disk under the tests is is not what they are about.
[watchman]
store_free_bytes = 1
[off_delay]
swr_high_s = 0
foldback_active_s = 0
site_unreachable_s = 0
[chatter]
raises = 10
window_s = 1
[web]
port = {self.web_port}
"""
        )

    def start(self, wait: bool = True) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml"],
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(SERVICE)},
                stdout=log,
                stderr=log,
            )
        if wait:
            self.until(self.connected, 30, "the daemon is connected")

    def connected(self) -> bool:
        """All of its connections are up: intake, alarms, heartbeat."""
        try:
            text = self.get("/metrics")
        except (urllib.error.URLError, OSError):
            return False
        return text.count("standingwatch_broker_connected{") == 3 and all(
            line.endswith(" 1.0")
            for line in text.splitlines()
            if line.startswith("standingwatch_broker_connected{")
        )

    def get(self, path: str) -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.web_port}{path}", timeout=5) as answer:
            return str(answer.read().decode())

    def metric(self, name: str) -> float:
        """A sample by its full name with labels; 0 when there is none."""
        for line in self.get("/metrics").splitlines():
            if line.startswith(name + " "):
                return float(line.rsplit(" ", 1)[1])
        return 0.0

    def until(self, true: Callable[[], object], seconds: float, what: str) -> float:
        begin = time.monotonic()
        while time.monotonic() - begin < seconds:
            if true():
                return time.monotonic() - begin
            time.sleep(0.02)
        pytest.fail(f"after {seconds:g} s still not: {what}\n{self.log.read_text()[-3000:]}")

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            assert self.process.wait(20) == 0, self.log.read_text()[-3000:]

    def events(self) -> list[dict[str, Any]]:
        path = self.folder / "events.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


@pytest.fixture
def service(tmp_path: Path, store_url: str, broker: Any, unused_port: int) -> Iterator[Service]:
    """A service that is not started yet; its log must hold no traceback at the end."""
    made = Service(tmp_path, store_url, broker.port, unused_port)
    yield made
    made.stop()
    assert "Traceback" not in made.log.read_text()


def publish(broker: Any, topic: str, body: str) -> None:
    """Send a message with the client that people have at hand."""
    subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-t", topic, "-m", body],
        check=True,
        timeout=10,
    )


def report(when: datetime, forward_w: float, reflected_w: float) -> str:
    return json.dumps({"time": when.isoformat(), "forward_w": forward_w, "reflected_w": reflected_w})


def test_from_a_report_to_an_alarm_and_back(service: Service, broker: Any, listen: Any) -> None:
    service.start()
    begin = datetime.now(UTC) - timedelta(minutes=10)
    topic = "standingwatch/report/alder-ridge/rpt-1"
    with (
        listen(broker.port, "standingwatch/event/#") as events,
        listen(broker.port, "standingwatch/alarm/#") as present,
    ):
        publish(broker, topic, report(begin, 98.2, 1.13))
        gauge = 'standingwatch_swr_ratio{site="alder-ridge",transmitter="rpt-1"}'
        service.until(lambda: service.metric(gauge) > 1, 30, "the metrics show the reading")
        assert service.metric(gauge) == pytest.approx(1.2404, abs=1e-3)
        assert service.metric("standingwatch_readings_stored_total") == 1

        for minute in (1, 2, 3):
            publish(broker, topic, report(begin + timedelta(minutes=minute), 97.9, 25.31))
        service.until(lambda: events.messages, 30, "an alarm event comes")
        for minute in (4, 5, 6):
            publish(broker, topic, report(begin + timedelta(minutes=minute), 98.1, 1.21))
        service.until(lambda: len(events.messages) >= 2, 30, "the alarm is cleared")
        time.sleep(0.5)
        assert [t for t, _, _ in events.messages] == ["standingwatch/event/alder-ridge/rpt-1"] * 2
        raised, cleared = (json.loads(body) for _, body, _ in events.messages)
        assert raised["type"].endswith(".alarm.raised")
        assert raised["data"]["severity"] == "critical"
        assert raised["data"]["condition"] == "swr-high"
        assert raised["data"]["evidence"]["swr"] == pytest.approx(3.069, abs=0.01)
        assert cleared["type"].endswith(".alarm.cleared")
        assert raised["id"] != cleared["id"]
        lists = [json.loads(body) for t, body, _ in present.messages if t.endswith("alder-ridge/rpt-1")]
        assert [len(standing) for standing in lists][-2:] == [1, 0]
    service.until(lambda: len(service.events()) == 2, 30, "the file channel has both")
    assert [e["id"] for e in service.events()] == [raised["id"], cleared["id"]]


def test_every_way_to_say_the_match_and_arrays(service: Service, broker: Any) -> None:
    service.start()
    begin = datetime.now(UTC) - timedelta(minutes=30)
    bodies = [
        {"forward_w": 50, "reflected_w": 2},
        {"forward_dbm": 46.9897, "reflected_dbm": 33.0103},
        {"forward_w": 50, "swr": 1.5},
        {"forward_w": 50, "return_loss_db": 13.9794},
    ]
    for i, body in enumerate(bodies):
        body["time"] = (begin + timedelta(minutes=i)).timestamp()
    publish(broker, "standingwatch/report/birch-hill/rpt-1", json.dumps(bodies))
    service.until(lambda: service.metric("standingwatch_readings_stored_total") == 4, 30, "four readings")
    store = Store(service.store_url)
    with store.reading() as connection:
        rows = connection.execute(select(tables.readings).order_by(tables.readings.c.time_us)).all()
    store.close()
    assert [r.forward_w for r in rows] == pytest.approx([50.0] * 4, rel=1e-5)
    assert [r.reflected_w for r in rows] == pytest.approx([2.0] * 4, rel=1e-4)


def test_what_cannot_be_used_is_kept_and_put_in_again(service: Service, broker: Any) -> None:
    service.start()
    when = datetime.now(UTC) - timedelta(minutes=1)
    publish(broker, "standingwatch/report/cedar-top/rpt-9", report(when, 40, 1))
    publish(broker, "standingwatch/report/alder-ridge/rpt-1", '{"forward_w": ')
    publish(broker, "standingwatch/report/alder-ridge/rpt-1", report(when, 98, 1))
    service.until(lambda: service.metric("standingwatch_readings_stored_total") == 1, 30, "the good one")
    unknown = 'standingwatch_reports_refused_total{reason="unknown-transmitter"}'
    assert service.metric(unknown) == 1
    assert service.metric('standingwatch_reports_refused_total{reason="not-json"}') == 1

    def command(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "standingwatch", *words],
            cwd=service.folder,
            env={**os.environ, "PYTHONPATH": str(SERVICE)},
            capture_output=True,
            text=True,
            timeout=60,
        )

    listed = command("refused", "list")
    assert listed.returncode == 0
    assert "cedar-top/rpt-9" in listed.stdout
    assert "2 refused reports wait" in listed.stdout
    more = service.folder / "more.csv"
    more.write_text(INVENTORY + "cedar-top,rpt-9,160.1,north,50,7/8-in foam,20,300\n")
    assert command("inventory", "import", str(more)).returncode == 0
    again = command("refused", "retry", "--reason", "unknown-transmitter")
    assert (again.returncode, again.stderr) == (0, "")
    assert "1 readings stored" in again.stdout
    gauge = 'standingwatch_forward_power_watts{site="cedar-top",transmitter="rpt-9"}'
    service.until(lambda: service.metric(gauge) == 40, 30, "the running daemon watches the new transmitter")
    assert "1 refused reports wait" in command("refused", "list").stdout


def test_a_site_whose_link_breaks_is_told_and_comes_back(service: Service, broker: Any) -> None:
    with (service.folder / "standingwatch.toml").open("a") as settings:
        settings.write("[silence]\ngrace_s = 1\n")
    service.start()
    now = datetime.now(UTC).isoformat()
    publish(broker, "standingwatch/link/birch-hill", json.dumps({"online": False, "time": now}))
    service.until(lambda: len(service.events()) == 1, 30, "the site is unreachable")
    publish(broker, "standingwatch/link/birch-hill", json.dumps({"online": True, "time": now}))
    service.until(lambda: len(service.events()) == 2, 30, "the site is back")
    raised, cleared = (e["data"] for e in service.events())
    assert (raised["condition"], raised["severity"]) == ("site-unreachable", "major")
    assert (raised["site"], raised["transmitter"]) == ("birch-hill", None)
    assert cleared["severity"] == "cleared"


def test_the_broker_goes_away_and_comes_back(service: Service, broker: Any) -> None:
    service.start()
    broker.stop()
    service.until(lambda: not service.connected(), 30, "the loss is seen")
    broker.start()
    service.until(service.connected, 30, "connected again")
    publish(broker, "standingwatch/report/birch-hill/rpt-1", report(datetime.now(UTC), 40, 1))
    service.until(lambda: service.metric("standingwatch_readings_stored_total") == 1, 30, "stored")


KILLS = 6
REPORTS = 6000
#: Between two reports of a transmitter.
STEP = timedelta(seconds=0.25)


def test_kill_at_any_moment_loses_and_doubles_nothing(
    service: Service, broker: Any, listen: Any, connect_client: Any
) -> None:
    """Killed again and again while reports pour in: each is stored once, each change told with one id."""
    service.start()
    # Of an hour that is open: reports of long ago, sent with pauses, would be history and call nobody.
    begin = datetime.now(UTC) - STEP * (REPORTS // 3)
    sender = connect_client(broker.port)
    infos = []
    with listen(broker.port, "standingwatch/event/#") as heard:
        for i in range(REPORTS):
            site, name = TRANSMITTERS[i % 3]
            number = i // 3
            # Ten good readings, then ten over the limit, and so on: a change of an alarm every ten reports.
            reflected_w = 1.31 if (number // 10) % 2 == 0 else 13.7
            body = report(begin + STEP * number, 47.3, reflected_w)
            infos.append(sender.publish(f"standingwatch/report/{site}/{name}", body, qos=1))
            if i % (REPORTS // KILLS) == REPORTS // KILLS // 2:
                # Not at a tidy moment: reports are under way, in the queue, in a batch, being judged.
                time.sleep(0.03 * (i % 7))
                service.kill()
                service.start(wait=False)
                time.sleep(0.4)
        for info in infos:
            info.wait_for_publish(30)
        service.until(service.connected, 30, "the daemon is up")
        # The first ten reports of each transmitter change nothing.
        wanted = 3 * (REPORTS // 3 // 10 - 1)

        def told() -> int:
            return len({json.loads(body)["id"] for _, body, _ in heard.messages})

        service.until(lambda: told() >= wanted, 60, f"{wanted} changes are told")
        time.sleep(1.0)
        by_change: dict[tuple[Any, ...], set[str]] = {}
        for _, body, _ in heard.messages:
            event = json.loads(body)
            data = event["data"]
            about = (data["site"], data["transmitter"], data["condition"])
            change = (*about, event["type"], data["time_changed"])
            by_change.setdefault(change, set()).add(event["id"])
    store = Store(service.store_url)
    with store.reading() as connection:
        stored = connection.execute(select(func.count()).select_from(tables.readings)).scalar_one()
        refused = connection.execute(select(func.count()).select_from(tables.refused)).scalar_one()
        changes = connection.execute(select(func.count()).select_from(tables.alarm_changes)).scalar_one()
        waiting = connection.execute(
            select(func.count()).select_from(tables.outbox).where(tables.outbox.c.delivered_us.is_(None))
        ).scalar_one()
    store.close()
    assert (stored, refused) == (REPORTS, 0)
    assert changes == len(by_change)
    assert all(len(ids) == 1 for ids in by_change.values())
    expected = {
        (site, name, kind, number)
        for site, name in TRANSMITTERS
        for number in range(10, REPORTS // 3, 10)
        for kind in ("raised" if (number // 10) % 2 else "cleared",)
    }
    found = {
        (
            site,
            name,
            kind.rsplit(".", 1)[1],
            round((datetime.fromisoformat(at) - begin) / STEP) - 2,
        )
        for site, name, condition, kind, at in by_change
        if condition == "swr-high"
    }
    assert found == expected
    service.until(lambda: len(service.events()) >= changes, 30, "the file channel has every change")
    ids = [event["id"] for event in service.events()]
    assert len(ids) == len(set(ids)) == changes
    assert waiting <= 2  # of the last look; the channels have shown that nothing is left


def test_metrics_pass_the_check_of_prometheus_and_tell_that_pages_go_first(
    service: Service, broker: Any
) -> None:
    service.start()
    publish(broker, "standingwatch/report/alder-ridge/rpt-1", report(datetime.now(UTC), 98, 1))
    service.until(lambda: service.metric("standingwatch_readings_stored_total") == 1, 30, "stored")
    checked = subprocess.run(
        ["promtool", "check", "metrics"],
        input=service.get("/metrics"),
        capture_output=True,
        text=True,
        timeout=30,
    )
    ours = [line for line in checked.stderr.splitlines() if line.startswith("standingwatch_")]
    assert ours == [], checked.stderr
    sending = threading.Event()

    def send() -> None:
        while not sending.wait(0.01):
            publish(broker, "standingwatch/report/alder-ridge/rpt-1", report(datetime.now(UTC), 98, 1))

    sender = threading.Thread(target=send)
    sender.start()
    try:
        # To be asked is what it makes way for; here until a batch happened to end meanwhile.
        name = "standingwatch_intake_made_way_seconds_total"
        service.until(lambda: service.metric(name) > 0, 30, "the intake lets a page go first")
    finally:
        sending.set()
        sender.join()
