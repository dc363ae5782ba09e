"""The API of alarms: the list, one history, all changes, and doing something with alarms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from fastapi.responses import JSONResponse, Response
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339, subject
from standingwatch.alarms.handling import Act, HandlingChange
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition
from standingwatch.store.alarming import PastChange, recent_changes
from standingwatch.store.desk_pages import changes_of_alarm, handled_alarm
from standingwatch.store.ended import count_ended, ended_page
from standingwatch.store.handling import act_on, handling_history
from standingwatch.web import api_models as models
from standingwatch.web import words
from standingwatch.web.access import OPERATOR, VIEWER, about_act
from standingwatch.web.alarm_data import alarm_data, name_data
from standingwatch.web.cursors import WRONG, Cursor, Limit, cursor_of, place_of
from standingwatch.web.desk import STATES, AlarmChoice, Desk, DeskAlarm, chosen_alarms, ended_choice
from standingwatch.web.form import who
from standingwatch.web.naming import CONDITIONS, find_key
from standingwatch.web.problems import PROBLEM_JSON, PROBLEM_SCHEMA, problem, problem_responses
from standingwatch.web.roster import Roster
from standingwatch.web.shared import Shared, condition_of, one_of, severity_of

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

Place = tuple[int, int, str, str]

#: Cursors of the lists: of alarms that stand, of those that ended, of all changes, of one alarm's history.
STANDING, ENDED, CHANGES, HISTORY = "standing", "ended", "changes", "history"


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
        """Alarms that stand, gravest first, then the newest; or those that have ended, the last one first.

        `severity`: at least so grave. `state`: `unacknowledged`, `acknowledged`, `shelved`, or of those
        that do not stand any more `ended` (not closed) and `closed`. `text`: in a name or the
        alarm's text. What changes its place between two pages may come twice or not at all.
        """
        choice = AlarmChoice(
            severity_of(severity),
            region.strip(),
            condition_of(condition),
            one_of("state", state, tuple(STATES)),
            text.strip(),
        )
        now_us = shared.clock()
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            page = _ended if choice.is_about_ended else _standing
            return {"time": rfc3339(now_us), **page(connection, roster, now_us, choice, cursor, limit)}

    @app.get(
        "/api/alarms/changes",
        response_model=models.Changes,
        responses=problem_responses(400),
        tags=["alarms"],
        dependencies=VIEWER,
    )
    def changes(limit: Limit = 50, cursor: Cursor = "") -> dict[str, Any]:
        """What all alarms did, the newest first."""
        place = place_of(CHANGES, cursor, int)
        with shared.store.reading() as connection:
            found = recent_changes(connection, limit + 1, None if place is None else place[0])
        more = cursor_of(CHANGES, found[limit - 1].number) if len(found) > limit else None
        return {"changes": [_told_change(change) for change in found[:limit]], "next": more}

    @app.get(
        "/api/alarms/history",
        response_model=models.History,
        responses=problem_responses(400, 404),
        tags=["alarms"],
        dependencies=VIEWER,
    )
    def history(subject: Subject, condition: Word, limit: Limit = 500, cursor: Cursor = "") -> dict[str, Any]:
        """One alarm as it is, what it did, and what was done with it.

        Both stories are told oldest first, and the newest `limit` lines of each; `next` leads to what was
        before.
        """
        place = place_of(HISTORY, cursor, int, int)
        before, handled_before = (None, None) if place is None else place
        now_us = shared.clock()
        with shared.store.reading() as connection:
            key = find_key(connection, subject, condition)
            found = None if key is None else handled_alarm(connection, key)
            if key is None or found is None:
                raise HTTPException(404, f"There is no alarm “{condition}” about “{subject}”.")
            [one] = Desk(connection, shared.cache.roster(connection), now_us).sees_handled([found])
            did = changes_of_alarm(connection, key, limit + 1, before)
            handled = handling_history(connection, key, limit + 1, handled_before)
        has_more = len(did) > limit or len(handled) > limit
        did, handled = did[:limit], handled[-limit:]
        return {
            **name_data(key),
            "alarm": alarm_data(one),
            "changes": [_did(change) for change in reversed(did)],
            "handling": [
                {
                    "time": rfc3339(line.time_us),
                    "by": line.by,
                    "act": line.act.value,
                    "operator_state": line.state.value,
                    "text": line.text,
                }
                for line in handled
            ],
            "next": cursor_of(HISTORY, _oldest(did, -1), _oldest(handled, 0)) if has_more else None,
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


def _oldest(lines: Sequence[PastChange] | Sequence[HandlingChange], at: int) -> int:
    """The number of the oldest of some lines, which stands at one end; 0 where there is none."""
    return lines[at].number if lines else 0


def _did(change: PastChange) -> dict[str, Any]:
    return {
        "time": rfc3339(change.time_us),
        "kind": change.kind,
        "severity": change.severity.word,
        "text": change.text,
    }


def _told_change(change: PastChange) -> dict[str, Any]:
    """A change of any alarm, with the alarm's name."""
    what = Condition(change.condition)
    key = AlarmKey(change.site, change.transmitter, what, change.region, change.service)
    return {"number": change.number, **name_data(key), **_did(change)}


def _standing(
    connection: Connection, roster: Roster, now_us: int, choice: AlarmChoice, cursor: str, limit: int
) -> dict[str, Any]:
    """A page of alarms that stand."""
    after = place_of(STANDING, cursor, int, int, str, str)
    chosen: Sequence[DeskAlarm] = chosen_alarms(connection, roster, now_us, choice)
    ordered = sorted(chosen, key=_place)
    rest = [one for one in ordered if after is None or _place(one) > after]
    shown = rest[:limit]
    return {
        "total": len(chosen),
        "alarms": [alarm_data(one) for one in shown],
        "next": cursor_of(STANDING, *_place(shown[-1])) if len(rest) > limit else None,
    }


def _place(one: DeskAlarm) -> Place:
    """Where a standing alarm is in the list: what is less comes before."""
    alarm = one.alarm
    return (-int(alarm.severity), -alarm.raised_us, subject(alarm.key), alarm.key.condition.value)


def _ended(
    connection: Connection, roster: Roster, now_us: int, choice: AlarmChoice, cursor: str, limit: int
) -> dict[str, Any]:
    """A page of alarms that have ended."""
    after = place_of(ENDED, cursor, int, str, str, str, str, str)
    wanted = ended_choice(roster, choice)
    key = None if after is None else _key_of(*after[1:])
    found = ended_page(
        connection, wanted, limit + 1, after=None if after is None or key is None else (after[0], key)
    )
    shown = Desk(connection, roster, now_us).sees_handled(found[:limit])
    more = None
    if len(found) > limit:
        last = shown[-1].alarm
        names = (last.key.site, last.key.transmitter, last.key.condition.value, last.key.region)
        more = cursor_of(ENDED, last.changed_us, *names, last.key.service)
    return {
        "total": count_ended(connection, wanted),
        "alarms": [alarm_data(one) for one in shown],
        "next": more,
    }


def _key_of(site: str, transmitter: str, condition: str, region: str, service: str) -> AlarmKey:
    """The key that a cursor names; status 400 for one that we did not make."""
    if condition not in CONDITIONS:
        raise HTTPException(400, WRONG)
    return AlarmKey(site, transmitter, CONDITIONS[condition], region, service)
