"""One shape rule for the room: scalars in, float out; arrays or lists in, array out; Series in, Series out.

The formulas themselves see float64 arrays only. pandas is never imported here: a Series is known by its
methods, so the room works, and loads, without it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: A quantity: one value, an array of values, or a column of a frame. Lists are taken at run time too, and
#: come back as arrays; for the type checker wrap them in `numpy.asarray`.
T = TypeVar("T", float, FloatArray, "pd.Series[float]")

_REAL_KINDS = "iufO"


def elementwise(formula: Callable[..., FloatArray], *values: T | float) -> T:
    """Apply a formula over float64 arrays and give its result the shape of what came in.

    Parameters
    ----------
    formula : callable
        Takes as many float64 arrays as there are values, broadcasts them, returns one array.
    *values : float, array, list or Series
        The quantities. Series must share one index.

    Returns
    -------
    float, ndarray or Series
        A float if all values are scalars; a Series with the index kept if any value is a Series (its name is
        not kept, the result being another quantity); otherwise an array.

    Raises
    ------
    TypeError
        If a value is not real numbers (text, booleans, complex, dates) or is a whole frame.
    ValueError
        If two Series have different indexes, or shapes do not fit.
    """
    arrays, template = _arrays(values)
    result: T = _shaped(formula(*arrays), template)
    return result


def elementwise_pair(
    formula: Callable[..., tuple[FloatArray, FloatArray]], *values: T | float
) -> tuple[T, T]:
    """Like `elementwise`, for a formula with two results."""
    arrays, template = _arrays(values)
    first, second = formula(*arrays)
    low: T = _shaped(first, template)
    high: T = _shaped(second, template)
    return low, high


def elementwise_mask(formula: Callable[..., BoolArray], value: Any) -> Any:
    """Like `elementwise`, for a formula of one value that answers yes or no; a scalar gives a Python bool."""
    arrays, template = _arrays((value,))
    return _shaped(formula(*arrays), template)


def _is_series(value: Any) -> bool:
    return hasattr(value, "to_numpy") and hasattr(value, "index") and getattr(value, "ndim", None) == 1


def _as_float64(value: Any) -> FloatArray:
    if getattr(value, "ndim", 0) > 1 and hasattr(value, "columns"):
        raise TypeError(f"got a whole {type(value).__name__}, wanted a column: give one column at a time")
    # An extension dtype names its kind as numpy's do. Its missing values become NaN; pandas 2 has to be told.
    if _is_series(value) and value.dtype.kind in "iuf":
        column: FloatArray = value.to_numpy(dtype=np.float64, na_value=np.nan)
        return column
    array = np.asarray(value)
    if array.dtype.kind not in _REAL_KINDS or (
        array.dtype.kind == "O" and any(isinstance(item, str | bool) for item in array.flat)
    ):
        raise TypeError(f"got {array.dtype} values, wanted real numbers: convert them before the arithmetic")
    return array.astype(np.float64, copy=False)


def _arrays(values: tuple[Any, ...]) -> tuple[list[FloatArray], Any]:
    """Return the values as float64 arrays, and the Series to copy the index of (None if there is none)."""
    arrays = [_as_float64(value) for value in values]
    columns = [value for value in values if _is_series(value)]
    for other in columns[1:]:
        if not columns[0].index.equals(other.index):
            raise ValueError(
                f"two columns with different indexes ({len(columns[0])} and {len(other)} rows): "
                "align them first, values are paired by position"
            )
    return arrays, columns[0] if columns else None


def _shaped(result: npt.NDArray[Any], template: Any) -> Any:
    if template is None:
        return result.item() if np.ndim(result) == 0 else result
    if result.shape != (len(template),):
        raise ValueError(
            f"a column of {len(template)} rows with values of shape {result.shape}: shapes must agree"
        )
    return type(template)(result, index=template.index)
