"""Payloads of two encoders that are not ours, decoded; and the messages that a host sends, by the schema."""

from __future__ import annotations

import json
from typing import Any

import pytest

from standingwatch.readings.sparkplug.payload import (
    MOST_METRICS,
    BadPayloadError,
    Metric,
    decode_payload,
    plain_value,
    rebirth_request,
    says_offline,
    state_payload,
)
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import DataType
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import Payload as Wire

#: Type, value, what has to come out.
VALUES: list[tuple[str, Any]] = [
    *(("Int8", v) for v in (0, 127, -1, -128)),
    *(("Int16", v) for v in (-1, 32_767, -32_768)),
    *(("Int32", v) for v in (-1, 2**31 - 1, -(2**31))),
    *(("Int64", v) for v in (-1, 2**52, -(2**52))),
    *(("UInt8", v) for v in (0, 255)),
    *(("UInt16", v) for v in (40_000, 65_535)),
    *(("UInt32", v) for v in (3_000_000_000, 2**32 - 1)),
    *(("UInt64", v) for v in (0, 2**53 - 1)),
    *(("Float", v) for v in (0.0, 97.5, -1.5)),
    *(("Double", v) for v in (0.1, 1.13, -40.25, 1e300)),
    *(("Boolean", v) for v in (True, False)),
    *(("String", v) for v in ("", "ch 1", "Größe")),
    ("Text", "long"),
    ("UUID", "0a9d3a6e-9a7a-4c39-8f4f-4d3a3b1b7a11"),
]


@pytest.mark.parametrize(("kind", "value"), VALUES)
def test_a_value_comes_out_as_it_went_in(edge: Any, metric: Any, kind: str, value: Any) -> None:
    message = edge.device_birth("tx-1", metric("One", kind, value, alias=7))
    decoded = decode_payload(message.payload)
    assert (decoded.time_ms, decoded.seq) == (edge.time_ms, 0)
    (one,) = decoded.metrics
    assert (one.name, one.alias, one.time_ms, one.is_null) == ("One", 7, edge.time_ms, False)
    got = plain_value(one, one.datatype)
    assert got == value
    assert type(got) is type(value)


def test_what_is_null_or_of_the_past_says_so(edge: Any, metric: Any) -> None:
    message = edge.device_birth(
        "tx-1", metric("A", "Double", None), metric("B", "Double", 2.0, timestamp=5, historical=True)
    )
    a, b = decode_payload(message.payload).metrics
    assert a.is_null
    assert plain_value(a, a.datatype) is None
    assert (b.is_historical, b.time_ms, plain_value(b, b.datatype)) == (True, 5, 2.0)


@pytest.mark.parametrize(("quality", "is_null"), [(0, True), (500, True), (192, False)])
def test_a_value_that_its_device_does_not_call_good_is_none(
    edge: Any, metric: Any, quality: int, is_null: bool
) -> None:
    if edge.encode.name == "python":
        message = edge.data(metric("A", "Double", 2.0))
        wire = Wire.FromString(
            message.payload
        )  # this encoder knows no properties: they are put in by the schema
        wire.metrics[0].properties.keys.append("Quality")
        wire.metrics[0].properties.values.add(type=DataType.Int32, int_value=quality)
        payload = wire.SerializeToString()
    else:
        payload = edge.data(metric("A", "Double", 2.0, quality=quality)).payload
    assert decode_payload(payload).metrics[0].is_null is is_null


def test_negative_numbers_of_both_habits_of_encoders() -> None:
    """Chapter 6 says unsigned fields and nothing of how far a sign reaches: both habits are met."""
    for wide in (0xFF, 0xFFFF, 0xFFFF_FFFF):
        assert (
            plain_value(Metric("A", None, None, None, "int_value", wide, False, False), DataType.Int8) == -1
        )
    long = Metric("A", None, None, None, "long_value", 2**64 - 3, False, False)
    assert plain_value(long, DataType.Int32) == -3
    assert plain_value(long, DataType.Int64) == -3
    assert plain_value(long, None) == 2**64 - 3


@pytest.mark.parametrize(
    ("datatype", "field", "value", "words"),
    [
        (DataType.Float, "string_value", "12", "data type Float, but its value stands in string_value"),
        (DataType.Boolean, "int_value", 1, "data type Boolean, but its value stands in int_value"),
        (DataType.Int32, "double_value", 1.0, "data type Int32"),
        (DataType.DataSet, "dataset_value", None, "data type DataSet"),
        (DataType.FloatArray, "bytes_value", None, "data type FloatArray"),
        (99, "int_value", 1, "data type number 99"),
        (None, "template_value", None, "template_value"),
    ],
)
def test_what_is_no_single_value_is_told(datatype: int | None, field: str, value: Any, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plain_value(Metric("A", None, None, datatype, field, value, False, False), datatype)


def test_number_of_a_session(edge: Any) -> None:
    edge.bd_seq = 255
    assert decode_payload(edge.birth().payload).bd_seq() == 255
    death = decode_payload(edge.death().payload)
    assert (death.bd_seq(), death.seq) == (255, None)
    assert decode_payload(edge.data().payload).bd_seq() is None


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b'{"time": 1}', "do not decode by the schema"),
        (b"\xff\xff", "do not decode by the schema"),
        (Wire(uuid="SPBV1.0_COMPRESSED", body=b"x").SerializeToString(), "compressed"),
        (Wire(uuid="abc").SerializeToString().replace(b"abc", b"a\xffc"), "not UTF-8"),
        (Wire(metrics=[Wire.Metric(name="abc")]).SerializeToString().replace(b"abc", b"a\xffc"), "not UTF-8"),
        (
            Wire(metrics=[Wire.Metric(string_value="abc")]).SerializeToString().replace(b"abc", b"a\xffc"),
            "not UTF-8",
        ),
        (b"\x12\x00" * (MOST_METRICS + 1), "20001 metrics"),
    ],
)
def test_bad_payloads_are_told(payload: bytes, words: str) -> None:
    with pytest.raises(BadPayloadError, match=words):
        decode_payload(payload)


def test_rebirth_request() -> None:
    """tck-id-operational-behavior-data-commands-ncmd-rebirth-name, -value; topics-ncmd-timestamp."""
    wire = Wire.FromString(rebirth_request(1_795_000_000_000))
    assert wire.timestamp == 1_795_000_000_000
    assert not wire.HasField("seq")  # tck-id-payloads-ncmd-seq: no sequence number in it
    (one,) = wire.metrics
    assert (one.name, one.boolean_value, one.datatype) == ("Node Control/Rebirth", True, 11)
    assert not one.HasField("alias")


def test_state() -> None:
    """tck-id-host-topic-phid-birth-payload, tck-id-host-topic-phid-death-payload."""
    assert json.loads(state_payload(True, 5)) == {"online": True, "timestamp": 5}
    assert says_offline(state_payload(False, 5))
    for other in (state_payload(True, 5), b"", b"OFFLINE", b"[]", b"[" * 100_000, b"\xff"):
        assert not says_offline(other)
