"""A report that a profile refused, kept so that it can be read again once the profile is mended.

The message itself would not do: its aliases mean something only within a session that is over. What is kept
is JSON: `profile`, the name of the profile; `time_ms`, the time of the report [ms since 1970-01-01 UTC] or
null; `metrics`, the values by name as the report was to be made of them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.readings.profile.read import ProfileRead
from standingwatch.readings.profile.records import placed_from_record
from standingwatch.readings.sparkplug.mapping import Mapped, ProfileMap
from standingwatch.readings.sparkplug.payload import Plain
from standingwatch.readings.sparkplug.topic import SparkplugTopic, parse_sparkplug_topic


def kept_record(profile: str, time_us: int | None, record: Mapping[str, Plain]) -> bytes:
    """What is kept of a report."""
    time_ms = None if time_us is None else time_us // 1000
    return json.dumps({"profile": profile, "time_ms": time_ms, "metrics": dict(record)}).encode()


def read_kept(
    profiles: ProfileMap, topic: str, payload: bytes, received_us: int, *, time_if_absent: TimeIfAbsent
) -> list[tuple[Mapped, ProfileRead]]:
    """The report again, by the profile of its name, or by all that fit where there is none of it any more.

    Parameters
    ----------
    profiles
        As they are now.
    topic, payload
        Those of the refused report.
    received_us
        When it came [us since 1970-01-01 UTC].
    time_if_absent
        What becomes of one that has no time.

    Returns
    -------
    list
        What each profile makes of it; [] where the payload is not one that `kept_record` made, as a message
        that was refused for its session is none, and where no profile fits the topic.
    """
    named = parse_sparkplug_topic(topic)
    if not isinstance(named, SparkplugTopic):
        return []
    try:
        said = json.loads(payload)
        record, time_ms, name = dict(said["metrics"]), said["time_ms"], said["profile"]
        time_us = None if time_ms is None else int(time_ms) * 1000
    except (ValueError, TypeError, KeyError, RecursionError):
        return []
    fitting = profiles.of(named.node, named.device)
    own = [one for one in fitting if one.profile.name == name]
    return [
        (
            mapped,
            placed_from_record(
                mapped.profile,
                mapped.parts,
                record,
                received_us if time_us is None else time_us,
                payload=payload,
                time_if_absent=time_if_absent if time_us is None else "receipt",
            ),
        )
        for mapped in own or fitting
    ]
