"""The web side of the service: pages, JSON, metrics and health, all read from the store."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from standingwatch import __version__
from standingwatch.inventory import FleetDefaults
from standingwatch.settings import LimitsSettings
from standingwatch.store.board import intake_state, refused_examples
from standingwatch.store.connect import Store
from standingwatch.store.reports import refused_counts
from standingwatch.web.alarm_api import add_alarm_api
from standingwatch.web.alarm_pages import add_alarm_pages
from standingwatch.web.data import board_data, readiness
from standingwatch.web.entry_api import add_entry_api
from standingwatch.web.intake_news import intake_news
from standingwatch.web.pages import STATIC, Pages
from standingwatch.web.problems import Answers, add_errors
from standingwatch.web.report_pages import add_report_pages
from standingwatch.web.roster import RosterCache
from standingwatch.web.safety import ChangeGate, SafetyHeaders
from standingwatch.web.shared import Shared, severity_of
from standingwatch.web.shelf_pages import add_shelf_pages
from standingwatch.web.site_view import site_view
from standingwatch.web.view import BoardView, Choice, board_view
from standingwatch.web.work_pages import add_work_pages

log = logging.getLogger(__name__)

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
    after_work_us: int = 0,
) -> FastAPI:
    """Make the application.

    Args:
        store: where everything is read from; its tables have to be there.
        clock: now [Unix microseconds]; pages show no other time.
        registry: metrics to show at `/metrics`.
        fleet_defaults: what holds where the site list does not say.
        limits: limits of the SWR at the transmitter, drawn in charts.
        notice: a sentence that every page shows in a band; "" for none.
        after_work_us: how long after its end a window of work still explains an alarm [us]; what the watch
            goes by.
    """
    # The pages that describe an API with a browser load scripts from other hosts: they stay off.
    app = FastAPI(title="Standing Watch", version=__version__, docs_url=None, redoc_url=None)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    pages, cache = Pages(notice, clock), RosterCache(fleet_defaults, after_work_us)
    answers = Answers(pages)
    # The one that is added last is the outermost: what the gate refuses gets the headers too.
    app.add_middleware(ChangeGate, refuse=answers.answer)
    app.add_middleware(SafetyHeaders)
    add_errors(app, answers)
    shared = Shared(store, clock, cache, pages)
    add_alarm_pages(app, shared)
    add_shelf_pages(app, shared)
    add_work_pages(app, shared)
    add_alarm_api(app, shared)
    add_entry_api(app, shared)
    add_report_pages(app, shared)

    def look(severity: str, region: str, text: str, page: int) -> BoardView:
        choice = Choice(severity_of(severity), region.strip(), text.strip(), page)
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
