"""A connection to the broker over paho-mqtt; the broker keeps what we have not acknowledged."""

from __future__ import annotations

import logging
import ssl
import sys
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, cast

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from standingwatch.intake.broker_words import why_turned_away, why_unreachable
from standingwatch.intake.client import LastingClient
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings

log = logging.getLogger("standingwatch.broker")

#: How long a good-bye may take to be sent [s].
FAREWELL_S = 2.0

#: A connection that is cut within this time of its beginning was cut at once [s].
AT_ONCE_S = 5.0

#: So many in a row are told of: as from two processes that take one identity from each other.
CUT_AT_ONCE = 3

OnMessage = Callable[[mqtt.MQTTMessage, int], None]

#: Topic and payload that the broker publishes, and retains, when the connection ends without a good-bye.
Will = Callable[[], tuple[str, bytes]]


class BrokerError(Exception):
    """The broker did not take something over; the text says what and why."""


class BrokerConnection:
    """One client at the broker.

    Args:
        settings: where the broker is and how to get in.
        client_id: identity at the broker; a session lasts as long as the identity.
        metrics: where connection state is shown.
        filters: what to subscribe to at QoS 1; with any, the session outlives the connection.
        on_message: called on the network thread with each message and the number of the connection that
            brought it; has to be quick. Messages are acknowledged by `acknowledge`, and not before.
        will: gives the MQTT will anew before each try to connect; called on the network thread.
        keeps_session: whether the session outlives the connection; if not said, it does with any filter.
        not_filters: what a session that is resumed may still be subscribed to and is not to be (MQTT 5).

    `on_ready` and `on_lost`, where they are set, are called on the network thread when the connection and its
    subscriptions stand, and when they are gone.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        client_id: str,
        metrics: Metrics,
        filters: tuple[str, ...] = (),
        on_message: OnMessage | None = None,
        will: Will | None = None,
        keeps_session: bool | None = None,
        not_filters: tuple[str, ...] = (),
    ) -> None:
        self._settings = settings
        self._filters = filters
        self._not_filters = not_filters
        #: Whether the session at the broker is to end with the connection (MQTT 5).
        self.ends_session = False
        self._is_resumed = False
        self._on_message = on_message
        self._metrics = metrics
        self._client_id = client_id
        self._connected = threading.Event()
        self._gone = threading.Event()
        self._lock = threading.Lock()
        self._number = 0
        self._down_since: float | None = None
        self._ready_since = 0.0
        self._cut_at_once = 0
        self._is_v5 = settings.protocol == "5"
        self.on_ready: Callable[[], None] | None = None
        self.on_lost: Callable[[], None] | None = None
        version = MQTTProtocolVersion.MQTTv5 if self._is_v5 else MQTTProtocolVersion.MQTTv311
        self._keeps_session = bool(filters) if keeps_session is None else keeps_session
        self._client = LastingClient(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=version,
            manual_ack=True,
            clean_session=None if self._is_v5 else not self._keeps_session,
        )
        if settings.username:
            self._client.username_pw_set(settings.username, settings.password.get_secret_value() or None)
        if settings.tls:
            context = ssl.create_default_context(
                cafile=str(settings.ca_file) if settings.ca_file is not None else None
            )
            if settings.cert_file is not None:
                context.load_cert_chain(
                    str(settings.cert_file), str(settings.key_file) if settings.key_file else None
                )
            self._client.tls_set_context(context)
        # paho doubles the delay at each try and adds no jitter of its own: a fleet of clients gets apart by
        # a starting delay that depends on the identity. It says that it wants whole seconds, and sleeps for
        # fractions as well.
        spread = 1 + (hash_of(client_id) % 1000) / 2000
        self._client.reconnect_delay_set(
            min_delay=cast(int, settings.reconnect_min_s * spread),
            max_delay=cast(int, settings.reconnect_max_s * spread),
        )
        self._client.max_inflight_messages_set(100)
        self._told = ""
        self._client.on_connect = self._connect_answered
        self._client.on_connect_fail = self._not_reached
        self._client.on_disconnect = self._disconnected
        self._client.on_subscribe = self._subscribed
        if on_message is not None:
            self._client.on_message = self._arrived
        self._will = will
        if will is not None:
            self._client.on_pre_connect = self._about_to_connect
        metrics.broker_connected.labels(client_id).set(0)

    # Life -----------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect, and go on trying."""
        self._down_since = time.monotonic()
        extra: dict[str, Any] = {}
        if self._is_v5:
            # paho gives the constructor no types.
            properties = cast(Callable[[int], Properties], Properties)(PacketTypes.CONNECT)
            if self._keeps_session:
                properties.SessionExpiryInterval = self._settings.session_expiry_s
            if self._filters or self._keeps_session:
                properties.ReceiveMaximum = self._settings.receive_maximum
            extra = {"clean_start": not self._keeps_session, "properties": properties}
        self._client.connect_async(
            self._settings.host, self._settings.port, keepalive=self._settings.keepalive_s, **extra
        )
        self._client.loop_start()

    def stop(self) -> None:
        """Disconnect; the broker keeps the session if there is one."""
        was_connected = self._client.is_connected()
        if self.ends_session and self._is_v5:
            last = cast(Callable[[int], Properties], Properties)(PacketTypes.DISCONNECT)
            last.SessionExpiryInterval = 0
            self._client.disconnect(properties=last)
        else:
            self._client.disconnect()
        if was_connected:
            # paho's thread may end before it has sent the DISCONNECT; the broker would publish our will.
            self._gone.wait(FAREWELL_S)
        self._client.loop_stop()
        # paho's thread may have ended before it closed what it had open.
        left_open = self._client.socket()
        if left_open is not None:
            left_open.close()
        self._connected.clear()
        self._down_since = None

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us and, if we subscribe, our subscriptions."""
        return self._connected.is_set()

    @property
    def name(self) -> str:
        """Identity at the broker."""
        return self._client_id

    @property
    def down_s(self) -> float:
        """How long there has been no connection [s]; 0 while there is one, and before the start."""
        since = self._down_since
        return 0.0 if since is None or self.connected else time.monotonic() - since

    def wait_connected(self, seconds: float) -> bool:
        """Wait for `connected`, so long at most."""
        return self._connected.wait(seconds)

    # Messages -------------------------------------------------------------------------------------------

    def acknowledge(self, message_id: int, qos: int, connection: int) -> None:
        """Tell the broker that a message is safe."""
        self.acknowledge_all([(message_id, qos, connection)])

    def acknowledge_all(self, messages: Sequence[tuple[int, int, int]]) -> None:
        """Tell the broker that messages are safe: number, QoS and connection of each, in their order.

        Of an older connection it would not know what we mean. Subscribed is QoS 1: no higher one comes.
        """
        with self._lock:
            self._client.acknowledge(
                [number for number, qos, connection in messages if qos > 0 and connection == self._number]
            )

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        """Publish at QoS 1 and wait until the broker has all of them.

        Args:
            messages: topic, payload, and whether the broker retains it.
            timeout_s: how long to wait for all of them [s].

        Raises:
            BrokerError: if it has not; the messages may be published again.
        """
        if not self.connected:
            raise BrokerError(f"not connected to the broker at {self._settings.host}:{self._settings.port}")
        try:
            infos = [self._client.publish(topic, body, qos=1, retain=keep) for topic, body, keep in messages]
            end = time.monotonic() + timeout_s
            for info in infos:
                info.wait_for_publish(max(0.0, end - time.monotonic()))
        except (RuntimeError, ValueError) as error:
            raise BrokerError(f"the broker did not take the message: {error}") from error
        if not all(info.is_published() for info in infos):
            raise BrokerError(f"the broker has not acknowledged within {timeout_s:g} s")

    def hand_over(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> None:
        """Give the client a message to send as soon as it can, from whatever thread, and wait for nothing."""
        self._client.publish(topic, payload, qos=qos, retain=retain)

    # Callbacks on the network thread --------------------------------------------------------------------

    def _about_to_connect(self, client: mqtt.Client, _data: Any) -> None:
        if self._will is not None:
            topic, payload = self._will()
            client.will_set(topic, payload, qos=1, retain=True)

    def _not_reached(self, _client: mqtt.Client, _data: Any) -> None:
        # paho calls this where it has caught the error, and does not hand it on.
        self._tell(why_unreachable(sys.exc_info()[1], self._settings))

    def _tell(self, why: str) -> None:
        """Say why there is no connection, once as long as the reason stays the same."""
        if why != self._told:
            log.error("broker %s:%s cannot be reached: %s", self._settings.host, self._settings.port, why)
        self._told = why

    def _connect_answered(
        self, client: mqtt.Client, _data: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, _p: Any
    ) -> None:
        if reason.is_failure:
            self._told = str(reason)
            log.error(
                "broker %s:%s refused the connection: %s; check broker.username, broker.password and "
                "broker.client_id",
                self._settings.host,
                self._settings.port,
                reason,
            )
            return
        self._told = ""
        log.info(
            "connected to broker %s:%s as %s, session %s",
            self._settings.host,
            self._settings.port,
            self._client_id,
            "resumed" if flags.session_present else "new",
        )
        self._gone.clear()
        with self._lock:
            self._number += 1
        self._is_resumed = flags.session_present
        if not self._filters:
            self._ready()
        elif self._is_v5:
            # Retained link states are wanted at each start; no report is sent twice for it.
            client.subscribe([(f, SubscribeOptions(qos=1)) for f in self._filters])
        else:
            client.subscribe([(f, 1) for f in self._filters])

    def _let_go(self) -> None:
        """End subscriptions that the session has no longer, once it has the others: nothing slips between."""
        if self._is_resumed and self._is_v5 and self._not_filters:
            self._client.unsubscribe(list(self._not_filters))

    def _subscribed(self, _c: mqtt.Client, _d: Any, _mid: int, reasons: list[ReasonCode], _p: Any) -> None:
        failed = [f"{f}: {r}" for f, r in zip(self._filters, reasons, strict=False) if r.is_failure]
        if failed:
            log.error("broker refused subscriptions, check its access rules: %s", "; ".join(failed))
            return
        self._ready()

    def _ready(self) -> None:
        self._let_go()
        self._ready_since = time.monotonic()
        self._connected.set()
        self._metrics.broker_connected.labels(self._client_id).set(1)
        if self.on_ready is not None:
            self.on_ready()

    def _disconnected(
        self, _c: mqtt.Client, _d: Any, _flags: mqtt.DisconnectFlags, reason: ReasonCode, _p: Any
    ) -> None:
        self._gone.set()
        with self._lock:
            self._number += 1
        was_connected = self._connected.is_set()
        if was_connected:
            self._down_since = time.monotonic()
            self._metrics.broker_disconnects.labels(self._client_id).inc()
            if reason.is_failure:
                log.warning("lost the broker: %s; trying again", reason)
                self._note_how_long()
        elif reason.is_failure and not self._told:
            self._tell(why_turned_away(self._settings))
        self._connected.clear()
        self._metrics.broker_connected.labels(self._client_id).set(0)
        if was_connected and self.on_lost is not None:
            self.on_lost()

    def _note_how_long(self) -> None:
        """Say it when connections do not last: not every broker tells that another took the identity."""
        lasted_s = time.monotonic() - self._ready_since
        self._cut_at_once = self._cut_at_once + 1 if lasted_s < AT_ONCE_S else 0
        if self._cut_at_once == CUT_AT_ONCE:
            log.error(
                "the connection as %s was cut %d times as soon as it stood; does another process use this "
                "broker.client_id, or is the link bad?",
                self._client_id,
                CUT_AT_ONCE,
            )

    def _arrived(self, _c: mqtt.Client, _d: Any, message: mqtt.MQTTMessage) -> None:
        if self._on_message is not None:
            self._on_message(message, self._number)


def hash_of(text: str) -> int:
    """A number that is the same in every process, unlike Python's own hash."""
    return sum((i + 1) * b for i, b in enumerate(text.encode()))
