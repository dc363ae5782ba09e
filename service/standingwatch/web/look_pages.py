"""What changed since somebody's last look: a page, the same as data, and saying that all of it is seen."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339, subject
from standingwatch.readings import BadTimeError, parse_time
from standingwatch.store.looks import Course, Turn, keep_look, last_look
from standingwatch.web import board_models as models
from standingwatch.web import words
from standingwatch.web.access import VIEWER, about_act
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.form import ReadForm
from standingwatch.web.look import LONGEST_US, TURN_WORDS, Look, look_of, look_since, looker
from standingwatch.web.outcomes import Outcome
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared

#: Cursors of the list.
SINCE = "since"

HOUR_US = 3_600_000_000

#: Where nobody says when they looked last, a page shows this much [hours].
USUAL_HOURS = 24

#: Alarms of each kind that a page lists.
MOST_LISTED = 200

Hours = Annotated[int | None, Query(ge=1, le=LONGEST_US // HOUR_US)]


def add_look_pages(app: FastAPI, shared: Shared) -> None:
    """Add the routes of what is new."""

    def news(request: Request, hours: int | None) -> tuple[Look, int]:
        """What is new: in the last hours, else since the last look, else in the last day."""
        now_us, user = shared.clock(), looker(request)
        with shared.store.reading() as connection:
            look = None if hours is not None else look_of(connection, user, now_us)
            if look is None or look.since_us is None:
                since_us = now_us - (hours or USUAL_HOURS) * HOUR_US
                look = look_since(connection, since_us, now_us, user)
        return look, now_us

    @app.get("/since", include_in_schema=False, dependencies=VIEWER)
    def since_page(request: Request, hours: Hours = None) -> Response:
        look, now_us = news(request, hours)
        with shared.store.reading() as connection:
            titles = shared.cache.roster(connection).title_of_site
        parts = [
            (turn, text, [one for one in look.courses if one.turn is turn])
            for turn, text in TURN_WORDS.items()
        ]
        return shared.page(
            request,
            "since.html",
            look=look,
            hours=hours,
            parts=[part for part in parts if part[2]],
            titles=titles,
            most=MOST_LISTED,
            now_us=now_us,
        )

    @app.post("/since/looked", include_in_schema=False, dependencies=VIEWER)
    def looked(request: Request, form: ReadForm) -> Response:
        about_act(request, "look at the board", "")
        user, until, now_us = _somebody(request), form.text("until"), shared.clock()
        if not until.isdecimal() or len(until) > 17:
            raise HTTPException(400, "The form does not say what was looked at. Load the page again.")
        until_us = min(int(until), now_us)
        with shared.store.writing() as connection:
            keep_look(connection, user, until_us)
        title = f"Seen: what changes after {words.utc(until_us)} is new for you"
        return shared.send_on("/", Outcome(title))

    @app.get(
        "/api/since",
        response_model=models.Since,
        responses=problem_responses(400),
        dependencies=VIEWER,
        tags=["board"],
    )
    def since_data(
        request: Request, hours: Hours = None, limit: Limit = 200, cursor: Cursor = ""
    ) -> dict[str, Any]:
        """What alarms have done in the last hours; without `hours` since one's last look, else in a day.

        What changes its place between two pages may come twice or not at all.
        """
        place = place_of(SINCE, cursor, int, int, int, str, str)
        look, now_us = news(request, hours)
        ordered = sorted(look.courses, key=_place)
        rest = [one for one in ordered if place is None or _place(one) > place]
        return {
            "time": rfc3339(now_us),
            "since": rfc3339(look.since_us) if look.since_us is not None else None,
            "until": rfc3339(look.until_us),
            "counts": {turn.value: look.counts[turn] for turn in Turn},
            "alarms": [
                {
                    "subject": subject(one.key),
                    "condition": one.key.condition.value,
                    "turn": one.turn.value,
                    "severity_before": one.before.word,
                    "severity": one.after.word,
                    "noted": rfc3339(one.time_us),
                    "text": one.text,
                }
                for one in rest[:limit]
            ],
            "next": cursor_of(SINCE, *_place(rest[limit - 1])) if len(rest) > limit else None,
        }

    @app.post(
        "/api/since",
        response_model=models.LookKept,
        responses=problem_responses(400, 403, 422),
        dependencies=VIEWER,
        tags=["board"],
    )
    def look_at(request: Request, given: models.LookGiven) -> dict[str, Any]:
        """Keep that whoever asks has seen what there was up to a time; what is kept is never moved back."""
        about_act(request, "look at the board", "")
        user = _somebody(request)
        try:
            until_us = min(parse_time(given.until), shared.clock())
        except BadTimeError as error:
            raise HTTPException(422, f"until: got “{given.until}”: {error}.") from error
        with shared.store.writing() as connection:
            keep_look(connection, user, until_us)
            kept_us = last_look(connection, user)
        return {"seen_until": rfc3339(until_us if kept_us is None else kept_us)}


def _place(one: Course) -> tuple[int, int, int, str, str]:
    """Where an alarm is in the list: what is less comes before."""
    return (-one.after, -one.before, -one.time_us, subject(one.key), one.key.condition.value)


def _somebody(request: Request) -> str:
    """Who looks; status 403 for nobody in particular."""
    user = looker(request)
    if not user:
        raise HTTPException(403, "Sign in, so that it is known who has looked. Nothing was changed.")
    return user
