"""The intake: its page, refused reports put in again, unknown senders taken into the site list."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Protocol

from fastapi import FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from standingwatch.inventory import COLUMNS
from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.readings.profile.trace_words import HEADINGS
from standingwatch.store.intake_pages import UNKNOWN_REASONS, unlisted_topics
from standingwatch.store.sites import ListedError, add_to_site_list
from standingwatch.web import words
from standingwatch.web.access import ENGINEER, VIEWER, about_act, person
from standingwatch.web.form import Form, ReadForm
from standingwatch.web.intake_accept import BadRowError, Unlisted, check_profile, row_of, unlisted_of
from standingwatch.web.intake_view import intake_view, tried
from standingwatch.web.outcomes import Outcome
from standingwatch.web.profile_api import add_profile_api
from standingwatch.web.profile_files import KnownProfiles, ProfileFolder
from standingwatch.web.profile_pages import add_profile_pages
from standingwatch.web.profile_trial import Sample
from standingwatch.web.shared import Shared

Number = Annotated[int, Query(ge=1, le=100_000)]
Topic = Annotated[str, Query(max_length=600)]

#: Longest payload that is tried.
LONGEST_TRIAL = 20_000


class Retry(Protocol):
    """Puts refused reports in again."""

    def __call__(self, reason: str, topic: str = "") -> tuple[int, int]:
        """Put those of a reason, and of a topic if one is given, in again.

        Returns:
            How many readings were stored, and how many reports were refused once more.
        """
        ...


def add_intake_pages(
    app: FastAPI,
    shared: Shared,
    retry: Retry | None = None,
    profiles: ProfileFolder | None = None,
    time_if_absent: TimeIfAbsent = "refuse",
) -> None:
    """Add the routes of the intake.

    Args:
        app: where to.
        shared: what all routes share.
        retry: puts refused reports in again; None where that can be done by the command alone.
        profiles: the payload profiles; None where there are none to be tried.
        time_if_absent: what the intake does about a report without a time.
    """

    def show(request: Request, page: int, status: int = 200, **more: Any) -> Response:
        now_us = shared.clock()
        with shared.store.reading() as connection:
            view = intake_view(connection, shared.cache, now_us, page)
        known = KnownProfiles((), ()) if profiles is None else profiles.now()
        blank = {"payload": "", "trial": None, "sample": Sample(), "sampled": None}
        values = {**blank, "known": known, "headings": HEADINGS, **more}
        may = person(request).may("engineer")
        return shared.page(
            request,
            "intake.html",
            status,
            view=view,
            may=may,
            can_retry=retry is not None,
            can_profile=profiles is not None,
            now_us=now_us,
            **values,
        )

    def unlisted(topic: str) -> Unlisted:
        """Who sends on a topic; status 404 where nobody does who is unknown."""
        with shared.store.reading() as connection:
            told = unlisted_topics(connection, 1, topic)
            found = (
                unlisted_of(connection, shared.cache.roster(connection), told[0]) if topic and told else None
            )
        if found is None or not found.transmitter:
            raise HTTPException(404, "No report waits of an unknown transmitter on this topic.")
        return found

    def accept_page(
        request: Request, one: Unlisted, cells: Mapping[str, str], problems: tuple[str, ...] = ()
    ) -> Response:
        return shared.page(
            request,
            "intake_accept.html",
            422 if problems else 200,
            one=one,
            cells=cells,
            columns=COLUMNS,
            problems=problems,
        )

    @app.get("/refused", include_in_schema=False, dependencies=VIEWER)
    def refused_page() -> Response:
        return RedirectResponse("/intake", status_code=308)

    @app.get("/intake", include_in_schema=False, dependencies=VIEWER)
    def intake_page(request: Request, page: Number = 1) -> Response:
        return show(request, page)

    @app.post("/intake/try", include_in_schema=False, dependencies=VIEWER)
    def try_payload(request: Request, form: ReadForm) -> Response:
        payload = form.text("payload")
        about_act(request, "try a payload", "")
        if not payload or len(payload) > LONGEST_TRIAL:
            problems = (f"Give a payload of 1 to {LONGEST_TRIAL:,} characters.",)
            return show(request, 1, 422, payload=payload[:LONGEST_TRIAL], problems=problems)
        return show(request, 1, payload=payload, trial=tried(payload, shared.clock()))

    @app.post("/intake/retry", include_in_schema=False, dependencies=ENGINEER)
    def retry_reason(request: Request, form: ReadForm) -> Response:
        reason = form.text("reason")
        about_act(request, "put refused reports in again", reason)
        if retry is None:
            raise HTTPException(404, "Here it can be done by the command alone: standingwatch refused retry.")
        if not reason:
            raise HTTPException(400, "The form does not say which reports. Load the page again.")
        return shared.send_on("/intake", _told(*retry(reason)))

    @app.get("/intake/accept", include_in_schema=False, dependencies=ENGINEER)
    def accept_form(request: Request, topic: Topic = "") -> Response:
        one = unlisted(topic)
        return accept_page(request, one, one.suggested)

    @app.post("/intake/accept", include_in_schema=False, dependencies=ENGINEER)
    def accept(request: Request, form: ReadForm) -> Response:
        topic = form.text("topic")
        one = unlisted(topic)
        about_act(request, "accept into the site list", f"{one.site}/{one.transmitter}")
        cells = _cells(form, one)
        try:
            warnings = _accept(cells)
        except BadRowError as error:
            return accept_page(request, one, cells, error.problems)
        except ListedError as error:
            return shared.send_on("/intake", Outcome("Nothing was done", problems=(str(error),)))
        title = f"{one.site}/{one.transmitter} is on the site list"
        if retry is None:
            more = ("Its reports so far can be put in again: standingwatch refused retry.",)
            return shared.send_on("/intake", Outcome(title, done=(*warnings, *more)))
        stored, refused = retry(UNKNOWN_REASONS[0], topic)
        done = f"{words.several(stored, 'reading')} of it, kept until now, stored"
        if refused:
            done += f"; {words.several(refused, 'report')} refused for another reason"
        return shared.send_on("/intake", Outcome(title, done=(done, *warnings)))

    def _accept(cells: Mapping[str, str]) -> tuple[str, ...]:
        """Put a row on the site list; warnings about it."""
        with shared.store.writing() as connection:
            row, warnings = row_of(cells, shared.cache.roster(connection))
            check_profile(row, profiles)
            add_to_site_list(connection, row)
        return warnings

    def listed() -> set[tuple[str, str]]:
        """Sites and transmitters of the site list."""
        with shared.store.reading() as connection:
            return {(row.site, row.transmitter) for row in shared.cache.roster(connection).rows}

    if profiles is not None:
        add_profile_pages(app, profiles, show, listed, shared.clock, time_if_absent)
        add_profile_api(app, profiles, listed, shared.clock, time_if_absent)


def _cells(form: Form, one: Unlisted) -> dict[str, str]:
    """The cells of a row; names are those of the topic, whatever the form says."""
    given = {column.name: form.text(column.name) for column in COLUMNS}
    # The button in the list sends no cells: then it is what was suggested.
    cells = given if any(given.values()) else {**given, **one.suggested}
    return {**cells, "site": one.site, "transmitter": one.transmitter}


def _told(stored: int, refused: int) -> Outcome:
    title = f"Put in again: {words.several(stored, 'reading')} stored"
    problems = (
        (f"{words.several(refused, 'report')} refused once more, each with its reason.",) if refused else ()
    )
    return Outcome(title, problems=problems)
