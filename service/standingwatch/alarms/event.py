"""Alarm changes as CloudEvents 1.0 in JSON: one shape on every channel."""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Literal

from standingwatch.alarms.handling import UNTOUCHED, Handling
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change
from standingwatch.alarms.shape import (
    EVENT_TYPES,
    PROBABLE_CAUSE,
    AlarmData,
    AlarmEvent,
    ForecastData,
    LikelyCauseData,
    PresentAlarm,
    Resource,
)
from standingwatch.alarms.text import sentence
from standingwatch.detect.interface import LikelyCause, LimitForecast, Value

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


def causes_as_data(causes: tuple[LikelyCause, ...]) -> list[LikelyCauseData]:
    """Likely causes as JSON data."""
    return [{"cause": c.cause.value, "confidence": c.confidence, "because": c.because} for c in causes]


def forecast_as_data(forecast: tuple[LimitForecast, ...]) -> list[ForecastData]:
    """When limits are reached as JSON data: dates as RFC 3339, null where nothing can be said."""
    return [
        {
            "limit": f.limit,
            "swr": _limit(f.swr),
            "says": f.says,
            "earliest": _date(f.earliest_us),
            "expected": _date(f.expected_us),
            "latest": _date(f.latest_us),
        }
        for f in forecast
    ]


def _limit(swr: float) -> float | Literal["infinite"] | None:
    """An SWR as `plain` gives it."""
    if math.isfinite(swr):
        return round(swr, 6)
    return None if math.isnan(swr) else "infinite"


def _date(time_us: int | None) -> str | None:
    return None if time_us is None else rfc3339(time_us)


def resource(key: AlarmKey) -> Resource:
    """What an alarm is about as JSON data: null for what it is not about."""
    return {
        "site": key.site or None,
        "transmitter": key.transmitter or None,
        "region": key.region or None,
        "service": key.service or None,
    }


def subject(key: AlarmKey) -> str:
    """What an alarm is about as the CloudEvents `subject`.

    "SITE/TRANSMITTER", "SITE", "region/NAME", or "service/PART" where it is about a part of this service.
    """
    if key.service:
        return f"service/{key.service}"
    if key.region:
        return f"region/{key.region}"
    return f"{key.site}/{key.transmitter}" if key.transmitter else key.site


def event_id(source: str, change: Change) -> str:
    """Identity of a change: the same however often it is worked out."""
    key = change.alarm.key
    parts = [source, key.site, key.transmitter, key.condition, str(change.alarm.changes), str(change.time_us)]
    if key.region:
        # Appended only then, so that no other change ever gets another id.
        parts.append(key.region)
    if key.service:
        parts += ["service", key.service]
    return str(uuid.uuid5(_NAMESPACE, "\n".join(parts)))


def change_data(change: Change) -> AlarmData:
    """The `data` of a change's event."""
    alarm = change.alarm
    key = alarm.key
    return {
        **resource(key),
        "condition": key.condition.value,
        "severity": change.severity.word,
        "previous_severity": change.previous.word,
        "time_raised": rfc3339(alarm.raised_us),
        "time_changed": rfc3339(change.time_us),
        "probable_cause": PROBABLE_CAUSE[key.condition],
        "likely_causes": causes_as_data(alarm.causes),
        "evidence": plain(alarm.values),
        "members": list(alarm.members),
        "chatters": alarm.chatters,
        "forecast": forecast_as_data(alarm.forecast),
        "text": sentence(change),
    }


def cloudevent(change: Change, source: str) -> AlarmEvent:
    """A change as a CloudEvent.

    Args:
        change: the status change.
        source: URI-reference of this service, the CloudEvents `source`.
    """
    return {
        "specversion": "1.0",
        "id": event_id(source, change),
        "source": source,
        "type": EVENT_TYPES[change.kind],
        "subject": subject(change.alarm.key),
        "time": rfc3339(change.noted_us),
        "datacontenttype": "application/json",
        "data": change_data(change),
    }


def present_alarm(alarm: Alarm, handling: Handling = UNTOUCHED) -> PresentAlarm:
    """An alarm that stands and what was done with it, as one element of the retained list of its resource."""
    return {
        **resource(alarm.key),
        "condition": alarm.key.condition.value,
        "severity": alarm.severity.word,
        "time_raised": rfc3339(alarm.raised_us),
        "time_changed": rfc3339(alarm.changed_us),
        "probable_cause": PROBABLE_CAUSE[alarm.key.condition],
        "likely_causes": causes_as_data(alarm.causes),
        "evidence": plain(alarm.values),
        "members": list(alarm.members),
        "chatters": alarm.chatters,
        "forecast": forecast_as_data(alarm.forecast),
        "operator_state": handling.state.value,
        "assigned_to": handling.assigned_to or None,
    }
