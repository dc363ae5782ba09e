"""Months of the invented fleet's past, put through the same store and watch as the live reports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from prometheus_client import CollectorRegistry

from standingwatch.demo.simulator import Simulator
from standingwatch.metrics import Metrics
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify
from standingwatch.store.connect import Store
from standingwatch.store.reports import (
    Horizon,
    forget_horizon,
    insert_readings,
    new_arrival,
    set_horizon,
)
from standingwatch.watch.live import Watch, WatchOptions

DAY_S = 86_400

#: Days of history that are made and judged together.
DAYS_AT_ONCE = 10

#: Time between the reports of the past [s]: coarser than live, so that the demo starts soon.
HISTORY_INTERVAL_S = 1800

#: The end of the past is as dense as life [s]: else every site would seem silent when life begins.
DENSE_S = 3600


def to_readings(frame: pd.DataFrame, fleet: Fleet) -> Readings:
    """Reports of the simulator as readings of the fleet."""
    where = pd.Series(
        {f"{site}\n{name}": position for (site, name), position in fleet.position.items()}, dtype="int64"
    )
    names = frame["site"].astype("str") + "\n" + frame["transmitter"].astype("str")
    columns = {
        name: frame[name].to_numpy()
        for name in (
            "time_us",
            "forward_w",
            "reflected_w",
            "keyed",
            "frequency_mhz",
            "pa_temperature_c",
            "ambient_temperature_c",
            "precipitation",
            "wind_mps",
        )
    }
    return Readings.from_columns({"transmitter": where.loc[names].to_numpy(), **columns})


def live_through(
    store: Store,
    fleet: Fleet,
    simulator: Simulator,
    options: WatchOptions,
    start_s: int,
    live_s: int,
    told: Callable[[str], None],
) -> int:
    """Store and judge the reports of [start_s, live_s); no message of it goes out.

    Args:
        store: migrated, with its site list.
        fleet: of that site list.
        simulator: where the reports come from.
        options: of the watch; its channels are left out.
        start_s, live_s: the span [Unix seconds].
        told: called with what has been done so far.

    Returns:
        How many readings there were.
    """
    now_us = live_s * 1_000_000
    silent = replace(options, desk=replace(options.desk, rules=()))
    watch = Watch(store, silent, Metrics(CollectorRegistry()), lambda: now_us)
    carry = QualityCarry.empty(len(fleet))
    total = 0
    for begin_s in range(start_s, live_s, DAYS_AT_ONCE * DAY_S):
        end_s = min(begin_s + DAYS_AT_ONCE * DAY_S, live_s)
        dense_s = max(begin_s, min(end_s, live_s - DENSE_S))
        frames = [simulator.frame(begin_s, dense_s, HISTORY_INTERVAL_S), simulator.frame(dense_s, end_s)]
        readings = to_readings(pd.concat([frame for frame in frames if len(frame)]), fleet)
        readings, carry = qualify(readings, fleet, readings.time_us, carry, 300.0)
        with store.writing() as connection:
            arrival = new_arrival(connection, end_s * 1_000_000, len(readings))
            keys = fleet.key[readings.transmitter]
            insert_readings(connection, arrival, readings, keys, readings.time_us)
            # The past was not listened to: nothing can be said about reports that did not come in it.
            set_horizon(connection, "history", Horizon(now_us, end_s * 1_000_000))
        while watch.make_pass():
            pass
        total += len(readings)
        told(f"history: {np.round((end_s - start_s) / DAY_S):.0f} days, {total} readings")
    with store.writing() as connection:
        forget_horizon(connection, "history")
    return total
