"""Sites that publish numbered reports at QoS 1 and know of each whether the broker has accepted it.

A site keeps the order: a report goes out when the one before it of its transmitter was accepted. What the
broker took over for nobody (MQTT 5 reason 0x10, no matching subscribers) was not accepted, and goes again.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from queue import SimpleQueue
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

NO_MATCHING_SUBSCRIBERS = 0x10

#: Transmitter, time [Unix microseconds].
Key = tuple[str, str, int]

INVENTORY_HEAD = "site,transmitter,frequency_mhz,region,rated_power_w,expected_interval_s\n"


@dataclass
class _Transmitter:
    """One transmitter: reports that wait, the one under way, and whether its antenna is broken now."""

    site: str
    name: str
    waiting: deque[tuple[Key, bytes]] = field(default_factory=deque)
    under_way: int | None = None
    next_s: float = 0.0
    broken: bool = False
    turns_s: float = 0.0
    hold_until: float = 0.0


class Sites:
    """Publishes for a fleet until it is ended.

    Args:
        port: of the broker.
        rng: chance.
        sites: how many; every fourth has two transmitters.
        every_s: time between two reports of a transmitter [s].
        phase_s: shortest and longest time that an antenna is broken, or well [s].
    """

    def __init__(
        self,
        port: int,
        rng: random.Random,
        sites: int = 10,
        every_s: float = 0.5,
        phase_s: tuple[float, float] = (4.0, 14.0),
    ) -> None:
        self._rng, self._every_s, self._phase_s = rng, every_s, phase_s
        self.transmitters = [
            _Transmitter(f"site-{i:02}", f"rpt-{j + 1}", next_s=rng.uniform(0, every_s))
            for i in range(sites)
            for j in range(2 if i % 4 == 0 else 1)
        ]
        #: What was made: forward and reflected power [W].
        self.made: dict[Key, tuple[float, float]] = {}
        #: What the broker has accepted, and when [s of the monotonic clock].
        self.accepted: dict[Key, float] = {}
        self.for_nobody = 0
        self._of_mid: dict[int, _Transmitter] = {}
        #: What the broker answered. The client's own locks are held when it tells us, and ours when we ask it
        #: to publish: so the two may never meet.
        self._answers: SimpleQueue[tuple[int, bool, float]] = SimpleQueue()
        self._lock = threading.RLock()
        self._making = True
        self._ended = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="sites", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.reconnect_delay_set(0.1, 0.5)  # type: ignore[arg-type]  # it sleeps for fractions as well
        self._client.on_publish = self._answered
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run, name="sites", daemon=True)
        self._thread.start()

    def inventory(self) -> str:
        """The site list: a region for each site, so that what is planted at several is no weather."""
        rows = [
            f"{one.site},{one.name},{450 + i * 0.1:.2f},{one.site},100,300\n"
            for i, one in enumerate(self.transmitters)
        ]
        return INVENTORY_HEAD + "".join(rows)

    def rest(self) -> None:
        """Make no more reports; those that wait still go out."""
        with self._lock:
            self._making = False

    def go_on(self) -> None:
        """Make reports again."""
        with self._lock:
            self._making = True

    @property
    def idle(self) -> bool:
        """Whether all that was made has been accepted."""
        with self._lock:
            return len(self.accepted) == len(self.made)

    def accepted_until(self, monotonic_s: float) -> set[Key]:
        """What had been accepted by a time."""
        with self._lock:
            return {key for key, when in self.accepted.items() if when <= monotonic_s}

    def close(self) -> None:
        """End."""
        self._ended.set()
        self._thread.join(5)
        self._client.disconnect()
        self._client.loop_stop()
        left_open = self._client.socket()
        if left_open is not None:
            left_open.close()

    def _run(self) -> None:
        while not self._ended.wait(0.02):
            with self._lock:
                now = time.monotonic()
                while not self._answers.empty():
                    self._take(*self._answers.get())
                for one in self.transmitters:
                    if self._making and now >= one.next_s:
                        self._make(one, now)
                    if one.waiting and one.under_way is None and now >= one.hold_until:
                        self._send(one)

    def _make(self, one: _Transmitter, now: float) -> None:
        one.next_s = now + self._every_s * self._rng.uniform(0.8, 1.2)
        if now >= one.turns_s:
            one.turns_s = now + self._rng.uniform(*self._phase_s)
            one.broken = not one.broken and bool(one.turns_s)
        time_us = time.time_ns() // 1000
        # The number stands in the power, so that a value that got to another place would be seen.
        forward_w = 90.0 + (len(self.made) % 10_000) / 1000
        reflected_w = round(forward_w * (0.36 if one.broken else 0.01) * self._rng.uniform(0.9, 1.1), 4)
        key = (one.site, one.name, time_us)
        stamp = datetime.fromtimestamp(time_us // 1_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%S")
        body = {
            "time": f"{stamp}.{time_us % 1_000_000:06}Z",
            "forward_w": forward_w,
            "reflected_w": reflected_w,
        }
        self.made[key] = (forward_w, reflected_w)
        one.waiting.append((key, json.dumps(body).encode()))

    def _send(self, one: _Transmitter) -> None:
        if not self._client.is_connected():
            return
        key, body = one.waiting[0]
        with suppress(ValueError, RuntimeError):
            info = self._client.publish(f"standingwatch/report/{key[0]}/{key[1]}", body, qos=1)
            one.under_way = info.mid
            self._of_mid[info.mid] = one

    def _answered(self, _c: Any, _d: Any, mid: int, reason: Any, _p: Any) -> None:
        taken = not reason.is_failure and reason.value != NO_MATCHING_SUBSCRIBERS
        self._answers.put((mid, taken, time.monotonic()))

    def _take(self, mid: int, taken: bool, when: float) -> None:
        one = self._of_mid.pop(mid, None)
        if one is None:
            return
        one.under_way = None
        if taken:
            key, _ = one.waiting.popleft()
            self.accepted[key] = when
        else:
            self.for_nobody += 1
            one.hold_until = when + 0.3
