"""What the intake keeps, on both kinds of database: readings, refused reports, links, horizon, retention."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from sqlalchemy import func, select

from standingwatch.readings import FLOAT_COLUMNS, Readings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import (
    Horizon,
    LinkReport,
    RefusedReport,
    forget_before,
    forget_horizon,
    horizon,
    insert_links,
    insert_readings,
    kept_otherwise,
    last_arrival,
    links_after,
    mark_accepted,
    new_arrival,
    readings_after,
    readings_between,
    refuse,
    refused_counts,
    refused_reports,
    set_horizon,
)
from standingwatch.store.retention import Gone, forget_readings

T0_US = 1_795_000_000_000_000
#: Numbers in the store of the transmitters at positions 0, 1, 2.
KEYS = np.array([5, 2, 9])
#: Position of each number, -1 for those that are not watched.
POSITION = np.array([-1, -1, 1, -1, -1, 0, -1, -1, -1, 2])


def some_readings(rows: int, seed: int = 1, first: int = 0) -> Readings:
    """Random readings of three transmitters, every optional value unknown in a third of the rows."""
    rng = np.random.default_rng(seed)
    columns: dict[str, Any] = {
        "transmitter": rng.integers(0, 3, rows),
        "time_us": T0_US + first + np.arange(rows),
        "keyed": rng.integers(-1, 2, rows),
        "foldback": rng.integers(-1, 2, rows),
        "sequence": rng.integers(-1, 2**62, rows),
        "flags": rng.integers(0, 2**9, rows),
        "channel": rng.choice(["", "A", "Kanal ü", "line\nbreak\t\\N"], rows),
    }
    for name in FLOAT_COLUMNS:
        values = rng.normal(0, 1e3, rows)
        if name not in ("forward_w", "reflected_w"):
            values[rng.random(rows) < 1 / 3] = np.nan
        columns[name] = values
    return Readings.from_columns(columns)


def keep(store: Store, readings: Readings, received_us: int = T0_US) -> tuple[int, int]:
    """Keep readings as one arrival; its number, and how many were new."""
    with store.writing() as connection:
        arrival = new_arrival(connection, received_us, len(readings))
        received = np.full(len(readings), received_us)
        return arrival, insert_readings(connection, arrival, readings, KEYS[readings.transmitter], received)


def read_after(store: Store, arrival: int, most_rows: int = 10**6) -> tuple[Readings, int]:
    with store.reading() as connection:
        return readings_after(connection, arrival, most_rows, POSITION)


def assert_same(got: Readings, wanted: Readings) -> None:
    got, wanted = got.sorted_by_time(), wanted.sorted_by_time()
    for f in fields(Readings):
        a, b = getattr(got, f.name), getattr(wanted, f.name)
        assert a.dtype == b.dtype, f.name
        np.testing.assert_array_equal(a, b, err_msg=f.name)  # NaN equals NaN here


# Readings -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
def test_what_is_kept_comes_back(store: Store, seed: int) -> None:
    readings = some_readings(200, seed)
    arrival, new = keep(store, readings)
    assert new == 200
    got, last = read_after(store, 0)
    assert last == arrival
    assert_same(got, readings)


def test_unknown_values_are_null_in_the_table(store: Store) -> None:
    keep(
        store,
        Readings.from_columns(
            {"transmitter": [0], "time_us": [1], **{key: [1.0] for key in ("forward_w", "reflected_w")}}
        ),
    )
    with store.reading() as connection:
        row = connection.execute(select(tables.readings)).one()
    assert row.wind_mps is None
    assert (row.transmitter, row.sequence, row.keyed, row.channel) == (5, -1, -1, "")


def test_keeping_twice_changes_nothing(store: Store) -> None:
    readings = some_readings(50)
    first, new = keep(store, readings)
    _, again = keep(store, readings)
    half = Readings.concatenate([readings.take(slice(0, 10)), some_readings(7, 2, first=10_000)])
    third, some_new = keep(store, half)
    assert (new, again, some_new) == (50, 0, 7)
    assert_same(read_after(store, 0)[0], Readings.concatenate([readings, half.take(slice(10, None))]))
    got, last = read_after(store, first)
    assert (len(got), last) == (7, third)


def test_a_repeat_within_one_batch_is_kept_once(store: Store) -> None:
    readings = some_readings(5)
    assert keep(store, Readings.concatenate([readings, readings]))[1] == 5


def test_no_readings_are_kept_as_nothing(store: Store) -> None:
    assert keep(store, Readings.empty())[1] == 0


def test_conflicting_repeats_are_found(store: Store) -> None:
    readings = some_readings(20)
    keep(store, readings)
    other = readings.take(np.arange(20))  # a copy
    other.reflected_w[3] += 0.5
    other.forward_w[11] += 0.5
    other.wind_mps[7] = 77.0  # only powers count
    arrival, new = keep(store, other)
    assert new == 0
    with store.reading() as connection:
        found = kept_otherwise(connection, arrival, other, KEYS[other.transmitter])
    assert found == [
        (3, readings.forward_w[3], readings.reflected_w[3]),
        (11, readings.forward_w[11], readings.reflected_w[11]),
    ]


def test_transmitters_that_are_not_watched_are_left_out(store: Store) -> None:
    keep(store, some_readings(60))
    with store.reading() as connection:
        only_2, _ = readings_after(connection, 0, 1000, np.array([-1, -1, 0]))
    assert len(only_2) == int(np.count_nonzero(some_readings(60).transmitter == 1))
    assert set(only_2.transmitter.tolist()) == {0}


# Arrivals -----------------------------------------------------------------------------------------------


def test_arrivals_are_numbered_upwards_and_read_whole(store: Store) -> None:
    with store.reading() as connection:
        assert last_arrival(connection) == 0
    assert read_after(store, 0)[1] == 0
    parts = [some_readings(10, i, first=i * 100) for i in range(5)]
    numbers = [keep(store, part)[0] for part in parts]
    assert numbers == sorted(set(numbers))
    with store.reading() as connection:
        assert last_arrival(connection) == numbers[-1]
    got, last = read_after(store, 0, most_rows=25)
    assert last == numbers[1]
    assert_same(got, Readings.concatenate(parts[:2]))
    got, last = read_after(store, last, most_rows=1)  # never less than one arrival
    assert last == numbers[2]
    assert_same(got, parts[2])
    got, last = read_after(store, last)
    assert last == numbers[4]
    assert_same(got, Readings.concatenate(parts[3:]))
    assert read_after(store, last) == (got.take(slice(0, 0)), last) or len(read_after(store, last)[0]) == 0


def test_readings_between_are_those_of_the_span_that_had_arrived(store: Store) -> None:
    first, second = some_readings(20, 1), some_readings(20, 2, first=20)
    arrival, _ = keep(store, first)
    keep(store, second)
    with store.reading() as connection:
        got = readings_between(connection, T0_US + 5, T0_US + 25, arrival, POSITION)
        assert_same(got, first.take(slice(5, None)))
        got = readings_between(connection, T0_US + 5, T0_US + 25, last_arrival(connection), POSITION)
    assert_same(got, Readings.concatenate([first, second]).take(slice(5, 25)))
    assert (np.diff(got.time_us) > 0).all()


def test_an_undone_transaction_leaves_nothing(store: Store) -> None:
    def broken() -> None:
        with store.writing() as connection:
            arrival = new_arrival(connection, T0_US, 3)
            readings = some_readings(3)
            insert_readings(connection, arrival, readings, KEYS[readings.transmitter], readings.time_us)
            raise RuntimeError("cut off")

    with pytest.raises(RuntimeError, match="cut off"):
        broken()
    assert len(read_after(store, 0)[0]) == 0
    assert keep(store, some_readings(3))[1] == 3


# Refused reports ----------------------------------------------------------------------------------------


def test_refused_reports_wait_until_they_are_accepted(store: Store) -> None:
    reports = [
        RefusedReport(T0_US + i, f"topic/{i}", bytes([i, 0, 255]), reason, f"detail {i}")
        for i, reason in enumerate(["not-json", "unknown-transmitter", "not-json"])
    ]
    with store.writing() as connection:
        refuse(connection, reports)
        refuse(connection, [])
    with store.reading() as connection:
        kept = refused_reports(connection)
        assert refused_counts(connection) == {"not-json": 2, "unknown-transmitter": 1}
        assert [r.detail for r in refused_reports(connection, reason="not-json")] == ["detail 0", "detail 2"]
        assert len(refused_reports(connection, limit=2)) == 2
    assert [(r.received_us, r.topic, r.payload, r.reason, r.detail) for r in kept] == [
        (r.received_us, r.topic, r.payload, r.reason, r.detail) for r in reports
    ]
    with store.writing() as connection:
        mark_accepted(connection, [kept[0].id], T0_US + 99)
        mark_accepted(connection, [], T0_US + 99)
    with store.reading() as connection:
        assert [r.id for r in refused_reports(connection)] == [kept[1].id, kept[2].id]
        assert refused_reports(connection, waiting_only=False)[0].accepted_us == T0_US + 99
        assert refused_counts(connection) == {"not-json": 1, "unknown-transmitter": 1}


# Links and horizon --------------------------------------------------------------------------------------


def test_links_come_back_in_the_order_they_came(store: Store) -> None:
    said = [LinkReport("alder-ridge", 5, True), LinkReport("birch-hill", 4, False)]
    later = [LinkReport("alder-ridge", 9, False)]
    with store.writing() as connection:
        first = new_arrival(connection, T0_US, 0)
        insert_links(connection, first, said)
        second = new_arrival(connection, T0_US, 0)
        insert_links(connection, second, later)
        insert_links(connection, second, [])
    with store.reading() as connection:
        assert links_after(connection, 0, second) == said + later
        assert links_after(connection, 0, first) == said
        assert links_after(connection, first, second) == later


def test_horizon_is_that_of_the_slowest_intake(store: Store) -> None:
    with store.writing() as connection:
        assert horizon(connection) is None
        set_horizon(connection, "one", Horizon(10, 100))
        set_horizon(connection, "two", Horizon(20, 90))
        assert horizon(connection) == Horizon(20, 90)
        set_horizon(connection, "two", Horizon(20, 150))
        assert horizon(connection) == Horizon(20, 100)
        forget_horizon(connection, "one")
        assert horizon(connection) == Horizon(20, 150)


# Retention ----------------------------------------------------------------------------------------------


def rows_of(store: Store, table: Any) -> int:
    with store.reading() as connection:
        return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def test_what_is_past_its_retention_goes_and_the_rest_stays(store: Store) -> None:
    keep(store, some_readings(10), received_us=T0_US + 4)
    keep(store, some_readings(10, 2, first=100), received_us=T0_US + 104)
    with store.writing() as connection:
        refuse(connection, [RefusedReport(T0_US + i, "t", b"", "not-json", "") for i in range(4)])
    with store.writing() as connection:
        gone = forget_before(connection, T0_US + 6, T0_US, T0_US + 3)
    assert forget_readings(store, T0_US + 6) == Gone(partitions=0, rows=6)
    assert (gone["arrivals"], gone["rollups"], gone["refused"]) == (1, 0, 3)
    assert rows_of(store, tables.readings) == 14
    assert rows_of(store, tables.arrivals) == 1
    assert rows_of(store, tables.refused) == 1


@pytest.fixture
def forget_all(store: Store) -> Callable[[], dict[str, int]]:
    def forget() -> dict[str, int]:
        forget_readings(store, 2**61)
        with store.writing() as connection:
            return forget_before(connection, 2**61, 2**61, 2**61)

    return forget


def test_arrivals_count_on_after_all_has_gone(store: Store, forget_all: Callable[[], object]) -> None:
    """A watch that has judged up to an arrival would never see one with a lower number."""
    last = [keep(store, some_readings(3, i, first=i * 10))[0] for i in range(4)][-1]
    forget_all()
    assert rows_of(store, tables.readings) == 0
    with store.reading() as connection:
        assert last_arrival(connection) == last
    assert keep(store, some_readings(3, 9))[0] > last
    assert len(read_after(store, last)[0]) == 3


def test_old_link_reports_go_too(store: Store, forget_all: Callable[[], object]) -> None:
    with store.writing() as connection:
        for online in (True, False, True):
            insert_links(
                connection, new_arrival(connection, T0_US, 0), [LinkReport("alder-ridge", T0_US, online)]
            )
    forget_all()
    assert rows_of(store, tables.link_reports) == 0
