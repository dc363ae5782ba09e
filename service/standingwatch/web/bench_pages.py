"""The bench: an SWR worksheet as a page that works without script and can be linked, and the same as data."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from standingwatch.rf import FEEDER_TYPES, UnknownFeederTypeError
from standingwatch.web.access import VIEWER
from standingwatch.web.bench import PROTECTIONS, Worksheet, as_plain, worksheet
from standingwatch.web.bench_given import BadBenchError, BenchForm, given_of
from standingwatch.web.bench_models import Bench
from standingwatch.web.problems import problem_responses
from standingwatch.web.shared import Shared

Sent = Annotated[BenchForm, Query()]


def add_bench_pages(app: FastAPI, shared: Shared) -> None:
    """Add the routes of the bench."""

    @app.get("/bench", include_in_schema=False, dependencies=VIEWER)
    def bench_page(request: Request, form: Sent) -> Response:
        sheet, problems = (None, []) if form.is_empty else _sheet(form)
        return shared.page(
            request,
            "bench.html",
            200 if not problems else 400,
            form=form,
            sheet=sheet,
            problems=problems,
            feeder_types=list(FEEDER_TYPES.values()),
            protections=PROTECTIONS,
        )

    @app.get(
        "/api/bench",
        response_model=Bench,
        responses=problem_responses(400),
        dependencies=VIEWER,
        tags=["bench"],
    )
    def bench_data(form: Sent) -> dict[str, object]:
        """The worksheet as data: not known as null, infinity as "infinite"; units are in the names."""
        sheet, problems = _sheet(form)
        if sheet is None:
            raise HTTPException(400, " ".join(problems))
        return as_plain(sheet)


def _sheet(form: BenchForm) -> tuple[Worksheet | None, list[str]]:
    """The worksheet of a form, or every problem with it."""
    try:
        return worksheet(given_of(form)), []
    except BadBenchError as error:
        return None, error.problems
    except UnknownFeederTypeError as error:
        return None, [f"{str(error)[:1].upper()}{str(error)[1:]}."]
