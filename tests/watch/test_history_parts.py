"""A history piece by piece: the same readings in the same order as the whole, in the memory of a piece."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

import standingwatch.watch.history_parts as parts_module
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import COLUMNS, Fleet, Readings
from standingwatch.watch.history import HistoryError, read_history
from standingwatch.watch.history_parts import NotInPiecesError, open_history

START_US = 1_767_225_600_000_000


def fleet_of_two() -> Fleet:
    rows = read_inventory_text(
        "site,transmitter,frequency_mhz\namber,a1,446\nbirch,b1,447\n", "fleet.csv"
    ).rows
    return build_fleet(rows, np.arange(len(rows)), FleetDefaults())


def table_of(seconds: list[int | None], first: int = 0) -> pa.Table:
    """Readings at the given seconds; their forward power is their number, so that each can be told."""
    count = len(seconds)
    times = [None if s is None else START_US + s * 1_000_000 for s in seconds]
    return pa.table(
        {
            "site": ["amber", "birch", "cedar"] * (count // 3) + ["amber"] * (count % 3),
            "transmitter": ["a1", "b1", "c1"] * (count // 3) + ["a1"] * (count % 3),
            "time": pa.array(times, pa.timestamp("us", tz="UTC")),
            "forward_w": np.arange(first, first + count, dtype=np.float64),
            "reflected_w": np.full(count, 0.5),
        }
    )


def same(path: Path) -> list[Readings]:
    """The slices of a file, which have to hold what the whole does."""
    whole, opened = read_history(path, fleet_of_two()), open_history(path, fleet_of_two())
    slices = list(opened.slices())
    joined = Readings.concatenate(slices)
    for name in ("transmitter", *COLUMNS, "flags"):
        np.testing.assert_array_equal(getattr(joined, name), getattr(whole.readings, name), err_msg=name)
    assert len(joined) > 0
    assert (opened.unknown, opened.refused) == (whole.unknown, whole.refused)
    return slices


@pytest.fixture
def never_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path, fleet: Fleet) -> None:
        raise AssertionError(f"{path} was read whole")

    monkeypatch.setattr(parts_module, "read_history", refuse)


@pytest.mark.usefixtures("never_whole")
def test_groups_in_order_are_read_one_by_one(tmp_path: Path) -> None:
    # Within a group times may stand in any order, the ends of two may meet, and a time may be missing.
    seconds = [2, 0, 1, 4, None, 4, 5, 9, 9, 10, 11, 12]
    parquet.write_table(table_of(seconds), tmp_path / "h.parquet", row_group_size=4)
    slices = same(tmp_path / "h.parquet")
    assert len(slices) == 3


@pytest.mark.usefixtures("never_whole")
def test_files_of_a_folder_follow_their_times_not_their_names(tmp_path: Path) -> None:
    parquet.write_table(table_of([20, 21, 22]), tmp_path / "a.parquet")
    parquet.write_table(table_of([1, 2, 3], 3), tmp_path / "b.parquet")
    slices = same(tmp_path)
    assert [part.forward_w.tolist() for part in slices] == [[3.0, 4.0], [0.0, 1.0]]


@pytest.mark.parametrize(
    "seconds",
    [
        pytest.param([0, 1, 6, 4, 5, 7, 8, 9], id="groups overlap"),
        pytest.param([5, 6, 7, 8, 0, 1, 2, 5], id="same time, the later group first"),
    ],
)
def test_groups_out_of_order_are_put_in_order(tmp_path: Path, seconds: list[int | None]) -> None:
    parquet.write_table(table_of(seconds), tmp_path / "h.parquet", row_group_size=4)
    assert len(same(tmp_path / "h.parquet")) == 1


def test_without_statistics_or_with_texts_it_is_read_whole(tmp_path: Path) -> None:
    table = table_of([3, 0, 1, 2])
    parquet.write_table(table, tmp_path / "h.parquet", row_group_size=2, write_statistics=False)
    assert len(same(tmp_path / "h.parquet")) == 1
    texts = table.set_column(2, "time", pa.array([f"2026-01-01T00:00:0{n}Z" for n in (3, 0, 1, 2)]))
    parquet.write_table(texts, tmp_path / "t.parquet", row_group_size=2)
    assert len(same(tmp_path / "t.parquet")) == 1


def test_a_missing_column_is_told_before_anything_is_read(tmp_path: Path) -> None:
    parquet.write_table(table_of([1, 2]).drop_columns(["reflected_w"]), tmp_path / "h.parquet")
    with pytest.raises(HistoryError, match="no column reflected_w"):
        open_history(tmp_path / "h.parquet", fleet_of_two())


LINE = "amber,a1,2026-01-01T00:{minute:02d}:00Z,50,{reflected}"


@pytest.fixture
def short_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, size in (("LONG_CSV_BYTES", 0), ("CSV_BLOCK_BYTES", 100), ("CSV_HEAD_BYTES", 200)):
        monkeypatch.setattr(parts_module, name, size)


def csv_of(path: Path, lines: list[str]) -> Path:
    path.write_text("\n".join(["site,transmitter,time,forward_w,reflected_w", *lines]) + "\n")
    return path


@pytest.mark.usefixtures("short_pieces", "never_whole")
def test_csv_in_order_is_read_in_pieces(tmp_path: Path) -> None:
    # Two rows change places within a piece, one has a text for a time and one is of nobody.
    lines = [LINE.format(minute=n, reflected=n / 4) for n in range(40)]
    lines[0], lines[1] = lines[1], lines[0]
    lines[12] = "nobody,n1,2026-01-01T00:12:00Z,50,1"
    lines[13] = "amber,a1,,50,1"
    slices = same(csv_of(tmp_path / "h.csv", lines))
    assert len(slices) > 2


@pytest.mark.usefixtures("short_pieces")
@pytest.mark.parametrize(
    "late",
    [
        pytest.param(LINE.format(minute=2, reflected=1), id="time"),
        pytest.param(LINE.format(minute=30, reflected="much"), id="text for a number"),
        pytest.param("amber,a1,2026-01-01T00:30:00,50,1", id="no offset"),
    ],
)
def test_csv_that_fits_no_pieces_says_so(tmp_path: Path, late: str) -> None:
    path = csv_of(tmp_path / "h.csv", [*(LINE.format(minute=n, reflected=1) for n in range(20)), late])
    with pytest.raises(NotInPiecesError):
        list(open_history(path, fleet_of_two()).slices())
    if "much" in late:
        with pytest.raises(HistoryError, match="column reflected_w holds what is not a number"):
            open_history(path, fleet_of_two(), whole=True)
    else:
        assert len(open_history(path, fleet_of_two(), whole=True).parts.__next__().readings) >= 20


@pytest.mark.usefixtures("short_pieces")
def test_what_is_wrong_with_the_head_of_csv_is_told_at_once(tmp_path: Path) -> None:
    path = csv_of(tmp_path / "h.csv", ["amber,a1,2026-01-01T00:00:00,50,1"] * 20)
    with pytest.raises(HistoryError, match="no time has an offset"):
        open_history(path, fleet_of_two())
