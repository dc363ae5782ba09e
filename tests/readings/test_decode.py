from __future__ import annotations

import json
from typing import Any

import pytest

from standingwatch.readings import Decoded, Reading, decode_report
from standingwatch.readings.decode import MAX_OBJECTS, MAX_PAYLOAD_BYTES
from standingwatch.readings.report import Report

TIME = "2025-03-01T12:00:00Z"
TIME_US = 1_740_830_400_000_000
GOOD = b'{"time":"2025-03-01T12:00:00Z","forward_w":50,"reflected_w":0.5}'


def decode(payload: bytes) -> Decoded:
    return decode_report(payload, 7, time_if_absent="refuse")


def report(**members: Any) -> bytes:
    members = {"time": TIME, "forward_w": 100, "reflected_w": 1} | members
    return json.dumps({name: value for name, value in members.items() if value is not ...}).encode()


def one(**members: Any) -> Reading:
    decoded = decode(report(**members))
    assert decoded.refusals == []
    (reading,) = decoded.readings
    return reading


def refused(payload: bytes) -> tuple[str, str]:
    """Reason and sentence of the one refusal, which has to hold the payload as it came."""
    decoded = decode(payload)
    assert decoded.readings == []
    (refusal,) = decoded.refusals
    assert refusal.part == payload
    assert refusal.detail.isascii()
    assert len(refusal.detail) < 300
    return refusal.reason, refusal.detail


def test_a_full_report() -> None:
    reading = one(
        keyed=True,
        frequency_mhz=151.25,
        channel="K7",
        set_power_w=110,
        foldback=False,
        pa_temperature_c=41.5,
        ambient_temperature_c=-3,
        precipitation=0.2,
        wind_mps=4,
        sequence=12,
        door="open",
        nested={"a": [1, {"b": None}]},
    )
    assert reading == Reading(TIME_US, 100.0, 1.0, True, 151.25, "K7", 110.0, False, 41.5, -3.0, 0.2, 4.0, 12)
    assert type(reading.forward_w) is float
    assert type(reading.set_power_w) is float


def test_what_is_not_said_is_none() -> None:
    assert one(keyed=None, channel=None) == Reading(TIME_US, 100.0, 1.0)


@pytest.mark.parametrize(
    ("given", "expected"), [(True, True), (False, False), (1, True), (0, False), (1.0, True)]
)
def test_states(given: object, expected: bool) -> None:
    assert one(keyed=given).keyed is expected
    assert one(foldback=given).foldback is expected


@pytest.mark.parametrize(
    ("members", "forward_w", "reflected_w"),
    [
        ({"forward_w": ..., "forward_dbm": 50}, 100.0, 1.0),
        ({"forward_dbm": 10}, 100.0, 1.0),  # watts win
        ({"forward_w": None, "forward_dbm": 40}, 10.0, 1.0),
        ({"reflected_w": ..., "reflected_dbm": 30}, 100.0, 1.0),
        ({"reflected_w": ..., "swr": 3}, 100.0, 25.0),
        ({"reflected_w": ..., "return_loss_db": 10}, 100.0, 10.0),
        ({"reflected_w": ..., "reflected_dbm": 30, "swr": 3, "return_loss_db": 10}, 100.0, 1.0),
        ({"reflected_w": ..., "swr": 3, "return_loss_db": 10}, 100.0, 25.0),
        ({"reflected_w": 2, "reflected_dbm": 30, "swr": 3, "return_loss_db": 10}, 100.0, 2.0),
        ({"reflected_w": 2, "swr": 0, "return_loss_db": -10}, 100.0, 2.0),  # what loses is not looked at
        ({"forward_w": ..., "forward_dbm": 50, "reflected_w": ..., "swr": 1}, 100.0, 0.0),
        ({"forward_w": 1, "reflected_w": 5}, 1.0, 5.0),  # kept: the flags say it
        ({"forward_w": -0.2, "reflected_w": -0.1}, -0.2, -0.1),  # a meter's offset, kept
        ({"forward_w": 0, "reflected_w": 0}, 0.0, 0.0),
    ],
)
def test_powers(members: dict[str, Any], forward_w: float, reflected_w: float) -> None:
    reading = one(**members)
    assert reading.forward_w == pytest.approx(forward_w)
    assert reading.reflected_w == pytest.approx(reflected_w)


@pytest.mark.parametrize(
    ("members", "reason", "words"),
    [
        ({"time": ...}, "no-time", "time is missing"),
        ({"time": None}, "no-time", "time is missing"),
        ({"time": "2025-03-01T12:00:00"}, "no-offset", "add Z"),
        ({"time": "noon"}, "bad-time", "'noon'"),
        ({"time": 10**300}, "bad-time", "bits"),
        ({"time": True}, "bad-value", "time is true, wanted a text or a number"),
        ({"time": {"s": 1}}, "bad-value", "time is an object"),
        ({"forward_w": ...}, "no-power", "forward_w or forward_dbm"),
        ({"reflected_w": ...}, "no-power", "return_loss_db"),
        ({"reflected_w": None, "swr": None}, "no-power", "return_loss_db"),
        ({"forward_w": "100"}, "bad-value", "forward_w is '100', wanted a number without quotes"),
        ({"forward_w": True}, "bad-value", "forward_w is true"),
        ({"forward_w": [1]}, "bad-value", "forward_w is an array"),
        ({"forward_w": 10**400}, "bad-value", "forward_w is"),
        ({"forward_w": ..., "forward_dbm": 100}, "bad-value", "forward_dbm is 100.0 dBm"),
        ({"reflected_w": ..., "reflected_dbm": 1e300}, "bad-value", "reflected_dbm is"),
        ({"reflected_w": ..., "swr": 0.99}, "bad-value", "swr is 0.99, but an SWR is at least 1"),
        ({"reflected_w": ..., "swr": -1}, "bad-value", "at least 1"),
        ({"reflected_w": ..., "return_loss_db": -14}, "bad-value", "the sign is wrong"),
        ({"keyed": 2}, "bad-value", "keyed is 2; send true or false"),
        ({"keyed": "true"}, "bad-value", "keyed is 'true', wanted true or false without quotes"),
        ({"foldback": 0.5}, "bad-value", "foldback is 0.5"),
        ({"channel": 5}, "bad-value", "channel is 5, wanted a text"),
        ({"channel": "A\0"}, "bad-value", "channel is 'A\\x00'"),
        ({"channel": "A\nB"}, "bad-value", "channel is 'A\\nB'"),
        ({"channel": "é" * 101}, "bad-value", "..., wanted up to 100"),
        ({"sequence": -1}, "bad-value", "sequence is -1"),
        ({"sequence": 1.5}, "bad-value", "sequence is 1.5"),
        ({"sequence": 2**63}, "bad-value", "sequence is 9223372036854775808"),
        ({"sequence": 1e300}, "bad-value", "sequence is 1e+300"),
        ({"sequence": float(2**63)}, "bad-value", "sequence is 9.22"),
        ({"sequence": True}, "bad-value", "sequence is true"),
        ({"wind_mps": "calm"}, "bad-value", "wind_mps is 'calm'"),
    ],
)
def test_a_report_that_cannot_be_used_says_why(members: dict[str, Any], reason: str, words: str) -> None:
    got_reason, detail = refused(report(**members))
    assert got_reason == reason
    assert words in detail


def test_the_edges_of_what_is_taken() -> None:
    assert one(sequence=2**63 - 1).sequence == 2**63 - 1
    assert one(sequence=3.0).sequence == 3
    assert one(channel="é" * 100).channel == "é" * 100
    assert one(time=1_740_830_400.5).time_us == TIME_US + 500_000


@pytest.mark.parametrize(
    ("payload", "reason", "words"),
    [
        (b"", "not-json", "empty"),
        (b" \n", "not-json", "empty"),
        (b"\0", "not-json", "not valid JSON"),
        (b"\xff\xfe{\0}\0", "not-json", "not valid JSON"),
        (b"forward=5", "not-json", "not valid JSON"),
        (GOOD[:-1], "not-json", "not valid JSON"),
        (GOOD + b"\0", "not-json", "not valid JSON"),
        (GOOD + GOOD, "not-json", "not valid JSON"),
        (GOOD.replace(b"50", b"NaN"), "not-json", "send null"),
        (GOOD.replace(b"50", b"-Infinity"), "not-json", "send null"),
        (GOOD.replace(b"50", b"1e400"), "bad-value", "forward_w is a number too large"),
        (GOOD.replace(b"50", b"9" * 5000), "bad-value", "forward_w is a number too large"),
        (GOOD[:-1] + b',"channel":"\\ud800"}', "not-json", "surrogate"),
        (GOOD[:-1] + b',"channel":"\xff"}', "bad-value", "channel holds bytes that are not UTF-8"),
        (GOOD[:-1] + b',"x":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "too-deep", "nested too deep"),
        (b'{"a":' * 100_000, "too-deep", "nested too deep"),
        (b"3", "not-an-object", "a number"),
        (b"-3.5", "not-an-object", "a number"),
        (b"null", "not-an-object", "null"),
        (b"true", "not-an-object", "true"),
        (b'"text"', "not-an-object", "a text"),
        (b"[", "not-json", "not valid JSON"),
        (b"[,]", "not-json", "not valid JSON"),
    ],
)
def test_a_payload_that_cannot_be_used_says_why(payload: bytes, reason: str, words: str) -> None:
    got_reason, detail = refused(payload)
    assert got_reason == reason
    assert words in detail


def test_a_member_nobody_asked_for_may_be_as_bad_as_json_allows() -> None:
    for raw in (b"1e400", b"9" * 5000, b'"\\u0000"', b"{}", b"[[[[]]]]", b"null"):
        assert len(decode(GOOD[:-1] + b',"x":' + raw + b"}").readings) == 1


def test_of_a_member_given_twice_the_last_one_counts() -> None:
    assert decode(GOOD[:-1] + b',"forward_w":60}').readings[0].forward_w == 60.0


def test_a_byte_order_mark_is_passed_over() -> None:
    bom = b"\xef\xbb\xbf"
    assert decode(bom + GOOD) == decode(GOOD)
    assert decode(bom + b"[" + GOOD + b"]") == decode(GOOD)
    assert refused(bom + b"3")[0] == "not-an-object"


def test_the_time_of_receipt_is_used_only_where_it_is_allowed_and_needed() -> None:
    bare = report(time=...)
    assert decode_report(bare, 7, time_if_absent="receipt").readings[0].time_us == 7
    assert decode_report(GOOD, 7, time_if_absent="receipt").readings[0].time_us == TIME_US
    wrong = decode_report(report(time="noon"), 7, time_if_absent="receipt")
    assert [refusal.reason for refusal in wrong.refusals] == ["bad-time"]


def test_an_array_of_good_reports_keeps_its_order() -> None:
    decoded = decode(b"[" + b" , ".join(report(sequence=i) for i in (3, 1, 2)) + b"]")
    assert [reading.sequence for reading in decoded.readings] == [3, 1, 2]
    assert decoded.refusals == []
    assert decode(b"[]") == Decoded([], [])


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (b'{"time": "noon",  "forward_w":1}', "bad-time"),
        (b'{"forward_w":"1"}', "bad-value"),
        (b"3", "not-an-object"),
        (b"[" + GOOD + b"]", "not-an-object"),
        (b"null", "not-an-object"),
        (b'{"forward_w":1e400}', "bad-value"),
        (b'{"forward_w":NaN}', "not-json"),
        (b'{"channel":"\xff\xfe"}', "bad-value"),
        (b'{"channel":"\\udfff"}', "not-json"),
        (b'"\xff"', "not-an-object"),
    ],
)
def test_in_an_array_each_report_stands_alone(bad: bytes, reason: str) -> None:
    decoded = decode(b" [ " + GOOD + b" ,\n" + bad + b", " + report(forward_w=60) + b"] ")
    assert [reading.forward_w for reading in decoded.readings] == [50.0, 60.0]
    assert [(refusal.reason, refusal.part) for refusal in decoded.refusals] == [(reason, bad)]


@pytest.mark.parametrize(
    ("tail", "part"),
    [
        (b"", b""),
        (b",", b""),
        (b',{"time":"2025-03-0', b'{"time":"2025-03-0'),
        (b" ; " + GOOD + b"]", b"; " + GOOD + b"]"),
        (b"] x", b"] x"),
        (b",[[[" + b"[" * 100_000, b"[[[" + b"[" * 100_000),
    ],
)
def test_an_array_that_breaks_off_keeps_what_came_before(tail: bytes, part: bytes) -> None:
    decoded = decode(b"[" + GOOD + b"," + GOOD + tail)
    assert len(decoded.readings) == 2
    (refusal,) = decoded.refusals
    assert refusal.part == part
    assert refusal.reason == ("too-deep" if part.startswith(b"[[[") else "not-json")


def test_an_array_with_nan_is_read_past_a_number_too_long_for_python() -> None:
    long_number = GOOD[:-1] + b',"x":' + b"9" * 5000 + b"}"
    decoded = decode(b"[NaN," + long_number + b"," + GOOD + b"]")
    assert len(decoded.readings) == 2
    assert [refusal.part for refusal in decoded.refusals] == [b"NaN"]


def test_a_comma_too_many_at_the_end_costs_nothing() -> None:
    decoded = decode(b"[" + GOOD + b", ]")
    assert len(decoded.readings) == 1
    assert decoded.refusals == []


def test_what_is_too_large_is_refused_whole() -> None:
    assert refused(b" " * (MAX_PAYLOAD_BYTES + 1))[0] == "too-large"
    bare = b'{"forward_w":1,"swr":1}'
    most = decode_report(b"[" + b",".join([bare] * MAX_OBJECTS) + b"]", 7, time_if_absent="receipt")
    assert len(most.readings) == MAX_OBJECTS
    for element in (GOOD, bare, b"0", b"NaN"):
        assert refused(b"[" + b",".join([element] * (MAX_OBJECTS + 1)) + b"]")[0] == "too-large"


def test_the_wire_members_are_those_of_a_reading_and_its_other_units() -> None:
    # A column that is added without a member, or the other way round, would never be filled.
    members = set(Report.__struct_fields__)
    others = {"forward_dbm", "reflected_dbm", "swr", "return_loss_db", "time"}
    assert members - others == set(Reading._fields) - {"time_us"}
