"""Payloads of reports to readings.

A payload is one JSON object or an array of them. What is right goes through one typed decoding; only when
something is wrong does `explain` look closer, so that each refusal says what to mend. No payload whatever
makes `decode_report` raise.
"""

from __future__ import annotations

import json
import sys
from typing import Literal, NamedTuple

import msgspec

from standingwatch.readings.columns import Reading
from standingwatch.readings.report import MAX_CHANNEL_LENGTH as MAX_CHANNEL_LENGTH  # others look for it here
from standingwatch.readings.report import MAX_SEQUENCE, Report
from standingwatch.readings.times import BadTimeError, parse_time, shown
from standingwatch.readings.units import (
    reflected_w_from_return_loss,
    reflected_w_from_swr,
    watts_from_dbm,
)

TimeIfAbsent = Literal["refuse", "receipt"]

# A week of an outage at a report a minute is 10,080 reports of 100 to 200 bytes.
MAX_PAYLOAD_BYTES = 4 * 1024 * 1024
MAX_OBJECTS = 20_000
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_WHITE = " \t\n\r"


class Refusal(NamedTuple):
    """A report, or a whole payload, that cannot be used.

    Attributes:
        reason: one of `too-large`, `not-json`, `too-deep`, `not-an-object`, `no-time`, `no-offset`,
            `bad-time`, `no-power`, `bad-value`.
        detail: one sentence: what, got, wanted, how to mend.
        part: the bytes that were refused, as they came.
    """

    reason: str
    detail: str
    part: bytes


class Decoded(NamedTuple):
    """What a payload held: the readings in its order, and what had to be refused."""

    readings: list[Reading]
    refusals: list[Refusal]


class _UnusableError(Exception):
    """Why a report is refused: reason and sentence."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


# Everything msgspec raises over bytes: it checks UTF-8 and depth through Python's own errors.
_DECODING_ERRORS = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)

_PAYLOAD = msgspec.json.Decoder(Report | list[Report])
_REPORT = msgspec.json.Decoder(Report)
_RAW_LIST = msgspec.json.Decoder(list[msgspec.Raw])
_RAW = msgspec.json.Decoder(msgspec.Raw)
_RAW_MEMBERS = msgspec.json.Decoder(dict[str, msgspec.Raw])
_ANYTHING = msgspec.json.Decoder()
# Used for the ends of values only, so numbers stay text and none is too long or too large.
_WALKER = json.JSONDecoder(parse_int=str, parse_float=str, parse_constant=str)


def decode_report(payload: bytes, received_us: int, *, time_if_absent: TimeIfAbsent) -> Decoded:
    """The readings of one payload.

    Parameters
    ----------
    payload
        JSON in UTF-8, one object or an array of them, at most 4 MiB and 20,000 objects. A byte order mark
        in front is passed over (RFC 8259, 8.1, allows it). Of a member given twice the last one counts.
    received_us
        When the payload came [us since 1970-01-01 UTC].
    time_if_absent
        `refuse` a report without a time, or give it the time of `receipt`.

    Returns
    -------
    Decoded
        In an array each report stands alone: the good ones are kept. From an array that breaks off, or stops
        being JSON, the reports before that point are kept and the rest is one refusal. An empty array gives
        neither.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        return _refused_whole(
            "too-large",
            f"payload has {len(payload)} bytes, wanted at most {MAX_PAYLOAD_BYTES}; send several arrays",
            payload,
        )
    try:
        found = _PAYLOAD.decode(payload)
        if isinstance(found, Report):
            return Decoded([_reading(found, received_us, time_if_absent)], [])
        if len(found) <= MAX_OBJECTS:
            return Decoded([_reading(report, received_us, time_if_absent) for report in found], [])
    except _DECODING_ERRORS:
        pass  # Not given up: the same bytes are looked at again below, part by part, to say what is wrong.
    except _UnusableError:
        pass  # The same: one report of perhaps many, and only the slow way knows its bytes.
    return _decode_by_parts(payload, received_us, time_if_absent)


def _decode_by_parts(payload: bytes, received_us: int, time_if_absent: TimeIfAbsent) -> Decoded:
    body = payload.removeprefix(_BYTE_ORDER_MARK)
    parts = _elements(body) if body.lstrip()[:1] == b"[" else [body]
    if len(parts) > MAX_OBJECTS:
        return _refused_whole(
            "too-large",
            f"payload is an array of more than {MAX_OBJECTS} reports; send several arrays",
            payload,
        )
    decoded = Decoded([], [])
    for part in parts:
        try:
            decoded.readings.append(_reading(_REPORT.decode(part), received_us, time_if_absent))
        except _UnusableError as unusable:
            decoded.refusals.append(Refusal(unusable.reason, unusable.detail, part))
        except _DECODING_ERRORS as error:
            why = _explain(part, error)
            decoded.refusals.append(Refusal(why.reason, why.detail, part))
    if parts == [body] and decoded.refusals:
        # Not an array: what was refused is the payload as it came, byte order mark and all.
        return Decoded([], [decoded.refusals[0]._replace(part=payload)])
    return decoded


def _refused_whole(reason: str, detail: str, payload: bytes) -> Decoded:
    return Decoded([], [Refusal(reason, detail, payload)])


def _reading(report: Report, received_us: int, time_if_absent: TimeIfAbsent) -> Reading:
    """A report's reading; raises `_UnusableError` where a member has the right type but no usable value."""
    given_time = report.time
    if given_time is not None:
        try:
            time_us = parse_time(given_time)
        except BadTimeError as error:
            raise _UnusableError(error.reason, str(error)) from error
    elif time_if_absent == "receipt":
        time_us = received_us
    else:
        raise _UnusableError(
            "no-time",
            "time is missing, wanted RFC 3339 with an offset or Unix seconds; "
            "send it, or let the settings allow the time of receipt",
        )
    member = "forward_dbm"
    try:
        forward_w = report.forward_w
        if forward_w is None:
            if report.forward_dbm is None:
                raise _UnusableError("no-power", "forward power is missing; send forward_w or forward_dbm")
            forward_w = watts_from_dbm(report.forward_dbm)
        reflected_w = report.reflected_w
        if reflected_w is None:
            if report.reflected_dbm is not None:
                member = "reflected_dbm"
                reflected_w = watts_from_dbm(report.reflected_dbm)
            elif report.swr is not None:
                member = "swr"
                reflected_w = reflected_w_from_swr(forward_w, report.swr)
            elif report.return_loss_db is not None:
                member = "return_loss_db"
                reflected_w = reflected_w_from_return_loss(forward_w, report.return_loss_db)
            else:
                raise _UnusableError(
                    "no-power",
                    "reflected power is missing; send one of reflected_w, reflected_dbm, swr, return_loss_db",
                )
    except ValueError as error:
        raise _UnusableError("bad-value", f"{member} {error}") from error
    channel = report.channel
    if channel is not None and (len(channel) > MAX_CHANNEL_LENGTH or not channel.isprintable()):
        raise _UnusableError(
            "bad-value",
            f"channel is {shown(channel)}, wanted up to {MAX_CHANNEL_LENGTH} printable characters; rename it",
        )
    keyed, foldback, sequence = report.keyed, report.foldback, report.sequence
    return Reading(
        time_us,
        forward_w,
        reflected_w,
        keyed if keyed is None or keyed is True or keyed is False else _state("keyed", keyed),
        report.frequency_mhz,
        channel,
        report.set_power_w,
        foldback
        if foldback is None or foldback is True or foldback is False
        else _state("foldback", foldback),
        report.pa_temperature_c,
        report.ambient_temperature_c,
        report.precipitation,
        report.wind_mps,
        sequence if sequence is None else _sequence(sequence),
    )


def _state(member: str, value: float) -> bool:
    if value == 0 or value == 1:
        return value == 1
    raise _UnusableError("bad-value", f"{member} is {shown(value)}; send true or false")


def _sequence(value: int | float) -> int:
    if 0 <= value <= MAX_SEQUENCE and value == (whole := int(value)):
        return whole
    raise _UnusableError("bad-value", f"sequence is {shown(value)}; send an integer from 0 to {MAX_SEQUENCE}")


def _elements(body: bytes) -> list[bytes]:
    """The raw elements of a JSON array; what cannot be told apart any more is the last of them."""
    try:
        return [bytes(raw) for raw in _RAW_LIST.decode(body)]
    except _DECODING_ERRORS:
        # Walked instead. surrogateescape keeps bytes that are not UTF-8 through both conversions.
        text = body.decode("utf-8", "surrogateescape")
    elements: list[str] = []
    at = _past_white(text, text.index("[") + 1)
    while at < len(text) and len(elements) <= MAX_OBJECTS:
        try:
            end = _WALKER.raw_decode(text, at)[1]
        except (ValueError, RecursionError):
            break
        elements.append(text[at:end])
        after = _past_white(text, end)
        if text[after : after + 1] != ",":
            at = after
            break
        at = _past_white(text, after + 1)
    if not elements:
        return [body]
    # A comma before the closing bracket is let pass: it takes nothing from the reports.
    if not (text[at : at + 1] == "]" and _past_white(text, at + 1) == len(text)):
        elements.append(text[at:])
    return [element.encode("utf-8", "surrogateescape") for element in elements]


def _past_white(text: str, at: int) -> int:
    while at < len(text) and text[at] in _WHITE:
        at += 1
    return at


def _explain(part: bytes, error: Exception) -> _UnusableError:
    """What is wrong with a part that does not decode as a report."""
    if not part.strip():
        return _UnusableError(
            "not-json",
            "nothing stands where a JSON object should: the payload is empty or breaks off; send it whole",
        )
    try:
        members = _RAW_MEMBERS.decode(part)
    except _DECODING_ERRORS as raw_error:
        return _not_an_object(part, raw_error)
    for member, raw in members.items():
        if member in Report.__struct_fields__ and (wrong := _wrong_type(member, bytes(raw))):
            return _UnusableError("bad-value", wrong)
    return _UnusableError("not-json", f"report does not decode ({error}); send JSON in UTF-8")


def _not_an_object(part: bytes, error: Exception) -> _UnusableError:
    if not isinstance(error, msgspec.ValidationError):
        return _not_json(part, error)
    # The wrong type is noticed at the first byte; whether the rest is JSON at all is another question.
    try:
        _RAW.decode(part)
    except _DECODING_ERRORS as syntax_error:
        return _not_json(part, syntax_error)
    kind = {b"[": "an array", b'"': "a text", b"t": "true", b"f": "false", b"n": "null"}
    got = kind.get(part.lstrip()[:1], "a number")
    return _UnusableError("not-an-object", f"a report is {got}, wanted a JSON object with time and powers")


def _not_json(part: bytes, error: Exception) -> _UnusableError:
    if isinstance(error, RecursionError):
        return _UnusableError(
            "too-deep", "values are nested too deep to read; send a report as a flat object"
        )
    hint = "send JSON in UTF-8"
    if b"NaN" in part or b"Infinity" in part:
        hint = "JSON has no NaN or Infinity: leave the member out or send null"
    elif b"\\u" in part:
        hint = "check the \\u escapes: half of a surrogate pair is no character"
    elif isinstance(error, UnicodeDecodeError):
        hint = "a text in it is not UTF-8"
    return _UnusableError("not-json", f"not valid JSON ({error}); {hint}")


def _wrong_type(member: str, raw: bytes) -> str:
    """One sentence when the value cannot be that member's, "" when it can."""
    try:
        value = _ANYTHING.decode(raw)
    except msgspec.ValidationError:
        return f"{member} is a number too large to hold; send a finite number"
    except UnicodeDecodeError:
        return f"{member} holds bytes that are not UTF-8; send JSON in UTF-8"
    except RecursionError:
        return f"{member} is nested too deep to read; send a plain value"
    if value is None:
        return ""
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if member == "time":
        fits, wanted = number or isinstance(value, str), "a text or a number"
    elif member == "channel":
        fits, wanted = isinstance(value, str), "a text in quotes"
    elif member in ("keyed", "foldback"):
        fits, wanted = isinstance(value, (int, float)), "true or false without quotes"
    else:
        fits, wanted = number, "a number without quotes"
        if number and member != "sequence" and abs(value) > sys.float_info.max:
            return f"{member} is {shown(value)}, too large to hold; send a finite number"
    return "" if fits else f"{member} is {shown(value)}, wanted {wanted}; send it so, or leave it out"
