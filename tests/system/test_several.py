"""Several processes on one PostgreSQL and one broker: each does its share, and any of them may be killed."""

from __future__ import annotations

import json
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from command_line import environment, run
from databases import new_database
from paho.mqtt.enums import CallbackAPIVersion
from sqlalchemy import func, select

from standingwatch.detect.words import Severity
from standingwatch.store import tables
from standingwatch.store.claims import LEASE_US, all_claims, owners_of
from standingwatch.store.connect import Store

REGIONS = ("north", "south", "east", "west")
SITES = tuple(f"{region}-{n}" for region in REGIONS for n in range(3))


@dataclass
class Site:
    """The processes, their broker and their store."""

    folder: Path
    url: str
    port: int
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    sent: set[tuple[str, int]] = field(default_factory=set)
    expected: list[tuple[Any, ...]] = field(default_factory=list)
    under_way: list[mqtt.MQTTMessageInfo] = field(default_factory=list)

    def __post_init__(self) -> None:
        lines = ["site,transmitter,frequency_mhz,region,rated_power_w,expected_interval_s"]
        lines += [f"{site},tx,155.34,{site.rpartition('-')[0]},100,600" for site in SITES]
        (self.folder / "inventory.csv").write_text("\n".join(lines) + "\n")
        (self.folder / "standingwatch.toml").write_text(
            f"""
[broker]
port = {self.port}
reconnect_min_s = 0.2
reconnect_max_s = 1.0
[store]
url = "{self.url}"
[inventory]
file = "inventory.csv"
[intake]
sessions = 2
[watch]
parts = 2
[channels.file]
enabled = true
path = "events.jsonl"
pace = "everything"
[off_delay]
swr_high_s = 0
foldback_active_s = 0
[chatter]
raises = 10
"""
        )
        self.store = Store(self.url)
        self.publisher = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.publisher.max_inflight_messages_set(200)
        self.publisher.connect("127.0.0.1", self.port)
        self.publisher.loop_start()

    def log_of(self, name: str) -> Path:
        return self.folder / f"{name}.log"

    def start(self, name: str, parts: str = "jobs,notify,watch,intake") -> None:
        words = ["run", "--name", name, "--parts", parts, "--settings", "standingwatch.toml"]
        with self.log_of(name).open("ab") as log:
            self.running[name] = subprocess.Popen(
                [sys.executable, "-m", "standingwatch", *words],
                cwd=self.folder,
                env=environment(),
                stdout=log,
                stderr=log,
            )

    def kill(self, name: str) -> None:
        process = self.running.pop(name)
        process.send_signal(signal.SIGKILL)
        process.wait(10)

    def stop(self) -> None:
        for process in self.running.values():
            process.terminate()
        codes = {name: process.wait(60) for name, process in self.running.items()}
        self.publisher.disconnect()
        self.publisher.loop_stop()
        assert set(codes.values()) <= {0}, codes

    def owners(self) -> dict[str, list[str]]:
        """What each live process owns, by its name."""
        with self.store.reading() as connection:
            owned = owners_of(all_claims(connection))
        return {name.split(" ")[0]: parts for name, parts in owned.items()}

    def publish(self, site: str, when: datetime, reflected_w: float) -> None:
        body = json.dumps({"time": when.isoformat(), "forward_w": 98.0, "reflected_w": reflected_w})
        self.under_way.append(self.publisher.publish(f"standingwatch/report/{site}/tx", body, qos=1))
        self.sent.add((site, round(when.timestamp() * 1e6)))

    def publisher_is_done(self) -> None:
        """The broker has taken all reports over."""
        for one in self.under_way:
            one.wait_for_publish(30)
            assert one.is_published()

    def until(self, true: Callable[[], object], seconds: float, what: str) -> float:
        begin = time.monotonic()
        while not true():
            if time.monotonic() - begin > seconds:
                logs = "\n".join(p.read_text()[-1500:] for p in sorted(self.folder.glob("*.log")))
                pytest.fail(f"after {seconds:g} s still not: {what}\n{logs}")
            time.sleep(0.1)
        return time.monotonic() - begin

    def stored(self) -> list[tuple[str, int]]:
        names, kept = tables.transmitters.c, tables.readings.c
        query = select(names.site, kept.time_us).join(tables.transmitters, names.key == kept.transmitter)
        with self.store.reading() as connection:
            return [(row.site, row.time_us) for row in connection.execute(query)]

    def events(self) -> list[dict[str, Any]]:
        path = self.folder / "events.jsonl"
        return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []

    def changes(self) -> list[Any]:
        with self.store.reading() as connection:
            return list(connection.execute(select(tables.alarm_changes).order_by(tables.alarm_changes.c.id)))

    def horizons(self) -> list[str]:
        """The sessions that have said how far they have come: they are subscribed."""
        columns = tables.horizons.c
        with self.store.reading() as connection:
            return list(connection.execute(select(columns.intake).where(columns.until_us > 0)).scalars())

    def waiting(self) -> int:
        columns = tables.outbox.c
        with self.store.reading() as connection:
            waits = columns.delivered_us.is_(None)
            return int(connection.execute(select(func.count()).where(waits)).scalar_one())


@pytest.fixture
def several(tmp_path: Path, broker: Any, request: pytest.FixtureRequest) -> Iterator[Site]:
    """Nothing is started yet; no log may hold a traceback at the end."""
    made = Site(tmp_path, new_database(request.getfixturevalue("postgres_port")), broker.port)
    made.store.migrate()
    yield made
    made.stop()
    made.store.close()
    for path in tmp_path.glob("*.log"):
        assert "Traceback" not in path.read_text(), path.read_text()[-3000:]


def replayed(several: Site) -> list[tuple[Any, ...]]:
    """The alarm changes that a replay of what is stored gives."""
    kept, names = tables.readings.c, tables.transmitters.c
    query = select(names.site, kept.time_us, kept.forward_w, kept.reflected_w)
    with several.store.reading() as connection:
        rows = connection.execute(query.join(tables.transmitters, names.key == kept.transmitter)).all()
    lines = ["time,site,transmitter,forward_w,reflected_w"]
    for row in sorted(rows, key=lambda r: (r.time_us, r.site)):
        when = datetime.fromtimestamp(row.time_us // 1_000_000, UTC) + timedelta(
            microseconds=row.time_us % 1_000_000
        )
        lines.append(f"{when.isoformat()},{row.site},tx,{row.forward_w},{row.reflected_w}")
    (several.folder / "readings.csv").write_text("\n".join(lines) + "\n")
    words = ("--readings", "readings.csv", "--inventory", "inventory.csv", "--settings", "standingwatch.toml")
    done = run(several.folder, "replay", *words, "--out", "replay")
    assert done.returncode == 0, done.stderr
    lines = (several.folder / "replay" / "alarms.jsonl").read_text().splitlines()
    found = [json.loads(line) for line in lines]
    return sorted(
        (x["site"], x["condition"], x["severity"], round(datetime.fromisoformat(x["time"]).timestamp() * 1e6))
        for x in found
    )


def noted(several: Site) -> list[tuple[Any, ...]]:
    """The alarm changes about sites in the store."""
    return sorted(
        (row.site, row.condition, Severity(row.severity).word, row.time_us)
        for row in several.changes()
        if not row.service
    )


def live_through(several: Site, deeds: dict[int, Callable[[], None]], minutes: int) -> None:
    """Two reports a minute of all sites, some of which break and are whole again, while things are done."""
    begin = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=minutes)
    rng = random.Random(4)
    for minute in range(minutes):
        for number, site in enumerate(SITES):
            broken = number % 3 < 2 and (minute + number) % 20 >= 10
            when = begin + timedelta(minutes=minute, seconds=rng.random() * 50)
            several.publish(site, when, 40.0 if broken else 0.9)
        if minute in deeds:
            deeds[minute]()
        time.sleep(0.05)


def check(several: Site) -> None:
    """Nothing is lost or doubled, and the alarms are those of a replay."""
    several.publisher_is_done()
    several.until(lambda: len(several.stored()) >= len(several.sent), 180, "all reports are stored")
    assert sorted(several.stored()) == sorted(several.sent)
    several.until(lambda: noted(several) == replayed_once(several), 180, "the alarms are those of a replay")
    several.until(lambda: several.waiting() == 0, 180, "every change is delivered")
    told = [event["id"] for event in several.events()]
    # One that was killed between a delivery and its note repeats it with the same id.
    assert set(told) == {row.event_id for row in several.changes()}


def replayed_once(several: Site) -> list[tuple[Any, ...]]:
    if not several.expected:
        several.expected = replayed(several)
        assert len({row[0] for row in several.expected}) >= 6
    return several.expected


def all_work(several: Site) -> set[str]:
    return {part for parts in several.owners().values() for part in parts}


@pytest.mark.long
def test_any_of_four_killed_and_held_up_again_and_again(several: Site) -> None:
    """Two take reports in, two watch and deliver; killed or stopped for longer than a claim holds."""
    work = {"one": "intake", "two": "intake", "three": "jobs,notify,watch", "four": "jobs,notify,watch"}
    for name, parts in work.items():
        several.start(name, parts)
    several.until(
        lambda: len(all_work(several)) == 7 and len(several.horizons()) == 2,
        180,
        "all the work is done by somebody",
    )
    rng = random.Random(11)
    held_up: list[str] = []

    def deed() -> None:
        """Kill one and start it again, or stop one for longer than its claims hold and let it go on."""
        if held_up:
            several.running[held_up.pop()].send_signal(signal.SIGCONT)
            return
        name = rng.choice(sorted(several.running))
        if rng.random() < 0.5:
            several.kill(name)
            several.start(name, work[name])
        else:
            several.running[name].send_signal(signal.SIGSTOP)
            held_up.append(name)
            time.sleep(LEASE_US / 1e6 + 6)

    live_through(several, dict.fromkeys(range(10, 80, 10), deed), 90)
    while held_up:
        deed()
    several.until(lambda: len(all_work(several)) == 7, 180, "all the work is done by somebody again")
    check(several)


@pytest.mark.long
def test_fewer_and_more_parts_and_sessions_lose_nothing(several: Site) -> None:
    settings = several.folder / "standingwatch.toml"

    def again(parts: int, sessions: int) -> Callable[[], None]:
        def act() -> None:
            for name in list(several.running):
                several.kill(name)
            words = settings.read_text()
            words = re.sub(r"^parts = \d+", f"parts = {parts}", words, flags=re.MULTILINE)
            settings.write_text(
                re.sub(r"^sessions = \d+", f"sessions = {sessions}", words, flags=re.MULTILINE)
            )
            several.start("one")
            several.start("two")

        return act

    def is_divided(parts: int, sessions: int) -> Callable[[], None]:
        work = {*(f"watch/{n}" for n in range(parts)), *(f"intake/{n}" for n in range(sessions))}

        def act() -> None:
            several.until(
                lambda: work <= all_work(several) and len(several.horizons()) >= sessions,
                180,
                f"{parts} parts and {sessions} sessions",
            )

        return act

    again(1, 1)()
    is_divided(1, 1)()
    deeds = {10: again(3, 3), 20: is_divided(3, 3), 40: again(1, 1), 50: is_divided(1, 1)}
    live_through(several, deeds, 70)
    check(several)
    with several.store.reading() as connection:
        several.until(lambda: several.horizons() == ["standingwatch"], 180, "one session is left")
        assert connection.execute(select(tables.watch_progress.c.watch)).scalars().all() == ["watch"]


def test_killed_in_the_middle_the_other_goes_on_and_nothing_is_lost(several: Site) -> None:
    several.start("one")
    several.start("two")

    def are_shared() -> bool:
        owned = several.owners()
        kinds = {name: {part.split("/")[0] for part in parts} for name, parts in owned.items()}
        share = len(kinds) == 2 and all({"watch", "intake"} <= of for of in kinds.values())
        return share and len(several.horizons()) == 2

    several.until(are_shared, 180, "both have a part of the watch and a session of the intake")

    def kill_one() -> None:
        several.kill("one")

    live_through(several, {15: kill_one}, 40)
    several.until(
        lambda: len(several.owners().get("two", [])) == 7, 180, "the other has taken everything over"
    )
    check(several)
