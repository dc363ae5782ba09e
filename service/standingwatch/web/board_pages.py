"""The board: its page, the part of it that is kept fresh, the same as data, and the stream of news."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import Depends, FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.detect.words import SERVICE_CONDITIONS, Condition
from standingwatch.store.looks import last_look
from standingwatch.web import board_models as models
from standingwatch.web.access import VIEWER
from standingwatch.web.access_gate import Access
from standingwatch.web.board_version import board_version, etag_of
from standingwatch.web.choice import SORTS, STATES, Choice
from standingwatch.web.cursors import WRONG, Cursor, cursor_of, place_of
from standingwatch.web.data import board_data
from standingwatch.web.look import look_of, looker
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared, condition_of, one_of, severity_of
from standingwatch.web.streams import Streams, Version
from standingwatch.web.tags import KEEP, is_known
from standingwatch.web.view import BoardView, board_view

#: Conditions that the board can be narrowed to: those about sites.
CONDITIONS = tuple(condition for condition in Condition if condition not in SERVICE_CONDITIONS)

Word = Annotated[str, Query(max_length=100)]

#: Highest number of a page that is asked for.
LAST_PAGE = 100_000
Number = Annotated[int, Query(ge=1, le=LAST_PAGE)]

#: Cursors of the board.
BOARD = "board"


def choice_of(
    severity: Word = "",
    region: Word = "",
    condition: Word = "",
    state: Word = "",
    text: Word = "",
    sort: Word = "",
    page: Number = 1,
) -> Choice:
    """The choice in the query of a request; status 400 for a word that is none."""
    return Choice(
        severity=severity_of(severity),
        region=region.strip(),
        text=text.strip(),
        page=page,
        condition=condition_of(condition),
        state=one_of("state", state, tuple(STATES)),
        sort=one_of("sort", sort, tuple(SORTS)),
    )


Chosen = Annotated[Choice, Depends(choice_of)]


def add_board_pages(app: FastAPI, shared: Shared, access: Access) -> None:
    """Add the routes of the board.

    Args:
        app: where to.
        shared: what all routes share.
        access: who may go on reading a stream.

    The streams are kept as `app.state.streams`: whoever stops the server closes them before.
    """
    store, cache = shared.store, shared.cache

    def version() -> Version:
        with store.reading() as connection:
            return board_version(connection)

    streams = app.state.streams = Streams(version)

    def tag_of(connection: Connection, now_us: int, choice: Choice, kind: str, user: str = "") -> str:
        look = last_look(connection, user) if user else None
        return etag_of(board_version(connection), now_us, kind, choice, user, look)

    def view_of(connection: Connection, now_us: int, choice: Choice, user: str = "") -> BoardView:
        return board_view(connection, cache, now_us, choice, look_of(connection, user, now_us))

    @app.get("/", include_in_schema=False, dependencies=VIEWER)
    def board(request: Request, choice: Chosen) -> Response:
        now_us = shared.clock()
        with store.reading() as connection:
            view = view_of(connection, now_us, choice, looker(request))
        return shared.page(
            request,
            "board.html",
            view=view,
            now_us=now_us,
            conditions=CONDITIONS,
            states=STATES,
            sorts=SORTS,
        )

    @app.get("/board/rows", include_in_schema=False, dependencies=VIEWER)
    def board_rows(request: Request, choice: Chosen) -> Response:
        now_us = shared.clock()
        with store.reading() as connection:
            etag = tag_of(connection, now_us, choice, "rows", looker(request))
            if is_known(request, etag):
                return Response(status_code=304, headers={"ETag": etag})
            view = view_of(connection, now_us, choice, looker(request))
        response = shared.pages.page("board_live.html", view=view, now_us=now_us)
        response.headers["ETag"] = etag
        return response

    @app.get(
        "/api/board",
        response_model=models.Board,
        responses=problem_responses(400),
        dependencies=VIEWER,
        tags=["board"],
    )
    def api_board(request: Request, choice: Chosen, cursor: Cursor = "") -> Response:
        """The board as data; fifty sites a page. Its ETag holds for ten seconds at most.

        The order is worked out anew for each page: a site that gets worse or better between two pages may
        come twice or not at all. A cursor goes before `page`.
        """
        now_us, place = shared.clock(), place_of(BOARD, cursor, int)
        if place is not None:
            if not 1 < place[0] <= LAST_PAGE:
                raise HTTPException(400, WRONG)
            choice = replace(choice, page=place[0])
        with store.reading() as connection:
            etag = tag_of(connection, now_us, choice, "data")
            headers = {"ETag": etag, "Cache-Control": KEEP}
            if is_known(request, etag):
                return Response(status_code=304, headers=headers)
            view = view_of(connection, now_us, choice)
        page = view.choice.page
        more = cursor_of(BOARD, page + 1) if page < view.pages else None
        # Not looked at once more on the way out, for fifty sites are much; tests hold it to its model.
        return JSONResponse({**board_data(view), "next": more}, headers=headers)

    @app.get("/events/board", include_in_schema=False, dependencies=VIEWER)
    async def board_events(request: Request) -> Response:
        if streams.is_full:
            raise HTTPException(
                503, "As many pages as can be served are kept fresh already; ask at intervals."
            )
        may_go_on = access.watch_over(request)
        # Proxies that gather answers before they pass them on are told not to.
        return StreamingResponse(
            streams.events(may_go_on), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
        )
