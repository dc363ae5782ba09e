"""`readings import`, `export` and `site forget` through the real command line."""

from __future__ import annotations

import csv
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pyarrow.csv
import pytest
from command_line import environment, run, store_in, well
from databases import environment_of, on_postgresql
from pyarrow import parquet
from sqlalchemy import func, select

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.detect.words import Condition, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.audit import load_audit
from standingwatch.store.connect import Store
from standingwatch.store.imports import list_imports

ROOT = Path(__file__).parents[2]
SITES = "site,transmitter,frequency_mhz\nalder,rpt-1,155\nalder,rpt-2,155\nbirch,rpt-1,155\n"
HEADING = "site,transmitter,time,forward_w,reflected_w,keyed,channel,sequence,wind_mps\n"
MAP = """
[csv]
separator = ";"
[fields.time]
column = "t"
form = "unix_s"
[fields.forward]
column = "fwd"
unit = "dBm"
[fields.reflected]
column = "rl"
unit = "dB"
[constants]
site = "birch"
"""


def readings_in(folder: Path) -> list[tuple[Any, ...]]:
    r = tables.readings.c
    with store_in(folder) as store, store.reading() as connection:
        columns = [
            column for column in tables.readings.columns if column.name not in ("arrival", "received_us")
        ]
        query = select(*columns).order_by(r.time_us, r.transmitter)
        return [tuple(row) for row in connection.execute(query)]


def history(count: int) -> str:
    """Rows with something in every kind of column, and nothing in some."""
    rows = [HEADING]
    for i in range(count):
        site, name = (("alder", "rpt-1"), ("alder", "rpt-2"), ("birch", "rpt-1"))[i % 3]
        moment = f"2026-03-{1 + i // 1440 % 28:02d}T{i // 60 % 24:02d}:{i % 60:02d}:00.{i % 1000:06d}Z"
        keyed = ("true", "false", "")[i % 3]
        channel = '"A, ""east"""' if i % 4 else ""
        extra = f"{keyed},{channel},{i if i % 5 else ''},{i / 7 if i % 2 else ''}"
        rows.append(f"{site},{name},{moment},{50 + i / 3},{0.1 + i / 1e6},{extra}\n")
    return "".join(rows)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sites.csv").write_text(SITES)
    well(tmp_path, "inventory", "import", "sites.csv")
    return tmp_path


def test_import_says_what_became_of_every_line(folder: Path) -> None:
    (folder / "in").mkdir()
    (folder / "in" / "good.csv").write_text(history(30))
    bad = [f"birch,rpt-1,2026-04-01T00:00:{i:02d},1,0,,,,\n" for i in range(8)]
    (folder / "in" / "mixed.csv").write_text(
        HEADING + "".join(bad) + "birch,rpt-1,2026-04-01T01:00:00Z,1,0,,,,\n"
    )
    (folder / "in" / "other.csv").write_text("colour\nred\n")
    done = run(folder, "readings", "import", "in", "--refused", "refused.csv")
    assert done.returncode == 1
    assert done.stdout.splitlines() == [
        "the history is in; the watch takes it into its baselines as soon as it runs",
        "2 files, 39 rows: 31 readings stored",
        "lines that could not be used: 8 no-offset; all are in refused.csv",
    ]
    told = done.stderr.splitlines()
    assert [line.split(": ")[0] for line in told[:5]] == [f"in/mixed.csv:{n}" for n in range(2, 7)]
    assert told[5].startswith("in/other.csv: no column for time, forward, reflected; got colour")
    assert len(told) == 6
    with (folder / "refused.csv").open(newline="") as stream:
        listed = list(csv.reader(stream))
    assert listed[0] == ["file", "line", "reason", "detail"]
    assert [row[:3] for row in listed[1:]] == [["in/mixed.csv", str(n), "no-offset"] for n in range(2, 10)]
    # The hours are there without a watch.
    with store_in(folder) as store, store.reading() as connection:
        rollups = select(func.sum(tables.rollups.c.reports))
        assert connection.execute(rollups).scalar_one() == 31
    again = run(folder, "readings", "import", "in/good.csv")
    assert (again.returncode, again.stderr) == (0, "")
    assert again.stdout == (
        "1 files, 30 rows: 0 readings stored (30 before); 1 files had been imported before\n"
    )
    shown = well(folder, "readings", "imports").splitlines()
    assert shown[0].startswith("1  in/good.csv, begun ")
    assert ": 30 rows, 30 stored, 0 kept already, 0 not usable, " in shown[0]
    assert shown[-1] == "2 imports"


def test_a_map_gives_names_and_units(folder: Path) -> None:
    (folder / "map.toml").write_text(MAP)
    (folder / "theirs.csv").write_text("t;fwd;rl\n1772366400;50;20\n1772366460;47;inf\n")
    well(folder, "readings", "import", "theirs.csv", "--columns", "map.toml")
    found = [(row[0], row[3], row[4]) for row in readings_in(folder)]
    assert found[0] == pytest.approx((1_772_366_400_000_000, 100.0, 1.0))
    assert found[1] == pytest.approx((1_772_366_460_000_000, 10**1.7, 0.0))
    (folder / "map.toml").write_text(MAP.replace('"dBm"', '"decibel"').replace('column = "rl"', ""))
    done = run(folder, "readings", "import", "theirs.csv", "--columns", "map.toml")
    assert done.returncode == 1
    assert [line.split(": ")[1:3] for line in done.stderr.splitlines()] == [
        ["map.toml:9", "fields.forward.unit"],
        ["map.toml:10", "fields.reflected.column"],
    ]


def test_import_wants_a_site_list_and_files(tmp_path: Path) -> None:
    (tmp_path / "history.csv").write_text(history(3))
    done = run(tmp_path, "readings", "import", "history.csv")
    assert (done.returncode, done.stderr.split(";")[0]) == (1, "the site list is empty")
    assert run(tmp_path, "readings", "import", "nowhere").stderr == "nowhere: no such file or folder\n"
    assert run(tmp_path, "readings", "import").returncode == 2


def test_killed_in_the_middle_and_gone_on(folder: Path) -> None:
    """Killed for good, and more than once; the same command then comes to what it comes to in one go."""
    rows = 200_000
    (folder / "long.csv").write_text(history(rows))
    partly = 0
    for _ in range(12):
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "readings", "import", "long.csv"],
            cwd=folder,
            env=environment(**environment_of(folder)),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        with store_in(folder) as store:
            before = _stored(store)
            deadline = time.monotonic() + 60
            while process.poll() is None and _stored(store) == before and time.monotonic() < deadline:
                time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
        process.wait(20)
        with store_in(folder) as store:
            stored = _stored(store)
            with store.reading() as connection:
                (kept,) = connection.execute(select(func.count()).select_from(tables.readings)).one()
        assert kept == stored, "what is noted as done is what is kept"
        partly += 0 < stored < rows
        if partly >= 2 or stored == rows:
            break
    assert partly >= 1
    done = run(folder, "readings", "import", "long.csv")
    assert done.returncode == 0, done.stderr
    (whole,) = _imports(folder)
    assert (whole.stored, whole.repeated, whole.rows) == (rows, 0, rows)
    assert whole.rolled_up
    interrupted = readings_in(folder)
    assert len(interrupted) == rows
    well(folder, "readings", "take-back", "1", "--by", "Kim")
    assert readings_in(folder) == []
    well(folder, "readings", "import", "long.csv")
    assert readings_in(folder) == interrupted


def _stored(store: Store) -> int:
    with store.reading() as connection:
        return sum(one.stored for one in list_imports(connection))


def _imports(folder: Path) -> list[Any]:
    with store_in(folder) as store, store.reading() as connection:
        return list_imports(connection)


def test_taking_back_is_in_the_audit(folder: Path) -> None:
    (folder / "history.csv").write_text(history(30))
    well(folder, "readings", "import", "history.csv")
    assert "import 1 taken back: 30 readings deleted" in well(
        folder, "readings", "take-back", "1", "--by", "Kim"
    )
    assert run(folder, "readings", "take-back", "1").returncode == 1
    with store_in(folder) as store, store.reading() as connection:
        line, before = load_audit(connection, 2)
        assert connection.execute(select(func.count()).select_from(tables.rollups)).scalar_one() == 0
    assert (line.by, line.act, line.about) == ("Kim", "readings take-back", "import 1, history.csv")
    assert line.outcome == "done: 30 readings deleted"
    assert (before.act, before.about) == ("readings import", "1 files: history.csv")
    assert before.outcome == "done: 30 readings stored, 0 lines not usable"


def test_a_person_sees_how_far_it_is(folder: Path) -> None:
    (folder / "history.csv").write_text(history(3000))
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "standingwatch", "readings", "import", "history.csv"],
        cwd=folder,
        env=environment(**environment_of(folder), TERM="xterm"),
        stdout=subprocess.DEVNULL,
        stderr=theirs,
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            part = os.read(ours, 4096)
        except OSError:
            # The other end is closed.
            break
        if not part:
            break
        shown += part
    assert process.wait(60) == 0
    os.close(ours)
    assert b"import" in shown
    assert b"hours" in shown


# Export -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_out_and_in_again_is_the_same(
    folder: Path, tmp_path_factory: pytest.TempPathFactory, ending: str
) -> None:
    (folder / "history.csv").write_text(history(3000))
    well(folder, "readings", "import", "history.csv")
    assert well(folder, "export", "readings", f"out.{ending}") == f"3000 readings in out.{ending}\n"
    other = tmp_path_factory.mktemp("other")
    (other / "sites.csv").write_text(SITES)
    well(other, "inventory", "import", "sites.csv")
    assert "3000 readings stored" in well(other, "readings", "import", str(folder / f"out.{ending}"))
    assert readings_in(other) == readings_in(folder)
    assert list(folder.glob("*.part")) == []


def test_export_of_a_site_and_a_span(folder: Path) -> None:
    (folder / "history.csv").write_text(history(300))
    well(folder, "readings", "import", "history.csv")
    words = ("--site", "birch", "--from", "2026-03-01T01:00:00Z", "--until", "2026-03-01T02:00:00Z")
    assert well(folder, "export", "readings", "some.parquet", *words) == "20 readings in some.parquet\n"
    table = parquet.read_table(folder / "some.parquet")
    assert set(table["site"].to_pylist()) == {"birch"}
    assert {str(one.astimezone(tz=None).minute % 3) for one in table["time"].to_pylist()} == {"2"}
    done = run(folder, "export", "readings", "out.csv", "--site", "birhc")
    assert (done.returncode, "got 'birhc'" in done.stderr) == (1, True)
    assert run(folder, "export", "readings", "out.xlsx").returncode == 1
    assert run(folder, "export", "readings", "nowhere/out.csv").returncode == 1
    assert well(folder, "export", "visits", "visits.csv") == "0 visits in visits.csv\n"


def test_export_of_alarms_has_each_change(folder: Path) -> None:
    key = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
    raised = apply(
        None, Evidence(key, Severity.CRITICAL, 1_772_366_400_000_000, {"swr": 4.0}), 1_772_366_401_000_000
    )
    assert raised is not None
    ended = apply(raised.alarm, Evidence(key, Severity.CLEARED, 1_772_366_500_000_000), 1_772_366_501_000_000)
    assert ended is not None
    with store_in(folder) as store, store.writing() as connection:
        save_changes(connection, [raised, ended], "urn:test")
    assert well(folder, "export", "alarms", "alarms.csv") == "2 changes of alarms in alarms.csv\n"
    rows = pyarrow.csv.read_csv(folder / "alarms.csv").to_pylist()
    assert [(row["change"], row["previous_severity"], row["severity"]) for row in rows] == [
        ("raised", "cleared", "critical"),
        ("cleared", "critical", "cleared"),
    ]
    lines = (folder / "alarms.csv").read_text().splitlines()
    assert lines[1].startswith('"2026-03-01T12:00:00.000000Z","2026-03-01T12:00:01.000000Z","alder","rpt-1",')


# Forgetting ---------------------------------------------------------------------------------------------


def test_forgetting_a_site(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STANDINGWATCH_STORE__ARCHIVE", "archive")
    (folder / "history.csv").write_text(history(300))
    well(folder, "readings", "import", "history.csv")
    listed = run(folder, "site", "forget", "alder")
    assert listed.returncode == 0
    assert "alder is on the site list" in listed.stderr
    assert "         200  readings" in listed.stdout
    assert listed.stdout.endswith("rows of alder; nothing was deleted\n")
    refused = run(folder, "site", "forget", "alder", "--yes")
    assert refused.returncode == 1
    assert len(readings_in(folder)) == 300
    (folder / "sites.csv").write_text("site,transmitter,frequency_mhz\nbirch,rpt-1,155\n")
    well(folder, "inventory", "import", "sites.csv")
    well(folder, "export", "readings", "readings-2026-03-01.parquet")
    kept = folder / "archive/year=2026/month=03"
    kept.mkdir(parents=True)
    (folder / "readings-2026-03-01.parquet").rename(kept / "readings-2026-03-01.parquet")
    counted = well(folder, "site", "forget", "alder")
    assert len(readings_in(folder)) == 300, "without --yes nothing is deleted"
    gone = well(folder, "site", "forget", "alder", "--yes", "--by", "Kim")
    assert gone.splitlines()[:-1] == counted.splitlines()[:-1]
    assert gone.splitlines()[-1].endswith(" rows of alder deleted")
    assert len(readings_in(folder)) == 100
    assert "         200  in the archive" in gone
    assert set(parquet.read_table(kept / "readings-2026-03-01.parquet")["site"].to_pylist()) == {"birch"}
    with store_in(folder) as store, store.reading() as connection:
        acts = load_audit(connection, 2)
    assert {(one.by, one.act, one.about) for one in acts} == {("Kim", "site forget", "site alder")}
    assert "200 readings in the archive" in acts[0].outcome
    assert "200 readings" in acts[1].outcome
    again = run(folder, "site", "forget", "alder")
    assert (again.returncode, again.stderr) == (1, "site: got 'alder', of which there is no data\n")
    # What was deleted is not left in the file's pages either.
    if not on_postgresql():
        kept_bytes = (folder / "standingwatch.sqlite").read_bytes()
        assert b"alder" not in kept_bytes.replace(b"site alder", b"")


def test_forgetting_a_site_that_stays_watched(folder: Path) -> None:
    (folder / "history.csv").write_text(history(30))
    well(folder, "readings", "import", "history.csv")
    well(folder, "site", "forget", "alder", "--yes", "--keep-watching")
    assert len(readings_in(folder)) == 10
    assert "alder,rpt-1" in well(folder, "inventory", "export")
