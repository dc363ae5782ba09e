"""The table of feeder types against the figures it was fitted to, and finding a type by name."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import nnls

from standingwatch import rf

M_PER_100_FT = 30.48

#: Name in the table: name in coax_attenuation_bands.csv.
BANDS = {
    "RG-58": "RG-58C/U (M17/28)",
    "RG-213": "RG-213/U (M17/74)",
    "RG-214": "RG-214/U (M17/75)",
    "RG-8": "RG-8/U solid PE",
    "1/2-in foam corrugated": "1/2-in foam corrugated",
    "7/8-in foam corrugated": "7/8-in foam corrugated",
}
FITTED_TO_GUIDE = {
    "RG-303": "RG-303/U",
    "RG-393": "RG-393/U",
    "RG-8 foam": "RG-8 foam",
    "1-5/8-in foam corrugated": "1-5/8-in foam corrugated",
}
FITTED_TO_MEMORY = {
    "RG-223": "RG-223/U",
    "RG-142": "RG-142/U",
    "1/4-in foam corrugated": "1/4-in foam corrugated",
    "3/8-in foam corrugated": "3/8-in foam corrugated",
    "1-1/4-in foam corrugated": "1-1/4-in foam corrugated",
}
CORRUGATED_BY_SIZE = [f"{size}-in foam corrugated" for size in ("1/4", "3/8", "1/2", "7/8", "1-1/4", "1-5/8")]


def per_100_ft(name, mhz):
    return rf.matched_loss_db(rf.FEEDER_TYPES[name], M_PER_100_FT, np.asarray(mhz, dtype=float))


def band_middles(bands, cable):
    rows = bands[bands["cable"] == cable]
    assert len(rows) == 4, cable
    return rows["mhz"].to_numpy(float), ((rows["min_db_per_100ft"] + rows["max_db_per_100ft"]) / 2).to_numpy(
        float
    )


def figures_of(name, published):
    """Return the figures that the type's source names: frequencies [MHz], attenuation [dB/100 ft]."""
    source = rf.FEEDER_TYPES[name].source
    if "ARRL" in source:
        typical = published("coax_attenuation")
        rows = typical[typical["cable"] == name]
        assert len(rows) == 2
        mhz, middle = band_middles(published("coax_attenuation_bands"), BANDS[name])
        above = mhz > 150
        return np.r_[rows["mhz"], mhz[above]], np.r_[rows["db_per_100ft"], middle[above]]
    if "handbook bands" in source:
        return band_middles(published("coax_attenuation_bands"), BANDS[name])
    more = published("coax_attenuation_more")
    by_memory = "memory" in source
    cable = (FITTED_TO_MEMORY if by_memory else FITTED_TO_GUIDE)[name]
    rows = more[(more["cable"] == cable) & ((more["status"] == "memory") == by_memory)]
    assert len(rows) >= 3
    return rows["mhz"].to_numpy(float), rows["db_per_100ft"].to_numpy(float)


@pytest.mark.parametrize("name", rf.FEEDER_TYPES)
def test_coefficients_are_the_fit_to_the_figures_their_source_names(name, published):
    mhz, db_per_100_ft = figures_of(name, published)
    db_per_100_m = db_per_100_ft * 100.0 / M_PER_100_FT
    terms = np.column_stack([np.sqrt(mhz), mhz]) / db_per_100_m[:, np.newaxis]
    (k1, k2), _ = nnls(terms, np.ones(len(mhz)))
    entry = rf.FEEDER_TYPES[name]
    assert entry.k1 == pytest.approx(k1, abs=0.6e-5)
    assert entry.k2 == pytest.approx(k2, abs=0.6e-5)
    # Two terms follow the rounded figures of every table to within a few hundredths.
    np.testing.assert_allclose(per_100_ft(name, mhz), db_per_100_ft, rtol=0.045)
    assert entry.max_frequency_mhz == 1.5 * mhz.max()


@pytest.mark.parametrize("name", ["RG-58", "RG-213", "RG-8"])
def test_typical_table_is_met(name, published):
    table = published("coax_attenuation")
    rows = table[table["cable"] == name]
    np.testing.assert_allclose(per_100_ft(name, rows["mhz"]), rows["db_per_100ft"], rtol=0.035)
    per_100_m = rf.matched_loss_db(rf.FEEDER_TYPES[name], 100.0, rows["mhz"].astype(float))
    np.testing.assert_allclose(per_100_m, rows["db_per_100m"], rtol=0.035)


@pytest.mark.parametrize("name", BANDS)
def test_acceptance_bands_are_met(name, published):
    table = published("coax_attenuation_bands")
    rows = table[table["cable"] == BANDS[name]]
    got = per_100_ft(name, rows["mhz"])
    assert (rows["min_db_per_100ft"] <= got).all()
    assert (got <= rows["max_db_per_100ft"]).all()


@pytest.mark.parametrize(("name", "mhz"), [("RG-58", 50), ("RG-58", 1000), ("RG-213", 1000)])
def test_typical_attenuation_lies_under_the_specification_limit(name, mhz, published):
    table = published("coax_attenuation")
    rows = table[table["cable"].str.startswith(f"{name} M17") & (table["mhz"] == mhz)]
    assert len(rows) == 1
    assert per_100_ft(name, mhz) < rows["db_per_100ft"].item()


def test_the_rg_213_limit_at_50_mhz_contradicts_the_typical_table(published):
    # Why that limit is left out above: the typical table, carried to 50 MHz by the square root alone (the
    # least it can rise), is already over it. If the figure is ever corrected this fails, and the limit can be
    # used.
    table = published("coax_attenuation").set_index(["cable", "mhz"])["db_per_100ft"]
    assert table["RG-213", 30] * math.sqrt(50 / 30) > table["RG-213 M17/74C spec value", 50]


@pytest.mark.parametrize(
    ("name", "cable", "tolerance"),
    [
        # A second table, which no coefficient was fitted to: so far do typical tables differ.
        ("RG-58", "RG-58C/U", 0.10),
        ("RG-213", "RG-213/U", 0.08),
        ("1/2-in foam corrugated", "1/2-in foam corrugated", 0.06),
        ("7/8-in foam corrugated", "7/8-in foam corrugated", 0.04),
    ],
)
def test_a_second_table_is_near(name, cable, tolerance, published):
    table = published("coax_attenuation_more")
    rows = table[table["cable"] == cable]
    assert len(rows) == 4
    np.testing.assert_allclose(per_100_ft(name, rows["mhz"]), rows["db_per_100ft"], rtol=tolerance)


def test_rg_223_from_memory_is_near_a_figure_that_was_read(published):
    # The attenuation was read; that it is at 750 MHz is from memory, so this is a weak check.
    table = published("coax_attenuation_more")
    rows = table[(table["cable"] == "RG-223/U") & (table["status"] != "memory")]
    assert len(rows) == 1
    assert per_100_ft("RG-223", rows["mhz"].item()) == pytest.approx(rows["db_per_100ft"].item(), rel=0.1)


def test_rg_142_from_memory_is_near_rg_303_that_was_read():
    # The same core under one braid more.
    mhz = [50, 150, 450, 850]
    np.testing.assert_allclose(per_100_ft("RG-142", mhz), per_100_ft("RG-303", mhz), rtol=0.12)


@pytest.mark.parametrize("mhz", [30, 150, 450, 900, 1275])
def test_a_thicker_corrugated_feeder_loses_less(mhz):
    losses = [float(per_100_ft(name, mhz)) for name in CORRUGATED_BY_SIZE]
    assert losses == sorted(losses, reverse=True)
    assert len(set(losses)) == len(losses)


def test_loss_is_proportional_to_length_and_rises_with_frequency():
    line = rf.FEEDER_TYPES["7/8-in foam corrugated"]
    assert rf.matched_loss_db(line, 60.0, 155.0) == pytest.approx(2 * rf.matched_loss_db(line, 30.0, 155.0))
    assert rf.matched_loss_db(line, 0.0, 155.0) == 0.0
    assert (np.diff(rf.matched_loss_db(line, 30.0, np.linspace(1.0, 1300.0, 200))) > 0).all()


@pytest.mark.parametrize(
    ("length_m", "frequency_mhz"),
    [
        (-1.0, 155.0),
        (math.nan, 155.0),
        (math.inf, 155.0),
        (30.0, 0.0),
        (30.0, -155.0),
        (30.0, math.nan),
        (30.0, math.inf),
        (30.0, 1350.1),
    ],
)
def test_no_loss_from_values_out_of_range(length_m, frequency_mhz):
    assert math.isnan(rf.matched_loss_db(rf.FEEDER_TYPES["RG-58"], length_m, frequency_mhz))


def test_every_entry_is_under_its_own_name_and_says_whether_it_is_typical():
    for name, entry in rf.FEEDER_TYPES.items():
        assert entry.name == name
        assert entry.source.startswith("typical; fitted to ")
        assert entry.impedance_ohm == 50.0


def test_the_table_and_its_entries_cannot_be_changed():
    with pytest.raises(TypeError):
        rf.FEEDER_TYPES["RG-58"] = rf.FEEDER_TYPES["RG-8"]
    with pytest.raises(dataclasses.FrozenInstanceError):
        rf.FEEDER_TYPES["RG-58"].k1 = 0.0


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("RG-58", "RG-58"),
        ("rg58", "RG-58"),
        ("RG 58 C/U", "RG-58"),
        ("RG58C/U", "RG-58"),
        ("RG-58-U", "RG-58"),
        ("RG-58A/U", "RG-58"),
        ("Rg-213/U", "RG-213"),
        ("rg213u", "RG-213"),
        ("M17/75-RG214", "RG-214"),
        ("RG\u2013214", "RG-214"),
        ("RG-8/U", "RG-8"),
        ("rg8 foam", "RG-8 foam"),
        ("RG-142B/U", "RG-142"),
        ("RG 393", "RG-393"),
        ("1/2", "1/2-in foam corrugated"),
        ('1/2"', "1/2-in foam corrugated"),
        ("1/2''", "1/2-in foam corrugated"),
        ("1/2 inch", "1/2-in foam corrugated"),
        ("\u00bd in.", "1/2-in foam corrugated"),
        ("1/2-in corrugated", "1/2-in foam corrugated"),
        ("7/8\u201d foam", "7/8-in foam corrugated"),
        ("7/8 Inches", "7/8-in foam corrugated"),
        ("1 1/4 inch", "1-1/4-in foam corrugated"),
        ('1-5/8"', "1-5/8-in foam corrugated"),
        ("1\u215d inch foam corrugated", "1-5/8-in foam corrugated"),
        *[(name, name) for name in rf.FEEDER_TYPES],
    ],
)
def test_a_type_is_found_as_people_write_it(written, name):
    assert rf.find_feeder_type(written) is rf.FEEDER_TYPES[name]


@pytest.mark.parametrize(
    ("written", "near"),
    [("RG-8X", "RG-8"), ("RG-59", "RG-58"), ("RG-216", "RG-213"), ("5/8 inch", "1-5/8-in foam corrugated")],
)
def test_another_type_is_not_taken_for_its_neighbour(written, near):
    with pytest.raises(rf.UnknownFeederTypeError, match="did you mean") as caught:
        rf.find_feeder_type(written)
    assert near in str(caught.value)
    assert repr(written) in str(caught.value)
    assert "feeder_loss_db" in str(caught.value)


@pytest.mark.parametrize("written", ["", "  ", "open wire"])
def test_all_types_are_named_if_none_comes_near(written):
    with pytest.raises(rf.UnknownFeederTypeError, match="known are") as caught:
        rf.find_feeder_type(written)
    assert all(name in str(caught.value) for name in rf.FEEDER_TYPES)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"name": " "}, "name: got"),
        ({"source": ""}, "source: got"),
        ({"k1": -0.1}, "k1: got -0.1"),
        ({"k2": math.nan}, "k2: got nan"),
        ({"impedance_ohm": 0.0}, "impedance_ohm: got 0.0"),
        ({"max_frequency_mhz": math.inf}, "max_frequency_mhz: got inf"),
        ({"velocity_factor": 0.0}, "velocity_factor: got 0.0"),
        ({"velocity_factor": 1.01}, "velocity_factor: got 1.01"),
        ({"k1": -1.0, "k2": -1.0, "velocity_factor": 2.0}, "k1.*k2.*velocity_factor"),
    ],
)
def test_a_figure_out_of_range_is_refused_by_name(change, named):
    with pytest.raises(ValueError, match=named):
        dataclasses.replace(rf.FEEDER_TYPES["RG-58"], **change)
