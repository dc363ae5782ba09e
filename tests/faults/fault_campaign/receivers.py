"""Who is told: a listener at the broker and an HTTP receiver that can be asked to fail."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

FILTERS = (
    "standingwatch/event/#",
    "standingwatch/event-service/#",
    "standingwatch/alarm/#",
    "standingwatch/heartbeat",
)

Mood = Literal["well", "refuses", "silent", "closes"]


@dataclass
class Heard:
    """Events that a receiver took, in order, and when [s of the monotonic clock]."""

    events: list[tuple[float, dict[str, Any]]] = field(default_factory=list)

    def note(self, body: bytes) -> None:
        self.events.append((time.monotonic(), json.loads(body)))

    def ids(self) -> list[str]:
        return [event["id"] for _, event in self.events]


class HttpReceiver:
    """Takes events over HTTP; its mood may be changed at any time."""

    def __init__(self) -> None:
        self.mood: Mood = "well"
        self.heard = Heard()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            """Answers as the mood is."""

            def do_POST(self) -> None:  # the name is the library's
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                mood = outer.mood
                if mood == "silent":
                    while outer.mood == "silent":
                        time.sleep(0.1)
                if mood in ("silent", "closes"):
                    self.close_connection = True
                    return
                if mood == "well":
                    outer.heard.note(body)
                self.send_response(204 if mood == "well" else 500)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        """End."""
        self.mood = "well"
        self._server.shutdown()
        self._server.server_close()


class Listener:
    """Hears events, present alarms and the heartbeat at the broker, by a session that outlives them."""

    def __init__(self, port: int) -> None:
        self.heard = Heard()
        #: The alarms that stand, as retained, by topic.
        self.present: dict[str, list[dict[str, Any]]] = {}
        #: Heartbeats, and what stands in their place, with when they came.
        self.beats: list[tuple[float, dict[str, Any]]] = []
        #: From when to when nothing could be heard, and the broker may have forgotten that we listen.
        self.deaf: list[list[float]] = [[0.0, float("inf")]]
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="listener", protocol=MQTTProtocolVersion.MQTTv5
        )
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho gives no types
        properties.SessionExpiryInterval = 3600
        self._client.reconnect_delay_set(0.1, 0.5)  # type: ignore[arg-type]  # it sleeps for fractions as well
        self._client.on_message = self._came
        self._client.on_connect = lambda c, *_: c.subscribe([(f, SubscribeOptions(qos=1)) for f in FILTERS])
        self._client.on_subscribe = self._hears
        self._client.on_disconnect = self._hears_nothing
        self._client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self._client.loop_start()

    def _hears(self, *_: object) -> None:
        self.deaf[-1][1] = time.monotonic()

    def _hears_nothing(self, *_: object) -> None:
        if self.deaf[-1][1] != float("inf"):
            self.deaf.append([time.monotonic(), float("inf")])

    def _came(self, _c: Any, _d: Any, message: mqtt.MQTTMessage) -> None:
        topic = message.topic
        if topic == "standingwatch/heartbeat":
            self.beats.append((time.monotonic(), json.loads(message.payload)))
        elif topic.startswith("standingwatch/alarm/"):
            self.present[topic.removeprefix("standingwatch/alarm/")] = json.loads(message.payload or b"[]")
        else:
            self.heard.note(bytes(message.payload))

    def close(self) -> None:
        """End."""
        self._client.disconnect()
        self._client.loop_stop()
        left_open = self._client.socket()
        if left_open is not None:
            left_open.close()
