"""From a raw value to the value of a field: numbers with their unit, states, texts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from typing import Any

from standingwatch.readings.decode import MAX_CHANNEL_LENGTH
from standingwatch.readings.profile.model import UnusableError
from standingwatch.readings.profile.quantities import UNITS, calibrated
from standingwatch.readings.times import shown

MAX_SEQUENCE = 2**63 - 1

#: Longest text that is looked at as a number.
_LONGEST_NUMBER = 60
_NUMBER = re.compile(r"[+-]?((\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?|inf(inity)?)", re.ASCII | re.IGNORECASE)

Convert = Callable[[Any], Any]


def number_of(raw: Any, decimal: str = ".") -> float | None:
    """The number that a raw value says, infinite ones included; None where it says none.

    A truth value is no number; a text is, as it stands between white space, with `decimal` as its decimal
    point and nothing between thousands.
    """
    if isinstance(raw, (int, float)):
        if isinstance(raw, bool) or raw != raw:
            return None
        try:
            return float(raw)
        except OverflowError:  # an integer of more than 308 digits
            return None
    if not isinstance(raw, str) or len(raw) > _LONGEST_NUMBER:
        return None
    text = raw.strip()
    if decimal != ".":
        if "." in text:
            return None
        text = text.replace(decimal, ".")
    return float(text) if _NUMBER.fullmatch(text) else None


def keys_of(values: Iterable[Any]) -> frozenset[tuple[str, Any]]:
    """What `key_of` gives for raw values that a profile lists."""
    return frozenset(key_of(value) for value in values)


def key_of(raw: Any) -> tuple[str, Any]:
    """What two raw values have in common that count as the same.

    -999, -999.0 and "-999" do, true and 1 do not. Texts are compared without the white space around them. A
    number that is none counts as the text NaN.
    """
    if isinstance(raw, bool):
        return ("truth", raw)
    if isinstance(raw, str):
        text = raw.strip()
        number = number_of(text)
        return ("text", text) if number is None else ("number", number)
    number = number_of(raw)
    if number is not None:
        return ("number", number)
    return ("text", "NaN") if isinstance(raw, float) else ("other", shown(raw))


def quantity(
    label: str,
    unit: str,
    *,
    scale: float = 1.0,
    offset: float = 0.0,
    table: tuple[tuple[float, float], ...] = (),
    table_unit: str = "",
    missing: tuple[Any, ...] = (),
    decimal: str = ".",
    to_base_unit: bool = True,
) -> Convert:
    """What converts the raw values of a number with a unit.

    Parameters
    ----------
    label
        How messages call the field.
    unit, scale, offset, table, table_unit, missing, decimal
        As in `model.Field`.
    to_base_unit
        Whether the number is given in the base unit of its kind, or stays in the last unit named.
    """
    none = keys_of(missing)
    last = table_unit or unit
    convert = UNITS[last].to_base
    plain = scale == 1.0 and offset == 0.0

    def value(raw: Any) -> float | None:
        if none and key_of(raw) in none:
            return None
        kind = type(raw)
        number = raw if kind is float and raw == raw else number_of(raw, decimal)
        if number is None:
            raise UnusableError(
                "not-a-number",
                f"{label} is {shown(raw)}, wanted a number; correct where it is looked for, or name the "
                "value in `missing` if it says there is none",
            )
        if not plain:
            number = number * scale + offset
        if table:
            try:
                number = calibrated(number, table)
            except ValueError as error:
                raise UnusableError("out-of-table", f"{label} {error}") from error
        try:
            base = convert(number)
        except ValueError as error:
            raise UnusableError("bad-value", f"{label} {error}") from error
        return base if to_base_unit else number

    return value


def state(
    label: str, true: tuple[Any, ...], false: tuple[Any, ...], missing: tuple[Any, ...] = ()
) -> Convert:
    """What converts the raw values of a state."""
    yes, no, none = keys_of(true), keys_of(false), keys_of(missing)

    def value(raw: Any) -> bool | None:
        key = key_of(raw)
        if key in yes:
            return True
        if key in no:
            return False
        if key in none:
            return None
        raise UnusableError(
            "bad-value",
            f"{label} is {shown(raw)}, which is neither in `true` nor in `false`; add it to one of them",
        )

    return value


def text(label: str, missing: tuple[Any, ...] = ()) -> Convert:
    """What converts the raw values of a name: texts as they are, whole numbers as their digits."""
    none = keys_of(missing)

    def value(raw: Any) -> str | None:
        if none and key_of(raw) in none:
            return None
        if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
            raw = int(raw)
        if isinstance(raw, int) and not isinstance(raw, bool) and abs(raw) < 10**18:
            return str(raw)
        if isinstance(raw, str) and len(found := raw.strip()) <= MAX_CHANNEL_LENGTH and found.isprintable():
            return found or None
        raise UnusableError(
            "bad-value",
            f"{label} is {shown(raw)}, wanted a text of up to {MAX_CHANNEL_LENGTH} printable characters, or "
            "a whole number",
        )

    return value


def sequence(label: str, missing: tuple[Any, ...] = ()) -> Convert:
    """What converts the raw values of a report's number."""
    none = keys_of(missing)

    def value(raw: Any) -> int | None:
        if none and key_of(raw) in none:
            return None
        # By way of float the last digits of a large number would go.
        found = raw if type(raw) is int else _whole(number_of(raw))
        if found is not None and 0 <= found <= MAX_SEQUENCE:
            return found
        raise UnusableError(
            "bad-value", f"{label} is {shown(raw)}, wanted a whole number from 0 to {MAX_SEQUENCE}"
        )

    return value


def moment(read: Callable[[Any], int], missing: tuple[Any, ...] = ()) -> Convert:
    """What converts the raw values of a time."""
    none = keys_of(missing)

    def value(raw: Any) -> int | None:
        return None if none and key_of(raw) in none else read(raw)

    return value


def _whole(number: float | None) -> int | None:
    return int(number) if number is not None and number.is_integer() else None


__all__ = [
    "MAX_SEQUENCE",
    "Convert",
    "key_of",
    "keys_of",
    "moment",
    "number_of",
    "quantity",
    "sequence",
    "state",
    "text",
]
