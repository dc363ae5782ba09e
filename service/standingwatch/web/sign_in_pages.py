"""The pages to sign in and out."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response

from standingwatch.store.access import end_session
from standingwatch.web.access import SESSION_COOKIE, VIEWER, about_act, person
from standingwatch.web.access_gate import FIRST_USER, Access
from standingwatch.web.form import ReadForm
from standingwatch.web.shared import Shared
from standingwatch.web.sign_in import WaitError, give_session, safe_next, sign_in, take_session

Next = Annotated[str, Query(alias="next", max_length=4000)]

WRONG = "Name or password is wrong, or the user is disabled."


def add_sign_in_pages(app: FastAPI, shared: Shared, access: Access) -> None:
    """Add the pages to sign in and out."""

    def show(request: Request, to: str, status: int = 200, name: str = "", problem: str = "") -> Response:
        first = FIRST_USER if access.lacks_users() else ""
        return shared.page(
            request, "sign_in.html", status, next=to, name=name, problem=problem, first_user=first
        )

    @app.get("/sign-in", include_in_schema=False)
    def sign_in_page(request: Request, to: Next = "/") -> Response:
        leads_to = safe_next(to)
        if person(request).kind == "session":
            return RedirectResponse(leads_to, status_code=303)
        return show(request, leads_to)

    @app.post("/sign-in", include_in_schema=False)
    def try_sign_in(request: Request, form: ReadForm) -> Response:
        to, name = safe_next(form.text("next")), form.text("name")
        # Blanks around a password belong to it.
        password = form.fields.get("password", [""])[-1]
        address = request.client.host if request.client else ""
        try:
            welcome = sign_in(access, name, password, address, request.cookies.get(SESSION_COOKIE, ""))
        except WaitError:
            wait_s = access.settings.sign_in_window_s
            minutes = max(1, round(wait_s / 60))
            problem = f"There were too many wrong tries. Wait up to {minutes} min, then try again."
            response = show(request, to, 429, name, problem)
            response.headers["Retry-After"] = str(round(wait_s))
            return response
        if welcome is None:
            return show(request, to, 401, name, WRONG)
        response = RedirectResponse(to, status_code=303)
        give_session(response, request, welcome.secret)
        return response

    @app.post("/sign-out", include_in_schema=False, dependencies=VIEWER)
    def sign_out(request: Request, form: ReadForm) -> Response:
        about_act(request, "sign out", "")
        with shared.store.writing() as connection:
            end_session(connection, person(request).session)
        response = RedirectResponse("/sign-in", status_code=303)
        take_session(response, request)
        return response
