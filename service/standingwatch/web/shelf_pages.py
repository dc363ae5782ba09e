"""The page of shelves: which there are and what each takes just now, making one, ending one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import FastAPI, Request
from fastapi.responses import Response
from sqlalchemy import Connection

from standingwatch.alarms.handling import LONGEST_TEXT
from standingwatch.alarms.shelving import Shelf
from standingwatch.detect.words import Condition
from standingwatch.store.alarming import standing_alarms
from standingwatch.store.handling import end_shelf, load_shelves
from standingwatch.web import words
from standingwatch.web.access import OPERATOR, VIEWER, Person, about_act, person
from standingwatch.web.desk import Desk, DeskAlarm
from standingwatch.web.entries import (
    HOUR_US,
    NAMES,
    BadEntryError,
    ShelfEntry,
    enter_shelf,
    until_of,
)
from standingwatch.web.form import Form, ReadForm, who
from standingwatch.web.outcomes import Outcome
from standingwatch.web.roster import Roster
from standingwatch.web.shared import Shared

#: Shelves that ended so long ago are still listed [us].
PAST_US = 30 * 24 * HOUR_US

#: What the form holds before anybody has entered anything.
EMPTY = {
    **dict.fromkeys(NAMES, ""),
    "up_to": "minor",
    "length": "8",
    "unit": "hours",
    "reason": "",
    "first": "",
}


@dataclass(frozen=True)
class ShelfView:
    """A shelf and the standing alarms that lie on it."""

    shelf: Shelf
    takes: tuple[DeskAlarm, ...]


def shelf_views(connection: Connection, roster: Roster, now_us: int) -> list[ShelfView]:
    """The shelves that hold, in order, each with the standing alarms on it."""
    desk = Desk(connection, roster, now_us)
    standing = desk.sees(standing_alarms(connection))
    return [
        ShelfView(
            shelf,
            tuple(one for one in standing if one.shelf is not None and one.shelf.number == shelf.number),
        )
        for shelf in desk.shelves
        if shelf.holds(now_us)
    ]


def past_shelves(connection: Connection, now_us: int) -> list[Shelf]:
    """Shelves that ended within `PAST_US`, the last one first."""
    every = load_shelves(connection, ended_too=True)
    past = [shelf for shelf in every if now_us - PAST_US <= shelf.until_us <= now_us]
    return sorted(past, key=lambda shelf: (-shelf.until_us, shelf.number))


def add_shelf_pages(app: FastAPI, shared: Shared) -> None:
    """Add the page of shelves and its forms."""

    def show(
        request: Request,
        status: int = 200,
        entered: Mapping[str, str] = EMPTY,
        problems: tuple[str, ...] = (),
    ) -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            holding = shelf_views(connection, roster, now_us)
            past = past_shelves(connection, now_us)
        return shared.page(
            request,
            "shelves.html",
            status,
            holding=holding,
            past=past,
            entered=entered,
            problems=problems,
            roster=roster,
            conditions=list(Condition),
            longest_text=LONGEST_TEXT,
            now_us=now_us,
        )

    @app.get("/shelves", include_in_schema=False, dependencies=VIEWER)
    def shelves_page(request: Request) -> Response:
        return show(request)

    @app.post("/shelves", include_in_schema=False, dependencies=OPERATOR)
    def make_shelf(request: Request, form: ReadForm) -> Response:
        now_us = shared.clock()
        about_act(request, "make a shelf", " ".join(filter(None, (form.text(name) for name in NAMES))))
        try:
            number, view = _made(shared, form, person(request), now_us)
        except BadEntryError as error:
            entered = {name: form.text(name) for name in EMPTY}
            return show(request, 422, entered, error.problems)
        taken = words.several(len(view.takes), "standing alarm") if view else "no standing alarm"
        title = f"Shelf {number} made; it takes {taken} now"
        return shared.send_on("/shelves", Outcome(title))

    @app.post("/shelves/end", include_in_schema=False, dependencies=OPERATOR)
    def end_shelf_page(request: Request, form: ReadForm) -> Response:
        by, text = who(request), form.text("number")
        about_act(request, "end a shelf", text)
        ended = False
        if text.isdecimal() and len(text) < 18:
            with shared.store.writing() as connection:
                ended = end_shelf(connection, int(text), by=by, now_us=shared.clock())
        if not ended:
            problems = (f"There is no shelf “{text}” that still holds.",)
            return shared.send_on("/shelves", Outcome("Nothing was done", problems=problems))
        return shared.send_on("/shelves", Outcome(f"Shelf {text} ended; what it held is told again"))


def _made(shared: Shared, form: Form, by: Person, now_us: int) -> tuple[int, ShelfView | None]:
    """Make the shelf of a form; its number, and what it takes."""
    until_us, before = now_us, tuple[str, ...]()
    try:
        until_us = until_of(form.text("length"), form.text("unit"), now_us)
    except BadEntryError as error:
        before = error.problems
    entry = ShelfEntry(
        {name: form.text(name) for name in NAMES},
        form.text("up_to"),
        until_us,
        form.text("reason"),
        by.name,
        bool(form.text("first")),
        by.may("engineer"),
    )
    with shared.store.writing() as connection:
        roster = shared.cache.roster(connection)
        number = enter_shelf(connection, roster, entry, now_us, before)
        views = shelf_views(connection, roster, now_us)
    return number, next((view for view in views if view.shelf.number == number), None)
