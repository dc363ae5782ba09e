"""Reads and checks a column map (`readings.table_map` says what stands in one)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

from standingwatch.readings.profile.model import QUANTITIES, STATES, TIME_FORMS
from standingwatch.readings.profile.quantities import FIELD_KINDS, UNITS, to_base
from standingwatch.readings.table_map import (
    FALSE_WORDS,
    FIELDS,
    PART,
    TRUE_WORDS,
    CsvMap,
    FieldMap,
    TableMap,
    zone_of,
)

_CONSTANTS = ("site", "transmitter", "channel", "frequency_mhz", "set_power_w", "keyed")


class MapProblem(NamedTuple):
    """What is wrong with one key of a map."""

    key: tuple[str, ...]
    got: str
    wanted: str
    mend: str = ""


def build_table_map(data: Mapping[str, Any]) -> tuple[TableMap | None, list[MapProblem]]:
    """A map from the content of its TOML file.

    Args:
        data: as `tomllib` gives it.

    Returns:
        The map, or None where there are problems; and all of them.
    """
    reader = _Reader()
    return reader.read(data), reader.problems


class _Reader:
    """Reads a map, and notes everything that is wrong with it."""

    def __init__(self) -> None:
        self.problems: list[MapProblem] = []

    def read(self, data: Mapping[str, Any]) -> TableMap | None:
        self._known((), data, ("file", "csv", "fields", "constants", "sites", "transmitters"))
        file = self._text(("file",), data.get("file", ""))
        parts = PART.findall(file)
        if file and (not parts or file.count("{") != len(parts) or len(set(parts)) < len(parts)):
            self._wrong(("file",), file, "a pattern such as {site}/{transmitter}.csv")
            file = ""
        given_fields = self._table(("fields",), data.get("fields", {}))
        fields = {
            name: one for name, given in given_fields.items() if (one := self._field(name, given)) is not None
        }
        constants = self._constants(self._table(("constants",), data.get("constants", {})))
        made = TableMap(
            fields,
            self._csv(self._table(("csv",), data.get("csv", {}))),
            file,
            constants,
            self._names("sites", data.get("sites", {})),
            self._names("transmitters", data.get("transmitters", {})),
        )
        for name in ("time", "forward", "reflected"):
            if name not in given_fields:
                self._wrong(("fields", name), "nothing", "the column it stands in", "every reading has it")
        for name in ("site", "transmitter"):
            if sum((name in given_fields, name in constants, f"{{{name}}}" in file)) > 1:
                where = f"fields.{name}, constants.{name} or the pattern `file`"
                self._wrong(("fields", name), "more than one source", f"one of {where}")
        return None if self.problems else made

    def _field(self, name: str, given: Any) -> FieldMap | None:
        key = ("fields", name)
        if name not in FIELDS:
            self._wrong(key, name, f"one of {', '.join(FIELDS)}")
            return None
        table = self._table(key, given)
        keys = ["column", "missing"]
        if name in QUANTITIES:
            keys += ["unit", "scale", "offset", "table", "table_unit"]
        keys += ["true", "false"] if name in STATES else []
        keys += ["form", "zone"] if name == "time" else []
        self._known(key, table, keys)
        column = table.get("column")
        if isinstance(column, int) and not isinstance(column, bool):
            column = str(column)
        if not isinstance(column, str) or not column:
            self._wrong((*key, "column"), _shown(column), "the name of a column")
            column = ""
        unit, points, table_unit = self._quantity(key, name, table)
        return FieldMap(
            column,
            unit,
            self._number((*key, "scale"), table.get("scale", 1.0)),
            self._number((*key, "offset"), table.get("offset", 0.0)),
            points,
            table_unit,
            self._missing((*key, "missing"), table.get("missing", [])),
            self._words((*key, "true"), table.get("true"), TRUE_WORDS),
            self._words((*key, "false"), table.get("false"), FALSE_WORDS),
            *self._time(key, table),
        )

    def _quantity(
        self, key: tuple[str, ...], name: str, table: Mapping[str, Any]
    ) -> tuple[str, tuple[tuple[float, float], ...], str]:
        """Unit, calibration and its unit."""
        if name not in QUANTITIES:
            return "", (), ""
        kinds = FIELD_KINDS[name]
        fitting = [unit.name for unit in UNITS.values() if unit.kind in kinds]
        unit = table.get("unit", "W" if name == "forward" else None)
        if not isinstance(unit, str) or unit not in UNITS:
            self._wrong((*key, "unit"), _shown(unit), f"one of {', '.join(UNITS)}")
            return "", (), ""
        known = len(self.problems)
        points = self._points((*key, "table"), table.get("table"))
        if len(self.problems) > known:
            return unit, (), ""
        table_unit = table.get("table_unit", "")
        last, where = (table_unit, "table_unit") if points else (unit, "unit")
        if last not in fitting:
            mend = "" if points or UNITS[unit].kind != "detector" else "volts and counts need a table"
            self._wrong((*key, where), _shown(last), f"one of {', '.join(fitting)}", mend)
        elif points:
            for _, value in points:
                try:
                    to_base(value, last)
                except ValueError as error:
                    self._wrong((*key, "table"), f"a point that {error}", "points of the calibration")
        return unit, points, table_unit if points else ""

    def _points(self, key: tuple[str, ...], given: Any) -> tuple[tuple[float, float], ...]:
        if given is None:
            return ()
        wanted = "at least two points [detector, value], the first of each rising"
        try:
            points = tuple((_finite(x), _finite(y)) for x, y in given)
        except (TypeError, ValueError):
            self._wrong(key, _shown(given), wanted)
            return ()
        if len(points) < 2 or any(b[0] <= a[0] for a, b in pairwise(points)):
            self._wrong(key, _shown(given), wanted)
            return ()
        return points

    def _time(self, key: tuple[str, ...], table: Mapping[str, Any]) -> tuple[str, str]:
        form, zone = table.get("form", "rfc3339"), table.get("zone", "")
        if not isinstance(form, str) or (form not in TIME_FORMS and "%" not in form):
            wanted = f"{', '.join(TIME_FORMS)} or a pattern such as %d.%m.%Y %H:%M"
            self._wrong((*key, "form"), _shown(form), wanted)
            form = "rfc3339"
        if "%" in form and "%z" not in form and not zone:
            wanted = "a zone such as Europe/Berlin or +01:00"
            self._wrong(
                (*key, "zone"), "nothing", wanted, "the pattern has no %z, and zones are never guessed"
            )
        if not isinstance(zone, str):
            self._wrong((*key, "zone"), _shown(zone), "a zone such as Europe/Berlin or +01:00")
            zone = ""
        if zone:
            try:
                zone_of(zone)
            except ValueError:
                self._wrong((*key, "zone"), _shown(zone), "a zone such as Europe/Berlin or +01:00")
        return form, zone

    def _csv(self, table: Mapping[str, Any]) -> CsvMap:
        self._known(("csv",), table, ("separator", "decimal", "encoding", "skip_lines", "columns"))
        separator, decimal = table.get("separator", ","), table.get("decimal", ".")
        for name, value in (("separator", separator), ("decimal", decimal)):
            if not isinstance(value, str) or len(value.encode()) != 1:
                self._wrong(("csv", name), _shown(value), "one character")
        if decimal == separator:
            self._wrong(("csv", "decimal"), _shown(decimal), "another character than the separator")
        encoding = self._text(("csv", "encoding"), table.get("encoding", "utf-8"))
        try:
            "".encode(encoding)
        except (LookupError, ValueError):
            self._wrong(("csv", "encoding"), _shown(encoding), "an encoding such as utf-8 or latin-1")
        skip = table.get("skip_lines", 0)
        if not isinstance(skip, int) or isinstance(skip, bool) or skip < 0:
            self._wrong(("csv", "skip_lines"), _shown(skip), "a number of lines, 0 or more")
            skip = 0
        columns = table.get("columns", [])
        if not isinstance(columns, list) or not all(isinstance(c, str) and c for c in columns):
            self._wrong(("csv", "columns"), _shown(columns), "a list of names")
            columns = []
        if len(set(columns)) < len(columns):
            self._wrong(("csv", "columns"), _shown(columns), "names that differ")
        return CsvMap(str(separator), str(decimal), encoding, skip, tuple(columns))

    def _constants(self, table: Mapping[str, Any]) -> dict[str, Any]:
        self._known(("constants",), table, _CONSTANTS)
        for name, value in table.items():
            key = ("constants", name)
            if name in ("site", "transmitter", "channel"):
                if not isinstance(value, str) or not value:
                    self._wrong(key, _shown(value), "a name")
            elif name == "keyed":
                if not isinstance(value, bool):
                    self._wrong(key, _shown(value), "true or false")
            elif name in _CONSTANTS and not self._number(key, value) > 0:
                self._wrong(key, _shown(value), "a number above 0")
        return dict(table)

    def _names(self, name: str, given: Any) -> dict[str, str]:
        table = self._table((name,), given)
        for theirs, ours in table.items():
            if not isinstance(ours, str) or not ours:
                self._wrong((name, theirs), _shown(ours), "a name of the site list")
        return {theirs: str(ours) for theirs, ours in table.items()}

    def _missing(self, key: tuple[str, ...], given: Any) -> tuple[str | float, ...]:
        if not isinstance(given, list) or not all(isinstance(v, str | int | float) for v in given):
            self._wrong(key, _shown(given), "a list of texts and numbers")
            return ()
        return tuple(v if isinstance(v, str) else float(v) for v in given)

    def _words(self, key: tuple[str, ...], given: Any, default: tuple[str, ...]) -> tuple[str, ...]:
        if given is None:
            return default
        if not isinstance(given, list) or not given:
            self._wrong(key, _shown(given), "a list of values")
            return default
        return tuple(str(value).strip().lower() for value in given)

    def _number(self, key: tuple[str, ...], given: Any) -> float:
        try:
            return _finite(given)
        except (TypeError, ValueError):
            self._wrong(key, _shown(given), "a number")
            return 1.0

    def _text(self, key: tuple[str, ...], given: Any) -> str:
        if isinstance(given, str):
            return given
        self._wrong(key, _shown(given), "a text")
        return ""

    def _table(self, key: tuple[str, ...], given: Any) -> Mapping[str, Any]:
        if isinstance(given, Mapping):
            return given
        self._wrong(key, _shown(given), "a table")
        return {}

    def _known(self, key: tuple[str, ...], table: Mapping[str, Any], names: Sequence[str]) -> None:
        for name in table:
            if name not in names:
                self._wrong((*key, name), name, f"one of {', '.join(names)}")

    def _wrong(self, key: tuple[str, ...], got: str, wanted: str, mend: str = "") -> None:
        problem = MapProblem(key, got, wanted, mend)
        if problem not in self.problems:
            self.problems.append(problem)


def _finite(value: Any) -> float:
    """A finite number; raises TypeError or ValueError otherwise."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("not a number")
    try:
        number = float(value)
    except OverflowError as error:
        raise ValueError("too large") from error
    if not math.isfinite(number):
        raise ValueError("not finite")
    return number


def _shown(value: Any) -> str:
    """A value as a message shows it."""
    if value is None:
        return "nothing"
    text = ascii(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
