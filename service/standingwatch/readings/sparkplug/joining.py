"""From metrics that come when they change to whole reports.

Sparkplug reports by exception: a metric that does not change is not sent, and keeps its value while its
device is alive (Eclipse Sparkplug 3.0.0, tck-id-operational-behavior-data-publish-nbirth-change and
-dbirth-change). So a report is made when any of the mapped metrics came, and the rest is joined from the
last known state. Two things need care:

- Forward and reflected power may come in two messages, a moment apart. A report in between would join the
  power of now to the reflection of before: a bad match at every change of power. So what comes within
  `join_us` of each other is one report, made as soon as both powers are there.
- A device whose values stand still sends nothing, and is not silent. So its last state is reported again
  every `repeat_us` for as long as it is alive and its values are not stale.

Values of the past are joined among themselves, and never to those of the present.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from standingwatch.readings.sparkplug.events import Message, Value, Values
from standingwatch.readings.sparkplug.payload import Plain


class Joined(NamedTuple):
    """A report to be made.

    Attributes:
        record: the mapped metrics that have a value, by name.
        time_us: newest time of those that came, of a birth when it was sent; None where nothing says it.
        problems: metrics that came and could not be read, with the reason; the report is refused for them.
        is_repeat: whether nothing came, and the state is reported again.
        source: the message that completed it; of a repeat the last one.
    """

    record: dict[str, Plain]
    time_us: int | None
    problems: tuple[tuple[str, str], ...]
    is_repeat: bool
    source: Message


@dataclass
class _Group:
    """Metrics that belong to one report, as far as they have come."""

    began_us: int
    newest_us: int | None
    received_us: int
    source: Message
    values: dict[str, Value] = field(default_factory=dict)


class Joiner:
    """Joins the metrics of one device that one profile maps.

    Args:
        names: the metrics that are mapped.
        powers: those of them that say forward power and reflection.
        join_us: how far apart metrics of one report may be [us].
        repeat_us: how often a state that does not change is reported again [us]; 0 for never.
    """

    def __init__(self, names: Collection[str], powers: Collection[str], join_us: int, repeat_us: int) -> None:
        self._names = frozenset(names)
        self._powers = frozenset(powers)
        self._join_us = join_us
        self._repeat_us = repeat_us
        self._known: dict[str, Plain | None] = {}
        self._past: dict[str, Plain | None] = {}
        self._open: _Group | None = None
        # The last message of the present that said something: its own time and ours.
        self._sent_us: int | None = None
        self._said_us = 0
        self._source: Message | None = None

    def take(self, values: Values) -> list[Joined]:
        """The reports that a message completes, in order of time."""
        made: list[Joined] = []
        if values.is_birth:
            made += self._close()
            self._known, self._past = {}, {}
        ours = [one for one in values.values if one.name in self._names]
        ours.sort(key=lambda one: one.time_us or 0)
        past = [one for one in ours if one.is_historical]
        now = [one for one in ours if not one.is_historical]
        made += self._take_past(past, values.source)
        if not now:
            return made
        self._sent_us, self._said_us = values.sent_us, values.source.received_us
        self._source = values.source
        if values.is_birth:
            # The whole state at the moment of sending; each value tells since when it stands.
            group = _new_group(now[0], values.source)
            for one in now:
                _put(group, one)
            if values.sent_us is not None:
                group.newest_us = values.sent_us
            self._open = group
            return made + self._close()
        for one in now:
            group_open = self._open
            if group_open is not None and (one.name in group_open.values or self._is_apart(group_open, one)):
                made += self._close()
            if self._open is None:
                self._open = _new_group(one, values.source)
            _put(self._open, one)
            self._open = _of(self._open, values.source)
        if self._open is not None and (self._join_us == 0 or self._powers <= self._open.values.keys()):
            made += self._close()
        return made

    def due(self, now_us: int) -> list[Joined]:
        """The reports that the passing of time completes."""
        if self._open is not None:
            return self._close() if now_us - self._open.received_us >= self._join_us else []
        if not self._repeat_us or self._source is None or now_us - self._said_us < self._repeat_us:
            return []
        record = _present(self._known)
        if not self._powers or not self._powers <= record.keys():
            return []
        # By the node's own clock, as its reports are: it went on for as long as ours.
        gone_us = now_us - self._source.received_us
        sent_us = self._sent_us
        self._said_us = now_us
        return [Joined(record, now_us if sent_us is None else sent_us + gone_us, (), True, self._source)]

    def go_stale(self) -> list[Joined]:
        """Forget the state; a report under way is made first."""
        made = self._close()
        self._known = {}
        return made

    def _is_apart(self, group: _Group, value: Value) -> bool:
        return value.time_us is not None and abs(value.time_us - group.began_us) > self._join_us

    def _close(self) -> list[Joined]:
        group, self._open = self._open, None
        return [] if group is None else self._made(group, self._known)

    def _take_past(self, values: Sequence[Value], source: Message) -> list[Joined]:
        made: list[Joined] = []
        group: _Group | None = None
        for one in values:
            if group is not None and (one.name in group.values or self._is_apart(group, one)):
                made += self._made(group, self._past)
                group = None
            if group is None:
                group = _new_group(one, source)
            _put(group, one)
        return made if group is None else made + self._made(group, self._past)

    def _made(self, group: _Group, known: dict[str, Plain | None]) -> list[Joined]:
        """A report of a group, over what is known; none while neither power is known and none came."""
        problems = tuple((name, one.problem) for name, one in group.values.items() if one.problem)
        known.update({name: one.value for name, one in group.values.items()})
        record = _present(known)
        if not (self._powers & (record.keys() | group.values.keys())):
            return []
        return [Joined(record, group.newest_us, problems, False, group.source)]


def _new_group(value: Value, source: Message) -> _Group:
    began_us = source.received_us if value.time_us is None else value.time_us
    return _Group(began_us, value.time_us, source.received_us, source)


def _put(group: _Group, value: Value) -> None:
    group.values[value.name] = value
    if value.time_us is not None and (group.newest_us is None or value.time_us > group.newest_us):
        group.newest_us = value.time_us


def _of(group: _Group, source: Message) -> _Group:
    group.source = source
    return group


def _present(known: dict[str, Plain | None]) -> dict[str, Plain]:
    return {name: value for name, value in known.items() if value is not None}
