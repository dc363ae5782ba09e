"""How long the board takes to answer over a large fleet: 10,000 transmitters and 90 days of hours by default.

    python tests/benchmarks/pages.py                          on SQLite, in a temporary folder
    python tests/benchmarks/pages.py --store URL              on another store, which has to be empty
    python tests/benchmarks/pages.py --store URL --filled     on one that was filled before

Prints the median and the 99th percentile of whole answers over HTTP on the loopback, one after the other,
from a server in a process of its own, and its CPU time, which a busy machine changes less. Before each
question a second's worth of reports is stored, so that nothing can be answered from what was worked out
before; also the first answer after a start, and that after an hour was closed. Pages of the whole daemon
while its intake runs: `busy_pages.py`.
The package has to be installed, or its folder in PYTHONPATH.
It judges nothing: times depend on the machine, so no test looks at them.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from statistics import median

import httpx
import numpy as np
from one_daemon import sample_of
from sqlalchemy import Connection, text

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.readings import Readings
from standingwatch.readings.flags import Flag
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import Progress, save_progress


def say(text: str) -> None:
    """Write a line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


REGIONS = ("North Fells", "Coast", "Marches", "Long Vale", "High Moor", "Isles", "East Plain", "Forest")
EACH = 4
INTERVAL_S = 300

# The same statement for both databases; the shares are whole numbers modulo primes, so that they agree.
LEVEL = "(0.04 + (t.key % 71) * 0.001 + ((t.key * 31 + n * 17) % 23) * 0.0003)"
ROLLUPS = f"""
WITH RECURSIVE hours(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM hours WHERE n < :last)
INSERT INTO rollups (transmitter, hour_us, reports, usable, forward_w, rho_low, rho_median, rho_high, rho_max,
                     rho_level, reflected_step_w)
SELECT t.key, :start + n * 3600000000, 12, 11, 95.0, {LEVEL} * 0.92, {LEVEL}, {LEVEL} * 1.1, {LEVEL} * 1.2,
{LEVEL}, 0.1 FROM transmitters t CROSS JOIN hours
"""
BASELINES = """
INSERT INTO baselines (transmitter, version, time_us, kind, rho, spread, reason)
SELECT t.key, 1, :start, 'full', 0.04 + (t.key % 71) * 0.001, 0.004, 'fourteen days'
FROM transmitters t WHERE t.key % 9 <> 0
"""


def inventory(transmitters: int) -> list[InventoryRow]:
    """A site list of an invented country, each region in a part of it."""
    rng = np.random.default_rng(5)
    sites = -(-transmitters // EACH)
    east, north = rng.uniform(0.0, 1.4, sites), rng.uniform(0.0, 1.1, sites)
    return [
        InventoryRow(
            site=f"S{site:04d}",
            transmitter=f"RPT-{number + 1}",
            frequency_mhz=152.5125 + 0.25 * number,
            site_name=f"Mast {site:04d}",
            region=REGIONS[site % len(REGIONS)],
            latitude=round(50.0 + 1.3 * (site % len(REGIONS) // 4) + north[site], 5),
            longitude=round(4.0 + 1.6 * (site % len(REGIONS) % 4) + east[site], 5),
            rated_power_w=100.0,
            feeder_loss_db=1.2,
            expected_interval_s=float(INTERVAL_S),
        )
        for site in range(sites)
        for number in range(EACH)
    ][:transmitters]


def keep_readings(
    connection: Connection, keys: np.ndarray, position: np.ndarray, time_us: np.ndarray
) -> None:
    """Keep a reading of each of some transmitters, in one arrival."""
    count = len(position)
    rho = 0.04 + (keys[position] % 71) * 0.001 + (time_us // 1_000_000 % 13) * 0.0004
    unkeyed = keys[position] % 10 == 3
    readings = Readings.from_columns(
        {
            "transmitter": position,
            "time_us": time_us,
            "forward_w": np.where(unkeyed, 0.0, 95.0),
            "reflected_w": np.where(unkeyed, 0.0, 95.0 * rho**2),
            "flags": np.where(unkeyed, int(Flag.NOT_KEYED | Flag.LOW_FORWARD), 0),
        }
    )
    arrival = new_arrival(connection, int(time_us.max()) + 300_000, count)
    insert_readings(connection, arrival, readings, keys[position], time_us + 300_000)


def alarms_of(rows: Sequence[InventoryRow], count: int, now_us: int) -> list[Evidence]:
    """Alarms of invented faults, spread over the fleet."""
    rng = np.random.default_rng(6)
    conditions = (
        *(Condition.SWR_HIGH, Condition.SWR_RISING, Condition.SWR_STEP, Condition.REPORTS_MISSING),
        *(Condition.FEEDER_LOSS_RISING, Condition.FORWARD_POWER_LOW),
    )
    severities = (Severity.WARNING, Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL)
    found = []
    for n, place in enumerate(rng.choice(len(rows), count, replace=False).tolist()):
        condition, at_us = conditions[n % len(conditions)], now_us - int(rng.uniform(0, 5e11))
        forecast = ()
        if condition is Condition.SWR_RISING:
            days = (10 + n % 50) * 24 * HOUR_US
            forecast = (LimitForecast("foldback", 2.5, "expected", now_us + days, now_us + days // 2, None),)
        found.append(
            Evidence(
                AlarmKey(rows[place].site, rows[place].transmitter, condition),
                severities[n % len(severities)],
                at_us,
                {"swr": 1.9, "limit_swr": 1.5, "baseline_swr": 1.2},
                (LikelyCause(Cause.CONNECTOR, 0.6, "it creeps up over weeks"),),
                (),
                forecast,
            )
        )
    return found


def fill(store: Store, transmitters: int, days: int, alarms: int, now_us: int) -> None:
    """Put the fleet, its hours, an hour of readings, baselines and alarms into an empty store."""
    store.migrate()
    rows = inventory(transmitters)
    with store.writing() as connection:
        replace_site_list(connection, rows, now_us)
    last_us = now_us - now_us % HOUR_US
    with store.writing() as connection:
        connection.execute(text("DROP INDEX rollups_by_hour"))
    with store.writing() as connection:
        start = {"start": last_us - days * 24 * HOUR_US}
        connection.execute(text(ROLLUPS), {**start, "last": days * 24 - 1})
        connection.execute(text(BASELINES), start)
    with store.writing() as connection:
        connection.execute(text("CREATE INDEX rollups_by_hour ON rollups (hour_us)"))
        keys = load_site_list(connection).keys
        position = np.arange(len(keys))
        heard = position[position % 50 != 7]
        for back in range(3600 // INTERVAL_S, 0, -1):
            offset_us = (keys[heard] * 7919 % INTERVAL_S) * 1_000_000
            keep_readings(connection, keys, heard, now_us - back * INTERVAL_S * 1_000_000 + offset_us)
        for one in alarms_of(rows, alarms, now_us):
            save_changes(connection, apply_all({}, [one], one.time_us), "urn:benchmark")
        save_progress(connection, "main", Progress(0, now_us, last_us, ""))
        set_horizon(connection, "main", Horizon(now_us - 10 * HOUR_US, now_us))
    if not store.is_sqlite:
        with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("VACUUM ANALYZE"))


SERVER = """
import sys, time
import uvicorn
from prometheus_client import CollectorRegistry
from standingwatch.inventory import FleetDefaults
from standingwatch.settings import AccessSettings, LimitsSettings
from standingwatch.store.connect import Store
from standingwatch.web.app import create_app
app = create_app(Store(sys.argv[1]), clock=lambda: time.time_ns() // 1000, registry=CollectorRegistry(),
                 fleet_defaults=FleetDefaults(), limits=LimitsSettings(),
                 access=AccessSettings(required=False))
uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[2]), log_level="warning")
"""

ADDRESSES = (
    *("/", "/?page=2", "/?severity=major", "/?region=Coast", "/?text=mast+12", "/?sort=name&page=17"),
    *("/board/rows", "/api/board", "/api/board?page=9", "/map", "/since?hours=24", "/intake", "/site/S0100"),
    *("/alarms", "/visits", "/review", "/api/alarms", "/api/sites", "/api/inventory", "/api/intake"),
)


def ask(url: str, port: int, rounds: int, addresses: Sequence[str]) -> None:
    """Run a server over a store and print how long it takes to answer."""

    store = Store(url)
    with store.reading() as connection:
        keys = load_site_list(connection).keys
    server = subprocess.Popen([sys.executable, "-c", SERVER, url, str(port)])
    rng = np.random.default_rng(8)

    def more_reports() -> None:
        now_us = time.time_ns() // 1000
        position = np.sort(rng.choice(len(keys), max(1, len(keys) // INTERVAL_S), replace=False))
        with store.writing() as connection:
            keep_readings(connection, keys, position, np.full(len(position), now_us) - position)
            set_horizon(connection, "main", Horizon(now_us - 10 * HOUR_US, now_us))

    def timed(client: httpx.Client, address: str) -> float:
        begin = time.perf_counter()
        answer = client.get(address)
        took_ms = (time.perf_counter() - begin) * 1000
        answer.raise_for_status()
        return took_ms

    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client:
            while True:
                try:
                    client.get("/livez")
                    break
                except httpx.ConnectError:
                    time.sleep(0.1)
            say(f"first answer of / after a start: {timed(client, '/'):.0f} ms")
            for address in addresses:
                times, used_s = [], sample_of(server.pid).cpu_s
                for _ in range(rounds):
                    more_reports()
                    times.append(timed(client, address))
                worst, used_s = np.quantile(times, 0.99), sample_of(server.pid).cpu_s - used_s
                say(
                    f"{address:<24} median {median(times):6.0f} ms   99 % {worst:6.0f} ms   of {rounds}   "
                    f"{1e3 * used_s / rounds:4.0f} ms of CPU each"
                )
            with store.writing() as connection:
                now_us = time.time_ns() // 1000
                save_progress(connection, "main", Progress(0, now_us, now_us - now_us % HOUR_US + 1, ""))
            say(f"/ after an hour was closed: {timed(client, '/'):.0f} ms")
            say(f"memory of the server: {sample_of(server.pid).rss / 1e6:.0f} MB")
    finally:
        server.terminate()
        server.wait(20)
        store.close()


def main() -> None:
    """Read the arguments, fill a store, ask."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--store", metavar="URL")
    parser.add_argument("--filled", action="store_true", help="the store was filled before")
    parser.add_argument("--transmitters", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=90)
    parser.add_argument("--alarms", type=int, default=400)
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--port", type=int, default=18_571)
    parser.add_argument("--only", nargs="*", default=ADDRESSES, metavar="ADDRESS")
    parser.add_argument("--fill-only", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="standingwatch-pages-") as folder:
        url = options.store or f"sqlite:///{folder}/pages.sqlite"
        if not options.filled:
            begin, store = time.perf_counter(), Store(url)
            fill(store, options.transmitters, options.days, options.alarms, time.time_ns() // 1000)
            store.close()
            say(f"filled in {time.perf_counter() - begin:.0f} s")
        if not options.fill_only:
            ask(url, options.port, options.rounds, options.only)


if __name__ == "__main__":
    main()
