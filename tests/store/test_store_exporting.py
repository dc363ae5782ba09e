"""What goes out of the store, part by part; on both databases."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from sqlalchemy import insert

from standingwatch.inventory import read_inventory_text
from standingwatch.readings import Flag, Readings
from standingwatch.readings.flags import flag_words
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.exporting import (
    READING_SCHEMA,
    VISIT_SCHEMA,
    Span,
    export_readings,
    export_visits,
    site_is_known,
)
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.sites import load_site_list, replace_site_list

SITES = "site,transmitter,frequency_mhz\nalder,rpt-1,155\nbirch,rpt-1,155\n"
START_US = 1_772_366_400_000_000
COUNT = 25


@pytest.fixture
def filled(store: Store) -> Store:
    with store.writing() as connection:
        rows = read_inventory_text(SITES, "sites.csv").rows
        replace_site_list(connection, rows, 1)
        keys = load_site_list(connection).keys
        at = np.arange(COUNT)
        readings = Readings.from_columns(
            {
                "transmitter": at % 2,
                "time_us": START_US + at * 1_000_001,
                "forward_w": 50 + at / 3,
                "reflected_w": np.full(COUNT, 0.1),
                "keyed": at % 3 - 1,
                "channel": ["A", ""] * 12 + ["B"],
                "wind_mps": np.where(at % 2 == 0, np.nan, at / 7),
                "flags": np.where(at == 3, int(Flag.LATE | Flag.STUCK), 0),
            }
        )
        arrival = new_arrival(connection, START_US, COUNT)
        insert_readings(connection, arrival, readings, keys[at % 2], np.full(COUNT, START_US + 5))
        # One that is not watched any more has a history all the same.
        replace_site_list(connection, rows[:1], 2)
    return store


def rows_of(store: Store, span: Span) -> list[dict[str, Any]]:
    with store.reading() as connection:
        batches = list(export_readings(connection, span))
    return pa.Table.from_batches(batches, schema=READING_SCHEMA).to_pylist()


def test_every_value_in_parts(filled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("standingwatch.store.exporting.BATCH_ROWS", 10)
    with filled.reading() as connection:
        sizes = [batch.num_rows for batch in export_readings(connection, Span())]
    assert sizes == [10, 10, 5], "never all of it at once"
    rows = rows_of(filled, Span())
    assert [row["site"] for row in rows] == ["alder", "birch"] * 12 + ["alder"]
    assert [row["forward_w"] for row in rows] == [50 + i / 3 for i in range(COUNT)]
    assert [row["keyed"] for row in rows] == [(None, False, True)[i % 3] for i in range(COUNT)]
    assert [row["channel"] for row in rows] == ["A", None] * 12 + ["B"]
    assert [row["wind_mps"] for row in rows] == [i / 7 if i % 2 else None for i in range(COUNT)]
    assert {row["sequence"] for row in rows} == {None}
    assert [row["flags"] for row in rows if row["flags"]] == ["late stuck"]
    assert rows[3]["time"].isoformat() == "2026-03-01T12:00:03.000003+00:00"


def test_of_a_site_and_a_span(filled: Store) -> None:
    rows = rows_of(filled, Span("birch", START_US + 3_000_003, START_US + 7_000_007))
    assert [row["forward_w"] for row in rows] == [51.0, 50 + 5 / 3]
    assert rows_of(filled, Span("cedar")) == []
    with filled.reading() as connection:
        assert site_is_known(connection, "birch")
        assert not site_is_known(connection, "cedar")


def test_flags_in_words() -> None:
    assert flag_words(0) == []
    assert flag_words(int(Flag.NOT_KEYED | Flag.REFLECTED_ABOVE_FORWARD)) == [
        "not-keyed",
        "reflected-above-forward",
    ]


def test_visits(filled: Store) -> None:
    visit = {"state": "done", "urgency": "soon", "reasons": "[]", "changed_us": START_US + 1}
    with filled.writing() as connection:
        for days in range(3):
            proposed_us = START_US + days * 86_400_000_000
            connection.execute(insert(tables.visits).values(site="alder", proposed_us=proposed_us, **visit))
    with filled.reading() as connection:
        batches = list(export_visits(connection, Span(start_us=START_US + 1)))
    rows = pa.Table.from_batches(batches, schema=VISIT_SCHEMA).to_pylist()
    assert [(row["visit"], row["site"], row["state"], row["ended"]) for row in rows] == [
        (2, "alder", "done", None),
        (3, "alder", "done", None),
    ]
