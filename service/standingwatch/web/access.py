"""Who asks, and what they may do: `require` for routes, `person` and `Person` for what they show and keep.

The gate (`web/access_gate.py`) finds out who asks before any route is chosen. A route says what it needs:
`@app.get("/x", dependencies=VIEWER)`, or `dependencies=[Depends(require("operator"))]`.
"""

from __future__ import annotations

import hashlib
import hmac
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import Depends, Request
from fastapi.params import Depends as Dependency
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from starlette.exceptions import HTTPException

from standingwatch.store.access import Role

SESSION_COOKIE = "standingwatch_session"

#: What programs are told to bring (RFC 6750, 3).
CHALLENGE = 'Bearer realm="standingwatch"'

#: Paths that need nobody: whether the service lives, what pages look like, and signing in itself.
OPEN_PATHS = ("/livez", "/readyz", "/sign-in")
OPEN_FOLDERS = ("/static/",)
METRICS_PATH = "/metrics"

Kind = Literal["session", "token", "automatic", "anybody", "nobody"]


@dataclass(frozen=True)
class Person:
    """Who asks.

    Attributes:
        name: what acts are told by; "" for nobody.
        role: what they may do; None for nothing.
        kind: how they are known: by a session or a token; the demo's own user; anybody where no sign-in is
            asked for; nobody.
        session: SHA-256 of the session's secret, "" without one.
        form_token: what forms of the session carry; "" where there is no session to bind them to.
    """

    name: str
    role: Role | None
    kind: Kind
    session: str = ""
    form_token: str = ""

    def may(self, role: str) -> bool:
        """Whether they may do what a role may."""
        return self.role is not None and self.role.covers(Role(role))


NOBODY = Person("", None, "nobody")

#: Who acts where no sign-in is asked for. Not an administrator: what such a one makes, users and tokens,
#: would outlive the time without sign-ins.
ANYBODY = Person("anybody", Role.ENGINEER, "anybody")

_now_asking: ContextVar[Person] = ContextVar("standingwatch_person", default=NOBODY)


def form_token_of(secret: str) -> str:
    """The token of a session's forms: nobody can make it who has not the session's secret."""
    return hmac.new(secret.encode(), b"standingwatch form", hashlib.sha256).hexdigest()


def person(request: Request) -> Person:
    """Who asks."""
    found = request.scope.get("state", {}).get("person", NOBODY)
    assert isinstance(found, Person)  # noqa: S101  only the gate puts it there
    return found


def person_now() -> Person:
    """Who asks, for what has no request at hand, such as the frame of every page."""
    return _now_asking.get()


def asks_now(scope: Any, who_asks: Person) -> None:
    """Note for the rest of a request who asks; for the gate alone."""
    scope.setdefault("state", {})["person"] = who_asks
    _now_asking.set(who_asks)


def about_act(request: Request, act: str, about: str) -> None:
    """Say for the audit what a request does and to what, where its address does not say it."""
    request.scope.setdefault("state", {})["act"] = (act, about)


_bearer = HTTPBearer(
    auto_error=False,
    description="A token made by an administrator; pages of the service bring their session.",
)


class require:  # noqa: N801  reads as a word in routes
    """What a route needs: that whoever asks has a role, or a higher one.

    Used as a dependency it gives the person.

    Args:
        role: the lowest role that is let through.
    """

    def __init__(self, role: Role | str) -> None:
        self.role = Role(role)

    def __call__(
        self,
        request: Request,
        _shown: Annotated[HTTPAuthorizationCredentials | None, Depends(_bearer)] = None,
    ) -> Person:
        """Let a request through, or refuse it.

        Raises:
            HTTPException: 401 for nobody, 403 for somebody who may not.
        """
        who_asks = person(request)
        if who_asks.role is None:
            raise HTTPException(401, "Sign in, or bring a token.", headers={"WWW-Authenticate": CHALLENGE})
        if not who_asks.may(self.role):
            told = {"WWW-Authenticate": f'{CHALLENGE}, error="insufficient_scope"'}
            raise HTTPException(
                403,
                f"This needs the role {self.role}; {who_asks.name} is {who_asks.role}. Nothing was changed.",
                headers=told if who_asks.kind == "token" else None,
            )
        return who_asks


#: What routes give as their `dependencies`.
VIEWER: list[Dependency] = [Depends(require(Role.VIEWER))]
OPERATOR: list[Dependency] = [Depends(require(Role.OPERATOR))]
ENGINEER: list[Dependency] = [Depends(require(Role.ENGINEER))]
ADMINISTRATOR: list[Dependency] = [Depends(require(Role.ADMINISTRATOR))]


def stated_role(route: Any) -> Role | None:
    """The highest role that a route says it needs; None where it says none."""
    dependant = getattr(route, "dependant", None)
    if dependant is None:
        return None
    roles = [one.call.role for one in dependant.dependencies if isinstance(one.call, require)]
    return max(roles, key=list(Role).index, default=None)
