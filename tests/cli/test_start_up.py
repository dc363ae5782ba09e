"""What a command loads before it does its work: only what it needs."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

SERVICE = Path(__file__).parents[2] / "service"


def loaded(folder: Path, *words: str) -> set[str]:
    """The modules that are loaded when a command has done its work."""
    code = (
        "import sys\nfrom standingwatch.cli.main import main\n"
        "try:\n    status = main(sys.argv[1:])\nexcept SystemExit as end:\n    status = end.code\n"
        "print('loaded:', *sys.modules)\nsys.exit(status)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(SERVICE)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    last = done.stdout.splitlines()[-1]
    assert last.startswith("loaded: ")
    return set(last.split()[1:])


@pytest.fixture
def files(tmp_path: Path) -> Path:
    (tmp_path / "sites.csv").write_text("site,transmitter,frequency_mhz\nalder,rpt-1,155\n")
    (tmp_path / "readings.csv").write_text(
        "site,transmitter,time,forward_w,reflected_w\nalder,rpt-1,2026-03-01T00:00:00Z,50,1\n"
    )
    return tmp_path


def test_help_loads_no_library(tmp_path: Path) -> None:
    names = loaded(tmp_path, "--help")
    assert "standingwatch.cli.replay" in names
    assert names.isdisjoint({"numpy", "pyarrow", "pandas", "pydantic", "sqlalchemy", "fastapi", "rich"})
    rooms = {name for name in names if name.startswith("standingwatch.")}
    assert {name for name in rooms if not name.startswith("standingwatch.cli")} == set()


def test_replay_loads_neither_store_nor_broker_nor_web_page(files: Path) -> None:
    words = ("replay", "--inventory", "sites.csv", "--readings", "readings.csv", "--out", "out")
    names = loaded(files, *words)
    assert {"standingwatch.watch.replay", "numpy", "pyarrow"} <= names
    others = {
        "sqlalchemy",
        "alembic",
        "fastapi",
        "uvicorn",
        "paho",
        "apscheduler",
        "rich",
        "prometheus_client",
    }
    assert names.isdisjoint(others | {"standingwatch.store", "standingwatch.daemon"})
