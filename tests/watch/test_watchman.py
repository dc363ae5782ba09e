"""The watchman measures: the store is asked, the disk is seen, clocks are compared, and nothing is raised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import insert, text, update

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence, apply_all
from standingwatch.alarms.watchman import WatchmanSettings, service_key
from standingwatch.detect.words import Condition, Severity
from standingwatch.metrics import Metrics
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import note_failing, note_well
from standingwatch.store.reports import Horizon, set_horizon
from standingwatch.store.watching import note_job
from standingwatch.store.watchman import SIZES_NOTE, save_note
from standingwatch.watch.watchman import LOOK_EVERY_S, SERVER_NOTE, Watchman

NOW_US = 1_795_000_000_000_000
HOUR_US = 3_600_000_000
GB = 10**9

INTAKE = service_key(Condition.INTAKE_LATE, "intake")
BROKER = service_key(Condition.BROKER_LOST, "broker")
STORE = service_key(Condition.STORE_FILLING, "store")
RETENTION = service_key(Condition.JOB_MISSED, "job retention")
CLOCK = service_key(Condition.CLOCK_JUMPED, "clock")
FILE = service_key(Condition.CHANNEL_FAILING, "channel file")


class Usage(NamedTuple):
    total: int
    free: int


ROOMY = Usage(100 * GB, 90 * GB)


@dataclass
class World:
    """What the watchman looks at, with clocks and a disk that tests move."""

    store: Store
    metrics: Metrics = field(default_factory=lambda: Metrics(CollectorRegistry()))
    now_us: int = NOW_US
    monotonic_s: float = 5000.0
    disk: Usage | OSError = ROOMY
    down_s: dict[str, float] = field(default_factory=lambda: {"watch": 0.0})
    alarms: dict[AlarmKey, Alarm] = field(default_factory=dict)

    def watchman(self, **settings: Any) -> Watchman:
        return Watchman(
            self.store,
            WatchmanSettings(**settings),
            self.metrics,
            job_intervals={"retention": 3600.0},
            channels=("file",),
            connections=lambda: self.down_s,
            monotonic=lambda: self.monotonic_s,
            disk_usage=self.usage,
        )

    def usage(self, _folder: Path) -> Usage:
        if isinstance(self.disk, OSError):
            raise self.disk
        return self.disk

    def wait(self, seconds: float, jump_s: float = 0.0) -> None:
        self.monotonic_s += seconds
        self.now_us += round((seconds + jump_s) * 1e6)

    def well(self) -> None:
        """The intake and the jobs have just said that all is well."""
        with self.store.writing() as connection:
            set_horizon(connection, "watch", Horizon(0, self.now_us))
            note_job(connection, "retention", self.now_us, self.now_us, "")

    def look(self, watchman: Watchman) -> dict[AlarmKey, Severity]:
        """A look, applied to the alarm list: the severity of each change."""
        evidence = watchman.evidence(self.now_us, self.alarms)
        changes = apply_all(self.alarms, evidence, self.now_us)
        return {c.alarm.key: c.severity for c in changes}

    def sample(self, name: str, **labels: str) -> float | None:
        return self.metrics.registry.get_sample_value(f"standingwatch_{name}", labels)


@pytest.fixture
def world(store: Store) -> World:
    made = World(store)
    made.well()
    return made


def add_message(store: Store, number: int, made_us: int, **more: Any) -> None:
    row = {"channel": "file", "event_id": f"e{number}", "site": "", "transmitter": "", "condition": ""}
    with store.writing() as connection:
        connection.execute(
            insert(tables.outbox).values(
                **row, made_us=made_us, body="{}", tries=1, **({"last_error": "refused"} | more)
            )
        )


def test_all_is_well_and_is_looked_at_every_five_seconds(world: World) -> None:
    watchman = world.watchman()
    assert len(watchman.evidence(world.now_us, world.alarms)) == 6
    world.down_s = {"watch": 100.0}
    assert watchman.evidence(world.now_us, world.alarms) == []
    world.wait(LOOK_EVERY_S - 0.1)
    assert watchman.evidence(world.now_us, world.alarms) == []
    world.wait(0.2)
    assert [e.key for e in watchman.evidence(world.now_us, world.alarms)] == [BROKER]


def test_what_stops_is_told_and_what_goes_on_again_ends(world: World) -> None:
    watchman = world.watchman()
    assert world.look(watchman) == {}
    add_message(world.store, 1, world.now_us)
    world.wait(700.0)
    assert world.look(watchman) == {INTAKE: Severity.MINOR, FILE: Severity.MINOR}
    assert world.sample("outbox_oldest_waiting_seconds", channel="file") == 700.0
    assert world.alarms[FILE].values["why"] == "the last try failed: refused"
    world.wait(8000.0)
    assert world.look(watchman) == {
        INTAKE: Severity.MAJOR,
        FILE: Severity.MAJOR,
        RETENTION: Severity.MINOR,
    }
    world.well()
    with world.store.writing() as connection:
        connection.execute(update(tables.outbox).values(delivered_us=world.now_us))
    world.wait(6.0)
    assert world.look(watchman) == dict.fromkeys((INTAKE, FILE, RETENTION), Severity.CLEARED)
    assert world.sample("outbox_oldest_waiting_seconds", channel="file") == 0.0


def test_a_restart_finds_the_alarms_as_they_stand(world: World) -> None:
    world.wait(1000.0)
    before = world.watchman()
    world.wait(400.0)
    assert world.look(before) == {INTAKE: Severity.MAJOR}
    after = world.watchman()
    assert world.look(after) == {}
    assert not world.alarms[INTAKE].is_cleared
    world.well()
    world.wait(6.0)
    assert world.look(after) == {INTAKE: Severity.CLEARED}


def test_a_failed_job_is_told_with_its_reason(world: World) -> None:
    watchman = world.watchman()
    with world.store.writing() as connection:
        note_job(connection, "retention", world.now_us, world.now_us, "OSError: disk full")
    assert world.look(watchman) == {RETENTION: Severity.MINOR}
    assert world.alarms[RETENTION].values["why"] == "OSError: disk full"


def test_dead_letters_are_told_until_they_are_sent_again(world: World) -> None:
    watchman = world.watchman()
    add_message(world.store, 1, world.now_us, dead_us=world.now_us, last_error="no such mailbox")
    add_message(world.store, 2, 0, dead_us=world.now_us - 8 * 24 * HOUR_US, last_error="long ago")
    add_message(world.store, 3, 0, delivered_us=5)
    assert world.look(watchman) == {FILE: Severity.MINOR}
    assert world.alarms[FILE].values == {
        "dead": 1,
        "waiting": 0,
        "why": "the last try failed: no such mailbox",
    }
    assert world.sample("outbox_dead", channel="file") == 2
    with world.store.writing() as connection:
        again = update(tables.outbox).where(tables.outbox.c.event_id == "e1")
        connection.execute(again.values(dead_us=None, delivered_us=world.now_us))
    world.wait(6.0)
    assert world.look(watchman) == {FILE: Severity.CLEARED}


def test_a_clock_that_jumps_is_told_and_nothing_else_is(world: World) -> None:
    watchman = world.watchman()
    assert world.look(watchman) == {}
    world.wait(6.0, jump_s=4.0)
    assert world.look(watchman) == {}
    world.wait(6.0, jump_s=7200.0)
    assert world.look(watchman) == {CLOCK: Severity.WARNING}
    assert world.alarms[CLOCK].values["step_s"] == pytest.approx(7200.0)
    world.well()  # the others have the new time as well
    world.wait(6.0)
    assert world.look(watchman) == {}
    world.wait(3500.0, jump_s=-7200.0)
    world.well()
    assert world.look(watchman) == {}  # another jump, and the hour begins anew
    world.wait(3500.0)
    world.well()
    assert world.look(watchman) == {}
    world.wait(101.0)
    world.well()
    assert world.look(watchman) == {CLOCK: Severity.CLEARED}


@pytest.mark.sqlite_only("the disk of its file")
def test_the_disk_fills(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    store.migrate()
    world = World(store)
    world.well()
    watchman = world.watchman()
    assert world.look(watchman) == {}
    assert world.sample("store_free_bytes") == 90 * GB
    found = []
    for free in (GB, GB // 4, 90 * GB):
        world.disk = Usage(100 * GB, free)
        world.wait(6.0)
        found.append(world.look(watchman))
    assert found == [{STORE: s} for s in (Severity.MAJOR, Severity.CRITICAL, Severity.CLEARED)]
    world.disk = OSError("no such device")
    world.wait(6.0)
    assert world.look(watchman) == {STORE: Severity.WARNING}
    assert world.sample("watchman_failures_total", part="disk") == 1
    store.close()


def test_the_real_disk_is_measured(world: World) -> None:
    watchman = Watchman(
        world.store,
        WatchmanSettings(),
        world.metrics,
        job_intervals={},
        channels=(),
        connections=dict,
    )
    assert [e.key for e in watchman.evidence(world.now_us, {})][-1] == STORE
    free = world.sample("store_free_bytes")
    assert free is not None
    assert (free > 0) is world.store.is_sqlite  # of a server's disk nothing is known


def test_growth_is_judged_from_the_sizes_that_the_job_has_noted(world: World) -> None:
    sizes = [[world.now_us - (48 - i) * HOUR_US, 10 * GB + i * GB] for i in range(49)]
    with world.store.writing() as connection:
        save_note(connection, SIZES_NOTE, sizes)
    watchman = world.watchman(store_max_bytes=150 * GB)
    assert world.look(watchman) == {STORE: Severity.WARNING}
    values = world.alarms[STORE].values
    assert values["growth_bytes_a_day"] == pytest.approx(24 * GB)
    assert values["store_bytes"] == 58 * GB
    room = 90 * GB if world.store.is_sqlite else 92 * GB
    assert values["days_until_full"] == pytest.approx(room / (24 * GB))
    assert values.get("why") == (None if world.store.is_sqlite else SERVER_NOTE)


def test_a_store_that_is_away_ends_nothing_and_raises_nothing(
    world: World, caplog: pytest.LogCaptureFixture
) -> None:
    watchman = world.watchman()
    world.wait(400.0)
    assert world.look(watchman) == {INTAKE: Severity.MINOR}
    with world.store.writing() as connection:
        connection.execute(text("ALTER TABLE horizons RENAME TO elsewhere"))
    for _ in range(2):
        world.wait(6.0)
        world.down_s = {"watch": 90.0}
        assert INTAKE not in world.look(watchman)
    assert world.sample("watchman_failures_total", part="store") == 2
    assert caplog.text.count("store cannot be measured") == 1
    assert not world.alarms[INTAKE].is_cleared
    assert not world.alarms[BROKER].is_cleared


def test_a_callable_that_fails_is_counted_and_the_rest_is_judged(world: World) -> None:
    def broken() -> Mapping[str, float]:
        raise RuntimeError("no such connection")

    watchman = world.watchman()
    watchman._connections = broken
    world.disk = Usage(100 * GB, GB // 2)
    world.wait(400.0)
    assert INTAKE in world.look(watchman)
    assert world.sample("watchman_failures_total", part="connections") == 1


def test_what_a_failed_pass_threw_away_is_said_again(world: World) -> None:
    watchman = world.watchman()
    first = watchman.evidence(world.now_us, world.alarms)
    assert first
    world.wait(6.0)
    assert watchman.evidence(world.now_us, world.alarms) == []
    world.wait(6.0)
    read_anew: dict[AlarmKey, Alarm] = {}
    again: list[Evidence] = watchman.evidence(world.now_us, read_anew)
    assert [(e.key, e.severity) for e in again] == [(e.key, e.severity) for e in first]


def test_a_channel_that_fails_with_nothing_waiting_is_told_of(world: World) -> None:
    watchman = world.watchman()
    world.well()
    with world.store.writing() as connection:
        note_failing(connection, "file", world.now_us, "the receiver is away")
    world.wait(599)
    world.well()
    assert FILE not in world.look(watchman)
    world.wait(LOOK_EVERY_S + 1)
    world.well()
    assert world.look(watchman)[FILE] is Severity.MINOR
    with world.store.writing() as connection:
        note_well(connection, "file")
    world.wait(10)
    world.well()
    assert world.look(watchman)[FILE] is Severity.CLEARED
