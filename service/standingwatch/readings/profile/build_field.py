"""One field of a profile, from the table that an engineer writes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

from standingwatch.readings.profile import values
from standingwatch.readings.profile.checking import Table, did_you_mean
from standingwatch.readings.profile.model import QUANTITIES, STATES, Field, FieldName, Format, Source
from standingwatch.readings.profile.moments import check_pattern, time_reader, zone_of
from standingwatch.readings.profile.quantities import FIELD_KINDS, UNITS
from standingwatch.readings.profile.sources import (
    column_source,
    jmespath_source,
    metric_source,
    part_source,
    payload_source,
    pointer_source,
)
from standingwatch.readings.profile.values import keys_of

#: Keys that say where a raw value stands, by the format of the payload.
SOURCE_KEYS: dict[Format, tuple[str, ...]] = {
    "json": ("pointer", "jmespath", "part"),
    "csv": ("column", "part"),
    "number": ("pointer", "jmespath", "part"),
    "sparkplug": ("metric", "part"),
}
#: All of these: an override that has one of them replaces any other.
ALL_SOURCE_KEYS = ("pointer", "jmespath", "column", "metric", "part")


class Setting(NamedTuple):
    """What stands around a field.

    Attributes:
        format: of the payload.
        parts: named levels of the topic.
        decimal: what stands for the decimal point in texts.
        default: where the value stands when the field does not say; None where it has to.
        numbered: whether columns can be told by their number.
        named: names of columns that the profile gives; () where the first line does.
    """

    format: Format
    parts: tuple[str, ...]
    decimal: str
    default: Source | None
    numbered: bool
    named: tuple[str, ...]


def build_field(name: FieldName, table: Table, setting: Setting) -> Field | None:
    """The field of a table; None where it cannot be used, and then there is a problem."""
    before = len(table.problems)
    source = _source(name, table, setting)
    missing = table.scalars("missing")
    field = Field(name, source or payload_source(), missing=missing, decimal=setting.decimal)
    if name == "time":
        field = _time(table, field)
    elif name in QUANTITIES:
        field = _quantity(table, field)
    elif name in STATES:
        field = _state(table, field)
    elif name == "sequence":
        field = replace(field, convert=values.sequence(name, missing))
    else:
        field = replace(field, convert=values.text(name, missing))
    table.finish()
    return field if source is not None and len(table.problems) == before else None


def _source(name: FieldName, table: Table, setting: Setting) -> Source | None:
    keys = SOURCE_KEYS[setting.format]
    given = [key for key in ALL_SOURCE_KEYS if key in table]
    for key in given:
        if key not in keys:
            table.take(key)
            table.wrong(
                key, f"one of {', '.join(keys)}", f'{key} does not go with format = "{setting.format}"'
            )
    usable = [key for key in given if key in keys]
    whole = table.choice("in", ("report", "payload"), "report") == "payload"
    if whole and usable and usable[0] not in ("pointer", "jmespath"):
        table.wrong("in", "pointer or jmespath beside it", "take it away")
    if len(usable) > 1:
        for key in usable:
            table.take(key)
        table.wrong(usable[1], f"one of {', '.join(keys)}", f"{usable[0]} is there as well: take one away")
        return None
    if not usable:
        if setting.default is None and not given:
            table.wrong("", f"one of {', '.join(keys)}", f"say where {name} stands", got="no place")
        return setting.default
    key = usable[0]
    return _made(name, key, table, setting, whole)


def _made(name: FieldName, key: str, table: Table, setting: Setting, whole: bool) -> Source | None:
    given = table.take(key)
    several = name == "time" and key in ("pointer", "column") and isinstance(given, list) and len(given) > 1
    items: tuple[Any, ...] = tuple(given) if several else (given,)
    if key == "column":
        return _column(items, table, setting)
    if not all(isinstance(item, str) for item in items):
        table.wrong(key, "a text", "put it in quotes")
        return None
    if key == "part":
        if items[0] not in setting.parts:
            known = ", ".join(setting.parts) or "none so far"
            table.wrong(key, f"a part of `topic`: {known}", did_you_mean(items[0], setting.parts))
            return None
        return part_source(items)
    if key == "metric":
        if not items[0]:
            table.wrong(key, "the name of a metric")
            return None
        return metric_source(items)
    try:
        return pointer_source(items, whole) if key == "pointer" else jmespath_source(items[0], whole)
    except ValueError as error:
        table.wrong(key, str(error))
        return None


def _column(items: tuple[Any, ...], table: Table, setting: Setting) -> Source | None:
    for item in items:
        if isinstance(item, int) and not isinstance(item, bool) and 1 <= item <= 10_000:
            if not setting.named or item <= len(setting.named):
                continue
            table.wrong("column", f"a number from 1 to {len(setting.named)}, as `columns` has")
            return None
        if not isinstance(item, str) or not item:
            table.wrong("column", "the name of a column, or its number from 1")
            return None
        if setting.named and item not in setting.named:
            table.wrong("column", f"one of {', '.join(setting.named)}", did_you_mean(item, setting.named))
            return None
        if setting.numbered:
            table.wrong(
                "column", "a number from 1", "the lines have no names: give `columns`, or header = true"
            )
            return None
    return column_source(items)


def _time(table: Table, field: Field) -> Field:
    form = table.text("form", "a form", "rfc3339")
    zone = table.text("zone", "the name of a time zone")
    if form not in ("rfc3339", "unix_s", "unix_ms", "unix_us"):
        form = _checked(table, "form", form, check_pattern, "rfc3339")
    elif zone and form != "rfc3339":
        table.wrong("zone", "nothing beside a number", "a number counts from 1970 UTC: take it away")
    if zone:
        zone = _checked(table, "zone", zone, zone_of, "")
    convert = values.moment(time_reader(form, zone), field.missing)
    return replace(field, form=form, zone=zone, convert=convert)


def _checked(table: Table, key: str, text: str, check: Callable[[str], object], otherwise: str) -> str:
    try:
        check(text)
    except ValueError as error:
        table.wrong(key, str(error))
        return otherwise
    return text


def _quantity(table: Table, field: Field) -> Field:
    unit = _unit(field.name, table, "unit", with_detectors=True)
    scale, offset = table.number("scale", 1.0), table.number("offset", 0.0)
    if scale == 0.0:
        table.wrong("scale", "a number that is not 0")
    points = _points(table)
    table_unit = ""
    if "table_unit" in table or points:
        table_unit = _unit(field.name, table, "table_unit", with_detectors=False)
        if "table" not in table:
            table.wrong("table", "points [detector, quantity] that go with `table_unit`", "give table")
    is_detector = bool(unit) and UNITS[unit].kind == "detector"
    if is_detector and "table" not in table:
        table.wrong(
            "unit",
            "`table` and `table_unit` beside it",
            f"{unit} is no {field.name} yet; or give scale and offset with the unit of the result",
        )
    elif points and unit and not is_detector:
        table.wrong("unit", "V, mV or count beside `table`", "the first column of the table is a detector's")
    table.take("table")
    last = table_unit or unit
    if not last or (is_detector and not points):
        return field
    to_base = UNITS[last].kind == "power" or field.name != "reflected"
    convert = values.quantity(
        field.name,
        unit,
        scale=scale,
        offset=offset,
        table=points,
        table_unit=table_unit,
        missing=field.missing,
        decimal=field.decimal,
        to_base_unit=to_base,
    )
    return replace(
        field, unit=unit, scale=scale, offset=offset, table=points, table_unit=table_unit, convert=convert
    )


def _unit(name: FieldName, table: Table, key: str, *, with_detectors: bool) -> str:
    kinds = FIELD_KINDS[name] | ({"detector"} if with_detectors else frozenset())
    known = [unit.name for unit in UNITS.values() if unit.kind in kinds]
    return table.choice(key, known, required=True)


def _points(table: Table) -> tuple[tuple[float, float], ...]:
    given = table.take("table")
    if given is None:
        return ()
    wanted = "two or more points [detector, quantity] of finite numbers, no two with one detector value"
    try:
        points = sorted((_finite(x), _finite(y)) for x, y in given)
    except (TypeError, ValueError, OverflowError):
        table.wrong("table", wanted)
        return ()
    if len({x for x, _ in points}) != len(points) or not 2 <= len(points) <= 10_000:
        table.wrong("table", wanted)
        return ()
    return tuple(points)


def _finite(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value - value != 0:
        raise ValueError("not a finite number")
    return float(value)


def _state(table: Table, field: Field) -> Field:
    true, false = table.scalars("true", (True, 1)), table.scalars("false", (False, 0))
    if both := keys_of(true) & keys_of(false):
        shown = ", ".join(str(key[1]) for key in sorted(both, key=str))
        table.wrong("true", "values that are not in `false` as well", f"{shown} is in both")
    convert = values.state(field.name, true, false, field.missing)
    return replace(field, true=true, false=false, convert=convert)
