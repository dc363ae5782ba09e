"""The foldback curve: its corners, its shape, and what it refuses."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch import rf

curves = st.builds(
    lambda start, span, floor: rf.FoldbackCurve(start, start + span, floor, "made for the test"),
    st.floats(1.0, 5.0),
    st.one_of(st.just(0.0), st.floats(0.01, 10.0)),
    st.floats(0.0, 1.0),
)
possible_swr = st.one_of(st.floats(1.0, 50.0), st.just(math.inf))


def test_corners_and_middle_of_a_curve():
    curve = rf.FoldbackCurve(2.0, 4.0, 0.25, "made for the test")
    swr = [1.0, 1.99, 2.0, 3.0, 4.0, 9.0, math.inf]
    assert curve.power_fraction(swr).tolist() == [1.0, 1.0, 1.0, 0.625, 0.25, 0.25, 0.25]


def test_a_step_acts_at_its_swr():
    curve = rf.FoldbackCurve(3.0, 3.0, 0.0, "made for the test")
    assert curve.power_fraction([2.999, 3.0, 3.001, math.inf]).tolist() == [1.0, 0.0, 0.0, 0.0]


@given(curve=curves, one=possible_swr, other=possible_swr)
def test_power_never_rises_with_swr_and_stays_between_floor_and_full(curve, one, other):
    low, high = sorted((one, other))
    assert curve.power_fraction(low) >= curve.power_fraction(high) - 1e-12
    assert curve.floor_fraction - 1e-12 <= curve.power_fraction(low) <= 1.0


@given(curve=curves)
def test_the_ends_are_exact(curve):
    assert curve.power_fraction(math.inf) == curve.floor_fraction
    assert curve.power_fraction(curve.full_swr) == curve.floor_fraction
    if curve.full_swr > curve.start_swr:
        assert curve.power_fraction(curve.start_swr) == 1.0


@pytest.mark.parametrize("swr", [math.nan, 0.99, 0.0, -2.0, -math.inf])
def test_an_impossible_swr_gives_nan(swr):
    for curve in rf.AMPLIFIER_MODELS.values():
        assert math.isnan(curve.power_fraction(swr))


def test_the_table_has_the_protections_of_the_site_list():
    assert set(rf.AMPLIFIER_MODELS) == {"foldback", "shutdown", "none"}
    swr = np.array([1.5, 2.5, 5.0, np.inf])
    assert rf.AMPLIFIER_MODELS["none"].power_fraction(swr).tolist() == [1.0, 1.0, 1.0, 1.0]
    assert rf.AMPLIFIER_MODELS["shutdown"].power_fraction(swr).tolist() == [1.0, 1.0, 0.0, 0.0]
    folded = rf.AMPLIFIER_MODELS["foldback"].power_fraction(swr)
    assert folded[0] == 1.0
    assert 0.0 < folded[3] == folded[2] < folded[1] < 1.0


def test_the_start_of_a_real_amplifier_can_be_put_in():
    curve = dataclasses.replace(rf.AMPLIFIER_MODELS["foldback"], start_swr=1.5, source="its manual")
    assert curve.power_fraction(1.5) == 1.0
    assert curve.power_fraction(1.6) < 1.0


def test_a_curve_and_the_table_cannot_be_changed():
    with pytest.raises(dataclasses.FrozenInstanceError):
        rf.AMPLIFIER_MODELS["foldback"].start_swr = 1.0
    with pytest.raises(TypeError):
        rf.AMPLIFIER_MODELS["none"] = rf.AMPLIFIER_MODELS["foldback"]


@pytest.mark.parametrize(
    ("start", "full", "floor", "source", "named"),
    [
        (0.9, 3.0, 0.5, "s", "start_swr: got 0.9"),
        (math.nan, 3.0, 0.5, "s", "start_swr: got nan"),
        (math.inf, math.inf, 0.5, "s", "start_swr: got inf"),
        (2.0, 1.9, 0.5, "s", "full_swr: got 1.9"),
        (2.0, math.inf, 0.5, "s", "full_swr: got inf"),
        (2.0, 3.0, -0.1, "s", "floor_fraction: got -0.1"),
        (2.0, 3.0, 1.1, "s", "floor_fraction: got 1.1"),
        (2.0, 3.0, math.nan, "s", "floor_fraction: got nan"),
        (2.0, 3.0, 0.5, " ", "source"),
    ],
)
def test_a_figure_out_of_range_is_refused_by_name(start, full, floor, source, named):
    with pytest.raises(ValueError, match=named):
        rf.FoldbackCurve(start, full, floor, source)


def test_all_problems_are_named_at_once():
    with pytest.raises(ValueError, match=r"start_swr.*full_swr.*floor_fraction.*source"):
        rf.FoldbackCurve(0.5, 0.2, 7.0, "")
