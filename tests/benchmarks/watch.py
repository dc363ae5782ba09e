"""Readings that the watch judges a second, beside pandas reading the same rows from the same store.

    python tests/benchmarks/watch.py                 on SQLite
    python tests/benchmarks/watch.py --postgres      on PostgreSQL too

The whole watch is measured: reading from the store, detectors, alarms, and the commits of its passes. The
readings have arrived before; passes take as many at a time as the settings say.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from stage import cpu_s, make_store, peak_mb, postgres, say, spread

INTERVAL_S = 300
BEGIN_US = 1_767_225_600_000_000


def fill(store: Any, transmitters: int, readings: int, an_arrival: int = 2000) -> int:
    """Readings of a healthy fleet in order of time, as the intake would have kept them; their last time."""
    from standingwatch.inventory import FleetDefaults, build_fleet
    from standingwatch.readings import QualityCarry, Readings, qualify
    from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
    from standingwatch.store.sites import load_site_list

    with store.reading() as connection:
        sites = load_site_list(connection)
    fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
    rng = np.random.default_rng(3)
    carry = QualityCarry.empty(len(fleet))
    step_us = INTERVAL_S * 1_000_000
    time_us = np.zeros(0, dtype=np.int64)
    for first in range(0, readings, an_arrival * 20):
        count = min(an_arrival * 20, readings - first)
        row = np.arange(first, first + count)
        position = row % transmitters
        time_us = BEGIN_US + row // transmitters * step_us + position * step_us // transmitters
        forward_w = np.round(rng.normal(95, 1, count), 1)
        rho = np.abs(rng.normal(0.12, 0.005, count))
        columns = {
            "transmitter": position,
            "time_us": time_us,
            "forward_w": forward_w,
            "reflected_w": np.round(forward_w * rho**2, 2),
        }
        kept, carry = qualify(Readings.from_columns(columns), fleet, time_us, carry, 300.0)
        with store.writing() as connection:
            for at in range(0, count, an_arrival):
                piece = kept.take(slice(at, at + an_arrival))
                arrival = new_arrival(connection, int(piece.time_us[-1]), len(piece))
                keys = fleet.key[piece.transmitter]
                insert_readings(connection, arrival, piece, keys, piece.time_us)
            set_horizon(connection, "main", Horizon(BEGIN_US, int(time_us[-1])))
    return int(time_us[-1])


def measured(work: Callable[[], object]) -> tuple[float, float]:
    """Time by the clock and of the processor [s]."""
    begin, used = time.perf_counter(), cpu_s()
    work()
    return time.perf_counter() - begin, cpu_s() - used


def judge(store: Any, now_us: int, readings: int) -> None:
    """All that has arrived, by a watch that begins anew."""
    from prometheus_client import CollectorRegistry

    from standingwatch.detect.engine import DetectionSettings
    from standingwatch.inventory import FleetDefaults
    from standingwatch.metrics import Metrics
    from standingwatch.watch.live import Watch, WatchOptions

    options = WatchOptions(DetectionSettings(), FleetDefaults())
    watch = Watch(store, options, Metrics(CollectorRegistry()), lambda: now_us)
    while watch.make_pass():
        pass
    if watch.until_us is None or watch.until_us < now_us - INTERVAL_S * 1_000_000:
        raise RuntimeError(f"the watch came to {watch.until_us} only, of {readings} readings to {now_us}")


def forget_watch(store: Any) -> None:
    """Let the watch begin anew over the same readings."""
    from sqlalchemy import delete

    from standingwatch.store import tables
    from standingwatch.store.watching import clear_state

    with store.writing() as connection:
        clear_state(connection)
        for table in (tables.watch_progress, tables.rollups, tables.baselines):
            connection.execute(delete(table))


def compare(url: str, options: argparse.Namespace, kind: str) -> None:
    """Both over the same rows, in turn."""
    import pandas as pd

    from standingwatch.store.reports import READING_COLUMNS

    store = make_store(url, options.transmitters)
    now_us = fill(store, options.transmitters, options.readings)
    query = f"SELECT {', '.join(READING_COLUMNS)} FROM readings"

    def read() -> None:
        with store.engine.connect() as connection:
            frame = pd.read_sql(query, connection)
        if len(frame) != options.readings:
            raise RuntimeError(f"pandas read {len(frame)} of {options.readings} rows")

    pandas, watch = [], []
    for _ in range(options.repeats):
        pandas.append(measured(read))
        forget_watch(store)
        watch.append(measured(lambda: judge(store, now_us, options.readings)))
    million = options.readings / 1e6
    say(f"watch, {kind}, {options.readings:,} readings of {options.transmitters:,} transmitters")
    for name, runs in (("pandas.read_sql", pandas), ("the watch", watch)):
        say(
            f"  {name:16s} {spread([million / wall for wall, _ in runs], 3)} million readings/s, "
            f"{spread([cpu / million for _, cpu in runs])} us of CPU each"
        )
    pairs = list(zip(pandas, watch, strict=True))
    say(
        f"  ratio            {spread([a[0] / b[0] for a, b in pairs])} by the clock, "
        f"{spread([a[1] / b[1] for a, b in pairs])} by CPU; peak {peak_mb(__import__('os').getpid()):.0f} MB"
    )
    store.close()


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--transmitters", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--sqlite", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--postgres", action="store_true")
    options = parser.parse_args()
    if options.sqlite:
        with tempfile.TemporaryDirectory(prefix="standingwatch-watch-") as folder:
            compare(f"sqlite:///{folder}/store.sqlite", options, "sqlite")
    if options.postgres:
        with postgres() as server:
            compare(server.database(), options, "postgresql")
    return 0


if __name__ == "__main__":
    sys.exit(main())
