"""What a host knows of one edge node in its session: numbers, aliases, types, devices, messages that wait.

Nothing here says what follows from a message: that is `sessions`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from standingwatch.readings.sparkplug.events import Message, Value
from standingwatch.readings.sparkplug.payload import Metric, Payload, plain_value
from standingwatch.readings.sparkplug.topic import Kind, NodeName
from standingwatch.readings.times import FIRST_YEAR, LAST_YEAR, parse_time

#: Numbers go round from 0 to 255 (tck-id-payloads-sequence-num-incrementing).
ROUND = 256

#: Devices of a node, and metrics that its births have named, at most: nobody has as many, and what a node
#: says without end would else be remembered without end.
MOST_DEVICES, MOST_NAMES = 2_000, 200_000

#: The years that a report's time can be in.
FIRST_US = parse_time(f"{FIRST_YEAR}-01-01T00:00:00Z")
LAST_US = parse_time(f"{LAST_YEAR}-12-31T23:59:59Z")


class Numbered(NamedTuple):
    """A message with a number, ready to be applied when its turn comes."""

    seq: int
    kind: Kind
    device: str
    payload: Payload
    source: Message


@dataclass
class Node:
    """An edge node.

    Attributes:
        name: its name.
        is_born: whether a birth of its present session is known.
        is_online: whether it is taken to be online.
        bd_seq: number of its session, None where the birth did not say.
        next_seq: number that the next message has to have.
        types: data types of metrics by device and name, from births; a device without a birth is missing.
        aliases: names of metrics by device and alias; None where two metrics of a birth had the same alias.
        last: topic and payload of the message before; the broker may deliver it twice.
        waiting: messages out of turn, in the order they came.
        waiting_since_us: when the oldest of them came.
        wants_birth: why it has to be asked for its births, "" while it has not.
        may_ask_us: not to be asked again before that.
        ask_pause_us: pause before the ask after that one.
    """

    name: NodeName
    is_born: bool = False
    is_online: bool = False
    bd_seq: int | None = None
    next_seq: int = 0
    types: dict[str, dict[str, int | None]] = field(default_factory=dict)
    aliases: dict[str, dict[int, str | None]] = field(default_factory=dict)
    last: tuple[str, bytes] = ("", b"")
    waiting: list[Numbered] = field(default_factory=list)
    waiting_since_us: int = 0
    wants_birth: str = ""
    may_ask_us: int = 0
    ask_pause_us: int = 0

    def distance(self, seq: int) -> int:
        """How many messages before this one are missing, if it is ahead."""
        return (seq - self.next_seq) % ROUND

    def wait_for_turn(self, message: Numbered) -> None:
        """Keep a message until those before it have come."""
        if not self.waiting:
            self.waiting_since_us = message.source.received_us
        self.waiting.append(message)

    def take_next(self) -> Numbered | None:
        """The message that waits and whose turn it is."""
        for i, message in enumerate(self.waiting):
            if message.seq == self.next_seq:
                del self.waiting[i]
                if self.waiting:
                    self.waiting_since_us = min(one.source.received_us for one in self.waiting)
                return message
        return None

    def take_all(self) -> list[Numbered]:
        """Everything that waits, by number."""
        taken, self.waiting = self.waiting, []
        return sorted(taken, key=lambda one: self.distance(one.seq))  # equal numbers keep their order

    def end_session(self) -> None:
        """Forget what a birth said."""
        self.is_born, self.bd_seq = False, None
        self.types, self.aliases = {}, {}

    def has_room_for(self, device: str, metrics: int) -> bool:
        """Whether a device with so many metrics may be remembered besides the others."""
        others = [len(types) for name, types in self.types.items() if name != device]
        return len(others) < MOST_DEVICES and sum(others) + metrics <= MOST_NAMES

    def begin_device(self, device: str, metrics: Iterable[Metric]) -> list[int]:
        """Learn the metrics of a birth; the aliases that stand for two metrics come back.

        tck-id-payloads-alias-uniqueness asks for aliases that are unique across the whole node; they are
        kept by device, so that a node which counts anew for each device is understood too.
        """
        types = self.types[device] = {}
        aliases = self.aliases[device] = {}
        doubled: list[int] = []
        for metric in metrics:
            types[metric.name] = metric.datatype
            if metric.alias is None:
                continue
            if aliases.setdefault(metric.alias, metric.name) != metric.name:
                aliases[metric.alias] = None
                doubled.append(metric.alias)
        return doubled

    def end_device(self, device: str) -> None:
        """Forget a device."""
        self.types.pop(device, None)
        self.aliases.pop(device, None)

    def read(self, device: str, payload: Payload) -> tuple[tuple[Value, ...], list[int]]:
        """The metrics of a message by name and by the meaning of their type; and aliases nobody knows."""
        types, aliases = self.types.get(device, {}), self.aliases.get(device, {})
        sent_us = in_us(payload.time_ms)
        values: list[Value] = []
        unknown: list[int] = []
        for metric in payload.metrics:
            name: str | None = metric.name
            if not name and metric.alias is not None:
                name = aliases.get(metric.alias)
                if name is None:
                    unknown.append(metric.alias)
                    continue
            name = name or ""
            problem, value = "", None
            try:
                # What the message itself says of the type counts; only births have to say it.
                value = plain_value(metric, metric.datatype or types.get(name))
            except ValueError as error:
                problem = str(error)
            time_us = in_us(metric.time_ms)
            taken_us = sent_us if time_us is None else time_us
            values.append(Value(name, value, taken_us, metric.is_historical, problem))
        return tuple(values), unknown


def believable_us(time_ms: int | None, received_us: int) -> int:
    """A time in microseconds; that of the receipt where it says none, or one in years of no report."""
    if time_ms is None or not FIRST_US <= time_ms * 1000 <= LAST_US:
        return received_us
    return time_ms * 1000


def in_us(time_ms: int | None) -> int | None:
    """Milliseconds to microseconds."""
    return None if time_ms is None else time_ms * 1000
