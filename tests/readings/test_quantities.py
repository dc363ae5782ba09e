"""Units that profiles name, against two published libraries: pint for units, scikit-rf for reflection.

Both compute with code of their own; none of the expected values here comes from the product.
"""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from standingwatch.readings.profile.quantities import FIELD_KINDS, UNITS, calibrated, reflected_w, to_base

with warnings.catch_warnings():
    # Not ours: scikit-rf warns about what its own parts import.
    warnings.simplefilter("ignore")
    import skrf

#: Ours, and what pint calls it. `count` has no unit of measurement, and the kinds of a match are no units
#: but ratios: those are held to scikit-rf below.
PINT: dict[str, str] = {
    "W": "watt",
    "mW": "milliwatt",
    "kW": "kilowatt",
    "dBm": "decibelmilliwatt",
    "dBW": "decibelwatt",
    "degC": "degree_Celsius",
    "degF": "degree_Fahrenheit",
    "degK": "kelvin",
    "Hz": "hertz",
    "kHz": "kilohertz",
    "MHz": "megahertz",
    "GHz": "gigahertz",
    "mm/h": "millimeter / hour",
    "in/h": "inch / hour",
    "m/s": "meter / second",
    "km/h": "kilometer / hour",
    "mph": "mile / hour",
    "kn": "knot",
}
#: What each kind ends in, for pint.
BASE: dict[str, str] = {
    "power": "watt",
    "temperature": "degree_Celsius",
    "frequency": "megahertz",
    "rain": "millimeter / hour",
    "speed": "meter / second",
}
OF_A_MATCH = {"SWR", "dB", "rho", "%"}
OF_A_DETECTOR = {"V", "mV", "count"}


@pytest.fixture(scope="module")
def registry() -> Any:
    made: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    # pint knows dBm, and the same logarithm with another reference under no name.
    made.define("decibelwatt = watt ; logbase: 10; logfactor: 10 = dBW")
    return made


def test_every_unit_is_held_to_a_published_library() -> None:
    assert set(UNITS) == set(PINT) | OF_A_MATCH | OF_A_DETECTOR
    assert {unit.name for unit in UNITS.values()} == set(UNITS)
    assert set().union(*FIELD_KINDS.values()) == {unit.kind for unit in UNITS.values()} - {"detector"}


@pytest.mark.parametrize("name", PINT)
@given(value=st.floats(-90, 90) | st.floats(-1e6, 1e6))
def test_units_are_those_of_pint(registry: Any, name: str, value: float) -> None:
    unit = UNITS[name]
    # 10 MW and more is refused, which a test of its own holds.
    assume(not name.startswith("dB") or value < 70)
    theirs = registry.Quantity(value, PINT[name]).to(BASE[unit.kind]).magnitude
    # And so is what is colder than cold.
    assume(unit.kind != "temperature" or theirs >= -273.15)
    # Near the zero of a scale the last digits are those of the offset, 273.15.
    assert to_base(value, name) == pytest.approx(theirs, rel=1e-12, abs=1e-10)
    assert unit.to_base(value) == to_base(value, name)


def of_scikit_rf(rho: float) -> dict[str, float]:
    """A load of that reflection as scikit-rf tells it."""
    with warnings.catch_warnings():
        # No return loss at rho 0, no end of the SWR at rho 1: divisions by zero that end in infinity.
        warnings.simplefilter("ignore")
        load = skrf.Network(f=[150.0], f_unit="MHz", s=np.array([[[rho + 0j]]]), z0=50)
        told = {"SWR": load.s_vswr, "dB": -load.s_db, "rho": load.s_mag, "%": 100.0 * load.s_mag**2}
        return {name: float(values[0, 0, 0]) for name, values in told.items()}


@pytest.mark.parametrize("rho", [0.0, 0.01, 0.1, 1 / 3, 0.5, 0.7071, 0.9, 0.99, 1.0])
def test_a_match_is_that_of_scikit_rf(rho: float) -> None:
    theirs = of_scikit_rf(rho)
    assert set(theirs) == OF_A_MATCH
    for name, value in theirs.items():
        assert reflected_w(80.0, value, name) == pytest.approx(80.0 * rho**2, rel=1e-9, abs=1e-12)


def test_a_power_is_a_match_as_it_is() -> None:
    assert reflected_w(80.0, 500.0, "mW") == 0.5
    assert reflected_w(80.0, 30.0, "dBm") == 1.0
    assert reflected_w(80.0, -0.25, "W") == -0.25


def test_more_than_all_comes_back_only_by_a_bad_meter_and_is_told_as_it_is() -> None:
    assert reflected_w(80.0, 1.5, "rho") == 180.0
    assert reflected_w(80.0, 110.0, "%") == pytest.approx(88.0)


def test_the_ends() -> None:
    assert to_base(-math.inf, "dBm") == 0.0
    assert to_base(-math.inf, "dBW") == 0.0
    assert reflected_w(80.0, math.inf, "SWR") == 80.0
    assert reflected_w(80.0, math.inf, "dB") == 0.0
    assert to_base(69.9, "dBW") < 1e7
    assert to_base(-459.67, "degF") == pytest.approx(-273.15)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (100.0, "dBm", "is 100 dBm, which is 10 MW or more; give dBm below 100"),
        (70.0, "dBW", "give dBW below 70"),
        (math.inf, "dBm", "10 MW or more"),
        (math.nan, "dBm", "is nan dBm, wanted a finite number"),
        (math.nan, "W", "is nan W, wanted a finite number"),
        (1e306, "kW", "is 1e[+]306 kW, wanted a finite number"),
        (0.99, "SWR", "is 0.99, but an SWR is at least 1; name the value in `missing`"),
        (math.nan, "SWR", "wanted a finite number"),
        (-math.inf, "dB", "wanted a finite number"),
        (-14.0, "dB", "is -14, but a return loss is at least 0; give scale = -1"),
        (-0.1, "rho", "is -0.1, but a reflection coefficient's size is at least 0"),
        (math.inf, "rho", "wanted a finite number"),
        (-1.0, "%", "is -1, but a share of the forward power is at least 0"),
        (-274.0, "degC", "is -274 degC, below absolute zero"),
        (-1.0, "degK", "below absolute zero"),
        (math.inf, "degF", "wanted a finite number"),
        (1.2, "V", "is 1.2 V, which is no power yet; give the detector's calibration as `table`"),
        (1200.0, "count", "is 1200 count, which is no power yet"),
        (1.0, "furlong", "has the unit 'furlong', which is not known; give one of W, mW"),
    ],
)
def test_what_cannot_be_is_refused_with_one_sentence(value: float, unit: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        to_base(value, unit)


def test_a_temperature_is_no_match() -> None:
    with pytest.raises(ValueError, match="is in degC, which says nothing of a match; give one of W, mW"):
        reflected_w(80.0, 20.0, "degC")


TABLE = ((0.05, 0.0), (0.5, 1.0), (1.0, 4.1), (2.5, 60.0))


def test_the_points_of_a_calibration_are_hit_and_lines_are_straight_between() -> None:
    for volts, watts in TABLE:
        assert calibrated(volts, TABLE) == watts
    assert calibrated(0.75, TABLE) == pytest.approx(2.55)
    assert calibrated(0.275, TABLE) == pytest.approx(0.5)


@pytest.mark.parametrize("volts", [0.0499, 2.5001, -1.0, math.inf, -math.inf, math.nan])
def test_nothing_is_known_outside_of_a_calibration(volts: float) -> None:
    with pytest.raises(
        ValueError, match=r"outside of the calibration table from 0\.05 to 2\.5; measure more"
    ):
        calibrated(volts, TABLE)


@given(
    st.lists(
        st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)),
        min_size=2,
        max_size=8,
        unique_by=lambda p: p[0],
    ),
    st.floats(0, 1),
)
def test_a_calibration_is_that_of_numpy(points: list[tuple[float, float]], share: float) -> None:
    table = tuple(sorted(points))
    at = min(max(table[0][0] + share * (table[-1][0] - table[0][0]), table[0][0]), table[-1][0])
    theirs = float(np.interp(at, [x for x, _ in table], [y for _, y in table]))
    assert calibrated(at, table) == pytest.approx(theirs, rel=1e-9, abs=1e-6)
