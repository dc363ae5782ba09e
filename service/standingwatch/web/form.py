"""Forms: reading them, telling our own from strange ones, and who acts.

Each form carries a token. That of a session is made from the session's secret (`web/access.py`), so that a
form of one session is refused in every other. Where there is no session, as at the sign-in, the token is also
in a cookie which browsers send only with requests of our own pages (double submit; both as OWASP's
"Cross-Site Request Forgery Prevention Cheat Sheet" describes them; from memory). The gate in `web/safety.py`
has looked at where the request comes from before.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qsl

from fastapi import Depends, Request
from starlette.exceptions import HTTPException
from starlette.responses import Response

from standingwatch.web.access import person

TOKEN_COOKIE = "standingwatch_form"  # noqa: S105  the name of a cookie, not a secret

#: Most fields of a form; a page of alarms has about two a row.
_MOST_FIELDS = 2_000


@dataclass(frozen=True)
class Form:
    """The fields of a form that was sent by one of our own pages."""

    fields: dict[str, list[str]]

    def text(self, name: str) -> str:
        """A field without blanks around it; "" where it was left out."""
        return self.fields.get(name, [""])[-1].strip()

    def all(self, name: str) -> list[str]:
        """Every value of a field that may come several times."""
        return self.fields.get(name, [])


async def read_form(request: Request) -> Form:
    """Read the form that a request carries.

    Raises:
        HTTPException: 415 or 400 if it cannot be read, 403 if it is not from one of our own pages.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415, f"Got the content type “{kind}”, wanted a form.")
    try:
        pairs = parse_qsl(
            (await request.body()).decode("utf-8"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=_MOST_FIELDS,
        )
    except ValueError as error:
        raise HTTPException(400, f"The form cannot be read: {error}.") from error
    fields: dict[str, list[str]] = {}
    for name, value in pairs:
        # Browsers end lines of a text field as forms do (CR LF), whatever the person's machine does.
        fields.setdefault(name, []).append(value.replace("\r\n", "\n"))
    form = Form(fields)
    kept = person(request).form_token or request.cookies.get(TOKEN_COOKIE, "")
    if not kept or not secrets.compare_digest(kept.encode(), form.text("token").encode()):
        raise HTTPException(
            403,
            "The form does not belong to this browser’s session, so nothing was changed. Go back, load the "
            "page again and send it once more; cookies have to be allowed for this service.",
        )
    return form


ReadForm = Annotated[Form, Depends(read_form)]


def token_of(request: Request) -> tuple[str, bool]:
    """The token of the session's forms, and whether it is new and has to be given to the browser."""
    bound = person(request).form_token
    if bound:
        return bound, False
    kept = request.cookies.get(TOKEN_COOKIE, "")
    return (kept, False) if 20 <= len(kept) <= 100 else (secrets.token_urlsafe(24), True)


def give_token(response: Response, request: Request, token: str) -> None:
    """Have the browser keep the token until it is closed."""
    response.set_cookie(
        TOKEN_COOKIE, token, httponly=True, samesite="strict", secure=request.url.scheme == "https"
    )


def who(request: Request) -> str:
    """Who acts: the name that somebody has signed in by, or that of a token; "" for nobody."""
    return person(request).name
