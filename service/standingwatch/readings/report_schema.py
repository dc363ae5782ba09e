"""The published JSON Schema of what sites send, made from the types that the decoder uses.

What the decoder takes always fits the schema. The schema lets pass what JSON Schema cannot tell, or cannot
tell in a way that people would read, and the decoder refuses; `WIDER` says what that is, and a test holds
that there is nothing else.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import Any

import msgspec

from standingwatch.readings.decode import MAX_OBJECTS, MAX_PAYLOAD_BYTES
from standingwatch.readings.report import LinkState, Report
from standingwatch.readings.times import FIRST_YEAR, LAST_YEAR, RFC3339_PATTERN
from standingwatch.readings.units import MAX_POWER_DBM

#: The dialect that the schemas are written in; AsyncAPI 3.0 asks for draft 07, of which they need no more.
DIALECT = "http://json-schema.org/draft-07/schema#"

REPORT_PAYLOAD_TITLE = "Report payload of Standing Watch"

#: What fits the schema and is refused all the same.
WIDER = (
    "a text like a time that is not in the calendar, or has a second 60 where no leap second can be",
    f"a text of a time outside the years {FIRST_YEAR} to {LAST_YEAR}, or a number up to a second outside",
    "a text of a time with a line feed after it, where the validator's regular expressions let it pass",
    "a number that no double holds, such as 1e400",
    "a channel with a character that is not printable beyond U+00A0",
    f"more than {MAX_PAYLOAD_BYTES} bytes; settings may allow less (intake.max_payload_bytes)",
    "text that is not JSON in UTF-8, or nested deeper than can be read",
)

# Unix seconds of the beginning of the first year and of the end of the last one, a second wider on each side.
_FIRST_S, _END_S = 946_684_799, 4_133_980_801

_TIME = {
    "anyOf": [
        {"type": "string", "pattern": RFC3339_PATTERN},
        {"type": "number", "minimum": _FIRST_S, "maximum": _END_S},
        {"type": "number", "minimum": _FIRST_S * 1000, "maximum": _END_S * 1000},
    ]
}
_TIME_OR_NULL = {"anyOf": [*_TIME["anyOf"], {"type": "null"}]}

_LEVEL = {"type": "number", "exclusiveMaximum": MAX_POWER_DBM}

#: Each way of telling a quantity, in the order in which the decoder looks for it, and its values.
_FORWARD: dict[str, dict[str, Any]] = {"forward_w": {"type": "number"}, "forward_dbm": _LEVEL}
_REFLECTED: dict[str, dict[str, Any]] = {
    "reflected_w": {"type": "number"},
    "reflected_dbm": _LEVEL,
    "swr": {"type": "number", "minimum": 1},
    "return_loss_db": {"type": "number", "minimum": 0},
}


def components(ref_template: str, *, time_required: bool = True) -> dict[str, Any]:
    """Schemas of a report, of a payload of them, and of a link's state, by name.

    Parameters
    ----------
    ref_template
        How one schema refers to another, with `{name}` in it.
    time_required
        Whether a report without a time is refused (the setting `intake.time_if_absent`).
    """
    made = msgspec.json.schema_components([Report, LinkState], ref_template=ref_template)[1]
    report, link = made["Report"], made["LinkState"]
    for described in made.values():
        tidy(described)
    _set_rules(report["properties"]["time"], _TIME if time_required else _TIME_OR_NULL)
    _set_rules(link["properties"]["time"], _TIME_OR_NULL)
    if time_required:
        report["required"] = ["time"]
    # To JSON Schema 1.0 is an integer too, as it is to the decoder.
    report["properties"]["sequence"]["type"] = ["integer", "null"]
    report["allOf"] = [_one_of(_FORWARD), _one_of(_REFLECTED)]
    report["examples"] = [{"time": "2026-11-25T08:30:00Z", "forward_w": 98.2, "reflected_w": 1.13}]
    link["examples"] = [{"online": True, "time": "2026-11-25T08:30:00Z"}]
    one = {"$ref": ref_template.format(name="Report")}
    made["ReportPayload"] = {
        "title": REPORT_PAYLOAD_TITLE,
        "description": (
            "One report, or an array of them as after an outage. In an array each report stands alone: the "
            "good ones are kept. Refused although they fit: " + "; ".join(WIDER) + "."
        ),
        "anyOf": [one, {"type": "array", "items": one, "maxItems": MAX_OBJECTS}],
    }
    return made


def report_schema(*, time_required: bool = True) -> dict[str, Any]:
    """The JSON Schema of a payload on ROOT/report/SITE/TRANSMITTER, complete in itself."""
    found = components("#/definitions/{name}", time_required=time_required)
    payload = found.pop("ReportPayload")
    return {"$schema": DIALECT, **payload, "definitions": {"Report": found["Report"]}}


def tidy(described: dict[str, Any]) -> None:
    """Make a schema of a type shorter, and let it say the same."""
    described["description"] = cleandoc(described["description"])
    if not described["required"]:
        del described["required"]
    for member in described["properties"].values():
        member.pop("default", None)
        choices = member.get("anyOf", ())
        if "enum" in member:
            member.pop("anyOf", None)
        elif choices and all(list(choice) == ["type"] for choice in choices):
            types = [choice["type"] for choice in member.pop("anyOf")]
            member["type"] = types


def _set_rules(member: dict[str, Any], rules: dict[str, Any]) -> None:
    """Put other rules in place of a member's; its description stays."""
    member.pop("anyOf", None)
    member.pop("type", None)
    member.update(rules)


def _one_of(ways: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """At least one of several members; of those that are given the first has to be good."""
    cases: list[dict[str, Any]] = []
    before: dict[str, Any] = {}
    for name, values in ways.items():
        cases.append({"required": [name], "properties": {**before, name: values}})
        before[name] = {"type": "null"}
    return {"anyOf": cases}
