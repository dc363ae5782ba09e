"""Messages that a profile reads: what becomes of each report, and why others are refused."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.readings import Reading
from standingwatch.readings.profile import (
    Profile,
    ProfileRead,
    build_profile,
    placed_from_record,
    read_message,
)

RECEIVED_US = 1_795_000_000_000_000
TOPIC = "plant/0017/rf/T1/status"


def built(text: str) -> Profile:
    profile, problems = build_profile("gateway", tomllib.loads(text))
    assert problems == []
    assert profile is not None
    return profile


def read(profile: Profile, payload: bytes | str | Any, topic: str = TOPIC, **how: Any) -> ProfileRead:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return read_message(profile, topic, body, RECEIVED_US, **{"time_if_absent": "refuse", **how})


def only(found: ProfileRead) -> Reading:
    assert found.refusals == []
    (placed,) = found.placed
    return placed.reading


def reasons(found: ProfileRead) -> list[str]:
    return [refusal.reason for refusal in found.refusals]


JSON = built("""
topic = "plant/{site}/rf/{transmitter}/status"
format = "json"
[json]
reports = "/data"
[fields.forward]
pointer = "/pwr/fwd"
unit = "dBm"
scale = 0.1
missing = [-999]
[fields.reflected]
pointer = "/pwr/rfl"
unit = "SWR"
[fields.time]
pointer = "/ts"
form = "unix_ms"
[fields.keyed]
pointer = "/key"
true = ["ON"]
false = ["OFF"]
[fields.pa_temperature]
pointer = "/temp"
unit = "degF"
[fields.channel]
pointer = "/gw/channel"
in = "payload"
[constants]
frequency_mhz = 155.34
[sites]
"0017" = "hill-03"
[transmitters]
"hill-03/T1" = "tx-1"
"T1" = "tx-9"
[at."hill-03"]
fields.pa_temperature.unit = "degC"
""")
REPORT = {"pwr": {"fwd": 500, "rfl": 1.5}, "ts": 1_794_999_990_000, "key": "ON", "temp": 41}


def test_a_report_of_json() -> None:
    found = read(JSON, {"gw": {"channel": "A"}, "data": REPORT})
    assert [(placed.site, placed.transmitter) for placed in found.placed] == [("hill-03", "tx-1")]
    reading = only(found)
    assert reading.forward_w == pytest.approx(100.0)
    # SWR 1.5: rho 0.2, so 4 % of the power comes back.
    assert reading.reflected_w == pytest.approx(4.0)
    assert reading._replace(forward_w=0, reflected_w=0) == Reading(
        1_794_999_990_000_000,
        0,
        0,
        keyed=True,
        frequency_mhz=155.34,
        channel="A",
        pa_temperature_c=41.0,
    )


def test_another_site_has_what_holds_everywhere() -> None:
    found = read(JSON, {"data": REPORT}, "plant/0018/rf/T1/status")
    assert [(placed.site, placed.transmitter) for placed in found.placed] == [("0018", "tx-9")]
    assert only(found).pa_temperature_c == pytest.approx(5.0)


def test_reports_of_an_array_stand_alone() -> None:
    bad = {**REPORT, "pwr": {"fwd": -999, "rfl": 1.5}}
    payload = {"gw": {"channel": "A"}, "data": [REPORT, bad, 7, {**REPORT, "ts": 1_794_999_991_000}]}
    found = read(JSON, payload)
    assert [placed.reading.time_us for placed in found.placed] == [
        1_794_999_990_000_000,
        1_794_999_991_000_000,
    ]
    assert reasons(found) == ["no-power", "not-an-object"]
    assert json.loads(found.refusals[0].part) == {"gw": {"channel": "A"}, "data": [bad]}
    for placed in found.placed:
        again = read(JSON, placed.part)
        assert [one.reading for one in again.placed] == [placed.reading]
    assert reasons(read(JSON, found.refusals[0].part)) == ["no-power"]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not-json"),
        (b"{", "not-json"),
        (b'{"data": NaN}', "not-json"),
        (b'{"data": "\xff"}', "not-json"),
        (b"[" * 100_000, "too-deep"),
        (b"7", "no-power"),
        (b"{}", "no-power"),
        (b'{"data": null}', "no-power"),
        (b'{"data": 7}', "not-an-object"),
        (b'{"data": {}}', "no-time"),
        (b'{"data": [[]]}', "no-time"),
        ({"data": {**REPORT, "pwr": {"fwd": 500}}}, "no-power"),
        ({"data": {**REPORT, "pwr": {"fwd": "x", "rfl": 1.5}}}, "not-a-number"),
        ({"data": {**REPORT, "pwr": {"fwd": 5000, "rfl": 1.5}}}, "bad-value"),
        ({"data": {**REPORT, "pwr": {"fwd": 500, "rfl": 0.5}}}, "bad-value"),
        ({"data": {**REPORT, "ts": 17}}, "bad-time"),
        ({"data": {**REPORT, "ts": None}}, "no-time"),
        ({"data": {**REPORT, "key": "on"}}, "bad-value"),
        ({"data": {**REPORT, "temp": True}}, "not-a-number"),
        ({"data": [REPORT] * 20_001}, "too-large"),
        (b" " * (4 * 1024 * 1024 + 1), "too-large"),
    ],
)
def test_json_that_cannot_be_used(payload: Any, reason: str) -> None:
    found = read(JSON, payload)
    assert found.placed == []
    assert reasons(found) == [reason]
    assert found.refusals[0].detail
    if isinstance(payload, bytes):
        assert found.refusals[0].part == payload


def test_an_empty_array_is_nothing() -> None:
    assert read(JSON, {"data": []}) == ProfileRead([], [], [])


def test_a_topic_of_others() -> None:
    assert reasons(read(JSON, {"data": REPORT}, "plant/0017")) == ["unknown-topic"]


def test_a_time_that_is_absent() -> None:
    untimed = {**REPORT, "ts": None}
    assert only(read(JSON, {"data": untimed}, time_if_absent="receipt")).time_us == RECEIVED_US


def test_a_byte_order_mark_is_passed_over() -> None:
    body = b"\xef\xbb\xbf" + json.dumps({"data": REPORT}).encode()
    assert only(read(JSON, body)).keyed is True


def test_reports_that_an_expression_finds() -> None:
    """No payload can be made for one of them alone: the whole is kept, once for each reason."""
    profile = built("""
        topic = "d/{site}"
        format = "json"
        [json]
        reports_jmespath = "racks[].units[]"
        [fields]
        transmitter.pointer = "/id"
        forward = { pointer = "/f", unit = "mW" }
        reflected = { pointer = "/r", unit = "%" }
        time = { pointer = "/t" }
        """)
    unit = {"id": 1, "f": 50_000, "r": 2, "t": "2026-11-18T00:00:00Z"}
    bad = [{**unit, "f": None}, {**unit, "f": None}, {**unit, "id": None}]
    payload = json.dumps({"racks": [{"units": [unit, bad[0]]}, {"units": [*bad[1:], {**unit, "id": 2}]}]})
    found = read(profile, payload.encode(), "d/hill")
    assert [(placed.site, placed.transmitter) for placed in found.placed] == [("hill", "1"), ("hill", "2")]
    assert found.placed[0].reading.forward_w == 50.0
    assert found.placed[0].reading.reflected_w == 1.0
    assert reasons(found) == ["no-power", "unknown-place"]
    assert "(report 2 of 5, and 1 more)" in found.refusals[0].detail
    assert {refusal.part for refusal in found.refusals} == {payload.encode()}


# CSV ----------------------------------------------------------------------------------------------------

CSV = built("""
topic = "log/{transmitter}"
format = "csv"
[csv]
separator = ";"
decimal = ","
skip_lines = 1
[fields]
site.column = "Station"
forward = { column = "P vor", unit = "W" }
reflected = { column = "P rueck", unit = "W" }
time = { column = ["Datum", "Zeit"], form = "%d.%m.%Y %H:%M:%S", zone = "Europe/Berlin" }
pa_temperature = { column = "T", unit = "degC", missing = ["--"] }
""")
HEAD = "logger 3\nStation; Datum;Zeit;P vor;P rueck;T\n"
LINE = "hill;18.11.2026;13:00:00;49,5;0,25;--\n"


def test_lines_of_csv_with_a_decimal_comma() -> None:
    body = HEAD + LINE + '"hill";18.11.2026;13:01:00;"50";0,5;41,5\r\n\n'
    found = read(CSV, body.encode(), "log/tx")
    assert found.refusals == []
    assert [placed.reading for placed in found.placed] == [
        Reading(1_795_003_200_000_000, 49.5, 0.25),
        Reading(1_795_003_260_000_000, 50.0, 0.5, pa_temperature_c=41.5),
    ]
    for placed in found.placed:
        assert read(CSV, placed.part, "log/tx").placed[0].reading == placed.reading


def test_a_line_that_breaks_off_is_refused_alone() -> None:
    found = read(CSV, (HEAD + LINE + "hill;18.11.2026;13:01:00;5").encode(), "log/tx")
    assert len(found.placed) == 1
    assert reasons(found) == ["not-csv"]
    assert found.refusals[0].part.decode() == HEAD + "hill;18.11.2026;13:01:00;5\n"


@pytest.mark.parametrize(
    ("body", "reason", "words"),
    [
        ("", "not-csv", "names the columns"),
        (HEAD, "not-csv", "no line with values"),
        (HEAD.replace("P vor", "P_vor") + LINE, "not-csv", "did you mean 'P_vor'?"),
        (HEAD.replace("P vor", "P rueck") + LINE, "not-csv", "'P vor' for forward is not there"),
        (HEAD.replace("T\n", "T;T\n") + LINE.replace("--", "--;--"), "not-csv", "twice"),
        (HEAD + '"hill;18.11.2026;13:00:00;49,5;0,25;--\n', "not-csv", "quotes"),
        (HEAD + LINE.replace("49,5", "49.5"), "not-a-number", "forward"),
        (HEAD + LINE.replace("49,5", ""), "no-power", "forward"),
        (HEAD + LINE.replace("18.11.2026", ""), "no-time", "time"),
        (HEAD + LINE.replace("hill", ""), "unknown-place", "site"),
        (
            HEAD + LINE.replace("13:00", "02:30").replace("18.11.2026", "29.03.2026"),
            "bad-time",
            "does not come",
        ),
        (HEAD + LINE * 20_001, "too-large", "lines"),
    ],
)
def test_csv_that_cannot_be_used(body: str, reason: str, words: str) -> None:
    found = read(CSV, body.encode(), "log/tx")
    assert found.placed == []
    assert reasons(found) == [reason]
    assert words in found.refusals[0].detail


def test_csv_that_is_no_text() -> None:
    assert reasons(read(CSV, b"\xff\xfe", "log/tx")) == ["not-csv"]


def test_columns_by_number_and_by_given_names() -> None:
    text = """
        topic = "log/{site}/{transmitter}"
        format = "csv"
        csv.FORM
        [fields]
        time = { column = TIME, form = "unix_s" }
        forward = { column = FORWARD, unit = "W" }
        reflected = { column = REFLECTED, unit = "rho" }
        """
    numbered = text.replace("FORM", "header = false").replace("TIME", "1").replace("FORWARD", "2")
    named = text.replace("FORM", 'columns = ["t", "f", "r"]').replace("TIME", '"t"').replace("FORWARD", "2")
    for profile in (
        built(numbered.replace("REFLECTED", "3")),
        built(named.replace("REFLECTED", '"r"')),
    ):
        found = read(profile, b"1794999990,50,0.1\n1794999991,50,0.2", "log/a/b")
        assert [placed.reading.reflected_w for placed in found.placed] == [
            pytest.approx(0.5),
            pytest.approx(2.0),
        ]
        assert reasons(read(profile, b"1794999990", "log/a/b")) == [
            "no-power" if profile.csv.columns == () else "not-csv"
        ]


# Bare numbers -------------------------------------------------------------------------------------------

NUMBER = """
topic = "{site}/power/{transmitter}/{channel}/{quantity}"
format = "number"
[number.quantities]
FWD = "forward"
RFL = "reflected"
KEY = "keyed"
[fields]
forward = { unit = "V", table = [[0, 0], [5, 100]], table_unit = "W" }
reflected = { unit = "dB", missing = ["--"] }
keyed = { true = ["on"], false = ["off"] }
channel.part = "channel"
"""


def test_a_bare_number_is_a_part() -> None:
    found = read(built(NUMBER), b" 2.5\n", "hill/power/tx/A/FWD")
    (part,) = found.parts
    assert (part.site, part.transmitter, part.field, part.value) == ("hill", "tx", "forward", 50.0)
    assert (part.time_us, part.received_us, part.others) == (None, RECEIVED_US, {"channel": "A"})
    assert (found.placed, found.refusals) == ([], [])
    assert read(built(NUMBER), b"on", "hill/power/tx/A/KEY").parts[0].value is True
    # A return loss, which becomes a power only beside the forward power.
    assert read(built(NUMBER), b"20", "hill/power/tx/A/RFL").parts[0].value == 20.0


def test_a_bare_value_that_says_none_is_nothing() -> None:
    assert read(built(NUMBER), b"--", "hill/power/tx/A/RFL") == ProfileRead([], [], [])


@pytest.mark.parametrize(
    ("payload", "level", "reason"),
    [
        (b"", "FWD", "not-a-number"),
        (b"x", "FWD", "not-a-number"),
        (b"\xff", "FWD", "not-a-number"),
        (b"1" * 2000, "FWD", "not-a-number"),
        (b"6", "FWD", "out-of-table"),
        (b"-1", "RFL", "bad-value"),
        (b"maybe", "KEY", "bad-value"),
        (b"1", "TEMP", "unknown-topic"),
    ],
)
def test_a_bare_number_that_cannot_be_used(payload: bytes, level: str, reason: str) -> None:
    found = read(built(NUMBER), payload, f"hill/power/tx/A/{level}")
    assert (found.parts, reasons(found)) == ([], [reason])
    assert found.refusals[0].part == payload


def test_a_value_of_json_with_its_own_time() -> None:
    profile = built(
        NUMBER.replace("[number.quantities]", '[number]\npointer = "/value"\n[number.quantities]')
        + 'time = { pointer = "/at", form = "unix_s" }\n'
    )
    (part,) = read(profile, {"value": 2.5, "at": 1_794_999_990}, "hill/power/tx/A/FWD").parts
    assert (part.value, part.time_us, part.others) == (50.0, 1_794_999_990_000_000, {"channel": "A"})
    for payload, reason in (
        ({"value": 2.5, "at": 1}, "bad-time"),
        ({"at": 1}, "not-a-number"),
        (b"{", "not-json"),
    ):
        assert reasons(read(profile, payload, "hill/power/tx/A/FWD")) == [reason]


# Records and anything -----------------------------------------------------------------------------------


def test_a_flat_record() -> None:
    profile = built("""
        topic = "{group}/{site}/{transmitter}"
        format = "sparkplug"
        [fields]
        forward = { metric = "Tx/Forward", unit = "W" }
        reflected = { metric = "Tx/SWR", unit = "SWR" }
        keyed.metric = "Tx/Keyed"
        """)
    parts = {"group": "north", "site": "hill", "transmitter": "tx"}
    record = {"Tx/Forward": 100, "Tx/SWR": float("inf"), "Tx/Keyed": True, "other": object()}
    found = placed_from_record(profile, parts, record, RECEIVED_US)
    assert only(found) == Reading(RECEIVED_US, 100.0, 100.0, True)
    for wrong, reason in (({"Tx/SWR": None}, "no-power"), ({"Tx/Forward": float("nan")}, "not-a-number")):
        assert reasons(placed_from_record(profile, parts, {**record, **wrong}, RECEIVED_US)) == [reason]
    assert reasons(placed_from_record(profile, {"site": "hill"}, record, RECEIVED_US)) == ["unknown-place"]
    assert reasons(read(profile, b"{}", "north/hill/tx")) == ["unknown-topic"]


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.just("50")
anything = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["data", "pwr", "fwd", "rfl", "ts", "key", "gw"]), inner, max_size=4
        )
    ),
)
payloads = st.binary(max_size=100) | anything.map(lambda value: json.dumps(value).encode())


@given(st.sampled_from([JSON, CSV, built(NUMBER)]), payloads, st.lists(st.text(max_size=4), max_size=5))
def test_whatever_comes_each_report_is_read_or_refused(
    profile: Profile, payload: bytes, levels: list[str]
) -> None:
    names = iter(levels)
    topic = "/".join(level if level is not None else next(names, "FWD") for level in profile.topic.levels)
    for at in (topic, "/".join(levels)):
        found = read(profile, payload, at)
        for refusal in found.refusals:
            assert refusal.reason
            assert refusal.detail
        for placed in found.placed:
            # numpy and both databases take what stands in a reading.
            assert placed.reading.forward_w - placed.reading.forward_w == 0
            assert placed.reading.reflected_w - placed.reading.reflected_w == 0
