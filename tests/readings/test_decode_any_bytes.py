"""Whatever bytes come, the decoder gives readings or reasons, and never raises."""

from __future__ import annotations

import json
import math
from typing import Any

import msgspec
from hypothesis import example, given, settings
from hypothesis import strategies as st

from standingwatch.readings import COLUMNS, Decoded, Reading, decode_report
from standingwatch.readings.report import Report

REASONS = {
    "too-large",
    "not-json",
    "too-deep",
    "not-an-object",
    "no-time",
    "no-offset",
    "bad-time",
    "no-power",
    "bad-value",
}
TYPES: dict[str, tuple[type, ...]] = {name: (float, type(None)) for name in COLUMNS} | {
    "time_us": (int,),
    "forward_w": (float,),
    "reflected_w": (float,),
    "keyed": (bool, type(None)),
    "foldback": (bool, type(None)),
    "channel": (str, type(None)),
    "sequence": (int, type(None)),
}

members = st.sampled_from(Report.__struct_fields__)
numbers = (
    st.integers()
    | st.floats()
    | st.sampled_from([10**400, -(10**400), 2**63, 2**64, 1e308, 5e-324, math.nan, math.inf, 100.0, 0.99])
)
scalars = (
    st.none() | st.booleans() | numbers | st.text() | st.sampled_from(["2025-03-01T12:00:00Z", "\ud800", "5"])
)
anything = st.recursive(
    scalars, lambda inner: st.lists(inner) | st.dictionaries(members | st.text(), inner), max_leaves=20
)
# Mostly usable, so that the fast path and every single member get their share.
likely = st.fixed_dictionaries(
    {"time": st.sampled_from(["2025-03-01T12:00:00Z", 1_740_830_400]), "forward_w": numbers | st.just(50)},
    optional={name: scalars for name in Report.__struct_fields__ if name not in ("time", "forward_w")},
)


def check(decoded: Decoded, payload: bytes) -> None:
    for reading in decoded.readings:
        assert type(reading) is Reading
        for name, value in zip(COLUMNS, reading, strict=True):
            assert type(value) in TYPES[name], name
            assert not isinstance(value, float) or math.isfinite(value), name
        if reading.channel is not None:
            reading.channel.encode()
    for refusal in decoded.refusals:
        assert refusal.reason in REASONS
        assert refusal.detail
        assert refusal.part in payload
        assert len(refusal.detail) < 400
        refusal.detail.encode()


def dumped(value: Any) -> bytes:
    # With NaN and Infinity, and half surrogates, as careless senders write them.
    return json.dumps(value).encode()


@given(st.binary(), st.sampled_from([b"", b"[", b"{", b'{"forward_w":', b'[{"time":1},', b"\xef\xbb\xbf"]))
@example(b"\xff", b'{"channel":"')
@example(b"[" * 200_000, b"")
@example(b'{"time":' * 200_000, b"")
@example(b'[{"x":' * 100_000, b"[1,")
@example(b"9" * 100_000, b'{"sequence":')
@example(b"9" * 4300 + b"}", b'{"sequence":')
@example(b"9" * 4301 + b"}", b'{"time":')
@example(b"1e999999999999999999999}", b'{"time":')
@example(b"1e-999999999999999999999}", b'{"time":')
def test_any_bytes(tail: bytes, head: bytes) -> None:
    check(decode_report(head + tail, 0, time_if_absent="receipt"), head + tail)


@settings(max_examples=300)
@given(anything | st.lists(anything), st.sampled_from(["refuse", "receipt"]))
def test_any_json(value: Any, time_if_absent: Any) -> None:
    payload = dumped(value)
    check(decode_report(payload, 0, time_if_absent=time_if_absent), payload)


@settings(max_examples=500)
@given(likely)
def test_any_members(value: Any) -> None:
    payload = dumped(value)
    decoded = decode_report(payload, 0, time_if_absent="refuse")
    check(decoded, payload)
    assert len(decoded.readings) + len(decoded.refusals) == 1


@settings(max_examples=200)
@given(st.lists(likely | anything, max_size=6))
def test_an_array_gives_what_its_elements_give_alone(values: list[Any]) -> None:
    together = decode_report(dumped(values), 0, time_if_absent="refuse")
    readings: list[Reading] = []
    refusals: list[bytes | None] = []
    for value in values:
        if isinstance(value, list):
            refusals.append(None)
            continue
        alone = decode_report(dumped(value), 0, time_if_absent="refuse")
        readings += alone.readings
        refusals += [refusal.part for refusal in alone.refusals]
    assert together.readings == readings
    assert len(together.refusals) == len(refusals)
    for refusal, part in zip(together.refusals, refusals, strict=True):
        assert part in (None, refusal.part)


@given(likely, st.integers(0, 400))
def test_a_report_cut_anywhere(value: Any, at: int) -> None:
    payload = (b"[" + dumped(value) + b"," + dumped(value) + b"]")[:at]
    check(decode_report(payload, 0, time_if_absent="refuse"), payload)


@given(likely, st.integers(0, 400), st.binary(min_size=1, max_size=3))
def test_a_report_with_bytes_overwritten(value: Any, at: int, noise: bytes) -> None:
    whole = dumped(value)
    payload = whole[:at] + noise + whole[at + len(noise) :]
    check(decode_report(payload, 0, time_if_absent="refuse"), payload)


def test_the_types_above_are_checked_against_what_msgspec_gives() -> None:
    # Guards this file: an integer for a power must have become a float on the way.
    (reading,) = decode_report(
        msgspec.json.encode({"time": 1_740_830_400, "forward_w": 5, "reflected_w": 0}),
        0,
        time_if_absent="refuse",
    ).readings
    assert type(reading.forward_w) is float
