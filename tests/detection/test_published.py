"""Statistics that the product and its peers use, held against published figures.

The product fits no least-squares line of its own against time, so the NIST StRD regressions (Norris) are not
used; neither it nor a peer segments a series, so there is no check against ruptures or the break of the Nile
series, which serves for the slope here. Where the files come from stands in `fixtures/checkvalues/README.md`.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pymannkendall
import pytest
from proving_ground import peers
from scipy.stats import theilslopes

from standingwatch.detect._trend import theil_sen_slope
from standingwatch.detect.history import robust_spread

CHECKVALUES = Path(__file__).parents[2] / "fixtures" / "checkvalues"


def of_file(name: str) -> pd.DataFrame:
    return pd.read_csv(CHECKVALUES / f"{name}.csv")


def test_ewma_of_the_nist_example() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: target 50, weight 0.3, printed to two decimals."""
    nist = of_file("nist_ewma_6_3_2_4")

    ours = peers.ewma(nist["y"].to_numpy()[None, :], np.array([50.0]), 0.3)[0]

    assert len(nist) == 20
    np.testing.assert_allclose(ours, nist["ewma_published"], rtol=0, atol=0.005 + 1e-9)
    np.testing.assert_allclose(ours, nist["ewma_exact"], rtol=0, atol=1e-6)


def test_ewma_limits_of_the_nist_example() -> None:
    """The same page: s = 2.0539, three sigmas, limits 52.5884 and 47.4115 (s and limits from memory)."""
    limit = peers.ewma_limit(np.array([2.0539]), 0.3, 3.0)[0]

    # The page multiplies with a rounded root, 0.4201: 6.16 times half its last decimal.
    assert 50.0 + limit == pytest.approx(52.5884, abs=4e-4)
    assert 50.0 - limit == pytest.approx(47.4115, abs=4e-4)
    # None of the page's twenty points lies outside.
    ewma = of_file("nist_ewma_6_3_2_4")["ewma_published"]
    assert (np.abs(ewma - 50.0) < limit).all()


def test_a_day_without_data_leaves_the_ewma_and_the_cusum() -> None:
    """Our own rule: the printed series with a gap in it goes on as if there were none."""
    nist = of_file("nist_ewma_6_3_2_4")["y"].to_numpy()
    gap = np.insert(nist, 7, np.nan)[None, :]
    target = np.array([50.0])

    np.testing.assert_array_equal(
        np.delete(peers.ewma(gap, target, 0.3)[0], 7), peers.ewma(nist[None, :], target, 0.3)[0]
    )
    for with_gap, without in zip(
        peers.cusum(gap, target, np.array([0.5])),
        peers.cusum(nist[None, :], target, np.array([0.5])),
        strict=True,
    ):
        np.testing.assert_array_equal(np.delete(with_gap[0], 7), without[0])


def test_cusum_of_the_nist_example() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, slack 0.3175, decision value 4.1959 (from memory)."""
    nist = of_file("nist_cusum_6_3_2_3")

    high, low = peers.cusum(nist["x"].to_numpy()[None, :], np.array([325.0]), np.array([0.3175]))

    assert len(nist) == 20
    for ours, side in ((high[0], "hi"), (low[0], "lo")):
        np.testing.assert_allclose(ours, nist[f"s_{side}_exact"], rtol=0, atol=1e-9)
        np.testing.assert_allclose(ours, nist[f"s_{side}_published"], rtol=0, atol=0.005 + 1e-9)
    signals = np.maximum(high[0], low[0]) > 4.1959
    np.testing.assert_array_equal(signals, nist["signal"] == 1)
    assert signals.sum() == 7


MANN_KENDALL = of_file("mann_kendall_examples")


@pytest.mark.parametrize("example", MANN_KENDALL["example"].tolist())
def test_mann_kendall_of_published_examples(example: str) -> None:
    """Sources and what of each was read, computed or remembered: the file's own column `source`.

    Read: S of Holy Cross and of Wisconsin NR 746 table A; z, p and slope of PlantGrowth, group 1 (R).
    """
    row = MANN_KENDALL.set_index("example").loc[example]
    data = np.array([float(x) for x in row["data"].split()])

    tested = pymannkendall.original_test(data)

    assert len(data) == row["n"]
    assert tested.s == row["S"]
    assert tested.var_s == pytest.approx(row["VarS"], abs=1e-6)
    assert tested.z == pytest.approx(row["Z"], abs=1e-6)
    # The smallest series has a printed exact p, one-sided; the library's is from the normal approximation.
    if not str(row["p_two_sided"]).startswith("exact"):
        assert tested.p == pytest.approx(float(str(row["p_two_sided"])), abs=1e-8)


@pytest.mark.parametrize("example", MANN_KENDALL["example"].tolist())
def test_theil_sen_slope_of_published_examples(example: str) -> None:
    """The slopes beside them (PlantGrowth's read, the others computed), by the product and by scipy."""
    row = MANN_KENDALL.set_index("example").loc[example]
    data = np.array([float(x) for x in row["data"].split()])

    assert theil_sen_slope(data[None, :])[0] == pytest.approx(row["sen_slope"], abs=1e-6)
    assert theilslopes(data).slope == pytest.approx(row["sen_slope"], abs=1e-6)


def test_theil_sen_slope_of_the_nile() -> None:
    """Yearly flow of the Nile, 1871 to 1970 (Cobb, Biometrika 65, 1978; the slope computed)."""
    flow = of_file("nile")["volume_1e8_m3"].to_numpy(dtype=np.float64)
    expected = of_file("nile_expected").set_index("item")["value"]

    ours = theil_sen_slope(flow[None, :])[0]

    assert len(flow) == 100
    assert ours == pytest.approx(float(expected["sen_slope"]), abs=1e-12)
    assert ours == pytest.approx(theilslopes(flow).slope, abs=1e-12)


@pytest.mark.parametrize("unknown", [[0, 1, 2], [99], [3, 17, 18, 19, 60], list(range(1, 98))])
def test_theil_sen_slope_of_the_nile_with_gaps(unknown: list[int]) -> None:
    """Years that are not known are left out, their distance is kept, as scipy does with the years given."""
    flow = of_file("nile")["volume_1e8_m3"].to_numpy(dtype=np.float64)
    known = np.setdiff1d(np.arange(100), unknown)
    with_gaps = flow.copy()
    with_gaps[unknown] = np.nan

    ours = theil_sen_slope(with_gaps[None, :])[0]

    assert ours == pytest.approx(theilslopes(flow[known], known).slope, abs=1e-12)


def test_robust_spread_of_r_examples() -> None:
    """R's `stats::mad`, from its manual: of 1 .. 9, and of 1 .. 8 and 100 (there without the constant)."""
    published = of_file("hampel_mad").set_index("item")["value"].astype(float)
    constant = published["1/Phi^-1(0.75)"]
    to_nine = np.arange(1.0, 10.0)
    to_hundred = np.array([*range(1, 9), 100.0])

    ours = robust_spread(np.array([to_nine, to_hundred]))

    assert ours[0] == pytest.approx(published["R mad(1..9) constant 1.4826"], abs=1e-12)
    # Our constant is the manual's, rounded to four decimals.
    assert ours[1] / published["R mad(c(1:8,100),constant=1)"] == pytest.approx(constant, abs=5e-5)


def test_robust_spread_of_the_nist_uranium_readings() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: an outlier of eight readings (Tietjen and Moore).

    The readings are from memory; that they are the page's shows in their median and Grubbs statistic, which
    were read.
    """
    published = of_file("hampel_mad").set_index("item")["value"].astype(float)
    readings = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert np.median(readings) == pytest.approx(published["uranium median"], abs=0.005)
    grubbs = (readings[-1] - readings.mean()) / readings.std(ddof=1)
    # The page cuts 2.46876 off after four decimals.
    assert np.floor(grubbs * 1e4) / 1e4 == pytest.approx(published["uranium Grubbs G"], abs=1e-9)

    spread = robust_spread(readings[None, :])[0]

    # Our constant is rounded to four decimals, 2e-6 of it.
    assert spread == pytest.approx(published["uranium sigma_MAD"], rel=5e-6)
    multiple = (readings[-1] - np.median(readings)) / spread
    assert multiple == pytest.approx(published["uranium modified z of 245.57 (0.6745 form)"], rel=1e-4)
