"""What a message of the outbox says, for channels that put it in words of their own."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import several
from standingwatch.detect.words import Severity
from standingwatch.notify.channel import RefusedError
from standingwatch.store.outbox import Message

#: CloudEvents `type` of an event that only proves a channel.
TEST_TYPE: Final = "standingwatch.test"

SUMMARY, REMINDER, TEST = "summary", "reminder", "test"

#: What each condition is called, by its word.
_CALLED = {condition.value: text for condition, text in WHAT.items()}
_SEVERITIES = frozenset(s.word for s in Severity)


@dataclass(frozen=True)
class Content:
    """What a message says; "" for what it does not.

    Attributes:
        event_id: the CloudEvents `id`.
        kind: the last part of the CloudEvents `type`: raised, changed, cleared, reminder, summary, test.
        severity, previous: severity words.
        site, transmitter, region, service, condition: what it is about.
        raised, changed: times as RFC 3339.
        probable_cause: X.733 name.
        text: all of it in words.
        data: the `data` of the event.
    """

    event_id: str
    kind: str
    severity: str
    previous: str
    site: str
    transmitter: str
    region: str
    service: str
    condition: str
    raised: str
    changed: str
    probable_cause: str
    text: str
    data: Mapping[str, Any] = field(repr=False)

    @property
    def where(self) -> str:
        """What it is about, in words."""
        if self.transmitter:
            return f"{self.site}/{self.transmitter}"
        if self.service:
            return f"Standing Watch itself, {self.service}"
        if self.region:
            return f"region {self.region}"
        return f"site {self.site}" if self.site else "the fleet"

    @property
    def what(self) -> str:
        """What happened, in a few words."""
        if self.kind == TEST:
            return "test of this channel, no alarm"
        if self.kind == SUMMARY:
            return self._counted()
        what = called(self.condition)
        return f"{what}, not acknowledged" if self.kind == REMINDER else what

    def _counted(self) -> str:
        """How many alarms a summary is about."""
        counts = self.data.get("counts")
        counts = counts if isinstance(counts, dict) else {}
        standing = [s for s in Severity if s is not Severity.CLEARED and counts.get(s.word)]
        parts = [f"{counts[s.word]} {s.word}" for s in reversed(standing)]
        number = sum(int(counts[s.word]) for s in standing)
        words = [f"{several(number, 'alarm')} ({', '.join(parts)})"] if standing else []
        if counts.get("cleared"):
            words.append(f"{counts['cleared']} ended")
        return ", ".join(words) or "summary"

    @property
    def headline(self) -> str:
        """Severity, where and what, on one line."""
        return f"{self.severity}: {self.where}: {self.what}"


def content_of(message: Message) -> Content:
    """What a message says.

    Raises:
        RefusedError: if it is not an event.
    """
    try:
        event = json.loads(message.body)
    except ValueError as error:
        raise RefusedError(f"the message is not JSON: {error}") from error
    data = event.get("data") if isinstance(event, dict) else None
    if not isinstance(data, dict):
        raise RefusedError("the message is not an event: it has no data")

    def text(name: str) -> str:
        value = data.get(name)
        return value if isinstance(value, str) else ""

    if text("severity") not in _SEVERITIES:
        raise RefusedError(f"the message has no severity: {data.get('severity')!r}")
    return Content(
        event_id=message.event_id,
        kind=str(event.get("type", "")).rpartition(".")[2],
        severity=text("severity"),
        previous=text("previous_severity"),
        site=text("site"),
        transmitter=text("transmitter"),
        region=text("region"),
        service=text("service"),
        condition=text("condition"),
        raised=text("time_raised"),
        changed=text("time_changed"),
        probable_cause=text("probable_cause"),
        text=text("text"),
        data=data,
    )


def unix_us(rfc3339: str) -> int | None:
    """A time of an event [Unix microseconds]; None where there is none.

    Raises:
        RefusedError: if it cannot be read.
    """
    try:
        return round(datetime.fromisoformat(rfc3339).timestamp() * 1e6) if rfc3339 else None
    except ValueError as error:
        raise RefusedError(f"the message has a time that cannot be read: {rfc3339!r}") from error


def one_line(text: str) -> str:
    """Text without line breaks or other control characters, with single spaces."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def called(condition: str) -> str:
    """What a condition is called; its own word where it has no other name."""
    return _CALLED.get(condition, condition)
