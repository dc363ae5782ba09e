"""Power density and its limits against published figures."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from standingwatch.rf import exposure

VALUES = Path(__file__).parents[2] / "fixtures" / "checkvalues"


def rows(name: str) -> list[dict[str, float]]:
    with (VALUES / name).open(encoding="utf-8") as file:
        found = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    assert found
    return found


@pytest.mark.parametrize("row", rows("fcc_mpe_power_density.csv"), ids=lambda r: f"{r['mhz']:g} MHz")
def test_limits(row: dict[str, float]) -> None:
    occupational = exposure.occupational_limit_mw_cm2(row["mhz"])
    public = exposure.public_limit_mw_cm2(row["mhz"])
    assert occupational == pytest.approx(row["occupational_controlled_mw_cm2_6min"], abs=5e-5)
    assert public == pytest.approx(row["general_uncontrolled_mw_cm2_30min"], abs=5e-5)


@pytest.mark.parametrize("row", rows("oet65_farfield.csv"), ids=lambda r: f"{r['eirp_w']:g} W")
def test_power_density(row: dict[str, float]) -> None:
    for factor, column in (
        (exposure.FREE_SPACE, "S_free_space_mw_cm2"),
        (exposure.USUAL_REFLECTION, "S_x2.56_mw_cm2"),
        (exposure.FULL_REFLECTION, "S_x4_mw_cm2"),
    ):
        found = exposure.power_density_mw_cm2(row["eirp_w"], row["distance_m"], factor)
        assert found == pytest.approx(row[column], abs=1e-6)
        assert exposure.distance_at_limit_m(row["eirp_w"], found, factor) == pytest.approx(row["distance_m"])


def test_limits_at_the_edges() -> None:
    f_mhz = np.array([0.29, 0.3, 1.34, 3.0, 29.999, 30.0, 300.0, 1500.0, 100_000.0, 100_001.0, np.nan])
    occupational = exposure.occupational_limit_mw_cm2(f_mhz)
    np.testing.assert_allclose(occupational[1:9], [100, 100, 100, 900 / 29.999**2, 1, 1, 5, 5], rtol=1e-9)
    public = exposure.public_limit_mw_cm2(f_mhz)
    np.testing.assert_allclose(
        public[1:9], [100, 180 / 1.34**2, 20, 180 / 29.999**2, 0.2, 0.2, 1, 1], rtol=1e-9
    )
    for limit in (occupational, public):
        assert np.isnan(limit[[0, 9, 10]]).all()


def test_eirp_by_hand() -> None:
    # 100 W, 3 dB lost and 6 dBi gained: 3 dB more than 100 W.
    assert exposure.eirp_w(100.0, 3.0, 6.0) == pytest.approx(199.526, abs=1e-3)
    assert math.isnan(exposure.eirp_w(100.0, math.nan, 6.0))


def test_out_of_range_is_nan() -> None:
    found = exposure.power_density_mw_cm2([100.0, -1.0, 100.0, np.inf], [0.0, 1.0, -2.0, 1.0])
    assert np.isnan(found).all()
    assert math.isnan(exposure.distance_at_limit_m(100.0, 0.0))
    assert math.isnan(exposure.distance_at_limit_m(math.nan, 1.0))
