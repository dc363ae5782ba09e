"""The columns of the inventory: name, what may stand in a cell, unit, meaning; and reading one cell."""

from __future__ import annotations

import difflib
import json
import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

#: Longest name of a site or transmitter; both become levels of MQTT topics.
LONGEST_NAME = 100

_LONGEST_SHOWN = 60
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_NUMBER_AND_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*([^\d\s.,]+\S*)", re.ASCII)

#: Other units that people write, by the unit of the column: factors to it. Foot and yard are the
#: international ones (NIST SP 811, B.8).
_FACTORS = {
    "W": {"mw": 1e-3, "kw": 1e3},
    "m": {"ft": 0.3048, "feet": 0.3048, "'": 0.3048, "km": 1e3, "cm": 1e-2, "yd": 0.9144},
    "MHz": {"hz": 1e-6, "khz": 1e-3, "ghz": 1e3},
    "s": {"ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86_400.0},
}


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes:
        name: heading.
        kind: "name" (a level of an MQTT topic), "text", "number" or "word" (one of `words`).
        description: what it means.
        required: whether each row needs it.
        unit: unit of a number; "" for none.
        low, high: range of a number, ends included.
        above_low: whether `low` itself is left out.
        words: the words a "word" may be.
    """

    name: str
    kind: Literal["name", "text", "number", "word"]
    description: str
    required: bool = False
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    above_low: bool = False
    words: tuple[str, ...] = ()

    @property
    def wanted(self) -> str:
        """What may stand in a cell, in words."""
        match self.kind:
            case "name":
                return f"a name of 1 to {LONGEST_NAME} characters without / + #, not beginning with $"
            case "text":
                return "text without control characters"
            case "word":
                return "one of " + ", ".join(self.words)
            case "number":
                low = f"above {self.low:g}" if self.above_low else f"from {self.low:g}"
                unit = f" [{self.unit}]" if self.unit else ""
                return f"a number {low} to {self.high:g}{unit}"


def _number(
    name: str, unit: str, low: float, high: float, description: str, above_low: bool = False
) -> Column:
    return Column(name, "number", description, unit=unit, low=low, high=high, above_low=above_low)


_SWR_HIGH = 1000.0

#: Every column in the order they are written in.
COLUMNS = (
    Column("site", "name", "name of the site, as in the topics of its reports", required=True),
    Column("transmitter", "name", "name of the transmitter, unique within its site", required=True),
    Column(
        "frequency_mhz", "number", "carrier frequency", required=True, unit="MHz", low=0.1, high=100_000.0
    ),
    Column("site_name", "text", "name of the site for people"),
    Column("region", "text", "region; sites of one region share their weather"),
    _number("latitude", "deg", -90.0, 90.0, "latitude, north positive"),
    _number("longitude", "deg", -180.0, 180.0, "longitude, east positive"),
    Column("antenna_line", "text", "antenna system; transmitters of a site that share it share its name"),
    _number("rated_power_w", "W", 0.0, 1e7, "rated forward power", above_low=True),
    Column("feeder_type", "text", "kind of feeder"),
    _number("feeder_length_m", "m", 0.0, 10_000.0, "length of the feeder"),
    _number("feeder_loss_db", "dB", 0.0, 100.0, "one-way matched loss; wins over type and length"),
    _number("feeder_power_rating_w", "W", 0.0, 1e7, "power the feeder stands", above_low=True),
    _number("coupler_directivity_db", "dB", 0.0, 80.0, "directivity of the coupler", above_low=True),
    Column(
        "coupler_place", "word", "where the coupler sits", words=("transmitter", "behind-combiner", "antenna")
    ),
    Column(
        "matching_unit", "word", "where a matching unit sits", words=("none", "transmitter", "feed-point")
    ),
    Column(
        "pa_protection", "word", "what the amplifier does at high SWR", words=("foldback", "shutdown", "none")
    ),
    _number("min_forward_w", "W", 0.0, 1e6, "power below which a reading says nothing", above_low=True),
    _number("foldback_swr", "", 1.0, _SWR_HIGH, "SWR at which the protection starts", above_low=True),
    _number("tolerance_swr", "", 1.0, _SWR_HIGH, "highest SWR the transmitter stands", above_low=True),
    Column("profile", "text", "payload profile its reports are read with"),
    _number(
        "commissioned_return_loss_db",
        "dB",
        0.0,
        80.0,
        "return loss at the coupler when the line was commissioned, in place of a learned baseline",
        above_low=True,
    ),
    _number("expected_interval_s", "s", 0.0, 604_800.0, "time between two reports", above_low=True),
)

COLUMN_BY_NAME = {column.name: column for column in COLUMNS}


@dataclass(frozen=True)
class BadCell:
    """Why a cell cannot be used, and how to mend it."""

    got: str
    wanted: str
    mend: str = ""


def read_cell(column: Column, cell: str) -> str | float | BadCell | None:
    """Return what a cell holds: None when it is empty, a `BadCell` when it cannot be used."""
    text = cell.strip()
    if not text:
        return BadCell("nothing", column.wanted, "every row needs it") if column.required else None
    match column.kind:
        case "number":
            return _read_number(column, text)
        case "word":
            return _read_word(column, text)
        case "name" | "text":
            return _read_text(column, text)


def shown(text: str) -> str:
    """Return a cell's text for a message: quoted, cut when long."""
    return json.dumps(
        text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "...", ensure_ascii=False
    )


def nearest(word: str, words: tuple[str, ...]) -> str:
    """Return "did you mean ...?" or ""."""
    near = difflib.get_close_matches(word.casefold(), words, n=1)
    return f"did you mean {near[0]}?" if near else ""


def _read_number(column: Column, text: str) -> float | BadCell:
    if not _NUMBER.fullmatch(text):
        mend = ""
        if _DECIMAL_COMMA.fullmatch(text):
            mend = f"a decimal comma? write {text.replace(',', '.')}; thousands are not separated"
        elif with_unit := _NUMBER_AND_UNIT.fullmatch(text):
            mend = _without_unit(column, float(with_unit[1]), with_unit[1], with_unit[2])
        return BadCell(shown(text), column.wanted, mend or "leave the cell empty if it is not known")
    number = float(text)
    inside = column.low <= number <= column.high and not (column.above_low and number == column.low)
    return number if inside else BadCell(text, column.wanted, _other_unit(column, number))


def _without_unit(column: Column, number: float, digits: str, unit: str) -> str:
    """Return how to write a number that came with a unit: in the unit of the column."""
    if not column.unit:
        return f"write the number alone: {digits}"
    if unit.casefold() == column.unit.casefold():
        return f"write the number alone; the unit is {column.unit}: {digits}"
    if column.unit == "W" and unit.casefold() in ("dbm", "dbw") and abs(number) < 200:
        watts = 10 ** (number / 10) * (1e-3 if unit.casefold() == "dbm" else 1.0)
        return f"write watts, without the unit: {digits} {unit} are {watts:.4g}"
    factor = _FACTORS.get(column.unit, {}).get(unit.casefold())
    # MW is no mW; where it is meant, nobody has to be told how many watts it is.
    if factor is not None and unit != "MW":
        return f"the unit is {column.unit}; without it write {number * factor:.6g}"
    return f"the unit is {column.unit}: convert it, and write the number alone"


def _other_unit(column: Column, number: float) -> str:
    """Return what a number that cannot be may be meant as, "" for nothing that is known."""
    if column.unit == "MHz" and number > column.high:
        as_hz, as_khz = number / 1e6, number / 1e3
        unit, value = ("Hz", as_hz) if number >= 1e6 else ("kHz", as_khz)
        return f"is that in {unit}? The unit is MHz: write {value:.9g}"
    return ""


def _read_word(column: Column, text: str) -> str | BadCell:
    if text in column.words:
        return text
    return BadCell(shown(text), column.wanted, nearest(text, column.words))


def _read_text(column: Column, text: str) -> str | BadCell:
    # Control characters and surrogates may not stand in MQTT text (MQTT 5.0, 1.5.4).
    if bad := next((c for c in text if unicodedata.category(c) in ("Cc", "Cs")), None):
        return BadCell(f"the control character U+{ord(bad):04X}", column.wanted, "take it away")
    if column.kind == "name":
        # MQTT 5.0, 4.7.1: / parts levels, + and # are wildcards; 4.7.2: $ begins the broker's own topics.
        bad = next((c for c in text if c in "/+#"), None)
        if bad or text.startswith("$"):
            return BadCell(
                shown(text), column.wanted, f"take away {bad or '$'}: the name becomes part of a topic"
            )
        if len(text) > LONGEST_NAME:
            return BadCell(f"{len(text)} characters", column.wanted, "shorten it")
    return text
