"""Backup and restore as people give them, killed in the middle, and stores that a later version wrote."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest
from command_line import be_in
from databases import address_of, on_postgresql
from sqlalchemy import MetaData, select, text
from waiting import wait_until

from standingwatch.cli.main import main
from standingwatch.store.connect import Store

ROOT = Path(__file__).parents[2]
SIX = ROOT / "fixtures" / "inventory" / "six-transmitters.csv"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Gives a command in a folder of its own: status, output, errors."""
    be_in(tmp_path, monkeypatch)

    def give(*words: str) -> tuple[int, str, str]:
        try:
            status = main(words)
        except SystemExit as end:
            status = int(end.code or 0)
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return status, said.out, said.err

    return give


@pytest.fixture
def address(store_url: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """An empty database of each kind, named by the environment."""
    monkeypatch.setenv("STANDINGWATCH_STORE__URL", store_url)
    return store_url


def test_from_one_command_to_the_next(run: Run, address: str, tmp_path: Path) -> None:
    assert run("backup", "night.backup")[0] == 1
    assert run("inventory", "import", str(SIX))[0] == 0
    status, out, _ = run("backup", "night.backup")
    assert status == 0
    assert "layout" in out
    assert "kept in night.backup" in out
    status, out, _ = run("backup", "check", "night.backup")
    assert (status, out.splitlines()[-1]) == (
        0,
        "night.backup is whole: its data are those of its checksum",
    )
    (tmp_path / "folder").mkdir()
    assert run("backup", "folder")[0] == 0
    (named,) = os.listdir(tmp_path / "folder")
    assert named.startswith("standingwatch-20")
    assert named.endswith("Z.backup")
    # Of those with such names the oldest go, once the new one is whole; another name is somebody's own.
    for other in ("standingwatch-20200101T000000Z.backup", "mine.backup"):
        (tmp_path / "folder" / other).touch()
    status, out, _ = run("backup", "--keep", "1", "folder")
    assert (status, "deleted standingwatch-20200101T000000Z.backup" in out.splitlines()) == (0, True)
    assert "deleted mine" not in out
    own, newest = sorted(os.listdir(tmp_path / "folder"))
    assert own == "mine.backup"
    assert newest >= named
    assert f"kept in folder/{newest}" in out
    status, _, err = run("backup", "--keep", "2", "night.backup")
    assert (status, "wanted a folder that is there" in err) == (1, True)
    status, _, err = run("backup", "--keep", "0", "folder")
    assert (status, "wanted a whole number, 1 or more" in err) == (2, True)

    assert run("maintenance", "import", str(ROOT / "tests" / "absent.csv"))[0] == 1
    short = tmp_path / "short.csv"
    short.write_text("site,transmitter,frequency_mhz\nelm,e1,155\n")
    assert run("inventory", "import", str(short))[0] == 0
    status, _, err = run("restore", "night.backup")
    assert status == 1
    assert "is not empty" in err
    status, out, err = run("restore", "night.backup", "--replace", "--by", "Robin")
    assert (status, err) == (0, "")
    assert "put back into" in out
    assert "hush" not in out
    exported = run("inventory", "export")[1]
    assert "elm,e1" not in exported
    assert len(exported.splitlines()) == 7
    store = Store(address)
    with store.reading() as connection:
        acts = connection.execute(text('SELECT act, about, "by" FROM audit ORDER BY id')).all()
    store.close()
    assert tuple(acts[-1]) == ("put a backup back", "night.backup", "Robin")


def test_wrong_use_is_told(run: Run, tmp_path: Path) -> None:
    assert run("backup")[0] == 2
    assert run("backup", "check")[0] == 2
    assert run("backup", "a", "b")[0] == 2
    status, _, err = run("restore", "absent.backup")
    assert (status, err) == (
        1,
        "absent.backup: there is no such file; wanted a backup that `standingwatch backup` made\n",
    )
    status, _, err = run("backup", "check", "absent.backup")
    assert status == 1
    assert "cannot be read: No such file" in err
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    "words",
    [
        ("check",),
        ("run",),
        ("backup", "night.backup"),
        ("inventory", "export"),
        ("alarms", "list"),
        ("user", "list"),
        ("refused", "retry"),
    ],
)
def test_an_older_program_refuses_a_later_layout_in_one_sentence(
    run: Run, tmp_path: Path, words: tuple[str, ...]
) -> None:
    assert run("inventory", "import", str(SIX))[0] == 0
    address = address_of(tmp_path / "standingwatch.sqlite")
    with closing(Store(address)) as store, store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0099'"))
    before = dump(address)
    status, _, err = run(*words)
    assert status == 1
    (line,) = err.splitlines()
    assert "its layout is 0099, which this version does not know; run the version that wrote it" in line
    assert dump(address) == before
    assert not (tmp_path / "night.backup").exists()


def dump(address: str) -> dict[str, Any]:
    """The tables of a store, with their columns and all rows."""
    with closing(Store(address)) as store, store.reading() as connection:
        there = MetaData()
        there.reflect(connection)
        return {
            name: (table.c.keys(), connection.execute(select(table).order_by(*table.c)).all())
            for name, table in there.tables.items()
        }


@pytest.mark.sqlite_only("a file of it is damaged")
@pytest.mark.parametrize("words", [("check",), ("run",), ("backup", "night.backup"), ("inventory", "export")])
def test_a_damaged_store_is_told_with_the_way_back(run: Run, tmp_path: Path, words: tuple[str, ...]) -> None:
    assert run("inventory", "import", str(SIX))[0] == 0
    file = tmp_path / "standingwatch.sqlite"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        query = "SELECT rootpage FROM sqlite_master WHERE name = 'transmitters'"
        page = int(connection.execute(query).fetchone()[0])
    with file.open("r+b") as stream:
        stream.seek((page - 1) * 4096)
        stream.write(b"\xa5" * 4096)
    status, _, err = run(*words)
    assert status == 1
    last = err.splitlines()[-1]
    assert "its file is damaged" in last
    assert "standingwatch restore BACKUP --replace" in last


# Killed --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The address of a store whose backup takes a while: 20 MB that do not get smaller."""
    address = address_of(tmp_path_factory.mktemp("large") / "standingwatch.sqlite")
    store = Store(address)
    store.migrate()
    with store.writing() as connection:
        for number in range(20):
            connection.execute(
                text(
                    "INSERT INTO refused (received_us, topic, payload, reason, detail) "
                    "VALUES (:number, 't', :payload, 'r', 'd')"
                ),
                {"number": number, "payload": os.urandom(1_000_000)},
            )
    store.close()
    return address


def test_a_backup_that_is_killed_leaves_no_half_file(run: Run, large: str, monkeypatch: Any) -> None:
    monkeypatch.setenv("STANDINGWATCH_STORE__URL", large)
    folder = Path.cwd()
    target, part, scratch = folder / "a", folder / "a.part", folder / "a.part.data"

    def copying() -> bool:
        return scratch.exists() and scratch.stat().st_size > 1_000_000

    def packing() -> bool:
        return part.exists() and part.stat().st_size > 3_000_000

    # PostgreSQL's own tool writes straight into the backup.
    for moment in (packing,) if on_postgresql() else (copying, packing):
        process = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "backup", "a"],
            env={**os.environ, "PYTHONPATH": str(ROOT / "service")},
            stdout=subprocess.DEVNULL,
        )
        while process.poll() is None and not moment():
            time.sleep(0.0005)
        process.send_signal(signal.SIGKILL)
        assert process.wait(20) == -signal.SIGKILL, "it was done before it could be killed"
        assert not target.exists()
        assert part.exists()
    # The next one takes away what was left.
    assert run("backup", "a")[0] == 0
    assert sorted(os.listdir(folder)) == ["a"]
    assert run("backup", "check", "a")[0] == 0


def test_a_restore_that_is_killed_leaves_the_store_as_it_was(run: Run, large: str, monkeypatch: Any) -> None:
    monkeypatch.setenv("STANDINGWATCH_STORE__URL", large)
    folder = Path.cwd()
    assert run("backup", "a")[0] == 0
    mine = address_of(folder / "mine.sqlite")
    monkeypatch.setenv("STANDINGWATCH_STORE__URL", mine)
    assert run("inventory", "import", str(SIX))[0] == 0
    before = dump(mine)
    new = folder / "mine.sqlite.restoring"
    # What a transaction that is not over has written is on the server's disk, and nobody's yet.
    size = _size_at(mine) if on_postgresql() else 0

    def has_come() -> int:
        if on_postgresql():
            return _size_at(mine) - size
        return new.stat().st_size if new.exists() else 0

    process = subprocess.Popen(
        [sys.executable, "-m", "standingwatch", "restore", "a", "--replace"],
        env={**os.environ, "PYTHONPATH": str(ROOT / "service")},
        stdout=subprocess.DEVNULL,
    )
    while process.poll() is None and not has_come() > 3_000_000:
        time.sleep(0.0005)
    process.send_signal(signal.SIGKILL)
    assert process.wait(20) == -signal.SIGKILL, "it was done before it could be killed"
    if on_postgresql():
        # Its tools, which nobody feeds any more, end by themselves.
        wait_until(lambda: _at_work(mine) == 0, 30, "psql has left")
    assert dump(mine) == before
    status, out, _ = run("restore", "a", "--replace")
    assert status == 0
    assert "21 rows in" in out
    assert not new.exists()


def _size_at(address: str) -> int:
    return _of_server(address, "SELECT pg_database_size(%s)")


def _at_work(address: str) -> int:
    return _of_server(address, "SELECT count(*) FROM pg_stat_activity WHERE datname = %s")


def _of_server(address: str, words: str) -> int:
    """What a server says of a database, from another one: to be in it would be in the restore's way."""
    server, _, name = address.replace("+psycopg", "").rpartition("/")
    with psycopg.connect(f"{server}/postgres") as connection:
        row = connection.execute(words, (name,)).fetchone()
    assert row is not None
    return int(row[0])
