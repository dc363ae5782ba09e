"""The API of users, tokens and the audit, for administrators; `web/account_api.py` is for oneself."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Path, Query, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.alarms.handling import LONGEST_NAME
from standingwatch.store.access import (
    AccessError,
    Role,
    User,
    add_user,
    disable_user,
    enable_user,
    load_user,
    load_users,
    set_password,
    set_role,
)
from standingwatch.store.audit import load_audit
from standingwatch.store.passwords import hash_password, password_problems
from standingwatch.store.sign_ins import load_sign_ins
from standingwatch.store.tokens import Token, add_token, load_tokens, revoke_token
from standingwatch.web import access_models as models
from standingwatch.web.access import ADMINISTRATOR, about_act, person
from standingwatch.web.access_gate import Access
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.shared import Shared

DAY_US = 86_400_000_000

#: Cursors of the lists.
USERS, TOKENS, AUDIT, SIGN_INS = "users", "tokens", "audit", "sign-ins"

Word = Annotated[str, Query(max_length=100)]
Number = Annotated[int, Path(ge=1, lt=2**63)]
Name = Annotated[str, Path(min_length=1, max_length=LONGEST_NAME)]


def add_access_api(app: FastAPI, shared: Shared, access: Access) -> None:
    """Add the routes of users, tokens and the audit."""

    @app.get(
        "/api/users",
        response_model=models.Users,
        responses=problem_responses(400),
        tags=["users"],
        dependencies=ADMINISTRATOR,
    )
    def users(limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """Every user, by name."""
        place = place_of(USERS, cursor, str)
        with shared.store.reading() as connection:
            found = sorted(load_users(connection), key=lambda user: user.name)
        rest = [user for user in found if place is None or user.name > place[0]]
        more = cursor_of(USERS, rest[limit - 1].name) if len(rest) > limit else None
        return {"users": [_user(user) for user in rest[:limit]], "next": more}

    @app.post(
        "/api/users",
        response_model=models.UserData,
        status_code=201,
        responses=problem_responses(400, 409, 422),
        tags=["users"],
        dependencies=ADMINISTRATOR,
    )
    def add(request: Request, given: models.UserGiven) -> Any:
        """Add a user."""
        about_act(request, "add a user", f"{given.name}, {given.role}")
        password = given.password.get_secret_value()
        if problems := password_problems(password, given.name):
            return problem(422, "; ".join(problems), problems=problems)
        password_hash = hash_password(password)
        try:
            with shared.store.writing() as connection:
                name = add_user(connection, given.name, Role(given.role), password_hash, shared.clock())
                made = load_user(connection, name)
        except AccessError as error:
            raise HTTPException(409, f"{error}.") from error
        return None if made is None else _user(made)

    @app.post(
        "/api/users/{name}/acts",
        response_model=models.UserData,
        responses=problem_responses(400, 404, 409, 422),
        tags=["users"],
        dependencies=ADMINISTRATOR,
    )
    def act(request: Request, name: Name, given: models.UserAct) -> Any:
        """Give a user another role or password, disable or enable them; all but enabling signs them out."""
        words = {"role": "change a role", "password": "reset a password"}
        about = f"{name} to {given.role}" if given.act == "role" else name
        about_act(request, words.get(given.act, f"{given.act} a user"), about)
        if problems := _problems(given, name):
            return problem(422, "; ".join(problems), problems=problems)
        # Hashing takes long, and holds up nobody who writes.
        password_hash = (
            hash_password(given.password.get_secret_value())
            if given.act == "password" and given.password is not None
            else ""
        )
        now_us = shared.clock()
        try:
            with shared.store.writing() as connection:
                if load_user(connection, name) is None:
                    raise HTTPException(404, f"There is no user “{name}”.")
                match given.act:
                    case "role":
                        set_role(connection, name, Role(given.role or ""), now_us)
                    case "disable":
                        disable_user(connection, name, now_us)
                    case "enable":
                        enable_user(connection, name)
                    case "password":
                        set_password(connection, name, password_hash)
                user = load_user(connection, name)
        except AccessError as error:
            raise HTTPException(409, f"{error}.") from error
        return None if user is None else _user(user)

    @app.get(
        "/api/tokens",
        response_model=models.Tokens,
        responses=problem_responses(400),
        tags=["tokens"],
        dependencies=ADMINISTRATOR,
    )
    def tokens(ended: bool = False, limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """Tokens that hold, the newest first. `ended`: in their place those that hold no more."""
        place, now_us = place_of(TOKENS, cursor, int), shared.clock()
        with shared.store.reading() as connection:
            found = [one for one in load_tokens(connection) if one.holds(now_us) != ended]
        rest = [one for one in found if place is None or one.number < place[0]]
        more = cursor_of(TOKENS, rest[limit - 1].number) if len(rest) > limit else None
        return {"time": rfc3339(now_us), "tokens": [_token(one) for one in rest[:limit]], "next": more}

    @app.post(
        "/api/tokens",
        response_model=models.TokenMade,
        status_code=201,
        responses=problem_responses(400, 409, 422),
        tags=["tokens"],
        dependencies=ADMINISTRATOR,
    )
    def make_token(request: Request, given: models.TokenGiven) -> dict[str, Any]:
        """Make a token; its secret is in this answer and nowhere else."""
        about_act(request, "make a token", f"{given.name}, {given.role}, {given.days} d")
        now_us = shared.clock()
        try:
            with shared.store.writing() as connection:
                number, secret = add_token(
                    connection,
                    given.name,
                    Role(given.role),
                    made_by=person(request).name,
                    now_us=now_us,
                    ends_us=now_us + given.days * DAY_US,
                    longest_us=access.settings.token_days_most * DAY_US,
                )
                made = next(one for one in load_tokens(connection) if one.number == number)
        except AccessError as error:
            raise HTTPException(409, f"{error}.") from error
        return {**_token(made), "secret": secret}

    @app.delete(
        "/api/tokens/{number}",
        status_code=204,
        responses=problem_responses(400, 404),
        tags=["tokens"],
        dependencies=ADMINISTRATOR,
    )
    def revoke(request: Request, number: Number) -> Response:
        """Let a token hold no more."""
        about_act(request, "revoke a token", str(number))
        try:
            with shared.store.writing() as connection:
                revoke_token(connection, number, shared.clock())
        except AccessError as error:
            raise HTTPException(404, f"{error}.") from error
        return Response(status_code=204)

    @app.get(
        "/api/audit",
        response_model=models.Audit,
        responses=problem_responses(400),
        tags=["audit"],
        dependencies=ADMINISTRATOR,
    )
    def audit(by: Word = "", words: Word = "", limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """Every act that changed something, or was refused, the newest first.

        `by`: only those of this name. `words`: only those whose act, object or outcome has these words.
        """
        place = place_of(AUDIT, cursor, int)
        before = None if place is None else place[0]
        with shared.store.reading() as connection:
            found = load_audit(connection, limit + 1, before=before, by=by.strip(), words=words.strip())
        return {
            "lines": [
                {
                    "number": line.number,
                    "time": rfc3339(line.time_us),
                    "by": line.by,
                    "role": line.role,
                    "address": line.address,
                    "act": line.act,
                    "about": line.about,
                    "outcome": line.outcome,
                }
                for line in found[:limit]
            ],
            "next": cursor_of(AUDIT, found[limit - 1].number) if len(found) > limit else None,
        }

    @app.get(
        "/api/sign-ins",
        response_model=models.SignIns,
        responses=problem_responses(400),
        tags=["audit"],
        dependencies=ADMINISTRATOR,
    )
    def sign_ins(failed: bool = False, limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """Tries to sign in of the last 30 days, the newest first; only the failed ones, if asked for."""
        place = place_of(SIGN_INS, cursor, int)
        before = None if place is None else place[0]
        with shared.store.reading() as connection:
            found = load_sign_ins(connection, limit + 1, failed_only=failed, before=before)
        return {
            "sign_ins": [
                {
                    "time": rfc3339(one.time_us),
                    "name": one.name or None,
                    "address": one.address,
                    "succeeded": one.succeeded,
                }
                for one in found[:limit]
            ],
            "next": cursor_of(SIGN_INS, found[limit - 1].number) if len(found) > limit else None,
        }


def _problems(given: models.UserAct, name: str) -> list[str]:
    """What an act lacks."""
    if given.act == "role" and given.role is None:
        return [f"role: missing, wanted one of {', '.join(Role)}"]
    if given.act == "password":
        if given.password is None:
            return ["password: missing"]
        return password_problems(given.password.get_secret_value(), name)
    return []


def _user(user: User) -> dict[str, Any]:
    return {
        "name": user.name,
        "role": user.role.value,
        "added": rfc3339(user.made_us),
        "disabled": None if user.disabled_us is None else rfc3339(user.disabled_us),
    }


def _token(one: Token) -> dict[str, Any]:
    def told(time_us: int | None) -> str | None:
        return None if time_us is None else rfc3339(time_us)

    return {
        "number": one.number,
        "name": one.name,
        "role": one.role.value,
        "made_by": one.made_by,
        "made": rfc3339(one.made_us),
        "ends": rfc3339(one.ends_us),
        "used": told(one.used_us),
        "revoked": told(one.revoked_us),
    }
