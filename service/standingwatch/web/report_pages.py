"""The alarm system's own report, as a page and as data."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import FastAPI, Query
from fastapi.responses import Response
from sqlalchemy import Connection

from standingwatch.alarms.event import rfc3339
from standingwatch.alarms.performance import Performance
from standingwatch.alarms.rates import Line
from standingwatch.store.performance import alarm_performance
from standingwatch.web import report_models as models
from standingwatch.web.access import VIEWER
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared

DAY_US = 86_400_000_000

Days = Annotated[int, Query(ge=1, le=366)]
#: People who share the load; far fewer than one would make the figures per person endless.
Operators = Annotated[float, Query(ge=0.01, le=1000, allow_inf_nan=False)]


def add_report_pages(app: FastAPI, shared: Shared) -> None:
    """Add the page and the route of the report."""

    @app.get("/alarm-system", include_in_schema=False, dependencies=VIEWER)
    def alarm_system(days: Days = 7, operators: Operators = 1.0) -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            report = _report(connection, now_us, days, operators)
        return shared.pages.page(
            "alarm_system.html", report=report, days=days, operators=operators, now_us=now_us
        )

    @app.get(
        "/api/alarm-system",
        response_model=models.Report,
        responses=problem_responses(400),
        tags=["alarm system"],
        dependencies=VIEWER,
    )
    def alarm_system_data(days: Days = 7, operators: Operators = 1.0) -> dict[str, Any]:
        """The alarm system's own report over the last days, against the published targets."""
        with shared.store.reading() as connection:
            return _as_data(_report(connection, shared.clock(), days, operators))


def _report(connection: Connection, now_us: int, days: int, operators: float) -> Performance:
    return alarm_performance(connection, now_us - days * DAY_US, now_us, operators=operators)


def _as_data(report: Performance) -> dict[str, Any]:
    return {
        "start": rfc3339(report.start_us),
        "end": rfc3339(report.end_us),
        "operators": report.operators,
        "alarms": report.alarms,
        "by_severity": dict(report.by_severity),
        "lines": [_line(line) for line in report.lines],
        "most_frequent": [asdict(one) for one in report.frequent],
        "notifications_since": rfc3339(report.notifications_since_us),
        "notifications": {
            channel: [_line(line) for line in lines] for channel, lines in report.notifications.items()
        },
    }


def _line(line: Line) -> dict[str, Any]:
    return {**asdict(line), "verdict": line.verdict.value}
