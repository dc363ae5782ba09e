"""A damaged SQLite file is found at the start, and told with the way back."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DatabaseError

from standingwatch.store import tables
from standingwatch.store.backups import BackupError, make_backup
from standingwatch.store.connect import Store, StoreError
from standingwatch.store.damage import find_damage

PAGE_BYTES = 4096

pytestmark = pytest.mark.sqlite_only("a file of it is damaged")


@pytest.fixture
def file(tmp_path: Path, filled: Any) -> Path:
    """The file of a store with something in every table, closed."""
    store = Store(f"sqlite:///{tmp_path}/store.sqlite")
    store.migrate()
    filled.put_in(store)
    store.close()
    return tmp_path / "store.sqlite"


def root_page(file: Path, name: str) -> int:
    store = Store(f"sqlite:///{file}")
    with store.reading() as connection:
        query = text("SELECT rootpage FROM sqlite_master WHERE name = :name")
        page = int(connection.execute(query, {"name": name}).scalar_one())
    store.close()
    return page


def overwrite(file: Path, page: int) -> None:
    """Put what is no page in the place of one."""
    with file.open("r+b") as stream:
        stream.seek((page - 1) * PAGE_BYTES)
        stream.write(b"\xa5" * PAGE_BYTES)


def test_a_file_that_is_well_has_no_damage(file: Path, tmp_path: Path) -> None:
    assert find_damage(file) == ""
    assert find_damage(file, whole_bytes=0) == ""
    assert find_damage(tmp_path / "absent") == ""
    assert not (tmp_path / "absent").exists()
    (tmp_path / "empty").touch()
    assert find_damage(tmp_path / "empty") == ""


@pytest.mark.parametrize("name", ["alarms", "readings", "watch_state", "alarm_changes_by_noted"])
def test_a_page_that_is_wrong_is_found(file: Path, name: str) -> None:
    overwrite(file, root_page(file, name))
    assert find_damage(file) != ""
    # Of a large file only the ends of the long tables are looked at; this root is on the way to both.
    assert find_damage(file, whole_bytes=0) != ""


def test_a_file_that_is_cut_or_something_else_is_found(file: Path) -> None:
    body = file.read_bytes()
    file.write_bytes(body[: len(body) // 2])
    assert find_damage(file) != ""
    file.write_bytes(b"SQLite format 4" + body[15:])
    assert "not a database" in find_damage(file)


def test_a_null_that_really_is_there_is_found(file: Path) -> None:
    """What SQLite 3.40 says by mistake of some tables is passed over only where there is no NULL."""
    store = Store(f"sqlite:///{file}")
    with store.writing() as connection:
        connection.execute(text("PRAGMA writable_schema = ON"))
        where = "WHERE name = 'watch_state'"
        schema = connection.execute(text(f"SELECT sql FROM sqlite_master {where}")).scalar_one()
        assert "state BLOB NOT NULL" in schema
        loose = schema.replace("state BLOB NOT NULL", "state BLOB")
        connection.execute(text(f"UPDATE sqlite_master SET sql = :sql {where}"), {"sql": loose})
    store.close()
    with store.writing() as connection:
        connection.execute(text("UPDATE watch_state SET state = NULL"))
        connection.execute(text("PRAGMA writable_schema = ON"))
        connection.execute(text(f"UPDATE sqlite_master SET sql = :sql {where}"), {"sql": schema})
    store.close()
    assert find_damage(file) == "NULL value in watch_state.state"


def test_who_opens_a_damaged_store_is_told_what_to_do(file: Path, tmp_path: Path) -> None:
    file.write_bytes(b"something else altogether" * 500)
    store = Store(f"sqlite:///{file}")
    with pytest.raises(StoreError, match=r"its file is damaged .* standingwatch restore BACKUP --replace"):
        store.migrate()
    with pytest.raises(BackupError, match="its file is damaged"):
        make_backup(store, tmp_path / "a", 1)
    assert not (tmp_path / "a").exists()
    store.close()


def test_damage_that_shows_at_work_is_logged_once(file: Path, caplog: pytest.LogCaptureFixture) -> None:
    overwrite(file, root_page(file, "alarms"))
    store = Store(f"sqlite:///{file}")
    with caplog.at_level(logging.CRITICAL, "standingwatch.store"):
        for _ in range(3):
            with pytest.raises(DatabaseError), store.reading() as connection:
                connection.execute(select(tables.alarms)).all()
    store.close()
    (record,) = caplog.records
    assert "put the last backup back with: standingwatch restore BACKUP --replace" in record.getMessage()
