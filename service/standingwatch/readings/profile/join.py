"""Bare numbers, one to a message, joined to reports.

A part belongs to the waiting report of its transmitter that lacks its field and is nearest in time, within
the window of its profile; there is a new one where none is. Times are those of the parts where both say one,
else those of their receipt. A report is whole when it has every quantity that its profile names. It is given
out then, or with what it has when the window has passed; without forward or reflected power it is
`incomplete`.

A report is given up only when it is known that all has come that was sent by the end of its window: messages
of two topics may come in another order than they were sent. How the stream is cut into calls makes no
difference, but that parts with times of their own, whose receipts lie further apart than the window, are
joined or not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from standingwatch.readings.columns import Reading
from standingwatch.readings.profile.model import UnusableError
from standingwatch.readings.profile.read import Part
from standingwatch.readings.profile.report import reading_of


class Joined(NamedTuple):
    """A reading, and the parts that it was made of."""

    reading: Reading
    parts: tuple[Part, ...]


class Left(NamedTuple):
    """A part that no reading could be made of, and why: reason and sentence of a `Refusal`."""

    part: Part
    reason: str
    detail: str


class Joining(NamedTuple):
    """What came of some parts.

    Attributes:
        readings: what could be joined, in the order in which they became whole.
        refused: what could not, and will not.
        pending: what waits for others, in the order in which it came.
        repeated: parts that say again what one that waits has said, time and all.
    """

    readings: list[Joined]
    refused: list[Left]
    pending: list[Part]
    repeated: list[Part]


@dataclass(eq=False)
class _Waiting:
    """A report that is not whole yet."""

    parts: list[Part]
    fields: dict[str, Part] = field(init=False)

    def __post_init__(self) -> None:
        self.fields = {part.field: part for part in self.parts}

    def add(self, part: Part) -> None:
        self.parts.append(part)
        self.fields[part.field] = part

    @property
    def is_whole(self) -> bool:
        return len(self.fields) == len(set(self.parts[0].profile.number.quantities.values()))

    def apart_us(self, part: Part, resumed_us: int) -> int:
        """How far a part is from the first of this report [us]."""
        first = self.parts[0]
        if first.time_us is not None and part.time_us is not None:
            return abs(part.time_us - first.time_us)
        return abs(part.received_us - _heard_us(first, part, resumed_us))

    def has_said(self, part: Part) -> bool:
        said = self.fields.get(part.field)
        return (
            said is not None
            and part.time_us is not None
            and (said.time_us, said.value) == (part.time_us, part.value)
        )


def _heard_us(first: Part, part: Part, resumed_us: int) -> int:
    """When a part counts as received for one that came after an absence of ours.

    The broker kept what came meanwhile, and gives it with the time at which we were back.
    """
    return max(first.received_us, resumed_us) if part.received_us >= resumed_us else first.received_us


def join(pending: Iterable[Part], parts: Iterable[Part], now_us: int | None, resumed_us: int = 0) -> Joining:
    """Join parts to what waits.

    Parameters
    ----------
    pending
        What waits, in the order in which an earlier call gave it.
    parts
        What has come since, in the order in which it came.
    now_us
        Up to when all that was sent has come [us since 1970-01-01 UTC]: what waits for longer than its window
        is given up. None where that is not known.
    resumed_us
        Since when, without a break, messages could reach us [the same]. What we heard before the break can
        wait so much longer.

    Returns
    -------
    Joining
        Each part of `pending` and `parts` stands in one of its lists.
    """
    result = Joining([], [], [], [])
    waiting: dict[tuple[str, ...], list[_Waiting]] = {}
    order: dict[int, _Waiting] = {}
    came = [*pending, *parts]
    for part in came:
        mine = waiting.setdefault(part.about, [])
        window_us = part.profile.number.window_us
        if any(report.has_said(part) for report in mine):
            result.repeated.append(part)
            continue
        lacking = [
            report
            for report in mine
            if part.field not in report.fields and report.apart_us(part, resumed_us) <= window_us
        ]
        if not lacking:
            report = _Waiting([part])
            mine.append(report)
            order[id(report)] = report
        else:
            report = min(lacking, key=lambda r: r.apart_us(part, resumed_us))
            report.add(part)
        if report.is_whole:
            mine.remove(report)
            del order[id(report)]
            _close(report, result)
    waits: set[int] = set()
    for report in order.values():
        if now_us is not None and _is_over(report, now_us, resumed_us):
            _close(report, result)
        else:
            waits.update(map(id, report.parts))
    # In the order in which they came, so that they find each other again in the next call: which report is
    # the nearest depends on which have been taken.
    result.pending.extend(part for part in came if id(part) in waits)
    return result


def _is_over(report: _Waiting, now_us: int, resumed_us: int) -> bool:
    first = report.parts[0]
    heard_us = max(first.received_us, resumed_us) if now_us >= resumed_us else first.received_us
    return now_us - heard_us > first.profile.number.window_us


def _close(report: _Waiting, result: Joining) -> None:
    """Give a report out with what it has, or its parts back."""
    first = report.parts[0]
    rules = first.profile.rules_for(first.site, first.transmitter)
    values = dict(first.others)
    values.update((name, part.value) for name, part in report.fields.items())
    times = [part.time_us for part in report.parts if part.time_us is not None]
    if times:
        values["time"] = min(times)
    lacking = [name for name in ("forward", "reflected") if name not in values]
    try:
        if lacking:
            raise UnusableError("incomplete", _incomplete(report, lacking))
        received_us = min(part.received_us for part in report.parts)
        reading = reading_of(rules, values, received_us, "receipt")
    except UnusableError as unusable:
        result.refused.extend(Left(part, unusable.reason, unusable.detail) for part in report.parts)
    else:
        result.readings.append(Joined(reading, tuple(report.parts)))


def _incomplete(report: _Waiting, lacking: list[str]) -> str:
    profile = report.parts[0].profile
    names = {ours: theirs for theirs, ours in profile.number.quantities.items()}
    wanted = " and ".join(f"{name} (level {names[name]!r})" for name in lacking if name in names)
    window_s = profile.number.window_us / 1e6
    return (
        f"{', '.join(report.fields)} came, but not {wanted} within {window_s:g} s; check the device, or "
        "raise number.window_s in the profile"
    )
