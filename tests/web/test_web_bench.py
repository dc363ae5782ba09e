"""The bench: its worksheet against published and computed figures, its form and its data."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from standingwatch.rf import FoldbackCurve
from standingwatch.web.bench import BenchGiven, worksheet

VALUES = Path(__file__).parents[2] / "fixtures" / "checkvalues"


def rows(name: str) -> list[dict[str, float]]:
    with (VALUES / name).open(newline="", encoding="utf-8") as file:
        return [{key: number(value) for key, value in row.items()} for row in csv.DictReader(file)]


def number(text: str) -> float:
    """A cell; NaN where the table says that there is no such thing."""
    return math.nan if text.startswith("impossible") else float(text)


@pytest.mark.parametrize("row", rows("fwd_refl_to_swr.csv"))
def test_powers_to_match(row: dict[str, float]) -> None:
    sheet = worksheet(BenchGiven(row["forward_w"], row["reflected_w"]))
    read = sheet.transmitter.read
    assert read.rho == pytest.approx(row["rho"], abs=5e-7)
    assert read.swr == pytest.approx(row["swr"], rel=1e-5)
    assert read.return_loss_db == pytest.approx(row["return_loss_db"], abs=5e-5)
    assert sheet.net_w == pytest.approx(row["net_w"], abs=5e-5)
    assert sheet.antenna is None


@pytest.mark.parametrize("row", rows("swr_relations.csv"))
def test_dresses_of_a_match(row: dict[str, float]) -> None:
    read = worksheet(BenchGiven(100.0, 100.0 * ((row["swr"] - 1) / (row["swr"] + 1)) ** 2)).transmitter.read
    assert read.percent_reflected == pytest.approx(row["reflected_power_pct"], abs=6e-5)
    assert read.mismatch_loss_db == pytest.approx(row["mismatch_loss_db"], abs=6e-6)


@pytest.mark.parametrize("row", rows("swr_tx_to_antenna.csv"))
def test_the_antenna_end(row: dict[str, float]) -> None:
    rho = (row["swr_at_tx"] - 1) / (row["swr_at_tx"] + 1)
    end = worksheet(BenchGiven(100.0, 100.0 * rho**2, loss_db=row["matched_loss_db"])).antenna
    assert end is not None
    assert end.read.rho == pytest.approx(row["rho_at_antenna"], abs=6e-7)
    assert end.read.is_possible is not math.isnan(row["swr_at_antenna"])
    assert end.read.swr == pytest.approx(row["swr_at_antenna"], rel=1e-4, nan_ok=True)


@pytest.mark.parametrize("row", rows("line_total_loss.csv"))
def test_losses_of_a_mismatched_feeder(row: dict[str, float]) -> None:
    rho = (row["swr_load"] - 1) / (row["swr_load"] + 1) * 10 ** (-row["matched_loss_db"] / 10)
    sheet = worksheet(BenchGiven(100.0, 100.0 * rho**2, loss_db=row["matched_loss_db"]))
    assert sheet.total_loss_db == pytest.approx(row["total_loss_db"], abs=6e-5)
    assert sheet.additional_loss_db == pytest.approx(row["extra_loss_due_to_swr_db"], abs=6e-5)
    assert sheet.transmitter.read.return_loss_db == pytest.approx(row["return_loss_input_db"], abs=6e-5)
    # What reaches the antenna less what it sends back is what the whole loss leaves.
    assert sheet.antenna is not None
    share = 1 - sheet.antenna.read.percent_reflected / 100
    assert sheet.radiated_w == pytest.approx(sheet.antenna.forward_w * share, rel=1e-9)


@pytest.mark.parametrize("row", rows("swr_ceiling_open_short.csv"))
def test_the_ceiling(row: dict[str, float]) -> None:
    sheet = worksheet(BenchGiven(100.0, 1.0, loss_db=row["matched_loss_db"]))
    assert sheet.ceiling_swr == pytest.approx(row["max_swr_at_tx"], rel=1e-5, abs=6e-5)


@pytest.mark.parametrize("row", rows("standing_wave_factors.csv"))
def test_crests(row: dict[str, float]) -> None:
    rho = (row["swr"] - 1) / (row["swr"] + 1)
    forward_w = 100.0 / (1 - rho**2)
    end = worksheet(BenchGiven(forward_w, forward_w * rho**2)).transmitter
    assert end.crest_ratio == pytest.approx(row["vmax_over_vfwd(1+rho)"], abs=6e-7)
    assert end.crest_voltage_v == pytest.approx(row["vmax_peak_100W_net_50ohm"], abs=6e-4)
    # The table has rms amperes; of a sine the peak is sqrt 2 of that.
    assert end.crest_current_a / math.sqrt(2) == pytest.approx(row["imax_rms_100W_net_50ohm"], abs=6e-5)


@pytest.mark.parametrize("row", rows("directivity_bounds.csv"))
def test_the_bounds_hold_the_true_match_at_its_extremes(row: dict[str, float]) -> None:
    for return_loss_db in (row["min_indicated_rl_db"], row["max_indicated_rl_db"]):
        reflected_w = 100.0 * 10 ** (-return_loss_db / 10)
        end = worksheet(BenchGiven(100.0, reflected_w, directivity_db=row["directivity_db"])).transmitter
        assert end.least is not None
        assert end.most is not None
        true_rho = 10 ** (-row["true_return_loss_db"] / 20)
        assert end.least.rho <= true_rho + 1e-4
        assert end.most.rho >= true_rho - 1e-4
        if return_loss_db == row["min_indicated_rl_db"]:
            # The leak adds in full: then the true match is the best that the reading leaves open.
            assert end.least.rho == pytest.approx(true_rho, abs=1e-4)


def test_the_meters_steps_widen_the_bounds() -> None:
    exact = worksheet(BenchGiven(100.0, 4.0, directivity_db=25.0)).transmitter
    coarse = worksheet(BenchGiven(100.0, 4.0, directivity_db=25.0, reflected_step_w=1.0)).transmitter
    assert exact.least is not None
    assert coarse.least is not None
    leak = 10 ** (-25 / 20)
    assert exact.least.rho == pytest.approx(0.2 - leak)
    assert coarse.least.rho == pytest.approx(math.sqrt(0.035) - leak)
    assert worksheet(BenchGiven(100.0, 4.0)).transmitter.most is None


def test_what_the_protection_leaves() -> None:
    curve = FoldbackCurve(2.0, 4.0, 0.25, "test")
    sheet = worksheet(BenchGiven(100.0, 25.0, loss_db=0.0, curve=curve))
    # SWR 3 is half way: 1 - 0.75 / 2 of the power, and a quarter of that comes back.
    assert sheet.present_fraction == pytest.approx(0.625)
    at_three = next(row for row in sheet.what_if if row.swr == 3.0)
    assert at_three.forward_w == pytest.approx(62.5)
    assert at_three.radiated_w == pytest.approx(62.5 * 0.75)
    behind = worksheet(BenchGiven(100.0, 4.0, loss_db=3.0, curve=curve))
    # Behind 3 dB even an open end shows no more than 3.01:1.
    assert [math.isnan(row.radiated_w) for row in behind.what_if] == [
        row.swr > 3.01 for row in behind.what_if
    ]


def test_the_data_and_the_page(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill)
    query = "forward=50&forward_unit=dBm&reflected=4&feeder_type=RG-213&length_m=30&frequency_mhz=150"
    found = client.get(f"/api/bench?{query}").json()
    assert found["transmitter"]["read"]["swr"] == pytest.approx(1.5)
    # 0.60611 sqrt(150) + 0.00658 x 150 dB on 100 m.
    assert found["loss_db"] == pytest.approx(0.3 * (0.60611 * math.sqrt(150) + 0.00658 * 150))
    assert found["transmitter"]["least"] is None
    assert client.get("/api/bench?forward=10&reflected=10").json()["transmitter"]["read"]["swr"] == "infinite"
    page = client.get(f"/bench?{query}&protection=shutdown").text
    assert "1.500:1" in page
    assert "What the protection leaves" in page
    assert "no passive antenna does that" in client.get("/bench?forward=10&reflected=11").text
    assert "above all there is" in client.get("/bench?forward=10&reflected=9&loss_db=3").text


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("forward=x&reflected=4", "Got “x” for the forward power"),
        ("forward=100", "Give the reflected power"),
        ("forward=0&reflected=0", "without it there is no reflection"),
        ("forward=-3&reflected=1", "below 0 only in dBm"),
        ("forward=1&reflected=1&forward_unit=kW", "wanted W or dBm"),
        ("forward=1&reflected=1&feeder_type=RG-999", "RG-999"),
        ("forward=1&reflected=1&directivity_db=0", "wanted a number above 0"),
        ("forward=1&reflected=1&loss_db=nan", "the feeder’s loss"),
        ("forward=1&reflected=1&protection=odd", "wanted one of foldback, shutdown"),
        ("forward=1&reflected=1&protection=foldback&start_swr=3&full_swr=2", "does not fit together"),
        ("forward=100&forward_unit=dBm&reflected=1", "wanted less than 100 dBm"),
    ],
)
def test_what_is_wrong_is_said(fill: Any, client_of: Callable[..., Any], query: str, said: str) -> None:
    client = client_of(fill)
    page = client.get(f"/bench?{query}")
    assert page.status_code == 400
    assert said in page.text
    data = client.get(f"/api/bench?{query}")
    assert data.status_code == 400
    assert said in data.json()["detail"]
