"""Hourly rollups: held against pandas, and the same whatever the order of the rows."""

from __future__ import annotations

from dataclasses import fields, replace
from random import Random

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import standingwatch.detect.rollup as rollup_module
from standingwatch.detect.rollup import HOUR_US, Hours, hour_of, roll_up
from standingwatch.readings import Flag, Readings

START_US = 1_767_225_600_000_000


def some(rows: int, seed: int) -> Readings:
    """Readings of three transmitters over five hours, some unusable, some columns unknown in places."""
    rng = np.random.default_rng(seed)
    forward_w = np.round(rng.uniform(20, 100, rows), 1)

    def now_and_then(values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(rows) < 0.3, np.nan, values)

    return Readings.from_columns(
        {
            "transmitter": rng.integers(0, 3, rows),
            "time_us": START_US + rng.integers(0, 5 * HOUR_US, rows),
            "forward_w": forward_w,
            "reflected_w": np.round(forward_w * rng.uniform(0, 0.3, rows), 2),
            "flags": rng.choice([0, 0, 0, int(Flag.NOT_KEYED), int(Flag.LOW_FORWARD)], rows),
            "pa_temperature_c": now_and_then(rng.integers(20, 60, rows).astype(float)),
            "wind_mps": now_and_then(rng.uniform(0, 20, rows)),
        }
    )


@pytest.mark.parametrize(("rows", "seed"), [(1, 0), (2, 1), (40, 2), (2000, 3)])
def test_agrees_with_pandas(rows: int, seed: int) -> None:
    readings = some(rows, seed)
    hours = roll_up(readings)
    frame = pd.DataFrame(
        {
            "hour": hour_of(readings.time_us),
            "owner": readings.transmitter,
            "forward_w": readings.forward_w,
            "rho": np.sqrt(readings.reflected_w / readings.forward_w),
            "temperature": readings.pa_temperature_c,
            "wind": readings.wind_mps,
            "usable": readings.flags == 0,
        }
    )
    every = frame.groupby(["hour", "owner"])
    usable = (
        frame[frame.usable]
        .groupby(["hour", "owner"])
        .agg(forward_w=("forward_w", "median"), median=("rho", "median"), most=("rho", "max"))
    )
    usable = usable.reindex(every.size().index)
    assert hours.hour_us.tolist() == every.size().index.get_level_values("hour").tolist()
    assert hours.transmitter.tolist() == every.size().index.get_level_values("owner").tolist()
    assert hours.reports.tolist() == every.size().tolist()
    assert hours.usable.tolist() == every["usable"].sum().tolist()
    np.testing.assert_allclose(hours.forward_w, usable["forward_w"], rtol=1e-12)
    np.testing.assert_allclose(hours.rho_median, usable["median"], rtol=1e-12)
    np.testing.assert_allclose(hours.rho_max, usable["most"], rtol=1e-12)
    np.testing.assert_allclose(hours.pa_temperature_c, every["temperature"].mean(), rtol=1e-12)
    np.testing.assert_allclose(hours.wind_mps, every["wind"].max(), rtol=1e-12)
    known = hours.usable > 0
    assert (hours.rho_low[known] <= hours.rho_median[known]).all()
    assert (hours.rho_median[known] <= hours.rho_high[known]).all()
    assert (hours.rho_high[known] <= hours.rho_max[known]).all()
    assert np.isnan(hours.rho_median[~known]).all()


@given(rows=st.integers(0, 120), seed=st.integers(0, 10_000), data=st.randoms(use_true_random=False))
@settings(max_examples=60)
def test_order_changes_no_bit(rows: int, seed: int, data: Random) -> None:
    readings = some(rows, seed)
    order = list(range(rows))
    data.shuffle(order)
    one, other = roll_up(readings), roll_up(readings.take(np.array(order, dtype=np.int64)))
    for column in fields(Hours):
        a, b = getattr(one, column.name), getattr(other, column.name)
        if column.name in ("pa_temperature_c", "ambient_temperature_c", "precipitation"):
            # Means add up in the order of the rows that share a rho; whole degrees add up exactly.
            np.testing.assert_array_equal(a, b)
        else:
            assert a.tobytes() == b.tobytes(), column.name


def test_an_hour_begins_with_its_first_microsecond() -> None:
    readings = Readings.from_columns(
        {
            "transmitter": [0, 0, 0],
            "time_us": [START_US + HOUR_US - 1, START_US + HOUR_US, START_US + 2 * HOUR_US - 1],
            "forward_w": [100.0, 100.0, 50.0],
            "reflected_w": [1.0, 4.0, 2.0],
        }
    )
    hours = roll_up(readings)
    assert hours.hour_us.tolist() == [START_US, START_US + HOUR_US]
    assert hours.reports.tolist() == [1, 2]
    assert hours.forward_w.tolist() == [100.0, 75.0]


@pytest.mark.parametrize(
    ("reflected_w", "step_w"),
    [([1, 2, 3], 1.0), ([1, 2.5], 0.5), ([1, 2.2], 0.2), ([0.25, 1], 0.05), ([0.123, 1], 0.0), ([0, 0], 1.0)],
)
def test_the_meters_step(reflected_w: list[float], step_w: float) -> None:
    n = len(reflected_w)
    readings = Readings.from_columns(
        {
            "transmitter": [0] * n,
            "time_us": START_US + np.arange(n),
            "forward_w": [50.0] * n,
            "reflected_w": np.array(reflected_w, dtype=float),
        }
    )
    assert roll_up(readings).reflected_step_w.tolist() == [step_w]


def test_hours_of_unlike_size_are_sorted_in_either_way(monkeypatch: pytest.MonkeyPatch) -> None:
    # One hour with most of the readings would make a table of padding: then all are sorted at once.
    few, many = some(90, 1), some(150, 2)
    crowded = replace(many, transmitter=np.zeros_like(many.transmitter), time_us=START_US + np.arange(150))
    readings = Readings.concatenate([few, crowded])
    results = []
    for most in (0.0, 1e9):
        monkeypatch.setattr(rollup_module, "MOST_PADDED", most)
        results.append(roll_up(readings))
    one, other = results
    assert one.reports.max() > 10 * np.median(one.reports)
    for column in fields(Hours):
        assert getattr(one, column.name).tobytes() == getattr(other, column.name).tobytes(), column.name


def test_no_readings_no_hours() -> None:
    assert len(roll_up(Readings.empty())) == 0
