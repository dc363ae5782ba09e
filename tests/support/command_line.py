"""Commands as a person runs them, in processes of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from standingwatch.store.connect import Store

SERVICE = Path(__file__).parents[2] / "service"


def environment(**more: str) -> dict[str, str]:
    """The environment of a command."""
    return {**os.environ, "PYTHONPATH": str(SERVICE), **more}


def run(folder: Path, *words: str, **environ: str) -> subprocess.CompletedProcess[str]:
    """A command in a folder; whatever comes of it, no traceback."""
    done = subprocess.run(
        [sys.executable, "-m", "standingwatch", *words],
        cwd=folder,
        env=environment(**environ),
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done


def well(folder: Path, *words: str) -> str:
    """What a command says that has nothing to complain of."""
    done = run(folder, *words)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@contextmanager
def store_in(folder: Path) -> Iterator[Store]:
    """The store that commands find in their folder."""
    opened = Store(f"sqlite:///{folder}/standingwatch.sqlite")
    try:
        yield opened
    finally:
        opened.close()
