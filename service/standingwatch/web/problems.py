"""Answers for everything that goes wrong: pages for people, problem details (RFC 9457) for programs."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException
from starlette.routing import Match, Route

from standingwatch.store.passing import is_short_of_memory, tell
from standingwatch.web.pages import Pages
from standingwatch.web.safety import HEADERS

log = logging.getLogger(__name__)

#: Problem details as the API's description shows them.
PROBLEM_SCHEMA = {
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "problems": {
            "type": "array",
            "items": {"type": "string"},
            "description": "every problem, where there can be several",
        },
    },
}

#: Content type of problem details (RFC 9457, 3).
PROBLEM_JSON = "application/problem+json"

#: Begins of the addresses that programs ask.
FOR_PROGRAMS = ("/api/", "/livez", "/readyz")

TITLES = {
    400: "That was not understood",
    401: "Nobody is signed in",
    403: "Not let through",
    404: "Nothing here",
    405: "Not possible here",
    421: "Not by this name",
    422: "That was not understood",
    429: "Too many tries",
}


def problem(status: int, detail: str, **more: Any) -> JSONResponse:
    """Problem details: type `about:blank`, so that the title is that of the status (RFC 9457, 4.2.1).

    Args:
        status: HTTP status.
        detail: what went wrong, for a person.
        more: members of our own, such as `problems`: every one of several.
    """
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return JSONResponse({**body, **more}, status_code=status, media_type=PROBLEM_JSON)


def problem_responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The problems that a route answers with, for the description of the API."""
    return {
        status: {
            "description": HTTPStatus(status).phrase,
            "content": {PROBLEM_JSON: {"schema": PROBLEM_SCHEMA}},
        }
        for status in statuses
    }


class Answers:
    """Makes the answer to what went wrong, by who asks.

    Args:
        pages: makes pages of templates.
    """

    def __init__(self, pages: Pages) -> None:
        self._pages = pages

    def answer(
        self, request: Request, status: int, detail: str, problems: Sequence[str] = (), title: str = ""
    ) -> Response:
        """Problem details for the API, a page for all else; the audit is told the reason too.

        Args:
            request: what was asked.
            status: HTTP status.
            detail: what went wrong, for a person.
            problems: every one of several.
            title: of the page, where the status has another by itself.
        """
        request.scope.setdefault("state", {})["said"] = detail
        if request.url.path.startswith(FOR_PROGRAMS):
            return problem(status, detail, **({"problems": list(problems)} if problems else {}))
        if title:
            pass
        elif status == 503:
            title = "The store cannot be read"
        elif status == 500:
            title = "Something went wrong here"
        else:
            title = TITLES.get(status, "Not possible")
        return self._pages.page("problem.html", status, title=title, detail=detail, code=status)


def store_problem(answers: Answers, request: Request, error: SQLAlchemyError) -> Response:
    """The answer where the store cannot be read; what went wrong goes to the log alone."""
    tell(log, error, "web: the store cannot be read for %s", request.url.path)
    detail = (
        "Reports may still be coming in, but this page cannot show them. See the log of the service, "
        "and check that the database runs. The page works again as soon as it does."
    )
    return answers.answer(request, 503, detail)


def memory_problem(answers: Answers, request: Request, error: Exception) -> Response:
    """The answer where the machine gives no more memory, or no thread; raises what is another error."""
    if not is_short_of_memory(error):
        raise error
    tell(log, error, "web: the machine has no memory or thread left for %s", request.url.path)
    detail = (
        "The machine gives the service no more memory or threads for this page. Ask again in a moment; "
        "where it stays so, give the service more memory, and see its log."
    )
    return answers.answer(request, 503, detail, title="No memory is left")


def _methods_at(app: FastAPI, request: Request) -> set[str]:
    """What may be done at an address (RFC 9110, 15.5.6): a route by itself knows its own methods alone."""
    return {
        method
        for route in app.routes
        if isinstance(route, Route) and route.matches(request.scope)[0] is not Match.NONE
        for method in route.methods or ()
    }


def add_errors(app: FastAPI, answers: Answers) -> None:
    """Designed answers for everything that goes wrong; what went wrong inside goes to the log alone."""

    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> Response:
        detail = str(error.detail) if error.detail != "Not Found" else "There is no page at this address."
        response = answers.answer(request, error.status_code, detail)
        response.headers.update(error.headers or {})
        if error.status_code == 405:
            response.headers["Allow"] = ", ".join(sorted(_methods_at(app, request)))
        return response

    @app.exception_handler(RequestValidationError)
    async def misread(request: Request, error: RequestValidationError) -> Response:
        found = [f"{'.'.join(map(str, one['loc'][1:]))}: {one['msg']}" for one in error.errors()]
        # What a body says wrongly in a form that can be read is 422 (RFC 9110, 15.5.21); all else is 400.
        of_body = all(one["loc"][0] == "body" and one["type"] != "json_invalid" for one in error.errors())
        return answers.answer(request, 422 if of_body else 400, "; ".join(found), found)

    @app.exception_handler(SQLAlchemyError)
    async def no_store(request: Request, error: SQLAlchemyError) -> Response:
        return store_problem(answers, request, error)

    @app.exception_handler(MemoryError)
    @app.exception_handler(RuntimeError)
    async def no_memory(request: Request, error: Exception) -> Response:
        return memory_problem(answers, request, error)

    @app.exception_handler(Exception)
    async def broken(request: Request, error: Exception) -> Response:
        detail = "The service made a mistake; its log says which. Alarms do not depend on this page."
        response = answers.answer(request, 500, detail)
        # This answer is made outside the middleware that sets the headers.
        response.headers.update(HEADERS)
        return response
