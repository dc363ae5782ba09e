"""The API of one's own account: who asks, their sessions, their password."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Path, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.store.access import end_session, sessions_of, set_password
from standingwatch.web import access_models as models
from standingwatch.web.access import VIEWER, about_act, person
from standingwatch.web.access_gate import Access
from standingwatch.web.access_pages import new_password, user_who_asks
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.shared import Shared
from standingwatch.web.sign_in import give_session, start_session

#: Cursors of the list.
SESSIONS = "sessions"

Id = Annotated[str, Path(min_length=1, max_length=100)]


def add_account_api(app: FastAPI, shared: Shared, access: Access) -> None:
    """Add the routes of one's own account."""

    @app.get("/api/me", response_model=models.Me, tags=["account"], dependencies=VIEWER)
    def me(request: Request) -> dict[str, Any]:
        """Who asks, and what they may do."""
        asks = person(request)
        return {"name": asks.name, "role": asks.role, "kind": asks.kind}

    @app.get(
        "/api/me/sessions",
        response_model=models.Sessions,
        responses=problem_responses(400, 403),
        tags=["account"],
        dependencies=VIEWER,
    )
    def sessions(request: Request, limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """Browsers that whoever asks has signed in with, the newest first. Tokens have none."""
        asks, now_us = user_who_asks(person(request)), shared.clock()
        place = place_of(SESSIONS, cursor, int, str)
        with shared.store.reading() as connection:
            found = sessions_of(connection, asks.name, now_us, access.idle_us)
        rest = [s for s in found if place is None or (-s.begun_us, s.key_hash) > place]
        last = rest[limit - 1] if len(rest) > limit else None
        return {
            "time": rfc3339(now_us),
            "sessions": [
                {
                    "id": one.key_hash,
                    "begun": rfc3339(one.begun_us),
                    "seen": rfc3339(one.seen_us),
                    "ends": rfc3339(one.ends_us),
                    "is_this": one.key_hash == asks.session,
                }
                for one in rest[:limit]
            ],
            "next": None if last is None else cursor_of(SESSIONS, -last.begun_us, last.key_hash),
        }

    @app.delete(
        "/api/me/sessions/{id}",
        status_code=204,
        responses=problem_responses(400, 403, 404),
        tags=["account"],
        dependencies=VIEWER,
    )
    def end_one(request: Request, id: Id) -> Response:
        """Sign out in one of one's own browsers; this one too."""
        about_act(request, "end one's own sessions", "one")
        asks = user_who_asks(person(request))
        with shared.store.writing() as connection:
            if not end_session(connection, id, asks.name):
                raise HTTPException(404, "No session of yours has this id.")
        return Response(status_code=204)

    @app.put(
        "/api/me/password",
        status_code=204,
        responses=problem_responses(400, 403, 422),
        tags=["account"],
        dependencies=VIEWER,
    )
    def change_password(request: Request, given: models.PasswordGiven) -> Response:
        """Take another password. All sessions end; whoever asks gets a new one."""
        asks = user_who_asks(person(request))
        about_act(request, "change one's own password", asks.name)
        old, new = given.old.get_secret_value(), given.new.get_secret_value()
        address = request.client.host if request.client else ""
        problems, new_hash = new_password(access, asks, old, new, address)
        if problems:
            return problem(422, "; ".join(problems), problems=problems)
        with shared.store.writing() as connection:
            set_password(connection, asks.name, new_hash)
            secret = start_session(access, asks.name, connection)
        response = Response(status_code=204)
        give_session(response, request, secret)
        return response
