"""Entity tags (RFC 9110, 8.8.3) of what the API gives: who has an answer already is told so, without it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import Request
from fastapi.responses import Response
from fastapi.routing import APIRoute

#: The member of an answer that tells when it was made. What differs in it alone is the same answer.
MADE = "time"

#: Answers are kept by whoever asked, and asked about before they are used again.
KEEP = "private, no-cache"


def is_known(request: Request, etag: str) -> bool:
    """Whether who asks has the answer of an ETag already; compared weakly (RFC 9110, 13.1.2)."""
    given = [one.strip() for one in request.headers.get("if-none-match", "").split(",")]
    return given == ["*"] or any(one.removeprefix("W/") == etag.removeprefix("W/") for one in given)


def tag_of(body: bytes, kind: str) -> str:
    """The ETag of an answer: strong where it is the same to the byte, weak where it tells when it was made.

    Args:
        body: the answer.
        kind: its content type.
    """
    weak = ""
    if kind.startswith("application/json"):
        answer = json.loads(body)
        # A column of times goes by the same name; it is no text.
        if isinstance(answer, dict) and isinstance(answer.get(MADE), str):
            del answer[MADE]
            weak, body = "W/", json.dumps(answer).encode()
    return f'{weak}"{hashlib.sha256(body).hexdigest()[:32]}"'


class ApiRoute(APIRoute):
    """A route whose answers have an ETag where it is one of the API that is read: none can forget it.

    An answer that brings an ETag of its own keeps it: its route knows it before it has made the answer.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """What answers a request."""
        handle = super().get_route_handler()
        if not self.path.startswith("/api/") or "GET" not in (self.methods or ()):
            return handle

        async def tagged(request: Request) -> Response:
            response = await handle(request)
            if response.status_code != 200 or "etag" in response.headers:
                return response
            etag = tag_of(bytes(response.body), response.headers.get("content-type", ""))
            headers = {"ETag": etag, "Cache-Control": KEEP}
            if is_known(request, etag):
                return Response(status_code=304, headers=headers)
            response.headers.update(headers)
            return response

        return tagged
