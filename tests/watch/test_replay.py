"""Replay: real healthy readings raise nothing, a rise planted in them does, and files are read the same."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.interface import Maintenance
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet
from standingwatch.watch.history import HistoryError, read_history
from standingwatch.watch.replay import Replay

FILE = Path(__file__).resolve().parents[3] / "shared" / "realdata" / "hf_transmitter_2018_jan_feb.csv"
GRAVE = ("minor", "major", "critical")


def fleet_of(loss_db: str = "", rows: str = "") -> Fleet:
    """The coastal HF transmitter, or other rows."""
    heading = "site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db,expected_interval_s\n"
    inventory = read_inventory_text(heading + (rows or f"coast,tx,13,50,{loss_db},300\n"), "fleet.csv")
    assert inventory.errors == ()
    return build_fleet(inventory.rows, np.arange(len(inventory.rows)), FleetDefaults())


def replayed(path: Path, fleet: Fleet, slice_rows: int = 1_000_000) -> list[dict[str, Any]]:
    """The lines of alarms.jsonl."""
    alarms_out = io.StringIO()
    replay = Replay(fleet, DetectionSettings(), Maintenance.none(), 120.0, alarms_out, io.StringIO())
    for part in read_history(path, fleet).slices(slice_rows):
        replay.feed(part)
    summary = replay.finish()
    lines = alarms_out.getvalue().splitlines()
    assert summary.changes == len(lines)
    return [json.loads(line) for line in lines]


# Real readings ------------------------------------------------------------------------------------------


@pytest.fixture
def real_frame() -> pd.DataFrame:
    """One coastal HF transmitter, 2018, five-minute readings in whole watts (rucool/hfradarpy, MIT)."""
    if not FILE.exists():
        pytest.skip(f"{FILE.name} is not in ../shared/realdata: real readings are kept beside the repository")
    return pd.read_csv(FILE)


@pytest.mark.realdata
@pytest.mark.parametrize("loss_db", ["", "0.5", "1", "2", "3", "4.5", "6"])
def test_healthy_real_readings_raise_nothing_of_weight(real_frame: pd.DataFrame, loss_db: str) -> None:
    lines = replayed(FILE, fleet_of(loss_db))
    assert [line for line in lines if line["severity"] in GRAVE] == []
    assert len(real_frame) > 10_000


def planted(frame: pd.DataFrame) -> pd.DataFrame:
    """The same file with a reflection that grows in the last four weeks, in whole watts as the meter's."""
    time = pd.to_datetime(frame["time"], utc=True)
    weeks = ((time - (time.max() - pd.Timedelta(days=28))) / pd.Timedelta(days=7)).clip(lower=0)
    grown = frame["reflected_w"] * (1 + weeks) ** 1.2
    noise = np.random.default_rng(8).uniform(-0.5, 0.5, len(frame)) * (weeks > 0)
    return frame.assign(reflected_w=np.rint(grown + noise).clip(lower=0))


@pytest.mark.realdata
@pytest.mark.parametrize("loss_db", ["", "1", "3"])
def test_a_rise_planted_in_real_readings_is_found(
    real_frame: pd.DataFrame, tmp_path: Path, loss_db: str
) -> None:
    path = tmp_path / "planted.csv"
    planted(real_frame).to_csv(path, index=False)
    lines = replayed(path, fleet_of(loss_db))
    told = [x for x in lines if x["condition"].startswith("swr-") and x["severity"] in GRAVE]
    assert told
    begin = pd.to_datetime(real_frame["time"], utc=True).max() - pd.Timedelta(days=28)
    assert pd.Timestamp(told[0]["time"]) > begin
    assert "swr-rising" in {x["condition"] for x in told}


# Files --------------------------------------------------------------------------------------------------

ROWS = "amber,a1,446,100,1,600\namber,a2,447,100,,600\nbirch,b1,446,100,2,600\n"


@pytest.fixture
def invented() -> pd.DataFrame:
    """Three transmitters over some weeks: one rises, one steps for a day, one falls silent for a while."""
    rng = np.random.default_rng(6)
    parts = []
    for site, name in (("amber", "a1"), ("amber", "a2"), ("birch", "b1")):
        time = pd.date_range("2026-01-01T00:00:00Z", periods=26 * 144, freq="10min")
        day = np.arange(len(time)) / 144
        rho = 0.1 + rng.normal(0, 0.004, len(time))
        if name == "a1":
            rho += np.clip(day - 15, 0, None) * 0.02
        if name == "a2":
            rho[(day > 9) & (day < 10)] = 0.6
        forward_w = np.round(rng.normal(95, 1, len(time)), 1)
        frame = pd.DataFrame(
            {
                "time": time,
                "site": site,
                "transmitter": name,
                "forward_w": forward_w,
                "reflected_w": np.round(forward_w * rho**2, 2),
                "keyed": True,
            }
        )
        parts.append(frame[~((day > 7) & (day < 7.5))] if name == "b1" else frame)
    return pd.concat(parts).sort_values(["time", "site", "transmitter"], ignore_index=True)


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def to_file(frame: pd.DataFrame, name: str = "history.csv") -> Path:
        path = tmp_path / name
        if path.suffix == ".parquet":
            frame.to_parquet(path)
        else:
            text = frame.assign(time=frame["time"].map(lambda t: t.isoformat()))
            text.to_csv(path, index=False)
        return path

    return to_file


def test_csv_and_parquet_give_the_same(invented: pd.DataFrame, write: Callable[..., Path]) -> None:
    fleet = fleet_of(rows=ROWS)
    from_csv = replayed(write(invented), fleet)
    assert {line["condition"] for line in from_csv} >= {
        "swr-rising",
        "swr-high",
        "swr-step",
        "reports-missing",
    }
    assert replayed(write(invented, "history.parquet"), fleet) == from_csv


@pytest.mark.parametrize("rows", [997, 5000])
def test_slices_change_nothing(invented: pd.DataFrame, write: Callable[..., Path], rows: int) -> None:
    fleet, path = fleet_of(rows=ROWS), write(invented)
    assert replayed(path, fleet, rows) == replayed(path, fleet)


def test_an_unsorted_file_equals_the_sorted_one(invented: pd.DataFrame, write: Callable[..., Path]) -> None:
    fleet = fleet_of(rows=ROWS)
    shuffled = invented.sample(frac=1, random_state=2)
    assert replayed(write(shuffled, "shuffled.csv"), fleet) == replayed(write(invented), fleet)


def test_another_offset_is_the_same_time(invented: pd.DataFrame, write: Callable[..., Path]) -> None:
    fleet = fleet_of(rows=ROWS)
    elsewhere = invented.assign(time=invented["time"].dt.tz_convert("+05:30"))
    assert replayed(write(elsewhere, "elsewhere.csv"), fleet) == replayed(write(invented), fleet)


@pytest.mark.parametrize("name", ["none.csv", "none.parquet"])
def test_times_without_offset_are_refused(
    invented: pd.DataFrame, write: Callable[..., Path], name: str
) -> None:
    path = write(invented.assign(time=invented["time"].dt.tz_localize(None)), name)
    with pytest.raises(HistoryError, match=rf"{name}: no time has an offset.*2026-11-25T08:30:00Z"):
        read_history(path, fleet_of(rows=ROWS))


def test_rows_that_cannot_be_used_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "mixed.csv"
    path.write_text(
        "time,site,transmitter,forward_w,reflected_w\n"
        "2026-01-01T00:00:00Z,amber,a1,100,1\n"
        "2026-01-01T00:10:00,amber,a1,100,1\n"
        "2026-13-01T00:20:00Z,amber,a1,100,1\n"
        "2026-01-01T00:30:00Z,amber,a1,,1\n"
        "2026-01-01T00:40:00Z,amber,nobody,100,1\n"
        "2026-01-01T00:50:00+00:00,birch,b1,100,1\n"
    )
    history = read_history(path, fleet_of(rows=ROWS))
    assert dict(history.refused) == {"no-offset": 1, "bad-time": 1, "no-power": 1}
    assert history.unknown == 1
    assert history.readings.transmitter.tolist() == [0, 2]


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    path = tmp_path / "short.csv"
    path.write_text("time,site,forward_w\n2026-01-01T00:00:00Z,amber,1\n")
    with pytest.raises(HistoryError, match="no column transmitter, reflected_w"):
        read_history(path, fleet_of(rows=ROWS))
