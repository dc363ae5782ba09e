"""What a batch of messages holds: readings and whose they are, states of links, and what is refused.

The service's own topics are read in its own format, all others by the payload profiles whose patterns fit
them: by the one that the site list names for a transmitter, else by the first.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from standingwatch.alarms.event import rfc3339
from standingwatch.intake.routes import Route, Routes
from standingwatch.readings import Fleet, LinkTopic, Reading, decode_report, parse_time, parse_topic
from standingwatch.readings.profile import Part, Placed, Profile, ProfileRead, read_parts
from standingwatch.readings.profile.model import NAMES, Record
from standingwatch.readings.profile.report import place_of
from standingwatch.readings.sparkplug.kept import read_kept
from standingwatch.readings.sparkplug.mapping import ProfileMap
from standingwatch.readings.sparkplug.topic import SparkplugTopic, parse_sparkplug_topic
from standingwatch.settings import IntakeSettings
from standingwatch.store.reports import LinkReport, RefusedReport


class Arrived(NamedTuple):
    """A message as it came.

    Attributes:
        topic: its topic.
        payload: its bytes.
        received_us: when it came [Unix microseconds].
        retained: whether the broker had kept it.
        message_id, qos, connection: what its acknowledgement needs.
        refusal: reason and sentence where it is known already that it cannot be used; None otherwise.
        is_again: whether the broker says that it delivered it before, and may have to us.
    """

    topic: str
    payload: bytes
    received_us: int
    retained: bool = False
    message_id: int = 0
    qos: int = 0
    connection: int = 0
    refusal: tuple[str, str] | None = None
    is_again: bool = False


@dataclass
class Sorted:
    """A batch after decoding: a position, reading, time of receipt and source for each reading.

    Attributes:
        positions: of the transmitters in the fleet.
        readings: the readings.
        received_us: when each came [Unix microseconds].
        sources: the message of each.
        links: states of links.
        refused: what cannot be used.
        parts: bare numbers, which make readings with others.
        alone: gives the part of the source that a reading came from, by the reading's number here; no entry
            where that is the whole source, or where `alone` makes one of the reading itself.
        made_of: the bare numbers that a reading was joined of, by the reading's number here.
        passed_over: messages that the broker had kept and that do not say when they were measured.
    """

    positions: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    received_us: list[int] = field(default_factory=list)
    sources: list[Arrived] = field(default_factory=list)
    links: list[LinkReport] = field(default_factory=list)
    refused: list[RefusedReport] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    alone: dict[int, Callable[[], bytes]] = field(default_factory=dict)
    made_of: dict[int, tuple[Part, ...]] = field(default_factory=dict)
    passed_over: int = 0

    def add(self, position: int, reading: Reading, source: Arrived) -> None:
        """Add a reading."""
        self.positions.append(position)
        self.readings.append(reading)
        self.received_us.append(source.received_us)
        self.sources.append(source)

    def refuse_reading(self, number: int, reason: str, detail: str) -> None:
        """Refuse a reading that could not be kept: what it came from is to be put in again as it came."""
        source = self.sources[number]
        if number in self.made_of:
            self.refused += [refused_part(part, reason, detail) for part in self.made_of[number]]
        elif number in self.alone:
            self.refused.append(refused(source, reason, detail, self.alone[number]()))
        else:
            self.refused.append(refused(source, reason, detail, alone(source, self.readings[number])))


class Sorter:
    """Decodes messages for a fleet; nothing that a message holds stops the others.

    Args:
        settings: of the intake.
        root: first level of the topics.
        fleet: the site list; a changed one is put in its place.
        profiles: for topics that are not the service's own, in their order.
    """

    def __init__(
        self, settings: IntakeSettings, root: str, fleet: Fleet, profiles: Iterable[Profile] = ()
    ) -> None:
        self._settings = settings
        self._root = root
        self._fleet = fleet
        #: Positions by the topic of a report, as far as they were looked up; no more than the fleet has.
        self._position_of: dict[str, int] = {}
        every = tuple(profiles)
        self._routes = Routes(every)
        self._sparkplug = ProfileMap(every)

    @property
    def fleet(self) -> Fleet:
        """The site list; a changed one is put in its place."""
        return self._fleet

    @fleet.setter
    def fleet(self, fleet: Fleet) -> None:
        self._fleet = fleet
        self._position_of = {}

    @property
    def profiles(self) -> tuple[Profile, ...]:
        """The profiles that read payloads, in their order."""
        return self._routes.profiles

    @property
    def joins(self) -> bool:
        """Whether there can be bare numbers, which wait for others."""
        return self._routes.joins

    def sort(self, batch: Sequence[Arrived]) -> Sorted:
        """Decode each message; nothing that it holds may stop the others."""
        result = Sorted()
        for message in batch:
            if message.refusal is not None:
                result.refused.append(refused(message, *message.refusal))
                continue
            position = self._position_of.get(message.topic)
            if position is not None:
                self._take_report(message, position, result)
                continue
            topic = parse_topic(self._root, message.topic)
            if topic is None:
                self._sort_foreign(message, result)
            elif isinstance(topic, LinkTopic):
                self._sort_link(message, topic.site, result)
            else:
                self._sort_report(message, topic.site, topic.transmitter, result)
        return result

    def _sort_report(self, message: Arrived, site: str, transmitter: str, result: Sorted) -> None:
        position = self.fleet.position.get((site, transmitter))
        if position is None:
            detail = (
                f"{site}/{transmitter} is not in the site list; add it (standingwatch inventory import) and "
                "put the report in again (standingwatch refused retry)"
            )
            result.refused.append(refused(message, "unknown-transmitter", detail))
            return
        self._position_of[message.topic] = position
        self._take_report(message, position, result)

    def _take_report(self, message: Arrived, position: int, result: Sorted) -> None:
        """Add what a message holds that comes from a transmitter of the fleet."""
        if self._is_too_large(message, result):
            return
        decoded = decode_report(
            message.payload, message.received_us, time_if_absent=self._settings.time_if_absent
        )
        count = len(decoded.readings)
        result.positions += [position] * count
        result.readings += decoded.readings
        result.received_us += [message.received_us] * count
        result.sources += [message] * count
        if decoded.refusals:
            result.refused += [refused(message, r.reason, r.detail, r.part) for r in decoded.refusals]

    def _is_too_large(self, message: Arrived, result: Sorted) -> bool:
        most = self._settings.max_payload_bytes
        if len(message.payload) <= most:
            return False
        detail = (
            f"{len(message.payload)} bytes, at most {most} are taken (intake.max_payload_bytes); send fewer "
            "reports in one message"
        )
        result.refused.append(refused(message, "too-large", detail))
        return True

    # Profiles -------------------------------------------------------------------------------------------

    def _sort_foreign(self, message: Arrived, result: Sorted) -> None:
        """Read a message on a topic that is not the service's own."""
        if isinstance(parse_sparkplug_topic(message.topic), SparkplugTopic):
            self._sort_sparkplug(message, result)
            return
        routes = self._routes.of(message.topic)
        if not routes:
            detail = f"wanted {self._root}/report/SITE/TRANSMITTER or {self._root}/link/SITE"
            if self._routes.profiles:
                detail += ", or a topic that a profile reads; there is " + ", ".join(
                    f"{one.name}: {one.topic.text}" for one in self._routes.profiles
                )
            result.refused.append(refused(message, "unknown-topic", detail))
            return
        if self._is_too_large(message, result):
            return
        if not message.payload and message.retained:
            return  # the device took back what the broker had kept
        route = self._route_by_topic(routes)
        if route is not None:
            self._take(message, route, self._read(message, route, result), result)
            return
        # Only the payload tells whose reports these are: each profile that the site list names has its say,
        # and the first one the rest.
        first, taken = routes[0], set[str]()
        for other in routes[1:]:
            if other.profile.name in self.fleet.profile:
                read = self._read(message, other, result)
                mine = ProfileRead(
                    [one for one in read.placed if self._named(one) == other.profile.name],
                    [],
                    [one for one in read.parts if self._named(one) == other.profile.name],
                )
                if mine.placed or mine.parts:
                    taken.add(other.profile.name)
                    self._take(message, other, mine, result)
        read = self._read(message, first, result)
        if taken:
            rest = ProfileRead(
                [one for one in read.placed if self._named(one) not in taken],
                # A payload of which the first profile reads nothing was not meant for it.
                read.refusals if read.placed or read.parts else [],
                [one for one in read.parts if self._named(one) not in taken],
            )
            read = rest
        self._take(message, first, read, result)

    def _sort_sparkplug(self, message: Arrived, result: Sorted) -> None:
        """Read a report again that a profile for Sparkplug had refused; new ones come on our own topics."""
        found = read_kept(
            self._sparkplug,
            message.topic,
            message.payload,
            message.received_us,
            time_if_absent=self._settings.time_if_absent,
        )
        for mapped, read in found:
            self._take(message, Route(mapped.profile, mapped.parts), read, result)
        if not found:
            detail = (
                "a message of Sparkplug B means something only within its session, which is over; the births "
                "that the host asks for bring the present state"
            )
            result.refused.append(refused(message, "no-birth", detail))

    def _route_by_topic(self, routes: tuple[Route, ...]) -> Route | None:
        """The profile that reads a topic, where that can be told without the payload."""
        if len(routes) == 1 or not self.fleet.profile:
            return routes[0]
        for route in routes:
            if any(name in route.profile.rules.fields for name in NAMES):
                return None
            site, transmitter = place_of(route.profile, Record({}, {}, route.parts))
            position = self.fleet.position.get((site, transmitter))
            if position is not None and self.fleet.profile[position] == route.profile.name:
                return route
        return routes[0]

    def _named(self, one: Placed | Part) -> str:
        """The profile that the site list names for a transmitter; "" for none."""
        position = self.fleet.position.get((one.site, one.transmitter))
        return "" if position is None or not self.fleet.profile else self.fleet.profile[position]

    def _read(self, message: Arrived, route: Route, result: Sorted) -> ProfileRead:
        if message.retained and "time" not in route.profile.rules.fields:
            # Kept by the broker since nobody knows when: the time of its receipt would be a lie.
            result.passed_over += 1
            return ProfileRead([], [], [])
        return read_parts(
            route.profile,
            message.topic,
            route.parts,
            message.payload,
            message.received_us,
            time_if_absent="refuse" if message.retained else self._settings.time_if_absent,
        )

    def _take(self, message: Arrived, route: Route, read: ProfileRead, result: Sorted) -> None:
        """Add what a profile has read, as far as the site list has it and does not name another profile."""
        result.refused += [refused(message, r.reason, r.detail, r.part) for r in read.refusals]
        for placed in read.placed:
            found = self._position(route, placed)
            if isinstance(found, int):
                result.alone[len(result.readings)] = _part_of(placed)
                result.add(found, placed.reading, message)
            else:
                result.refused.append(refused(message, *found, placed.part))
        for part in read.parts:
            found = self._position(route, part)
            if isinstance(found, int):
                result.parts.append(part)
            else:
                result.refused.append(refused(message, *found))

    def _position(self, route: Route, one: Placed | Part) -> int | tuple[str, str]:
        """Where in the fleet a report belongs that a profile has read; else reason and sentence why not."""
        name = route.profile.name
        position = self.fleet.position.get((one.site, one.transmitter))
        if position is None:
            return (
                "unknown-transmitter",
                f"{one.site}/{one.transmitter} is not in the site list; add it (standingwatch inventory "
                f"import), or give its name there in [sites] or [transmitters] of the profile {name}, and "
                "put the report in again (standingwatch refused retry)",
            )
        named = self.fleet.profile[position] if self.fleet.profile else ""
        if named and named != name:
            return (
                "unknown-place",
                f"the site list says profile {named} for {one.site}/{one.transmitter}, whose topics are "
                f"others; this one is read by {name}: correct the site list or `topic` of {named}",
            )
        return position

    # The service's own topics ---------------------------------------------------------------------------

    def _sort_link(self, message: Arrived, site: str, result: Sorted) -> None:
        if site not in self.fleet.site_names:
            detail = (
                f"no transmitter of site {site} is in the site list; add it (standingwatch inventory import)"
            )
            result.refused.append(refused(message, "unknown-site", detail))
            return
        if not message.payload:
            return  # the site took its retained state back
        try:
            said: Any = json.loads(message.payload)
            online = said["online"]
            if not isinstance(online, bool):
                raise TypeError("online is not true or false")
            given = parse_time(said["time"]) if said.get("time") is not None else message.received_us
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            detail = f'wanted {{"online": true or false, "time": RFC 3339}}; {type(error).__name__}: {error}'
            result.refused.append(refused(message, "bad-link", detail))
            return
        # A will was written when the site connected: it knows that the link broke, and not when.
        time_us = given if online or message.retained else message.received_us
        result.links.append(LinkReport(site, time_us, online))


def alone(message: Arrived, reading: Reading) -> bytes | None:
    """A report out of an array as a message of its own; None where it came alone."""
    if message.payload.lstrip()[:1] == b"{":
        return None
    said = {name: value for name, value in reading._asdict().items() if value is not None}
    return json.dumps({"time": rfc3339(said.pop("time_us")), **said}).encode()


def _part_of(placed: Placed) -> Callable[[], bytes]:
    return lambda: placed.part


def refused_part(part: Part, reason: str, detail: str) -> RefusedReport:
    """A bare number that no reading can be made of."""
    return RefusedReport(part.received_us, part.topic, part.payload, reason, detail)


def refused(message: Arrived, reason: str, detail: str, part: bytes | None = None) -> RefusedReport:
    """A message, or a part of it, that cannot be used."""
    payload = message.payload if part is None else part
    return RefusedReport(message.received_us, message.topic, payload, reason, detail)
