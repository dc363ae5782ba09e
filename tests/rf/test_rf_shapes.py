"""One shape rule for every function of the room."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import standingwatch
from standingwatch import rf

LINE = rf.FEEDER_TYPES["RG-213"]
CURVE = rf.AMPLIFIER_MODELS["foldback"]

ONE_VALUE = {
    "swr_from_rho": rf.swr_from_rho,
    "rho_from_swr": rf.rho_from_swr,
    "return_loss_db_from_rho": rf.return_loss_db_from_rho,
    "rho_from_return_loss_db": rf.rho_from_return_loss_db,
    "mismatch_loss_db_from_rho": rf.mismatch_loss_db_from_rho,
    "rho_from_mismatch_loss_db": rf.rho_from_mismatch_loss_db,
    "percent_reflected_from_rho": rf.percent_reflected_from_rho,
    "rho_from_percent_reflected": rf.rho_from_percent_reflected,
    "crest_ratio": rf.crest_ratio,
    "swr_ceiling": rf.swr_ceiling,
    "power_fraction": CURVE.power_fraction,
}
TWO_VALUES = {
    "rho_from_power": rf.rho_from_power,
    "reflected_from_rho": rf.reflected_from_rho,
    "rho_at_antenna": rf.rho_at_antenna,
    "rho_at_transmitter": rf.rho_at_transmitter,
    "total_loss_db": rf.total_loss_db,
    "additional_loss_db": rf.additional_loss_db,
    "crest_voltage_v": rf.crest_voltage_v,
    "crest_current_a": rf.crest_current_a,
    "matched_loss_db": lambda length_m, mhz: rf.matched_loss_db(LINE, length_m, mhz),
    "rho_bounds_low": lambda rho, db: rf.rho_bounds(rho, db)[0],
    "rho_bounds_high": lambda rho, db: rf.rho_bounds(rho, db)[1],
    "power_step_least": lambda f, r: rf.power_step_least(f, r, 0.1, 0.1),
    "power_step_bounds_low": lambda f, r: rf.power_step_bounds(f, r, 0.1, 0.1)[0],
    "power_step_bounds_high": lambda f, r: rf.power_step_bounds(f, r, 0.1, 0.1)[1],
}
one_value = pytest.mark.parametrize("function", ONE_VALUE.values(), ids=ONE_VALUE.keys())
two_values = pytest.mark.parametrize("function", TWO_VALUES.values(), ids=TWO_VALUES.keys())
values = st.lists(st.floats(-1.0, 30.0), min_size=1, max_size=8)


@one_value
@given(data=values)
def test_scalar_list_array_and_series_agree(function, data):
    scalars = [function(value) for value in data]
    assert all(type(value) is float for value in scalars)
    from_list, from_array = function(data), function(np.array(data))
    assert type(from_list) is type(from_array) is np.ndarray
    index = pd.Index(range(100, 100 + len(data)), name="transmitter")
    from_series = function(pd.Series(data, index=index))
    assert isinstance(from_series, pd.Series)
    pd.testing.assert_index_equal(from_series.index, index)
    for got in (from_list, from_array, from_series.to_numpy()):
        np.testing.assert_allclose(got, scalars, rtol=1e-12)


@two_values
@given(data=st.lists(st.tuples(st.floats(-1.0, 30.0), st.floats(-1.0, 30.0)), min_size=1, max_size=8))
def test_scalar_list_array_and_series_agree_in_pairs(function, data):
    first, second = (list(side) for side in zip(*data, strict=True))
    scalars = [function(a, b) for a, b in data]
    assert all(type(value) is float for value in scalars)
    index = pd.date_range("2031-03-01", periods=len(data), freq="h", tz="UTC")
    from_series = function(pd.Series(first, index=index), pd.Series(second, index=index))
    pd.testing.assert_index_equal(from_series.index, index)
    for got in (function(first, second), function(np.array(first), np.array(second)), from_series.to_numpy()):
        np.testing.assert_allclose(got, scalars, rtol=1e-12)


@two_values
def test_a_scalar_goes_with_a_column_and_rows_with_columns(function):
    column = pd.Series([0.1, 0.2, 0.3], index=["a", "b", "c"])
    for got in (function(column, 0.5), function(0.5, column)):
        assert got.index.tolist() == ["a", "b", "c"]
    grid = function(np.array([[0.1], [0.2]]), np.array([0.3, 0.4, 0.5]))
    assert grid.shape == (2, 3)
    assert grid[1, 2] == pytest.approx(function(0.2, 0.5))


@one_value
def test_an_empty_array_gives_an_empty_array(function):
    assert function(np.array([])).shape == (0,)


def test_whole_numbers_and_numpy_scalars_give_a_python_float():
    for value in (3, np.float32(3.0), np.int64(3), np.array(3.0)):
        assert type(rf.rho_from_swr(value)) is float
        assert rf.rho_from_swr(value) == 0.5


def test_missing_values_of_a_nullable_column_are_nan():
    got = rf.rho_from_power(pd.Series([100, None], dtype="Float64"), pd.Series([4, 4], dtype="Int64"))
    assert got.dtype == np.float64
    assert got[0] == pytest.approx(0.2)
    assert np.isnan(got[1])


def test_none_in_a_list_is_nan():
    assert np.isnan(rf.swr_from_rho([0.2, None])).tolist() == [False, True]


def test_a_mask_keeps_shape_and_index():
    mask = rf.is_passive(pd.Series([0.2, 1.2], index=["a", "b"]))
    assert mask.dtype == bool
    assert mask.to_dict() == {"a": True, "b": False}
    assert rf.is_passive([0.2, 1.2]).tolist() == [True, False]


def test_inputs_are_left_as_they_were():
    rho = np.array([0.2, 1.2, -0.1])
    rf.swr_from_rho(rho)
    rf.rho_at_antenna(rho, 3.0)
    assert rho.tolist() == [0.2, 1.2, -0.1]


@pytest.mark.parametrize("value", ["0.2", ["0.2"], True, [True], 0.2 + 0j, np.array(["2031-01-01"], "M8[D]")])
def test_what_is_not_a_real_number_is_refused(value):
    with pytest.raises(TypeError, match="wanted real numbers"):
        rf.swr_from_rho(value)


def test_text_in_a_column_is_refused_even_if_it_looks_like_a_number():
    with pytest.raises(TypeError, match="wanted real numbers"):
        rf.swr_from_rho(pd.Series(["0.2"]))
    with pytest.raises(TypeError, match="wanted real numbers"):
        rf.swr_from_rho([0.2, None, "0.2"])


def test_a_whole_frame_is_refused():
    with pytest.raises(TypeError, match="one column at a time"):
        rf.swr_from_rho(pd.DataFrame({"rho": [0.2]}))


def test_columns_with_different_indexes_are_refused():
    with pytest.raises(ValueError, match="different indexes"):
        rf.rho_from_power(pd.Series([1.0, 2.0]), pd.Series([1.0, 2.0], index=[5, 6]))


def test_a_column_with_an_array_of_another_shape_is_refused():
    with pytest.raises(ValueError, match="shapes must agree"):
        rf.rho_from_power(pd.Series([100.0]), np.array([1.0, 2.0, 3.0]))


def test_the_room_loads_and_works_without_pandas():
    program = (
        "import sys; sys.modules['pandas'] = None\n"
        "from standingwatch import rf\n"
        "assert rf.swr_from_rho([0.5]).tolist() == [3.0]\n"
    )
    source_root = str(Path(standingwatch.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, "PYTHONPATH": source_root},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_every_public_name_is_there_once_and_documented():
    assert len(rf.__all__) == len(set(rf.__all__))
    for name in rf.__all__:
        thing = getattr(rf, name)
        if callable(thing):
            assert thing.__doc__, name
