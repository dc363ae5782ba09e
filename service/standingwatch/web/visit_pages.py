"""The pages of visits: all of them, one, its sheet, and what people do with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import FastAPI, Path, Query, Request
from fastapi.responses import Response
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from standingwatch.detect.words import Cause
from standingwatch.readings import BadTimeError, parse_time
from standingwatch.review.section_words import URGENCY_WORDS
from standingwatch.review.visits import LONGEST_CREW, LONGEST_TEXT, Visit, VisitError, VisitState
from standingwatch.store.handling import EntryError
from standingwatch.store.visit_baselines import accept_baseline
from standingwatch.store.visit_lines import prove_visit
from standingwatch.store.visits import (
    begin_visit,
    drop_visit,
    finish_visit,
    judge_visit,
    load_visit,
    note_findings,
    plan_visit,
)
from standingwatch.web.access import ENGINEER, OPERATOR, VIEWER, about_act
from standingwatch.web.entries import utc_input
from standingwatch.web.form import Form, ReadForm, who
from standingwatch.web.outcomes import Outcome
from standingwatch.web.shared import Shared, one_of
from standingwatch.web.sheet_pdf import PdfError
from standingwatch.web.visit_sheet import sheet_pdf, sheet_values, sheet_view
from standingwatch.web.visit_view import (
    BASELINE_WORDS,
    STATE_WORDS,
    VERDICT_WORDS,
    VisitChoice,
    site_lines,
    verdict_data,
    visit_view,
    visits_view,
)

HOUR_US = 3_600_000_000

#: For how long the windows of work are opened, if nobody says before that the work is done [h].
WINDOW_HOURS = 12.0

PAPERS = ("A4", "Letter")

Number = Annotated[int, Path(ge=1, lt=2**63)]
Word = Annotated[str, Query(max_length=100)]

Act = Callable[[Connection, int, str, int, Form], Visit]


def gain_of(text: str) -> float | None:
    """A gain that was entered [dBi]; None for nothing.

    Raises:
        VisitError: if it is no number.
    """
    if not text:
        return None
    try:
        return float(text)
    except ValueError as error:
        raise VisitError(f"antenna gain: got “{text}”, wanted a number [dBi]") from error


def time_of(field: str, text: str) -> int:
    """A time that was entered, in UTC where it does not say [Unix microseconds].

    Raises:
        VisitError: if it is no time.
    """
    try:
        return parse_time(utc_input(text))
    except BadTimeError as error:
        raise VisitError(f"{field}: got “{text}”: {error}") from error


def cause_of(text: str) -> Cause:
    """A cause that was chosen.

    Raises:
        VisitError: if it is none.
    """
    try:
        return Cause(text)
    except ValueError as error:
        raise VisitError(f"cause: got “{text}”, wanted one of {', '.join(Cause)}") from error


def judge(
    shared: Shared, connection: Connection, number: int, *, by: str, now_us: int, proven: bool, reason: str
) -> Visit:
    """A person's word on a visit, kept with what the comparison says now."""
    visit = load_visit(connection, number)
    proofs = []
    if visit is not None:
        lines = site_lines(shared.cache.roster(connection), visit.site)
        proofs = prove_visit(connection, visit, lines, now_us)
    return judge_visit(
        connection,
        number,
        by=by,
        now_us=now_us,
        proven=proven,
        verdict=verdict_data(proofs),
        reason=reason,
    )


def sheet_answer(shared: Shared, number: int, paper: str) -> Response:
    """The sheet of a visit as a PDF; status 404 where there is no such visit, 503 where none can be made."""
    with shared.store.reading() as connection:
        view = sheet_view(connection, shared.cache.roster(connection), number, shared.clock())
    if view is None:
        raise HTTPException(404, f"There is no visit {number}.")
    try:
        document = sheet_pdf(shared.pages, view, paper)
    except PdfError as error:
        raise HTTPException(503, f"{str(error)[:1].upper()}{str(error)[1:]}.") from error
    headers = {"Content-Disposition": f'inline; filename="visit-{number}.pdf"'}
    return Response(document, media_type="application/pdf", headers=headers)


def add_visit_pages(app: FastAPI, shared: Shared) -> None:
    """Add the pages of visits and their forms."""

    def show(request: Request, number: int, status: int = 200, problems: tuple[str, ...] = ()) -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            view = visit_view(connection, shared.cache.roster(connection), number, now_us)
        if view is None:
            raise HTTPException(404, f"There is no visit {number}.")
        return shared.page(
            request,
            "visit.html",
            status,
            view=view,
            problems=problems,
            now_us=now_us,
            causes=tuple(Cause),
            state_words=STATE_WORDS,
            urgency_words=URGENCY_WORDS,
            verdict_words=VERDICT_WORDS,
            baseline_words=BASELINE_WORDS,
            longest_text=LONGEST_TEXT,
            longest_crew=LONGEST_CREW,
            window_hours=WINDOW_HOURS,
        )

    @app.get("/visits", include_in_schema=False, dependencies=VIEWER)
    def visits_page(request: Request, state: Word = "", region: Word = "", text: Word = "") -> Response:
        choice = VisitChoice(one_of("state", state, tuple(VisitState)), region.strip(), text.strip())
        with shared.store.reading() as connection:
            view = visits_view(connection, shared.cache.roster(connection), choice)
        return shared.page(
            request,
            "visits.html",
            view=view,
            choice=choice,
            state_words=STATE_WORDS,
            urgency_words=URGENCY_WORDS,
            closed=(VisitState.PROVEN, VisitState.NOT_FIXED, VisitState.DROPPED),
            now_us=shared.clock(),
        )

    @app.get("/visit/{number}", include_in_schema=False, dependencies=VIEWER)
    def visit_page(request: Request, number: Number) -> Response:
        return show(request, number)

    @app.get("/visit/{number}/sheet", include_in_schema=False, dependencies=VIEWER)
    def sheet_page(request: Request, number: Number) -> Response:
        with shared.store.reading() as connection:
            view = sheet_view(connection, shared.cache.roster(connection), number, shared.clock())
        if view is None:
            raise HTTPException(404, f"There is no visit {number}.")
        return shared.page(request, "sheet.html", **sheet_values(view))

    @app.get("/visit/{number}/sheet.pdf", include_in_schema=False, dependencies=VIEWER)
    def sheet_as_pdf(number: Number, paper: Word = "A4") -> Response:
        one_of("paper", paper, PAPERS)
        return sheet_answer(shared, number, paper or "A4")

    def acted(request: Request, number: int, form: Form, what: str, title: str, act: Act) -> Response:
        about_act(request, what, f"visit {number}")
        try:
            with shared.store.writing() as connection:
                if load_visit(connection, number) is None:
                    raise HTTPException(404, f"There is no visit {number}.")
                act(connection, number, who(request), shared.clock(), form)
        except (VisitError, EntryError) as error:
            return show(request, number, 422, (str(error),))
        return shared.send_on(f"/visit/{number}", Outcome(title))

    @app.post("/visit/{number}/plan", include_in_schema=False, dependencies=OPERATOR)
    def plan(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            return plan_visit(
                connection,
                number,
                by=by,
                now_us=now_us,
                planned_for_us=time_of("when", form.text("when")),
                crew=form.text("crew"),
                access=form.text("access"),
                antenna_gain_dbi=gain_of(form.text("gain")),
            )

        return acted(request, number, form, "plan a visit", "Planned", act)

    @app.post("/visit/{number}/begin", include_in_schema=False, dependencies=OPERATOR)
    def begin(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            until_us = now_us + round(WINDOW_HOURS * HOUR_US)
            return begin_visit(connection, number, by=by, now_us=now_us, until_us=until_us)

        return acted(request, number, form, "begin a visit", "The work has begun; its windows are open", act)

    @app.post("/visit/{number}/done", include_in_schema=False, dependencies=OPERATOR)
    def done(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            return finish_visit(connection, number, by=by, now_us=now_us)

        return acted(request, number, form, "finish a visit", "Done; its windows are closed", act)

    @app.post("/visit/{number}/drop", include_in_schema=False, dependencies=OPERATOR)
    def drop(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            return drop_visit(connection, number, by=by, now_us=now_us, reason=form.text("reason"))

        return acted(request, number, form, "drop a visit", "Dropped", act)

    @app.post("/visit/{number}/findings", include_in_schema=False, dependencies=ENGINEER)
    def findings(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            visit = load_visit(connection, number)
            names = [] if visit is None else [t.transmitter for t in visit.troubles]
            chosen = {name: form.text(f"cause {name}") for name in names}
            found = {name: cause_of(word) for name, word in chosen.items() if word}
            return note_findings(
                connection, number, by=by, now_us=now_us, found=found, text=form.text("findings")
            )

        return acted(request, number, form, "note what a visit found", "Findings kept", act)

    @app.post("/visit/{number}/baseline", include_in_schema=False, dependencies=ENGINEER)
    def accept(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            transmitter, _, version = form.text("baseline").rpartition(" ")
            if not version.isascii() or not version.isdecimal() or len(version) > 9:
                raise VisitError(
                    f"baseline: got “{form.text('baseline')}”, wanted a transmitter and a version"
                )
            visit = load_visit(connection, number)
            roster = shared.cache.roster(connection)
            lines = {} if visit is None else site_lines(roster, visit.site)
            return accept_baseline(connection, number, lines, transmitter, int(version), by=by, now_us=now_us)

        return acted(request, number, form, "accept a new baseline", "New baseline accepted", act)

    @app.post("/visit/{number}/judge", include_in_schema=False, dependencies=ENGINEER)
    def judged(request: Request, number: Number, form: ReadForm) -> Response:
        def act(connection: Connection, number: int, by: str, now_us: int, form: Form) -> Visit:
            word, reason = form.text("word"), form.text("reason")
            if word not in ("proven", "not-fixed"):
                raise VisitError(f"word: got “{word}”, wanted proven or not-fixed")
            return judge(
                shared,
                connection,
                number,
                by=by,
                now_us=now_us,
                proven=word == "proven",
                reason=reason,
            )

        return acted(request, number, form, "judge a visit", "Kept as you decided", act)
