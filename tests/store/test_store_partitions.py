"""Readings on PostgreSQL in partitions of time: made ahead, filled from the rest, dropped; nobody waits."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError

from standingwatch.readings import Readings
from standingwatch.store import partitions as module
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.desk_mark import lock_desk
from standingwatch.store.history import last_reading_us, next_reading_us
from standingwatch.store.partitions import (
    DAY_US,
    Partition,
    PartitionsBusyError,
    keep_partitions,
    make_room,
    partitions,
)
from standingwatch.store.passing import is_passing
from standingwatch.store.reports import insert_readings, new_arrival, readings_after
from standingwatch.store.retention import forget_readings

#: Thursday 2026-11-26 00:00, where a week of Unix time begins.
NOW_US = 1_795_651_200_000_000
WEEK_US = 7 * DAY_US


@pytest.fixture
def store(postgres_database: Callable[[], str]) -> Iterator[Store]:
    made = Store(postgres_database())
    made.migrate()
    yield made
    made.close()


def keep(store: Store, times_us: list[int], transmitter: int = 1, received_us: int = NOW_US) -> int:
    """Keep a reading of each time; how many were new."""
    count = len(times_us)
    readings = Readings.from_columns(
        {
            "transmitter": np.zeros(count, dtype=np.int64),
            "time_us": times_us,
            "forward_w": np.full(count, 50.0),
            "reflected_w": np.full(count, 1.0),
        }
    )
    with store.writing() as connection:
        arrival = new_arrival(connection, received_us, count)
        keys = np.full(count, transmitter)
        return insert_readings(connection, arrival, readings, keys, np.full(count, received_us))


def kept(store: Store) -> dict[str, list[int]]:
    """Times of the readings by the table that holds them; only tables that hold any."""
    with store.reading() as connection:
        query = "SELECT tableoid::regclass::text, time_us FROM readings ORDER BY time_us"
        found: dict[str, list[int]] = {}
        for name, time_us in connection.execute(text(query)):
            found.setdefault(name, []).append(time_us)
        return found


def spans(store: Store) -> list[Partition]:
    with store.reading() as connection:
        return partitions(connection)


def test_partitions_are_made_ahead_and_the_rest_is_sorted_into_them(store: Store) -> None:
    assert spans(store) == [Partition("readings_default", is_rest=True)]
    old, late, now, ahead = (NOW_US + n * DAY_US for n in (-500, -30, 1, 900))
    assert keep(store, [old, late, now, ahead]) == 4
    assert kept(store) == {"readings_default": [old, late, now, ahead]}
    made = keep_partitions(store, NOW_US + DAY_US, 400)
    assert [(p.name, p.start_us, p.end_us) for p in made] == [
        ("readings_20261022", NOW_US - 5 * WEEK_US, NOW_US - 4 * WEEK_US),
        *(
            (f"readings_2026{day}", NOW_US + n * WEEK_US, NOW_US + (n + 1) * WEEK_US)
            for n, day in enumerate(("1126", "1203", "1210"))
        ),
    ]
    assert spans(store) == [*made, Partition("readings_default", is_rest=True)]
    # What is past the retention, and a clock that is years ahead, get none of their own.
    assert kept(store) == {
        "readings_default": [old, ahead],
        "readings_20261022": [late],
        "readings_20261126": [now],
    }
    assert keep_partitions(store, NOW_US + DAY_US, 400) == []
    # What comes now finds its place at once, and a repeat is one wherever the first lies.
    assert keep(store, [old, late, now, ahead, now + 1]) == 1
    assert kept(store)["readings_20261126"] == [now, now + 1]


def test_another_width_fills_what_lies_between(store: Store) -> None:
    keep_partitions(store, NOW_US, 400)
    keep(store, [NOW_US - WEEK_US, NOW_US - 2 * DAY_US, NOW_US + 3 * WEEK_US])
    # Thirty days from 2026-11-03 on, of which the first 23 are free; the three weeks that follow are not.
    made = keep_partitions(store, NOW_US + 3 * WEEK_US, 2000)
    assert (made[0].start_us, made[0].end_us) == (NOW_US - 23 * DAY_US, NOW_US)
    ends = [(p.start_us, p.end_us) for p in spans(store) if not p.is_rest]
    assert all(one[1] == following[0] for one, following in pairwise(ends))
    assert "readings_default" not in kept(store)


def test_what_is_old_is_dropped_by_the_partition(store: Store) -> None:
    keep_partitions(store, NOW_US - WEEK_US, 400)
    keep_partitions(store, NOW_US, 400)
    times = [NOW_US - 3 * WEEK_US, NOW_US - WEEK_US, NOW_US - 1, NOW_US]
    keep(store, times)
    # A day before the end of its week nothing of it goes, but what lies in the rest does.
    gone = forget_readings(store, NOW_US - DAY_US)
    assert (gone.partitions, gone.rows, gone.busy) == (0, 1, "")
    assert kept(store) == {"readings_20261119": times[1:3], "readings_20261126": [NOW_US]}
    gone = forget_readings(store, NOW_US)
    assert (gone.partitions, gone.rows) == (1, 0)
    assert kept(store) == {"readings_20261126": [NOW_US]}
    with store.reading() as connection:
        assert next_reading_us(connection, 0) == last_reading_us(connection) == NOW_US
        readings, last = readings_after(connection, 0, 100, np.array([-1, 0]))
    assert (readings.time_us.tolist(), last) == ([NOW_US], 1)


def test_history_from_files_gets_room_of_its_own(store: Store) -> None:
    history = np.array([NOW_US - 60 * WEEK_US, NOW_US - 59 * WEEK_US - 1, NOW_US - 50 * WEEK_US])
    assert make_room(store, history) == []  # nothing is known yet of how wide they are
    keep_partitions(store, NOW_US, 400)
    assert [(p.start_us, p.end_us) for p in make_room(store, history)] == [
        (NOW_US - n * WEEK_US, NOW_US - (n - 1) * WEEK_US) for n in (60, 50)
    ]
    assert make_room(store, history) == []
    keep(store, history.tolist())
    assert "readings_default" not in kept(store)
    # A file with years that cannot be.
    assert make_room(store, NOW_US - np.arange(700) * WEEK_US) == []


def test_a_reading_whose_partition_is_made_meanwhile_is_kept_at_the_next_try(store: Store) -> None:
    """It waits to go to the rest, which no longer takes it; that is nothing against the reading."""
    rest = next(one for one in spans(store) if one.is_rest)
    failed: list[Exception] = []

    def keep_now() -> None:
        try:
            keep(store, [NOW_US])
        except (DBAPIError, psycopg.Error) as error:
            failed.append(error)

    keeping = threading.Thread(target=keep_now)
    with store.writing() as connection:
        module._make(connection, Partition("readings_new", NOW_US, NOW_US + WEEK_US), rest)
        keeping.start()
        keeping.join(0.5)
        assert keeping.is_alive()
    keeping.join(20)
    assert [is_passing(error) for error in failed] == [True]
    assert keep(store, [NOW_US]) == 1
    assert kept(store) == {"readings_new": [NOW_US]}


@contextmanager
def reader(store: Store, words: str) -> Iterator[None]:
    """Somebody who has read, and does not end the transaction."""
    with store.reading() as connection:
        connection.execute(text(words)).all()
        yield


def test_who_reads_is_not_kept_waiting(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long export holds the partitions: they are left for the next run, and others go on meanwhile."""
    monkeypatch.setattr(module, "TRIES", 2)
    keep_partitions(store, NOW_US, 400)
    keep(store, [NOW_US, NOW_US - WEEK_US])
    with reader(store, "SELECT count(*) FROM readings"):
        begin = time.monotonic()
        gone = forget_readings(store, NOW_US + WEEK_US)
        with pytest.raises(PartitionsBusyError, match="in use by others"):
            keep_partitions(store, NOW_US + 9 * WEEK_US, 400)
        assert keep(store, [NOW_US + 1]) == 1
        # Two tries of each, half a second for the lock, half a second between: not for as long as they read.
        assert time.monotonic() - begin < 20
    assert (gone.partitions, gone.rows) == (0, 1)
    assert "lock timeout" in gone.busy
    assert forget_readings(store, NOW_US + WEEK_US).partitions == 1


def test_a_table_that_others_inherit_from_is_left_as_it_is(
    postgres_database: Callable[[], str], store_of_layout: Callable[[str, str], Store]
) -> None:
    """As extensions make tables of time series that cut themselves."""
    url = postgres_database()
    store = store_of_layout(url, "0008")
    with store.writing() as connection:
        connection.execute(text("CREATE TABLE a_piece () INHERITS (readings)"))
    store.migrate()
    keep(store, [NOW_US, NOW_US - DAY_US])
    assert keep_partitions(store, NOW_US, 400) == []
    assert forget_readings(store, NOW_US).rows == 1
    assert kept(store) == {"readings": [NOW_US]}


def test_an_upgrade_makes_one_partition_of_what_is_there(
    postgres_database: Callable[[], str], store_of_layout: Callable[[str, str], Store]
) -> None:
    store = store_of_layout(postgres_database(), "0008")
    first, ahead = NOW_US - 300 * DAY_US, NOW_US + 50 * DAY_US
    keep(store, [first, NOW_US - 5, ahead], received_us=NOW_US + 3_600_000_000)
    with store.reading() as connection:
        before = connection.execute(text("SELECT pg_relation_filenode('readings')")).scalar_one()
    store.migrate()
    with store.reading() as connection:
        after = connection.execute(text("SELECT pg_relation_filenode('readings_before')")).scalar_one()
    # Not copied: the same file.
    assert before == after
    assert spans(store)[0] == Partition("readings_before", None, NOW_US + DAY_US)
    assert kept(store) == {"readings_before": [first, NOW_US - 5], "readings_default": [ahead]}
    keep_partitions(store, NOW_US + DAY_US, 400)
    assert keep(store, [NOW_US - 5, NOW_US - 4, NOW_US + DAY_US, ahead]) == 2
    assert kept(store)["readings_20261127"] == [NOW_US + DAY_US]
    # It goes by rows, since it would have to wait for all that is in it; the others as ever.
    assert forget_readings(store, NOW_US - 4).rows == 2
    assert kept(store)["readings_before"] == [NOW_US - 4]


def test_the_readings_of_a_time_are_looked_for_in_their_partition_alone(store: Store) -> None:
    for weeks in range(3):
        keep_partitions(store, NOW_US + weeks * WEEK_US, 400)
    columns = tables.readings.c
    query: Any = select(columns.transmitter).where(
        columns.time_us >= NOW_US, columns.time_us < NOW_US + DAY_US
    )
    with store.reading() as connection:
        words = str(query.compile(connection.engine, compile_kwargs={"literal_binds": True}))
        plan = "\n".join(connection.execute(text(f"EXPLAIN {words}")).scalars())
    assert "readings_20261126" in plan
    assert "readings_2026120" not in plan
    assert "readings_default" not in plan


def test_what_a_desk_does_waits_for_no_backup(store: Store) -> None:
    """A backup holds the partitions still for as long as it takes."""
    with store.reading() as backup, store.writing() as desk:
        module.hold_still(backup)
        desk.execute(text("SET LOCAL lock_timeout = 300"))
        lock_desk(desk)


def test_each_lock_has_a_number_of_its_own() -> None:
    found = {
        f"{path.name} {name}": int(number.replace("_", ""))
        for path in Path(module.__file__).parent.rglob("*.py")
        for name, number in re.findall(r"^([A-Z_]+_LOCK) = ([\d_]+)$", path.read_text(), re.MULTILINE)
    }
    assert len(set(found.values())) == len(found) >= 7, found
