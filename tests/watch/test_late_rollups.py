"""Hours that were closed before some of their readings came are made again with them."""

from __future__ import annotations

from typing import Any

import numpy as np
from prometheus_client import CollectorRegistry

from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.rollup import HOUR_US, in_order, roll_up
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import Flag, QualityCarry, Readings, qualify
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.late_days import (
    DAY_US,
    forget_late_day,
    next_late_day,
    note_late,
    readings_of_day,
)
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import rollup_frame
from standingwatch.watch.live import Watch, WatchOptions

START_US = 1_767_225_600_000_000
HOURS = 5


def some_readings(owner: int, seed: int) -> Readings:
    """A reading every ten minutes."""
    rng = np.random.default_rng(seed)
    time_us = START_US + np.arange(HOURS * 6) * 600_000_000
    forward_w = np.round(rng.normal(90, 2, len(time_us)), 1)
    return Readings.from_columns(
        {
            "transmitter": np.full(len(time_us), owner),
            "time_us": time_us,
            "forward_w": forward_w,
            "reflected_w": np.round(forward_w * rng.uniform(0.005, 0.02, len(time_us)), 2),
        }
    )


def test_late_and_old_readings_correct_their_hours(store: Store) -> None:
    text = "site,transmitter,frequency_mhz\namber,a1,446\nbirch,b1,446\ncedar,c1,446\n"
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(text, "fleet.csv").rows, START_US)
        sites = load_site_list(connection)
    fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
    until_us = START_US + (HOURS + 1) * HOUR_US
    now_us = [until_us]
    options = WatchOptions(DetectionSettings(), FleetDefaults())
    watch = Watch(store, options, Metrics(CollectorRegistry()), lambda: now_us[0])
    carry = QualityCarry.empty(len(fleet))

    def arrive(readings: Readings) -> Any:
        nonlocal carry
        readings, carry = qualify(readings, fleet, np.full(len(readings), until_us), carry, 300.0)
        with store.writing() as connection:
            arrival = new_arrival(connection, until_us, len(readings))
            keys = fleet.key[readings.transmitter]
            insert_readings(connection, arrival, readings, keys, np.full(len(readings), until_us))
            set_horizon(connection, "test", Horizon(START_US, until_us))
        while watch.make_pass():
            pass
        # Hours are made again when the late reports have paused.
        now_us[0] += round(options.late_pause_s * 1e6)
        while watch.make_pass():
            pass
        return readings

    first, untouched, silent = some_readings(0, 1), some_readings(2, 2), some_readings(1, 3)
    on_time = arrive(Readings.concatenate([first.take(first.time_us % 1_200_000_000 == 0), untouched]))
    # Every second reading of one transmitter comes late, all of another only after an outage.
    late = arrive(first.take(first.time_us % 1_200_000_000 != 0))
    assert (late.flags & int(Flag.LATE)).any()
    backlog = arrive(silent)
    assert not (backlog.flags & int(Flag.LATE)).any()

    wanted = roll_up(in_order(Readings.concatenate([on_time, late, backlog])))
    with store.reading() as connection:
        kept = rollup_frame(connection, 0, until_us)
    order = np.lexsort((wanted.hour_us, wanted.transmitter))
    assert kept["transmitter"].tolist() == fleet.key[wanted.transmitter[order]].tolist()
    assert kept["hour_us"].tolist() == wanted.hour_us[order].tolist()
    for name in ("reports", "usable", "forward_w", "rho_low", "rho_median", "rho_high", "rho_max"):
        assert kept[name].tolist() == getattr(wanted, name)[order].tolist(), name
    assert set(kept["reports"]) == {6}


def test_a_day_with_much_to_read_is_put_right_in_parts(store: Store) -> None:
    """Memory is bounded by readings, however many transmitters come back with a day of theirs at once."""
    day_us = START_US - START_US % DAY_US
    keys = np.repeat(np.arange(1, 6), 40)
    time_us = START_US + np.tile(np.arange(40), 5) * 60_000_000
    power_w = np.ones(len(keys))
    columns = {"transmitter": keys, "time_us": time_us, "forward_w": power_w, "reflected_w": power_w / 50}
    with store.writing() as connection:
        arrival = new_arrival(connection, START_US, len(keys))
        insert_readings(connection, arrival, Readings.from_columns(columns), keys, time_us)
        # The second is not late; the fourth is noted anew after the look.
        note_late(connection, np.array([1, 3, 4, 5]), np.full(4, START_US), 10)
        note_late(connection, np.array([4]), np.array([START_US]), 30)
        parts = []
        while (late := next_late_day(connection, 20, most_rows=130)) is not None:
            read = readings_of_day(connection, late, arrival, np.arange(6))
            parts.append((late.day_us, late.keys.tolist(), len(read)))
            forget_late_day(connection, late)
        [left] = connection.execute(tables.late_days.select()).all()
    assert parts == [(day_us, [1, 3], 80), (day_us, [5], 40)]
    assert (left.transmitter, left.seen_us) == (4, 30)
    with store.writing() as connection:
        note_late(connection, np.array([5]), np.array([START_US]), 10)
        alone = next_late_day(connection, 20, most_rows=1)
    assert alone is not None
    assert alone.keys.tolist() == [5]  # more than the limit by itself, and read all the same
