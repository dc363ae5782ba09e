"""What the store tells of the service, on both databases."""

from __future__ import annotations

import json
import math

import pytest
from sqlalchemy import delete, insert

from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, set_horizon
from standingwatch.store.status import NEWEST, StoreRoom, store_status
from standingwatch.store.watching import Progress, note_job, save_progress
from standingwatch.store.watchman import SIZES_NOTE, save_note

NOW_US = 1_764_000_000_000_000
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US


def fill(store: Store) -> None:
    """Two transmitters and one that was removed; eight arrivals, of which the watch has judged five."""
    with store.writing() as connection:
        names = [("alder", "rpt-1", None), ("birch", "rpt-1", None), ("cedar", "rpt-1", NOW_US)]
        connection.execute(
            insert(tables.transmitters),
            [
                {
                    "key": i + 1,
                    "site": site,
                    "transmitter": name,
                    "position": i,
                    "row": json.dumps({"site": site, "transmitter": name, "frequency_mhz": 150.0}),
                    "removed_us": gone,
                }
                for i, (site, name, gone) in enumerate(names)
            ],
        )
        for arrival in range(1, 9):
            minutes = 9 - arrival
            when = NOW_US - minutes * MINUTE_US
            connection.execute(
                insert(tables.arrivals).values(arrival=arrival, received_us=when + 1_000_000, rows=1)
            )
            row = {
                "time_us": when,
                "transmitter": 1 + arrival % 2,
                "arrival": arrival,
                "received_us": when + 1_000_000,
                "flags": 0,
                "forward_w": 50.0,
                "reflected_w": 2.0 if arrival % 2 else 0.0,
            }
            connection.execute(insert(tables.readings).values(reading(row)))
        save_progress(connection, "watch", Progress(5, NOW_US, NOW_US, ""))
        set_horizon(connection, "intake", Horizon(0, NOW_US - 2_000_000))
        note_job(connection, "purge", NOW_US - 2 * MINUTE_US, NOW_US - MINUTE_US, "")
        note_job(connection, "retention", NOW_US - 2 * MINUTE_US, NOW_US - MINUTE_US, "OSError: no room")
        # A store that grew by 1 MB an hour for two days.
        sizes = [[NOW_US - (48 - i) * HOUR_US, 1_000_000 * (100 + i)] for i in range(49)]
        save_note(connection, SIZES_NOTE, sizes)


def reading(known: dict[str, object]) -> dict[str, object]:
    """A row of readings; what it has to have and does not say is 0."""
    wanted = [c for c in tables.readings.columns if not c.nullable and c.name not in known]
    return {**{c.name: 0 for c in wanted}, **known}


def test_what_is_told(store: Store) -> None:
    fill(store)
    found = store_status(
        store,
        now_us=NOW_US,
        channels=["file"],
        free_and_total=lambda _folder: (240_000_000, 10_000_000_000),
    )
    assert (found.transmitters, found.heard) == (2, 2)
    assert len(found.newest) == NEWEST
    last = found.newest[0]
    assert (last.site, last.time_us) == ("alder", NOW_US - MINUTE_US)
    assert last.swr == 1.0
    assert found.newest[1].swr == pytest.approx(1.5)  # rho 0.2 of 4 % of the power
    assert found.received_us == NOW_US - MINUTE_US + 1_000_000
    assert found.horizon_us == NOW_US - 2_000_000
    assert (found.waiting, found.waiting_us) == (3, NOW_US - 3 * MINUTE_US + 1_000_000)
    assert found.alarms == {"critical": 0, "major": 0, "minor": 0, "warning": 0}
    assert [(name, run.succeeded) for name, run in sorted(found.jobs.items())] == [
        ("purge", True),
        ("retention", False),
    ]
    assert found.jobs["retention"].detail == "OSError: no room"
    assert found.channels["file"].waiting == 0
    assert found.room.growth_bytes_a_day == pytest.approx(24e6)
    if store.is_sqlite:
        assert found.room.days_until_full == pytest.approx(10.0)
    else:
        # The disk of a server cannot be seen.
        assert found.room.days_until_full is None
    assert found.room.size_bytes > 0


def test_what_was_imported_has_not_come(store: Store) -> None:
    imported = {"time_us": NOW_US - 1, "transmitter": 1, "arrival": -1, "received_us": NOW_US}
    fill(store)
    with store.writing() as connection:
        connection.execute(delete(tables.readings))
        connection.execute(insert(tables.readings).values(reading({**imported, "forward_w": 1.0})))
    assert store_status(store, now_us=NOW_US, channels=[]).newest == ()


def test_most_that_a_server_may_hold_is_the_room(store: Store) -> None:
    fill(store)
    size = store_status(store, now_us=NOW_US, channels=[]).room.size_bytes
    room = store_status(store, now_us=NOW_US, channels=[], store_max_bytes=size + 48_000_000).room
    assert room.free_bytes == pytest.approx(48_000_000, abs=1_000_000)
    assert room.days_until_full == pytest.approx(2.0, abs=0.1)


def test_an_empty_store_tells_that_nothing_came(store: Store) -> None:
    found = store_status(store, now_us=NOW_US, channels=[])
    assert (found.transmitters, found.heard, found.newest) == (0, 0, ())
    assert (found.received_us, found.horizon_us, found.beat_us) == (None, None, None)
    assert (found.waiting, found.waiting_us) == (0, None)
    assert found.room.growth_bytes_a_day is None


@pytest.mark.parametrize(
    ("growth", "free", "days"),
    [
        (10.0, 100, 10.0),
        (0.0, 100, None),
        (-5.0, 100, None),
        (None, 100, None),
        (10.0, None, None),
        (10.0, 0, 0.0),
    ],
)
def test_forecast_of_the_disk(growth: float | None, free: int | None, days: float | None) -> None:
    room = StoreRoom(1, growth, free, 1000)
    assert room.days_until_full == (days if days is None else pytest.approx(days))
    assert not math.isnan(room.days_until_full or 0.0)
