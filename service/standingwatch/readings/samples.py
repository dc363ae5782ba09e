"""One sample message of a device, whatever its format: what a profile makes of it, and a draft from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from standingwatch.readings.decode import Refusal, TimeIfAbsent
from standingwatch.readings.profile import Profile
from standingwatch.readings.profile.draft import Draft, DraftError, Places, draft_metrics, draft_profile
from standingwatch.readings.profile.model import Format
from standingwatch.readings.profile.trace import TracedReport, trace_message, trace_record
from standingwatch.readings.sparkplug.payload import (
    BadPayloadError,
    Payload,
    Plain,
    decode_payload,
    plain_value,
)
from standingwatch.readings.sparkplug.topic import SparkplugTopic, parse_sparkplug_topic


def trace_sample(
    profile: Profile,
    topic: str,
    payload: bytes,
    received_us: int,
    *,
    time_if_absent: TimeIfAbsent,
    most: int = 20_000,
) -> list[TracedReport]:
    """What a profile makes of a message, field by field.

    As `profile.trace.trace_message`; for a profile of format `sparkplug` the metrics that this one message
    names. What the host application knows from earlier messages, aliases and values that did not change, is
    not known here. It never raises.
    """
    if profile.format != "sparkplug":
        return trace_message(profile, topic, payload, received_us, time_if_absent=time_if_absent, most=most)
    named = parse_sparkplug_topic(topic)
    parts = profile.topic.match(_address(named)) if isinstance(named, SparkplugTopic) else None
    if parts is None:
        detail = (
            f"profile {profile.name} reads Sparkplug devices like {profile.topic.text}; wanted a topic like "
            "spBv1.0/GROUP/DBIRTH/NODE/DEVICE"
        )
        return [_refused("unknown-topic", detail, payload)]
    try:
        found = decode_payload(payload)
        values = _values(found)
    except BadPayloadError as error:
        return [_refused("bad-sparkplug", str(error), payload)]
    if not values and any(metric.alias is not None for metric in found.metrics):
        detail = "its metrics have numbers (aliases) alone; take a birth (DBIRTH or NBIRTH), which names them"
        return [_refused("unknown-alias", detail, payload)]
    times = [metric.time_ms for metric in found.metrics if metric.time_ms is not None]
    time_ms = max(times, default=found.time_ms)
    said_us = received_us if time_ms is None else time_ms * 1000
    report = trace_record(profile, parts, values, said_us)
    if time_ms is None:
        return [report]
    where = "timestamps of the metrics" if times else "timestamp of the payload"
    fields = tuple(
        replace(row, where=where) if row.name == "time" and row.where == "receipt" else row
        for row in report.fields
    )
    return [replace(report, fields=fields)]


def draft_sample(topic: str, payload: bytes, *, format: Format | None = None, places: Places = ()) -> Draft:
    """A start for a profile from one message, as `profile.draft.draft_profile`; of Sparkplug from a birth.

    Raises
    ------
    DraftError
        As there, and for a Sparkplug message that does not name its metrics.
    """
    named = parse_sparkplug_topic(topic)
    if format not in (None, "sparkplug") or not isinstance(named, SparkplugTopic):
        return draft_profile(topic, payload, format=format, places=places)
    try:
        return draft_metrics(topic, _values(decode_payload(payload)))
    except BadPayloadError as error:
        raise DraftError(f"the example is no Sparkplug payload: {error}") from error


def _address(topic: SparkplugTopic) -> str:
    return "/".join((*topic.node, topic.device) if topic.device else topic.node)


def _values(payload: Payload) -> Mapping[str, Plain | None]:
    """The values by name of those metrics that have one and hold a single value."""
    values: dict[str, Plain | None] = {}
    for metric in payload.metrics:
        if not metric.name:
            continue
        try:
            values[metric.name] = plain_value(metric, metric.datatype)
        except ValueError:
            continue  # A table or an array: no field can be made of it, and the host application says so.
    return values


def _refused(reason: str, detail: str, payload: bytes) -> TracedReport:
    return TracedReport("", "", (), None, Refusal(reason, detail, payload))


__all__ = ["DraftError", "draft_sample", "trace_sample"]
