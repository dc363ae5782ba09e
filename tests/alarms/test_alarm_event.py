"""Alarm changes as CloudEvents 1.0, with the words of RFC 8632 and ITU-T X.733."""

from __future__ import annotations

import json
import math
from datetime import datetime

import pytest

from standingwatch.alarms.event import PROBABLE_CAUSE, cloudevent, present_alarm, rfc3339
from standingwatch.alarms.lifecycle import AlarmKey, Change, Evidence, apply
from standingwatch.detect.cause import causes_of_high_swr
from standingwatch.detect.words import Condition, Severity

#: Attributes that CloudEvents 1.0 requires (section "Required Attributes").
REQUIRED = {"id", "source", "specversion", "type"}

#: Names of ITU-T X.733 probable causes, as in the list that RFC 3877 registers; those used here.
X733 = {
    "thresholdCrossed",
    "performanceDegraded",
    "degradedSignal",
    "transmitterFailure",
    "inputDeviceError",
    "lossOfSignal",
    "communicationsSubsystemFailure",
}

#: Numbers of `severity-with-clear`, RFC 8632.
RFC8632 = {"cleared": 1, "warning": 3, "minor": 4, "major": 5, "critical": 6}

MEMBERS = {
    *("site", "transmitter", "condition", "severity", "previous_severity", "time_raised", "time_changed"),
    *("probable_cause", "likely_causes", "evidence", "forecast", "text"),
}


def change(swr: float = 2.5, time_us: int = 1_795_000_000_000_000) -> Change:
    values = {"swr": swr, "limit_swr": 2.0, "forward_w": 98.0, "reflected_w": 18.0, "swr_at_antenna": None}
    found = apply(
        None,
        Evidence(
            AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH),
            Severity.MAJOR,
            time_us,
            values,
            causes_of_high_swr(swr, 1.2),
        ),
        time_us + 5_000_000,
    )
    assert found is not None
    return found


def test_the_envelope() -> None:
    event = cloudevent(change(), "urn:standingwatch:test")
    assert set(event) >= REQUIRED
    assert event["specversion"] == "1.0"
    assert event["type"].endswith(".alarm.raised")
    assert event["subject"] == "alder-ridge/rpt-1"
    assert datetime.fromisoformat(event["time"]).utcoffset() is not None
    assert set(event["data"]) == MEMBERS


def test_the_id_belongs_to_the_change() -> None:
    source = "urn:standingwatch:test"
    assert cloudevent(change(), source)["id"] == cloudevent(change(), source)["id"]
    later = cloudevent(change(time_us=1_795_000_000_000_001), source)
    assert later["id"] != cloudevent(change(), source)["id"]
    assert cloudevent(change(), "urn:standingwatch:other")["id"] != cloudevent(change(), source)["id"]


def test_infinity_is_a_word_and_the_json_is_strict() -> None:
    event = cloudevent(change(swr=math.inf), "urn:standingwatch:test")
    text = json.dumps(event, allow_nan=False)
    assert json.loads(text)["data"]["evidence"]["swr"] == "infinite"
    assert json.dumps(present_alarm(change(swr=math.inf).alarm), allow_nan=False)


def test_the_words_are_the_standards() -> None:
    assert {s.word: int(s) for s in Severity} == RFC8632
    assert all(Severity.from_word(word) == number for word, number in RFC8632.items())
    with pytest.raises(ValueError, match="'grave', wanted one of cleared, warning"):
        Severity.from_word("grave")
    assert set(PROBABLE_CAUSE) == set(Condition)
    assert set(PROBABLE_CAUSE.values()) <= X733


def test_the_text_says_what_where_since_when_how_bad_and_what_to_do() -> None:
    text = cloudevent(change(), "urn:x")["data"]["text"]
    for part in (
        "alder-ridge/rpt-1",
        "SWR over its limit",
        "major",
        "2026-11-18 11:06:40 UTC",
        "2.50:1",
        "limit 2.00:1",
        "98.0 W forward",
        "Likely cause: loose-connection",
        "Reduce its power",
    ):
        assert part in text, part


def test_times_keep_their_microseconds() -> None:
    assert rfc3339(1_795_000_000_000_000) == "2026-11-18T11:06:40Z"
    assert rfc3339(1_795_000_000_000_007) == "2026-11-18T11:06:40.000007Z"
