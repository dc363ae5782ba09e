"""A payload taken apart into records, a report each, before any field is read."""

from __future__ import annotations

import csv
import difflib
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import msgspec

from standingwatch.readings.decode import MAX_OBJECTS, MAX_PAYLOAD_BYTES
from standingwatch.readings.profile.model import ABSENT, Profile, Record, UnusableError
from standingwatch.readings.times import shown

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_JSON = msgspec.json.Decoder()

#: Columns without which no line of a CSV payload can be read.
_NEEDED = ("forward", "reflected", "time", "site", "transmitter")


class Opened(NamedTuple):
    """The records of a payload.

    Attributes:
        records: in its order; in the place of one that cannot be told, why not.
        alone: gives one of them, by its position, as a payload of its own; None where the payload is that, or
            where no such payload can be made.
    """

    records: list[Record | UnusableError]
    alone: Callable[[int], bytes] | None = None


def open_payload(profile: Profile, parts: Mapping[str, str], payload: bytes) -> Opened:
    """The records of a payload that came on a topic with some parts.

    Raises
    ------
    UnusableError
        If nothing of the payload can be used: `too-large`, `not-json`, `too-deep`, `not-csv`,
        `not-a-number`, `not-an-object`, `no-power` where the place of the reports holds nothing.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise UnusableError(
            "too-large", f"payload has {len(payload)} bytes, wanted at most {MAX_PAYLOAD_BYTES}; send several"
        )
    if profile.format == "json":
        return _open_json(profile, parts, payload)
    if profile.format == "csv":
        return _open_csv(profile, parts, payload)
    if profile.format == "number":
        return _open_number(profile, parts, payload)
    raise UnusableError(
        "unknown-topic", f"profile {profile.name} reads Sparkplug metrics, and no payloads of other topics"
    )


# JSON ---------------------------------------------------------------------------------------------------


def decode_json(payload: bytes) -> Any:
    """The JSON value of some bytes; a byte order mark in front is passed over (RFC 8259, 8.1, allows it).

    Raises
    ------
    UnusableError
        Reason `not-json` or `too-deep`.
    """
    try:
        return _JSON.decode(payload.removeprefix(_BYTE_ORDER_MARK))
    except RecursionError as error:
        raise UnusableError("too-deep", "values are nested too deep to read; correct the device") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        hint = "; JSON has no NaN: the device has to send null" if b"NaN" in payload else ""
        raise UnusableError("not-json", f"not valid JSON in UTF-8 ({error}){hint}") from error


def _open_json(profile: Profile, parts: Mapping[str, str], payload: bytes) -> Opened:
    value = decode_json(payload)
    found = profile.json.get(value)
    if type(found) is dict:
        return Opened([Record(found, value, parts)])
    if found is ABSENT or found is None:
        where = profile.json.expression or _pointer(profile)
        raise UnusableError("no-power", f"nothing stands where the reports should, at {where}")
    if type(found) is not list:
        raise UnusableError("not-an-object", f"a report is {shown(found)}, wanted an object")
    if len(found) > MAX_OBJECTS:
        raise UnusableError("too-large", f"more than {MAX_OBJECTS} reports in one payload; send several")
    records: list[Record | UnusableError] = [
        Record(report, value, parts)
        if isinstance(report, (dict, list))
        else UnusableError("not-an-object", f"a report is {shown(report)}, wanted an object")
        for report in found
    ]
    if len(found) < 2 or profile.json.expression:
        return Opened(records)
    tokens = profile.json.pointer
    return Opened(records, lambda at: msgspec.json.encode(_with(value, tokens, [found[at]])))


def _pointer(profile: Profile) -> str:
    return repr("".join(f"/{token}" for token in profile.json.pointer))


def _with(value: Any, tokens: tuple[str, ...], inner: Any) -> Any:
    """A JSON value with another one where a pointer leads; the rest is shared."""
    if not tokens:
        return inner
    if isinstance(value, list):
        at = int(tokens[0])
        return [*value[:at], _with(value[at], tokens[1:], inner), *value[at + 1 :]]
    return {**value, tokens[0]: _with(value[tokens[0]], tokens[1:], inner)}


# CSV ----------------------------------------------------------------------------------------------------


def _open_csv(profile: Profile, parts: Mapping[str, str], payload: bytes) -> Opened:
    try:
        text = payload.removeprefix(_BYTE_ORDER_MARK).decode()
    except UnicodeDecodeError as error:
        raise UnusableError("not-csv", f"not a text in UTF-8 ({error}); let the device send UTF-8") from error
    form = profile.csv
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    head, lines = lines[: form.skip_lines], [line for line in lines[form.skip_lines :] if line.strip()]
    names = form.columns
    if form.header:
        if not lines:
            raise UnusableError(
                "not-csv", "no line that names the columns: the payload is empty or breaks off"
            )
        head.append(lines[0])
        names = tuple(name.strip() for name in _cells(lines[0], form.separator))
        _check_header(profile, names)
        lines = lines[1:]
    if not lines:
        raise UnusableError("not-csv", "no line with values: the payload is empty or breaks off")
    if len(lines) > MAX_OBJECTS:
        raise UnusableError("too-large", f"more than {MAX_OBJECTS} lines in one payload; send several")
    records: list[Record | UnusableError] = []
    for line in lines:
        try:
            row = _row(names, _cells(line, form.separator))
        except UnusableError as unusable:
            records.append(unusable)
        else:
            records.append(Record(row, row, parts))
    if len(lines) == 1:
        return Opened(records)
    return Opened(records, lambda at: "\n".join([*head, lines[at], ""]).encode())


def _cells(line: str, separator: str) -> list[str]:
    """The cells of a line. Quotes as RFC 4180 has them, within one line."""
    if '"' not in line:
        return line.split(separator)
    try:
        return next(csv.reader([line], delimiter=separator, strict=True))
    except (csv.Error, StopIteration) as error:
        raise UnusableError("not-csv", f"a line has quotes that do not close ({error})") from error


def _row(names: tuple[str, ...], cells: list[str]) -> dict[str | int, str]:
    """The cells of a line by name and by number, without the white space around them."""
    cells = [cell.strip() for cell in cells]
    row: dict[str | int, str] = dict(enumerate(cells, 1))
    if not names:
        return row
    while len(cells) > len(names) and not cells[-1]:
        cells.pop()  # a separator at the end of the line makes an empty cell
    if len(cells) != len(names):
        raise UnusableError(
            "not-csv",
            f"a line has {len(cells)} columns, wanted {len(names)} as the names say: it breaks off, or the "
            "decimal point is the separator",
        )
    row.update(zip(names, cells, strict=True))
    return row


def _check_header(profile: Profile, names: tuple[str, ...]) -> None:
    """Refuse a payload whose columns are not those that are looked for."""
    for field in profile.rules.fields.values():
        if field.source.kind != "column":
            continue
        for column in field.source.names:
            found = names.count(column)
            if found == 1 or column.isdigit() or (not found and field.name not in _NEEDED):
                continue
            what = "stands there twice" if found else "is not there"
            near = difflib.get_close_matches(column, names, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            shown_names = ", ".join(shown(one) for one in names[:20])
            raise UnusableError(
                "not-csv",
                f"the first line names the columns {shown_names}; {column!r} for {field.name} {what}{hint}",
            )


# Bare numbers -------------------------------------------------------------------------------------------


def _open_number(profile: Profile, parts: Mapping[str, str], payload: bytes) -> Opened:
    if profile.number.is_json:
        value = decode_json(payload)
        return Opened([Record(value, value, parts)])
    if len(payload) > 1000:
        raise UnusableError("not-a-number", f"payload has {len(payload)} bytes, wanted a bare value")
    try:
        text = payload.removeprefix(_BYTE_ORDER_MARK).decode()
    except UnicodeDecodeError as error:
        raise UnusableError("not-a-number", f"payload is not a text in UTF-8 ({error})") from error
    return Opened([Record(text, text, parts)])
