"""The API of shelves and windows of work."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Path, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.readings import BadTimeError, parse_time
from standingwatch.store.desk_pages import window_is_from_file
from standingwatch.store.handling import EnteredWindow, end_shelf, load_windows
from standingwatch.web import api_models as models
from standingwatch.web.access import OPERATOR, VIEWER, person
from standingwatch.web.alarm_data import name_data, window_data
from standingwatch.web.entries import BadEntryError, ShelfEntry, WindowEntry, enter_shelf, enter_window
from standingwatch.web.form import who
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.shared import Shared
from standingwatch.web.shelf_pages import ShelfView, shelf_views
from standingwatch.web.work_pages import PAST_US, ended

Number = Annotated[int, Path(ge=1, lt=2**63)]

_CHANGED = (400, 403, 415, 422)


def add_entry_api(app: FastAPI, shared: Shared) -> None:
    """Add the routes about shelves and work."""

    @app.get("/api/shelves", response_model=models.Shelves, tags=["shelves"], dependencies=VIEWER)
    def shelves() -> dict[str, Any]:
        """The shelves that hold, in their order, each with the standing alarms on it."""
        now_us = shared.clock()
        with shared.store.reading() as connection:
            views = shelf_views(connection, shared.cache.roster(connection), now_us)
        return {"time": rfc3339(now_us), "shelves": [_shelf(view) for view in views]}

    @app.post(
        "/api/shelves",
        response_model=models.Shelf,
        status_code=201,
        responses=problem_responses(*_CHANGED),
        tags=["shelves"],
        dependencies=OPERATOR,
    )
    def make_shelf(request: Request, given: models.ShelfGiven) -> Any:
        """Make a shelf."""
        now_us = shared.clock()
        before, until_us = _until(given, now_us)
        entry = ShelfEntry(
            given.model_dump(include={"site", "region", "transmitter", "condition"}),
            given.up_to,
            until_us,
            given.reason,
            who(request),
            given.first,
            may_be_long=person(request).may("engineer"),
        )
        try:
            with shared.store.writing() as connection:
                roster = shared.cache.roster(connection)
                number = enter_shelf(connection, roster, entry, now_us, before)
                views = shelf_views(connection, roster, now_us)
        except BadEntryError as error:
            return problem(422, str(error), problems=list(error.problems))
        return next(_shelf(view) for view in views if view.shelf.number == number)

    @app.delete(
        "/api/shelves/{number}",
        status_code=204,
        responses=problem_responses(400, 403, 404),
        tags=["shelves"],
        dependencies=OPERATOR,
    )
    def end_one_shelf(request: Request, number: Number) -> Response:
        """End a shelf before its time."""
        with shared.store.writing() as connection:
            if not end_shelf(connection, number, by=who(request), now_us=shared.clock()):
                raise HTTPException(404, f"There is no shelf {number} that still holds.")
        return Response(status_code=204)

    @app.get("/api/work", response_model=models.Windows, tags=["work"], dependencies=VIEWER)
    def work() -> dict[str, Any]:
        """Windows of work: coming, under way, and over for no more than 30 days."""
        now_us = shared.clock()
        with shared.store.reading() as connection:
            windows = load_windows(connection, now_us - PAST_US)
        return {"time": rfc3339(now_us), "work": [_window(one) for one in windows]}

    @app.post(
        "/api/work",
        response_model=models.WindowOfWork,
        status_code=201,
        responses=problem_responses(*_CHANGED),
        tags=["work"],
        dependencies=OPERATOR,
    )
    def enter_work(request: Request, given: models.WorkGiven) -> Any:
        """Enter a window of work."""
        entry = WindowEntry(**given.model_dump(), by=who(request))
        try:
            with shared.store.writing() as connection:
                number = enter_window(connection, shared.cache.roster(connection), entry)
                windows = load_windows(connection)
        except BadEntryError as error:
            return problem(422, str(error), problems=list(error.problems))
        return next(_window(one) for one in windows if one.number == number)

    @app.delete(
        "/api/work/{number}",
        status_code=204,
        responses=problem_responses(400, 403, 404, 409),
        tags=["work"],
        dependencies=OPERATOR,
    )
    def end_one_window(number: Number) -> Response:
        """End a window of work now, or take it away if it has not begun; not one that an import brought."""
        with shared.store.writing() as connection:
            why = ended(connection, number, shared.clock())
            from_file = bool(why) and window_is_from_file(connection, number)
        if why:
            raise HTTPException(409 if from_file else 404, f"Window {number}: {why}.")
        return Response(status_code=204)


def _until(given: models.ShelfGiven, now_us: int) -> tuple[tuple[str, ...], int]:
    """Problems, and when a shelf that is asked for ends [Unix microseconds]."""
    if (given.until is None) == (given.for_s is None):
        return ("until, for_s: wanted one of the two",), now_us
    if given.for_s is not None:
        return (), now_us + round(given.for_s * 1e6)
    try:
        return (), parse_time(given.until or "")
    except BadTimeError as error:
        return (f"until: got “{given.until}”: {error}",), now_us


def _shelf(view: ShelfView) -> dict[str, Any]:
    shelf = view.shelf
    return {
        "number": shelf.number,
        "site": shelf.site,
        "region": shelf.region,
        "transmitter": shelf.transmitter,
        "condition": shelf.condition,
        "up_to": shelf.up_to.word,
        "since": rfc3339(shelf.from_us),
        "until": rfc3339(shelf.until_us),
        "reason": shelf.reason,
        "by": shelf.by,
        "takes": [name_data(one.alarm.key) for one in view.takes],
    }


def _window(one: EnteredWindow) -> dict[str, Any]:
    return {
        "number": one.number,
        **window_data(one.window),
        "entered_by": one.entered_by,
        "note": one.note,
    }
