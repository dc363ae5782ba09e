"""The single values of an example payload, each with its place: what a draft of a profile chooses from.

Nothing here knows what a value means. Three shapes of JSON are looked for: one report as an object, an array
of reports somewhere in it, and lists of named values (`[{"name": "fwd", "value": 1.2}, ...]`), which pointers
cannot take apart and JMESPath can.
"""

from __future__ import annotations

import csv
import json
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from standingwatch.readings.profile.sources import pointer_text

#: Values of one report that are looked at; a payload with more of them is no report.
MOST_LEAVES = 400

#: How deep values are looked for.
_DEEPEST = 8

_NAME_KEYS = ("name", "metric", "key", "tag", "id", "oid", "point", "label")
_VALUE_KEYS = ("value", "val", "v", "reading")
_UNIT_KEYS = ("unit", "units", "uom")

_SEPARATORS = (";", "\t", "|", ",")


@dataclass(frozen=True)
class Leaf:
    """A single value of an example payload.

    Attributes:
        words: names on the way to it, from the outside in; what it may mean stands in them.
        value: text, number, true, false or None.
        key: what a profile writes to reach it: `pointer`, `jmespath` or `column`.
        place: what stands behind that key.
        unit_text: a unit that the payload itself gives beside the value; "" for none.
        whole: it stands outside of the array of reports, once for all of them.
    """

    words: tuple[str, ...]
    value: str | float | bool | None
    key: str
    place: str | int
    unit_text: str = ""
    whole: bool = False


@dataclass(frozen=True)
class JsonExample:
    """An example in JSON.

    Attributes:
        reports: JSON pointer to the array of reports; "" where the payload is the report or the array.
        leaves: the values of the first report that is an object, and those around the array.
    """

    reports: str
    leaves: tuple[Leaf, ...]


@dataclass(frozen=True)
class CsvExample:
    """An example in lines.

    Attributes:
        separator: between columns.
        header: the first line that counts names the columns.
        skip_lines: lines before that, of remarks.
        decimal: "," where numbers are written so, else ".".
        leaves: the values of the first line of data.
    """

    separator: str
    header: bool
    skip_lines: int
    decimal: str
    leaves: tuple[Leaf, ...]


def json_value(payload: bytes) -> Any:
    """The JSON value of a payload.

    Raises:
        ValueError: where it is none.
    """
    try:
        return msgspec.json.decode(payload.removeprefix(b"\xef\xbb\xbf"))
    except (msgspec.DecodeError, RecursionError) as error:
        # UnicodeDecodeError is a ValueError already.
        raise ValueError(str(error)) from error


def json_example(payload: Any) -> JsonExample:
    """The values of an example, given as a JSON value."""
    if isinstance(payload, list):
        first = _first_object(payload)
        return JsonExample("", () if first is None else _leaves_of(first))
    array = _array_of_reports(payload)
    if array is None:
        return JsonExample("", _leaves_of(payload))
    tokens, reports = array
    first = _first_object(reports)
    inside = () if first is None else _leaves_of(first)
    outside = _leaves_of(payload, without=tokens, whole=True)
    return JsonExample(pointer_text(tokens), (inside + outside)[:MOST_LEAVES])


def _first_object(values: Sequence[Any]) -> Mapping[str, Any] | None:
    return next((one for one in values if isinstance(one, dict) and one), None)


def _array_of_reports(payload: Any) -> tuple[tuple[str, ...], list[Any]] | None:
    """The outermost array of objects that are reports, and the tokens that lead to it."""
    waiting: deque[tuple[tuple[str, ...], Any]] = deque([((), payload)])
    seen = 0
    while waiting and seen < MOST_LEAVES:
        tokens, value = waiting.popleft()
        seen += 1
        if isinstance(value, list):
            if value and all(isinstance(one, dict) for one in value) and _named_values(value) is None:
                return tokens, value
        elif isinstance(value, dict) and len(tokens) < _DEEPEST:
            waiting.extend(((*tokens, name), below) for name, below in value.items())
    return None


def _leaves_of(
    report: Any, *, without: tuple[str, ...] | None = None, whole: bool = False
) -> tuple[Leaf, ...]:
    """The values below an object, in its order; `without` is a way that is not gone."""
    found: list[Leaf] = []
    _gather(report, (), "", found, without, whole)
    return tuple(found[:MOST_LEAVES])


def _gather(
    value: Any,
    tokens: tuple[str, ...],
    unit_text: str,
    found: list[Leaf],
    without: tuple[str, ...] | None,
    whole: bool,
) -> None:
    if len(found) >= MOST_LEAVES or len(tokens) > _DEEPEST or (without is not None and tokens == without):
        return
    if isinstance(value, dict):
        beside = next((value[key] for key in _UNIT_KEYS if isinstance(value.get(key), str)), "")
        for name, below in value.items():
            unit = beside if name.lower() in _VALUE_KEYS else ""
            _gather(below, (*tokens, name), unit, found, without, whole)
    elif isinstance(value, list):
        named = _named_values(value)
        if named is not None:
            found += _leaves_of_named(value, named, tokens, whole)
            return
        for at, below in enumerate(value):
            _gather(below, (*tokens, str(at)), "", found, without, whole)
    elif tokens:
        found.append(Leaf(tokens, value, "pointer", pointer_text(tokens), unit_text, whole))


def _named_values(values: Sequence[Any]) -> tuple[str, str] | None:
    """The keys of name and value where an array holds named values of one report; None where it does not."""
    if len(values) < 2 or not all(isinstance(one, dict) for one in values):
        return None
    for name_key in _NAME_KEYS:
        names = [one.get(name_key) for one in values]
        if not all(isinstance(name, str) and name for name in names) or len(set(names)) != len(names):
            continue
        for value_key in _VALUE_KEYS:
            single = all(value_key in one and not isinstance(one[value_key], dict | list) for one in values)
            if value_key != name_key and single:
                return name_key, value_key
    return None


def _leaves_of_named(
    values: Sequence[Mapping[str, Any]], keys: tuple[str, str], tokens: tuple[str, ...], whole: bool
) -> list[Leaf]:
    name_key, value_key = keys
    way = "".join(f"{'.' if at else ''}{_identifier(token)}" for at, token in enumerate(tokens))
    # A raw string of JMESPath has no way to write these; such a value is left to a person.
    usable = [one for one in values if not set(one[name_key]) & set("'\\")]
    found = []
    for one in usable:
        unit = next((one[key] for key in _UNIT_KEYS if isinstance(one.get(key), str)), "")
        place = f"{way}[?{_identifier(name_key)}=='{one[name_key]}'].{_identifier(value_key)} | [0]"
        found.append(Leaf((*tokens, one[name_key]), one[value_key], "jmespath", place, unit, whole))
    return found


def _identifier(name: str) -> str:
    """A name in JMESPath: quoted as its grammar says unless it is a plain word."""
    if name.isascii() and name.isidentifier():
        return name
    return json.dumps(name)


def csv_example(payload: bytes) -> CsvExample:
    """The values of an example in lines.

    Raises:
        ValueError: where it holds no line of two columns or more.
    """
    lines = (
        payload.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").replace("\0", "\ufffd").splitlines()
    )
    skip = next((at for at, line in enumerate(lines) if line.strip() and line.lstrip()[0] not in "#!%"), None)
    if skip is None:
        raise ValueError("holds no line of data")
    body = lines[skip : skip + 3]
    # The comma comes last: where another one stands in every line, commas belong to numbers.
    separator = next((one for one in _SEPARATORS if all(one in line for line in body if line.strip())), ",")
    rows = list(csv.reader(body, delimiter=separator))
    if len(rows[0]) < 2:
        raise ValueError(f"holds no columns with any of {' '.join(map(repr, _SEPARATORS))} between them")
    header = len(rows) > 1 and not any(_is_number(cell) for cell in rows[0])
    names = [cell.strip() for cell in rows[0]] if header else []
    data = rows[1] if header else rows[0]
    decimal = "," if separator != "," and any(_is_number(c) and "," in c for c in data) else "."
    leaves = []
    for at, cell in enumerate(data[:MOST_LEAVES]):
        named = header and at < len(names) and bool(names[at]) and names.count(names[at]) == 1
        if header and not named:
            continue
        place: str | int = names[at] if named else at + 1
        value = number_of(cell, decimal)
        leaves.append(Leaf((str(place),), cell.strip() if value is None else value, "column", place))
    return CsvExample(separator, header, skip, decimal, tuple(leaves))


def _is_number(cell: str) -> bool:
    return number_of(cell, ",") is not None


def number_of(text: str, decimal: str = ".") -> float | None:
    """The number that a text is, with the decimal point it is written with; None where it is none."""
    plain = text.strip()
    if decimal == "," and plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    # float() takes more than devices write: underscores, "nan", "infinity".
    if not plain or not set(plain) <= set("+-0123456789.eE"):
        return None
    try:
        return float(plain)
    except ValueError:
        return None
