"""Times of reports: RFC 3339 texts and Unix numbers to whole microseconds since 1970-01-01 UTC."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

FIRST_YEAR, LAST_YEAR = 2000, 2100
# A number above this is milliseconds: as seconds it would be in the year 5138.
MILLISECONDS_ABOVE = 1e11

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_FIRST_US = (datetime(FIRST_YEAR, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND
_END_US = (datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND

# RFC 3339, section 5.6, with what it allows in its notes (lower case, a space for the T), and besides the
# colon of the offset may be missing, since many clock libraries print it so and it cannot be misread.
_MOMENT = r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]((?:[01][0-9]|2[0-3]):[0-5][0-9]):([0-5][0-9]|60)(\.[0-9]+)?"
_OFFSET = r"([Zz]|[+-](?:[01][0-9]|2[0-3]):?[0-5][0-9])"
_RFC3339 = re.compile(f"{_MOMENT}{_OFFSET}?")
# The form that most senders use and `fromisoformat` reads as it stands: a third of the cost of all forms.
_PLAIN = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]+)?Z")
#: A text with its offset, for the published schemas: a regular expression of ECMA-262 as well as of Python.
RFC3339_PATTERN = f"^{_MOMENT}{_OFFSET}$"


class BadTimeError(ValueError):
    """A time that cannot be used. `reason` is a short fixed word, the text one sentence."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def parse_time(value: str | int | float) -> int:
    """A report's time as microseconds since 1970-01-01 UTC.

    Parameters
    ----------
    value
        RFC 3339 text with an offset, its fraction cut to microseconds; or Unix seconds; or, above 1e11, Unix
        milliseconds. A second 60 is taken where a leap second can be, in the last minute of a UTC month, and
        counts as the second after 59 does in Unix time (POSIX.1, 4.16): the first of the next day.

    Raises
    ------
    BadTimeError
        Reason `no-offset` for a text that does not say its offset, otherwise `bad-time`: not a time, or not
        in the years 2000 to 2100.
    """
    time_us = _from_text(value) if isinstance(value, str) else _from_number(value)
    if not _FIRST_US <= time_us < _END_US:
        raise BadTimeError(
            "bad-time",
            f"time is {shown(value)}, which is outside the years {FIRST_YEAR} to {LAST_YEAR}; "
            "set the clock of the sender, and give seconds or milliseconds if it is a number",
        )
    return time_us


def _from_text(text: str) -> int:
    if _PLAIN.fullmatch(text) is not None:
        try:
            since = datetime.fromisoformat(text) - _EPOCH
        except ValueError:
            pass  # Not in the calendar: said below, where all forms are read.
        else:
            return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise BadTimeError(
            "bad-time",
            f"time is {shown(text)}, wanted the form 2025-03-01T12:00:00Z, or Unix seconds without quotes",
        )
    if match[5] is None:
        raise BadTimeError(
            "no-offset",
            f"time is {shown(text)}, which has no offset; add Z when it is UTC, or an offset such as +01:00",
        )
    leap = match[3] == "60"
    plain = f"{match[1]}T{match[2]}:59{match[4] or ''}{match[5]}" if leap else text
    try:
        # fromisoformat cuts what is finer than a microsecond, which is what is wanted here.
        moment = datetime.fromisoformat(plain.upper()) - _EPOCH
    except ValueError as error:
        raise BadTimeError(
            "bad-time", f"time is {shown(text)}, which is not in the calendar ({error}); give a real date"
        ) from error
    time_us = (moment.days * 86_400 + moment.seconds) * 1_000_000 + moment.microseconds
    if not leap:
        return time_us
    second_after = time_us + 1_000_000
    try:
        after = _EPOCH + timedelta(microseconds=second_after)
    except OverflowError as error:
        raise BadTimeError(
            "bad-time", f"time is {shown(text)}, which is past the end of the calendar; give a real date"
        ) from error
    if (after.day, after.hour, after.minute, after.second) != (1, 0, 0, 0):
        raise BadTimeError(
            "bad-time",
            f"time is {shown(text)}, but a second 60 can only end a UTC month; give seconds 00 to 59",
        )
    return second_after


def _from_number(value: int | float) -> int:
    # Far outside, or not a number at all: kept away from the arithmetic, which would overflow.
    if not -1e16 < value < 1e16:
        return -1
    per_unit = 1_000 if value > MILLISECONDS_ABOVE else 1_000_000
    return value * per_unit if isinstance(value, int) else round(value * per_unit)


def shown(value: object) -> str:
    """A value as a sentence about it shows it: in ASCII, and short however long it is."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "an array"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**20:
        return f"an integer of {value.bit_length()} bits"
    text = ascii(value[:60] if isinstance(value, str) else value)
    return text if len(text) <= 60 else f"{text[:57]}..."
