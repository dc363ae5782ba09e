"""Words that devices put into names, and what they speak for. Common practice, no source."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from standingwatch.readings.profile.model import FieldName

#: Words of a name, in lower case, that speak for a field, with their weight; a set needs all of its words.
_SAID: Mapping[FieldName, Mapping[str, int]] = {
    "forward": {
        **dict.fromkeys(("forward", "fwd", "fwrd", "incident", "vorlauf", "hinlauf"), 10),
        **dict.fromkeys(("pfwd", "pf", "vfwd", "vf", "fp", "inc", "vor", "hin", "vorwärts"), 8),
        **dict.fromkeys(("power", "pwr", "leistung", "f", "output power", "p"), 3),
    },
    "reflected": {
        **dict.fromkeys(("reflected", "reflect", "refl", "rfl", "reverse", "rvs", "backward"), 10),
        **dict.fromkeys(("rücklauf", "ruecklauf", "swr", "vswr", "return loss", "returnloss", "s11"), 10),
        **dict.fromkeys(("rho", "gamma", "pref", "prev", "pr", "vref", "vr", "rev", "ref", "rl"), 8),
        **dict.fromkeys(("ret", "r", "rück", "rueck"), 3),
    },
    "set_power": dict.fromkeys(
        ("set power", "set pwr", "setpoint", "nominal power", "target power", "sollleistung", "set"), 9
    ),
    "keyed": {
        **dict.fromkeys(("ptt", "keyed", "keying", "xmit", "transmitting", "on air", "onair"), 10),
        **dict.fromkeys(("key", "tx", "transmit", "keydown"), 7),
        **dict.fromkeys(("state", "on", "status"), 3),
    },
    "foldback": dict.fromkeys(("foldback", "fold back", "derated", "derate", "pwr red", "power reduced"), 10),
    "channel": {"channel": 10, "chan": 9, "kanal": 10, "ch": 6},
    "frequency": {**dict.fromkeys(("frequency", "freq", "qrg", "frequenz"), 10), "carrier": 6, "f": 3},
    "pa_temperature": dict.fromkeys(
        (
            *("pa temp", "pa temperature", "amp temp", "amp temperature", "heatsink", "heatsink temp"),
            *("heat sink", "final temp", "pa °", "endstufe", "pa t"),
        ),
        10,
    ),
    "ambient_temperature": dict.fromkeys(
        (
            *("ambient", "outside temp", "outside temperature", "outdoor", "air temp", "air temperature"),
            *("ext temp", "aussen", "außen", "out temp", "out °", "aussentemperatur", "außentemperatur"),
        ),
        10,
    ),
    "precipitation": dict.fromkeys(("rain", "precipitation", "precip", "regen", "niederschlag"), 10),
    "wind": {"wind": 10, "windspeed": 10},
    "sequence": {**dict.fromkeys(("sequence", "seq", "seqno"), 10), "counter": 5},
    "time": {
        **dict.fromkeys(("timestamp", "time", "datetime", "zeit", "stamp", "uhrzeit"), 10),
        **dict.fromkeys(("ts", "date", "when", "measured", "utc", "datum"), 8),
        **dict.fromkeys(("at", "t", "clock"), 5),
    },
    "site": {
        **dict.fromkeys(("site", "standort", "station"), 10),
        "location": 8,
        "mast": 6,
        "hill": 6,
        "where": 5,
    },
    "transmitter": {
        **dict.fromkeys(("transmitter", "sender", "repeater", "rpt"), 10),
        **dict.fromkeys(("tx", "radio"), 7),
        **dict.fromkeys(("unit", "device", "id"), 3),
    },
}
WORDS: Mapping[FieldName, tuple[tuple[frozenset[str], int], ...]] = {
    name: tuple((frozenset(words.split()), weight) for words, weight in said.items())
    for name, said in _SAID.items()
}

#: Names with one of these are about something else than the value now.
OTHER_WORDS = frozenset(
    [
        "max",
        "min",
        "avg",
        "mean",
        "peak",
        "limit",
        "threshold",
        "alarm",
        "warn",
        "total",
        "count",
        "type",
        "version",
    ]
)
OTHER_WEIGHT = -7

#: Words in names, and what stands beside values, for the unit.
UNIT_WORDS: Mapping[str, str] = {
    **{
        name.lower(): name
        for name in ("W", "mW", "kW", "dBm", "dBW", "dB", "V", "mV", "Hz", "kHz", "MHz", "GHz")
    },
    **dict.fromkeys(("watt", "watts"), "W"),
    **dict.fromkeys(("milliwatt", "milliwatts"), "mW"),
    **dict.fromkeys(("volt", "volts", "vf", "vr", "vfwd", "vref"), "V"),
    **dict.fromkeys(("millivolt", "millivolts"), "mV"),
    **dict.fromkeys(("adc", "count", "counts", "cnt", "raw"), "count"),
    **dict.fromkeys(("%", "pct", "percent", "prozent"), "%"),
    **dict.fromkeys(("c", "degc", "°c", "celsius"), "degC"),
    **dict.fromkeys(("degf", "°f", "fahrenheit"), "degF"),
    **dict.fromkeys(("degk", "kelvin", "k"), "degK"),
    **dict.fromkeys(("mmh", "mm/h", "mm"), "mm/h"),
    **dict.fromkeys(("inh", "in/h", "in", "inch", "inches"), "in/h"),
    **dict.fromkeys(("mps", "m/s", "ms"), "m/s"),
    **dict.fromkeys(("kmh", "km/h", "kph"), "km/h"),
    "mph": "mph",
    **dict.fromkeys(("kn", "kt", "kts", "knots"), "kn"),
    **dict.fromkeys(("swr", "vswr"), "SWR"),
    **dict.fromkeys(("rho", "gamma"), "rho"),
}
TEMPERATURE_FIELDS = ("pa_temperature", "ambient_temperature")

#: What is taken where nothing tells; a person has to look.
USUAL_UNITS: Mapping[str, str] = {
    "forward": "W",
    "reflected": "W",
    "set_power": "W",
    "pa_temperature": "degC",
    "ambient_temperature": "degC",
    "precipitation": "mm/h",
    "wind": "m/s",
}

PAIRS: tuple[tuple[object, object], ...] = (
    ("ON", "OFF"),
    ("TX", "RX"),
    ("TRUE", "FALSE"),
    ("YES", "NO"),
    ("KEYED", "IDLE"),
    ("UP", "DOWN"),
    ("1", "0"),
    (1, 0),
)

#: Units whose spelling has capitals in it; the rest of a name is taken apart at its capitals.
SPELT = re.compile(r"(dBm|dBW|dB|kHz|MHz|GHz|Hz|kW|mW|mV|°C|°F|%|degC|degF)(?![a-z])")
WORD = re.compile(r"[A-Z]+\d*(?![a-zäöü])|[A-ZÄÖÜ]?[a-zäöüß]+\d*|\d+|°C|°F|%")


def words_of(names: Iterable[str]) -> tuple[str, ...]:
    """The words of names such as `fwdPwr_dBm`, in lower case and in order."""
    found: list[str] = []
    for name in names:
        # A unit with capitals in it is one word.
        for at, piece in enumerate(SPELT.split(name)):
            found += [piece.lower()] if at % 2 else [word.lower() for word in WORD.findall(piece)]
    return tuple(found)
