"""The page of users and tokens, for administrators."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import FastAPI, Request
from fastapi.responses import Response
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.alarms.handling import LONGEST_NAME
from standingwatch.store.access import (
    AccessError,
    Role,
    add_user,
    disable_user,
    enable_user,
    load_users,
    set_password,
    set_role,
)
from standingwatch.store.passwords import LONGEST, SHORTEST, hash_password, password_problems
from standingwatch.store.tokens import LONGEST_TOKEN_NAME, add_token, load_tokens, revoke_token
from standingwatch.web.access import ADMINISTRATOR, about_act, person
from standingwatch.web.access_gate import Access
from standingwatch.web.form import Form, ReadForm
from standingwatch.web.outcomes import Outcome
from standingwatch.web.shared import Shared

DAY_US = 86_400_000_000

HERE = "/users"


def add_user_pages(app: FastAPI, shared: Shared, access: Access) -> None:
    """Add the page of users and tokens, and its forms."""

    def show(request: Request, secret: str = "", secret_of: str = "") -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            users, tokens = load_users(connection), load_tokens(connection)
        return shared.page(
            request,
            "users.html",
            users=users,
            tokens=[one for one in tokens if one.holds(now_us)],
            past=[one for one in tokens if not one.holds(now_us)][:50],
            roles=list(Role),
            secret=secret,
            secret_of=secret_of,
            days_most=access.settings.token_days_most,
            longest_name=LONGEST_NAME,
            longest_token=LONGEST_TOKEN_NAME,
            shortest=SHORTEST,
            longest=LONGEST,
        )

    def change(request: Request, act: Callable[[Connection], str]) -> Response:
        """Do something; what was done, or why not, is told by the page that follows."""
        try:
            with shared.store.writing() as connection:
                outcome = Outcome(act(connection))
        except AccessError as error:
            outcome = Outcome("Nothing was changed", problems=(str(error),))
        return shared.send_on(HERE, outcome)

    @app.get("/users", include_in_schema=False, dependencies=ADMINISTRATOR)
    def users_page(request: Request) -> Response:
        return show(request)

    @app.post("/users", include_in_schema=False, dependencies=ADMINISTRATOR)
    def add(request: Request, form: ReadForm) -> Response:
        name, role, password_hash = form.text("name"), _role(form), _hashed(form)
        about_act(request, "add a user", f"{name}, {role}")
        return change(
            request,
            lambda c: f"{add_user(c, name, role, password_hash, shared.clock())} is added as {role}",
        )

    @app.post("/users/role", include_in_schema=False, dependencies=ADMINISTRATOR)
    def give_role(request: Request, form: ReadForm) -> Response:
        name, role = form.text("name"), _role(form)
        about_act(request, "change a role", f"{name} to {role}")

        def act(connection: Connection) -> str:
            set_role(connection, name, role, shared.clock())
            return f"{name} is {role} now, and signed out everywhere"

        return change(request, act)

    @app.post("/users/disable", include_in_schema=False, dependencies=ADMINISTRATOR)
    def disable(request: Request, form: ReadForm) -> Response:
        name = form.text("name")
        about_act(request, "disable a user", name)

        def act(connection: Connection) -> str:
            disable_user(connection, name, shared.clock())
            return f"{name} is disabled and signed out everywhere; tokens that {name} made are revoked"

        return change(request, act)

    @app.post("/users/enable", include_in_schema=False, dependencies=ADMINISTRATOR)
    def enable(request: Request, form: ReadForm) -> Response:
        name = form.text("name")
        about_act(request, "enable a user", name)

        def act(connection: Connection) -> str:
            enable_user(connection, name)
            return f"{name} may sign in again"

        return change(request, act)

    @app.post("/users/password", include_in_schema=False, dependencies=ADMINISTRATOR)
    def reset(request: Request, form: ReadForm) -> Response:
        name, password_hash = form.text("name"), _hashed(form)
        about_act(request, "reset a password", name)

        def act(connection: Connection) -> str:
            set_password(connection, name, password_hash)
            return f"{name} has another password, and is signed out everywhere"

        return change(request, act)

    @app.post("/tokens", include_in_schema=False, dependencies=ADMINISTRATOR)
    def make_token(request: Request, form: ReadForm) -> Response:
        name, role, days = form.text("name"), _role(form), _days(form)
        about_act(request, "make a token", f"{name}, {role}, {days} d")
        now_us = shared.clock()
        try:
            with shared.store.writing() as connection:
                _, secret = add_token(
                    connection,
                    name,
                    role,
                    made_by=person(request).name,
                    now_us=now_us,
                    ends_us=now_us + days * DAY_US,
                    longest_us=access.settings.token_days_most * DAY_US,
                )
        except AccessError as error:
            outcome = Outcome("No token was made", problems=(str(error),))
            return shared.send_on(HERE, outcome)
        # Shown here and now: no other page could show it, and nothing keeps it.
        return show(request, secret, name)

    @app.post("/tokens/revoke", include_in_schema=False, dependencies=ADMINISTRATOR)
    def revoke(request: Request, form: ReadForm) -> Response:
        text = form.text("number")
        about_act(request, "revoke a token", text)

        def act(connection: Connection) -> str:
            if not text.isdecimal() or len(text) > 18:
                raise AccessError(f"token: there is no token “{text[:20]}”")
            return f"The token “{revoke_token(connection, int(text), shared.clock()).name}” is revoked"

        return change(request, act)


def _role(form: Form) -> Role:
    """The role of a form; status 422 for a word that is none."""
    word = form.text("role")
    if word not in list(Role):
        raise HTTPException(422, f"Got the role “{word[:40]}”, wanted one of {', '.join(Role)}.")
    return Role(word)


def _days(form: Form) -> int:
    """The days of a form; status 422 for what is no whole number above 0."""
    text = form.text("days")
    if not (text.isascii() and text.isdecimal()) or len(text) > 5 or not int(text):
        raise HTTPException(422, f"Got “{text[:20]}” days, wanted a whole number above 0.")
    return int(text)


def _hashed(form: Form) -> str:
    """The hash of the password of a form; status 422 for one that is not good enough."""
    password = form.fields.get("password", [""])[-1]
    problems = password_problems(password, form.text("name"))
    if problems:
        raise HTTPException(422, "; ".join(problems))
    return hash_password(password)
