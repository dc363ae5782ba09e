"""Alarm changes as CloudEvents 1.0 in JSON: one shape on every channel."""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from standingwatch.alarms.lifecycle import Alarm, Change
from standingwatch.alarms.text import sentence
from standingwatch.detect.interface import LikelyCause, Value
from standingwatch.detect.words import Condition

#: Prefix of the CloudEvents `type`.
EVENT_TYPE = "standingwatch.alarm"

#: X.733 probable cause of each condition (names of ITU-T X.733, as registered in RFC 3877).
PROBABLE_CAUSE = {
    Condition.SWR_HIGH: "thresholdCrossed",
    Condition.SWR_RISING: "performanceDegraded",
    Condition.SWR_STEP: "performanceDegraded",
    Condition.SWR_INTERMITTENT: "performanceDegraded",
    Condition.SWR_WEATHER: "performanceDegraded",
    Condition.FEEDER_LOSS_RISING: "degradedSignal",
    Condition.FORWARD_POWER_LOW: "transmitterFailure",
    Condition.FOLDBACK_ACTIVE: "transmitterFailure",
    Condition.MEASUREMENT_SUSPECT: "inputDeviceError",
    Condition.REPORTS_MISSING: "lossOfSignal",
    Condition.SITE_UNREACHABLE: "communicationsSubsystemFailure",
}

_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:standingwatch:alarm-change")


def rfc3339(time_us: int) -> str:
    """A time as RFC 3339 in UTC with microseconds where there are any."""
    moment = datetime.fromtimestamp(time_us // 1_000_000, tz=UTC).replace(microsecond=time_us % 1_000_000)
    return moment.isoformat().replace("+00:00", "Z")


def plain(values: Mapping[str, Value]) -> dict[str, Value]:
    """Values as JSON can hold them: infinity as the word, NaN as null."""
    result: dict[str, Value] = {}
    for name, value in values.items():
        if isinstance(value, float) and not math.isfinite(value):
            result[name] = None if math.isnan(value) else "infinite"
        elif isinstance(value, float):
            result[name] = round(value, 6)
        else:
            result[name] = value
    return result


def causes_as_data(causes: tuple[LikelyCause, ...]) -> list[dict[str, Any]]:
    """Likely causes as JSON data."""
    return [{"cause": c.cause.value, "confidence": c.confidence, "because": c.because} for c in causes]


def event_id(source: str, change: Change) -> str:
    """Identity of a change: the same however often it is worked out."""
    key = change.alarm.key
    name = "\n".join(
        [source, key.site, key.transmitter, key.condition, str(change.alarm.changes), str(change.time_us)]
    )
    return str(uuid.uuid5(_NAMESPACE, name))


def change_data(change: Change) -> dict[str, Any]:
    """The `data` of a change's event."""
    alarm = change.alarm
    key = alarm.key
    return {
        "site": key.site,
        "transmitter": key.transmitter or None,
        "condition": key.condition.value,
        "severity": change.severity.word,
        "previous_severity": change.previous.word,
        "time_raised": rfc3339(alarm.raised_us),
        "time_changed": rfc3339(change.time_us),
        "probable_cause": PROBABLE_CAUSE[key.condition],
        "likely_causes": causes_as_data(alarm.causes),
        "evidence": plain(alarm.values),
        "forecast": None,
        "text": sentence(change),
    }


def cloudevent(change: Change, source: str) -> dict[str, Any]:
    """A change as a CloudEvent.

    Args:
        change: the status change.
        source: URI-reference of this service, the CloudEvents `source`.
    """
    key = change.alarm.key
    return {
        "specversion": "1.0",
        "id": event_id(source, change),
        "source": source,
        "type": f"{EVENT_TYPE}.{change.kind.value}",
        "subject": f"{key.site}/{key.transmitter}" if key.transmitter else key.site,
        "time": rfc3339(change.noted_us),
        "datacontenttype": "application/json",
        "data": change_data(change),
    }


def present_alarm(alarm: Alarm) -> dict[str, Any]:
    """An alarm that stands, as one element of the retained list of its resource."""
    return {
        "site": alarm.key.site,
        "transmitter": alarm.key.transmitter or None,
        "condition": alarm.key.condition.value,
        "severity": alarm.severity.word,
        "time_raised": rfc3339(alarm.raised_us),
        "time_changed": rfc3339(alarm.changed_us),
        "probable_cause": PROBABLE_CAUSE[alarm.key.condition],
        "likely_causes": causes_as_data(alarm.causes),
        "evidence": plain(alarm.values),
    }
