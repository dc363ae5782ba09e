"""What goes over MQTT, described for programs as AsyncAPI and JSON Schemas; as `standingwatch describe`."""

from __future__ import annotations

from functools import cache
from typing import Any

from fastapi import FastAPI

from standingwatch.alarms.asyncapi import asyncapi
from standingwatch.alarms.wire_schema import event_schema
from standingwatch.readings.report_schema import report_schema
from standingwatch.web.access import VIEWER

# They say the same for as long as the process runs, however often an application is made.
_interface, _reports, _events = cache(asyncapi), cache(report_schema), cache(event_schema)


def add_interface_api(app: FastAPI, topic_root: str, *, time_required: bool) -> None:
    """Add the routes of the descriptions; they are made once, they change only with the settings.

    Args:
        app: the application.
        topic_root: first level of the topics.
        time_required: whether a report without a time is refused.
    """
    interface = _interface(topic_root, time_required=time_required)
    reports, events = _reports(time_required=time_required), _events()

    @app.get("/api/asyncapi.json", dependencies=VIEWER, tags=["descriptions"])
    def asyncapi_document() -> dict[str, Any]:
        """The MQTT interface as an AsyncAPI 3.0 document."""
        return interface

    @app.get("/api/report-schema.json", dependencies=VIEWER, tags=["descriptions"])
    def schema_of_reports() -> dict[str, Any]:
        """JSON Schema (draft 07) of a report's payload."""
        return reports

    @app.get("/api/event-schema.json", dependencies=VIEWER, tags=["descriptions"])
    def schema_of_events() -> dict[str, Any]:
        """JSON Schema (draft 07) of an event about alarms, the same on every channel."""
        return events
