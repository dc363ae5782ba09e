"""An ice storm over a region of 500 sites: what the desk hears of it, and what the alarm list says then."""

from __future__ import annotations

import json
from collections import Counter

import numpy as np
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.alarms.notice import ChannelRules
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.words import Severity
from standingwatch.inventory import FleetDefaults, InventoryRow, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import QualityCarry, Readings, qualify
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.telling import load_told
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions

START_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
HISTORY_DAYS = 16
#: Sites in the region of the storm, and elsewhere; every third has two transmitters.
ICED, SPARED = 500, 100

DESK = ChannelRules("desk")
LOG = ChannelRules("log", is_calm=False)


def site_rows() -> tuple[InventoryRow, ...]:
    lines = ["site,transmitter,frequency_mhz,region,rated_power_w,feeder_loss_db,expected_interval_s"]
    for number in range(ICED + SPARED):
        region = "uplands" if number < ICED else "coast"
        names = ("rpt-1", "rpt-2")[: 2 if number % 3 == 0 else 1]
        lines += [f"hill-{number:03},{name},155.3,{region},50,1.0,7200" for name in names]
    return tuple(read_inventory_text("\n".join(lines) + "\n", "fleet.csv").rows)


class Storm:
    """A fleet that reports into a store, and the watch over it."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.rng = np.random.default_rng(11)
        with store.writing() as connection:
            replace_site_list(connection, site_rows(), START_US)
        with store.reading() as connection:
            sites = load_site_list(connection)
        self.keys = sites.keys
        self.fleet: Fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
        n = len(self.fleet)
        self.normal_rho = self.rng.uniform(0.06, 0.16, n)
        self.carry = QualityCarry.empty(n)
        self.now_us = START_US
        desk = DeskOptions((DESK, LOG), source="urn:test")
        options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=desk)
        self.watch = Watch(store, options, Metrics(CollectorRegistry()), lambda: self.now_us)

    def report(self, times_us: IntArray, rho: FloatArray, temperature_c: float, wet: float) -> None:
        """All transmitters report at some times, and the watch sees it."""
        n, times = len(self.fleet), len(times_us)
        forward_w = np.round(self.rng.normal(48, 0.5, n * times), 1)
        noisy = np.clip(np.tile(rho, times) + self.rng.normal(0, 0.002, n * times), 0, 1)
        readings = Readings.from_columns(
            {
                "transmitter": np.tile(np.arange(n), times),
                "time_us": np.repeat(times_us, n),
                "forward_w": forward_w,
                "reflected_w": np.round(forward_w * noisy**2, 2),
                "ambient_temperature_c": np.full(n * times, temperature_c),
                "precipitation": np.full(n * times, wet),
            }
        )
        readings, self.carry = qualify(readings, self.fleet, readings.time_us, self.carry, 300.0)
        last_us = int(times_us[-1])
        self.now_us = last_us + 1_000_000
        with self.store.writing() as connection:
            arrival = new_arrival(connection, self.now_us, len(readings))
            keys = self.keys[readings.transmitter]
            insert_readings(connection, arrival, readings, keys, readings.time_us)
            set_horizon(connection, "one", Horizon(START_US, last_us + 1))
        self.look()

    def look(self) -> None:
        while self.watch.make_pass():
            pass

    def wait(self, seconds: int) -> None:
        """Time goes by without a report."""
        for _ in range(seconds // 15):
            self.now_us += 15_000_000
            self.look()


def iced_ones(fleet: Fleet) -> BoolArray:
    return np.array([region == "uplands" for region in fleet.region])


def test_a_regional_ice_storm(store: Store) -> None:
    storm = Storm(store)
    fleet = storm.fleet
    history_us = START_US + np.arange(0, HISTORY_DAYS * 24, 2) * HOUR_US
    storm.report(history_us, storm.normal_rho, 2.0, 0.0)

    # Ice builds up over a quarter of an hour at each site, beginning within half an hour of each other.
    iced = iced_ones(fleet)
    begin_us = START_US + HISTORY_DAYS * DAY_US
    start_min = storm.rng.uniform(0, 30, len(fleet.site_names))[fleet.site_of]
    thick_rho = storm.rng.uniform(0.45, 0.75, len(fleet))
    for minute in range(75):
        growth = np.clip((minute - start_min) / 15, 0, 1)
        rho = np.where(iced, np.maximum(storm.normal_rho, thick_rho * growth), storm.normal_rho)
        storm.report(np.array([begin_us + minute * MINUTE_US]), rho, -1.5, 1.0)
        storm.wait(45)

    with store.reading() as connection:
        alarms = load_alarms(connection)
        outbox = tables.outbox.c
        messages = connection.execute(
            select(outbox.made_us, outbox.body).where(outbox.channel == "desk").order_by(outbox.id)
        ).all()
        logged = connection.execute(select(outbox.id).where(outbox.channel == "log")).all()
    made_us = [m.made_us for m in messages]
    assert made_us[0] >= begin_us

    # No ten minutes bring more than ten notifications, the first ones least of all.
    within = [sum(t <= u < t + 10 * MINUTE_US for u in made_us) for t in made_us]
    assert within[0] <= 10
    assert max(within) <= 10

    # The list is right: all that are iced are in it, by themselves or in a group; nobody else is.
    standing = {key: alarm for key, alarm in alarms.items() if not alarm.is_cleared}
    named = {f"{k.site}/{k.transmitter}" for k in standing if k.transmitter}
    named |= {member for alarm in standing.values() for member in alarm.members}
    names = np.array([f"{s}/{t}" for s, t in zip(fleet.site, fleet.transmitter, strict=True)])
    assert named == set(names[iced].tolist())
    # And it can be read: a few alarms about the region, not hundreds about its sites.
    assert {key.region for key in standing} == {"uplands"}
    assert max(alarm.severity for alarm in standing.values()) >= Severity.MAJOR
    assert len(logged) < ICED / 2

    # The desk has heard of all of it, singly or by name in a summary or group.
    storm.wait(2400)
    with store.reading() as connection:
        told = load_told(connection)["desk"]
        alarms = load_alarms(connection)
    standing = {key: alarm for key, alarm in alarms.items() if not alarm.is_cleared}
    assert {k: t.severity for k, t in told.items()} == {k: a.severity for k, a in standing.items()}
    kinds = Counter(json.loads(m.body)["type"].rpartition(".")[2] for m in messages)
    assert kinds["summary"] >= 1
