"""Headers on every answer, and a gate before every request that changes something.

A page may load and reach nothing but this service, and nobody may frame it. Requests that change something
have to come from pages of this service, or from programs: what another site makes a browser send is refused.
"""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not "no-referrer": with that, browsers give "null" as the origin of our own forms, and no form could be
    # told from a strange one (Fetch standard, "append a request Origin header"). Other hosts are told nothing
    # either way.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


Refuse = Callable[[Request, int, str], Response]


class SafetyHeaders:
    """ASGI middleware that puts `HEADERS` on every answer, and tells caches to keep no page.

    Args:
        app: what comes behind.
        hsts_s: for how long a browser that asked by HTTPS has to go on doing so [s]; 0 for nothing said (RFC
            6797: over HTTP it may not be said).
    """

    def __init__(self, app: ASGIApp, hsts_s: int = 0) -> None:
        self._app, self._hsts_s = app, hsts_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
                if self._hsts_s and scope["scheme"] == "https":
                    headers["Strict-Transport-Security"] = f"max-age={self._hsts_s}"
            await send(message)

        await self._app(scope, receive, send_with_headers)


class TextGate:
    """ASGI middleware that refuses an address with a NUL character: no name here has one.

    PostgreSQL keeps none in a text (its manual, "Character Types"), so a question with one would fail there.

    Args:
        app: what comes behind.
        refuse: makes the answer to what is not let through, of the request, a status and a reason.
    """

    def __init__(self, app: ASGIApp, refuse: Refuse) -> None:
        self._app, self._refuse = app, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "http" and ("\0" in scope["path"] or b"%00" in scope["query_string"]):
            answer = self._refuse(Request(scope), 400, "The address has a NUL character; leave it out.")
            await answer(scope, receive, send)
            return
        await self._app(scope, receive, send)


#: The longest body that a request may have [bytes].
LONGEST_BODY = 1_000_000

#: Methods that change nothing.
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")

#: Methods whose requests carry what to change.
CARRYING_METHODS = ("POST", "PUT", "PATCH")


def refusal(method: str, path: str, headers: Headers) -> tuple[int, str] | None:
    """Why a request is not let through: status and reason; None where it is.

    Browsers say where a request comes from (`Origin`, `Sec-Fetch-Site`); programs send neither header. The
    API takes JSON alone, which a form of another site cannot send.

    Args:
        method: HTTP method.
        path: path of the request.
        headers: its headers.
    """
    if method in SAFE_METHODS:
        return None
    if headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return 403, "This was sent by a page of another site. Nothing was changed."
    origin = headers.get("origin")
    # The scheme is left out: a proxy in front may speak HTTPS where this service does not.
    if origin is not None and urlsplit(origin).netloc.casefold() != headers.get("host", "").casefold():
        return 403, f"This was sent by a page of another site ({origin}). Nothing was changed."
    length = headers.get("content-length")
    if length is None and "transfer-encoding" in headers:
        return 411, "The length of the body was not said; send Content-Length."
    if length is not None and (not length.isdecimal() or int(length) > LONGEST_BODY):
        return 413, f"The body is too long: {LONGEST_BODY:,} bytes are the most."
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if path.startswith("/api/") and method in CARRYING_METHODS and kind != "application/json":
        return 415, f"Got the content type “{kind}”, wanted application/json."
    return None


class ChangeGate:
    """ASGI middleware that lets through what may change something, whatever route it is for.

    Args:
        app: what comes behind.
        refuse: makes the answer to what is not let through, of the request, a status and a reason.
    """

    def __init__(self, app: ASGIApp, refuse: Refuse) -> None:
        self._app, self._refuse = app, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        found = None
        if scope["type"] == "http":
            found = refusal(scope["method"], scope["path"], Headers(scope=scope))
        if found is None:
            await self._app(scope, receive, send)
            return
        await self._refuse(Request(scope), *found)(scope, receive, send)
