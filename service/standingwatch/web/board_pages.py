"""The board: its page, the part of it that is kept fresh, the same as data, and the stream of news."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.detect.words import SERVICE_CONDITIONS, Condition
from standingwatch.store.looks import last_look
from standingwatch.web.access import VIEWER
from standingwatch.web.board_version import board_version, etag_of, is_known
from standingwatch.web.choice import SORTS, STATES, Choice
from standingwatch.web.data import board_data
from standingwatch.web.look import look_of, looker
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared, condition_of, one_of, severity_of
from standingwatch.web.streams import Streams, Version
from standingwatch.web.view import BoardView, board_view

#: Conditions that the board can be narrowed to: those about sites.
CONDITIONS = tuple(condition for condition in Condition if condition not in SERVICE_CONDITIONS)

Word = Annotated[str, Query(max_length=100)]
Number = Annotated[int, Query(ge=1, le=100_000)]


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


def add_board_pages(app: FastAPI, shared: Shared) -> None:
    """Add the routes of the board.

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
        response_model=dict[str, Any],
        responses={
            304: {"description": "Not modified: the ETag of `If-None-Match` still holds"},
            **problem_responses(400),
        },
        dependencies=VIEWER,
        tags=["board"],
    )
    def api_board(request: Request, choice: Chosen) -> Response:
        """The board as data; fifty sites a page. With an ETag, which holds for ten seconds at most."""
        now_us = shared.clock()
        with store.reading() as connection:
            etag = tag_of(connection, now_us, choice, "data")
            headers = {"ETag": etag, "Cache-Control": "private, no-cache"}
            if is_known(request, etag):
                return Response(status_code=304, headers=headers)
            view = view_of(connection, now_us, choice)
        return JSONResponse(board_data(view), headers=headers)

    @app.get("/events/board", include_in_schema=False, dependencies=VIEWER)
    async def board_events() -> Response:
        if streams.is_full:
            raise HTTPException(
                503, "As many pages as can be served are kept fresh already; ask at intervals."
            )
        # Proxies that gather answers before they pass them on are told not to.
        return StreamingResponse(
            streams.events(), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
        )
