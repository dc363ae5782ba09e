"""History from files: nothing lost, nothing doubled, wherever it is interrupted; every bad line named."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet
from sqlalchemy import func, select

from standingwatch.detect.engine import in_order
from standingwatch.detect.rollup import HOUR_US, roll_up
from standingwatch.intake.history_file import HistoryFile, HistoryFileError, files_of
from standingwatch.intake.importing import FileResult, Importer, LineRefusal, merged, roll_up_span
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.readings import Flag, QualityCarry, Readings, qualify
from standingwatch.readings.table_map import CsvMap, FieldMap, TableMap
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.history import readings_of_span
from standingwatch.store.imports import (
    begin_import,
    history_is_ready,
    insert_history,
    list_imports,
    take_back,
)
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import rollup_frame

START_US = 1_772_323_200_000_000  # 2026-03-01T00:00:00Z
NOW_US = START_US + 90 * 24 * HOUR_US
SITES = "site,transmitter,frequency_mhz\namber,a1,446\namber,a2,446\nbirch,b1,446\n"


@pytest.fixture
def importer(store: Store) -> Importer:
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(SITES, "sites.csv").rows, START_US)
    return Importer(store, FleetDefaults(), 300.0, lambda: NOW_US)


def lines_of(count: int, *, step_s: int = 60, seed: int = 1) -> list[str]:
    """A heading and rows of all three transmitters, in order of time."""
    rng = np.random.default_rng(seed)
    rows = ["site,transmitter,time,forward_w,reflected_w,ambient_temperature_c"]
    for i in range(count):
        site, name = (("amber", "a1"), ("amber", "a2"), ("birch", "b1"))[i % 3]
        time = np.datetime64(START_US + (i // 3) * step_s * 1_000_000, "us")
        forward_w, temperature = round(rng.normal(90, 2), 1), "" if i % 7 else round(rng.normal(5, 3), 1)
        rows.append(f"{site},{name},{time}Z,{forward_w},{round(forward_w * 0.01, 3)},{temperature}")
    return rows


def rows_in(store: Store) -> list[Any]:
    """What is kept of every reading but when it came and with what."""
    leave = ("arrival", "received_us")
    columns = [column for column in tables.readings.columns if column.name not in leave]
    query = select(*columns).order_by(tables.readings.c.time_us, tables.readings.c.transmitter)
    with store.reading() as connection:
        return [tuple(row) for row in connection.execute(query)]


def collect(
    importer: Importer, path: Path, table_map: TableMap | None = None
) -> tuple[FileResult, list[LineRefusal]]:
    refused: list[LineRefusal] = []
    return importer.import_file(path, table_map, refused.append), refused


def test_as_if_they_had_come_live(store: Store, importer: Importer, tmp_path: Path) -> None:
    path = tmp_path / "history.csv"
    path.write_text("\n".join(lines_of(900)) + "\n")
    result, refused = collect(importer, path)
    assert (result.rows, result.stored, result.repeated, refused) == (900, 900, 0, [])
    imported = rows_in(store)
    with store.reading() as connection:
        everything = readings_of_span(connection, 0, NOW_US, load_site_list(connection).position_of_key)
        arrivals = set(connection.execute(select(tables.readings.c.arrival)).scalars())
        assert connection.execute(select(func.count()).select_from(tables.arrivals)).scalar_one() == 0
    assert arrivals == {-result.number}, "no arrival that the watch would judge as if it came now"
    # The same readings by the way of reports.
    with store.writing() as connection:
        connection.execute(tables.readings.delete())
        plain = everything.take(slice(None))
        qualified, _ = qualify(
            plain, importer.fleet, np.full(len(plain), NOW_US), QualityCarry.empty(3), 300.0
        )
        arrival = new_arrival(connection, NOW_US, len(plain))
        keys = importer.fleet.key[plain.transmitter]
        insert_readings(connection, arrival, qualified, keys, np.full(len(plain), NOW_US))
    assert rows_in(store) == imported


def test_a_second_time_changes_nothing(store: Store, importer: Importer, tmp_path: Path) -> None:
    path, copy = tmp_path / "history.csv", tmp_path / "copy.csv"
    path.write_text("\n".join(lines_of(300)) + "\n")
    collect(importer, path)
    before = rows_in(store)
    again, _ = collect(importer, path)
    assert (again.was_complete, again.stored, again.stored_before, again.rows) == (True, 0, 300, 300)
    # The same bytes under another name are the same file.
    copy.write_bytes(path.read_bytes())
    assert collect(importer, copy)[0].was_complete
    # Another file with the same rows: all are kept already.
    copy.write_text(path.read_text() + "\n\n")
    other, refused = collect(importer, copy)
    assert (other.was_complete, other.stored, other.repeated, refused) == (False, 0, 300, [])
    assert rows_in(store) == before
    assert len({one.number for one in (again, other)}) == 2


class StoppedError(Exception):
    """The process is gone, as far as the importer can tell."""


@pytest.mark.parametrize("stop_after", [0, 1, 2, 4])
@pytest.mark.parametrize("where", ["before the commit", "after the commit"])
def test_stopped_anywhere_and_gone_on(
    store: Store,
    importer: Importer,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stop_after: int,
    where: str,
) -> None:
    """Small blocks, so that there are many commits; some rows are bad, late, repeated or in conflict."""
    monkeypatch.setattr("standingwatch.intake.history_file.BLOCK_BYTES", 4096)
    lines = lines_of(600)
    lines[50] = "amber,a1,soon,1,1,"
    lines[120] = "not,enough"
    lines[300:310], lines[5:15] = lines[5:15], lines[300:310]
    lines[400] = lines[10]
    lines[500] = ",".join([*lines[20].split(",")[:3], "1.5", "0.5", ""])
    path = tmp_path / "history.csv"
    path.write_text("\n".join(lines) + "\n")
    calls = 0
    real = insert_history

    def stopping(*arguments: Any) -> int:
        nonlocal calls
        calls += 1
        if calls > stop_after and where == "before the commit":
            real(*arguments)
            raise StoppedError
        return real(*arguments)

    def tell(bytes_read: int) -> None:
        if bytes_read and calls > stop_after:
            raise StoppedError

    with monkeypatch.context() as patch:
        patch.setattr("standingwatch.intake.importing.insert_history", stopping)
        with pytest.raises(StoppedError):
            importer.import_file(path, None, progress=tell)
    kept = rows_in(store)
    with store.reading() as connection:
        (half,) = list_imports(connection)
    assert (half.ended_us, half.stored) == (None, len(kept))
    assert bool(kept) == (stop_after > 0 or where == "after the commit")
    # A later version may read in other pieces: then one lies across the place where it stopped.
    monkeypatch.setattr("standingwatch.intake.history_file.BLOCK_BYTES", 5500)
    result, refused = collect(importer, path)
    assert result.stored + result.stored_before == len(rows_in(store)) == 596
    assert result.stored == 596 - len(kept), "it went on from where it was"
    assert dict(result.refused) == {"bad-row": 1, "no-offset": 1, "conflicting-repeat": 1}
    assert result.repeated == 1
    assert {(one.line, one.reason) for one in refused} <= {
        (51, "no-offset"),
        (121, "bad-row"),
        (501, "conflicting-repeat"),
    }
    with store.reading() as connection:
        (whole,) = list_imports(connection)
    assert (whole.rows, whole.stored, whole.repeated, sum(whole.refused.values())) == (599, 596, 1, 3)
    assert whole.ended_us == NOW_US
    interrupted = rows_in(store)
    # In one go it comes to the same, quality flags included.
    with store.writing() as connection:
        assert take_back(connection, whole.number) == 596
    assert rows_in(store) == []
    once, _ = collect(importer, path)
    assert once.stored == 596
    assert rows_in(store) == interrupted
    with store.reading() as connection:
        flags = set(connection.execute(select(tables.readings.c.flags)).scalars())
    assert not any(one & int(Flag.LATE) for one in flags)


def test_every_bad_line_is_named(importer: Importer, tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(
        "# by a logger\n"
        "site,transmitter,time,forward_w,reflected_w\n"
        "amber,a1,2026-03-01T00:00:00Z,90,1\n"
        "amber,a1,2026-03-01T00:01:00,90,1\n"
        "\n"
        "amber,a1,2026-03-01T00:02:00Z,ninety,1\n"
        "amber,a1\n"
        "cedar,c1,2026-03-01T00:03:00Z,90,1\n"
        "amber,a1,2026-03-01T00:04:00Z,90,\n"
        "amber,a1,2026-03-01T00:00:00Z,80,1\n"
        '"amber","a2",2026-03-01T00:00:00Z,80,1\n'
        "a,b,c,d,e,f\n"
    )
    fields = {name: FieldMap(name) for name in ("site", "transmitter", "time")}
    fields |= {"forward": FieldMap("forward_w", "W"), "reflected": FieldMap("reflected_w", "W")}
    result, refused = collect(importer, path, TableMap(fields, CsvMap(skip_lines=1)))
    assert [(one.line, one.reason) for one in refused] == [
        (4, "no-offset"),
        (6, "not-a-number"),
        (7, "bad-row"),
        (8, "unknown-transmitter"),
        (9, "no-power"),
        (10, "conflicting-repeat"),
        (12, "bad-row"),
    ]
    assert (result.stored, sum(result.refused.values())) == (2, 7)
    assert str(refused[1]).startswith(
        f"{path}:6: not-a-number: column forward_w: got 'ninety', wanted a number"
    )
    assert "forward 90 W" in refused[5].detail


def test_parquet_and_compressed_csv_say_the_same(store: Store, importer: Importer, tmp_path: Path) -> None:
    lines = lines_of(400)
    plain = tmp_path / "plain.csv"
    plain.write_text("\n".join(lines) + "\n")
    collect(importer, plain)
    wanted = rows_in(store)
    cells = [line.split(",") for line in lines[1:]]
    heading = lines[0].split(",")
    columns: dict[str, Any] = dict(zip(heading, zip(*cells, strict=True), strict=True))
    table = pa.table(
        {
            "site": pa.array(columns["site"]).dictionary_encode(),
            "transmitter": pa.array(columns["transmitter"]),
            "time": pa.array(
                [np.datetime64(t.rstrip("Z")) for t in columns["time"]], pa.timestamp("us")
            ).cast(pa.timestamp("us", "UTC")),
            "forward_w": pa.array([float(v) for v in columns["forward_w"]]),
            "reflected_w": pa.array([float(v) for v in columns["reflected_w"]]),
            "ambient_temperature_c": pa.array(
                [float(v) if v else None for v in columns["ambient_temperature_c"]]
            ),
            "colour": pa.array(["red"] * 400),
        }
    )
    typed, packed = tmp_path / "typed.parquet", tmp_path / "packed.csv.gz"
    parquet.write_table(table, typed)
    with gzip.open(packed, "wt") as stream:
        stream.write(plain.read_text() + "\n")
    for path in (typed, packed):
        with store.writing() as connection:
            connection.execute(tables.readings.delete())
        result, refused = collect(importer, path)
        assert (result.stored, refused) == (400, [])
        assert rows_in(store) == wanted


def test_a_folder_of_files_named_by_place(store: Store, importer: Importer, tmp_path: Path) -> None:
    fields = {
        "time": FieldMap("Zeit", form="%d.%m.%Y %H:%M", zone="Europe/Berlin"),
        "forward": FieldMap("vor", "dBm"),
        "reflected": FieldMap("SWR", "SWR"),
    }
    table_map = TableMap(
        fields, CsvMap(";", ",", "latin-1"), "{site}/{transmitter}.csv", sites={"Höhe": "birch"}
    )
    for site, name in (("amber", "a1"), ("amber", "a2"), ("Höhe", "b1")):
        (tmp_path / site).mkdir(exist_ok=True)
        (tmp_path / site / f"{name}.csv").write_text(
            "Zeit;vor;SWR;Übertemperatur\n01.03.2026 01:00;50,0;1,5;nein\n01.03.2026 01:05;50,0;oo;ja\n",
            encoding="latin-1",
        )
    files = files_of([tmp_path, tmp_path / "amber" / "a1.csv"])
    assert [str(f.relative_to(tmp_path)) for f in files] == ["Höhe/b1.csv", "amber/a1.csv", "amber/a2.csv"]
    refused: list[LineRefusal] = []
    results = [importer.import_file(file, table_map, refused.append) for file in files]
    # Two files of the same bytes are two where their names say whose they are.
    assert [one.stored for one in results] == [1, 1, 1]
    assert {(one.line, one.reason) for one in refused} == {(3, "not-a-number")}
    with store.reading() as connection:
        r = tables.readings.c
        rows = connection.execute(select(r.time_us, r.transmitter, r.forward_w, r.reflected_w)).all()
    assert sorted(row.transmitter for row in rows) == importer.fleet.key.tolist()
    for row in rows:
        assert row.time_us == START_US
        assert (row.forward_w, row.reflected_w) == pytest.approx((100.0, 4.0))


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.csv", b"", "cannot be read"),
        ("no-power.csv", b"site,transmitter,time,forward_w\n", "no column for reflected"),
        ("twice.csv", b"site,transmitter,time,time,forward_w,reflected_w\n", "more than once"),
        (
            "latin.csv",
            "site,transmitter,time,forward_w,reflected_w\nHöhe,a,b,1,1\n".encode("latin-1"),
            "cannot be read",
        ),
        ("broken.parquet", b"PAR1 and nothing", "cannot be read"),
        ("broken.csv.gz", b"\x1f\x8b and nothing", "cannot be read"),
    ],
)
def test_files_that_are_no_tables(
    importer: Importer, tmp_path: Path, name: str, content: bytes, words: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(HistoryFileError, match=words) as told:
        importer.import_file(path, None)
    assert str(path) in str(told.value)


def test_paths_that_are_nothing(tmp_path: Path) -> None:
    with pytest.raises(HistoryFileError, match="no such file"):
        files_of([tmp_path / "nowhere.csv"])
    with pytest.raises(HistoryFileError, match="no file in it"):
        files_of([tmp_path])


def test_hours_are_those_of_the_readings(store: Store, importer: Importer, tmp_path: Path) -> None:
    near, far = tmp_path / "near.csv", tmp_path / "far.csv"
    near.write_text("\n".join(lines_of(900, step_s=300)) + "\n")
    # A gap of 50 days, that is passed over.
    later = [line.replace("2026-03-0", "2026-04-2") for line in lines_of(300, seed=2)]
    far.write_text("\n".join(later) + "\n")
    for path in (far, near):
        collect(importer, path)
    assert [one.rolled_up for one in importer.waiting()] == [False, False]
    made = importer.roll_up()
    assert importer.waiting() == []
    with store.reading() as connection:
        everything = readings_of_span(connection, 0, NOW_US, load_site_list(connection).position_of_key)
        kept = rollup_frame(connection, 0, NOW_US)
    hours = roll_up(in_order(everything))
    order = np.lexsort((hours.hour_us, hours.transmitter))
    assert len(kept) == made == len(hours)
    for name in ("hour_us", "reports", "usable", "rho_median", "forward_w"):
        assert kept[name].tolist() == getattr(hours, name)[order].tolist(), name
    # With the readings gone, so are the hours.
    with store.writing() as connection:
        take_back(connection, 1)
    roll_up_span(store, importer.fleet.key, START_US, NOW_US, replace=True)
    with store.reading() as connection:
        assert len(rollup_frame(connection, 0, NOW_US)) == len(
            set(zip(*_hours_of(near_only(everything)), strict=True))
        )


def near_only(readings: Readings) -> Readings:
    return readings.take(readings.time_us < START_US + 30 * 24 * HOUR_US)


def _hours_of(readings: Readings) -> tuple[list[int], list[int]]:
    return readings.transmitter.tolist(), (readings.time_us // HOUR_US).tolist()


def test_the_watch_is_told_once(store: Store, importer: Importer, tmp_path: Path) -> None:
    with store.writing() as connection:
        assert not history_is_ready(connection)
    path = tmp_path / "history.csv"
    path.write_text("\n".join(lines_of(30)) + "\n")
    collect(importer, path)
    with store.writing() as connection:
        assert history_is_ready(connection)
        assert not history_is_ready(connection)
    collect(importer, path)
    with store.writing() as connection:
        assert not history_is_ready(connection)


def test_a_map_that_was_corrected_reads_the_file_anew(
    importer: Importer, store: Store, tmp_path: Path
) -> None:
    path = tmp_path / "history.csv"
    path.write_text("\n".join(lines_of(30)) + "\n")
    fields = {name: FieldMap(name) for name in ("site", "transmitter", "time")}
    wrong = TableMap(
        {**fields, "forward": FieldMap("forward_w", "mW"), "reflected": FieldMap("reflected_w", "W")}
    )
    right = TableMap(
        {**fields, "forward": FieldMap("forward_w", "W"), "reflected": FieldMap("reflected_w", "W")}
    )
    first, _ = collect(importer, path, wrong)
    second, refused = collect(importer, path, right)
    assert (second.stored, dict(second.refused)) == (0, {"conflicting-repeat": 30})
    assert [one.line for one in refused] == list(range(2, 32))
    with store.writing() as connection:
        assert take_back(connection, first.number) == 30
        assert take_back(connection, second.number) == 0
        assert take_back(connection, 99) is None
    third, refused = collect(importer, path, right)
    assert (third.stored, refused) == (30, [])
    assert third.number not in (first.number, second.number), "numbers are not used again"


@pytest.fixture
def some_columns() -> Callable[[int], Readings]:
    """Readings in which each column is known throughout, in part, and not at all, in turn."""

    def make(which: int) -> Readings:
        count = 200
        rng = np.random.default_rng(which)
        some = np.where(rng.random(count) < 0.5, np.nan, rng.normal(5, 2, count))
        columns: dict[str, Any] = {
            "transmitter": np.arange(count) % 3,
            "time_us": START_US + np.arange(count) * 1_000_000,
            "forward_w": rng.normal(90, 1, count),
            "reflected_w": np.full(count, 1.25),
            "sequence": np.arange(count) if which % 2 else np.full(count, -1),
            "keyed": np.where(some > 5, 1, -1) if which % 3 else np.full(count, 1),
            "frequency_mhz": some,
            "wind_mps": np.full(count, np.nan) if which % 2 else some,
            "channel": ['it\'s "A"', "", "B; DROP TABLE readings"][which % 3 : which % 3 + 1] * count
            if which < 3
            else [f"c{i % 2}" for i in range(count)],
        }
        return Readings.from_columns(columns)

    return make


@pytest.mark.parametrize("which", range(6))
def test_bulk_rows_are_those_of_single_reports(
    store: Store, importer: Importer, some_columns: Callable[[int], Readings], which: int
) -> None:
    readings = some_columns(which)
    keys = importer.fleet.key[readings.transmitter]
    with store.writing() as connection:
        number = begin_import(connection, "f", "x", "", NOW_US).number
        assert insert_history(connection, number, readings, keys, NOW_US) == 200
        assert insert_history(connection, number, readings, keys, NOW_US) == 0
        assert insert_history(connection, number, readings.take(slice(0, 0)), keys[:0], NOW_US) == 0
    bulk = rows_in(store)
    with store.writing() as connection:
        connection.execute(tables.readings.delete())
        insert_readings(connection, new_arrival(connection, 1, 200), readings, keys, np.full(200, NOW_US))
    assert rows_in(store) == bulk


def test_spans_that_overlap_are_one() -> None:
    assert list(merged([(5, 9), (0, 3), (2, 4), (8, 8), (20, 21)])) == [(0, 4), (5, 9), (20, 21)]
    assert list(merged([])) == []


def test_lines_are_counted_across_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("standingwatch.intake.history_file.BLOCK_BYTES", 300)
    lines = lines_of(60)
    for bad in (7, 8, 30, 59):
        lines[bad] = "x"
    path = tmp_path / "many.csv"
    path.write_text("\n".join(lines) + "\n")
    rows, wrong = [], []
    for batch in HistoryFile(path, None).batches():
        rows += list(zip(batch.line.tolist(), batch.rows.column("time").to_pylist(), strict=True))
        wrong += [one.row for one in batch.refused]
    assert wrong == [8, 9, 31, 60]
    assert [(number, lines[number - 1].split(",")[2]) for number, _ in rows] == rows
    assert len(rows) == 56
