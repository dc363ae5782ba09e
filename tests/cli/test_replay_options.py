"""`standingwatch replay` with --explain and with two --settings, by the real command."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from command_line import Done, environment
from command_line import run as run_command

from standingwatch.cli.replay import out_folders
from standingwatch.cli.replay_explain import file_names
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text

HEADING = "site,transmitter,frequency_mhz,rated_power_w,foldback_swr,tolerance_swr,expected_interval_s\n"
DAYS, PER_DAY = 40, 24


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Inventory, hourly readings of two transmitters, one of which rises from day 22 on, and settings."""
    here = tmp_path_factory.mktemp("history")
    (here / "sites.csv").write_text(HEADING + "amber,a1,446,50,2,3,3600\namber,a 2,447,50,2,3,3600\n")
    rng = np.random.default_rng(4)
    rows = ["site,transmitter,time,forward_w,reflected_w,keyed"]
    for n in range(DAYS * PER_DAY):
        day, hour = divmod(n, PER_DAY)
        time = np.datetime64("2026-02-01T00:00:00") + np.timedelta64(n, "h")
        for name, rise in (("a1", 0.008 * max(0.0, day + hour / 24 - 22)), ("a 2", 0.0)):
            rho = 0.12 + rng.normal(0, 0.002) + rise
            rows.append(f"amber,{name},{time}Z,50,{50 * rho**2:.5f},true")
    (here / "readings.csv").write_text("\n".join(rows) + "\n")
    (here / "keen.toml").write_text("")
    (here / "blunt.toml").write_text("[departure]\nsmallest_change_rho = 0.15\n")
    (here / "other").mkdir()
    (here / "other" / "keen.toml").write_text("[departure]\nsmallest_change_rho = 0.15\n")
    return here


def replay(folder: Path, *words: str) -> Done:
    return run_command(folder, *command(), *words)


def command() -> list[str]:
    return ["replay", "--inventory", "sites.csv", "--readings", "readings.csv"]


@pytest.fixture(scope="module")
def plain(folder: Path) -> Path:
    """The results of a replay with neither option."""
    done = replay(folder, "--out", "plain")
    assert done.returncode == 0, done.stderr
    assert (folder / "plain" / "alarms.jsonl").stat().st_size > 0
    return folder / "plain"


# --explain ----------------------------------------------------------------------------------------------


def test_explain_adds_its_files_and_changes_no_other(folder: Path, plain: Path) -> None:
    done = replay(folder, "--out", "why", "--explain", "amber/a1", "--explain", "amber/a 2")
    assert done.returncode == 0, done.stderr
    out = folder / "why"
    for name in ("alarms.jsonl", "visits.jsonl", "summary.json"):
        assert (out / name).read_bytes() == (plain / name).read_bytes(), name
    assert {path.name for path in out.iterdir()} - {path.name for path in plain.iterdir()} == {
        "explain-amber-a1.svg",
        "explain-amber-a1.csv",
        "explain-amber-a_2.svg",
        "explain-amber-a_2.csv",
    }
    assert "explained: amber/a1: SWR" in done.stdout
    assert "explained: amber/a 2: no alarm stands" in done.stdout
    rows = list(csv.DictReader((out / "explain-amber-a1.csv").read_text(encoding="utf-8").splitlines()))
    assert [rows[0]["date"], rows[-1]["date"]] == ["2026-02-01", "2026-03-11"]
    # The median of the last three closed days is the level at noon of day 37.
    assert float(rows[-1]["departure_rho"]) == pytest.approx(0.008 * 15.5, abs=0.004)
    assert "swr-rising" in rows[-1]["alarms"]
    assert "SWR 2, foldback" in (out / "explain-amber-a1.svg").read_text(encoding="utf-8")


def test_an_unknown_transmitter_is_wrong_use_and_nothing_is_replayed(folder: Path) -> None:
    done = replay(folder, "--out", "never", "--explain", "amber/a3", "--explain", "Amber/A1")
    assert done.returncode == 2
    first, second = done.stderr.splitlines()
    assert first.startswith("--explain: got 'amber/a3', wanted SITE/TRANSMITTER as in sites.csv, nearest: ")
    assert "amber/a1" in first
    assert "nearest: amber/a1" in second
    assert done.stdout == ""
    assert not (folder / "never").exists()


def test_a_replay_without_options_loads_none_of_it(folder: Path) -> None:
    words = [*command(), "--out", "lean"]
    program = (
        f"import sys; from standingwatch.cli.main import main; assert main({words!r}) == 0; "
        "print(*(m for m in sys.modules if m.split('.')[0] in ('altair', 'vl_convert') or 'explain' in m "
        "or 'compare' in m and m.startswith('standingwatch')), sep='|')"
    )
    # In a process of its own, where nothing else has loaded anything.
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == ""


def test_file_names_are_safe_and_each_its_own() -> None:
    text = (
        HEADING + "north-east,x,446,50,,,\nnorth,east-x,446,50,,,\nNorth,East-X,446,50,,,\né ü,..,446,50,,,\n"
    )
    rows = read_inventory_text(text, "sites.csv").rows
    fleet = build_fleet(rows, np.arange(len(rows)), FleetDefaults())
    names = file_names(range(len(fleet)), fleet)
    assert list(names.values()) == [
        "explain-north-east-x",
        "explain-north-east-x-2",
        "explain-North-East-X-3",
        "explain-é_ü-_",
    ]


# --settings twice ---------------------------------------------------------------------------------------


def test_two_settings_are_compared(folder: Path, plain: Path) -> None:
    done = replay(folder, "--out", "both", "--settings", "keen.toml", "--settings", "blunt.toml")
    assert done.returncode == 0, done.stderr
    out = folder / "both"
    assert {path.name for path in out.iterdir()} == {"keen", "blunt", "comparison.json"}
    for name in ("alarms.jsonl", "visits.jsonl", "summary.json"):
        assert (out / "keen" / name).read_bytes() == (plain / name).read_bytes(), name
        assert (out / "blunt" / name).exists()
    comparison = json.loads((out / "comparison.json").read_text())
    assert comparison["settings"] == {"a": "keen.toml", "b": "blunt.toml"}
    (first,) = comparison["first_alarms"]
    assert first["transmitter"] == "amber/a1"
    # B asks for a larger departure: there the limit of SWR 1.5, at 0.2 in rho on day 32, comes first.
    assert first["a"]["condition"] == "swr-rising"
    assert first["b"]["condition"] == "swr-high"
    assert first["b"]["time"].startswith("2026-03-0")
    assert first["b_later_days"] > 1.0
    lines = [json.loads(text) for text in (out / "keen" / "alarms.jsonl").read_text().splitlines()]
    raised = [line for line in lines if line["change"] == "raised"]
    assert sum(row["a"] for row in comparison["alarms_raised"]) == len(raised) > 0
    assert f"amber/a1: B {first['b_later_days']:.1f} days later" in done.stdout
    assert "Days of warning" in done.stdout


def test_both_options_together(folder: Path) -> None:
    done = replay(
        folder,
        "--out",
        "all",
        "--settings",
        "keen.toml",
        "--settings",
        "other/keen.toml",
        "--explain",
        "amber/a1",
    )
    assert done.returncode == 0, done.stderr
    # Two files of one name go by letters.
    for side in ("a", "b"):
        assert (folder / "all" / side / "explain-amber-a1.svg").stat().st_size > 10_000


def test_three_settings_are_refused(folder: Path) -> None:
    done = replay(folder, "--out", "three", *["--settings", "keen.toml"] * 3)
    assert done.returncode == 2
    assert done.stderr.strip() == "--settings: got 3 files, wanted one, or two to compare"
    assert not (folder / "three").exists()


def test_one_settings_file_is_used_as_ever(folder: Path) -> None:
    done = replay(folder, "--out", "one", "--settings", "blunt.toml")
    assert done.returncode == 0, done.stderr
    assert {path.name for path in (folder / "one").iterdir()} == {
        "alarms.jsonl",
        "visits.jsonl",
        "summary.json",
    }
    missing = replay(folder, "--out", "none", "--settings", "absent.toml")
    assert missing.returncode == 1
    assert "absent.toml" in missing.stderr


@pytest.mark.parametrize(
    ("files", "names"),
    [
        ([None], ["."]),
        (["x/old.toml"], ["."]),
        (["old.toml", "new.toml"], ["old", "new"]),
        (["x/same.toml", "y/SAME.toml"], ["a", "b"]),
        (["comparison.json.toml", "new.toml"], ["a", "b"]),
    ],
)
def test_folders_of_results(files: list[str | None], names: list[str]) -> None:
    paths = [None if file is None else Path(file) for file in files]
    assert out_folders(Path("out"), paths) == [Path("out") / name for name in names]


def test_the_options_are_in_the_help(folder: Path) -> None:
    text = " ".join(run_command(folder, "replay", "--help").stdout.split())
    for wanted in ("--explain SITE/TRANSMITTER", "--settings FILE", "Given twice", "comparison.json"):
        assert wanted in text, wanted
