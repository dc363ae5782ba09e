"""The API of visits."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import FastAPI, Path, Query, Request
from fastapi.responses import Response
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import plain, rfc3339
from standingwatch.detect.words import Cause
from standingwatch.readings import BadTimeError, parse_time
from standingwatch.review.new_baseline import BaselineWord, NewBaseline
from standingwatch.review.visits import Visit, VisitError, VisitState, VisitStep, allowed
from standingwatch.store.handling import EntryError
from standingwatch.store.visit_baselines import accept_baseline
from standingwatch.store.visits import (
    begin_visit,
    cause_score,
    drop_visit,
    finish_visit,
    load_visit,
    load_visits,
    note_findings,
    plan_visit,
    visits_in_all,
)
from standingwatch.web import visit_models as models
from standingwatch.web.access import OPERATOR, VIEWER, about_act, person
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.form import who
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.shared import Shared
from standingwatch.web.visit_pages import HOUR_US, WINDOW_HOURS, judge, sheet_answer
from standingwatch.web.visit_view import site_lines, verdict_data, visit_view

Number = Annotated[int, Path(ge=1, lt=2**63)]

#: Cursors of the list.
VISITS = "visits"

#: What needs a higher role than the others.
OF_ENGINEERS = ("findings", "proven", "not-fixed", "baseline")


def add_visit_api(app: FastAPI, shared: Shared) -> None:
    """Add the routes about visits."""

    @app.get(
        "/api/visits",
        response_model=models.Visits,
        responses=problem_responses(400),
        tags=["visits"],
        dependencies=VIEWER,
    )
    def visits(
        state: Annotated[models.StateWord | None, Query()] = None,
        site: Annotated[str, Query(max_length=100)] = "",
        limit: Limit = 100,
        cursor: Cursor = "",
    ) -> dict[str, Any]:
        """Visits, the newest change first."""
        states = None if state is None else [VisitState(state)]
        after = place_of(VISITS, cursor, int, int)
        with shared.store.reading() as connection:
            found = load_visits(connection, states, site, after=after, limit=limit + 1)
            total = visits_in_all(connection, states, site)
        last = found[limit - 1] if len(found) > limit else None
        return {
            "time": rfc3339(shared.clock()),
            "total": total,
            "visits": [visit_data(visit) for visit in found[:limit]],
            "next": None if last is None else cursor_of(VISITS, last.changed_us, last.number),
        }

    @app.get("/api/visits/causes", response_model=models.Causes, tags=["visits"], dependencies=VIEWER)
    def causes() -> dict[str, Any]:
        """How often the leading likely cause was the true one."""
        with shared.store.reading() as connection:
            score = cause_score(connection)
        return {
            "right": score.right,
            "told": score.told,
            "not_found": score.not_found,
            "by_cause": [
                {"cause": cause.value, "right": right, "told": told}
                for cause, (right, told) in score.by_cause.items()
            ],
        }

    @app.get(
        "/api/visits/{number}",
        response_model=models.FullVisit,
        responses=problem_responses(400, 404),
        tags=["visits"],
        dependencies=VIEWER,
    )
    def one_visit(number: Number) -> dict[str, Any]:
        """One visit, with its story and what before and after say."""
        now_us = shared.clock()
        with shared.store.reading() as connection:
            view = visit_view(connection, shared.cache.roster(connection), number, now_us)
        if view is None:
            raise HTTPException(404, f"There is no visit {number}.")
        proofs = [one.proof for one in view.proofs]
        return {
            **visit_data(view.visit),
            "story": [
                {"time": rfc3339(c.time_us), "by": c.by, "state": c.state.value, "text": c.text}
                for c in reversed(view.story)
            ],
            "proof": verdict_data(proofs) if proofs else None,
            "verdict": dict(view.visit.verdict) or None,
            "new_baselines": [
                _new_baseline(name, found.new(name, view.visit)) for name, found in view.baselines.items()
            ],
        }

    @app.get(
        "/api/visits/{number}/sheet.pdf",
        response_class=Response,
        responses={
            200: {"content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}},
            **problem_responses(400, 404),
        },
        tags=["visits"],
        dependencies=VIEWER,
    )
    def sheet(number: Number, paper: Annotated[Literal["A4", "Letter"], Query()] = "A4") -> Response:
        """The sheet of a visit to take along, two pages. 503 also where this machine cannot make a PDF."""
        return sheet_answer(shared, number, paper)

    @app.post(
        "/api/visits/{number}/acts",
        response_model=models.Visit,
        responses=problem_responses(400, 403, 404, 409, 415, 422),
        tags=["visits"],
        dependencies=OPERATOR,
    )
    def act(request: Request, number: Number, given: models.VisitAct) -> Any:
        """Do something with a visit; findings, the word on its proof and new baselines are for engineers."""
        about_act(request, f"{given.act} a visit", f"visit {number}")
        if given.act in OF_ENGINEERS and not person(request).may("engineer"):
            raise HTTPException(403, "This needs the role engineer. Nothing was changed.")
        try:
            with shared.store.writing() as connection:
                visit = load_visit(connection, number)
                if visit is None:
                    raise HTTPException(404, f"There is no visit {number}.")
                step = {step.value: step for step in VisitStep}.get(given.act)
                if step is not None and step not in allowed(visit.state):
                    possible = ", ".join(allowed(visit.state)) or "nothing more"
                    return problem(409, f"Visit {number} is {visit.state}; possible is {possible}.")
                done = _act(shared, connection, visit, given, who(request), shared.clock())
        except (VisitError, EntryError) as error:
            about_reason = given.act in OF_ENGINEERS
            return problem(409 if about_reason else 422, f"{error}.")
        return visit_data(done)


def _act(
    shared: Shared, connection: Connection, visit: Visit, given: models.VisitAct, by: str, now_us: int
) -> Visit:
    number = visit.number
    if given.act == "plan":
        return plan_visit(
            connection,
            number,
            by=by,
            now_us=now_us,
            planned_for_us=_time(given.planned_for),
            crew=given.crew,
            access=given.access,
            antenna_gain_dbi=given.antenna_gain_dbi,
        )
    if given.act == "begin":
        until_us = now_us + round(WINDOW_HOURS * HOUR_US)
        return begin_visit(connection, number, by=by, now_us=now_us, until_us=until_us)
    if given.act == "done":
        return finish_visit(connection, number, by=by, now_us=now_us)
    if given.act == "drop":
        return drop_visit(connection, number, by=by, now_us=now_us, reason=given.text)
    if given.act == "findings":
        found = {name: Cause(word) for name, word in given.found.items()}
        return note_findings(connection, number, by=by, now_us=now_us, found=found, text=given.text)
    if given.act == "baseline":
        if given.version is None:
            raise VisitError("version: missing; give that of the new baseline as the visit tells it")
        lines = site_lines(shared.cache.roster(connection), visit.site)
        return accept_baseline(
            connection, number, lines, given.transmitter, given.version, by=by, now_us=now_us
        )
    return judge(
        shared,
        connection,
        number,
        by=by,
        now_us=now_us,
        proven=given.act == "proven",
        reason=given.text,
    )


def _time(text: str | None) -> int:
    if text is None:
        raise VisitError("planned_for: missing; say when")
    try:
        return parse_time(text)
    except BadTimeError as error:
        raise VisitError(f"planned_for: got {text!r}: {error}") from error


def _new_baseline(transmitter: str, new: NewBaseline) -> dict[str, Any]:
    """How it stands with the new baseline of a transmitter that was worked at."""
    known, accepted = new.now, new.accepted
    learned = known if new.word is not BaselineWord.NOT_OPENED else None
    return {
        "transmitter": transmitter,
        "state": new.word.value,
        "version": learned.version if learned is not None else None,
        "kind": learned.kind if learned is not None else None,
        **plain(
            {
                "rho": learned.rho if learned is not None else None,
                "spread": learned.spread if learned is not None else None,
            }
        ),
        "accepted_by": accepted.by if accepted is not None else None,
        "time_accepted": rfc3339(accepted.time_us) if accepted is not None else None,
    }


def visit_data(visit: Visit) -> dict[str, Any]:
    """A visit as JSON data."""

    def told(time_us: int | None) -> str | None:
        return None if time_us is None else rfc3339(time_us)

    return {
        "number": visit.number,
        "site": visit.site,
        "state": visit.state.value,
        "urgency": visit.urgency,
        "time_proposed": rfc3339(visit.proposed_us),
        "time_changed": rfc3339(visit.changed_us),
        "planned_for": told(visit.planned_for_us),
        "crew": visit.crew or None,
        "time_begun": told(visit.begun_us),
        "time_done": told(visit.ended_us),
        "access": visit.access,
        "antenna_gain_dbi": visit.antenna_gain_dbi,
        "windows": list(visit.windows),
        "troubles": [
            {
                "transmitter": t.transmitter or None,
                "members": list(t.members),
                "condition": t.condition.value,
                "urgency": t.urgency,
                "calls": t.calls,
                "likely_causes": [
                    {"cause": c.cause.value, "confidence": c.confidence, "because": c.because}
                    for c in t.causes
                ],
                "alarms": [
                    {
                        "condition": a.condition.value,
                        "severity": a.severity.word,
                        "time_raised": rfc3339(a.raised_us),
                        "time_ended": told(a.ended_us),
                        "text": a.text,
                    }
                    for a in t.alarms
                ],
                "true_cause": None if t.found is None else t.found.value,
            }
            for t in visit.troubles
        ],
        "finding": None
        if visit.finding is None
        else {"by": visit.finding.by, "time": rfc3339(visit.finding.time_us), "text": visit.finding.text},
    }
