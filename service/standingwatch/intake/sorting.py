"""What a batch of messages holds: readings and whose they are, states of links, and what is refused."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from standingwatch.alarms.event import rfc3339
from standingwatch.readings import Fleet, LinkTopic, Reading, decode_report, parse_time, parse_topic
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
    """

    topic: str
    payload: bytes
    received_us: int
    retained: bool = False
    message_id: int = 0
    qos: int = 0
    connection: int = 0


@dataclass
class Sorted:
    """A batch after decoding."""

    positions: list[int] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    received_us: list[int] = field(default_factory=list)
    sources: list[Arrived] = field(default_factory=list)
    links: list[LinkReport] = field(default_factory=list)
    refused: list[RefusedReport] = field(default_factory=list)


class Sorter:
    """Decodes messages for a fleet; nothing that a message holds stops the others.

    Args:
        settings: of the intake.
        root: first level of the topics.
        fleet: the site list; a changed one is put in its place.
    """

    def __init__(self, settings: IntakeSettings, root: str, fleet: Fleet) -> None:
        self._settings = settings
        self._root = root
        self.fleet = fleet

    def sort(self, batch: Sequence[Arrived]) -> Sorted:
        """Decode each message; nothing that it holds may stop the others."""
        result = Sorted()
        for message in batch:
            topic = parse_topic(self._root, message.topic)
            if topic is None:
                detail = f"wanted {self._root}/report/SITE/TRANSMITTER or {self._root}/link/SITE"
                result.refused.append(refused(message, "unknown-topic", detail))
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
        if len(message.payload) > self._settings.max_payload_bytes:
            detail = (
                f"{len(message.payload)} bytes, at most {self._settings.max_payload_bytes} are taken "
                "(intake.max_payload_bytes); send fewer reports in one message"
            )
            result.refused.append(refused(message, "too-large", detail))
            return
        decoded = decode_report(
            message.payload, message.received_us, time_if_absent=self._settings.time_if_absent
        )
        count = len(decoded.readings)
        result.positions += [position] * count
        result.readings += decoded.readings
        result.received_us += [message.received_us] * count
        result.sources += [message] * count
        result.refused += [refused(message, r.reason, r.detail, r.part) for r in decoded.refusals]

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


def refused(message: Arrived, reason: str, detail: str, part: bytes | None = None) -> RefusedReport:
    """A message, or a part of it, that cannot be used."""
    payload = message.payload if part is None else part
    return RefusedReport(message.received_us, message.topic, payload, reason, detail)
