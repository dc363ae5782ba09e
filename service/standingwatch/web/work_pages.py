"""The page of work on record: what is coming, under way and over, entering a window, ending one."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import FastAPI, Request
from fastapi.responses import Response
from sqlalchemy import Connection

from standingwatch.alarms.handling import LONGEST_TEXT
from standingwatch.inventory.maintenance import KINDS
from standingwatch.store.desk_pages import window_is_from_file
from standingwatch.store.windows import end_window, load_windows
from standingwatch.web.access import OPERATOR, VIEWER, about_act
from standingwatch.web.entries import HOUR_US, BadEntryError, WindowEntry, enter_window, utc_input
from standingwatch.web.form import Form, ReadForm, who
from standingwatch.web.outcomes import Outcome
from standingwatch.web.shared import Shared

#: Work that was over so long ago is still listed [us].
PAST_US = 30 * 24 * HOUR_US

#: What the form holds before anybody has entered anything.
EMPTY = {"site": "", "transmitter": "", "kind": "visit", "start": "", "end": "", "note": ""}

FROM_FILE = "it came with the maintenance file; end it there and import the file again"


def ended(connection: Connection, number: int, by: str, now_us: int) -> str:
    """End a window of work; "" when that was done, else why not."""
    if end_window(connection, number, by=by, now_us=now_us):
        return ""
    if window_is_from_file(connection, number):
        return FROM_FILE
    return f"there is no window of work {number} that is not over yet"


def add_work_pages(app: FastAPI, shared: Shared) -> None:
    """Add the page of work on record and its forms."""

    def show(
        request: Request,
        status: int = 200,
        entered: Mapping[str, str] = EMPTY,
        problems: tuple[str, ...] = (),
    ) -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            windows = load_windows(connection, now_us - PAST_US)
        return shared.page(
            request,
            "work.html",
            status,
            coming=[one for one in windows if one.window.start_us > now_us],
            under_way=[one for one in windows if one.window.start_us <= now_us < one.window.end_us],
            past=[one for one in reversed(windows) if one.window.end_us <= now_us],
            entered=entered,
            problems=problems,
            kinds=KINDS,
            roster=roster,
            longest_text=LONGEST_TEXT,
            now_us=now_us,
        )

    @app.get("/work", include_in_schema=False, dependencies=VIEWER)
    def work_page(request: Request) -> Response:
        return show(request)

    @app.post("/work", include_in_schema=False, dependencies=OPERATOR)
    def enter_work(request: Request, form: ReadForm) -> Response:
        where = " ".join(filter(None, (form.text("site"), form.text("transmitter"))))
        about_act(request, "enter a window of work", f"{where}, {form.text('kind')}")
        try:
            with shared.store.writing() as connection:
                roster = shared.cache.roster(connection)
                number = enter_window(connection, roster, _entry(form, who(request)))
        except BadEntryError as error:
            entered = {name: form.text(name) for name in EMPTY}
            return show(request, 422, entered, error.problems)
        return shared.send_on("/work", Outcome(f"Window of work {number} entered"))

    @app.post("/work-end", include_in_schema=False, dependencies=OPERATOR)
    def end_work(request: Request, form: ReadForm) -> Response:
        text = form.text("number")
        about_act(request, "end a window of work", text)
        why = f"there is no window of work “{text}”"
        if text.isdecimal() and len(text) < 18:
            with shared.store.writing() as connection:
                why = ended(connection, int(text), who(request), shared.clock())
        if why:
            return shared.send_on("/work", Outcome("Nothing was done", problems=(f"Window {text}: {why}.",)))
        return shared.send_on("/work", Outcome(f"Window of work {text} ended"))


def _entry(form: Form, by: str) -> WindowEntry:
    """The window of a form; its times are in UTC and do not say so."""
    return WindowEntry(
        form.text("site"),
        form.text("transmitter"),
        utc_input(form.text("start")),
        utc_input(form.text("end")),
        form.text("kind"),
        form.text("note"),
        by,
    )
