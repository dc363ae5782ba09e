"""The API of alarms: the list, one history, and doing something with alarms."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339, subject
from standingwatch.alarms.handling import Act
from standingwatch.store.desk_pages import changes_of_alarm
from standingwatch.store.handling import act_on, handling_history
from standingwatch.web import api_models as models
from standingwatch.web import words
from standingwatch.web.access import OPERATOR, VIEWER, about_act
from standingwatch.web.alarm_data import alarm_data, name_data
from standingwatch.web.desk import STATES, AlarmChoice, DeskAlarm, chosen_alarms
from standingwatch.web.form import who
from standingwatch.web.naming import find_key
from standingwatch.web.problems import PROBLEM_JSON, PROBLEM_SCHEMA, problem, problem_responses
from standingwatch.web.shared import Shared, condition_of, one_of, severity_of

#: Changes in one history, the newest.
CHANGES = 1000

_NAMES = {"type": "array", "items": {"$ref": "#/components/schemas/AlarmName"}}
_TEXT = {"type": "string"}
_REFUSED = {
    "type": "object",
    "required": ["subject", "condition", "reason"],
    "properties": {"subject": _TEXT, "condition": _TEXT, "reason": _TEXT},
}

#: The answer to an act that was refused for some or all alarms, as the description of the API shows it.
REFUSED_ACT: dict[str, Any] = {
    "description": "Refused for at least one of the alarms: which, and why; and which it was done to.",
    "content": {
        PROBLEM_JSON: {
            "schema": {
                "allOf": [
                    PROBLEM_SCHEMA,
                    {
                        "type": "object",
                        "required": ["done", "refused"],
                        "properties": {"done": _NAMES, "refused": {"type": "array", "items": _REFUSED}},
                    },
                ]
            }
        }
    },
}

Word = Annotated[str, Query(max_length=100)]
Subject = Annotated[str, Query(max_length=300)]
Cursor = Annotated[str, Query(max_length=1000)]
Limit = Annotated[int, Query(ge=1, le=500)]

Place = tuple[int, int, str, str]


def add_alarm_api(app: FastAPI, shared: Shared) -> None:
    """Add the routes about alarms."""

    @app.get(
        "/api/alarms",
        response_model=models.Alarms,
        responses=problem_responses(400),
        tags=["alarms"],
        dependencies=VIEWER,
    )
    def alarms(
        severity: Word = "",
        region: Word = "",
        condition: Word = "",
        state: Word = "",
        text: Word = "",
        limit: Limit = 50,
        cursor: Cursor = "",
    ) -> dict[str, Any]:
        """Alarms that stand, gravest first, then the newest.

        `severity`: at least so grave. `state`: `unacknowledged`, `acknowledged`, `shelved`, or of those
        that do not stand any more `ended` (not closed) and `closed`. `text`: in a name or the
        alarm's text. `cursor`: the `next` of the page before; what changes its place between two pages may
        come twice or not at all.
        """
        choice = AlarmChoice(
            severity_of(severity),
            region.strip(),
            condition_of(condition),
            one_of("state", state, tuple(STATES)),
            text.strip(),
        )
        after = _place_of(cursor) if cursor else None
        now_us = shared.clock()
        with shared.store.reading() as connection:
            chosen = chosen_alarms(connection, shared.cache.roster(connection), now_us, choice)
        return {"time": rfc3339(now_us), "total": len(chosen), **_page(chosen, after, limit)}

    @app.get(
        "/api/alarms/history",
        response_model=models.History,
        responses=problem_responses(400, 404),
        tags=["alarms"],
        dependencies=VIEWER,
    )
    def history(subject: Subject, condition: Word) -> dict[str, Any]:
        """What one alarm did, and what was done with it."""
        with shared.store.reading() as connection:
            key = find_key(connection, subject, condition)
            if key is None:
                raise HTTPException(404, f"There is no alarm “{condition}” about “{subject}”.")
            changes = changes_of_alarm(connection, key, CHANGES)
            handling = handling_history(connection, key)
        return {
            **name_data(key),
            "changes": [
                {
                    "time": rfc3339(change.time_us),
                    "kind": change.kind,
                    "severity": change.severity.word,
                    "text": change.text,
                }
                for change in reversed(changes)
            ],
            "handling": [
                {
                    "time": rfc3339(line.time_us),
                    "by": line.by,
                    "act": line.act.value,
                    "operator_state": line.state.value,
                    "text": line.text,
                }
                for line in handling
            ],
        }

    @app.post(
        "/api/alarms/act",
        response_model=models.ActDone,
        responses={
            **problem_responses(400, 403, 415, 422),
            409: REFUSED_ACT,
        },
        tags=["alarms"],
        dependencies=OPERATOR,
    )
    def act(request: Request, given: models.ActGiven) -> Response:
        """Do something with alarms.

        Where it is refused for one, it is done to the others all the same; the answer is 409 then, and
        names both.
        """
        by, what = who(request), Act(given.act)
        named = "; ".join(f"{one.condition} {one.subject}" for one in given.alarms)
        about_act(request, f"alarms: {given.act}", named)
        with shared.store.writing() as connection:
            found = [find_key(connection, one.subject, one.condition) for one in given.alarms]
            keys = [key for key in found if key is not None]
            result = act_on(connection, keys, what, by=by, now_us=shared.clock(), text=given.text)
        refused: list[dict[str, str]] = [
            {"subject": one.subject, "condition": one.condition, "reason": "there is no such alarm"}
            for one, key in zip(given.alarms, found, strict=True)
            if key is None
        ]
        refused += [{**name_data(key), "reason": reason} for key, reason in result.refused]
        done = [name_data(key) for key in result.done]
        if refused:
            detail = (
                f"{given.act} was refused for {words.several(len(refused), 'alarm')} of {len(given.alarms)}."
            )
            return problem(409, detail, done=done, refused=refused)
        return JSONResponse({"act": given.act, "done": done})


def _place(one: DeskAlarm) -> Place:
    """Where an alarm stands in the list: what is less comes before."""
    alarm = one.alarm
    gravity = 0 if alarm.is_cleared else -int(alarm.severity)
    time_us = alarm.changed_us if alarm.is_cleared else alarm.raised_us
    return (gravity, -time_us, subject(alarm.key), alarm.key.condition.value)


def _page(chosen: Sequence[DeskAlarm], after: Place | None, limit: int) -> dict[str, Any]:
    """The alarms behind a place, and the cursor of those behind them."""
    ordered = sorted(chosen, key=_place)
    rest = [one for one in ordered if after is None or _place(one) > after]
    shown = rest[:limit]
    return {
        "alarms": [alarm_data(one) for one in shown],
        "next": _cursor_of(_place(shown[-1])) if len(rest) > limit else None,
    }


def _cursor_of(place: Place) -> str:
    return base64.urlsafe_b64encode(json.dumps(place).encode()).decode().rstrip("=")


def _place_of(cursor: str) -> Place:
    """The place that a cursor names; status 400 for one that we did not make."""
    try:
        gravity, time_us, subject_text, condition = json.loads(
            base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
        )
        return (int(gravity), int(time_us), str(subject_text), str(condition))
    except (ValueError, TypeError) as error:
        raise HTTPException(
            400, "Got a cursor that is none, wanted the “next” of the page before."
        ) from error
