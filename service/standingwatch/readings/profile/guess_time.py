"""Which form a time of an example is written in. A guess: `draft` marks it as one."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import NamedTuple

#: Seconds since 1970 of 2000-01-01 and 2100-01-01: what is between them may be a time.
_FIRST_S, _LAST_S = 946_684_800, 4_102_444_800

_RFC3339 = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:?\d\d)?",
    re.ASCII,
)

#: Patterns in the order in which they are tried; those that read the same text differently stand together.
_PATTERNS: tuple[tuple[str, ...], ...] = (
    ("%d.%m.%Y %H:%M:%S",),
    ("%d.%m.%Y %H:%M",),
    ("%d.%m.%y %H:%M:%S",),
    ("%Y/%m/%d %H:%M:%S",),
    ("%Y-%m-%d %H:%M",),
    ("%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %I:%M:%S %p"),
    ("%m/%d/%Y %I:%M %p", "%d/%m/%Y %I:%M %p"),
    ("%m/%d/%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S"),
    ("%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"),
    ("%d-%m-%Y %H:%M:%S", "%m-%d-%Y %H:%M:%S"),
    ("%d-%b-%Y %H:%M:%S",),
    ("%d %b %Y %H:%M:%S",),
    ("%Y%m%dT%H%M%S",),
    ("%Y%m%d %H%M%S",),
    ("%Y%m%d %H:%M:%S",),
    ("%Y%m%d%H%M%S",),
)

_ZONE = (
    "`zone`: the example says no offset; enter that of the device's clock, without it such times are refused"
)


class GuessedTime(NamedTuple):
    """A form of time.

    Attributes:
        form: as a profile writes it.
        needed: what a person has to enter or decide; "" for nothing.
    """

    form: str
    needed: str


def guess_time(value: object) -> GuessedTime | None:
    """The form of a time; None for what does not look like one of the years 2000 to 2099."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return _of_number(value) or (
            _of_text(str(value)) if isinstance(value, int) and 0 < value < 10**15 else None
        )
    if isinstance(value, str):
        text = value.strip()
        if re.fullmatch(r"\d{9,16}(\.\d{1,9})?", text, re.ASCII):
            return _of_number(float(text)) or _of_text(text)
        return _of_text(text)
    return None


def _of_number(value: float) -> GuessedTime | None:
    for form, per_second in (("unix_s", 1), ("unix_ms", 1_000), ("unix_us", 1_000_000)):
        if _FIRST_S * per_second <= value < _LAST_S * per_second:
            return GuessedTime(form, "")
    return None


def _of_text(text: str) -> GuessedTime | None:
    if match := _RFC3339.fullmatch(text):
        return GuessedTime("rfc3339", "" if match[2] else _ZONE)
    if len(text) > 40:
        return None
    for alike in _PATTERNS:
        fitting = [pattern for pattern in alike if _fits(text, pattern)]
        if fitting:
            other = ""
            if len(fitting) > 1:
                other = f"`form`: {fitting[1]} fits as well, look whether day or month comes first; "
            return GuessedTime(fitting[0], other + _ZONE)
    return None


def _fits(text: str, pattern: str) -> bool:
    try:
        # The zone is what has to be asked for: of the moment only the year is looked at.
        told = datetime.strptime(text, pattern).replace(tzinfo=UTC)
    except ValueError:
        return False
    return 2000 <= told.year < 2100
