"""Real readings of a healthy transmitter: nothing there may be called stuck."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standingwatch.readings import Flag, Fleet, QualityCarry, Readings, qualify
from standingwatch.readings.flags import STUCK_READINGS, STUCK_SPAN_US

FILE = Path(__file__).resolve().parents[3] / "shared" / "realdata" / "hf_transmitter_2018_jan_feb.csv"
HOUR_US = 3_600 * 1_000_000

pytestmark = [
    pytest.mark.realdata,
    pytest.mark.skipif(not FILE.exists(), reason=f"{FILE.name} is not in ../shared/realdata"),
]


def real() -> Readings:
    """One coastal HF transmitter, 2018, five-minute readings in whole watts (rucool/hfradarpy, MIT)."""
    frame = pd.read_csv(FILE, parse_dates=["time"])
    return Readings.from_columns(
        {
            "transmitter": np.zeros(len(frame), dtype=np.int64),
            "time_us": frame["time"].astype("datetime64[us, UTC]").astype("int64").to_numpy(),
            "forward_w": frame["forward_w"].to_numpy(),
            "reflected_w": frame["reflected_w"].to_numpy(),
        }
    )


def fleet() -> Fleet:
    unknown = np.full(1, np.nan)
    return Fleet(
        key=np.zeros(1, dtype=np.int64),
        site=("coast",),
        transmitter=("tx",),
        region=("",),
        antenna_line=("",),
        frequency_mhz=np.array([13.0]),
        rated_power_w=np.array([50.0]),
        min_forward_w=np.array([5.0]),
        feeder_loss_db=unknown,
        directivity_db=unknown,
        foldback_swr=unknown,
        tolerance_swr=unknown,
        commissioned_rho=unknown,
        expected_interval_s=unknown,
    )


def runs(readings: Readings) -> tuple[int, int]:
    """The most readings and the longest span [us] of any run of one pair, forward power above zero."""
    keyed = readings.take(readings.forward_w > 0)
    moved = (np.diff(keyed.forward_w) != 0) | (np.diff(keyed.reflected_w) != 0)
    starts = np.concatenate([[0], np.flatnonzero(moved) + 1])
    ends = np.append(starts[1:], len(keyed)) - 1
    return int((ends - starts + 1).max()), int((keyed.time_us[ends] - keyed.time_us[starts]).max())


def test_a_healthy_whole_watt_meter_is_not_stuck() -> None:
    readings = real()
    flagged, _ = qualify(readings, fleet(), readings.time_us, QualityCarry.empty(1), 5.0)
    assert not (flagged.flags & Flag.STUCK).any()
    # The first row of each UTC day has no forward power; beside those the file is in order and in range.
    assert (flagged.flags != 0).sum() == (readings.forward_w == 0).sum() == 42


def test_the_longest_run_there_leaves_margin() -> None:
    most, span_us = runs(real())
    assert most == 107  # above STUCK_READINGS: the number alone would not do
    assert most > STUCK_READINGS
    assert span_us == 8 * HOUR_US + 50 * 60 * 1_000_000
    assert span_us < STUCK_SPAN_US / 2


@pytest.mark.parametrize("every", [1, 2, 3, 6, 12, 24])
def test_nor_is_it_when_it_reports_more_seldom(every: int) -> None:
    readings = real()
    readings = readings.take(readings.forward_w > 0).take(slice(0, None, every))
    flagged, _ = qualify(readings, fleet(), readings.time_us, QualityCarry.empty(1), 5.0)
    assert not (flagged.flags & Flag.STUCK).any()


def test_frozen_from_some_day_on_it_is_stuck_a_day_later() -> None:
    readings = real()
    at = int(np.searchsorted(readings.time_us, readings.time_us[0] + 20 * 24 * HOUR_US)) + 1
    readings.forward_w[at:] = 44.5  # a pair the file does not hold, so the run begins here
    readings.reflected_w[at:] = 1.5
    flagged, _ = qualify(readings, fleet(), readings.time_us, QualityCarry.empty(1), 5.0)
    first = int(np.argmax((flagged.flags & Flag.STUCK) != 0))
    assert readings.time_us[first] == readings.time_us[at] + STUCK_SPAN_US
    assert ((flagged.flags[first:] & Flag.STUCK) != 0).all()
