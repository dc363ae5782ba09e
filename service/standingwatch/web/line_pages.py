"""The page of one transmitter's antenna line, its chart, and the library that draws it."""

from __future__ import annotations

import gzip
import json
import logging
from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.settings import LimitsSettings
from standingwatch.store.visit_baselines import accepted_baselines
from standingwatch.web.access import VIEWER
from standingwatch.web.intake_news import news_now
from standingwatch.web.line_chart import chart
from standingwatch.web.line_data import line_data
from standingwatch.web.line_library import LIBRARY, LibraryError
from standingwatch.web.line_span import Span, span_of
from standingwatch.web.line_view import (
    RETURN_LOSS,
    SWR,
    in_words,
    line_limits,
    line_view,
    query_of,
)
from standingwatch.web.pages import line_address
from standingwatch.web.present import present_of
from standingwatch.web.roster import Roster
from standingwatch.web.shared import Shared, one_of

log = logging.getLogger(__name__)

When = Annotated[str, Query(max_length=40)]
From = Annotated[str, Query(alias="from", max_length=40)]
Way = Annotated[str, Query(alias="as", max_length=20)]

LIBRARY_PATH = "/chart-library.js"


def position_of(roster: Roster, site: str, transmitter: str) -> int:
    """A transmitter's position in the fleet; status 404 where there is none of this name."""
    found = roster.fleet.position.get((site, transmitter))
    if found is None:
        raise HTTPException(
            404, f"There is no transmitter “{transmitter}” of a site “{site}” on the site list."
        )
    return found


def add_line_pages(app: FastAPI, shared: Shared, limits: LimitsSettings) -> None:
    """Add the page of an antenna line, the data of its chart, and the script that draws it.

    Args:
        app: the application.
        shared: what all routes share.
        limits: limits of the SWR at the transmitter.
    """

    def asked(start: str, end: str, way: str) -> tuple[Span, bool]:
        told = one_of("as", way, (SWR, RETURN_LOSS)) or SWR
        return span_of(start, end, shared.clock()), told == RETURN_LOSS

    @app.get("/site/{site}/{transmitter}", include_in_schema=False, dependencies=VIEWER)
    def line_page(
        request: Request, site: str, transmitter: str, start: From = "", to: When = "", way: Way = ""
    ) -> Response:
        span, as_return_loss = asked(start, to, way)
        now_us = shared.clock()
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            position = position_of(roster, site, transmitter)
            view = line_view(
                connection, roster, now_us, position, span, limits, as_return_loss=as_return_loss
            )
            present = present_of(connection, shared.cache, now_us, view.alarms)
            accepted = accepted_baselines(connection, site, transmitter)
            news = news_now(connection, shared.cache, now_us)
        return shared.page(
            request,
            "line.html",
            view=view,
            present=present,
            accepted=accepted,
            news=news,
            now_us=now_us,
            words_of_chart=in_words(view),
            here_address=line_address(site, transmitter),
            query_of=query_of,
            way=RETURN_LOSS if as_return_loss else SWR,
            start=start,
            end=to,
            library=f"{LIBRARY_PATH}?v={LIBRARY.tag}",
        )

    @app.get("/site/{site}/{transmitter}/chart", include_in_schema=False, dependencies=VIEWER)
    def line_chart(
        request: Request, site: str, transmitter: str, start: From = "", to: When = "", way: Way = ""
    ) -> Response:
        span, as_return_loss = asked(start, to, way)
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            position = position_of(roster, site, transmitter)
            data = line_data(connection, roster, shared.clock(), position, span)
        spec = chart(
            data,
            line_limits(roster.fleet, position, limits),
            f"{site}/{transmitter}",
            as_return_loss=as_return_loss,
            interval_s=float(roster.fleet.expected_interval_s[position]),
        )
        text = json.dumps(spec, allow_nan=False, separators=(",", ":")).encode()
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return Response(text, media_type="application/json")
        packed = gzip.compress(text, 1)
        return Response(packed, media_type="application/json", headers={"Content-Encoding": "gzip"})

    @app.get(LIBRARY_PATH, include_in_schema=False, dependencies=VIEWER)
    def library() -> Response:
        try:
            packed = LIBRARY.packed()
        except LibraryError as error:
            # Pages say so themselves, and have the figures in a table.
            log.error("charts: %s", error)
            raise HTTPException(
                503, "The library that draws charts could not be made; see the log."
            ) from error
        headers = {"Content-Encoding": "gzip", "Cache-Control": "public, max-age=31536000, immutable"}
        return Response(packed, media_type="text/javascript", headers=headers)
