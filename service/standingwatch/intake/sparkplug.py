"""The host application for Sparkplug B at the broker: what devices say goes into the intake as our reports.

Of Eclipse Sparkplug 3.0.0 held here, by their tck-id: message-flow-phid-sparkplug-clean-session-311 and -50,
message-flow-phid-sparkplug-subscription, message-flow-phid-sparkplug-state-publish with -payload and
-payload-timestamp, message-flow-hid-sparkplug-state-message-delivered, the assertions
operational-behavior-host-application-connect-..., -termination and -death-..., host-topic-phid-..., and
topics-ncmd-mqtt, topics-ncmd-topic, payloads-ncmd-seq.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Sequence

import paho.mqtt.client as mqtt

from standingwatch.alarms.event import rfc3339
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.intake.sorting import Arrived
from standingwatch.metrics import Metrics
from standingwatch.readings.profile.model import Profile
from standingwatch.readings.sparkplug.events import AskRebirth, Message, Unusable
from standingwatch.readings.sparkplug.host import Host, HostTimes, Link, Outcome
from standingwatch.readings.sparkplug.mapping import ProfileMap
from standingwatch.readings.sparkplug.payload import rebirth_request, says_offline, state_payload
from standingwatch.readings.sparkplug.topic import host_filters, node_command_topic, state_topic
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.settings.sparkplug import SparkplugSettings
from standingwatch.store.passing import is_passing

log = logging.getLogger("standingwatch.sparkplug")

#: How often the site list is looked at for nodes that should be there [s].
PLACES_EVERY_S = 300.0

#: How often the time that passes is looked at [s].
TICK_S = 0.1


class SparkplugHost:
    """A host application: connects, listens, asks for births, and says what it heard.

    Args:
        broker: where the broker is.
        settings: of the host.
        intake: settings of the intake, whose limits hold here too.
        profiles: payload profiles; those for Sparkplug are used.
        offer: takes a message into the intake; may wait.
        metrics: what is counted.
        clock: now [Unix microseconds].
        places: the site list as it is now: site, transmitter, name of the profile or "".
    """

    def __init__(
        self,
        broker: BrokerSettings,
        settings: SparkplugSettings,
        intake: IntakeSettings,
        profiles: Sequence[Profile],
        offer: Callable[[Arrived], None],
        metrics: Metrics,
        clock: Callable[[], int],
        places: Callable[[], Sequence[tuple[str, str, str]]] = lambda: (),
    ) -> None:
        self._root = broker.topic_root
        self._most_bytes = intake.max_payload_bytes
        self._offer = offer
        self._metrics = metrics
        self._clock = clock
        self._places = places
        times = HostTimes(
            round(settings.reorder_wait_s * 1e6),
            round(settings.rebirth_every_s * 1e6),
            round(settings.join_s * 1e6),
            round(settings.repeat_s * 1e6),
        )
        self._host = Host(ProfileMap(profiles), times, intake.time_if_absent)
        # The host is no thread's own: messages come on one, time passes on another.
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._state_topic = state_topic(settings.host_id)
        self._state_ms = 0
        self.connection = BrokerConnection(
            broker,
            f"{broker.client_id}-sparkplug",
            metrics,
            filters=host_filters(settings.host_id, settings.groups),
            on_message=self._arrived,
            will=self._will,
            keeps_session=False,
        )
        self.connection.on_ready = self._ready
        self.connection.on_lost = self._lost
        #: Called when the connection stands (again); what was sent before has passed us by.
        self.on_ready: Callable[[], None] | None = None
        self._thread = threading.Thread(target=self._run, name="sparkplug", daemon=True)

    def start(self) -> None:
        """Connect, and listen."""
        if (places := self._known_places()) is not None:
            self._host.choose(places)
        self._thread.start()
        self.connection.start()

    def stop(self) -> None:
        """Say good-bye, and end."""
        self._stopping.set()
        self._thread.join()
        if self.connection.connected:
            # Published before the DISCONNECT, which makes the broker forget the will.
            try:
                farewell = state_payload(False, self._clock() // 1000)
                self.connection.publish([(self._state_topic, farewell, True)], timeout_s=2.0)
            except BrokerError as error:
                log.warning("cannot say at the broker that this host goes offline: %s", error)
        self.connection.stop()

    # Network thread -------------------------------------------------------------------------------------

    def _will(self) -> tuple[str, bytes]:
        """The death certificate, whose time the birth certificate then repeats."""
        self._state_ms = self._clock() // 1000
        return self._state_topic, state_payload(False, self._state_ms)

    def _ready(self) -> None:
        # The first message of the connection, once the subscriptions stand.
        self._say_online()
        if self.on_ready is not None:
            self.on_ready()
        with self._lock:
            self._follow(self._host.connected(self._clock()))

    def _lost(self) -> None:
        with self._lock:
            self._follow(self._host.connection_lost(self._clock()))

    def _say_online(self) -> None:
        self.connection.hand_over(self._state_topic, state_payload(True, self._state_ms), qos=1, retain=True)

    def _arrived(self, message: mqtt.MQTTMessage, connection: int) -> None:
        payload, now_us = bytes(message.payload), self._clock()
        if message.topic == self._state_topic:
            if self.connection.connected and not self._stopping.is_set() and says_offline(payload):
                self._say_online()  # the will of an older connection, delivered late
        else:
            self._metrics.sparkplug_messages.inc()
            heard = Message(message.topic, payload, now_us)
            with self._lock:
                self._follow(self._refused(heard, message.retain) or self._host.receive(heard))
        # Nothing is lost that a rebirth does not bring again: the session has no memory on purpose.
        self.connection.acknowledge(message.mid, message.qos, connection)

    def _refused(self, heard: Message, is_retained: bool) -> list[Outcome]:
        """Why a message is not even looked at; [] where it is."""
        if len(heard.payload) > self._most_bytes:
            detail = (
                f"{len(heard.payload)} bytes, at most {self._most_bytes} are taken "
                "(intake.max_payload_bytes); publish fewer metrics at once"
            )
            return [Unusable("too-large", detail, heard)]
        if is_retained and self._host.knows(heard.topic):
            detail = (
                "the broker had kept it, so that it may be of an old session; publish with retain off, and "
                "clear what the broker keeps on this topic"
            )
            return [Unusable("bad-sparkplug", detail, heard)]
        return []

    # Time -----------------------------------------------------------------------------------------------

    def _run(self) -> None:
        look_again = 0.0
        while not self._stopping.wait(TICK_S):
            if self.connection.connected and time.monotonic() >= look_again:
                look_again = time.monotonic() + PLACES_EVERY_S
                if (places := self._known_places()) is not None:
                    with self._lock:
                        self._host.expect(places, self._clock())
            with self._lock:
                self._follow(self._host.tick(self._clock()))
                online, offline, devices, waiting = self._host.counts()
            self._metrics.sparkplug_nodes.labels("online").set(online)
            self._metrics.sparkplug_nodes.labels("offline").set(offline)
            self._metrics.sparkplug_nodes_out_of_turn.set(waiting)
            self._metrics.sparkplug_devices.set(devices)

    def _known_places(self) -> Sequence[tuple[str, str, str]] | None:
        """The site list; None while the database is away."""
        try:
            return self._places()
        except Exception as error:
            if not is_passing(error):
                log.exception("the host for Sparkplug cannot go on")
                raise
            log.error("store: the site list cannot be read, trying again later: %s", error)
            return None

    # What follows ---------------------------------------------------------------------------------------

    def _follow(self, outcomes: Sequence[Outcome]) -> None:
        for outcome in outcomes:
            if isinstance(outcome, AskRebirth):
                self._ask(outcome)
            elif isinstance(outcome, Unusable):
                source = outcome.source
                self._offer(
                    Arrived(
                        source.topic,
                        source.payload,
                        source.received_us,
                        refusal=(outcome.reason, outcome.detail),
                    )
                )
            elif isinstance(outcome, Link):
                # Of an offline link the intake takes the time of receipt, since a will knows no other.
                said = {"online": outcome.is_online, "time": rfc3339(outcome.time_us)}
                topic = f"{self._root}/link/{outcome.site}"
                received_us = self._clock() if outcome.is_online else outcome.time_us
                self._offer(Arrived(topic, json.dumps(said).encode(), received_us))
            else:
                said_of = {name: v for name, v in outcome.reading._asdict().items() if v is not None}
                body = {"time": rfc3339(said_of.pop("time_us")), **said_of}
                topic = f"{self._root}/report/{outcome.site}/{outcome.transmitter}"
                received_us = self._clock() if outcome.is_repeat else outcome.source.received_us
                self._metrics.sparkplug_reports.labels("repeated" if outcome.is_repeat else "new").inc()
                self._offer(Arrived(topic, json.dumps(body).encode(), received_us))

    def _ask(self, asked: AskRebirth) -> None:
        if not self.connection.connected:
            return  # `connected` asks anew when the connection stands.
        log.info("asking %s/%s for its births: %s", asked.node.group, asked.node.node, asked.why)
        request = rebirth_request(self._clock() // 1000)
        self.connection.hand_over(node_command_topic(asked.node), request, qos=0, retain=False)
        self._metrics.sparkplug_rebirths.inc()
