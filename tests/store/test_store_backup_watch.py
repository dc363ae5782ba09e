"""A backup taken while the watch judges: from what was put back it goes on, and nothing is doubled."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from databases import address_of
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select

from standingwatch.alarms.notice import ChannelRules
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.words import Severity
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify
from standingwatch.store import tables
from standingwatch.store.backups import make_backup, restore
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions

START_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000
DAYS = 6
BATCHES = 60
INVENTORY = """\
site,transmitter,frequency_mhz,region,rated_power_w,expected_interval_s
amber,a1,446,amber,100,1200
birch,b1,447,birch,100,1200
cedar,c1,447,cedar,100,1200
"""


def stream(fleet: Fleet) -> Readings:
    """a1 is broken for some hours of each day, b1 rises, c1 is well."""
    rng = np.random.default_rng(11)
    minutes = np.arange(0, DAYS * 1440, 20)
    owner = np.tile(np.arange(3), len(minutes))
    time_us = START_US + np.repeat(minutes, 3) * MINUTE_US
    day = (time_us - START_US) / (1440 * MINUTE_US)
    rho = 0.1 + rng.normal(0, 0.004, len(owner))
    rho[(owner == 0) & (day % 1 > 0.3) & (day % 1 < 0.5)] = 0.6
    rho += np.where(owner == 1, np.clip(day - 3, 0, None) * 0.1, 0)
    columns = {"transmitter": owner, "time_us": time_us, "forward_w": np.full(len(owner), 95.0)}
    readings = Readings.from_columns({**columns, "reflected_w": np.round(95.0 * rho**2, 2)})
    return qualify(readings, fleet, readings.time_us, QualityCarry.empty(3), 120.0)[0]


class Service:
    """Intake and watch of a store, without a broker."""

    def __init__(self, store: Store) -> None:
        self.store = store
        with store.reading() as connection:
            sites = load_site_list(connection)
        self.keys = sites.keys
        self.fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
        desk = DeskOptions((ChannelRules("log", Severity.WARNING, is_calm=False),), source="test")
        options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=desk, pause_s=0.005)
        # A clock of the data's own, so that what is noted is the same whenever it is noted.
        self.watch = Watch(
            store, options, Metrics(CollectorRegistry()), lambda: START_US + DAYS * 86_400_000_000
        )

    def take_in(self, readings: Readings, begin: int = 0, end: int = BATCHES) -> None:
        for part in np.array_split(np.arange(len(readings)), BATCHES)[begin:end]:
            piece = readings.take(part)
            with self.store.writing() as connection:
                number = new_arrival(connection, int(piece.time_us[-1]), len(piece))
                insert_readings(connection, number, piece, self.keys[piece.transmitter], piece.time_us)
                set_horizon(connection, "one", Horizon(START_US, int(piece.time_us[-1])))

    def catch_up(self) -> None:
        while self.watch.make_pass():
            pass


def site_list(store: Store) -> None:
    store.migrate()
    inventory = read_inventory_text(INVENTORY, "fleet.csv")
    with store.writing() as connection:
        replace_site_list(connection, inventory.rows, START_US)


def outcome(store: Store) -> dict[str, Any]:
    """What the watch made of the readings: alarms, their history, messages, hours, state of detectors."""
    changes, outbox, alarms = tables.alarm_changes.c, tables.outbox.c, tables.alarms.c
    with store.reading() as connection:

        def all_of(*columns: Any) -> list[tuple[Any, ...]]:
            return sorted(tuple(row) for row in connection.execute(select(*columns)))

        return {
            "changes": all_of(
                changes.site,
                changes.condition,
                changes.number,
                changes.kind,
                changes.severity,
                changes.time_us,
                changes.event_id,
            ),
            "messages": all_of(outbox.channel, outbox.event_id),
            "alarms": all_of(
                alarms.site, alarms.condition, alarms.severity, alarms.raised_us, alarms.changes
            ),
            "readings": connection.execute(select(func.count()).select_from(tables.readings)).scalar_one(),
            "hours": all_of(*tables.rollups.c),
            "state": all_of(*tables.watch_state.c),
        }


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What comes of all readings without any backup."""
    store = Store(address_of(tmp_path_factory.mktemp("undisturbed") / "store.sqlite"))
    site_list(store)
    service = Service(store)
    service.take_in(stream(service.fleet))
    service.catch_up()
    found = outcome(store)
    store.close()
    assert {row[0] for row in found["changes"]} == {"amber", "birch"}
    assert len(found["changes"]) >= 2 * DAYS
    return found


@pytest.fixture
def other(store_url: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Store]:
    url = f"sqlite:///{tmp_path}/other.sqlite"
    if not store_url.startswith("sqlite"):
        url = request.getfixturevalue("postgres_database")()
    made = Store(url)
    yield made
    made.close()


def test_the_watch_goes_on_from_what_was_put_back(
    store_url: str, other: Store, tmp_path: Path, undisturbed: dict[str, Any]
) -> None:
    store = Store(store_url)
    site_list(store)
    service = Service(store)
    readings = stream(service.fleet)
    files: list[Path] = []

    def feed() -> None:
        for batch in range(45):
            while batch >= 15 * (len(files) + 1):
                # Not further ahead than a third: the next backup is under way.
                time.sleep(0.002)
            service.take_in(readings, batch, batch + 1)

    feeder = threading.Thread(target=feed)
    service.watch.start()
    feeder.start()
    # Again and again, at whatever moment the writer and the watch are in.
    for number in range(3):
        make_backup(store, tmp_path / f"{number}.backup", START_US)
        files.append(tmp_path / f"{number}.backup")
    feeder.join()
    service.watch.stop()
    store.close()
    # One from the midst: what came after it comes once more, in one long batch as from sites that kept it.
    restore(
        other,
        files[1],
        replace=False,
        now_us=START_US,
        note=lambda _connection: None,
    )
    anew = Service(other)
    with other.reading() as connection:
        kept = connection.execute(select(func.count()).select_from(tables.readings)).scalar_one()
    assert kept < len(readings)
    anew.take_in(readings)
    anew.catch_up()
    found = outcome(other)
    for name, wanted in undisturbed.items():
        assert found[name] == wanted, name
    assert found["readings"] == len(readings)
    with other.reading() as connection:
        bodies = connection.execute(select(tables.outbox.c.body)).scalars().all()
    ids = [json.loads(body)["id"] for body in bodies]
    assert len(set(ids)) == len(ids)
