"""The gate before all routes: finds out who asks, lets nobody in who has to be known, keeps the audit."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from http import HTTPStatus
from urllib.parse import parse_qs, quote, urlsplit

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from standingwatch.settings import AccessSettings
from standingwatch.store.access import Role, find_session, has_users, hash_of, is_news, note_seen
from standingwatch.store.audit import note_act
from standingwatch.store.connect import Store
from standingwatch.store.passing import is_passing, tell
from standingwatch.store.tokens import find_token, note_used
from standingwatch.web.access import (
    ANYBODY,
    CHALLENGE,
    METRICS_PATH,
    NOBODY,
    OPEN_FOLDERS,
    OPEN_PATHS,
    SESSION_COOKIE,
    Person,
    asks_now,
    form_token_of,
    person,
)
from standingwatch.web.outcomes import Outcomes
from standingwatch.web.problems import Answers, memory_problem, store_problem
from standingwatch.web.safety import SAFE_METHODS

log = logging.getLogger(__name__)

HOUR_US = 3_600_000_000

FIRST_USER = "There is no user yet. Make the first one: standingwatch user add NAME --role administrator"

#: A browser that follows a link of another site does not bring the session at first (SameSite=Strict). This
#: page has it ask again, of its own accord, and then it does.
_AGAIN = (
    '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="0">'
    '<title>Standing Watch</title></head><body><p>One moment. <a href="">Go on</a></p></body></html>'
)


class BadTokenError(Exception):
    """A request brings a token that does not hold."""


@dataclass(frozen=True)
class Access:
    """Finds out who asks.

    Attributes:
        store: where users, sessions and tokens are.
        clock: now [Unix microseconds].
        settings: what is asked for.
        automatic_user: an operator whom everybody is who has no session; "" for none.
    """

    store: Store
    clock: Callable[[], int]
    settings: AccessSettings
    automatic_user: str = ""

    @property
    def idle_us(self) -> int:
        """After how long without use a session ends [us]."""
        return round(self.settings.session_idle_hours * HOUR_US)

    def who_asks(self, authorization: str, secret: str) -> Person:
        """The person behind a request.

        Args:
            authorization: the header of that name, "" where there is none.
            secret: of a session, "" where there is none.

        Raises:
            BadTokenError: for a header that is there and is no token that holds.
        """
        if authorization:
            return self._by_token(authorization)
        found = self._by_session(secret) if secret else None
        if found is not None:
            return found
        if self.automatic_user:
            return Person(self.automatic_user, Role.OPERATOR, "automatic")
        return NOBODY if self.settings.required else ANYBODY

    def watch_over(self, request: Request) -> Callable[[], bool]:
        """Tells, whenever it is called, whether who asks now may go on with what takes long.

        Not any more when the session was ended or has run out, the user was disabled or has another role, or
        the token was revoked or has ended. To read on counts as use, as asking for a page again does.
        """
        asks, headers = person(request), request.headers
        given = headers.get("authorization", ""), request.cookies.get(SESSION_COOKIE, "")

        def may_go_on() -> bool:
            try:
                return self.who_asks(*given) == asks
            except BadTokenError:
                return False

        return may_go_on

    def _by_token(self, authorization: str) -> Person:
        scheme, _, secret = authorization.partition(" ")
        if scheme.casefold() != "bearer" or not secret.strip():
            raise BadTokenError
        now_us = self.clock()
        with self.store.reading() as connection:
            token = find_token(connection, secret.strip(), now_us)
        if token is None:
            raise BadTokenError
        if is_news(token.used_us, now_us):
            self._note(lambda connection: note_used(connection, token.number, now_us))
        return Person(f"token {token.name}", token.role, "token")

    def _by_session(self, secret: str) -> Person | None:
        now_us, key_hash = self.clock(), hash_of(secret)
        with self.store.reading() as connection:
            found = find_session(connection, key_hash, now_us, self.idle_us)
        if found is None:
            return None
        session, user = found
        if is_news(session.seen_us, now_us):
            self._note(lambda connection: note_seen(connection, key_hash, now_us))
        return Person(user.name, user.role, "session", key_hash, form_token_of(secret))

    def _note(self, note: Callable[[Connection], None]) -> None:
        """Note that a person is here; nobody is kept from reading because it cannot be written down."""
        try:
            with self.store.noting() as connection:
                note(connection)
        except DBAPIError as error:
            if not is_passing(error):
                raise
            log.warning("web: not noted who reads: %s", " ".join(str(error.orig).split()))

    def is_open(self, path: str) -> bool:
        """Whether a path needs nobody."""
        if path == METRICS_PATH:
            return self.settings.open_metrics
        return path in OPEN_PATHS or path.startswith(OPEN_FOLDERS)

    def lacks_users(self) -> bool:
        """Whether nobody could sign in at all."""
        with self.store.reading() as connection:
            return not has_users(connection)


class AccessGate:
    """ASGI middleware that finds out who asks, and keeps every act that changes something.

    Args:
        app: what comes behind.
        access: finds out who asks.
        answers: makes the answer to what is not let through.
        outcomes: what came of forms, for the audit.
    """

    def __init__(self, app: ASGIApp, access: Access, answers: Answers, outcomes: Outcomes) -> None:
        self._app, self._access, self._answers, self._outcomes = app, access, answers, outcomes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            # Nothing here speaks anything else; what is added has to be let through here first.
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        request = Request(scope)
        asks_now(scope, NOBODY)
        if not self._access.is_open(scope["path"]) or scope["path"] == "/sign-in":
            try:
                refused = await run_in_threadpool(self._let_in, request)
            except SQLAlchemyError as error:
                refused = store_problem(self._answers, request, error)
            except (MemoryError, RuntimeError) as error:
                refused = memory_problem(self._answers, request, error)
            # What a thread notes in the context is lost with its copy of it.
            asks_now(scope, scope["state"]["person"])
            if refused is not None:
                await refused(scope, receive, send)
                return
        if scope["method"] in SAFE_METHODS or scope["path"] == "/sign-in":
            await self._app(scope, receive, send)
            return

        async def keep_and_send(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = {
                    name.decode("latin-1").lower(): v.decode("latin-1") for name, v in message["headers"]
                }
                location = headers.get("location", "")
                await run_in_threadpool(self._keep, request, message["status"], location)
            await send(message)

        await self._app(scope, receive, keep_and_send)

    def _let_in(self, request: Request) -> Response | None:
        """Note who asks; the answer where that is nobody, and somebody is needed."""
        headers = request.headers
        try:
            found = self._access.who_asks(
                headers.get("authorization", ""), request.cookies.get(SESSION_COOKIE, "")
            )
        except BadTokenError:
            challenge = f'{CHALLENGE}, error="invalid_token"'
            detail = "The token is not known, has ended, or was revoked."
            return self._unknown(request, detail, challenge)
        request.scope["state"]["person"] = found
        if found.role is not None or self._access.is_open(request.url.path):
            return None
        return self._sign_in_first(request)

    def _sign_in_first(self, request: Request) -> Response:
        """Send a person to the sign-in, tell a program that it has to bring a token."""
        path, headers = request.url.path, request.headers
        is_page = (
            request.method in ("GET", "HEAD") and headers.get("sec-fetch-dest", "document") == "document"
        )
        if is_page and not _is_for_programs(path):
            if headers.get("sec-fetch-site") == "cross-site" and SESSION_COOKIE not in request.cookies:
                return HTMLResponse(_AGAIN)
            asked = path + (f"?{request.url.query}" if request.url.query else "")
            return RedirectResponse(f"/sign-in?next={quote(asked, safe='')}", status_code=303)
        detail = (
            "Nothing was done, because nobody is signed in here, or not any more. Sign in, and try again."
        )
        if _is_for_programs(path):
            detail = "Bring a token: Authorization: Bearer TOKEN. An administrator makes one."
        if self._access.lacks_users():
            detail = FIRST_USER
        return self._unknown(request, detail, CHALLENGE)

    def _unknown(self, request: Request, detail: str, challenge: str) -> Response:
        if request.method not in SAFE_METHODS:
            log.warning("web: %s %s was refused to nobody", request.method, request.url.path)
        response = self._answers.answer(request, 401, detail)
        response.headers["WWW-Authenticate"] = challenge
        return response

    def _keep(self, request: Request, status: int, location: str) -> None:
        """Keep an act in the audit. One by nobody is not kept: anybody could fill the store with those."""
        state = request.scope["state"]
        by: Person = state["person"]
        if by.role is None:
            return
        route = getattr(request.scope.get("route"), "path", request.url.path)
        act, about = state.get("act", (f"{request.method} {route}", _names(request.scope.get("path_params"))))
        outcome = ""
        try:
            outcome = self._outcome(status, state.get("said", ""), location)
            with self._access.store.writing() as connection:
                note_act(
                    connection,
                    now_us=self._access.clock(),
                    by=by.name,
                    role=by.role.value,
                    address=request.client.host if request.client else "",
                    act=_keepable(act),
                    about=_keepable(about),
                    outcome=_keepable(outcome),
                )
        except SQLAlchemyError as error:
            # What was done is done; the answer that says so is not held back.
            tell(log, error, "web: not in the audit: %s by %s (%s)", act, by.name, outcome or status)

    def _outcome(self, status: int, said: str, location: str) -> str:
        """What came of an act, in words."""
        name = parse_qs(urlsplit(location).query).get("said", [""])[-1]
        told = self._outcomes.get(name)
        if told is not None:
            word = "done" if told.is_good else "partly done" if told.done else "refused"
            parts = [
                told.title,
                *told.problems,
                *told.done,
                *(f"{what}: {why}" for what, why in told.refused),
            ]
            return f"{word}: " + "; ".join(parts)
        if status < 400:
            return "done"
        word = "failed" if status >= 500 else "refused"
        return f"{word}, {status} {HTTPStatus(status).phrase}" + (f": {said}" if said else "")


def _is_for_programs(path: str) -> bool:
    return path.startswith("/api/") or path in ("/openapi.json", METRICS_PATH)


def _keepable(text: str) -> str:
    """A text as both databases keep it: what was refused may tell characters that PostgreSQL refuses."""
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "replace").decode("utf-8")


def _names(parameters: object) -> str:
    if not isinstance(parameters, dict):
        return ""
    return ", ".join(f"{name} {value}" for name, value in parameters.items())
