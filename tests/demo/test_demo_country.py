import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.demo.country import MIN_DISTANCE_KM, build_country
from standingwatch.demo.faults import plan_faults
from standingwatch.rf.feeder import find_feeder_type, matched_loss_db

START_S = 1_760_000_000
DAY_S = 86_400
# Every column that an inventory.csv may have.
INVENTORY_COLUMNS = {
    *("site", "transmitter", "frequency_mhz", "site_name", "region", "latitude", "longitude", "antenna_line"),
    *("rated_power_w", "feeder_type", "feeder_length_m", "feeder_loss_db", "feeder_power_rating_w"),
    *("coupler_directivity_db", "coupler_place", "matching_unit", "pa_protection", "min_forward_w"),
    *("foldback_swr", "tolerance_swr", "profile", "expected_interval_s"),
}


@settings(max_examples=15)
@given(st.integers(0, 10**9))
def test_the_fleet_has_the_size_and_mix_that_was_asked_for(seed: int) -> None:
    country = build_country(seed)
    per_site = pd.Series([t.site for t in country.transmitters]).value_counts()
    assert len(country.sites) == 40
    assert len(country.regions) == 5
    assert per_site.between(2, 5).all()
    assert len(per_site) == 40
    assert {t.service for t in country.transmitters} >= {"repeater", "base", "control"}
    assert {site.report_interval_s for site in country.sites} <= set(range(60, 301, 60))
    lines = pd.Series([t.line.name for t in country.transmitters]).value_counts()
    assert (lines > 1).sum() >= 5


def test_the_same_seed_builds_the_same_country_and_another_seed_another() -> None:
    assert list(build_country(5).inventory_rows()) == list(build_country(5).inventory_rows())
    assert list(build_country(5).inventory_rows()) != list(build_country(6).inventory_rows())


def test_names_are_unique_and_fit_topics() -> None:
    country = build_country(2)
    pairs = [(country.sites[t.site].name, t.name) for t in country.transmitters]
    assert len(set(pairs)) == len(pairs)
    assert len({site.name for site in country.sites}) == len(country.sites)
    for site, transmitter in pairs:
        assert all(c.isalnum() or c == "-" for c in site + transmitter)


def test_sites_keep_their_distance_mostly() -> None:
    sites = build_country(3).sites
    nearest_km = [
        min(
            math.hypot(
                (a.latitude - b.latitude) * 111.2,
                (a.longitude - b.longitude) * 111.2 * math.cos(math.radians(a.latitude)),
            )
            for b in sites
            if b is not a
        )
        for a in sites
    ]
    assert sum(km >= MIN_DISTANCE_KM * 0.98 for km in nearest_km) >= 36
    assert min(nearest_km) > 2.0


def test_inventory_rows_have_the_columns_of_the_file_and_loss_only_with_a_combiner() -> None:
    country = build_country(4)
    rows = list(country.inventory_rows())
    assert len(rows) == len(country.transmitters)
    for row, t in zip(rows, country.transmitters, strict=True):
        assert set(row) == INVENTORY_COLUMNS
        loss_db = float(
            matched_loss_db(find_feeder_type(t.line.feeder_type), t.line.feeder_length_m, t.frequency_mhz)
        )
        if t.combiner_loss_db:
            assert row["feeder_loss_db"] == pytest.approx(loss_db + t.combiner_loss_db, abs=0.006)
        else:
            assert row["feeder_loss_db"] == ""


def test_maintenance_rows_are_the_visits_and_retunes_of_the_plan() -> None:
    country = build_country(1)
    assert list(country.maintenance_rows()) == []
    faults = plan_faults(country, START_S, START_S + 150 * DAY_S, 1)
    rows = pd.DataFrame(country.maintenance_rows(faults))
    assert list(rows.columns) == ["site", "transmitter", "start", "end", "kind"]
    assert set(rows["kind"]) == {"visit", "retune"}
    assert (pd.to_datetime(rows["start"]) < pd.to_datetime(rows["end"])).all()
    assert rows["start"].is_monotonic_increasing


def test_a_negative_seed_is_refused() -> None:
    with pytest.raises(ValueError, match="seed is -1"):
        build_country(-1)
