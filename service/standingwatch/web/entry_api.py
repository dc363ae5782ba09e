"""The API of shelves and windows of work."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Path, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.readings import BadTimeError, parse_time
from standingwatch.store.desk_pages import window_is_from_file
from standingwatch.store.handling import end_shelf, shelf_positions
from standingwatch.store.windows import EnteredWindow, load_windows
from standingwatch.web import api_models as models
from standingwatch.web.access import OPERATOR, VIEWER, person
from standingwatch.web.alarm_data import name_data, window_data
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.entries import BadEntryError, ShelfEntry, WindowEntry, enter_shelf, enter_window
from standingwatch.web.form import who
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.shared import Shared
from standingwatch.web.shelf_pages import ShelfView, past_shelves, shelf_views
from standingwatch.web.work_pages import PAST_US, ended

Number = Annotated[int, Path(ge=1, lt=2**63)]

#: Cursors of the lists.
SHELVES, ENDED_SHELVES, WORK = "shelves", "ended-shelves", "work"

_CHANGED = (400, 403, 415, 422)


def add_entry_api(app: FastAPI, shared: Shared) -> None:
    """Add the routes about shelves and work."""

    @app.get(
        "/api/shelves",
        response_model=models.Shelves,
        responses=problem_responses(400),
        tags=["shelves"],
        dependencies=VIEWER,
    )
    def shelves(ended: bool = False, limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """The shelves that hold, in their order, each with the standing alarms on it.

        `ended`: in their place those that ended in the last 30 days, the last one first; they take nothing.
        """
        of = ENDED_SHELVES if ended else SHELVES
        now_us, place = shared.clock(), place_of(of, cursor, int, int)
        with shared.store.reading() as connection:
            if ended:
                views = [ShelfView(shelf, ()) for shelf in past_shelves(connection, now_us)]
            else:
                views = shelf_views(connection, shared.cache.roster(connection), now_us)
            positions = shelf_positions(connection)
        at = {v.shelf.number: -v.shelf.until_us if ended else positions[v.shelf.number] for v in views}
        rest = [v for v in views if place is None or (at[v.shelf.number], v.shelf.number) > place]
        last = rest[limit - 1].shelf.number if len(rest) > limit else None
        return {
            "time": rfc3339(now_us),
            "total": len(views),
            "shelves": [_shelf(view) for view in rest[:limit]],
            "next": None if last is None else cursor_of(of, at[last], last),
        }

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

    @app.get(
        "/api/work",
        response_model=models.Windows,
        responses=problem_responses(400),
        tags=["work"],
        dependencies=VIEWER,
    )
    def work(limit: Limit = 100, cursor: Cursor = "") -> dict[str, Any]:
        """Windows of work: coming, under way, and over for no more than 30 days, by their beginning."""
        now_us, after = shared.clock(), place_of(WORK, cursor, int, int)
        with shared.store.reading() as connection:
            found = load_windows(connection, now_us - PAST_US, after=after, limit=limit + 1)
        more = None
        if len(found) > limit:
            more = cursor_of(WORK, found[limit - 1].window.start_us, found[limit - 1].number)
        return {"time": rfc3339(now_us), "work": [_window(one) for one in found[:limit]], "next": more}

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
    def end_one_window(request: Request, number: Number) -> Response:
        """End a window of work now, or take it away if it has not begun; not one that an import brought."""
        with shared.store.writing() as connection:
            why = ended(connection, number, who(request), shared.clock())
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
        "ended_by": one.ended_by or None,
        "note": one.note,
    }
