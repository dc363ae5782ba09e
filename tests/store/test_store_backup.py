"""Backups of both kinds of store: made while others write, whole or not there, and put back as they were."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import stat
import struct
import subprocess
import sys
import threading
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from command_line import environment
from sqlalchemy import Connection, func, select, text

from standingwatch.store import tables
from standingwatch.store.backups import BackupError, look_at, make_backup, restore
from standingwatch.store.backups.file import drafted
from standingwatch.store.connect import Store, StoreError, known_layouts
from standingwatch.store.damage import find_damage
from standingwatch.store.partitions import keep_partitions, partitions
from standingwatch.store.watchman import save_note, store_file

NOW_US = 1_767_300_000_000_000


def everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    with store.reading() as connection:
        return {
            name: sorted((tuple(row) for row in connection.execute(select(table))), key=repr)
            for name, table in tables.metadata.tables.items()
        }


def nothing(_connection: Connection) -> None:
    """No line for the audit."""


def put_back(store: Store, file: Path, *, replace: bool = False) -> Any:
    # Nobody else may have the store open, ourselves in another place neither.
    store.close()
    return restore(store, file, replace=replace, now_us=NOW_US, note=nothing)


@pytest.fixture
def other_url(store_url: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """The address of a second, empty database of the same kind."""
    if store_url.startswith("sqlite"):
        return f"sqlite:///{tmp_path}/other.sqlite"
    return str(request.getfixturevalue("postgres_database")())


@pytest.fixture
def other(other_url: str) -> Iterator[Store]:
    made = Store(other_url)
    yield made
    made.close()


def test_what_was_kept_comes_back_row_by_row(store: Store, other: Store, filled: Any, scratch: Path) -> None:
    filled.put_in(store)
    # PostgreSQL has readings in partitions, which come back as such.
    parts = keep_partitions(store, NOW_US, 400)
    before = everything(store)
    file = scratch / "night.backup"
    manifest = make_backup(store, file, NOW_US)
    assert manifest == look_at(file)
    assert manifest.layout == known_layouts()[-1]
    assert manifest.rows == {**{name: len(rows) for name, rows in before.items()}, "alembic_version": 1}
    assert manifest.newest_reading_us == max(row["time_us"] for row in filled.rows["readings"])
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert os.listdir(scratch) == ["night.backup"]
    done = put_back(other, file)
    assert (done.sessions, done.kept) == (1, None)
    # Everybody signs in again; all else is as it was.
    assert everything(other) == {**before, "sessions": []}
    with other.reading() as connection:
        assert [part for part in partitions(connection) if not part.is_rest] == parts
    # Keys that count by themselves go on behind what was put back.
    with other.writing() as connection:
        row = {"received_us": 2, "topic": "t", "payload": b"", "reason": "r", "detail": "d"}
        connection.execute(tables.refused.insert().values(**row))
        connection.execute(tables.refused.insert().values(**row))
    # The store that was kept has not changed.
    assert everything(store) == before


def test_a_store_with_something_in_it_is_replaced_only_when_told(
    store: Store, other: Store, filled: Any, scratch: Path
) -> None:
    filled.put_in(store)
    file = scratch / "night.backup"
    make_backup(store, file, NOW_US)
    other.migrate()
    with other.writing() as connection:
        save_note(connection, "theirs", 1)
    before = everything(other)
    with pytest.raises(BackupError, match="is not empty, 1 rows are in it; give --replace"):
        put_back(other, file)
    assert everything(other) == before
    done = put_back(other, file, replace=True)
    assert everything(other) == {**everything(store), "sessions": []}
    if other.is_sqlite:
        assert done.kept is not None
        kept = Store(f"sqlite:///{done.kept}")
        assert everything(kept) == before
        kept.close()
        folder = Path(done.kept).parent
        assert not [name for name in os.listdir(folder) if "restoring" in name]


def test_tables_without_rows_are_no_obstacle(store: Store, other: Store, filled: Any, scratch: Path) -> None:
    filled.put_in(store)
    make_backup(store, scratch / "a", NOW_US)
    other.migrate()
    assert put_back(other, scratch / "a").kept is None
    assert len(everything(other)["readings"]) == 120


def test_a_backup_of_an_earlier_layout_is_brought_up(
    store_url: str, other: Store, filled: Any, scratch: Path, store_of_layout: Any
) -> None:
    old = store_of_layout(store_url, "0005")
    put = filled.put_in(old)
    manifest = make_backup(old, scratch / "a", NOW_US)
    assert manifest.layout == "0005"
    with old.reading() as connection:
        assert old.layout(connection) == "0005", "a backup must not change what it keeps"
    # Over a store of the present layout: what only that has must not stand in the way.
    other.migrate()
    done = put_back(other, scratch / "a", replace=True)
    assert (done.manifest.layout, done.layout) == ("0005", known_layouts()[-1])
    with other.reading() as connection:
        assert other.layout(connection) == known_layouts()[-1]
    now = everything(other)
    assert {name: len(now[name]) for name in put if name != "sessions"} == {
        name: len(rows) for name, rows in put.items() if name != "sessions"
    }


def test_a_backup_of_a_later_layout_is_refused(
    store: Store, other: Store, filled: Any, scratch: Path
) -> None:
    filled.put_in(store)
    file = scratch / "a"
    make_backup(store, file, NOW_US)
    change_manifest(file, layout="9999", version="9.9.9")
    with pytest.raises(
        BackupError, match=r"its layout is 9999, by version 9\.9\.9, which this version does not"
    ):
        put_back(other, file)
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="layout is 9999, which this version does not know"):
        make_backup(store, scratch / "b", NOW_US)
    assert os.listdir(scratch) == ["a"]


def test_a_store_without_tables_is_nothing_to_keep(other: Store, scratch: Path) -> None:
    with pytest.raises(BackupError, match="nothing to keep"):
        make_backup(other, scratch / "a", NOW_US)
    assert os.listdir(scratch) == []
    file = store_file(other)
    assert file is None or not file.exists()


def test_a_backup_holds_one_moment_while_others_write(store: Store, other: Store, scratch: Path) -> None:
    """Pairs that are written together are in the backup together, and the writer goes on meanwhile."""
    payload = os.urandom(200_000)
    stop, written, errors = threading.Event(), [0], []

    def put_pair(number: int) -> None:
        with store.writing() as connection:
            row = {"received_us": number, "topic": "t", "payload": payload, "reason": "r", "detail": "d"}
            connection.execute(tables.refused.insert().values(**row))
            save_note(connection, "written", number)

    def write() -> None:
        try:
            while not stop.is_set():
                put_pair(written[0] + 1)
                written[0] += 1
        except Exception as error:  # noqa: BLE001  whatever it is, the test fails with it below
            errors.append(error)

    for _ in range(60):
        put_pair(written[0] + 1)
        written[0] += 1
    writer = threading.Thread(target=write)
    writer.start()
    moments: list[int] = []
    try:
        while written[0] < 65:
            pass
        make_backup(store, scratch / "a", NOW_US, lambda _bytes: moments.append(written[0]))
    finally:
        stop.set()
        writer.join()
    assert errors == []
    # It was written to between the first and the last piece of the backup.
    assert moments[-1] > moments[0]
    put_back(other, scratch / "a")
    with other.reading() as connection:
        numbers = (
            connection.execute(select(tables.refused.c.received_us).order_by(tables.refused.c.id))
            .scalars()
            .all()
        )
        note = connection.execute(
            select(tables.notes.c.value).where(tables.notes.c.name == "written")
        ).scalar_one()
    assert numbers == list(range(1, int(note) + 1))
    assert 64 <= int(note) <= moments[-1] + 1


# The file ------------------------------------------------------------------------------------------------


def change_manifest(file: Path, **changes: Any) -> None:
    with zipfile.ZipFile(file) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    members["manifest.json"] = json.dumps({**json.loads(members["manifest.json"]), **changes}).encode()
    with zipfile.ZipFile(file, "w") as archive:
        for name, body in members.items():
            archive.writestr(name, body)


@pytest.fixture
def sqlite_store(tmp_path: Path, filled: Any) -> Iterator[Store]:
    made = Store(f"sqlite:///{tmp_path}/store.sqlite")
    made.migrate()
    filled.put_in(made)
    yield made
    made.close()


@pytest.mark.sqlite_only("a backup that holds its file")
def test_any_byte_that_is_wrong_is_found(sqlite_store: Store, scratch: Path) -> None:
    file = scratch / "a"
    make_backup(sqlite_store, file, NOW_US)
    whole = file.read_bytes()
    with zipfile.ZipFile(file) as archive:
        inside = archive.getinfo("store.sqlite")
        data = archive.read(inside)
    # Before the data: the fixed part of the entry's head, its name, and what else it says (PKWARE's APPNOTE,
    # section 4.3.7; from memory).
    named, more = struct.unpack("<HH", whole[inside.header_offset + 26 : inside.header_offset + 30])
    begin, size = inside.header_offset + 30 + named + more, inside.compress_size
    found = 0
    for place in range(begin, begin + size, size // 12):
        spoilt = whole[:place] + bytes([whole[place] ^ 0x41]) + whole[place + 1 :]
        file.write_bytes(spoilt)
        with contextlib.suppress(zlib.error):
            inflate = zlib.decompressobj(-zlib.MAX_WBITS).decompress
            if inflate(spoilt[begin : begin + size], len(data)) == data:
                # Some bits say the same either way, as how far back in a run of zeros to look; and what
                # follows the last byte is not looked at.
                assert look_at(file).data_bytes == len(data)
                continue
        found += 1
        with pytest.raises(BackupError, match="damaged"):
            look_at(file)
    assert found >= 8
    for length in (0, 1, 100, len(whole) // 2, len(whole) - 1):
        file.write_bytes(whole[:length])
        with pytest.raises(BackupError, match="is no backup, or is not whole"):
            look_at(file)
    file.write_bytes(whole)
    change_manifest(file, sha256="0" * 64)
    target = Store(f"sqlite:///{scratch}/new.sqlite")
    with pytest.raises(BackupError, match="is damaged: its data have the SHA-256"):
        put_back(target, file)
    assert sorted(os.listdir(scratch)) == ["a"]


@pytest.mark.sqlite_only("a backup that holds its file")
@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"format": "something"}, "is no backup"),
        (
            {"format_version": 2, "version": "9.9.9"},
            r"form 2 by version 9\.9\.9, and this version reads form 1",
        ),
        ({"member": "other"}, "its data are missing"),
        ({"rows": 3}, "cannot be read"),
        ({"database": "postgresql"}, "is a backup of a postgresql store, and store.url names a sqlite one"),
        ({"rows": {"readings": 1}}, "its manifest tells of other data than are in it"),
    ],
)
def test_a_manifest_that_does_not_fit_is_refused(
    sqlite_store: Store, scratch: Path, changes: dict[str, Any], said: str
) -> None:
    file = scratch / "a"
    make_backup(sqlite_store, file, NOW_US)
    change_manifest(file, **changes)
    with pytest.raises(BackupError, match=said):
        put_back(Store(f"sqlite:///{scratch}/new.sqlite"), file)
    assert os.listdir(scratch) == ["a"]


@pytest.mark.sqlite_only("a backup that holds its file")
def test_what_is_no_backup_is_not_replaced(sqlite_store: Store, scratch: Path) -> None:
    file = scratch / "letters.zip"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("dear.txt", "dear")
    before = file.read_bytes()
    with pytest.raises(BackupError, match="is there already, and is no backup"):
        make_backup(sqlite_store, file, NOW_US)
    assert file.read_bytes() == before
    with pytest.raises(BackupError, match=r"no manifest\.json is in it"):
        look_at(file)
    with pytest.raises(BackupError, match="cannot be written: No such file"):
        make_backup(sqlite_store, scratch / "absent" / "a", NOW_US)


@pytest.mark.sqlite_only("a backup that holds its file")
def test_an_older_backup_stays_until_the_new_one_is_whole(sqlite_store: Store, scratch: Path) -> None:
    file = scratch / "a"
    make_backup(sqlite_store, file, NOW_US)
    first = look_at(file)

    def fails(_bytes: int) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(BackupError, match="No space left on device; check that its folder"):
        make_backup(sqlite_store, file, NOW_US + 1, fails)
    assert os.listdir(scratch) == ["a"]
    assert look_at(file) == first
    with pytest.raises(RuntimeError, match="killed"), drafted(file):  # noqa: PT012  one inside of the other
        with pytest.raises(BackupError, match="another backup to this name is under way"):
            make_backup(sqlite_store, file, NOW_US + 1)
        raise RuntimeError("killed")
    assert look_at(file) == first
    make_backup(sqlite_store, file, NOW_US + 2)
    assert look_at(file).made_us == NOW_US + 2


@pytest.mark.sqlite_only("a backup that holds its file")
def test_a_log_that_is_left_is_not_played_into_what_was_put_back(sqlite_store: Store, scratch: Path) -> None:
    """The log of a store whose service was killed belongs to the old file alone."""
    file = scratch / "a"
    make_backup(sqlite_store, file, NOW_US)
    source = store_file(sqlite_store)
    assert source is not None
    with sqlite_store.writing() as connection:
        save_note(connection, "later", 1)
    # As kill -9 leaves it: the file, and what has not been put back into it beside.
    log = source.with_name(source.name + "-wal").read_bytes()
    old = source.read_bytes()
    before = everything(sqlite_store)
    sqlite_store.close()
    source.write_bytes(old)
    source.with_name(source.name + "-wal").write_bytes(log)
    done = put_back(sqlite_store, file, replace=True)
    with sqlite_store.reading() as connection:
        names = connection.execute(select(tables.notes.c.name)).scalars().all()
        assert names == ["heartbeat"]
    assert find_damage(source) == ""
    assert not done.kept.with_name(done.kept.name + "-wal").exists(), "it has to stand alone"
    kept = Store(f"sqlite:///{done.kept}")
    assert everything(kept) == before
    kept.close()


@pytest.mark.sqlite_only("a backup that holds its file")
def test_a_damaged_store_is_replaced_and_kept(sqlite_store: Store, scratch: Path) -> None:
    file = scratch / "a"
    before = everything(sqlite_store)
    make_backup(sqlite_store, file, NOW_US)
    source = store_file(sqlite_store)
    assert source is not None
    sqlite_store.close()
    damaged = b"not a database at all" * 1000
    source.write_bytes(damaged)
    with pytest.raises(BackupError, match="give --replace"):
        put_back(sqlite_store, file)
    done = put_back(sqlite_store, file, replace=True)
    assert done.kept.read_bytes() == damaged
    assert everything(sqlite_store) == {**before, "sessions": []}


@pytest.mark.sqlite_only("a backup that holds its file")
def test_a_log_that_cannot_be_put_back_stays_with_its_file(
    sqlite_store: Store, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the new file it would be played into it."""
    from standingwatch.store.backups import restoring as module

    file = scratch / "a"
    source = store_file(sqlite_store)
    assert source is not None
    log = source.with_name(source.name + "-wal")
    make_backup(sqlite_store, file, NOW_US)
    with sqlite_store.writing() as connection:
        save_note(connection, "later", 1)
    before, left = source.read_bytes(), log.read_bytes()
    sqlite_store.close()
    source.write_bytes(before)
    log.write_bytes(left)
    # As of a file that is too damaged for SQLite.
    monkeypatch.setattr(module, "_rows_in", lambda _file: 1)
    monkeypatch.setattr(module, "_settle", lambda _file, _url: None)
    done = put_back(sqlite_store, file, replace=True)
    assert done.kept.read_bytes() == before
    assert done.kept.with_name(done.kept.name + "-wal").read_bytes() == left
    with sqlite_store.reading() as connection:
        assert connection.execute(select(tables.notes.c.name)).scalars().all() == ["heartbeat"]


def test_a_store_in_use_is_not_replaced(store: Store, filled: Any, scratch: Path) -> None:
    filled.put_in(store)
    make_backup(store, scratch / "a", NOW_US)
    before = everything(store)
    held = HeldElsewhere(store)
    try:
        store.close()
        moved: list[int] = []
        with pytest.raises(BackupError, match="is in use; stop the service"):
            restore(store, scratch / "a", replace=True, now_us=NOW_US, note=nothing, progress=moved.append)
        assert moved == [], "it has to be told before the work is done, not after it"
    finally:
        held.let_go()
    assert everything(store) == before
    put_back(store, scratch / "a", replace=True)


class HeldElsewhere:
    """Another process that has the store open and does nothing with it, as the service between two passes."""

    def __init__(self, store: Store) -> None:
        url = store.engine.url.render_as_string(hide_password=False)
        code = (
            "import sys\nfrom sqlalchemy import text\nfrom standingwatch.store.connect import Store\n"
            f"store = Store({url!r})\n"
            "with store.reading() as c: c.execute(text('SELECT count(*) FROM readings')).all()\n"
            "print('open', flush=True)\nsys.stdin.read()\n"
        )
        service = str(Path(__file__).parents[2] / "service")
        self.process = subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": service},
        )
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == b"open\n"

    def let_go(self) -> None:
        self.process.communicate(timeout=20)


# PostgreSQL ----------------------------------------------------------------------------------------------


@pytest.fixture
def postgres(postgres_database: Callable[[], str], filled: Any) -> Iterator[Store]:
    made = Store(postgres_database())
    made.migrate()
    filled.put_in(made)
    yield made
    made.close()


def test_what_is_not_ours_in_the_database_is_left_alone(postgres: Store, scratch: Path) -> None:
    with postgres.writing() as connection:
        connection.execute(text("CREATE TABLE theirs (a int)"))
        connection.execute(text("INSERT INTO theirs VALUES (1)"))
    manifest = make_backup(postgres, scratch / "a", NOW_US)
    assert "theirs" not in manifest.rows
    with postgres.writing() as connection:
        connection.execute(text("INSERT INTO theirs VALUES (2)"))
    put_back(postgres, scratch / "a", replace=True)
    with postgres.reading() as connection:
        assert connection.execute(text("SELECT count(*) FROM theirs")).scalar_one() == 2


def test_a_restore_that_fails_changes_nothing(postgres: Store, scratch: Path) -> None:
    """What depends on our tables and is not ours stops it: nothing of ours is gone by then."""
    make_backup(postgres, scratch / "a", NOW_US)
    with postgres.writing() as connection:
        save_note(connection, "later", 1)
        connection.execute(text("CREATE VIEW theirs AS SELECT * FROM readings"))
    before = everything(postgres)
    with pytest.raises(BackupError, match=r"psql failed: .* because other objects depend on them"):
        put_back(postgres, scratch / "a", replace=True)
    assert everything(postgres) == before


def test_data_that_break_off_change_nothing(
    postgres: Store, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk of the backup fails in the middle, after the check: psql must not commit what it has."""
    from standingwatch.store.backups import postgres as module

    make_backup(postgres, scratch / "a", NOW_US)
    with postgres.writing() as connection:
        save_note(connection, "later", 1)
    before = everything(postgres)

    def breaks_off(_file: Any, archive: Any, manifest: Any, write: Any, _progress: Any) -> None:
        body = archive.read(manifest.member)
        write(body[: len(body) * 2 // 3])
        raise BackupError("the disk is away")

    monkeypatch.setattr(module, "take_out", breaks_off)
    with pytest.raises(BackupError, match="the disk is away"):
        put_back(postgres, scratch / "a", replace=True)
    assert everything(postgres) == before


#: Restores, and is killed when psql has the readings' first row and nothing after it.
KILLED_BETWEEN_ROWS = """
import os, signal, sys
from pathlib import Path
from standingwatch.store.backups import postgres, restore
from standingwatch.store.connect import Store

def killed(read, write, _progress):
    given = b"".join(iter(lambda: read(1 << 20), b""))
    begin = given.index(b"\\n", given.index(b"COPY public.readings")) + 1
    write(given[: given.index(b"\\n", begin) + 1])
    write.__self__._process.stdin.flush()
    os.kill(os.getpid(), signal.SIGKILL)

postgres.pump = killed
restore(Store(sys.argv[1]), Path(sys.argv[2]), replace=True, now_us=1, note=lambda _connection: None)
"""


def test_a_restore_that_is_killed_between_two_rows_changes_nothing(postgres: Store, scratch: Path) -> None:
    """Nobody is left to stop psql then: the end of its input must not be the end of the transaction."""
    make_backup(postgres, scratch / "a", NOW_US)
    with postgres.writing() as connection:
        save_note(connection, "later", 1)
    before = everything(postgres)
    url = postgres.engine.url.render_as_string(hide_password=False)
    postgres.close()
    done = subprocess.run(
        [sys.executable, "-c", KILLED_BETWEEN_ROWS, url, str(scratch / "a")], env=environment(), timeout=60
    )
    assert done.returncode == -signal.SIGKILL
    # It waits for psql's locks to go.
    assert everything(postgres) == before


def test_tools_that_are_not_there_are_named(
    postgres: Store, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from standingwatch.store.backups import tool

    monkeypatch.setattr(tool.shutil, "which", lambda _name: None)
    found = tool.path_of("pg_dump")
    assert found.startswith("/usr/lib/postgresql/")
    monkeypatch.setattr(tool.Path, "glob", lambda *_: iter(()))
    with pytest.raises(BackupError, match="pg_dump is not installed; install PostgreSQL's client tools"):
        make_backup(postgres, scratch / "a", NOW_US)
    assert os.listdir(scratch) == []


def test_the_password_is_in_no_command(
    postgres: Store, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from standingwatch.store.backups import tool

    commands: list[tuple[list[str], dict[str, str]]] = []
    real = tool.subprocess.Popen

    def seen(words: list[str], **options: Any) -> Any:
        commands.append((words, options["env"]))
        return real(words, **options)

    monkeypatch.setattr(tool.subprocess, "Popen", seen)
    url = postgres.engine.url.set(password="hush-hush").render_as_string(hide_password=False)
    postgres.close()
    store = Store(url)
    make_backup(store, scratch / "a", NOW_US)
    put_back(store, scratch / "a", replace=True)
    store.close()
    assert [Path(words[0]).name for words, _ in commands] == ["pg_dump", "psql", "pg_restore"]
    assert "hush-hush" not in str([words for words, _ in commands])
    assert [environment.get("PGPASSWORD") for _, environment in commands] == ["hush-hush", "hush-hush", None]


def test_the_rows_of_a_table_are_counted_as_they_were_dumped(postgres: Store, scratch: Path) -> None:
    manifest = make_backup(postgres, scratch / "a", NOW_US)
    with postgres.reading() as connection:
        count = connection.execute(select(func.count()).select_from(tables.readings)).scalar_one()
    assert manifest.rows["readings"] == count == 120
