"""The application with a description (OpenAPI) of its API that says what is answered, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI

from standingwatch.store.access import Role
from standingwatch.web.access import stated_role
from standingwatch.web.access_hosts import FREE_PATHS
from standingwatch.web.problems import problem_responses
from standingwatch.web.safety import CARRYING_METHODS, SAFE_METHODS
from standingwatch.web.tags import ApiRoute

#: What FastAPI says of its own accord that a request which cannot be read is answered with.
NOT_OURS = ("HTTPValidationError", "ValidationError")

#: What is said of an answer that who asks has already.
NOT_MODIFIED = "Not modified: the ETag of `If-None-Match` still holds"

_TAG = {
    "description": "stays as long as the answer does; send it back as `If-None-Match`",
    "schema": {"type": "string"},
}


class DescribedApi(FastAPI):
    """An application whose description tells our own answers, whoever of us gives them.

    `web/problems.py` answers what cannot be read with problem details, so the answer that FastAPI adds to
    every route with parameters is taken out. The gates before the routes (`web/safety.py`,
    `web/access_hosts.py`) refuse by method and path, and so does this say what they refuse. Every route of
    the API asks the store, and says 503 where that cannot be read.
    """

    def __init__(self, **more: Any) -> None:
        super().__init__(**more)
        self.router.route_class = ApiRoute

    def openapi(self) -> dict[str, Any]:
        """The description, made once."""
        if self.openapi_schema is not None:
            return self.openapi_schema
        found = super().openapi()
        roles = dict(self._roles())
        for path, operations in found["paths"].items():
            for method, operation in operations.items():
                answers = operation["responses"]
                if "application/json" in answers.get("422", {}).get("content", {}):
                    del answers["422"]
                for status, answer in problem_responses(*refused_before(method.upper(), path)).items():
                    answers.setdefault(str(status), answer)
                if path.startswith("/api/") and method == "get":
                    answers["200"]["headers"] = {"ETag": _TAG}
                    answers["304"] = {"description": NOT_MODIFIED}
                role = roles.get((method.upper(), path))
                if role is not None:
                    operation["x-role"] = role.value
                    told = operation.get("description", "")
                    operation["description"] = f"{told}\n\nNeeds the role {role} or a higher one.".lstrip()
        for name in NOT_OURS:
            found["components"]["schemas"].pop(name, None)
        return found

    def _roles(self) -> Iterator[tuple[tuple[str, str], Role]]:
        """The role that each operation needs, by method and path."""
        for route in self.routes:
            role = stated_role(route)
            for method in getattr(route, "methods", None) or ():
                if role is not None:
                    yield (method, getattr(route, "path", "")), role


def refused_before(method: str, path: str) -> tuple[int, ...]:
    """What the gates before the routes may answer, and the store behind each route of the API.

    Args:
        method: HTTP method.
        path: path of the route.
    """
    # An address with a NUL character; a name that is not this service's.
    statuses = [400] if path in FREE_PATHS else [400, 421]
    if method not in SAFE_METHODS:
        # A page of another site; a body without a length, or too long a one.
        statuses += [403, 411, 413]
    if path.startswith("/api/"):
        statuses.append(503)
        if method in CARRYING_METHODS:
            statuses.append(415)
    return tuple(statuses)
