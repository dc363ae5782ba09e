"""Robust levels and spreads of days, held against scipy and against their definitions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import median_abs_deviation

from standingwatch.detect.history import (
    BASELINE_STATE,
    DAYS,
    adjusted,
    initial,
    last_days,
    last_known,
    midmean,
    nan_median,
    place_of_day,
    robust_spread,
)

values = st.floats(-1e3, 1e3) | st.just(float("nan"))
tables = arrays(
    np.float64, st.tuples(st.integers(1, 4), st.integers(1, 25)), elements=values, fill=st.nothing()
)


@given(table=tables)
@settings(max_examples=80)
def test_median_and_spread_agree_with_scipy(table: np.ndarray) -> None:
    for row, middle, spread in zip(table, nan_median(table), robust_spread(table), strict=True):
        known = row[np.isfinite(row)]
        if len(known) == 0:
            assert np.isnan(middle)
            assert np.isnan(spread)
            continue
        assert middle == pytest.approx(np.median(known), rel=1e-12, abs=1e-12)
        # scipy scales by the normal distribution's own quantile, 1.482602...; 1.4826 is the published one.
        assert spread == pytest.approx(median_abs_deviation(known, scale="normal"), rel=1e-5, abs=1e-9)


@given(table=tables)
@settings(max_examples=80)
def test_midmean_is_the_mean_without_a_quarter_on_either_side(table: np.ndarray) -> None:
    for row, level in zip(table, midmean(table), strict=True):
        known = np.sort(row[np.isfinite(row)])
        cut = len(known) // 4
        if len(known) == 0:
            assert np.isnan(level)
        else:
            assert level == pytest.approx(np.mean(known[cut : len(known) - cut]), rel=1e-9, abs=1e-9)


def test_midmean_of_those_to_be_used_only() -> None:
    table = np.array([[1.0, 2.0, 300.0, np.nan], [1.0, 2.0, 3.0, np.inf]])
    use = np.array([[True, True, False, True], [False, False, False, False]])
    assert midmean(table, use)[0] == 1.5
    assert np.isnan(midmean(table, use)[1])
    assert midmean(table)[1] == 2.0


def test_midmean_is_deaf_to_a_quarter_of_bad_values() -> None:
    rng = np.random.default_rng(1)
    good = rng.normal(0.1, 0.01, (200, 24))
    bad = good.copy()
    bad[:, :6] = 0.9
    assert (midmean(bad) <= good.max(axis=1)).all()
    assert np.mean(midmean(bad) - midmean(good)) < 0.01 < np.mean(bad.mean(axis=1) - good.mean(axis=1))
    assert np.std(midmean(good)) < 1.3 * np.std(good.mean(axis=1))


@given(table=tables, count=st.integers(1, 30))
@settings(max_examples=80)
def test_last_known(table: np.ndarray, count: int) -> None:
    kept = last_known(table, count)
    assert kept.shape == (len(table), count)
    for row, got in zip(table, kept, strict=True):
        known = row[np.isfinite(row)][-count:]
        np.testing.assert_array_equal(got, np.r_[np.full(count - len(known), np.nan), known])


@pytest.mark.parametrize("function", [nan_median, midmean, robust_spread])
def test_nothing_gives_nothing_and_no_warning(function: object) -> None:
    assert callable(function)
    for table in (np.empty((2, 0)), np.full((2, 3), np.nan)):
        if function is nan_median or table.size:
            assert np.isnan(function(table)).all()
    assert np.isfinite(function(np.array([[np.inf, 1.0, -np.inf]]))).all()


@pytest.mark.parametrize("first", [0, 20_454, 20_454 + DAYS - 1])
def test_days_stand_in_a_ring(first: int) -> None:
    ring = np.full((1, DAYS), np.nan)
    for day in range(first, first + DAYS + 30):
        ring[0, place_of_day(day)] = day
        assert last_days(ring, day, 1)[0, 0] == day
    last = first + DAYS + 29
    assert last_days(ring, last, DAYS)[0].tolist() == list(range(last - DAYS + 1, last + 1))


def test_adjusted_takes_the_temperature_off_and_leaves_unknown_ones() -> None:
    state = np.zeros(2, dtype=BASELINE_STATE)
    initial(state)
    day = 20_454
    for back, (level, temperature) in enumerate([(0.2, 20.0), (0.1, 10.0), (0.15, np.nan)]):
        state["raw"][:, place_of_day(day - back)] = level
        state["temperature_c"][:, place_of_day(day - back)] = temperature
    state["per_c"] = 0.01
    state["reference_c"] = [10.0, np.nan]
    np.testing.assert_allclose(adjusted(state, day, 3)[0], [0.15, 0.1, 0.1])
    # Without a reference there is nothing to adjust to.
    np.testing.assert_allclose(adjusted(state, day, 3)[1], [0.15, 0.1, 0.2])


def test_a_new_record_knows_nothing() -> None:
    state = np.zeros(1, dtype=BASELINE_STATE)
    initial(state)
    for name in ("raw", "hour_rho", "rho", "forward_db", "wet_excess"):
        assert np.isnan(state[name]).all(), name
    assert state["kind"][0] == 0
    assert state["step_w"][0] == np.inf
