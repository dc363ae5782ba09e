"""Errors that pass are told in a line; others with where they came from."""

from __future__ import annotations

import logging
import sqlite3

import pytest
from sqlalchemy import Connection, update
from sqlalchemy.exc import IntegrityError, OperationalError

from standingwatch.store import tables
from standingwatch.store.access import Role, add_user, load_user
from standingwatch.store.connect import Store
from standingwatch.store.passing import Attempt, is_passing, tell

AWAY = OperationalError("SELECT 1", None, sqlite3.OperationalError("database is locked"))


@pytest.mark.parametrize(
    ("error", "passes"),
    [
        pytest.param(AWAY, True, id="locked"),
        pytest.param(sqlite3.OperationalError("database or disk is full"), True, id="full"),
        pytest.param(OSError("no space"), True, id="machine"),
        pytest.param(MemoryError(), True, id="memory"),
        pytest.param(RuntimeError("can't start new thread"), True, id="threads"),
        pytest.param(RuntimeError("x"), False, id="another"),
        pytest.param(IntegrityError("INSERT", None, sqlite3.IntegrityError("x")), False, id="data"),
        pytest.param(KeyError("x"), False, id="mistake"),
    ],
)
def test_what_passes_is_told_without_a_traceback(
    error: Exception, passes: bool, caplog: pytest.LogCaptureFixture
) -> None:
    assert is_passing(error) is passes
    try:
        raise error
    except type(error) as caught:
        tell(logging.getLogger("x"), caught, "%s failed", "it")
    assert "it failed" in caplog.text
    assert ("Traceback" in caplog.text) is not passes


def test_a_note_by_the_way_gives_up_where_others_write(store: Store) -> None:
    store.migrate()
    with store.writing() as connection:
        add_user(connection, "Ada", Role.VIEWER, "h", 1)

    def rename(connection: Connection) -> None:
        connection.execute(update(tables.users).values(name="Bo"))

    with store.writing() as connection:
        rename(connection)
        with pytest.raises(OperationalError) as caught, store.noting() as other:
            rename(other)
        assert is_passing(caught.value)
    with store.noting() as other:
        rename(other)
    with store.reading() as connection:
        assert load_user(connection, "Bo") is not None


def test_an_attempt_that_fails_is_told_and_gone_on_from(caplog: pytest.LogCaptureFixture) -> None:
    log = logging.getLogger("standingwatch.some")
    with Attempt(log, "%s went well", "it") as good:
        pass
    assert (good.error, caplog.records) == (None, [])
    mistake = KeyError("x")
    with Attempt(log, "%s failed", "it") as bad:
        raise mistake
    assert bad.error is mistake
    assert [record.getMessage() for record in caplog.records] == ["it failed"]
    with pytest.raises(KeyboardInterrupt), Attempt(log, "not told"):
        raise KeyboardInterrupt
    assert len(caplog.records) == 1
