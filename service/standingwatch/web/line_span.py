"""Which length of time a page or answer about an antenna line is about, and the ways from one to another."""

from __future__ import annotations

import re
from dataclasses import dataclass

from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.readings.times import BadTimeError, parse_time
from standingwatch.review.spans import DAY_US, LEAST_US, MOST_US

DEFAULT_US = 30 * DAY_US

#: Lengths that a button asks for, up to now.
LENGTHS = (("day", 1), ("week", 7), ("month", 30), ("quarter", 91), ("year", 365), ("5 years", 1826))

#: A day, or a time without its offset as the fields of browsers give it: taken as UTC.
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_NO_OFFSET = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(:\d\d(\.\d+)?)?", re.ASCII)


@dataclass(frozen=True)
class Span:
    """A length of time [Unix microseconds], its end left out; `to_now` where nobody asked for an end."""

    start_us: int
    end_us: int
    to_now: bool

    @property
    def length_us(self) -> int:
        """How long it is."""
        return self.end_us - self.start_us


def moment_of(name: str, text: str) -> int:
    """A time of a query [Unix microseconds].

    Args:
        name: of the parameter, for the answer where it cannot be read.
        text: RFC 3339; without an offset, and a day alone, in UTC.

    Raises:
        HTTPException: 400.
    """
    text = text.strip()
    if _DATE.fullmatch(text):
        text += "T00:00:00Z"
    elif found := _NO_OFFSET.fullmatch(text):
        text += "Z" if found[1] else ":00Z"
    try:
        return parse_time(text)
    except BadTimeError as error:
        raise HTTPException(
            400, f"{name}: {error}. Wanted a time such as 2026-03-14T09:00:00Z, or a day."
        ) from error


def span_of(start: str, end: str, now_us: int, default_us: int = DEFAULT_US) -> Span:
    """The span that a query asks for.

    Args:
        start, end: texts of the query; without an end until now, without a begin `default_us` before the end.
        now_us: now [Unix microseconds].
        default_us: length where no begin is given [us].

    Raises:
        HTTPException: 400 where a time cannot be read, the end is not after the begin, or the span is
            shorter or longer than can be asked for.
    """
    end_us = moment_of("to", end) if end.strip() else now_us
    start_us = moment_of("from", start) if start.strip() else end_us - default_us
    length_us = end_us - start_us
    if length_us <= 0:
        raise HTTPException(400, "The end (to) is not after the begin (from).")
    if not LEAST_US <= length_us <= MOST_US:
        raise HTTPException(
            400, f"Got a span of {length_us / 86_400e6:g} days, wanted one from a minute to 20 years."
        )
    return Span(start_us, end_us, not end.strip())


@dataclass(frozen=True)
class Move:
    """A way to another span: what it is called, its query, the key that does it ("" for none)."""

    label: str
    start: str
    end: str
    key: str = ""
    is_here: bool = False


def lengths(span: Span, now_us: int) -> list[Move]:
    """The lengths up to now that buttons ask for."""
    return [
        Move(
            label,
            rfc3339(now_us - days * DAY_US),
            "",
            is_here=span.to_now and abs(span.length_us - days * DAY_US) < 120_000_000,
        )
        for label, days in LENGTHS
    ]


def moves(span: Span, now_us: int) -> list[Move]:
    """Half a length earlier or later, half and twice the length; those that lead nowhere left out."""
    half = span.length_us // 2
    quarter = span.length_us // 4
    wanted = [
        ("Earlier", span.start_us - half, span.end_us - half, "ArrowLeft"),
        ("Later", span.start_us + half, span.end_us + half, "ArrowRight"),
        ("Closer", span.start_us + quarter, span.end_us - quarter, "+"),
        ("Wider", span.start_us - half, span.end_us + half, "-"),
    ]
    if span.to_now:
        # What is newest stays in sight.
        wanted[2] = ("Closer", span.start_us + half, span.end_us, "+")
    found = []
    for label, start_us, end_us, key in wanted:
        over = max(0, end_us - now_us) if label in ("Later", "Wider") else 0
        start_us, end_us = start_us - over, end_us - over
        if (start_us, end_us) != (span.start_us, span.end_us) and LEAST_US <= end_us - start_us <= MOST_US:
            end = "" if end_us >= now_us else rfc3339(end_us)
            found.append(Move(label, rfc3339(start_us), end, key))
    return found
