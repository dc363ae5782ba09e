"""The MQTT channel: each event on its topic, and the present alarms of its resource retained.

Events go to ROOT/event/SITE/TRANSMITTER, those of a whole site to ROOT/event/SITE, those of a region to
ROOT/event-region/REGION; the present alarms stand retained at ROOT/alarm/... and ROOT/alarm-region/REGION.
REGION is percent-encoded where a topic could not hold it (`readings/topics.py`).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Protocol

from standingwatch.alarms.event import present_alarm
from standingwatch.notify.channel import DeliveryError
from standingwatch.readings import alarm_topic, event_topic
from standingwatch.store.alarming import Message, load_alarms
from standingwatch.store.connect import Store

#: How long a connection may take to be made before a delivery counts as failed [s].
CONNECT_WAIT_S = 2.0


#: What an alarm is about: site, transmitter, region.
Resource = tuple[str, str, str]


class Publisher(Protocol):
    """What the channel needs of a broker connection."""

    def wait_connected(self, seconds: float) -> bool:
        """Wait for the connection, so long at most."""
        ...

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        """Publish at QoS 1 (topic, payload, retained) and wait for the broker's acknowledgement."""
        ...


class MqttChannel:
    """Publishes events and the retained lists of present alarms.

    Args:
        publisher: connection to the broker.
        failure: what the publisher raises when the broker has not taken the messages.
        root: first level of the topics.
        store: where the present alarms are.
    """

    name = "mqtt"

    def __init__(self, publisher: Publisher, failure: type[Exception], root: str, store: Store) -> None:
        self._publisher = publisher
        self._failure = failure
        self._root = root
        self._store = store
        self._all_published = False

    def forget(self) -> None:
        """Publish all present alarms with the next delivery: the broker may not have them any more."""
        self._all_published = False

    def deliver(self, messages: Sequence[Message]) -> None:
        """Publish the events in order, then the present alarms of their resources as they are by now."""
        events = [
            (event_topic(self._root, m.site, m.transmitter, m.region), m.body.encode(), False)
            for m in messages
        ]
        resources = {(m.site, m.transmitter, m.region) for m in messages}
        self._publish(events + self._present(resources))

    def refresh(self) -> None:
        """Publish the present alarms of all resources once after each connection."""
        # A connection that is just being made is no failure to tell anybody about.
        self._publisher.wait_connected(CONNECT_WAIT_S)
        if not self._all_published:
            self._publish(self._present(None))
            self._all_published = True

    def _publish(self, messages: list[tuple[str, bytes, bool]]) -> None:
        try:
            self._publisher.publish(messages)
        except self._failure as error:
            raise DeliveryError(str(error)) from error

    def _present(self, resources: set[Resource] | None) -> list[tuple[str, bytes, bool]]:
        """Retained lists of the given resources, or of all that ever had an alarm; empty ones too."""
        with self._store.reading() as connection:
            alarms = load_alarms(connection)
        lists: dict[Resource, list[object]] = {r: [] for r in resources or ()}
        for key, alarm in sorted(alarms.items()):
            resource = (key.site, key.transmitter, key.region)
            if resources is None or resource in resources:
                standing = lists.setdefault(resource, [])
                if not alarm.is_cleared:
                    standing.append(present_alarm(alarm))
        return [
            (alarm_topic(self._root, *resource), json.dumps(standing, allow_nan=False).encode(), True)
            for resource, standing in lists.items()
        ]

    def close(self) -> None:
        """The connection belongs to whoever made it."""
