"""The watch over a store gives the alarms that a replay gives, through passes, restarts and failures."""

from __future__ import annotations

import io
import itertools
import json
from datetime import datetime
from typing import Any

import numpy as np
import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.alarms.notice import ChannelRules
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Severity
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.parts import parts_in_use, set_parts
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.watch import live
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions
from standingwatch.watch.replay import Replay

START_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000
DAYS = 12
CHANNELS = (("log", Severity.WARNING), ("pager", Severity.MAJOR))
DESK = DeskOptions(tuple(ChannelRules(name, least, is_calm=False) for name, least in CHANNELS), source="test")
#: A region each: faults that are planted in several sites of one are taken for weather.
INVENTORY = """\
site,transmitter,frequency_mhz,region,antenna_line,rated_power_w,feeder_loss_db,expected_interval_s
amber,a1,446,amber,,100,1,1200
amber,a2,447,amber,,100,,1200
birch,b1,446,birch,,100,2,1200
birch,b2,447,birch,,100,2,1200
cedar,c1,446,cedar,top,100,,1200
cedar,c2,447,cedar,top,100,,1200
dune,d1,446,dune,,100,1,1200
dune,d2,447,dune,,100,1,1200
"""
Row = tuple[str, str, str, int, int]


def inventory_rows() -> Any:
    inventory = read_inventory_text(INVENTORY, "fleet.csv")
    assert inventory.errors == ()
    return inventory.rows


def stream(fleet: Fleet) -> Readings:
    """a1 rises, a2 is broken for half a day, b2 is silent for a while, and then all of birch.

    What c1 and c2 share breaks, d1 has bursts, and the meter of d2 reads what cannot be.
    """
    rng = np.random.default_rng(5)
    columns: list[list[Any]] = [[], [], [], []]
    for owner in range(len(fleet)):
        time_us = START_US + np.arange(DAYS * 72) * 20 * MINUTE_US + rng.integers(0, MINUTE_US, DAYS * 72)
        day = (time_us - START_US) / (1440 * MINUTE_US)
        rho = 0.1 + rng.normal(0, 0.004, len(day))
        if owner == 0:
            rho += np.clip(day - 5, 0, None) * 0.04
        if owner == 1:
            rho[(day > 6) & (day < 6.5)] = 0.6
        if owner in (4, 5):
            rho[(day > 9) & (day < 9.5)] = 0.6
        if owner == 6:
            rho[(day > 2) & (day % 1 > 0.4) & (day % 1 < 0.5)] = 0.5
        if owner == 7:
            rho[(day > 4) & (day < 6)] = 1.4
        away = (owner == 3) & (day > 2) & (day < 2.4) | (owner in (2, 3)) & (day > 8) & (day < 8.3)
        forward_w = np.round(rng.normal(95, 1, len(day)), 1)
        reflected_w = np.round(forward_w * rho**2, 2)
        for column, values in zip(
            columns, (np.full(len(day), owner), time_us, forward_w, reflected_w), strict=True
        ):
            column.append(values[~away])
    names = ("transmitter", "time_us", "forward_w", "reflected_w")
    readings = Readings.from_columns(
        {name: np.concatenate(parts) for name, parts in zip(names, columns, strict=True)}
    ).sorted_by_time()
    return qualify(readings, fleet, readings.time_us, QualityCarry.empty(len(fleet)), 120.0)[0]


def replayed(fleet: Fleet, readings: Readings) -> list[Row]:
    """What a replay over the same readings says, sorted."""
    out = io.StringIO()
    replay = Replay(fleet, DetectionSettings(), Maintenance.none(), 120.0, out, io.StringIO())
    replay.feed(readings)
    replay.finish()
    lines = [json.loads(line) for line in out.getvalue().splitlines()]
    return sorted(
        (
            x["site"],
            x["transmitter"],
            x["condition"],
            int(Severity.from_word(x["severity"])),
            round(datetime.fromisoformat(x["time"]).timestamp() * 1e6),
        )
        for x in lines
    )


def noted(store: Store) -> list[Row]:
    """The alarm history of the store, sorted."""
    columns = tables.alarm_changes.c
    with store.reading() as connection:
        rows = connection.execute(
            select(columns.site, columns.transmitter, columns.condition, columns.severity, columns.time_us)
        ).all()
    return sorted(tuple(row) for row in rows)


def check_outbox(store: Store) -> None:
    """Each change is in the outbox once for each channel that wants it, in order, and nothing else is."""
    changes, outbox = tables.alarm_changes, tables.outbox
    with store.reading() as connection:
        events = connection.execute(select(changes).order_by(changes.c.id)).all()
        messages = connection.execute(select(outbox).order_by(outbox.c.id)).all()
    assert len({event.event_id for event in events}) == len(events)
    told = {name: [m for m in messages if m.channel == name] for name, _ in CHANNELS}
    assert [m.event_id for m in told["log"]] == [event.event_id for event in events]
    grave = [e for e in events if max(e.severity, e.previous) >= Severity.MAJOR]
    heard = [json.loads(m.body)["data"] for m in told["pager"]]
    assert [(m.site, m.transmitter, m.condition) for m in told["pager"]] == [
        (e.site, e.transmitter, e.condition) for e in grave
    ]
    assert [h["severity"] for h in heard] == [Severity(e.severity).word for e in grave]
    assert 0 < len(grave) < len(events)


class Live:
    """A watch over a store, fed as the intake feeds it."""

    def __init__(self, store: Store, rows_per_pass: int) -> None:
        self.store = store
        with store.writing() as connection:
            replace_site_list(connection, inventory_rows(), START_US)
        with store.reading() as connection:
            sites = load_site_list(connection)
        self.keys = sites.keys
        self.fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
        self.rows_per_pass = rows_per_pass
        self.restart()

    def restart(self) -> None:
        options = WatchOptions(
            DetectionSettings(), FleetDefaults(), desk=DESK, rows_per_pass=self.rows_per_pass
        )
        self.watch = Watch(self.store, options, Metrics(CollectorRegistry()), lambda: START_US)

    def arrive(self, readings: Readings, since_us: int, arrivals: int) -> None:
        """Some arrivals, each its own transaction with its horizon; repeats one reading."""
        for part in np.array_split(np.arange(len(readings)), arrivals):
            piece = readings.take(part)
            with self.store.writing() as connection:
                number = new_arrival(connection, int(piece.time_us[-1]), len(piece))
                keys = self.keys[piece.transmitter]
                assert insert_readings(connection, number, piece, keys, piece.time_us) == len(piece)
                again = piece.take(slice(0, 1))
                assert insert_readings(connection, number, again, keys[:1], again.time_us) == 0
                set_horizon(connection, "one", Horizon(since_us, int(piece.time_us[-1])))

    def catch_up(self) -> int:
        passes = 1
        while self.watch.make_pass():
            passes += 1
        return passes


def pieces(readings: Readings, count: int, seed: int) -> list[Readings]:
    """Cut at random, never between readings of the same time."""
    rng = np.random.default_rng(seed)
    apart = np.flatnonzero(np.diff(readings.time_us) > 0) + 1
    edges = [0, *sorted(rng.choice(apart, count - 1, replace=False).tolist()), len(readings)]
    return [readings.take(slice(a, b)) for a, b in itertools.pairwise(edges)]


def expected(fleet: Fleet, readings: Readings) -> list[Row]:
    """The replay's alarms, which have to hold something of each kind to be worth comparing."""
    rows = replayed(fleet, readings)
    assert {row[2] for row in rows} >= {
        "swr-rising",
        "swr-high",
        "swr-step",
        "swr-intermittent",
        "measurement-suspect",
        "reports-missing",
        "site-unreachable",
    }
    assert ("cedar", "", "swr-high", int(Severity.CRITICAL)) in {row[:4] for row in rows}
    return rows


@pytest.mark.parametrize("rows_per_pass", [150, 200_000])
def test_passes_and_restarts_change_nothing(store: Store, rows_per_pass: int) -> None:
    running = Live(store, rows_per_pass)
    readings = stream(running.fleet)
    passes = 0
    for number, piece in enumerate(pieces(readings, 12, seed=1)):
        running.arrive(piece, int(readings.time_us[0]), arrivals=min(3, len(piece)))
        passes += running.catch_up()
        if number % 3 == 2:
            running.restart()
    assert passes >= 12
    assert noted(store) == expected(running.fleet, readings)
    check_outbox(store)
    assert running.watch.make_pass() is False
    assert noted(store) == expected(running.fleet, readings)


def test_a_pass_that_fails_to_commit_repeats_nothing_and_loses_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = Live(store, 200_000)
    readings = stream(running.fleet)
    failed = 0
    for piece in pieces(readings, 8, seed=2):
        running.arrive(piece, int(readings.time_us[0]), arrivals=1)
        before = noted(store)
        with monkeypatch.context() as patched:

            def fails(*_: object) -> None:
                raise OSError("the disk is full")

            patched.setattr(live, "save_progress", fails)
            with pytest.raises(OSError, match="the disk is full"):
                running.watch.make_pass()
            failed += 1
        assert noted(store) == before
        # As the watch's thread does after a failure: what is in memory is not to be trusted.
        running.watch._loaded = None
        running.catch_up()
    assert failed == 8
    assert noted(store) == expected(running.fleet, readings)
    check_outbox(store)


def test_the_threads_own_recovery_loses_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    running = Live(store, 200_000)
    readings = stream(running.fleet)
    running.arrive(readings, int(readings.time_us[0]), arrivals=2)
    real, calls = live.save_progress, []

    def fails_once(*arguments: Any) -> None:
        calls.append(1)
        if len(calls) == 1:
            raise OSError("the disk is full")
        real(*arguments)
        running.watch._stopping.set()

    monkeypatch.setattr(live, "save_progress", fails_once)
    running.watch.start()
    running.watch._thread.join(60)
    assert len(calls) == 2
    assert noted(store) == expected(running.fleet, readings)
    check_outbox(store)


def test_parts_that_sites_go_to_and_fro_between_change_nothing(store: Store) -> None:
    running = Live(store, 200_000)
    options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=DESK, rows_per_pass=700)
    readings = stream(running.fleet)
    rng = np.random.default_rng(7)

    def watch(part: int) -> Watch:
        return Watch(store, options, Metrics(CollectorRegistry()), lambda: START_US, part=part)

    watches: dict[int, Watch] = {}
    seen: set[tuple[str, int]] = set()
    for number, piece in enumerate(pieces(readings, 16, seed=3)):
        if number % 4 == 1:
            with store.writing() as connection:
                set_parts(connection, int(rng.choice([2, 3, 4] if number < 13 else [1])))
        running.arrive(piece, int(readings.time_us[0]), arrivals=min(3, len(piece)))
        with store.reading() as connection:
            parts = parts_in_use(connection)
        for part in rng.permutation(parts).tolist():
            if rng.random() < 0.2:
                watches.pop(part, None)  # its process has ended: another goes on with the part
            # Parts come as far as they come, and not as far as each other.
            for _ in range(int(rng.integers(0, 4))):
                watches.setdefault(part, watch(part)).make_pass()
        with store.reading() as connection:
            seen |= {(r.site, r.part) for r in connection.execute(select(tables.watch_sites))}
    assert len(seen) > 6, "sites went to other parts"
    for _ in range(3):
        with store.reading() as connection:
            parts = parts_in_use(connection)
        for part in parts:
            while watches.setdefault(part, watch(part)).make_pass():
                pass
    assert noted(store) == expected(running.fleet, readings)
    check_outbox(store)
    with store.reading() as connection:
        assert set(connection.execute(select(tables.watch_sites.c.part)).scalars()) == {0}
        assert connection.execute(select(tables.watch_progress.c.watch)).scalars().all() == ["watch"]
