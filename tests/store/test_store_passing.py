"""Errors that pass are told in a line; others with where they came from."""

from __future__ import annotations

import logging
import sqlite3

import pytest
from sqlalchemy.exc import IntegrityError, OperationalError

from standingwatch.store.passing import is_passing, tell

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
