"""The map of the sites."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.detect.words import Severity
from standingwatch.web import words
from standingwatch.web.access import VIEWER
from standingwatch.web.choice import Choice
from standingwatch.web.intake_news import news_now
from standingwatch.web.map_layout import LEAST_SPAN_DEG, Box
from standingwatch.web.map_view import choice_pairs, map_view
from standingwatch.web.shared import Shared, severity_of

Word = Annotated[str, Query(max_length=100)]
Latitude = Annotated[float | None, Query(ge=-90, le=90, allow_inf_nan=False)]
Longitude = Annotated[float | None, Query(ge=-540, le=540, allow_inf_nan=False)]


def add_map_pages(app: FastAPI, shared: Shared) -> None:
    """Add the routes of the map."""

    @app.get("/map", include_in_schema=False, dependencies=VIEWER)
    def map_page(
        request: Request,
        severity: Word = "",
        region: Word = "",
        text: Word = "",
        west: Longitude = None,
        south: Latitude = None,
        east: Longitude = None,
        north: Latitude = None,
    ) -> Response:
        choice = Choice(severity_of(severity), region.strip(), text.strip())
        now_us = shared.clock()
        with shared.store.reading() as connection:
            view = map_view(connection, shared.cache, now_us, choice, _box(west, south, east, north))
            news = news_now(connection, shared.cache, now_us)
        return shared.page(
            request,
            "map.html",
            view=view,
            news=news,
            levels=(*words.GRAVEST_FIRST, Severity.CLEARED),
            pairs=choice_pairs(choice),
            now_us=now_us,
        )


def _box(west: float | None, south: float | None, east: float | None, north: float | None) -> Box | None:
    """The part of the earth that a query names; None for none; status 400 for one that is none."""
    sides = (west, south, east, north)
    if all(side is None for side in sides):
        return None
    if west is None or south is None or east is None or north is None:
        raise HTTPException(
            400, "Got a part of the map with sides missing, wanted west, south, east and north."
        )
    if not (LEAST_SPAN_DEG * 0.99 <= east - west <= 360.0 and north - south >= LEAST_SPAN_DEG * 0.99):
        raise HTTPException(
            400,
            f"Got a part of the map from {west:g} to {east:g} and {south:g} to {north:g}, wanted east above "
            f"west and north above south, by {LEAST_SPAN_DEG:g} degrees or more.",
        )
    return Box(west, south, east, north)
