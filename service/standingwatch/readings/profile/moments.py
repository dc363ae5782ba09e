"""Times as devices write them, to whole microseconds since 1970-01-01 UTC.

A time of day that comes twice, when clocks are put back, is taken as the first of the two unless the text
tells; one that does not come at all, when they are put forward, is refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from standingwatch.readings.profile.model import TIME_FORMS, UnusableError
from standingwatch.readings.times import FIRST_YEAR, LAST_YEAR, BadTimeError, parse_time, shown

#: Longest text that is looked at as a time.
MAX_LENGTH = 100

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_FIRST_US = (datetime(FIRST_YEAR, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND
_END_US = (datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND
_OFFSET = re.compile(r"([+-])(\d\d):?([0-5]\d)", re.ASCII)
_PLAIN = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?", re.ASCII)
_DIGITS = re.compile(r"\s*[+-]?\d{1,20}(\.\d{0,20})?\s*", re.ASCII)
_PER_UNIT = {"unix_s": 1_000_000, "unix_ms": 1_000, "unix_us": 1}
# Two moments that differ in every part, seconds and halves of the day included.
_TRIALS = tuple(datetime.fromisoformat(text) for text in ("2031-10-23T14:05:00", "2034-01-02T09:46:00"))


def zone_of(text: str) -> tzinfo:
    """The zone of an IANA name or an offset such as "+01:00".

    Raises
    ------
    ValueError
        If there is none of that name.
    """
    if match := _OFFSET.fullmatch(text):
        minutes = int(match[2]) * 60 + int(match[3])
        if minutes >= 24 * 60:
            raise ValueError("an offset below 24 hours")
        return timezone(timedelta(minutes=-minutes if match[1] == "-" else minutes))
    try:
        return ZoneInfo(text)
    except (
        ZoneInfoNotFoundError,
        ValueError,
        OSError,
    ) as error:  # OSError: a folder of zones, too long a name
        raise ValueError('the name of a time zone, such as "Europe/Vienna", or an offset "+01:00"') from error


def check_pattern(pattern: str) -> None:
    """Raise ValueError, whose text says what is wanted, unless a pattern does not tell all of a time."""
    if "%" not in pattern or len(pattern) > MAX_LENGTH:
        raise ValueError(f'one of {", ".join(TIME_FORMS)}, or a strptime pattern such as "%d.%m.%Y %H:%M:%S"')
    if "%Z" in pattern:
        raise ValueError("%z, an offset in numbers, or `zone`: names of zones as %Z has them say too little")
    for trial in _TRIALS:
        try:
            told = _as_written(trial.replace(tzinfo=UTC).strftime(pattern), pattern)
        except (ValueError, re.error) as error:
            raise ValueError(f"a strptime pattern ({error})") from error
        if told.replace(tzinfo=None) != trial:
            raise ValueError("a pattern that tells year, month, day, hour and minute")


def time_reader(form: str, zone: str) -> Callable[[Any], int]:
    """What reads times of a form.

    Parameters
    ----------
    form
        One of `TIME_FORMS`, or a strptime pattern that `check_pattern` lets pass.
    zone
        Of times that say none, as `zone_of` takes it; "" refuses those.

    Returns
    -------
    Callable
        Raw value to Unix microseconds; raises `UnusableError`, reason `no-offset` or `bad-time`, whose text
        is a whole sentence.
    """
    local = zone_of(zone) if zone else None
    if form == "rfc3339":
        return lambda raw: _from_rfc3339(raw, local)
    if form in _PER_UNIT:
        per_unit = _PER_UNIT[form]
        return lambda raw: _from_number(raw, form, per_unit)
    return lambda raw: _from_pattern(raw, form, local)


def _from_rfc3339(raw: Any, local: tzinfo | None) -> int:
    if not isinstance(raw, str):
        raise UnusableError(
            "bad-time",
            f'time is {shown(raw)}, wanted a text such as "2025-03-01T12:00:00Z"; give `form` '
            "(unix_s, unix_ms) where it is a number",
        )
    text = raw.strip()
    try:
        return parse_time(text)
    except BadTimeError as error:
        if error.reason != "no-offset" or local is None:
            hint = "; or give `zone` in the profile" if error.reason == "no-offset" else ""
            raise UnusableError(error.reason, f"{error}{hint}") from error
    if not _PLAIN.fullmatch(text):
        raise UnusableError("bad-time", f"time is {shown(raw)}, wanted the form 2025-03-01T12:00:00")
    try:
        naive = datetime.fromisoformat(text.upper())
    except ValueError as error:
        raise UnusableError(
            "bad-time", f"time is {shown(raw)}, which is not in the calendar ({error})"
        ) from error
    return _in_zone(raw, naive, local)


def _from_number(raw: Any, form: str, per_unit: int) -> int:
    if isinstance(raw, str) and _DIGITS.fullmatch(raw):
        raw = float(raw) if "." in raw else int(raw)
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise UnusableError("bad-time", f"time is {shown(raw)}, wanted a number as `form` = {form} says")
    # Far outside, or not a number at all: kept away from the arithmetic, which would overflow.
    if not -1e18 < raw < 1e18:
        raise UnusableError("bad-time", f"time is {shown(raw)}, which is no time in {form}")
    return _checked(raw, raw * per_unit if isinstance(raw, int) else round(raw * per_unit))


def _from_pattern(raw: Any, pattern: str, local: tzinfo | None) -> int:
    text = raw if isinstance(raw, str) else str(raw) if type(raw) is int and abs(raw) < 10**20 else None
    if text is None or len(text) > MAX_LENGTH:
        raise UnusableError("bad-time", f"time is {shown(raw)}, wanted a text as the pattern {pattern!r}")
    try:
        told = _as_written(text.strip(), pattern)
    except (ValueError, OverflowError) as error:
        raise UnusableError(
            "bad-time", f"time is {shown(raw)}, which is not as the pattern {pattern!r} says; correct `form`"
        ) from error
    if told.tzinfo is None:
        if local is None:
            raise UnusableError(
                "no-offset",
                f"time is {shown(raw)}, which has no offset; give `zone` in the profile, or let the device "
                "send it",
            )
        return _in_zone(raw, told, local)
    return _us(raw, told)


def _as_written(text: str, pattern: str) -> datetime:
    return datetime.strptime(text, pattern)  # noqa: DTZ007  whether the text says its offset is seen by the caller


def _in_zone(raw: Any, naive: datetime, zone: tzinfo) -> int:
    """A time of day in a zone: the first of two, none that does not come."""
    time_us = _us(raw, naive.replace(tzinfo=zone))
    back = (_EPOCH + timedelta(microseconds=time_us)).astimezone(zone)
    if back.replace(tzinfo=None) != naive:
        raise UnusableError(
            "bad-time",
            f"time is {shown(raw)}, which does not come in {zone}: the clocks were put forward over it; "
            "correct `zone`, or let the device send UTC",
        )
    return time_us


def _us(raw: Any, moment: datetime) -> int:
    # Of two datetimes with one zone object Python subtracts the wall times, offsets passed over: hence UTC.
    try:
        gone = moment.astimezone(UTC) - _EPOCH
    except OverflowError as error:
        raise UnusableError("bad-time", f"time is {shown(raw)}, outside of the calendar") from error
    return _checked(raw, gone // _MICROSECOND)


def _checked(raw: Any, time_us: int) -> int:
    """The time, where it is in the years that reports can be of."""
    if not _FIRST_US <= time_us < _END_US:
        raise UnusableError(
            "bad-time",
            f"time is {shown(raw)}, which is outside the years {FIRST_YEAR} to {LAST_YEAR}; correct `form` "
            "in the profile, or the device's clock",
        )
    return time_us
