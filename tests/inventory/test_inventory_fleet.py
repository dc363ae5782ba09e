"""From rows to the fleet's columns."""

import math
from pathlib import Path

import numpy as np
import pytest

from standingwatch.inventory import (
    FleetDefaults,
    InventoryRow,
    build_fleet,
    feeder_loss_db,
    loss_behind_coupler_db,
    read_inventory,
)
from standingwatch.settings import Settings

FIXTURES = Path(__file__).parents[2] / "fixtures" / "inventory"


def test_the_columns_of_the_good_file() -> None:
    rows = read_inventory(FIXTURES / "six-transmitters.csv").rows
    fleet = build_fleet(rows, [11, 12, 13, 14, 15, 99], FleetDefaults())
    nan = math.nan
    assert fleet.key.tolist() == [11, 12, 13, 14, 15, 99]
    assert fleet.site_names == ("korvu-ridge", "osta-water-tower", "Tölen", "halvik")
    assert fleet.position[("osta-water-tower", "link")] == 3
    assert fleet.region == ("Upper Selm", "Upper Selm", "Lower Selm", "Lower Selm", "Lower Selm", "")
    assert fleet.antenna_line == ("mast-a", "mast-a", "", "", "", "")
    np.testing.assert_array_equal(fleet.frequency_mhz, [152.6, 153.1, 451.025, 460.5, 3.62, 29.64])
    np.testing.assert_array_equal(fleet.rated_power_w, [50, 50, 25, 10, nan, 100])
    # 2 % of rated power, the row's own 1 W, the default where there is no rated power
    np.testing.assert_allclose(fleet.min_forward_w, [1.0, 1.0, 0.5, 0.2, 0.5, 2.0], rtol=1e-12)
    np.testing.assert_array_equal(fleet.directivity_db, [28, 28, 25, 25, 25, 25])
    np.testing.assert_array_equal(fleet.foldback_swr, [2.5, 2.5, 1.8, 2.5, nan, 2.5])
    np.testing.assert_array_equal(fleet.tolerance_swr, [3, 3, 2, 3, 3, 3])
    np.testing.assert_array_equal(fleet.expected_interval_s, [60, 300, 300, 300, 30, 300])
    assert np.isnan(fleet.feeder_loss_db).tolist() == [False, False, False, False, True, False]
    assert fleet.feeder_loss_db[3] == 0.0  # the coupler is at the antenna
    assert fleet.feeder_loss_db[5] == 2.75  # wins over type and length


def test_the_row_wins_over_the_defaults() -> None:
    defaults = FleetDefaults(30.0, 10.0, 1.9, 2.2, 0.1, 3.0)
    plain, rated, own = rows = (
        InventoryRow("a", "1", 100.0),
        InventoryRow("a", "2", 100.0, rated_power_w=40.0),
        InventoryRow(
            "a", "3", 100.0, rated_power_w=40.0, min_forward_w=1.0, foldback_swr=1.6, pa_protection="none"
        ),
    )
    fleet = build_fleet(rows, [1, 2, 3], defaults)
    assert (plain.rated_power_w, rated.min_forward_w, own.tolerance_swr) == (None, None, None)
    assert fleet.min_forward_w.tolist() == [3.0, 4.0, 1.0]
    assert fleet.foldback_swr.tolist() == [1.9, 1.9, 1.6]
    assert fleet.tolerance_swr.tolist() == [2.2, 2.2, 2.2]
    assert fleet.directivity_db.tolist() == [30.0, 30.0, 30.0]
    assert fleet.expected_interval_s.tolist() == [10.0, 10.0, 10.0]


@pytest.mark.parametrize(
    ("kind", "frequency_mhz", "db_per_100m"),
    [("RG-213", 30.0, 3.54), ("RG-213", 150.0, 8.3), ("RG-58", 30.0, 8.1), ("RG-58", 150.0, 18.47)],
)
def test_loss_by_type_and_length(kind: str, frequency_mhz: float, db_per_100m: float) -> None:
    # ARRL General Class License Manual, Table 6-1 (as corrected); the two-term law through all of the table's
    # figures meets each within 4 %.
    row = InventoryRow("a", "1", frequency_mhz, feeder_type=kind, feeder_length_m=25.0)
    assert feeder_loss_db(row) == pytest.approx(db_per_100m / 4, rel=0.04)


@pytest.mark.parametrize(
    "row",
    [
        InventoryRow("a", "1", 150.0),
        InventoryRow("a", "1", 150.0, feeder_type="RG-213"),
        InventoryRow("a", "1", 150.0, feeder_length_m=10.0),
        InventoryRow("a", "1", 150.0, feeder_type="no such", feeder_length_m=10.0),
        InventoryRow("a", "1", 50_000.0, feeder_type="RG-213", feeder_length_m=10.0),
    ],
)
def test_unknown_loss_is_nan(row: InventoryRow) -> None:
    assert math.isnan(feeder_loss_db(row))


def test_a_reading_is_carried_to_the_antenna_only_where_it_can_be() -> None:
    def row(**cells: str) -> InventoryRow:
        return InventoryRow("a", "1", 150.0, feeder_loss_db=1.5, **cells)  # type: ignore[arg-type]  # words

    assert loss_behind_coupler_db(row()) == 1.5
    assert loss_behind_coupler_db(row(coupler_place="transmitter", matching_unit="feed-point")) == 1.5
    assert loss_behind_coupler_db(row(coupler_place="antenna", matching_unit="transmitter")) == 0.0
    assert loss_behind_coupler_db(row(coupler_place="behind-combiner", matching_unit="transmitter")) == 1.5
    assert math.isnan(loss_behind_coupler_db(row(coupler_place="transmitter", matching_unit="transmitter")))
    assert math.isnan(loss_behind_coupler_db(row(matching_unit="transmitter")))


def test_an_empty_fleet() -> None:
    fleet = build_fleet([], [], FleetDefaults())
    assert len(fleet) == 0
    assert fleet.feeder_loss_db.shape == (0,)


@pytest.mark.parametrize("keys", [[1], [1, 1], [1, 2, 3]])
def test_keys_have_to_match(keys: list[int]) -> None:
    rows = [InventoryRow("a", "1", 1.0), InventoryRow("a", "2", 1.0)]
    with pytest.raises(ValueError, match="wanted 2, one per row"):
        build_fleet(rows, keys, FleetDefaults())


def test_the_same_names_twice_are_refused() -> None:
    with pytest.raises(ValueError, match="1 different"):
        build_fleet([InventoryRow("a", "1", 1.0)] * 2, [1, 2], FleetDefaults())


def test_defaults_have_to_be_above_zero() -> None:
    with pytest.raises(ValueError, match=r"min_forward_w = nan"):
        FleetDefaults(min_forward_w=math.nan)


def test_the_defaults_are_those_of_the_settings() -> None:
    assert FleetDefaults(**Settings().defaults.model_dump()) == FleetDefaults()
