"""How long the page of one antenna line takes among three million readings: prints medians, asserts nothing.

    PYTHONPATH=service python tests/benchmarks/line_speed.py [DATABASE-URL]

Fills a store (a file that goes away again, or the empty database that is named) with 200 transmitters of 250
hours of readings a minute, and with hours of three years of one of them.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.inventory import FleetDefaults, InventoryRow
from standingwatch.readings import Readings
from standingwatch.review.spans import DAY_US
from standingwatch.settings import LimitsSettings
from standingwatch.store import series
from standingwatch.store.connect import Store
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import save_rollups
from standingwatch.web.line_chart import chart
from standingwatch.web.line_data import line_data
from standingwatch.web.line_span import Span
from standingwatch.web.line_view import line_limits, line_view
from standingwatch.web.roster import RosterCache

TRANSMITTERS, MINUTES, YEARS = 200, 250 * 60, 3
#: 2026-03-14 09:00:00 UTC
END_US = 1_773_478_800_000_000
POSITION = 77
LEVELS = (
    *("forward_w", "rho_low", "rho_median", "rho_high", "rho_max", "rho_level", "reflected_step_w"),
    *("pa_temperature_c", "ambient_temperature_c", "precipitation", "wind_mps"),
)


def fill(store: Store) -> None:
    """Put the readings and hours in."""
    rows = [
        InventoryRow(
            site=f"S{n // 4:03d}",
            transmitter=f"T{n % 4}",
            frequency_mhz=150.0,
            feeder_loss_db=1.0,
            expected_interval_s=60.0,
        )
        for n in range(TRANSMITTERS)
    ]
    rng = np.random.default_rng(1)
    with store.writing() as connection:
        replace_site_list(connection, rows, END_US)
        keys = load_site_list(connection).keys
    for first in range(0, MINUTES, 500):
        minute = np.repeat(np.arange(first, first + 500), TRANSMITTERS)
        owner = np.tile(np.arange(TRANSMITTERS), 500)
        readings = Readings.from_columns(
            {
                "transmitter": owner,
                "time_us": END_US - (MINUTES - minute) * 60_000_000,
                "forward_w": np.full(len(owner), 100.0),
                "reflected_w": rng.uniform(0.5, 2.0, len(owner)),
                "flags": np.zeros(len(owner), dtype=np.int64),
            }
        )
        with store.writing() as connection:
            arrival = new_arrival(connection, END_US, len(owner))
            insert_readings(connection, arrival, readings, keys[owner], readings.time_us)
    count = YEARS * 365 * 24
    level = rng.uniform(0.05, 0.1, count)
    columns = {
        "hour_us": END_US - HOUR_US * np.arange(count, 0, -1),
        "transmitter": np.full(count, POSITION),
        "channel": np.zeros(count, dtype=np.int64),
        "reports": np.full(count, 60),
        "usable": np.full(count, 60),
        **dict.fromkeys(LEVELS, level),
    }
    with store.writing() as connection:
        save_rollups(connection, Hours(**columns), np.full(count, keys[POSITION]))


def median_ms(work: Callable[[], object], times: int = 9) -> float:
    """Median time of some work [ms], after it was done once."""
    work()
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        taken.append(1000.0 * (time.perf_counter() - begin))
    return statistics.median(taken)


def say(line: str) -> None:
    """Print a line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> None:
    """Fill a store and print."""
    with tempfile.TemporaryDirectory() as folder:
        url = sys.argv[1] if len(sys.argv) > 1 else f"sqlite:///{Path(folder) / 'line.sqlite'}"
        store = Store(url)
        store.migrate()
        fill(store)
        cache = RosterCache(FleetDefaults())
        with store.reading() as connection:
            roster = cache.roster(connection)
            fleet, key = roster.fleet, int(roster.fleet.key[POSITION])
            for label, hours in (("2 days", 48), ("all 3 million", MINUTES // 60)):
                start_us = END_US - hours * HOUR_US
                taken = median_ms(lambda s=start_us: series.readings_of(connection, key, s, END_US, 24_000))
                say(f"readings of {label}: {taken:.1f} ms")
            newest = median_ms(lambda: series.newest_reading(connection, key, END_US - HOUR_US, END_US))
            say(f"newest reading: {newest:.1f} ms")
            for label, days in (("2 days, readings", 2), ("90 days, hours", 90), ("3 years, days", 1095)):
                span = Span(END_US - days * DAY_US, END_US, to_now=True)

                def page(span: Span = span) -> object:
                    limits = LimitsSettings()
                    return line_view(connection, roster, END_US, POSITION, span, limits, as_return_loss=False)

                def picture(span: Span = span) -> object:
                    data = line_data(connection, roster, END_US, POSITION, span)
                    limits = line_limits(fleet, POSITION, LimitsSettings())
                    return chart(data, limits, "x", as_return_loss=False, interval_s=60.0)

                say(f"{label}: page {median_ms(page):.0f} ms, chart {median_ms(picture):.0f} ms")
        store.close()


if __name__ == "__main__":
    main()
