"""The column map: how the columns of somebody else's table become fields of readings.

A TOML file in the words of a payload profile, for CSV and Parquet files of history:

    file = "{site}/{transmitter}.csv"      # optional: names that stand in the end of the path

    [csv]                                  # optional; not looked at for Parquet
    separator = ";"
    decimal = ","
    encoding = "utf-8"
    skip_lines = 0                         # lines before the first one that counts
    columns = ["t", "fwd", "rfl"]          # for a file whose first line is not a heading

    [fields.time]
    column = "t"
    form = "rfc3339"                       # rfc3339, unix_s, unix_ms, unix_us, or a strptime pattern
    zone = "Europe/Berlin"                 # for texts without an offset; without it they are refused

    [fields.forward]
    column = "fwd"
    unit = "dBm"                           # `readings.profile.quantities` has the units
    scale = 0.1                            # value = raw * scale + offset, then table, then unit
    offset = 0
    table = [[0.0, 0.0], [0.5, 1.0]]       # a detector's calibration, to `table_unit`
    table_unit = "W"
    missing = [-999, "n/a"]                # what says that there is no value

    [fields.keyed]
    column = "ptt"
    true = ["ON"]
    false = ["OFF"]

    [constants]                            # for all rows: site, transmitter, channel, frequency_mhz,
    site = "hill-03"                       # set_power_w, keyed
    [sites]                                # their names to those of the site list
    "0017" = "hill-03"
    [transmitters]                         # "theirs" = "ours", or "oursite/theirs" = "ours"
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

from standingwatch.readings.profile import moments
from standingwatch.readings.profile.model import QUANTITIES, STATES

TEXT_FIELDS = ("site", "transmitter", "channel")
FIELDS = ("time", *QUANTITIES, *STATES, *TEXT_FIELDS, "sequence")

#: Columns of a table that speaks as our own reports do: field and unit by the column's name.
OWN_COLUMNS: Mapping[str, tuple[str, str]] = {
    "forward_w": ("forward", "W"),
    "forward_dbm": ("forward", "dBm"),
    "reflected_w": ("reflected", "W"),
    "reflected_dbm": ("reflected", "dBm"),
    "swr": ("reflected", "SWR"),
    "return_loss_db": ("reflected", "dB"),
    "set_power_w": ("set_power", "W"),
    "frequency_mhz": ("frequency", "MHz"),
    "pa_temperature_c": ("pa_temperature", "degC"),
    "ambient_temperature_c": ("ambient_temperature", "degC"),
    "precipitation": ("precipitation", "mm/h"),
    "wind_mps": ("wind", "m/s"),
}

TRUE_WORDS, FALSE_WORDS = ("true", "1", "yes", "1.0"), ("false", "0", "no", "0.0")
PART = re.compile(r"\{(site|transmitter)\}")


@dataclass(frozen=True)
class FieldMap:
    """Where a field comes from.

    Attributes:
        column: name of the column.
        unit: unit of the value after scale and offset; "" for what is no quantity.
        scale, offset: value = raw * scale + offset.
        table: points of a detector's calibration; empty for none.
        table_unit: unit of what the table gives.
        missing: texts and numbers that say that there is no value.
        true, false: words of a truth value, in lower case.
        form, zone: of the time: how it is written, and the zone of texts without an offset ("" for none).
    """

    column: str
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    table: tuple[tuple[float, float], ...] = ()
    table_unit: str = ""
    missing: tuple[str | float, ...] = ()
    true: tuple[str, ...] = TRUE_WORDS
    false: tuple[str, ...] = FALSE_WORDS
    form: str = "rfc3339"
    zone: str = ""


@dataclass(frozen=True)
class CsvMap:
    """How a CSV file is written; `columns` names its columns where its first line does not."""

    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    skip_lines: int = 0
    columns: tuple[str, ...] = ()


@dataclass(frozen=True)
class TableMap:
    """A whole map.

    Attributes:
        fields: where each field comes from.
        csv: how CSV files are written.
        file: pattern of the end of a path that gives site or transmitter; "" for none.
        constants: what holds for all rows, by the names that the module's text lists.
        sites, transmitters: their names to those of the site list.
    """

    fields: Mapping[str, FieldMap]
    csv: CsvMap = field(default_factory=CsvMap)
    file: str = ""
    constants: Mapping[str, Any] = field(default_factory=dict)
    sites: Mapping[str, str] = field(default_factory=dict)
    transmitters: Mapping[str, str] = field(default_factory=dict)

    def names_in(self, path: str) -> dict[str, str] | None:
        """Site and transmitter as the end of a path (with /) tells them; None where it does not fit."""
        if not self.file:
            return {}
        pattern = "".join(
            f"(?P<{part}>[^/]+?)" if number % 2 else re.escape(part)
            for number, part in enumerate(PART.split(self.file))
        )
        match = re.search(f"(?:^|/){pattern}$", path)
        return None if match is None else match.groupdict()


def map_of_heading(heading: Sequence[str]) -> TableMap:
    """The map of a table whose columns have the names of our own reports; others are not looked at."""
    fields: dict[str, FieldMap] = {}
    for name in heading:
        own, unit = OWN_COLUMNS.get(name, ("", ""))
        if own and own not in fields:
            fields[own] = FieldMap(name, unit)
        elif name in ("time", "sequence", *STATES, *TEXT_FIELDS):
            fields[name] = FieldMap(name)
    return TableMap(fields)


def zone_of(name: str) -> tzinfo:
    """A zone as profiles name it (`profile.moments.zone_of`).

    Raises:
        ValueError: there is none of that name; the text is the rest of a sentence.
    """
    try:
        return moments.zone_of(name)
    except ValueError as error:
        raise ValueError(f"is {name!r}, which is no zone; wanted {error}") from error
