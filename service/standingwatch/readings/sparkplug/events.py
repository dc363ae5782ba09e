"""What a host learns from messages of Sparkplug B, as plain values."""

from __future__ import annotations

from typing import NamedTuple

from standingwatch.readings.sparkplug.payload import Plain
from standingwatch.readings.sparkplug.topic import NodeName


class Message(NamedTuple):
    """A message as it came; `received_us` in microseconds since 1970-01-01 UTC."""

    topic: str
    payload: bytes
    received_us: int


class Value(NamedTuple):
    """One metric of a message, its name and type resolved.

    Attributes:
        name: its name.
        value: the value, None where the device says that it has none.
        time_us: when it was taken [us since 1970-01-01 UTC]; that of the message where it does not say, None
            where neither does.
        is_historical: whether it is of the past.
        problem: why the value cannot be read, one sentence; "" when it can.
    """

    name: str
    value: Plain | None
    time_us: int | None
    is_historical: bool
    problem: str


class Values(NamedTuple):
    """Metrics of a device, or of a node itself (device "").

    Attributes:
        node, device: whose they are.
        is_birth: whether these are all it has, and what was known before is void.
        sent_us: when the message was sent, by the node's clock; None where it does not say.
        values: the metrics in their order.
        source: the message.
    """

    node: NodeName
    device: str
    is_birth: bool
    sent_us: int | None
    values: tuple[Value, ...]
    source: Message


class Stale(NamedTuple):
    """What was known is not to be relied on any more; device None for a node with all of its devices.

    Attributes:
        node, device: whose values.
        time_us: since when: the payload's time for a death of a device, the receipt otherwise.
    """

    node: NodeName
    device: str | None
    time_us: int


class Alive(NamedTuple):
    """A node is online or offline, at this time: a birth by its own time, a death by the receipt."""

    node: NodeName
    is_online: bool
    time_us: int


class AskRebirth(NamedTuple):
    """A node has to be asked for its births; `why` in a few words."""

    node: NodeName
    why: str


class Unusable(NamedTuple):
    """A message, or some metrics of it, that cannot be used.

    Attributes:
        reason: `bad-sparkplug`, `no-birth`, `unknown-alias`, or one that a report has (`readings.decode`).
        detail: one sentence: what, got, wanted, how to mend.
        source: the message; where a profile refused what was joined, that in its place (`kept`).
    """

    reason: str
    detail: str
    source: Message


Event = Values | Stale | Alive | AskRebirth | Unusable
