"""The published schemas of events, lists and heartbeat hold what is made, and nothing that is spoilt."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from standingwatch.alarms.event import cloudevent, present_alarm
from standingwatch.alarms.handling import Handling, OperatorState
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.alarms.message import notice_event
from standingwatch.alarms.notice import Notice, NoticeKind
from standingwatch.alarms.wire_schema import components, event_schema
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.notify.heartbeat import ended
from standingwatch.notify.trial import trial_message

SOURCE = "urn:standingwatch:test"
TIME_US = 1_795_000_000_250_000
EVENT = Draft7Validator(event_schema())


def of(name: str) -> Draft7Validator:
    made = components("#/definitions/{name}")
    return Draft7Validator({**made[name], "definitions": made})


LIST, BEAT = of("PresentAlarms"), of("Heartbeat")


def changed(key: AlarmKey, severity: Severity, before: Alarm | None = None, **more: Any) -> Change:
    change = apply(before, Evidence(key, severity, TIME_US, **more), TIME_US + 3_000_000)
    assert change is not None
    return change


KEYS = {
    "transmitter": AlarmKey("alder-ridge", "rpt-1", Condition.SWR_RISING),
    "site": AlarmKey("alder-ridge", "", Condition.SITE_UNREACHABLE),
    "region": AlarmKey("", "", Condition.SWR_WEATHER, "Coast / north"),
    "service": AlarmKey("", "", Condition.CHANNEL_FAILING, "", "channel email.desk"),
}
FULL: dict[str, Any] = {
    "values": {"swr": 1.7, "swr_at_antenna": math.inf, "spread": math.nan, "kind": "full", "days": 3},
    "causes": (LikelyCause(Cause.WATER, 0.6, "it rose with rain"), LikelyCause(Cause.CONNECTOR, 0.2, "heat")),
    "members": ("alder-ridge/rpt-1", "alder-ridge/rpt-2"),
    "forecast": (
        LimitForecast("swr-2", 2.0, "expected", TIME_US, TIME_US + 1, None),
        LimitForecast("tolerance", math.inf, "the trend is too weak"),
    ),
    "chatters": True,
}


def events() -> Iterator[Any]:
    """An event of every kind, about everything that one can be about."""
    for key in KEYS.values():
        first = changed(key, Severity.WARNING, **FULL)
        second = changed(key, Severity.MAJOR, first.alarm, **FULL)
        third = changed(key, Severity.CLEARED, second.alarm)
        for change in (first, second, third):
            yield cloudevent(change, SOURCE)
        for change, kind in zip((first, second, third), ("raised", "changed", "cleared"), strict=True):
            alarms, was = (change.alarm,), (change.previous,)
            yield notice_event(Notice("desk", NoticeKind(kind), alarms, was, "", TIME_US), SOURCE)
        yield notice_event(
            Notice("desk", NoticeKind.REMINDER, (second.alarm,), (Severity.MAJOR,), "", TIME_US), SOURCE
        )
        for why in ("site", "flood", "pace", "reminder"):
            alarms = (second.alarm, third.alarm)
            was = (Severity.CLEARED, Severity.MAJOR)
            yield notice_event(Notice("desk", NoticeKind.SUMMARY, alarms, was, why, TIME_US), SOURCE)
    yield json.loads(trial_message("webhook.desk", SOURCE, TIME_US).body)


EVENTS = list(events())


def test_the_schemas_are_schemas() -> None:
    Draft7Validator.check_schema(event_schema())
    for name in components("#/definitions/{name}"):
        Draft7Validator.check_schema(of(name).schema)


def test_every_kind_of_event_fits() -> None:
    kinds = set()
    for event in EVENTS:
        EVENT.validate(json.loads(json.dumps(event, allow_nan=False)))
        kinds.add(event["type"])
    # Of the published words each is made here: a type that is only in the schema would be a promise.
    made = components("{name}")
    told = {made[name]["properties"]["type"]["enum"][0] for name in ("SummaryEvent", "TrialEvent")}
    assert kinds == told | set(made["AlarmEvent"]["properties"]["type"]["enum"])


def test_lists_and_heartbeats_fit() -> None:
    alarms = [changed(key, Severity.MINOR, **FULL).alarm for key in KEYS.values()]
    seen = Handling(OperatorState.ACK, by="Ada", time_us=TIME_US, assigned_to="Crew 2")
    LIST.validate([present_alarm(alarm) for alarm in alarms] + [present_alarm(alarms[0], seen)])
    LIST.validate([])
    BEAT.validate(ended("stopped", "standingwatch", TIME_US))
    BEAT.validate(ended("unexpectedly", "standingwatch", TIME_US))


def paths(value: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where each member of an event is."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield (*before, name)
            yield from paths(inner, (*before, name))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield (*before, index)
            yield from paths(inner, (*before, index))


def holder(event: Any, path: tuple[Any, ...]) -> Any:
    for step in path[:-1]:
        event = event[step]
    return event


#: Members whose names are free: the schema promises nothing about which there are.
FREE = ("evidence", "counts")


@pytest.mark.parametrize("number", range(len(EVENTS)))
def test_an_event_without_one_of_its_members_fails(number: int) -> None:
    for path in paths(EVENTS[number]):
        if isinstance(path[-1], int) or (len(path) > 1 and path[-2] in FREE):
            continue
        spoilt = copy.deepcopy(EVENTS[number])
        del holder(spoilt, path)[path[-1]]
        assert not EVENT.is_valid(spoilt), path


@pytest.mark.parametrize("number", range(len(EVENTS)))
def test_an_event_with_a_member_of_another_kind_fails(number: int) -> None:
    for path in paths(EVENTS[number]):
        spoilt = copy.deepcopy(EVENTS[number])
        holder(spoilt, path)[path[-1]] = ["of another kind"] if path[-1] != "members" else "of another kind"
        assert not EVENT.is_valid(spoilt), path


WORDS = ("severity", "previous_severity", "condition", "type", "specversion", "probable_cause", "cause")


@given(st.sampled_from(EVENTS), st.data())
def test_an_event_with_a_word_that_is_not_its_own_fails(event: Any, data: Any) -> None:
    words = [path for path in paths(event) if path[-1] in (*WORDS, "time", "time_raised", "time_changed")]
    path = data.draw(st.sampled_from(words))
    spoilt = copy.deepcopy(event)
    before = holder(spoilt, path)[path[-1]]
    if before is None:
        before = "null"
    letter = data.draw(st.integers(0, len(before) - 1))
    holder(spoilt, path)[path[-1]] = before[:letter] + "~" + before[letter + 1 :]
    assert not EVENT.is_valid(spoilt), path


def test_type_and_severities_have_to_say_the_same() -> None:
    first, second, third = EVENTS[:3]
    for event, name, word in (
        (first, "previous_severity", "minor"),
        (first, "severity", "cleared"),
        (second, "previous_severity", "cleared"),
        (third, "severity", "minor"),
        (third, "previous_severity", "cleared"),
    ):
        spoilt = copy.deepcopy(event)
        spoilt["data"][name] = word
        assert not EVENT.is_valid(spoilt), (event["type"], name)


@pytest.mark.parametrize("value", [-0.01, 1.01])
def test_a_confidence_lies_between_0_and_1(value: float) -> None:
    spoilt = copy.deepcopy(EVENTS[0])
    spoilt["data"]["likely_causes"][0]["confidence"] = value
    assert not EVENT.is_valid(spoilt)


def test_what_a_later_version_adds_fits() -> None:
    later = copy.deepcopy(EVENTS[0])
    later["traceparent"] = "00"
    later["data"]["more"] = {"a": 1}
    EVENT.validate(later)


def test_a_spoilt_list_or_heartbeat_fails() -> None:
    whole = present_alarm(changed(KEYS["transmitter"], Severity.MINOR, **FULL).alarm)
    for name in whole:
        without = {key: value for key, value in whole.items() if key != name}
        assert not LIST.is_valid([without]), name
    assert not LIST.is_valid([{**whole, "severity": "cleared"}])
    assert not LIST.is_valid([{**whole, "operator_state": "seen"}])
    last = ended("stopped", "standingwatch", TIME_US)
    for name in last:
        assert not BEAT.is_valid({key: value for key, value in last.items() if key != name}), name
    assert not BEAT.is_valid({**last, "ended": "happily"})
