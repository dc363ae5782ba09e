"""What a payload profile says, ready for use: where each field of a report stands, and in what unit.

`build` makes it from the text that an engineer writes; `read` uses it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, TypeAlias, get_args

Format = Literal["json", "csv", "number", "sparkplug"]
FORMATS: tuple[Format, ...] = get_args(Format)

#: Where a raw value stands: in the report or the whole payload (JSON), in a column of the line (CSV), in a
#: level of the topic, in a metric (Sparkplug), or the payload is the value (a bare number).
SourceKind = Literal["pointer", "jmespath", "column", "part", "metric", "payload"]

FieldName = Literal[
    "time",
    "site",
    "transmitter",
    "forward",
    "reflected",
    "set_power",
    "keyed",
    "foldback",
    "channel",
    "frequency",
    "pa_temperature",
    "ambient_temperature",
    "precipitation",
    "wind",
    "sequence",
]
FIELD_NAMES: tuple[FieldName, ...] = get_args(FieldName)

#: Fields that are numbers with a unit, and the member of a `Reading` that each becomes.
QUANTITIES: Mapping[str, str] = MappingProxyType(
    {
        "forward": "forward_w",
        "reflected": "reflected_w",
        "set_power": "set_power_w",
        "frequency": "frequency_mhz",
        "pa_temperature": "pa_temperature_c",
        "ambient_temperature": "ambient_temperature_c",
        "precipitation": "precipitation",
        "wind": "wind_mps",
    }
)
STATES: tuple[FieldName, ...] = ("keyed", "foldback")
NAMES: tuple[FieldName, ...] = ("site", "transmitter")

TimeForm: TypeAlias = str
#: Forms of a time besides strptime patterns.
TIME_FORMS = ("rfc3339", "unix_s", "unix_ms", "unix_us")


class Absent:
    """The type of `ABSENT`, which stands where a payload holds nothing for a field."""

    def __repr__(self) -> str:
        return "nothing"


ABSENT = Absent()


class Record(NamedTuple):
    """One report as it came, before any field of it is read.

    Attributes:
        report: the JSON value of the report; for CSV, bare numbers and Sparkplug the values by name.
        payload: the JSON value of the whole payload; the same as `report` where there is no other.
        parts: the named levels of the topic.
    """

    report: Any
    payload: Any
    parts: Mapping[str, str]


@dataclass(frozen=True)
class Source:
    """Where the raw value of a field stands.

    Attributes:
        kind: what sort of place.
        names: pointer, expression, column, part or metric; more than one only for a time of which date and
            time of day stand apart. Empty where the payload is the value.
        whole: looked for in the whole payload and not in the report.
        get: takes the value out of a record; `ABSENT` where there is none.
    """

    kind: SourceKind
    names: tuple[str, ...]
    whole: bool
    get: Callable[[Record], Any] = field(repr=False, compare=False)

    def __str__(self) -> str:
        where = " ".join((self.kind, *(repr(name) for name in self.names)))
        return f"{where} of the whole payload" if self.whole else where


@dataclass(frozen=True)
class Field:
    """One field: where its raw value stands, and what is made of it.

    Attributes:
        name: which field.
        source: where the raw value stands; None where only constants or the topic say it.
        unit: unit of the number after `scale` and `offset`, one of `quantities.UNITS`; "" where it has none.
        scale, offset: number = raw * scale + offset.
        table: calibration of a detector: (number in `unit`, number in `table_unit`), rising; () for none.
        table_unit: unit of what the table gives; "" without one.
        missing: raw values that say "no value".
        true, false: raw values of a state.
        form: how a time is written: one of `TIME_FORMS` or a strptime pattern.
        zone: IANA name or offset for times without one; "" for none: such times are refused.
        decimal: what stands for the decimal point in texts.
        convert: the value of a raw one, in the unit of the reading (but `reflected` in `result_unit`); raises
            `UnusableError`; None for a raw value that says "no value".
    """

    name: FieldName
    source: Source
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    table: tuple[tuple[float, float], ...] = ()
    table_unit: str = ""
    missing: tuple[Any, ...] = ()
    true: tuple[Any, ...] = ()
    false: tuple[Any, ...] = ()
    form: TimeForm = ""
    zone: str = ""
    decimal: str = "."
    convert: Callable[[Any], Any] = field(default=lambda raw: raw, repr=False, compare=False)

    @property
    def result_unit(self) -> str:
        """Unit of the number once it went through the table, if there is one."""
        return self.table_unit or self.unit


@dataclass(frozen=True)
class Rules:
    """How the reports of one place are read.

    Attributes:
        fields: by name.
        constants: members of a `Reading` that all reports have, by name, where the report does not say;
            besides those `site` and `transmitter`.
    """

    fields: Mapping[FieldName, Field]
    constants: Mapping[str, Any]


@dataclass(frozen=True)
class TopicPattern:
    """Topics that a profile reads: levels, of which those in braces are parts with a name.

    Attributes:
        text: as it is written.
        levels: each level's text, or None where it is a part.
        names: each level's name where it is a part, else "".
    """

    text: str
    levels: tuple[str | None, ...]
    names: tuple[str, ...]

    @property
    def parts(self) -> tuple[str, ...]:
        """The names of the parts, in order."""
        return tuple(name for name in self.names if name)

    @property
    def filter(self) -> str:
        """The filter to subscribe to: a part is any one level."""
        return "/".join("+" if level is None else level for level in self.levels)

    def match(self, topic: str) -> dict[str, str] | None:
        """The parts of a topic, by name; None where the pattern does not fit it."""
        given = topic.split("/")
        if len(given) != len(self.levels):
            return None
        if any(level is not None and level != got for level, got in zip(self.levels, given, strict=True)):
            return None
        return {name: got for name, got in zip(self.names, given, strict=True) if name}


@dataclass(frozen=True)
class JsonFormat:
    """Where the reports stand in a JSON payload.

    Attributes:
        pointer: tokens of the JSON pointer to them; () for the payload itself.
        expression: JMESPath that gives them, in place of a pointer; "" for none.
        get: takes them out of the payload; `ABSENT` where there are none.
    """

    pointer: tuple[str, ...] = ()
    expression: str = ""
    get: Callable[[Any], Any] = field(default=lambda payload: payload, repr=False, compare=False)


@dataclass(frozen=True)
class CsvFormat:
    """How the lines of a CSV payload are made.

    Attributes:
        separator: one character between two columns.
        header: whether the first line names the columns.
        columns: their names, where no line does; () for numbers from 1.
        skip_lines: lines in front that are no data and no header.
        decimal: what stands for the decimal point.
    """

    separator: str = ","
    header: bool = True
    columns: tuple[str, ...] = ()
    skip_lines: int = 0
    decimal: str = "."


@dataclass(frozen=True)
class NumberFormat:
    """How bare numbers, one to a topic, become reports.

    Attributes:
        window_us: parts of one report come within this time of each other [us].
        quantities: what stands in the part `quantity` of the topic, to the field that it is.
        decimal: what stands for the decimal point.
        is_json: whether the payload is JSON and the fields say where the value stands in it.
    """

    window_us: int = 5_000_000
    quantities: Mapping[str, FieldName] = field(default_factory=dict)
    decimal: str = "."
    is_json: bool = False


@dataclass(frozen=True)
class Profile:
    """How the payloads of one kind of device are read.

    Attributes:
        name: name of its file, without the ending.
        title: what it is for, one line; "" where it does not say.
        topic: the topics that it reads; for Sparkplug the levels group, node and device.
        format: of the payload.
        rules: what holds for every place that `at` does not name.
        at: what holds for a site ("hill-03") or a transmitter ("hill-03/tx-1"), by our names, complete.
        sites: their names of sites, to ours.
        transmitters: their names of transmitters, or "oursite/theirs", to ours.
        json, csv, number: of the format that is named so.
    """

    name: str
    title: str
    topic: TopicPattern
    format: Format
    rules: Rules
    at: Mapping[str, Rules] = field(default_factory=dict)
    sites: Mapping[str, str] = field(default_factory=dict)
    transmitters: Mapping[str, str] = field(default_factory=dict)
    json: JsonFormat = field(default_factory=JsonFormat)
    csv: CsvFormat = field(default_factory=CsvFormat)
    number: NumberFormat = field(default_factory=NumberFormat)

    def rules_for(self, site: str, transmitter: str) -> Rules:
        """What holds for a transmitter, by our names."""
        if not self.at:
            return self.rules
        return self.at.get(f"{site}/{transmitter}") or self.at.get(site) or self.rules


class UnusableError(Exception):
    """Why a value or a report cannot be used: the reason of a `Refusal`, and the sentence for it."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail
