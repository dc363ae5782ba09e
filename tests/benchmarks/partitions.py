"""What partitions of readings cost and save on PostgreSQL, against one table of the layout before them.

    PYTHONPATH=service python tests/benchmarks/partitions.py "host=127.0.0.1 port=5432 user=watch"

The server must let the user make databases; two are made and dropped. Each measure is of both layouts with
the same rows in the same run: so many readings of 400 days, and then batches of now. The processor's time of
the server is that of its processes for us, read from /proc: it has to run on this machine.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import alembic.command
import numpy as np
import psycopg
from psycopg.conninfo import conninfo_to_dict
from sqlalchemy import URL, text

from standingwatch.readings import Readings
from standingwatch.store.connect import Store, _alembic_config
from standingwatch.store.partitions import DAY_US, keep_partitions, partitions, width_us
from standingwatch.store.reports import insert_readings, new_arrival, readings_after
from standingwatch.store.retention import forget_readings

DAYS, NOW_US, SITES, BATCH, BATCHES = 400, 1_795_651_200_000_000, 1_000, 2_000, 200
START_US = NOW_US - DAYS * DAY_US


def made(server: dict[str, str], name: str, layout: str) -> Store:
    with psycopg.connect(**server, dbname="postgres", autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name}")
        connection.execute(f"CREATE DATABASE {name}")
    url = URL.create(
        "postgresql+psycopg",
        server["user"],
        server.get("password"),
        server["host"],
        int(server["port"]),
        name,
    )
    store = Store(url.render_as_string(hide_password=False))
    with store.writing() as connection:
        config = _alembic_config()
        config.attributes["connection"] = connection
        alembic.command.upgrade(config, layout)
    return store


def fill(store: Store, rows: int) -> None:
    """Readings of all transmitters, evenly over the days."""
    with store.writing() as connection:
        step = f"{START_US} + (g / {SITES}) * {DAYS * DAY_US // (rows // SITES)}"
        connection.execute(
            text(
                f"INSERT INTO arrivals (received_us, rows) SELECT {START_US} + g, {BATCH} "
                f"FROM generate_series(0, {rows // BATCH - 1}) g"
            )
        )
        connection.execute(
            text(
                "INSERT INTO readings (time_us, transmitter, arrival, received_us, flags, forward_w, "
                f"reflected_w, keyed, channel, foldback, sequence) SELECT {step}, g % {SITES} + 1, "
                f"g / {BATCH} + 1, {step}, 0, 50, 1, -1, '', -1, -1 FROM generate_series(0, {rows - 1}) g"
            )
        )
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("VACUUM ANALYZE"))


def server_s(store: Store) -> float:
    """Processor's time of the server's processes for us [s]."""
    query = "SELECT pid FROM pg_stat_activity WHERE datname = current_database()"
    with store.engine.connect() as connection:
        pids = connection.execute(text(query)).scalars().all()
    fields = [Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split() for pid in pids]
    return sum(int(f[11]) + int(f[12]) for f in fields) / 100


def put_in(store: Store, number: int) -> None:
    index = np.arange(number * BATCH, (number + 1) * BATCH)
    time_us = NOW_US + index // SITES * 1_000_000
    columns = {"transmitter": index % SITES, "time_us": time_us, "forward_w": np.full(BATCH, 50.0)}
    readings = Readings.from_columns({**columns, "reflected_w": np.full(BATCH, 1.0)})
    with store.writing() as connection:
        arrival = new_arrival(connection, int(time_us[-1]), BATCH)
        insert_readings(connection, arrival, readings, index % SITES + 1, time_us)


def measured(store: Store, times: int, work: Callable[[int], object]) -> str:
    """Milliseconds of one: median on the clock, and of the server's processor."""
    took, before = [], server_s(store)
    for number in range(times):
        begin = time.perf_counter()
        work(number)
        took.append(time.perf_counter() - begin)
    server = (server_s(store) - before) / times
    return f"{np.median(took) * 1e3:9.2f} ms, of the server's processor {server * 1e3:8.2f} ms"


def look(store: Store, newest: int) -> None:
    with store.reading() as connection:
        readings_after(connection, newest - 1, BATCH, np.arange(-1, SITES))


def forget_by_rows(store: Store) -> None:
    with store.writing() as connection:
        connection.execute(text(f"DELETE FROM readings WHERE time_us < {START_US + 28 * DAY_US}"))


def compare(store: Store, rows: int) -> None:
    with store.reading() as connection:
        is_plain = not partitions(connection)
    if not is_plain:
        for now_us in range(START_US, NOW_US + 1, 3 * width_us(DAYS)):
            keep_partitions(store, now_us, DAYS)
    fill(store, rows)
    with store.reading() as connection:
        say("one table" if is_plain else f"{len(partitions(connection))} partitions")
    for number in range(20):
        put_in(store, number)
    newest, old_us = rows // BATCH + 20 + BATCHES, START_US + 28 * DAY_US
    say(f"  a batch of {BATCH}:      {measured(store, BATCHES, lambda n: put_in(store, n + 20))}")
    say(f"  one arrival:          {measured(store, 100, lambda _: look(store, newest))}")
    say(f"  none since the last:  {measured(store, 100, lambda _: look(store, newest + 1))}")
    if is_plain:
        say(f"  28 days gone:         {measured(store, 1, lambda _: forget_by_rows(store))}")
        say(f"  upgrade:              {measured(store, 1, lambda _: store.migrate())}")
    else:
        say(f"  28 days gone:         {measured(store, 1, lambda _: forget_readings(store, old_us))}")


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("server", help="libpq's words for the server, without a database")
    parser.add_argument("--rows", type=int, default=4_000_000)
    arguments = parser.parse_args()
    server = {name: str(value) for name, value in conninfo_to_dict(arguments.server).items()}
    for name, layout in (("bench_plain", "0008"), ("bench_parts", "head")):
        store = made(server, name, layout)
        compare(store, arguments.rows)
        store.close()
        with psycopg.connect(**server, dbname="postgres", autocommit=True) as connection:
            connection.execute(f"DROP DATABASE {name}")


if __name__ == "__main__":
    main()
