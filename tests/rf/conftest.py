from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

CHECKVALUES = Path(__file__).parents[2] / "fixtures" / "checkvalues"


@pytest.fixture
def published() -> Callable[[str], pd.DataFrame]:
    """Read one file of published or computed figures."""

    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(CHECKVALUES / f"{name}.csv")

    return read


@pytest.fixture
def agree() -> Callable[[npt.ArrayLike, npt.ArrayLike, int], None]:
    """Compare to half a unit of the last printed decimal."""

    def check(computed: npt.ArrayLike, printed: npt.ArrayLike, decimals: int) -> None:
        np.testing.assert_allclose(computed, printed, rtol=0, atol=0.5 * 10.0**-decimals + 1e-9)

    return check
