"""How often alarms come, or a channel sends: figures held against published targets."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from standingwatch.alarms.performance_targets import (
    FLOOD_TIME,
    HOURS_OVER,
    LONG_TERM,
    PEAK,
    PER_10_MIN,
    PER_DAY,
    PER_HOUR,
    PERIODS_OVER,
    Target,
)
from standingwatch.readings import BoolArray, FloatArray, IntArray

_TEN_MIN_US = 600_000_000
_HOUR_US = 3_600_000_000
_DAY_US = 24 * _HOUR_US

#: More alarms than this in 10 minutes begin a flood, fewer than that end it (ISA-18.2, read at second hand).
FLOOD_FROM, FLOOD_UNTIL = 10, 5

#: More alarms than this in an hour are too many for one operator (ISA-18.2, from memory).
HOURLY_MOST = 30


class Verdict(StrEnum):
    """How a figure stands against its target."""

    MET = "met"
    WITHIN_LIMIT = "within the limit"
    NOT_MET = "not met"
    CANNOT_SAY = "cannot say"
    NO_TARGET = "no target"


@dataclass(frozen=True)
class Line:
    """A line of the report.

    Attributes:
        name: short fixed name, such as "per-hour".
        what: what is counted, in words.
        value: the figure in `unit`; None where there is nothing to count.
        unit: "alarms", "%", "min"; notifications of a channel are called alarms too in its lines.
        verdict: how it stands against the target.
        target: published target as text, "" where there is none.
        limit: published limit as text, "" where there is none.
        source: where target and limit are from.
        status: whether they were read, at second hand, or are from memory.
        note: what one has to know to read it; "" for nothing.
    """

    name: str
    what: str
    value: float | None
    unit: str
    verdict: Verdict
    target: str = ""
    limit: str = ""
    source: str = ""
    status: str = ""
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the target is met; None where there is none, or where nothing can be said."""
        if self.verdict in (Verdict.CANNOT_SAY, Verdict.NO_TARGET):
            return None
        return self.verdict is Verdict.MET


def judged(name: str, what: str, value: float, unit: str, target: Target, note: str = "") -> Line:
    """A figure as a line, held against its target."""
    if target.is_met(value):
        verdict = Verdict.MET
    elif target.within is not None and value <= target.within:
        verdict = Verdict.WITHIN_LIMIT
    else:
        verdict = Verdict.NOT_MET
    return line(name, what, value, unit, verdict, target, note)


def line(
    name: str, what: str, value: float | None, unit: str, verdict: Verdict, target: Target, note: str = ""
) -> Line:
    """A figure as a line, with the target and a verdict that was come to otherwise."""
    return Line(
        name, what, value, unit, verdict, target.target, target.limit, target.source, target.status, note
    )


def rate_lines(times_us: IntArray, start_us: int, end_us: int, *, operators: float = 1.0) -> tuple[Line, ...]:
    """How often something comes, against the targets: of alarms, or of what a channel sent.

    Averages, hours and 10-minute periods are counted from the beginning of the span, a part of one at its
    end as one; the peak is that of any 10 minutes, wherever they begin. Whether there is a flood is judged
    period by period, and there is none when the span begins.

    Args:
        times_us: in order, all in the span [Unix microseconds].
        start_us, end_us: the span, the end not included [Unix microseconds].
        operators: among how many people they are divided.

    Raises:
        ValueError: if the span is empty, or `operators` is not a number above 0.
    """
    check_span(start_us, end_us, operators)
    count, span_us = len(times_us) / operators, end_us - start_us
    per_10_min = count / span_us * _TEN_MIN_US
    hours = _per_period(times_us, start_us, end_us, _HOUR_US) / operators
    periods = _per_period(times_us, start_us, end_us, _TEN_MIN_US) / operators
    first = np.searchsorted(times_us, times_us - _TEN_MIN_US, side="right")
    peak = float((np.arange(1, len(times_us) + 1) - first).max(initial=0)) / operators
    return (
        judged("per-day", "per operator and day, average", count / span_us * _DAY_US, "alarms", PER_DAY),
        judged("per-hour", "per operator and hour, average", count / span_us * _HOUR_US, "alarms", PER_HOUR),
        judged(
            "per-10-min",
            "per operator and 10 minutes, average",
            per_10_min,
            "alarms",
            PER_10_MIN,
            note=f"EEMUA 191 (from memory) calls such a long-term average {_rating(per_10_min)}",
        ),
        judged("peak", "per operator, most in any 10 minutes", peak, "alarms", PEAK),
        judged(
            "hours-over-30",
            f"hours with more than {HOURLY_MOST} per operator",
            _percent(hours > HOURLY_MOST),
            "%",
            HOURS_OVER,
        ),
        judged(
            "periods-over-10",
            f"10-minute periods with more than {FLOOD_FROM} per operator",
            _percent(periods > FLOOD_FROM),
            "%",
            PERIODS_OVER,
        ),
        judged(
            "in-flood",
            f"time in flood (from more than {FLOOD_FROM} in 10 minutes until fewer than {FLOOD_UNTIL})",
            _percent(in_flood(periods)),
            "%",
            FLOOD_TIME,
        ),
    )


def in_flood(counts: FloatArray) -> BoolArray:
    """Which 10-minute periods are in flood, by how many alarms an operator got in each.

    A flood begins with a period of more than `FLOOD_FROM` and ends before one of fewer than `FLOOD_UNTIL`.
    """
    turns = np.where(counts > FLOOD_FROM, 1, np.where(counts < FLOOD_UNTIL, 0, -1))
    last_turn = np.maximum.accumulate(np.where(turns >= 0, np.arange(len(turns)), -1))
    flood: BoolArray = (last_turn >= 0) & (turns[last_turn] == 1)
    return flood


def check_span(start_us: int, end_us: int, operators: float) -> None:
    """Raise a `ValueError` unless a span has a length, and there are operators."""
    if end_us <= start_us:
        raise ValueError(f"span: got an end of {end_us}, wanted one after its start, {start_us}")
    if not 0 < operators < np.inf:
        raise ValueError(f"operators: got {operators}, wanted a number above 0")


def _per_period(times_us: IntArray, start_us: int, end_us: int, length_us: int) -> IntArray:
    """How many fall into each period of a span; the last may be a part of one."""
    periods = -(-(end_us - start_us) // length_us)
    return np.bincount((times_us - start_us) // length_us, minlength=periods)


def _percent(which: BoolArray) -> float:
    return 100.0 * float(np.mean(which))


def _rating(per_10_min: float) -> str:
    """What EEMUA 191 calls a long-term average."""
    found = (word for least, word in LONG_TERM if per_10_min > least)
    return next(found, "very likely acceptable")
