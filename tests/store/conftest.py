"""A store with something in every table, for what has to keep all of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import alembic.command
import numpy as np
import pytest
from databases import address_of, new_database
from prometheus_client import CollectorRegistry
from sqlalchemy import MetaData, Table, select, text

from standingwatch.alarms.notice import ChannelRules
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.words import Severity
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import QualityCarry, Readings, qualify
from standingwatch.store import tables
from standingwatch.store.connect import Store, _alembic_config
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions

START_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000
INVENTORY = """\
site,transmitter,frequency_mhz,region,rated_power_w,expected_interval_s
amber,a1,446,north,100,600
birch,b1,447,north,100,600
"""
Rows = dict[str, list[dict[str, Any]]]

OF_ALARM = {"site": "amber", "transmitter": "a1", "condition": "swr-high", "region": "", "service": ""}

#: Of tables that reports and the watch leave empty here.
BY_HAND: Rows = {
    "clock_corrections": [{"site": "amber", "since_us": START_US, "off_us": 90_000_000}],
    "handlings": [
        {
            **OF_ALARM,
            "state": "ack",
            "by": "Robin",
            "time_us": START_US,
            "before_shelf": "none",
            "assigned_to": "Sam",
        }
    ],
    "handling_changes": [
        {
            "id": 7,
            **OF_ALARM,
            "time_us": START_US,
            "by": "Robin",
            "act": "acknowledge",
            "state": "ack",
            "text": "",
        }
    ],
    "late_days": [{"transmitter": 2, "day_us": START_US, "seen_us": START_US}],
    "maintenance": [
        {
            "id": 3,
            "site": "birch",
            "transmitter": "",
            "start_us": START_US,
            "end_us": START_US + 1,
            "kind": "outage",
            "entered_by": "Robin",
            "note": "mast",
            "ended_by": "",
        }
    ],
    "notes": [{"name": "heartbeat", "value": "5"}],
    "reviews": [{"id": 2, "region": "north", "day": "2026-01-01", "made_us": 5, "since_us": 4, "body": "{}"}],
    "sessions": [{"key_hash": "aa", "user": "robin", "begun_us": 1, "seen_us": 2, "ends_us": 3}],
    "users": [{"name": "robin", "role": "operator", "password_hash": "x", "made_us": 1, "disabled_us": None}],
    "visits": [
        {
            "id": 4,
            "site": "amber",
            "state": "dropped",
            "urgency": "soon",
            "proposed_us": 1,
            "changed_us": 2,
            "planned_for_us": None,
            "crew": "",
            "begun_us": None,
            "ended_us": None,
            "reasons": "[]",
            "findings": "",
            "proof": "",
        }
    ],
}


def _something(table: Table) -> dict[str, Any]:
    """A row with another value in each column, of its type."""
    made: dict[str, Any] = {}
    for number, column in enumerate(table.c, start=1):
        kind = column.type.python_type
        made[column.name] = {
            int: number,
            float: number / 8,
            str: f"{column.name} äß \U0001f4e1 {number}",
            bytes: b"\x00\xff\x80" + bytes([number]),
            bool: True,
        }[kind]
    return made


def _watched(store: Store) -> None:
    """Reports of two transmitters, of which one has a fault; the watch judges them."""
    with store.writing() as connection:
        inventory = read_inventory_text(INVENTORY, "fleet.csv")
        assert inventory.errors == ()
        replace_site_list(connection, inventory.rows, START_US)
    with store.reading() as connection:
        sites = load_site_list(connection)
    fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
    count = 60
    time_us = np.repeat(START_US + np.arange(count) * 10 * MINUTE_US, 2)
    owner = np.tile([0, 1], count)
    reflected_w = np.where((owner == 0) & (np.arange(2 * count) > 80), 30.0, 1.3)
    columns = {"transmitter": owner, "time_us": time_us, "forward_w": np.full(2 * count, 95.0)}
    readings = Readings.from_columns({**columns, "reflected_w": reflected_w})
    readings = qualify(readings, fleet, readings.time_us, QualityCarry.empty(2), 120.0)[0]
    last_us = int(time_us[-1])
    with store.writing() as connection:
        number = new_arrival(connection, last_us, len(readings))
        insert_readings(connection, number, readings, sites.keys[readings.transmitter], readings.time_us)
        set_horizon(connection, "one", Horizon(int(time_us[0]), last_us))
    desk = DeskOptions((ChannelRules("log", Severity.WARNING, is_calm=False),), source="test")
    options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=desk)
    watch = Watch(store, options, Metrics(CollectorRegistry()), lambda: last_us)
    while watch.make_pass():
        pass


@dataclass(frozen=True)
class Filled:
    """Rows of every table as a service left them, and what puts them into a store."""

    rows: Rows

    def put_in(self, store: Store) -> Rows:
        """Insert as much of them as the layout of the store can hold; what was inserted."""
        return put_in(store, self.rows)


def put_in(store: Store, rows: Rows) -> Rows:
    present = MetaData()
    put: Rows = {}
    with store.writing() as connection:
        present.reflect(connection)
        for name in rows:
            all_of_table = rows[name]
            if name not in present.tables:
                continue
            columns = set(present.tables[name].c.keys())
            if name == "watch_state" and "part" not in columns:
                # There was only one part then.
                all_of_table = [row for row in all_of_table if row["part"] == "quick"]
            put[name] = [{k: v for k, v in row.items() if k in columns} for row in all_of_table]
            connection.execute(present.tables[name].insert(), put[name])
            counter = next((c for c in present.tables[name].c if c.name in ("id", "key", "arrival")), None)
            if not store.is_sqlite and counter is not None and counter.server_default is not None:
                # Rows that come with their number do not move what counts.
                words = f"SELECT setval(pg_get_serial_sequence('{name}', '{counter.name}'), :newest)"
                newest = max(row[counter.name] for row in put[name])
                connection.execute(text(words), {"newest": newest})
    return put


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory, _on_chosen_store: None) -> Filled:
    """Something in every table: by reports and the watch, by hand, or of each column's type."""
    store = Store(address_of(tmp_path_factory.mktemp("filled") / "store.sqlite"))
    store.migrate()
    _watched(store)
    rows: Rows = {}
    with store.reading() as connection:
        for name, table in tables.metadata.tables.items():
            found = [dict(row) for row in connection.execute(select(table)).mappings()]
            rows[name] = found or BY_HAND.get(name) or [_something(table)]
    store.close()
    assert rows["alarms"][0]["severity"] >= Severity.MAJOR
    assert json.loads(rows["outbox"][0]["body"])
    assert len(rows["readings"]) == 120
    assert rows["watch_state"]
    return Filled(rows)


@pytest.fixture
def store_of_layout() -> Iterator[Callable[[str, str], Store]]:
    """Makes the tables of an earlier version: `store_of_layout(url, "0004")`."""
    made: list[Store] = []

    def make(url: str, layout: str) -> Store:
        store = Store(url)
        made.append(store)
        with store.writing() as connection:
            config = _alembic_config()
            config.attributes["connection"] = connection
            alembic.command.upgrade(config, layout)
        return store

    yield make
    for store in made:
        store.close()


@pytest.fixture
def scratch(tmp_path: Path) -> Path:
    """A folder apart from that of the store."""
    folder = tmp_path / "backups"
    folder.mkdir()
    return folder


@pytest.fixture
def postgres_database(postgres_port: int) -> Callable[[], str]:
    """Makes empty databases at the tests' PostgreSQL server; gives the address of each."""

    return lambda: new_database(postgres_port)
