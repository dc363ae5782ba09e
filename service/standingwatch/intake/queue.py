"""Messages between the network thread and the writer: bounded, fair by site, acknowledged in order.

A site that comes back sends thousands of old reports at once. Sites take turns, a message each, so that its
backlog does not hold up what others measure now; within a site the order stays. A batch is bounded by the
reports in its messages and not by the messages: one can hold hundreds. MQTT wants acknowledgements in the
order of the messages (MQTT 5.0, 4.6.0-2), so a message that went first is acknowledged when those before it
are safe too. Until then it counts, with its bytes: else what overtakes a backlog would pile up without end at
a broker that knows no window.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

from standingwatch.intake.sorting import Arrived

#: A pause in the stream that ends a batch early [s]: the broker's window of messages in flight may be smaller
#: than a batch, and it sends no more before we acknowledge.
PAUSE_S = 0.004


@dataclass
class _Held:
    """A message that is not acknowledged yet, and whether it is safe."""

    message: Arrived
    is_safe: bool = False


def reports_in(payload: bytes) -> int:
    """About how many reports a payload holds, from 1: told from its brackets and lines, without decoding."""
    return max(1, payload.count(b"{"), payload.count(b"\n"))


def source_of(topic: str, own: str) -> str:
    """Who sends on a topic: a site by the service's own ones, which begin with `own`; else the topic."""
    if not topic.startswith(own):
        return topic
    _kind, slash, rest = topic[len(own) :].partition("/")
    return rest.partition("/")[0] if slash else topic


class Queue:
    """The queue; one thread takes, any may put. A full queue holds those that put up.

    Args:
        limit: most messages that are not acknowledged, in a batch or still to be taken.
        most_bytes: most bytes of their payloads [B]; the message that passes it is still in.
        root: what the service's own topics begin with; they name the site, any other topic is one by itself.
    """

    def __init__(self, limit: int, most_bytes: int, root: str) -> None:
        self._limit = limit
        self._most_bytes = most_bytes
        self._own = f"{root}/"
        self._waiting: dict[str, deque[_Held]] = {}
        self._turns: deque[str] = deque()
        self._count = 0
        self._bytes = 0
        self._in_order: deque[_Held] = deque()
        self._taken: list[_Held] = []
        #: So many messages wake the thread that takes; to wake it for each would cost more than they do.
        self._wanted = 0
        self._changed = threading.Condition()
        self._closed = False

    def __len__(self) -> int:
        return self._count

    @property
    def unacknowledged(self) -> int:
        """Messages that are not acknowledged: those that wait, those of the batch, those that overtook."""
        return len(self._in_order)

    @property
    def held_bytes(self) -> int:
        """Bytes of their payloads [B]."""
        return self._bytes

    def put(self, message: Arrived) -> float:
        """Add a message; waits while the queue is full. After `close` the message is left to the broker.

        Returns:
            How long it had to wait [s].
        """
        site, waited_s = source_of(message.topic, self._own), 0.0
        with self._changed:
            if self._is_full:
                begin = time.monotonic()
                while self._is_full and not self._closed:
                    self._changed.wait()
                waited_s = time.monotonic() - begin
            if self._closed:
                return waited_s
            held = _Held(message)
            self._in_order.append(held)
            its = self._waiting.get(site)
            if its is None:
                its = self._waiting[site] = deque()
                self._turns.append(site)
            its.append(held)
            self._count += 1
            self._bytes += len(message.payload)
            if self._count == self._wanted:
                self._changed.notify_all()
            return waited_s

    def take(self, most: int, first_wait_s: float, batch_wait_s: float) -> list[Arrived]:
        """The next batch: messages with about `most` reports, or what has come when the stream pauses.

        Args:
            most: reports in the batch; the message that passes it is still in.
            first_wait_s: how long to wait for the first message [s].
            batch_wait_s: how long to wait for the batch to fill [s].
        """
        with self._changed:
            if not self._count and not self._closed:
                self._wanted = 1
                self._changed.wait(first_wait_s)
            self._wanted = most
            end = time.monotonic() + batch_wait_s
            while self._count and self._count < most and not self._closed:
                before = self._count
                left = end - time.monotonic()
                if left <= 0:
                    break
                self._changed.wait(min(PAUSE_S, left))
                if self._count == before:
                    break
            self._wanted = 0
            self._taken = []
            reports = 0
            while self._count and reports < most:
                held = self._next()
                self._taken.append(held)
                reports += reports_in(held.message.payload)
            self._changed.notify_all()
            return [held.message for held in self._taken]

    def safe(self) -> list[Arrived]:
        """The batch that was taken last is safe: what may be acknowledged by now, in the order it came."""
        with self._changed:
            for held in self._taken:
                held.is_safe = True
            self._taken = []
            done = []
            while self._in_order and self._in_order[0].is_safe:
                done.append(self._in_order.popleft().message)
            self._bytes -= sum(len(message.payload) for message in done)
            self._changed.notify_all()
            return done

    def oldest_us(self) -> int | None:
        """Receipt of the oldest message that is not safe [Unix microseconds]; None where all are."""
        with self._changed:
            return self._in_order[0].message.received_us if self._in_order else None

    def oldest_waiting_us(self) -> int | None:
        """Receipt of the oldest message that is not in a batch yet [Unix microseconds]; None for none."""
        with self._changed:
            first = [its[0].message.received_us for its in self._waiting.values()]
            return min(first, default=None)

    def close(self) -> None:
        """Let waiting threads go; nothing is taken in any more."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def _is_full(self) -> bool:
        return len(self._in_order) >= self._limit or self._bytes >= self._most_bytes

    def _next(self) -> _Held:
        """The next message of the site whose turn it is."""
        site = self._turns.popleft()
        its = self._waiting[site]
        held = its.popleft()
        if its:
            self._turns.append(site)
        else:
            del self._waiting[site]
        self._count -= 1
        return held
