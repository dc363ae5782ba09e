"""What a fleet costs: bytes of a reading and of an hour in the store, memory and CPU by its size.

    python tests/benchmarks/sizing.py                    1,000, 10,000 and 100,000 transmitters, both stores

`deploy/guide/sizing.md` goes on from these figures. Printed besides: what a pass of the watch takes that
finds half a second's reports, as one does twice a second all day, and the close of an hour.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from statistics import median
from typing import Any

import numpy as np
from stage import answer_of, child, cpu_s, make_store, peak_mb, postgres, rss_mb, say

from watch import BEGIN_US, INTERVAL_S, fill

#: Hours that are made to weigh them: of each transmitter, and of all together at most.
HOURS_EACH, HOURS_MOST = 240, 5_000_000
HOUR_US = 3_600_000_000
#: Passes that find half a second's reports.
PASSES = 20
HOURS = """
INSERT INTO rollups (transmitter, hour_us, reports, usable, forward_w, rho_low, rho_median, rho_high, rho_max,
                     rho_level, reflected_step_w)
SELECT t.key, {begin} + n * 3600000000, 12, 12, 95.03, 0.1101 + t.key % 7 * 0.0031, 0.1203 + n % 5 * 0.0017,
       0.1304 + t.key % 3 * 0.0013, 0.1422, 0.1207, 0.01 FROM transmitters t CROSS JOIN hours
"""
MANY_HOURS = "WITH RECURSIVE hours(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM hours WHERE n < {last}) "


@contextmanager
def places(with_postgres: bool) -> Iterator[list[tuple[str, Any]]]:
    """Where stores can be made: name, and a function that gives a URL."""
    with tempfile.TemporaryDirectory(prefix="standingwatch-sizing-") as folder:
        made = [("sqlite", lambda: f"sqlite:///{folder}/{time.time_ns()}.sqlite")]
        if not with_postgres:
            yield made
            return
        with postgres() as server:
            yield [*made, ("postgresql", server.database)]


def bytes_of(store: Any, table: str) -> int:
    """Bytes of a table with its indexes."""
    from sqlalchemy import text

    with store.engine.connect() as connection:
        if store.is_sqlite:
            of_table = "SELECT name FROM sqlite_schema WHERE tbl_name = :t"
            query = f"SELECT sum(pgsize) FROM dbstat WHERE name IN ({of_table})"
        else:
            # A table in partitions has no pages of its own.
            query = "SELECT sum(pg_total_relation_size(relid)) FROM pg_partition_tree(CAST(:t AS regclass))"
        return int(connection.execute(text(query), {"t": table}).scalar() or 0)


def memory(url: str) -> dict[str, float]:
    """Memory of a process with an intake's writer and a watch, everything loaded, and its CPU time."""
    from prometheus_client import CollectorRegistry

    from standingwatch.detect.engine import DetectionSettings
    from standingwatch.intake.writer import Writer
    from standingwatch.inventory import FleetDefaults
    from standingwatch.metrics import Metrics
    from standingwatch.settings import IntakeSettings
    from standingwatch.store.connect import Store
    from standingwatch.store.reports import horizon
    from standingwatch.store.sites import load_site_list
    from standingwatch.watch.live import Watch, WatchOptions

    store, metrics = Store(url), Metrics(CollectorRegistry())
    with store.reading() as connection:
        known = horizon(connection)
    if known is None:
        raise RuntimeError("the store has no horizon")
    before, now_us = rss_mb(os.getpid()), known.until_us
    Writer(store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, lambda: now_us)
    watch = Watch(store, WatchOptions(DetectionSettings(), FleetDefaults()), metrics, lambda: now_us)

    def judge() -> float:
        used = time.process_time()
        while watch.make_pass():
            pass
        if watch.until_us != now_us:
            raise RuntimeError(f"the watch came to {watch.until_us} and not to {now_us}")
        return time.process_time() - used

    taken = {"before_mb": before, "watch_s": judge(), "after_mb": rss_mb(os.getpid())}
    with store.reading() as connection:
        keys = load_site_list(connection).keys
    passes = []
    for number in range(PASSES):
        now_us += 500_000
        some = np.arange(number, len(keys), INTERVAL_S * 2)
        keep(store, keys, some, now_us)
        passes.append(judge())
    rounds = []
    for _ in range(HOUR_US // (INTERVAL_S * 1_000_000)):
        now_us += INTERVAL_S * 1_000_000
        keep(store, keys, np.arange(len(keys)), now_us)
        rounds.append(judge())
    # An hour has closed in one of them; the others took as many reports.
    closing_s = max(rounds) - median(rounds)
    taken |= {"pass_s": median(passes), "closing_s": closing_s, "peak_mb": peak_mb(os.getpid())}
    store.close()
    return taken


def keep(store: Any, keys: Any, of: Any, now_us: int) -> None:
    """Keep a report of each of some transmitters, of now."""
    from standingwatch.readings import Readings
    from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon

    time_us, forward_w = np.full(len(of), now_us), np.full(len(of), 95.0)
    columns = {"transmitter": of, "time_us": time_us, "forward_w": forward_w, "reflected_w": forward_w / 70}
    with store.writing() as connection:
        arrival = new_arrival(connection, now_us, len(of))
        insert_readings(connection, arrival, Readings.from_columns(columns), keys[of], time_us)
        set_horizon(connection, "main", Horizon(BEGIN_US, now_us))


def main() -> int:
    """Measure and print."""
    import json

    from sqlalchemy import text

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--transmitters", type=int, nargs="*", default=[1000, 10_000, 100_000])
    parser.add_argument(
        "--each", type=int, default=100, help="readings of each transmitter, at most a million in all"
    )
    parser.add_argument("--postgres", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--memory", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.memory:
        say(json.dumps(memory(options.memory)))
        return 0
    with places(options.postgres) as kinds:
        for kind, new_url in kinds:
            for transmitters in options.transmitters:
                readings = min(options.each * transmitters, 1_000_000)
                url = new_url()
                store = make_store(url, transmitters)
                used = cpu_s()
                fill(store, transmitters, readings)
                stored_s = cpu_s() - used
                taken = answer_of(child(__file__, "--memory", url))
                last = min(HOURS_EACH, HOURS_MOST // transmitters) - 1
                with store.writing() as connection:
                    connection.execute(text("DELETE FROM rollups"))
                    hours = HOURS.format(begin=BEGIN_US)
                    connection.execute(text(MANY_HOURS.format(last=last) + hours))
                    if not store.is_sqlite:
                        connection.execute(text("ANALYZE"))
                with store.reading() as connection:
                    kept = connection.execute(text("SELECT count(*) FROM readings")).scalar_one()
                reading = bytes_of(store, "readings") / kept
                hour = bytes_of(store, "rollups") / (transmitters * (last + 1))
                state = bytes_of(store, "watch_state") / transmitters / 1e3
                before, after, watch_s = (taken[name] for name in ("before_mb", "after_mb", "watch_s"))
                say(f"{kind}, {transmitters:,} transmitters")
                say(f"  {reading:.0f} bytes a reading, {hour:.0f} an hour, {state:.1f} kB of state a line")
                memory_mb = f"{before:.0f} MB before, {after:.0f} MB with fleet and watch"
                say(f"  memory {memory_mb}, {taken['peak_mb']:.0f} MB at most")
                say(
                    f"  a million readings: {stored_s / readings * 1e6:.1f} s of CPU to store, "
                    f"{watch_s / readings * 1e6:.1f} s to judge"
                )
                say(
                    f"  a pass with half a second's reports: {1e3 * taken['pass_s']:.0f} ms of CPU; "
                    f"the close of an hour: {taken['closing_s']:.1f} s"
                )
                store.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
