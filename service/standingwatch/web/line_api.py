"""The API of series: one antenna line's course as columns, at the resolution that is asked for."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated, Any

import numpy as np
from fastapi import FastAPI, Query
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.readings.fleet import FloatArray
from standingwatch.readings.times import parse_time
from standingwatch.review.course import Course
from standingwatch.review.spans import DAY_US, MOST_US, Resolution, resolution_of
from standingwatch.rf import is_passive, return_loss_db_from_rho, rho_at_antenna, swr_from_rho, total_loss_db
from standingwatch.web import line_models as models
from standingwatch.web.access import VIEWER
from standingwatch.web.cursors import WRONG, Cursor, cursor_of, place_of
from standingwatch.web.line_data import course_of, raw_up_to
from standingwatch.web.line_pages import From, When, position_of
from standingwatch.web.line_span import Span, span_of
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared, one_of

Rows = Annotated[int, Query(ge=1, le=20_000)]
Names = Annotated[str, Query(max_length=400)]
Word = Annotated[str, Query(max_length=20)]

#: Cursors of the rows.
SERIES = "series"

#: Times that a cursor may hold: the years that a query may name.
FIRST_US, LAST_US = parse_time("2000-01-01T00:00:00Z"), parse_time("2100-12-31T00:00:00Z")

Column = Callable[[Course, float], Any]


def _antenna(name: str) -> Column:
    """rho of a column at the antenna; NaN where more than all would be reflected."""

    def made(course: Course, loss_db: float) -> FloatArray:
        rho = rho_at_antenna(getattr(course, name), np.full(len(course), loss_db))
        return np.where(is_passive(rho), rho, np.nan)

    return made


def _lost(course: Course, loss_db: float) -> Any:
    return total_loss_db(_antenna("rho")(course, loss_db), np.full(len(course), loss_db))


def _column(name: str) -> Column:
    return lambda course, _: getattr(course, name)


def _swr(name: str) -> Column:
    return lambda course, _: swr_from_rho(getattr(course, name))


#: Quantities by name: unit, what it is, and how it is made of a course and the feeder's loss [dB].
QUANTITIES: dict[str, tuple[str, str, Column]] = {
    "swr": (
        "1",
        "SWR at the transmitter: reading, median of the hour, median of the day's hours",
        _swr("rho"),
    ),
    "swr_low": ("1", "10 % point of the hour's readings, or lowest hour of the day", _swr("rho_low")),
    "swr_high": ("1", "90 % point of the hour's readings, or highest hour of the day", _swr("rho_high")),
    "swr_max": ("1", "highest reading", _swr("rho_max")),
    "swr_least": ("1", "least true value that coupler and meter leave possible", _swr("rho_least")),
    "swr_most": ("1", "greatest true value that coupler and meter leave possible", _swr("rho_most")),
    "swr_at_antenna": (
        "1",
        "SWR carried to the antenna",
        lambda course, loss_db: swr_from_rho(_antenna("rho")(course, loss_db)),
    ),
    "rho": ("1", "reflection coefficient's magnitude at the transmitter", _column("rho")),
    "return_loss_db": (
        "dB",
        "return loss at the transmitter",
        lambda course, _: return_loss_db_from_rho(course.rho),
    ),
    "return_loss_at_antenna_db": (
        "dB",
        "return loss carried to the antenna",
        lambda course, loss_db: return_loss_db_from_rho(_antenna("rho")(course, loss_db)),
    ),
    "lost_db": ("dB", "loss between transmitter and antenna at this match", _lost),
    "forward_w": ("W", "forward power", _column("forward_w")),
    "reports": ("1", "reports", _column("reports")),
    "usable": ("1", "reports that say something about the match", _column("usable")),
    "pa_temperature_c": ("°C", "temperature of the amplifier", _column("pa_temperature_c")),
    "ambient_temperature_c": ("°C", "outside temperature", _column("ambient_temperature_c")),
    "precipitation": ("as reported", "precipitation", _column("precipitation")),
    "wind_mps": ("m/s", "highest wind", _column("wind_mps")),
}

#: What is given where nothing is chosen.
USUAL = ("swr", "swr_low", "swr_high", "swr_at_antenna", "return_loss_db", "forward_w", "reports", "usable")


def add_line_api(app: FastAPI, shared: Shared) -> None:
    """Add the route of series."""

    @app.get(
        "/api/series/{site}/{transmitter}",
        response_model=models.Series,
        responses=problem_responses(400, 404),
        tags=["series"],
        dependencies=VIEWER,
    )
    def series(
        site: str,
        transmitter: str,
        start: From = "",
        to: When = "",
        resolution: Word = "auto",
        quantity: Names = "",
        limit: Rows = 5_000,
        cursor: Cursor = "",
    ) -> Response:
        """One line's course. Without `from` and `to` the last 30 days; times without an offset are UTC.

        `resolution`: `auto`, `raw`, `hour` or `day`; readings are looked for over a bounded span at a time,
        so a page of `raw` can hold few rows or none and still have a `next`. `quantity`: names with commas
        between them.
        """
        span = span_of(start, to, shared.clock())
        names = _names(quantity)
        word = one_of("resolution", resolution, ("auto", *(one.value for one in Resolution)))
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            fleet, position = roster.fleet, position_of(roster, site, transmitter)
            raw_us = raw_up_to(fleet, position)
            told = resolution_of(span.length_us, raw_us) if word in ("auto", "") else Resolution(word)
            if cursor:
                told, span = _place_of(cursor)
            # Rows are looked for over so much at a time; the cursor goes on from there.
            piece_us = raw_us if told is Resolution.RAW else limit * _unit_us(told)
            end_us = min(span.end_us, span.start_us + piece_us)
            piece = Span(span.start_us, end_us, to_now=False)
            course = course_of(connection, fleet, position, piece, told)
            loss_db = float(fleet.feeder_loss_db[position])
        count = min(len(course), limit)
        on_us = _goes_on(course, count, end_us, told)
        more = on_us < span.end_us and not (count == len(course) and end_us >= span.end_us)
        answer = {
            "site": site,
            "transmitter": transmitter,
            "from": rfc3339(span.start_us),
            "to": rfc3339(span.end_us),
            "resolution": told.value,
            "quantities": {
                name: {"unit": QUANTITIES[name][0], "what": QUANTITIES[name][1]} for name in names
            },
            "time": [rfc3339(time_us) for time_us in course.time_us[:count].tolist()],
            "columns": {
                name: [_plain(value) for value in QUANTITIES[name][2](course, loss_db)[:count].tolist()]
                for name in names
            },
            "next": cursor_of(SERIES, told.value, on_us, span.end_us) if more else None,
        }
        # Twenty thousand rows are not looked at once more: tests hold what is made to its model.
        return JSONResponse(answer)


def _unit_us(told: Resolution) -> int:
    return DAY_US if told is Resolution.DAY else DAY_US // 24


def _goes_on(course: Course, count: int, end_us: int, told: Resolution) -> int:
    """Where the next page begins [Unix microseconds]: at the first row left out, else where this one ends."""
    if count < len(course):
        return int(course.time_us[count])
    # Hours and days that the piece ended in were given whole.
    return end_us if told is Resolution.RAW else end_us + -end_us % _unit_us(told)


def _names(quantity: str) -> list[str]:
    """The quantities of a query, each once; status 400 for one that there is not."""
    names = list(dict.fromkeys(filter(None, (name.strip() for name in quantity.split(","))))) or list(USUAL)
    unknown = [name for name in names if name not in QUANTITIES]
    if unknown:
        raise HTTPException(
            400,
            f"Got the quantity “{unknown[0]}”, wanted some of {', '.join(QUANTITIES)}, with commas between.",
        )
    return names


def _plain(value: float | int) -> float | int | str | None:
    """A value as JSON can hold it."""
    if isinstance(value, int):
        return value
    if math.isnan(value):
        return None
    return "infinite" if math.isinf(value) else round(value, 6)


def _place_of(cursor: str) -> tuple[Resolution, Span]:
    """What a cursor says; status 400 for one that we did not make."""
    place = place_of(SERIES, cursor, str, int, int)
    told, start_us, end_us = ("", 0, 0) if place is None else place
    if told not in [one.value for one in Resolution] or not (
        FIRST_US <= start_us < end_us <= min(LAST_US, start_us + MOST_US)
    ):
        raise HTTPException(400, WRONG)
    return Resolution(told), Span(start_us, end_us, to_now=False)
