"""The published JSON Schemas of what goes out, made from the types that the code fills (`shape.py`).

They are open: a later version may add members, and who reads events passes over what is not known.
"""

from __future__ import annotations

from typing import Any

import msgspec

from standingwatch.alarms.shape import (
    AlarmEvent,
    Beat,
    BeatEnded,
    PresentAlarm,
    SummaryEvent,
    TrialEvent,
)
from standingwatch.detect.words import Severity
from standingwatch.readings.report_schema import DIALECT, tidy

EVENT_TITLE = "Event of Standing Watch"

_CLEARED = Severity.CLEARED.word

#: By the last word of an event's type: whether the severity before and the one after are "cleared".
_ENDS: dict[str, tuple[bool | None, bool]] = {
    "raised": (True, False),
    "changed": (False, False),
    "cleared": (False, True),
    "reminder": (None, False),
}


def components(ref_template: str) -> dict[str, Any]:
    """Schemas of events, of the retained lists and of the heartbeat, by name.

    Parameters
    ----------
    ref_template
        How one schema refers to another, with `{name}` in it.
    """
    types = [AlarmEvent, SummaryEvent, TrialEvent, PresentAlarm, Beat, BeatEnded]
    made = msgspec.json.schema_components(types, ref_template=ref_template)[1]
    for described in made.values():
        tidy(described)

    def refer(name: str) -> dict[str, str]:
        return {"$ref": ref_template.format(name=name)}

    made["AlarmEvent"]["allOf"] = [_ending(word, *ends) for word, ends in _ENDS.items()]
    events = ("AlarmEvent", "SummaryEvent", "TrialEvent")
    made["Event"] = {
        "title": EVENT_TITLE,
        "description": (
            "A CloudEvent (1.0.2, structured JSON) about an alarm or about several; its type tells which. "
            "Delivered at least once, with the same id at every try. Pass over members that you do not know."
        ),
        "oneOf": [refer(name) for name in events],
    }
    made["PresentAlarms"] = {
        "title": "PresentAlarms",
        "description": "The alarms of a resource that stand; an empty list where there are none.",
        "type": "array",
        "items": refer("PresentAlarm"),
    }
    made["Heartbeat"] = {
        "title": "Heartbeat",
        "description": "That the service lives and how far it has come, or that it has ended.",
        "oneOf": [refer("Beat"), refer("BeatEnded")],
    }
    return made


def event_schema() -> dict[str, Any]:
    """The JSON Schema of an event, the same on every channel that carries events; complete in itself."""
    made = components("#/definitions/{name}")
    event = made.pop("Event")
    others = ("PresentAlarm", "PresentAlarms", "Heartbeat", "Beat", "BeatEnded", "WatchBeat", "IntakeBeat")
    definitions = {name: schema for name, schema in made.items() if name not in others}
    return {"$schema": DIALECT, **event, "definitions": definitions}


def _ending(word: str, before: bool | None, after: bool) -> dict[str, Any]:
    """That an event's type and the severities in its data say the same."""

    def severity(is_cleared: bool) -> dict[str, Any]:
        return {"const": _CLEARED} if is_cleared else {"not": {"const": _CLEARED}}

    severities = {"severity": severity(after)}
    if before is not None:
        severities["previous_severity"] = severity(before)
    return {
        "if": {"properties": {"type": {"pattern": rf"\.{word}$"}}},
        "then": {"properties": {"data": {"properties": severities}}},
    }
