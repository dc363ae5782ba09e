"""Commands as a person runs them: by their words, in a folder, with what they print and their exit status.

They run within the tests' process, since a new interpreter that loads pandas costs a second each; what a
signal does to a command, and the service itself, are tested with processes of their own.
"""

from __future__ import annotations

import io
import logging
import os
import sys
import traceback
from collections.abc import Iterator
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import pytest
from databases import address_of, environment_of

from standingwatch.cli.main import main
from standingwatch.store.connect import Store

SERVICE = Path(__file__).parents[2] / "service"


@dataclass(frozen=True)
class Done:
    """What came of a command."""

    returncode: int
    stdout: str
    stderr: str


def environment(**more: str) -> dict[str, str]:
    """The environment of a command in a process of its own."""
    return {**os.environ, "PYTHONPATH": str(SERVICE), **more}


def run(folder: Path, *words: str, input: bytes = b"", **environ: str) -> Done:
    """A command in a folder; whatever comes of it, no traceback."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    with (
        chdir(folder),
        patch.dict(os.environ, {**environment_of(folder), **environ}),
        patch.object(sys, "stdin", io.TextIOWrapper(io.BytesIO(input), encoding="utf-8")),
        redirect_stdout(out),
        redirect_stderr(err),
        _logging_put_back(),
    ):
        try:
            status = main(words)
        except SystemExit as left:  # argparse leaves so
            status = left.code if isinstance(left.code, int) else int(left.code is not None)
        except Exception:  # noqa: BLE001 - what a process would print, for the assertion below to show
            status = 1
            traceback.print_exc()
    said = [stream.buffer.getvalue().decode() for stream in (out, err)]  # type: ignore[attr-defined]  # BytesIO's
    done = Done(status, *said)
    assert "Traceback" not in done.stderr, done.stderr
    return done


def be_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """For commands that a test gives without `run`: be in a folder, where they find its store."""
    monkeypatch.chdir(folder)
    for name, value in environment_of(folder).items():
        monkeypatch.setenv(name, value)


@contextmanager
def _logging_put_back() -> Iterator[None]:
    """Loggers are those of the process: what a command sets up ends with it."""
    loggers = [
        logging.getLogger(),
        *(logging.getLogger(name) for name in list(logging.root.manager.loggerDict)),
    ]
    before = [(its, its.level, its.handlers[:], its.propagate, its.disabled) for its in loggers]
    # A process of its own has no handlers at first.
    logging.getLogger().handlers[:] = []
    try:
        yield
    finally:
        for its, level, handlers, propagate, disabled in before:
            its.setLevel(level)
            its.handlers[:] = handlers
            its.propagate, its.disabled = propagate, disabled


def well(folder: Path, *words: str) -> str:
    """What a command says that has nothing to complain of."""
    done = run(folder, *words)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@contextmanager
def store_in(folder: Path) -> Iterator[Store]:
    """The store that commands find in their folder."""
    opened = Store(address_of(folder / "standingwatch.sqlite"))
    try:
        yield opened
    finally:
        opened.close()
