"""Readings whatever brought them, and what is learned anew from them; on both databases."""

from __future__ import annotations

import numpy as np
from sqlalchemy import insert, select

from standingwatch.detect.interface import BaselineChange
from standingwatch.readings import Flag, Readings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.history import last_reading_us, next_reading_us, readings_of_span
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.watching import add_baselines, present_baselines, replace_baselines

KEYS = np.array([3, 5], dtype=np.int64)


def change(position: int, time_us: int, rho: float, kind: str = "full") -> BaselineChange:
    return BaselineChange(position, time_us, kind, rho, np.nan, "learned")


def versions(store: Store) -> list[tuple[int, int, int, float | None]]:
    with store.reading() as connection:
        query = select(tables.baselines).order_by(*tables.baselines.primary_key)
        return [(r.transmitter, r.version, r.time_us, r.rho) for r in connection.execute(query)]


def test_a_number_never_means_another_baseline(store: Store) -> None:
    first = [change(0, 10, 0.1), change(0, 20, 0.2), change(1, 10, 0.3)]
    with store.writing() as connection:
        add_baselines(connection, first, KEYS)
    before = versions(store)
    assert before == [(3, 1, 10, 0.1), (3, 2, 20, 0.2), (5, 1, 10, 0.3)]
    with store.writing() as connection:
        replace_baselines(connection, first, KEYS)
    assert versions(store) == before, "the same, learned again, stays as it is"
    with store.writing() as connection:
        replace_baselines(connection, [change(0, 5, 0.1), change(0, 10, 0.1), change(1, 10, 0.3)], KEYS)
    assert versions(store) == [(3, 3, 5, 0.1), (3, 4, 10, 0.1), (5, 1, 10, 0.3)]
    with store.reading() as connection:
        assert present_baselines(connection)[3].version == 4
    with store.writing() as connection:
        replace_baselines(connection, [change(1, 10, 0.3)], KEYS)
    assert versions(store) == [(5, 1, 10, 0.3)], "nothing is learned of what has no readings any more"


def test_a_transmitter_that_is_not_meant_keeps_its_baseline(store: Store) -> None:
    with store.writing() as connection:
        add_baselines(connection, [change(0, 10, 0.1), change(1, 10, 0.3)], KEYS)
        replace_baselines(connection, [], KEYS[:1])
    assert versions(store) == [(5, 1, 10, 0.3)]


def test_readings_in_order_of_time_whatever_brought_them(store: Store) -> None:
    position_of_key = np.array([-1, 0, 1], dtype=np.int64)
    with store.reading() as connection:
        assert next_reading_us(connection, 0) is None
        assert last_reading_us(connection) is None
    flags = np.array([0, int(Flag.LATE), int(Flag.FUTURE)])
    readings = Readings.from_columns(
        {
            "transmitter": [0, 1, 0],
            "time_us": [200, 100, 300],
            "forward_w": [1.0, 2.0, 3.0],
            "reflected_w": [0.0, 0.0, 0.0],
            "flags": flags,
        }
    )
    with store.writing() as connection:
        keys, received = np.array([1, 2, 1]), np.array([400, 400, 400])
        insert_readings(connection, new_arrival(connection, 400, 3), readings, keys, received)
        connection.execute(
            insert(tables.readings).from_select(
                [c.name for c in tables.readings.columns],
                select(
                    *(
                        (
                            tables.readings.c[c.name] - 50
                            if c.name == "time_us"
                            else -tables.readings.c.arrival
                        )
                        if c.name in ("time_us", "arrival")
                        else tables.readings.c[c.name]
                        for c in tables.readings.columns
                    )
                ).where(tables.readings.c.time_us == 200),
            )
        )
    with store.reading() as connection:
        found = readings_of_span(connection, 0, 1000, position_of_key)
        assert found.time_us.tolist() == [100, 150, 200]
        assert found.transmitter.tolist() == [1, 0, 0]
        assert readings_of_span(connection, 100, 200, position_of_key).time_us.tolist() == [100, 150]
        assert (next_reading_us(connection, 101), next_reading_us(connection, 301)) == (150, None)
        assert last_reading_us(connection) == 200, "one from the future is not the newest"
