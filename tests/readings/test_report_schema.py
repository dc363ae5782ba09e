"""The published schema of a report and the decoder say the same, but for what the schema says is wider."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from standingwatch.intake.sorting import Arrived, Sorter
from standingwatch.inventory import FleetDefaults, InventoryRow, build_fleet
from standingwatch.readings.decode import MAX_OBJECTS, TimeIfAbsent, decode_report
from standingwatch.readings.report import MAX_SEQUENCE, Report
from standingwatch.readings.report_schema import components, report_schema
from standingwatch.settings import IntakeSettings

NOW_US = 1_795_000_000_000_000

STRICT = Draft7Validator(report_schema())
LENIENT = Draft7Validator(report_schema(time_required=False))
LINK = Draft7Validator(components("#/definitions/{name}")["LinkState"])


def fits(report: Any, validator: Draft7Validator = STRICT) -> bool:
    return bool(validator.is_valid(report))


def taken(report: Any, time_if_absent: TimeIfAbsent = "refuse") -> bool:
    """Whether the decoder refuses nothing of a payload."""
    payload = json.dumps(report, ensure_ascii=True).encode()
    return not decode_report(payload, NOW_US, time_if_absent=time_if_absent).refusals


GOOD = {"time": "2026-11-25T08:30:00Z", "forward_w": 98.2, "reflected_w": 1.13}

# What the schema cannot tell is not drawn here, but in the cases of `test_where_the_schema_is_wider`.
numbers = st.integers(-5, 120) | st.floats(-5, 120) | st.sampled_from([0, 1, 0.5, 99.99, 100, 1e308, -1e300])
oddities = st.none() | st.booleans() | st.sampled_from(["1", "", [], {}, [1], {"a": 1}])
good_times = st.sampled_from(
    ["2026-11-25T08:30:00Z", "2026-11-25 08:30:00.5+0100", 1_795_000_000, 1_795_000_000.25, 1_795_000_000_000]
)
bad_times = st.sampled_from(
    [
        *("2026-11-25T08:30:00", "25.11.2026 08:30:00", "2026-11-25T25:30:00Z", "2026-11-25T08:30:00 Z", ""),
        *("٢٠٢٦-11-25T08:30:00Z", 0, -1, 1e10, 99_999_999_999, 1e14, 10**17, True, False, [], {}),
    ]
)
channels = st.text("abÄ日 ", max_size=4) | st.sampled_from(["x" * 100, "x" * 101, "a\nb", "a\x00", "\xa0"])
sequences = st.integers(-2, 10) | st.sampled_from([2.0, 2.5, MAX_SEQUENCE, MAX_SEQUENCE + 1, 1e30])

POWERS = ("forward_w", "forward_dbm", "reflected_w", "reflected_dbm", "swr", "return_loss_db")
OTHERS = tuple(m for m in Report.__struct_fields__ if m not in (*POWERS, "time", "channel", "sequence"))
reports = st.fixed_dictionaries(
    {},
    optional={
        "time": st.one_of(*[good_times] * 4, bad_times, st.none()),
        **{name: st.one_of(*[numbers] * 4, oddities) for name in (*POWERS, *OTHERS)},
        "channel": st.one_of(*[channels] * 3, oddities),
        "sequence": st.one_of(*[sequences] * 3, oddities),
        "site_says": oddities,
    },
)


@settings(max_examples=1500)
@given(reports)
def test_what_fits_is_taken_and_what_is_taken_fits(report: dict[str, Any]) -> None:
    assert fits(report) == taken(report)
    assert fits(report, LENIENT) == taken(report, "receipt")


@settings(max_examples=800)
@given(
    st.fixed_dictionaries({"time": good_times, "forward_w": numbers, "swr": st.floats(0.5, 9)}),
    st.sampled_from(Report.__struct_fields__),
    numbers | oddities | bad_times | channels | sequences,
)
def test_one_member_changed(report: dict[str, Any], member: str, value: Any) -> None:
    report[member] = value
    assert fits(report) == taken(report)


@given(st.lists(reports, max_size=4) | st.recursive(oddities | numbers, st.lists, max_leaves=5))
def test_arrays_and_what_is_no_report(payload: Any) -> None:
    assert fits(payload) == taken(payload)


def test_arrays_have_a_most() -> None:
    assert fits([GOOD] * MAX_OBJECTS)
    assert not fits([GOOD] * (MAX_OBJECTS + 1))
    assert not taken([GOOD] * (MAX_OBJECTS + 1))


@settings(max_examples=500)
@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers())
def test_times_that_are_numbers(time: float) -> None:
    report = {**GOOD, "time": time}
    if taken(report):
        assert fits(report)


@settings(max_examples=500)
@given(st.from_regex(STRICT.schema["definitions"]["Report"]["properties"]["time"]["anyOf"][0]["pattern"]))
def test_times_that_are_texts(text: str) -> None:
    report = {**GOOD, "time": text}
    decoded = decode_report(json.dumps(report).encode(), NOW_US, time_if_absent="refuse")
    # Of the form, so never refused for its offset, and otherwise only for what no pattern tells.
    assert [r.reason for r in decoded.refusals] in ([], ["bad-time"])


@pytest.mark.parametrize(
    "report",
    [
        {**GOOD, "time": "2026-02-30T08:30:00Z"},
        {**GOOD, "time": "2026-11-25T08:30:60Z"},
        {**GOOD, "time": "1999-11-25T08:30:00Z"},
        {**GOOD, "time": 946_684_799.5},
        {**GOOD, "time": "2026-11-25T08:30:00Z\n"},
        {**GOOD, "channel": "a\u200bb"},
        {**GOOD, "forward_w": 10**400},
    ],
)
def test_where_the_schema_is_wider(report: dict[str, Any]) -> None:
    # `WIDER` tells people of each; should the schema learn one of them, it is to be taken out there.
    assert fits(report)
    assert not taken(report)


def test_the_schema_is_one_and_says_what_it_lets_pass() -> None:
    for schema in (STRICT.schema, LENIENT.schema):
        Draft7Validator.check_schema(schema)
    described = STRICT.schema["description"]
    assert "not in the calendar" in described
    members = STRICT.schema["definitions"]["Report"]["properties"]
    assert set(members) == set(Report.__struct_fields__)
    assert all(member["description"].endswith(".") for member in members.values())


def test_its_own_examples_fit_and_are_taken() -> None:
    for example in STRICT.schema["definitions"]["Report"]["examples"]:
        assert fits(example)
        assert taken(example)
    for example in LINK.schema["examples"]:
        assert LINK.is_valid(example)


# Links --------------------------------------------------------------------------------------------------

ROW = InventoryRow(site="alder-ridge", transmitter="rpt-1", frequency_mhz=155.34)
SORTER = Sorter(IntakeSettings(), "standingwatch", build_fleet([ROW], [1], FleetDefaults()))


def link_taken(said: Any) -> bool:
    payload = json.dumps(said).encode()
    done = SORTER.sort([Arrived("standingwatch/link/alder-ridge", payload, NOW_US)])
    assert len(done.links) + len(done.refused) == 1
    return bool(done.links)


@settings(max_examples=500)
@given(
    st.fixed_dictionaries(
        {},
        optional={
            "online": st.booleans() | oddities | st.integers(0, 1),
            "time": good_times | bad_times | st.none(),
            "more": oddities,
        },
    )
    | oddities
    | numbers.filter(math.isfinite)
)
def test_links(said: Any) -> None:
    assert LINK.is_valid(said) == link_taken(said)
