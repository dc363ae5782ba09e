"""A message told field by field: where each value stood, what became of it, what went wrong."""

from __future__ import annotations

import json
from typing import Any

import pytest

from standingwatch.readings import Reading
from standingwatch.readings.profile import Profile, build_profile
from standingwatch.readings.profile.trace import TracedReport, trace_message, trace_record
from standingwatch.readings.profile.trace_words import (
    FieldWords,
    field_words,
    outcome_words,
    place_words,
    reading_words,
    utc,
)

NOW_US = 1_795_595_400_000_000
JSON: dict[str, Any] = {
    "topic": "x/{site}/{transmitter}",
    "format": "json",
    "fields": {
        "time": {"pointer": "/t", "form": "unix_s"},
        "forward": {"pointer": "/f", "unit": "dBm", "scale": 0.1, "offset": -3.0, "missing": [-999]},
        "reflected": {"pointer": "/s", "unit": "SWR"},
        "keyed": {"pointer": "/k", "true": ["TX"], "false": ["RX"]},
    },
}
WHOLE = {"t": 1795595400, "f": 430, "s": 3.0, "k": "TX"}


def made(data: dict[str, Any]) -> Profile:
    profile, problems = build_profile("device", data)
    assert problems == []
    assert profile is not None
    return profile


def traced(report: Any, data: dict[str, Any] = JSON, *, topic: str = "x/a/b") -> TracedReport:
    found = trace_message(made(data), topic, json.dumps(report).encode(), NOW_US, time_if_absent="refuse")
    assert len(found) == 1
    return found[0]


def words(report: TracedReport) -> dict[str, FieldWords]:
    return {row.name: field_words(row) for row in report.fields}


def test_each_field_says_where_it_stood_and_what_became_of_it() -> None:
    report = traced(WHOLE)
    assert place_words(report) == "a/b"
    assert {name: row[1:] for name, row in words(report).items()} == {
        "time": ("pointer '/t'", "1795595400", "unix_s", "2026-11-25T08:30:00Z", ""),
        # 430 tenths less 3: 40 dBm, 10 W. An SWR of 3 sends a quarter of it back.
        "forward": ("pointer '/f'", "430", "x 0.1 - 3 dBm", "10 W", ""),
        "reflected": ("pointer '/s'", "3.0", "SWR, of 10 W", "2.5 W", ""),
        "keyed": ("pointer '/k'", "'TX'", "", "yes", ""),
        "site": ("part 'site' of the topic", "'a'", "", "a", ""),
        "transmitter": ("part 'transmitter' of the topic", "'b'", "", "b", ""),
    }
    assert outcome_words(report) == "forward 10 W, reflected 2.5 W, SWR 3.000"


def test_every_field_that_is_wrong_says_so_and_not_the_first_alone() -> None:
    report = traced({"t": "soon", "f": "much", "s": 0.5, "k": "?"})
    problems = {name: row.problem for name, row in words(report).items() if row.problem}
    assert set(problems) == {"time", "forward", "reflected", "keyed"}
    assert "an SWR is at least 1" in problems["reflected"]
    assert "neither in `true` nor in `false`" in problems["keyed"]
    assert report.reading is None
    assert report.refusal is not None
    assert outcome_words(report).startswith(f"refused, {report.refusal.reason}: ")


def test_what_is_not_there_and_what_says_that_there_is_none() -> None:
    report = traced({"t": 1795595400, "f": -999})
    found = words(report)
    assert found["forward"][2:] == ("-999", "x 0.1 - 3 dBm", "none, as `missing` says", "")
    assert found["reflected"][2:] == ("nothing", "", "", "nothing stands there")
    # Nobody needs to say whether it was keyed.
    assert found["keyed"][2:] == ("nothing", "", "", "")
    assert report.refusal is not None
    assert report.refusal.reason == "no-power"


def test_constants_and_the_time_of_receipt_are_told() -> None:
    data = {
        **JSON,
        "topic": "x/up",
        "fields": {name: JSON["fields"][name] for name in ("forward", "reflected")},
        "constants": {
            "site": "a",
            "transmitter": "b",
            "set_power_w": 25.0,
            "keyed": True,
            "frequency_mhz": 150.0,
        },
    }
    found = trace_message(made(data), "x/up", json.dumps(WHOLE).encode(), NOW_US, time_if_absent="receipt")
    rows = {name: (row.where, row.value) for name, row in words(found[0]).items()}
    assert rows["site"] == ("constant", "a")
    assert rows["set_power"] == ("constant", "25 W")
    assert rows["frequency"] == ("constant", "150 MHz")
    assert rows["keyed"] == ("constant", "yes")
    assert rows["time"] == ("receipt", "2026-11-25T08:30:00Z")
    refused = trace_message(made(data), "x/up", json.dumps(WHOLE).encode(), NOW_US, time_if_absent="refuse")
    assert refused[0].refusal is not None
    assert refused[0].refusal.reason == "no-time"


def test_another_topic_and_a_payload_of_another_kind() -> None:
    profile = made(JSON)
    for topic, payload, reason in (("y/a/b", b"{}", "unknown-topic"), ("x/a/b", b"{", "not-json")):
        [report] = trace_message(profile, topic, payload, NOW_US, time_if_absent="refuse")
        assert report.fields == ()
        assert report.refusal is not None
        assert (report.refusal.reason, report.refusal.part) == (reason, payload)
        assert place_words(report) == ""


def test_reports_of_one_payload_stand_alone_and_only_so_many_are_told() -> None:
    profile = made(JSON)
    payload = json.dumps([WHOLE, {**WHOLE, "s": 0}, 5, WHOLE]).encode()
    found = trace_message(profile, "x/a/b", payload, NOW_US, time_if_absent="refuse")
    assert [one.refusal.reason if one.refusal else "" for one in found] == [
        "",
        "bad-value",
        "not-an-object",
        "",
    ]
    assert len(trace_message(profile, "x/a/b", payload, NOW_US, time_if_absent="refuse", most=2)) == 2


NUMBER: dict[str, Any] = {
    "topic": "x/{site}/{transmitter}/{quantity}",
    "format": "number",
    "number": {"quantities": {"F": "forward", "R": "reflected"}},
    "fields": {"forward": {"unit": "W"}, "reflected": {"unit": "W", "missing": [-1]}},
}


@pytest.mark.parametrize(
    ("level", "payload", "outcome", "names"),
    [
        ("F", b"12.5", "waits for the other values of its report", ["forward"]),
        ("R", b"-1", "says that there is no value, and is passed over", ["reflected"]),
        ("R", b"much", "refused, not-a-number: ", ["reflected"]),
        ("Q", b"1", "refused, unknown-topic: ", []),
    ],
)
def test_a_bare_number(level: str, payload: bytes, outcome: str, names: list[str]) -> None:
    [report] = trace_message(made(NUMBER), f"x/a/b/{level}", payload, NOW_US, time_if_absent="refuse")
    assert outcome_words(report).startswith(outcome)
    assert [row.name for row in report.fields if row.name not in ("site", "transmitter")] == names
    assert report.reading is None


def test_a_record_of_metrics() -> None:
    data = {
        "topic": "{group}/{site}/{transmitter}",
        "format": "sparkplug",
        "fields": {
            "forward": {"metric": "F", "unit": "V", "table": [[0, 0], [2, 40]], "table_unit": "W"},
            "reflected": {"metric": "R", "unit": "%"},
        },
    }
    parts = {"group": "g", "site": "a", "transmitter": "b"}
    report = trace_record(made(data), parts, {"F": 1.5, "R": 10}, NOW_US)
    found = words(report)
    assert found["forward"][1:] == ("metric 'F'", "1.5", "V by the table to W", "30 W", "")
    assert found["reflected"][1:] == ("metric 'R'", "10", "%, of 30 W", "3 W", "")
    outside = trace_record(made(data), parts, {"F": 2.5, "R": 10}, NOW_US)
    assert outside.refusal is not None
    assert outside.refusal.reason == "out-of-table"


@pytest.mark.parametrize(
    ("forward_w", "reflected_w", "end"),
    [
        (0.0, 0.0, "no SWR at such powers"),
        (10.0, -0.1, "no SWR at such powers"),
        (10.0, 10.0, "SWR without end"),
        (10.0, 0.0, "SWR 1.000"),
        (10.0, 11.0, "more comes back than goes out, look at the units"),
    ],
)
def test_what_powers_mean(forward_w: float, reflected_w: float, end: str) -> None:
    assert reading_words(Reading(NOW_US, forward_w, reflected_w)).endswith(end)


def test_times_and_strange_texts_stay_in_their_line() -> None:
    assert utc(NOW_US + 250_000) == "2026-11-25T08:30:00.25Z"
    report = traced({**WHOLE, "k": "TX\n\u2028refused"}, topic="x/a\n/b\u2029")
    text = "".join(cell for row in report.fields for cell in field_words(row)) + place_words(report)
    assert "\n" not in text + outcome_words(report)
    assert "\u2028" not in text
    assert "\u2029" not in text
