"""Readings past their retention go into the archive once each, whatever comes between, and then go."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import select

from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Readings
from standingwatch.store import archive, retention, tables
from standingwatch.store.connect import Store
from standingwatch.store.imports import begin_import, insert_history, note_import
from standingwatch.store.partitions import DAY_US, keep_partitions
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.retention import forget_readings
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.watch.history import read_history

#: Thursday 2026-11-26 00:00.
NOW_US = 1_795_651_200_000_000
HOUR_US = 3_600_000_000
INVENTORY = "site,transmitter,frequency_mhz\namber,a1,446\nbirch,b1,447\n"


@pytest.fixture
def store(store: Store) -> Store:
    """With a site list, and on PostgreSQL with partitions a day wide."""
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(INVENTORY, "fleet.csv").rows, NOW_US)
    for days in (3, 0):
        keep_partitions(store, NOW_US - days * DAY_US, 10)
    return store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Where the archive is; nobody has made it yet."""
    return tmp_path / "archive"


def some(times_us: list[int], owner: int = 0) -> tuple[Readings, Any]:
    count = len(times_us)
    readings = Readings.from_columns(
        {
            "transmitter": np.full(count, owner),
            "time_us": times_us,
            "forward_w": np.linspace(40, 60, count),
            "reflected_w": np.full(count, 1.25),
        }
    )
    return readings, np.full(count, owner + 1)


def keep(store: Store, times_us: list[int], owner: int = 0) -> None:
    readings, keys = some(times_us, owner)
    with store.writing() as connection:
        arrival = new_arrival(connection, NOW_US, len(readings))
        insert_readings(connection, arrival, readings, keys, np.full(len(readings), NOW_US))


def archived(folder: Path) -> list[tuple[str, str, int]]:
    """What a reader that knows nothing of us finds: folders of Parquet files, by pandas."""
    frame = pd.read_parquet(folder)
    assert ((frame["time"].dt.year == frame["year"].astype(int)) & (frame["forward_w"] >= 40)).all()
    assert (frame["time"].dt.month == frame["month"].astype(int)).all()
    time_us = frame["time"].astype("int64")
    return sorted(zip(frame["site"], frame["transmitter"], time_us.tolist(), strict=True))


def kept(store: Store) -> list[int]:
    with store.reading() as connection:
        return sorted(connection.execute(select(tables.readings.c.time_us)).scalars())


def hours(first: int, end: int) -> list[int]:
    return [NOW_US + hour * HOUR_US for hour in range(first, end)]


def test_whole_days_go_into_the_archive_and_out_of_the_store(store: Store, folder: Path) -> None:
    keep(store, hours(-600, 1))
    keep(store, hours(-30, -20), owner=1)
    # The day under way is not over yet: it stays as a whole.
    gone = forget_readings(store, NOW_US - 5 * HOUR_US, folder)
    assert gone.archived == 576 + 6
    assert kept(store) == sorted(hours(-24, 1) + hours(-24, -20))
    expected = [("amber", "a1", t) for t in hours(-600, -24)] + [("birch", "b1", t) for t in hours(-30, -24)]
    assert archived(folder) == expected
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    assert files[-1] == "year=2026/month=11/readings-2026-11-24.parquet"
    assert len(files) == 24
    assert forget_readings(store, NOW_US - 5 * HOUR_US, folder).archived == 0
    # Old ones that come after their day has gone are in a file of their own.
    keep(store, hours(-31, -29), owner=0)
    keep(store, [hours(-31, -30)[0] + 1], owner=1)
    forget_readings(store, NOW_US - 5 * HOUR_US, folder)
    assert (folder / "year=2026/month=11/readings-2026-11-24-2.parquet").exists()
    # They were in the archive already, but for one: whoever sends again what is gone is not archived twice.
    assert archived(folder) == sorted([*expected, ("birch", "b1", hours(-31, -30)[0] + 1)])
    assert kept(store) == sorted(hours(-24, 1) + hours(-24, -20))


class CrashError(Exception):
    """The process ends here."""


@pytest.mark.parametrize("where", ["before the name", "before the readings go"])
def test_a_crash_neither_loses_nor_doubles(
    store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    keep(store, hours(-96, 0))

    def crash(*_: object, **__: object) -> None:
        raise CrashError

    with monkeypatch.context() as patch:
        if where == "before the name":
            patch.setattr(archive, "_on_disk", crash)
        else:
            patch.setattr(retention, "_drop", crash)
            patch.setattr(retention, "_delete", crash)
        with pytest.raises(CrashError):
            forget_readings(store, NOW_US, folder)
    assert kept(store) == hours(-96, 0)
    forget_readings(store, NOW_US, folder)
    assert archived(folder) == [("amber", "a1", t) for t in hours(-96, 0)]
    assert kept(store) == []
    assert list(folder.rglob("*.part")) == []


@pytest.fixture
def comes_meanwhile(store: Store, monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], None]], None]:
    """Lets something happen when a day has been archived, and its readings have not gone yet."""

    def let(happen: Callable[[], None]) -> None:
        real, left = archive.archive_day, [happen]

        def archive_day(*arguments: Any) -> int:
            rows = real(*arguments)
            if left:
                left.pop()()
            return rows

        monkeypatch.setattr(retention, "archive_day", archive_day)

    return let


def imported(store: Store, times_us: list[int]) -> Iterator[None]:
    readings, keys = some(times_us, 1)
    with store.writing() as connection:
        number = begin_import(connection, "old.csv", "ab", "", NOW_US).number
        stored = insert_history(connection, number, readings, keys, NOW_US)
        more = {"rows": stored, "stored": stored, "repeated": 0, "refused": {}}
        note_import(connection, number, NOW_US, **more, span_us=(times_us[0], times_us[-1]), ended=False)


@pytest.mark.parametrize("by", ["report", "import"])
def test_what_comes_while_a_day_is_archived_is_not_lost(
    store: Store, folder: Path, comes_meanwhile: Any, by: str
) -> None:
    keep(store, hours(-24, 0))
    new = [hours(-24, -23)[0] + 1]
    comes_meanwhile(lambda: keep(store, new, 1) if by == "report" else imported(store, new))
    forget_readings(store, NOW_US, folder)
    assert new[0] in kept(store)
    forget_readings(store, NOW_US, folder)
    assert kept(store) == []
    assert archived(folder) == [*(("amber", "a1", t) for t in hours(-24, 0)), ("birch", "b1", new[0])]


def test_a_site_is_taken_out_of_the_archive_too(store: Store, folder: Path) -> None:
    keep(store, hours(-50, 0))
    keep(store, hours(-26, -20), owner=1)
    forget_readings(store, NOW_US, folder)
    untouched = next(folder.rglob("readings-2026-11-23.parquet")).stat().st_mtime_ns
    assert archive.archived_of_site(folder, "birch") == 6
    assert archive.forget_in_archive(folder, "birch") == 6
    assert archived(folder) == [("amber", "a1", t) for t in hours(-50, 0)]
    assert archive.archived_of_site(folder, "birch") == archive.forget_in_archive(folder, "birch") == 0
    assert next(folder.rglob("readings-2026-11-23.parquet")).stat().st_mtime_ns == untouched


def test_replay_reads_the_archive(store: Store, folder: Path) -> None:
    keep(store, hours(-72, 0))
    forget_readings(store, NOW_US, folder)
    with store.reading() as connection:
        sites = load_site_list(connection)
    history = read_history(folder, build_fleet(sites.rows, sites.keys, FleetDefaults()))
    assert history.readings.time_us.tolist() == hours(-72, 0)
    assert (history.unknown, sum(history.refused.values())) == (0, 0)


@pytest.mark.long
# Dask's own use of pandas.
@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
def test_dask_reads_the_archive_a_file_at_a_time(store: Store, folder: Path) -> None:
    import dask.dataframe

    keep(store, hours(-72, 0))
    forget_readings(store, NOW_US, folder)
    frame = dask.dataframe.read_parquet(str(folder))
    assert frame.npartitions == 3
    assert frame["forward_w"].sum().compute() == pytest.approx(np.linspace(40, 60, 72).sum())
