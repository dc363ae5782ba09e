"""The invented sites at the broker: they publish their reports and say whether their link is up."""

from __future__ import annotations

import json
import logging
import math
import threading
from collections.abc import Callable

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from standingwatch.demo.simulator import Simulator

log = logging.getLogger("standingwatch.demo")

#: Pause between two rounds of publishing [s].
ROUND_S = 0.2


class Sites:
    """Publishes what the simulator gives, as its time passes.

    Args:
        simulator: where the reports come from.
        port: of the broker on this machine.
        root: first level of the topics.
        clock: now, of the demo [Unix microseconds].
        start_s: time of the first reports [Unix seconds].
    """

    def __init__(
        self, simulator: Simulator, port: int, root: str, clock: Callable[[], int], start_s: int
    ) -> None:
        self._start_s = start_s
        self._simulator = simulator
        self._port = port
        self._root = root
        self._clock = clock
        self._stopping = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id="invented-sites",
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.max_inflight_messages_set(200)
        self._thread = threading.Thread(target=self._run, name="sites", daemon=True)

    def start(self) -> None:
        """Publish on a thread of its own, from now on."""
        self._client.connect_async("127.0.0.1", self._port)
        self._client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        """Stop publishing."""
        self._stopping.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        # The simulator counts in whole seconds.
        done_s = self._start_s
        online = np.zeros(len(self._simulator.country.sites), dtype=np.bool_)
        first = True
        while not self._stopping.wait(ROUND_S):
            now_s = self._clock() // 1_000_000
            online = self._say_links(online, now_s, everything=first)
            first = False
            self._say_reports(done_s, now_s)
            done_s = now_s

    def _say_links(
        self, online: np.typing.NDArray[np.bool_], now_s: int, *, everything: bool
    ) -> np.typing.NDArray[np.bool_]:
        now_online = self._simulator.sites_online(now_s)
        for i in np.flatnonzero((now_online != online) | everything).tolist():
            body = json.dumps({"online": bool(now_online[i]), "time": now_s})
            site = self._simulator.country.sites[i].name
            self._client.publish(f"{self._root}/link/{site}", body, qos=1, retain=True)
        return now_online

    def _say_reports(self, start_s: int, end_s: int) -> None:
        frame = self._simulator.frame(start_s, end_s)
        for record in frame.to_dict("records"):
            site, name, time_us = record.pop("site"), record.pop("transmitter"), record.pop("time_us")
            body: dict[str, object] = {"time": time_us / 1e6}
            body |= {
                str(member): value
                for member, value in record.items()
                if not (isinstance(value, float) and math.isnan(value))
            }
            self._client.publish(f"{self._root}/report/{site}/{name}", json.dumps(body), qos=1)
