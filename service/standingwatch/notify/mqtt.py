"""The MQTT channel: each event on its topic, and the present alarms of each resource retained.

Events go to ROOT/event/SITE/TRANSMITTER, those of a whole site to ROOT/event/SITE, those of a region to
ROOT/event-region/REGION, those of a part of this service to ROOT/event-service/PART, and summaries of no one
of these to ROOT/event-fleet (`readings/topics.py`). The present alarms stand retained at ROOT/alarm/... of
the same names; there is none for the fleet.

The lists follow every change of the alarm list and of what people do with alarms, also where nobody is told
of it: a channel may be spared changes, and a list that is not right is worse than none.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy import Connection, Table, select

from standingwatch.alarms.event import present_alarm
from standingwatch.alarms.handling import UNTOUCHED
from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.notify.channel import DeliveryError, RefusedError
from standingwatch.readings import alarm_topic, event_topic
from standingwatch.store import tables
from standingwatch.store.alarming import alarm_key, load_alarm, load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.handling import load_handlings
from standingwatch.store.outbox import Message, Subject

#: How long a connection may take to be made before a delivery counts as failed [s].
CONNECT_WAIT_S = 2.0

#: Lists of so many resources are worked out one by one; of more, all alarms are read at once.
FEW = 100

#: So many changes before the newest one are looked at again: PostgreSQL gives out numbers before it commits.
LOOK_BACK = 100

#: What an alarm is about: site, transmitter, region, part of the service.
Resource = tuple[str, str, str, str]

#: What the tables of changes have in common with a list.
_FOLLOWED = (tables.alarm_changes, tables.handling_changes)


def _resource(about: Subject | AlarmKey) -> Resource:
    return about.site, about.transmitter, about.region, about.service


class Publisher(Protocol):
    """What the channel needs of a broker connection.

    Attributes:
        on_ready: called after each connection.
    """

    on_ready: Callable[[], None] | None

    def wait_connected(self, seconds: float) -> bool:
        """Wait for the connection, so long at most."""
        ...

    def publish(self, messages: list[tuple[str, bytes, bool]], timeout_s: float = 10.0) -> None:
        """Publish at QoS 1 (topic, payload, retained) and wait for the broker's acknowledgement."""
        ...


@dataclass
class _Seen:
    """Which changes of a table the lists have: the newest number, and those shortly before it."""

    newest: int
    before: deque[int]

    @classmethod
    def all_of(cls, connection: Connection, table: Table) -> _Seen:
        """All that there are by now."""
        numbers = connection.execute(select(table.c.id).order_by(table.c.id.desc()).limit(4 * LOOK_BACK))
        found = [int(number) for number in numbers.scalars()]
        return cls(max(found, default=0), deque(reversed(found), maxlen=4 * LOOK_BACK))


class MqttChannel:
    """Publishes events and the retained lists of present alarms.

    Args:
        publisher: connection to the broker; what it calls after each connection is set.
        failure: what the publisher raises when the broker has not taken the messages.
        root: first level of the topics.
        store: where the present alarms are.
    """

    name = "mqtt"
    most_at_once = 500

    def __init__(self, publisher: Publisher, failure: type[Exception], root: str, store: Store) -> None:
        self._publisher = publisher
        self._failure = failure
        self._root = root
        self._store = store
        self._all_published = False
        self._seen: dict[str, _Seen] = {}
        # A broker that was away may have lost what it retained.
        publisher.on_ready = self.forget

    def forget(self) -> None:
        """Publish all present alarms with the next refresh: the broker may not have them any more."""
        self._all_published = False

    def deliver(self, messages: Sequence[Message]) -> None:
        """Publish events in order."""
        try:
            events = [
                (event_topic(self._root, *_resource(m.subject)), m.body.encode(), False) for m in messages
            ]
        except ValueError as error:
            raise RefusedError(str(error)) from error
        self._publish(events)

    def refresh(self) -> None:
        """Publish the lists that changed since the last refresh; after each connection all of them."""
        # A connection that is just being made is no failure to tell anybody about.
        self._publisher.wait_connected(CONNECT_WAIT_S)
        if self._all_published:
            self._publish_changed()
            return
        # Before anything is read: a connection made meanwhile wants all of it once more.
        self._all_published = True
        try:
            with self._store.reading() as connection:
                seen = {table.name: _Seen.all_of(connection, table) for table in _FOLLOWED}
                lists = self._lists(connection, None)
            self._publish(lists)
        except BaseException:
            self._all_published = False
            raise
        self._seen = seen

    def _publish_changed(self) -> None:
        with self._store.reading() as connection:
            news = {table.name: self._news(connection, table) for table in _FOLLOWED}
            changed = {resource for found in news.values() for resource in found.values()}
            lists = self._lists(connection, changed) if changed else []
        if not changed:
            return
        self._publish(lists)
        for name, found in news.items():
            seen = self._seen[name]
            seen.newest = max([seen.newest, *found])
            seen.before.extend(sorted(found))

    def _news(self, connection: Connection, table: Table) -> dict[int, Resource]:
        """Changes of a table that the lists do not have yet: number and resource."""
        seen = self._seen[table.name]
        columns = (table.c.id, *(table.c[name] for name in tables.ALARM_KEY))
        query = select(*columns).where(table.c.id > seen.newest - LOOK_BACK).order_by(table.c.id)
        known = set(seen.before)
        return {
            int(r.id): _resource(alarm_key(r)) for r in connection.execute(query) if int(r.id) not in known
        }

    def _publish(self, messages: list[tuple[str, bytes, bool]]) -> None:
        try:
            self._publisher.publish(messages)
        except self._failure as error:
            raise DeliveryError(str(error)) from error

    def _lists(
        self, connection: Connection, resources: set[Resource] | None
    ) -> list[tuple[str, bytes, bool]]:
        """Retained lists of the given resources, or of all that ever had an alarm; empty ones too."""
        lists: dict[Resource, list[object]] = {r: [] for r in resources or ()}
        handlings = load_handlings(connection)
        for alarm in self._alarms(connection, resources):
            standing = lists.setdefault(_resource(alarm.key), [])
            if not alarm.is_cleared:
                standing.append(present_alarm(alarm, handlings.get(alarm.key, UNTOUCHED)))
        return [
            (alarm_topic(self._root, *resource), json.dumps(standing, allow_nan=False).encode(), True)
            for resource, standing in lists.items()
        ]

    @staticmethod
    def _alarms(connection: Connection, resources: set[Resource] | None) -> list[Alarm]:
        """Alarms of the given resources, or all, in the order of their keys."""
        if resources is None or len(resources) > FEW:
            found = load_alarms(connection)
            return [found[key] for key in sorted(found) if resources is None or _resource(key) in resources]
        columns = tables.alarms.c
        alarms = []
        for site, transmitter, region, service in sorted(resources):
            query = select(*(columns[name] for name in tables.ALARM_KEY)).where(
                columns.site == site,
                columns.transmitter == transmitter,
                columns.region == region,
                columns.service == service,
                columns.is_cleared.is_(False),
            )
            keys = sorted(alarm_key(r) for r in connection.execute(query))
            alarms += [a for key in keys if (a := load_alarm(connection, key)) is not None]
        return alarms

    def close(self) -> None:
        """The connection belongs to whoever made it."""
