"""The page of one's own account: sessions and password; and the audit, for administrators."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from standingwatch.store.access import (
    end_session,
    end_sessions,
    load_user,
    sessions_of,
    set_password,
)
from standingwatch.store.audit import load_audit
from standingwatch.store.passwords import (
    LONGEST,
    SHORTEST,
    hash_password,
    password_fits,
    password_problems,
)
from standingwatch.store.sign_ins import begin_try, load_sign_ins, note_success
from standingwatch.web.access import ADMINISTRATOR, VIEWER, Person, about_act, person
from standingwatch.web.access_gate import Access
from standingwatch.web.form import ReadForm
from standingwatch.web.outcomes import Outcome
from standingwatch.web.shared import Shared
from standingwatch.web.sign_in import give_session, start_session

#: Lines of the audit on a page, and wrong sign-ins beside them.
LINES, WRONG_SIGN_INS = 100, 20

Word = Annotated[str, Query(max_length=100)]
Number = Annotated[int | None, Query(ge=1, lt=2**63)]


def add_access_pages(app: FastAPI, shared: Shared, access: Access) -> None:
    """Add the pages of one's own account and of the audit."""

    @app.get("/account", include_in_schema=False, dependencies=VIEWER)
    def account(request: Request) -> Response:
        me = person(request)
        with shared.store.reading() as connection:
            sessions = (
                sessions_of(connection, me.name, shared.clock(), access.idle_us) if _is_user(me) else []
            )
        return shared.page(
            request, "account.html", me=me, sessions=sessions, shortest=SHORTEST, longest=LONGEST
        )

    @app.post("/account/password", include_in_schema=False, dependencies=VIEWER)
    def change_password(request: Request, form: ReadForm) -> Response:
        me = user_who_asks(person(request))
        about_act(request, "change one's own password", me.name)
        address = request.client.host if request.client else ""
        old, new, again = (form.fields.get(name, [""])[-1] for name in ("old", "new", "again"))
        problems, new_hash = new_password(access, me, old, new, address, again)
        if problems:
            outcome = Outcome("The password was not changed", problems=tuple(problems))
            return shared.send_on("/account", outcome)
        with shared.store.writing() as connection:
            set_password(connection, me.name, new_hash)
            secret = start_session(access, me.name, connection)
        response = shared.send_on(
            "/account", Outcome("The password is changed; you are signed out everywhere else")
        )
        give_session(response, request, secret)
        return response

    @app.post("/account/sessions/end", include_in_schema=False, dependencies=VIEWER)
    def end_own_sessions(request: Request, form: ReadForm) -> Response:
        me, which = user_who_asks(person(request)), form.text("session")
        about_act(request, "end one's own sessions", "all others" if which == "others" else "one")
        with shared.store.writing() as connection:
            if which == "others":
                ended = end_sessions(connection, me.name, but=me.session)
            else:
                ended = int(end_session(connection, which, me.name))
        if which == me.session:
            return RedirectResponse("/sign-in", status_code=303)
        if not ended:
            return shared.send_on("/account", Outcome("No other session was there to end"))
        return shared.send_on("/account", Outcome("Signed out there"))

    @app.get("/audit", include_in_schema=False, dependencies=ADMINISTRATOR)
    def audit(request: Request, by: Word = "", words: Word = "", before: Number = None) -> Response:
        with shared.store.reading() as connection:
            found = load_audit(connection, LINES + 1, before=before, by=by.strip(), words=words.strip())
            wrong = load_sign_ins(connection, WRONG_SIGN_INS, failed_only=True)
        return shared.page(
            request,
            "audit.html",
            lines=found[:LINES],
            older=found[LINES - 1].number if len(found) > LINES else None,
            wrong=wrong,
            chosen_by=by,
            chosen_words=words,
        )


def _is_user(me: Person) -> bool:
    return me.kind == "session"


def user_who_asks(me: Person) -> Person:
    """Whoever asks, if they have signed in by a name and a password."""
    if not _is_user(me):
        raise HTTPException(403, "Only somebody who has signed in by name and password has an account.")
    return me


def new_password(
    access: Access, me: Person, old: str, new: str, address: str, again: str | None = None
) -> tuple[list[str], str]:
    """What is wrong with a change of one's own password; else the hash of the new one.

    Args:
        access: how many tries there are.
        me: whose.
        old, new: the two passwords.
        address: where from.
        again: the new one typed once more; None where nobody types.
    """
    problems = password_problems(new, me.name)
    if again is not None and new != again:
        problems.append("password: the new one was not typed alike twice")
    if problems:
        return problems, ""
    settings = access.settings
    with access.store.writing() as connection:
        user = load_user(connection, me.name)
        # Whoever finds a browser that is signed in gets no more tries at its password than at the sign-in.
        number = begin_try(
            connection,
            me.name,
            address,
            known=True,
            now_us=access.clock(),
            tries=settings.sign_in_tries,
            window_us=round(settings.sign_in_window_s * 1e6),
        )
    if number is None:
        return ["old password: too many wrong tries; wait, then try again"], ""
    if user is None or not password_fits(old[: LONGEST + 1], user.password_hash):
        return ["old password: it is wrong"], ""
    with access.store.writing() as connection:
        note_success(connection, number)
    return [], hash_password(new)
