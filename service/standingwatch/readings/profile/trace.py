"""What a profile makes of a message, field by field: the intake's own functions, told step by step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from standingwatch.readings.columns import Reading
from standingwatch.readings.decode import Refusal, TimeIfAbsent
from standingwatch.readings.profile.model import (
    ABSENT,
    FIELD_NAMES,
    NAMES,
    QUANTITIES,
    Field,
    FieldName,
    Profile,
    Record,
    Rules,
    UnusableError,
)
from standingwatch.readings.profile.payloads import open_payload
from standingwatch.readings.profile.quantities import UNITS
from standingwatch.readings.profile.read import read_parts
from standingwatch.readings.profile.report import place_of, raw_of, reading_of, values_of

#: Constants of a profile that a field of another name says otherwise.
_CONSTANT_OF: Mapping[FieldName, str] = {
    "frequency": "frequency_mhz",
    "set_power": "set_power_w",
    "channel": "channel",
    "keyed": "keyed",
    "site": "site",
    "transmitter": "transmitter",
}
_UNIT_OF_CONSTANT = {"frequency_mhz": "MHz", "set_power_w": "W"}


@dataclass(frozen=True)
class TracedField:
    """One field of one report.

    Attributes:
        name: which field.
        where: where it was looked for, in words.
        raw: what stood there; `ABSENT` for nothing.
        how: what was done to the number, such as `x 0.025 - 32 dBm`; "" where nothing was.
        value: what was made of it, in `unit`; None where there is none. Times are Unix microseconds.
        unit: "" where the value has none.
        problem: what went wrong, one sentence; "" where nothing did.
    """

    name: FieldName
    where: str
    raw: Any
    how: str
    value: Any
    unit: str
    problem: str


@dataclass(frozen=True)
class TracedReport:
    """One report of a message.

    Attributes:
        site, transmitter: whose it is, by our names; "" where nothing names it.
        fields: in the order of the profile's fields, those that only constants or the topic say after them.
        reading: what the intake would store; None where it is refused, or waits for others.
        refusal: why it is refused; None where it is not.
        waits: it is one value of a report, and waits for the others.
    """

    site: str
    transmitter: str
    fields: tuple[TracedField, ...]
    reading: Reading | None
    refusal: Refusal | None
    waits: bool = False


def trace_message(
    profile: Profile,
    topic: str,
    payload: bytes,
    received_us: int,
    *,
    time_if_absent: TimeIfAbsent,
    most: int = 20_000,
) -> list[TracedReport]:
    """What a profile makes of a message, as `read.read_message` would, told field by field.

    Parameters
    ----------
    profile, topic, payload, received_us, time_if_absent
        As of `read_message`.
    most
        Reports that are told; further ones of the payload are left out.

    Returns
    -------
    list of TracedReport
        In the order of the payload. A payload of which nothing can be used is one report without fields. The
        whole payload stands in each refusal. It never raises.
    """
    parts = profile.topic.match(topic)
    if parts is None:
        detail = f"profile {profile.name} reads topics like {profile.topic.text}"
        return [_refused(Refusal("unknown-topic", detail, payload))]
    try:
        opened = open_payload(profile, parts, payload)
    except UnusableError as unusable:
        return [_refused(Refusal(unusable.reason, unusable.detail, payload))]
    if profile.format == "number" and isinstance(number := opened.records[0], Record):
        return [_traced_number(profile, topic, number, payload, received_us)]
    return [
        _refused(Refusal(record.reason, record.detail, payload))
        if isinstance(record, UnusableError)
        else _traced(profile, record, payload, received_us, time_if_absent)
        for record in opened.records[:most]
    ]


def trace_record(
    profile: Profile,
    site_parts: Mapping[str, str],
    record: Mapping[str, object],
    received_us: int,
    *,
    time_if_absent: TimeIfAbsent = "receipt",
) -> TracedReport:
    """What a profile makes of a flat record, as `records.placed_from_record` would. It never raises."""
    return _traced(profile, Record(record, record, site_parts), b"", received_us, time_if_absent)


def _refused(refusal: Refusal) -> TracedReport:
    return TracedReport("", "", (), None, refusal)


def _traced(
    profile: Profile, record: Record, payload: bytes, received_us: int, time_if_absent: TimeIfAbsent
) -> TracedReport:
    site = transmitter = ""
    reading, refusal = None, None
    rules = profile.rules
    try:
        site, transmitter = place_of(profile, record)
        rules = profile.rules_for(site, transmitter)
        reading = reading_of(rules, values_of(rules, record), received_us, time_if_absent)
    except UnusableError as unusable:
        refusal = Refusal(unusable.reason, unusable.detail, payload)
    told = _fields(rules, record, [name for name in FIELD_NAMES if name in rules.fields])
    if reading is not None:
        told = [_with_reflected(row, reading) for row in told]
        if not any(row.name == "time" and row.value is not None for row in told):
            told.append(TracedField("time", "receipt", ABSENT, "", reading.time_us, "", ""))
    return TracedReport(site, transmitter, tuple(told), reading, refusal)


def _traced_number(
    profile: Profile, topic: str, record: Record, payload: bytes, received_us: int
) -> TracedReport:
    """A bare number: one field, and what the topic or payload says besides."""
    # A number of its own is never without a time: the setting makes no difference.
    read = read_parts(profile, topic, record.parts, payload, received_us, time_if_absent="receipt")
    try:
        site, transmitter = place_of(profile, record)
    except UnusableError:
        site = transmitter = ""  # the refusal of the message says it
    rules = profile.rules_for(site, transmitter)
    only = profile.number.quantities.get(record.parts.get("quantity", ""))
    shared = set(rules.fields) - set(profile.number.quantities.values())
    names = [name for name in FIELD_NAMES if name in shared or (name == only and name in rules.fields)]
    refusal = read.refusals[0] if read.refusals else None
    return TracedReport(
        site, transmitter, tuple(_fields(rules, record, names)), None, refusal, bool(read.parts)
    )


def _fields(rules: Rules, record: Record, names: Sequence[FieldName]) -> list[TracedField]:
    told = [_field(rules.fields[name], rules, record) for name in names]
    unsaid = [_unsaid(name, rules, record) for name in FIELD_NAMES]
    return [*told, *(row for row in unsaid if row is not None)]


def _field(field: Field, rules: Rules, record: Record) -> TracedField:
    where, name = str(field.source), field.name
    try:
        raw = raw_of(rules, name, record)
    except UnusableError as unusable:
        return TracedField(name, where, ABSENT, "", None, "", unusable.detail)
    if raw is ABSENT:
        needed = name in ("forward", "reflected", "time", *NAMES)
        problem = "nothing stands there" if needed and not _elsewhere(name, rules, record) else ""
        return TracedField(name, where, raw, "", None, "", problem)
    how = _how(field)
    try:
        value = field.convert(raw)
    except UnusableError as unusable:
        return TracedField(name, where, raw, how, None, "", unusable.detail)
    return TracedField(name, where, raw, how, value, "" if value is None else _unit(field), "")


def _elsewhere(name: FieldName, rules: Rules, record: Record) -> bool:
    """Whether the topic or a constant says what a field does not."""
    return bool(record.parts.get(name) if name in NAMES else "") or _CONSTANT_OF.get(name) in rules.constants


def _unsaid(name: FieldName, rules: Rules, record: Record) -> TracedField | None:
    """What no field says but the topic or a constant does."""
    if name in rules.fields and _raw_or_absent(rules, name, record) is not ABSENT:
        return None
    if name in NAMES and record.parts.get(name):
        return TracedField(
            name, f"part {name!r} of the topic", record.parts[name], "", record.parts[name], "", ""
        )
    constant = _CONSTANT_OF.get(name, "")
    if constant not in rules.constants:
        return None
    value = rules.constants[constant]
    return TracedField(name, "constant", value, "", value, _UNIT_OF_CONSTANT.get(constant, ""), "")


def _raw_or_absent(rules: Rules, name: FieldName, record: Record) -> Any:
    try:
        return raw_of(rules, name, record)
    except UnusableError:
        return None  # Said where the field itself is told; a constant does not take its place.


def _how(field: Field) -> str:
    if field.name not in QUANTITIES:
        return " ".join(filter(None, (field.form, field.zone)))
    steps = []
    if field.scale != 1.0:
        steps.append(f"x {field.scale:g}")
    if field.offset:
        steps.append(f"{'-' if field.offset < 0 else '+'} {abs(field.offset):g}")
    steps.append(field.unit)
    if field.table:
        steps.append(f"by the table to {field.table_unit}")
    return " ".join(steps)


def _unit(field: Field) -> str:
    """The unit of what `convert` gives."""
    if field.name not in QUANTITIES:
        return ""
    unit = UNITS[field.result_unit]
    return unit.base if field.name != "reflected" or unit.kind == "power" else field.result_unit


def _with_reflected(row: TracedField, reading: Reading) -> TracedField:
    """The row of the match with what it means in watts."""
    if row.name != "reflected" or row.unit == "W" or row.value is None:
        return row
    how = f"{row.how}, of {reading.forward_w:g} W"
    return TracedField(row.name, row.where, row.raw, how, reading.reflected_w, "W", row.problem)
