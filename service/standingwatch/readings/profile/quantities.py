"""Units that a payload profile can name, and what becomes of a value in each: scalar in, scalar out.

| kind | units | base | of fields |
| --- | --- | --- | --- |
| power | W, mW, kW, dBm, dBW | W | forward, reflected, set_power |
| swr | SWR | 1, at least 1 | reflected |
| return loss | dB | dB, 0 or more | reflected |
| rho | rho | 1, 0 or more | reflected |
| percent | % (of the forward power) | %, 0 or more | reflected |
| detector | V, mV, count | none: a calibration table leads to a unit of another kind | any |
| temperature | degC, degF, degK | degC | pa_temperature, ambient_temperature |
| frequency | Hz, kHz, MHz, GHz | MHz | frequency |
| rain | mm/h, in/h | mm/h | precipitation |
| speed | m/s, km/h, mph, kn | m/s | wind |

The relations of power and reflection are those of `readings.units` and `rf.reflection`. Factors are exact by
definition: inch, mile and nautical mile (NIST SP 811, appendix B.8), degree Fahrenheit (the same, B.9). The
tests hold all of them to the published libraries pint and scikit-rf.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from standingwatch.readings.units import (
    MAX_POWER_DBM,
    reflected_w_from_return_loss,
    reflected_w_from_swr,
    watts_from_dbm,
)

Kind = Literal[
    "power",
    "swr",
    "return loss",
    "rho",
    "percent",
    "detector",
    "temperature",
    "frequency",
    "rain",
    "speed",
]

#: 0 K in degrees Celsius, by definition of the scale.
_ABSOLUTE_ZERO_C = -273.15

#: Decibels from 1 W to 1 mW.
_DBM_OF_A_WATT = 30.0


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that a profile can name.

    Attributes:
        name: as the profile writes it.
        kind: the quantity it belongs to.
        base: unit that `to_base` gives; "" where there is none (a detector's volts or counts).
        to_base: a value in this unit as one in the base unit; raises ValueError as the function `to_base`.
    """

    name: str
    kind: Kind
    base: str
    to_base: Callable[[float], float]


def _times(factor: float, name: str) -> Callable[[float], float]:
    def convert(value: float) -> float:
        if not math.isfinite(base := value * factor):
            raise ValueError(_not_finite(value, name))
        return base

    return convert


def _from_level(name: str, below_a_watt_db: float) -> Callable[[float], float]:
    """From decibels above a power; minus infinity is no power at all, as some meters say it."""
    too_much = MAX_POWER_DBM - below_a_watt_db

    def convert(value: float) -> float:
        if math.isnan(value):
            raise ValueError(_not_finite(value, name))
        if value >= too_much:
            raise ValueError(
                f"is {value:g} {name}, which is 10 MW or more; give {name} below {too_much:g}, or check the "
                "unit and scale"
            )
        return watts_from_dbm(value + below_a_watt_db)

    return convert


def _at_least(
    least: float, name: str, what: str, mend: str, *, no_end: bool = False
) -> Callable[[float], float]:
    def convert(value: float) -> float:
        if math.isnan(value) or (math.isinf(value) and not (no_end and value > 0)):
            raise ValueError(_not_finite(value, name))
        if value < least:
            raise ValueError(f"is {value:g}, but {what} is at least {least:g}; {mend}")
        return value

    return convert


def _temperature(name: str, to_celsius: Callable[[float], float]) -> Callable[[float], float]:
    def convert(value: float) -> float:
        celsius = to_celsius(value)
        if not math.isfinite(celsius):
            raise ValueError(_not_finite(value, name))
        if celsius < _ABSOLUTE_ZERO_C:
            raise ValueError(
                f"is {value:g} {name}, below absolute zero; check the unit, or name the value in `missing`"
            )
        return celsius

    return convert


def _not_finite(value: float, name: str) -> str:
    return f"is {value} {name}, wanted a finite number; name the value in `missing` if it says there is none"


def _of_a_detector(name: str) -> Callable[[float], float]:
    def convert(value: float) -> float:
        raise ValueError(
            f"is {value:g} {name}, which is no power yet; give the detector's calibration as `table` and "
            "`table_unit`, or `scale` and `offset` with the unit of the result"
        )

    return convert


_MISSING = "name the value in `missing` when the meter has none"
_UNITS: tuple[Unit, ...] = (
    Unit("W", "power", "W", _times(1.0, "W")),
    Unit("mW", "power", "W", _times(1e-3, "mW")),
    Unit("kW", "power", "W", _times(1e3, "kW")),
    Unit("dBm", "power", "W", _from_level("dBm", 0.0)),
    Unit("dBW", "power", "W", _from_level("dBW", _DBM_OF_A_WATT)),
    Unit("SWR", "swr", "SWR", _at_least(1.0, "SWR", "an SWR", _MISSING, no_end=True)),
    Unit(
        "dB",
        "return loss",
        "dB",
        _at_least(0.0, "dB", "a return loss", "give scale = -1 where it is sent negative", no_end=True),
    ),
    Unit("rho", "rho", "rho", _at_least(0.0, "rho", "a reflection coefficient's size", _MISSING)),
    Unit("%", "percent", "%", _at_least(0.0, "%", "a share of the forward power", _MISSING)),
    Unit("V", "detector", "", _of_a_detector("V")),
    Unit("mV", "detector", "", _of_a_detector("mV")),
    Unit("count", "detector", "", _of_a_detector("count")),
    Unit("degC", "temperature", "degC", _temperature("degC", lambda c: c)),
    Unit("degF", "temperature", "degC", _temperature("degF", lambda f: (f - 32.0) / 1.8)),
    Unit("degK", "temperature", "degC", _temperature("degK", lambda k: k + _ABSOLUTE_ZERO_C)),
    Unit("Hz", "frequency", "MHz", _times(1e-6, "Hz")),
    Unit("kHz", "frequency", "MHz", _times(1e-3, "kHz")),
    Unit("MHz", "frequency", "MHz", _times(1.0, "MHz")),
    Unit("GHz", "frequency", "MHz", _times(1e3, "GHz")),
    Unit("mm/h", "rain", "mm/h", _times(1.0, "mm/h")),
    Unit("in/h", "rain", "mm/h", _times(25.4, "in/h")),
    Unit("m/s", "speed", "m/s", _times(1.0, "m/s")),
    Unit("km/h", "speed", "m/s", _times(1.0 / 3.6, "km/h")),
    Unit("mph", "speed", "m/s", _times(1609.344 / 3600.0, "mph")),
    Unit("kn", "speed", "m/s", _times(1852.0 / 3600.0, "kn")),
)

#: Every unit, by the name that a profile writes.
UNITS: Mapping[str, Unit] = MappingProxyType({unit.name: unit for unit in _UNITS})

#: Kinds of units that a field can end in; a detector's volts or counts get there by their table.
FIELD_KINDS: Mapping[str, frozenset[Kind]] = MappingProxyType(
    {
        "forward": frozenset({"power"}),
        "reflected": frozenset({"power", "swr", "return loss", "rho", "percent"}),
        "set_power": frozenset({"power"}),
        "frequency": frozenset({"frequency"}),
        "pa_temperature": frozenset({"temperature"}),
        "ambient_temperature": frozenset({"temperature"}),
        "precipitation": frozenset({"rain"}),
        "wind": frozenset({"speed"}),
    }
)


def to_base(value: float, unit: str) -> float:
    """A value in the base unit of its kind, as the table of this module lists it.

    Parameters
    ----------
    value
        The number, in `unit`. Powers in W, mW, kW may be below 0 by a meter's offset.
    unit
        One of `UNITS`.

    Raises
    ------
    ValueError
        For a value that its kind cannot have: not finite (but minus infinity dBm is 0 W, and SWR and return
        loss may be infinite), 10 MW and more in decibels, below 1 SWR, below 0 dB, rho or %, below absolute
        zero; for a detector's volts or counts, which need a table; for an unknown unit. The text is the rest
        of a sentence that begins with the name of the field: what, got, wanted, how to mend.
    """
    return _unit(unit).to_base(value)


def calibrated(value: float, table: Sequence[tuple[float, float]]) -> float:
    """A detector's value through its calibration, straight lines between the points.

    Parameters
    ----------
    value
        What the detector gives, in the unit of the table's first column.
    table
        Points (detector, quantity), at least two, the first column strictly rising.

    Returns
    -------
    float
        The quantity, in the unit of the second column.

    Raises
    ------
    ValueError
        Outside of the table: nothing is known there. The text is the rest of a sentence, as of `to_base`.
    """
    low, high = table[0][0], table[-1][0]
    # Written so that NaN is outside too.
    if not low <= value <= high:
        raise ValueError(
            f"is {value:g}, outside of the calibration table from {low:g} to {high:g}; measure more points, "
            "or name the value in `missing`"
        )
    at = bisect_left(table, value, key=_first)
    x1, y1 = table[at]
    if value == x1:
        return y1
    x0, y0 = table[at - 1]
    share = (value - x0) / (x1 - x0)
    return y0 * (1.0 - share) + y1 * share


def _first(point: tuple[float, float]) -> float:
    return point[0]


def reflected_w(forward_w: float, value: float, unit: str) -> float:
    """Reflected power [W] from what a device says of the match.

    Parameters
    ----------
    forward_w
        Forward power [W]; not used where the value is a power itself.
    value
        In `unit`: SWR (infinite means all comes back), return loss in dB (infinite: nothing does), rho, % of
        the forward power, or a power. What is above all of the power (rho above 1, above 100 %) is taken as
        it is: the measurement is suspect then, and the flags say so.
    unit
        One of `UNITS`, of a kind that `FIELD_KINDS` lists for `reflected`.

    Raises
    ------
    ValueError
        As `to_base`, and for a unit that says nothing of a match.
    """
    known = _unit(unit)
    base = known.to_base(value)
    match known.kind:
        case "power":
            return base
        case "swr":
            return forward_w if math.isinf(base) else reflected_w_from_swr(forward_w, base)
        case "return loss":
            return reflected_w_from_return_loss(forward_w, base)
        case "rho":
            return forward_w * base * base
        case "percent":
            return forward_w * base / 100.0
    wanted = ", ".join(name for name, one in UNITS.items() if one.kind in FIELD_KINDS["reflected"])
    raise ValueError(f"is in {unit}, which says nothing of a match; give one of {wanted}")


def _unit(name: str) -> Unit:
    known = UNITS.get(name)
    if known is None:
        raise ValueError(f"has the unit {name!r}, which is not known; give one of {', '.join(UNITS)}")
    return known
