"""The web side of the service: pages, JSON, metrics and health, all read from the store."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from standingwatch import __version__
from standingwatch.detect.words import Severity
from standingwatch.inventory import FleetDefaults
from standingwatch.settings import LimitsSettings
from standingwatch.store.alarming import recent_changes, standing_alarms
from standingwatch.store.board import intake_state, refused_examples
from standingwatch.store.connect import Store
from standingwatch.store.reports import refused_counts
from standingwatch.web.data import board_data, readiness
from standingwatch.web.intake_news import intake_news
from standingwatch.web.pages import STATIC, Pages
from standingwatch.web.roster import RosterCache
from standingwatch.web.safety import HEADERS, SafetyHeaders
from standingwatch.web.site_view import site_view
from standingwatch.web.view import BoardView, Choice, board_view
from standingwatch.web.words import GRAVEST_FIRST

log = logging.getLogger(__name__)

PAST_CHANGES = 200
EXAMPLES_A_REASON = 3

Word = Annotated[str, Query(max_length=100)]
Number = Annotated[int, Query(ge=1, le=100_000)]


def create_app(
    store: Store,
    *,
    clock: Callable[[], int],
    registry: CollectorRegistry,
    fleet_defaults: FleetDefaults,
    limits: LimitsSettings,
    notice: str = "",
) -> FastAPI:
    """Make the application.

    Args:
        store: where everything is read from; its tables have to be there.
        clock: now [Unix microseconds]; pages show no other time.
        registry: metrics to show at `/metrics`.
        fleet_defaults: what holds where the site list does not say.
        limits: limits of the SWR at the transmitter, drawn in charts.
        notice: a sentence that every page shows in a band; "" for none.
    """
    # The pages that describe an API with a browser load scripts from other hosts: they stay off.
    app = FastAPI(title="Standing Watch", version=__version__, docs_url=None, redoc_url=None)
    app.add_middleware(SafetyHeaders)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    pages, cache = Pages(notice, clock), RosterCache(fleet_defaults)
    _add_errors(app, pages)

    def look(severity: str, region: str, text: str, page: int) -> BoardView:
        choice = Choice(_severity(severity), region.strip(), text.strip(), page)
        with store.reading() as connection:
            return board_view(connection, cache, clock(), choice)

    @app.get("/", include_in_schema=False)
    def board(severity: Word = "", region: Word = "", text: Word = "", page: Number = 1) -> Response:
        view = look(severity, region, text, page)
        return pages.page("board.html", view=view, now_us=view.now_us)

    @app.get("/board/rows", include_in_schema=False)
    def board_rows(severity: Word = "", region: Word = "", text: Word = "", page: Number = 1) -> Response:
        view = look(severity, region, text, page)
        return pages.page("board_live.html", view=view, now_us=view.now_us)

    @app.get("/api/board")
    def api_board(
        severity: Word = "", region: Word = "", text: Word = "", page: Number = 1
    ) -> dict[str, Any]:
        """The board as data; fifty sites a page, worst first."""
        return board_data(look(severity, region, text, page))

    @app.get("/site/{site}", include_in_schema=False)
    def site_page(site: str) -> Response:
        with store.reading() as connection:
            view = site_view(connection, cache, clock(), site, limits)
        if view is None:
            raise HTTPException(404, f"There is no site “{site}” on the site list.")
        return pages.page("site.html", view=view, now_us=view.board.now_us)

    @app.get("/alarms", include_in_schema=False)
    def alarms_page() -> Response:
        with store.reading() as connection:
            standing, changes = standing_alarms(connection), recent_changes(connection, PAST_CHANGES)
        return pages.page("alarms.html", standing=standing, changes=changes)

    @app.get("/refused", include_in_schema=False)
    def refused_page() -> Response:
        with store.reading() as connection:
            counts = refused_counts(connection)
            reasons = [
                (reason, count, refused_examples(connection, reason, EXAMPLES_A_REASON))
                for reason, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
            ]
        return pages.page("refused.html", reasons=reasons, total=sum(counts.values()))

    @app.get("/metrics", include_in_schema=False)
    def metrics(request: Request) -> Response:
        encode, kind = choose_encoder(request.headers.get("accept", ""))
        return Response(encode(registry), headers={"Content-Type": kind})

    @app.get("/livez")
    def livez() -> dict[str, bool]:
        """Whether the process answers at all."""
        return {"alive": True}

    @app.get("/readyz")
    def readyz() -> JSONResponse:
        """Whether the service does its work: status 200, or 503 with the reasons."""
        news, error = None, ""
        try:
            with store.reading() as connection:
                state, roster = intake_state(connection), cache.roster(connection)
                news = intake_news(state, roster.fleet.expected_interval_s, clock())
        except SQLAlchemyError as problem:
            log.warning("readiness: the store cannot be read: %s", problem)
            error = type(problem).__name__
        ready, answer = readiness(news, error)
        return JSONResponse(answer, status_code=200 if ready else 503)

    return app


def _severity(word: str) -> Severity | None:
    """The severity of a query; None for no choice."""
    if not word:
        return None
    known = {severity.word: severity for severity in GRAVEST_FIRST}
    if word not in known:
        raise HTTPException(400, f"Got severity “{word}”, wanted one of {', '.join(known)}, or none.")
    return known[word]


def _add_errors(app: FastAPI, pages: Pages) -> None:
    """Designed answers for everything that goes wrong; what went wrong inside goes to the log alone."""

    def answer(request: Request, status: int, title: str, detail: str) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"error": title, "detail": detail}, status_code=status)
        return pages.page("problem.html", status, title=title, detail=detail, code=status)

    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> Response:
        titles = {404: "Nothing here", 400: "That was not understood", 405: "Not possible here"}
        detail = str(error.detail) if error.detail != "Not Found" else "There is no page at this address."
        return answer(request, error.status_code, titles.get(error.status_code, "Not possible"), detail)

    @app.exception_handler(RequestValidationError)
    async def misread(request: Request, error: RequestValidationError) -> Response:
        found = [f"{'.'.join(map(str, problem['loc'][1:]))}: {problem['msg']}" for problem in error.errors()]
        return answer(request, 400, "That was not understood", "; ".join(found))

    @app.exception_handler(SQLAlchemyError)
    async def no_store(request: Request, error: SQLAlchemyError) -> Response:
        log.error("web: the store cannot be read for %s", request.url.path, exc_info=error)
        detail = (
            "Reports may still be coming in, but this page cannot show them. See the log of the service, "
            "and check that the database runs. The page works again as soon as it does."
        )
        return answer(request, 503, "The store cannot be read", detail)

    @app.exception_handler(Exception)
    async def broken(request: Request, error: Exception) -> Response:
        detail = "The service made a mistake; its log says which. Alarms do not depend on this page."
        response = answer(request, 500, "Something went wrong here", detail)
        # This answer is made outside the middleware that sets the headers.
        response.headers.update(HEADERS)
        return response
