"""Payloads of Sparkplug B: from bytes to plain metrics, and the two messages that a host sends.

Source of layout and data types: Eclipse Sparkplug 3.0.0, chapter 6, and its published schema.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import NamedTuple

from google.protobuf.message import DecodeError

from standingwatch.readings.sparkplug.sparkplug_b_pb2 import DataType
from standingwatch.readings.sparkplug.sparkplug_b_pb2 import Payload as _Payload

#: What an edge node has to let itself be asked for (tck-id-operational-behavior-data-commands-rebirth-name).
REBIRTH = "Node Control/Rebirth"
#: Number of a session, in births and deaths of nodes.
BD_SEQ = "bdSeq"

#: Bits of the integer types; they travel in unsigned fields, negative ones as two's complement.
_SIGNED_BITS: Mapping[int, int] = {
    DataType.Int8: 8,
    DataType.Int16: 16,
    DataType.Int32: 32,
    DataType.Int64: 64,
}
_UNSIGNED_BITS: Mapping[int, int] = {
    DataType.UInt8: 8,
    DataType.UInt16: 16,
    DataType.UInt32: 32,
    DataType.UInt64: 64,
    DataType.DateTime: 64,
}
_REALS = (DataType.Float, DataType.Double)
_TEXTS = (DataType.String, DataType.Text, DataType.UUID)
#: The types whose values stand in a field.
_FITS: Mapping[str, tuple[int, ...]] = {
    "boolean_value": (DataType.Boolean,),
    "string_value": _TEXTS,
    "float_value": _REALS,
    "double_value": _REALS,
}
_INTEGER_FIELDS = ("int_value", "long_value")
_REAL_FIELDS = ("float_value", "double_value")
#: Metrics in one message, at most: an empty one is two bytes, and becomes a hundred in memory.
MOST_METRICS = 20_000
#: Quality of a value that is to be used; 0 is bad, 500 stale (chapter 6, "Quality Codes").
_GOOD = 192

Plain = int | float | bool | str


class BadPayloadError(ValueError):
    """A payload that cannot be used; the text is one sentence."""


class Metric(NamedTuple):
    """A metric as it came.

    Attributes:
        name: its name, "" where only the alias stands for it.
        alias: its alias, None where there is none.
        time_ms: when the value was taken [ms since 1970-01-01 UTC], None where it does not say.
        datatype: number of its data type, None where it does not say.
        field: field of the schema that holds the value, "" for none.
        value: what is in that field; None for values that are no single number, truth value or text.
        is_null: whether the device says that there is no value, or that it is not good.
        is_historical: whether the value is of the past.
    """

    name: str
    alias: int | None
    time_ms: int | None
    datatype: int | None
    field: str
    value: Plain | None
    is_null: bool
    is_historical: bool


class Payload(NamedTuple):
    """A payload: when it was sent [ms since 1970-01-01 UTC], its number 0 to 255, its metrics."""

    time_ms: int | None
    seq: int | None
    metrics: tuple[Metric, ...]

    def bd_seq(self) -> int | None:
        """Number of the session that a birth or death belongs to, None where it does not say."""
        for metric in self.metrics:
            if metric.name == BD_SEQ and metric.field in _INTEGER_FIELDS and not metric.is_null:
                return int(metric.value) if metric.value is not None else None
        return None


def decode_payload(payload: bytes) -> Payload:
    """The metrics of a payload.

    Raises
    ------
    BadPayloadError
        If the bytes are not of the schema, say that they are compressed, hold a text that is not UTF-8, or
        more than `MOST_METRICS` metrics.
    """
    try:
        found = _Payload.FromString(payload)
        if found.HasField("uuid") and "COMPRESSED" in _text(found.uuid):
            raise BadPayloadError("the payload is compressed; switch compression off at the edge node")
        if len(found.metrics) > MOST_METRICS:
            raise BadPayloadError(
                f"it has {len(found.metrics)} metrics, at most {MOST_METRICS} are taken; publish fewer"
            )
        metrics = tuple(_metric(one) for one in found.metrics)
    except DecodeError as error:
        raise BadPayloadError(
            f"{len(payload)} bytes do not decode by the schema of Sparkplug B ({error}); check what "
            "publishes on this topic"
        ) from error
    except UnicodeDecodeError as error:
        raise BadPayloadError(f"a text in it is not UTF-8 ({error}); send UTF-8") from error
    return Payload(
        found.timestamp if found.HasField("timestamp") else None,
        found.seq if found.HasField("seq") else None,
        metrics,
    )


def _text(value: object) -> str:
    """A text of the schema; protobuf gives one that is not UTF-8 as the bytes that came."""
    if not isinstance(value, str):
        raise BadPayloadError(f"a text in it is not UTF-8 ({value!r:.40}); send UTF-8")
    return value


def _metric(found: _Payload.Metric) -> Metric:
    field = found.WhichOneof("value") or ""
    plain = field in (*_INTEGER_FIELDS, *_REAL_FIELDS, "boolean_value", "string_value")
    return Metric(
        _text(found.name),
        found.alias if found.HasField("alias") else None,
        found.timestamp if found.HasField("timestamp") else None,
        found.datatype if found.HasField("datatype") else None,
        field,
        _text(found.string_value) if field == "string_value" else getattr(found, field) if plain else None,
        found.is_null or not _is_good(found),
        found.is_historical,
    )


def _is_good(found: _Payload.Metric) -> bool:
    """Whether its property `Quality`, where there is one, calls the value good."""
    if not found.HasField("properties"):
        return True
    pairs = zip(found.properties.keys, found.properties.values, strict=False)
    return all(
        one.is_null or one.WhichOneof("value") != "int_value" or one.int_value == _GOOD
        for key, one in pairs
        if key == "Quality"
    )


def plain_value(metric: Metric, datatype: int | None) -> Plain | None:
    """The value of a metric as its data type means it; None where it says that there is none.

    Parameters
    ----------
    metric
        As it came. Integers travel in unsigned fields; encoders differ in whether they widen a negative
        Int8 or Int16 to 32 bits, which makes no difference here.
    datatype
        Number of its type from the birth, None where nobody has said it: then the field decides, and an
        integer is unsigned.

    Raises
    ------
    ValueError
        One sentence, for a type or a field that holds no single number, truth value or text, or where the two
        do not go together.
    """
    if metric.is_null:
        return None
    value, field = metric.value, metric.field
    if value is None or (datatype is not None and datatype > DataType.UUID):
        what = f"data type {_named(datatype)}" if datatype else (field or "no value")
        raise ValueError(f"it has {what}; map a metric with one number, truth value or text")
    if not datatype:
        return value
    if field in _INTEGER_FIELDS:
        if (bits := _SIGNED_BITS.get(datatype)) is not None:
            low = int(value) & ((1 << bits) - 1)
            return low - (1 << bits) if low >> (bits - 1) else low
        if (bits := _UNSIGNED_BITS.get(datatype)) is not None:
            return int(value) & ((1 << bits) - 1)
    if datatype in _FITS.get(field, ()):
        return value
    raise ValueError(
        f"it is of data type {_named(datatype)}, but its value stands in {field}; mend the encoder"
    )


def _named(datatype: int) -> str:
    return DataType.Name(datatype) if datatype in DataType.values() else f"number {datatype}"


def rebirth_request(time_ms: int) -> bytes:
    """An NCMD that asks an edge node for all of its births.

    Holds tck-id-operational-behavior-data-commands-ncmd-rebirth-name and -value, tck-id-topics-ncmd-timestamp
    and tck-id-topics-ncmd-payload; the metric goes by name, since a rebirth metric has no alias.
    """
    asked = _Payload(timestamp=time_ms)
    asked.metrics.add(name=REBIRTH, timestamp=time_ms, datatype=DataType.Boolean, boolean_value=True)
    return bytes(asked.SerializeToString())


def state_payload(online: bool, time_ms: int) -> bytes:
    """The payload of a host's STATE: JSON with exactly `online` and `timestamp`.

    Holds tck-id-host-topic-phid-birth-payload and tck-id-host-topic-phid-death-payload.
    """
    return json.dumps({"online": online, "timestamp": time_ms}).encode()


def says_offline(payload: bytes) -> bool:
    """Whether a STATE says that its host is offline; False for what is no STATE."""
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return False
    return isinstance(said, dict) and said.get("online") is False
