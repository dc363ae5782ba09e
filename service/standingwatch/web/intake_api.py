"""The API of the intake: how it keeps up, what it refused, who is unknown, what can be done about it."""

from __future__ import annotations

import base64
from typing import Annotated, Any

from fastapi import FastAPI, Query, Request
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.inventory import COLUMNS
from standingwatch.store.intake_pages import (
    UNKNOWN_REASONS,
    UnlistedTopic,
    refused_page,
    unlisted_by_topic,
    unlisted_topics,
)
from standingwatch.store.reports import RefusedReport
from standingwatch.store.sites import ListedError, add_to_site_list
from standingwatch.web import intake_models as models
from standingwatch.web.access import ENGINEER, VIEWER, about_act
from standingwatch.web.cursors import Cursor, Limit, cursor_of, place_of
from standingwatch.web.intake_accept import BadRowError, Unlisted, cell_of, check_profile, row_of, unlisted_of
from standingwatch.web.intake_pages import Retry
from standingwatch.web.intake_view import IntakeView, intake_view, tried
from standingwatch.web.problems import problem, problem_responses
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.shared import Shared

Reason = Annotated[str, Query(max_length=100, description="only those refused for this reason")]
Topic = Annotated[str, Query(max_length=models.LONGEST_TOPIC, description="only those on this topic")]

#: Cursors of the lists.
REFUSED, UNLISTED = "refused", "unlisted"

#: What is answered where no writer is at hand.
BY_COMMAND = "Here it can be done by the command alone: standingwatch refused retry."


def add_intake_api(
    app: FastAPI, shared: Shared, retry: Retry | None = None, profiles: ProfileFolder | None = None
) -> None:
    """Add the routes of the intake.

    Args:
        app: where to.
        shared: what all routes share.
        retry: puts refused reports in again; None where that can be done by the command alone.
        profiles: the payload profiles that a row may name; None where those are not known here.
    """

    @app.get("/api/intake", response_model=models.Intake, dependencies=VIEWER, tags=["intake"])
    def intake() -> dict[str, Any]:
        """Whether the intake keeps up, what it refused, and who reports without being on the site list."""
        with shared.store.reading() as connection:
            return _as_data(intake_view(connection, shared.cache, shared.clock()))

    @app.get(
        "/api/intake/refused",
        response_model=models.RefusedReports,
        responses=problem_responses(400),
        dependencies=VIEWER,
        tags=["intake"],
    )
    def refused(
        reason: Reason = "", topic: Topic = "", limit: Limit = 50, cursor: Cursor = ""
    ) -> dict[str, Any]:
        """Reports that could not be used and wait, the newest first."""
        place = place_of(REFUSED, cursor, int)
        before = None if place is None else place[0]
        with shared.store.reading() as connection:
            found = refused_page(connection, limit + 1, reason=reason, topic=topic, before=before)
        last = found[limit - 1].id if len(found) > limit else None
        return {
            "time": rfc3339(shared.clock()),
            "reports": [_refused(one) for one in found[:limit]],
            "next": None if last is None else cursor_of(REFUSED, last),
        }

    @app.get(
        "/api/intake/unlisted",
        response_model=models.UnlistedTopics,
        responses=problem_responses(400),
        dependencies=VIEWER,
        tags=["intake"],
    )
    def unlisted(limit: Limit = 50, cursor: Cursor = "") -> dict[str, Any]:
        """Who reports without being on the site list, by topic."""
        place = place_of(UNLISTED, cursor, str, str)
        with shared.store.reading() as connection:
            roster = shared.cache.roster(connection)
            found = unlisted_by_topic(connection, limit + 1, after=place)
            told = [(one, unlisted_of(connection, roster, one)) for one in found[:limit]]
        last = found[limit - 1] if len(found) > limit else None
        return {
            "time": rfc3339(shared.clock()),
            "topics": [_unlisted(topic, one) for topic, one in told],
            "next": None if last is None else cursor_of(UNLISTED, last.topic, last.reason),
        }

    @app.post(
        "/api/intake/try",
        response_model=models.Trial,
        responses=problem_responses(400, 422),
        dependencies=VIEWER,
        tags=["intake"],
    )
    def try_payload(request: Request, given: models.TrialGiven) -> dict[str, Any]:
        """What the intake would make of a payload of its own format. Nothing is kept."""
        about_act(request, "try a payload", "")
        readings, refusals = tried(given.payload, shared.clock())
        parts = [one.partition(": ") for one in refusals]
        return {
            "readings": readings,
            "refused": [{"reason": reason, "detail": detail} for reason, _, detail in parts],
        }

    @app.post(
        "/api/intake/retry",
        response_model=models.Retried,
        responses=problem_responses(400, 404, 422),
        dependencies=ENGINEER,
        tags=["intake"],
    )
    def put_in_again(request: Request, given: models.RetryGiven) -> dict[str, int]:
        """Put refused reports in again, after a fix."""
        about_act(request, "put refused reports in again", f"{given.reason} {given.topic}".strip())
        if retry is None:
            raise HTTPException(404, BY_COMMAND)
        stored, again = retry(given.reason, given.topic)
        return {"stored": stored, "refused": again}

    @app.post(
        "/api/intake/accept",
        response_model=models.Accepted,
        status_code=201,
        responses=problem_responses(400, 404, 409, 422),
        dependencies=ENGINEER,
        tags=["intake"],
    )
    def accept(request: Request, given: models.AcceptGiven) -> Any:
        """Take somebody who reports into the site list, and put the reports of them in that have waited."""
        about_act(request, "accept into the site list", given.topic)
        with shared.store.writing() as connection:
            roster = shared.cache.roster(connection)
            told = unlisted_topics(connection, 1, given.topic)
            one = unlisted_of(connection, roster, told[0]) if told else None
            if one is None or not one.transmitter:
                raise HTTPException(404, "No report waits of an unknown transmitter on this topic.")
            known = {column.name for column in COLUMNS}
            strange = tuple(f"{name}: there is no such column." for name in given.row if name not in known)
            cells = {name: cell_of(value) for name, value in given.row.items()} or dict(one.suggested)
            try:
                if strange:
                    raise BadRowError(strange)
                row, warnings = row_of({**cells, "site": one.site, "transmitter": one.transmitter}, roster)
                check_profile(row, profiles)
                add_to_site_list(connection, row)
            except BadRowError as error:
                return problem(422, str(error), problems=list(error.problems))
            except ListedError as error:
                raise HTTPException(409, str(error)) from error
        stored = again = None
        if retry is not None:
            stored, again = retry(UNKNOWN_REASONS[0], given.topic)
        return {
            "site": row.site,
            "transmitter": row.transmitter,
            "warnings": warnings,
            "stored": stored,
            "refused": again,
        }


def _refused(one: RefusedReport) -> dict[str, Any]:
    try:
        text: str | None = one.payload.decode("utf-8")
    except UnicodeDecodeError:
        text = None
    return {
        "number": one.id,
        "received": rfc3339(one.received_us),
        "topic": one.topic,
        "reason": one.reason,
        "detail": one.detail,
        "payload": text,
        "payload_base64": base64.b64encode(one.payload).decode("ascii"),
    }


def _unlisted(told: UnlistedTopic, one: Unlisted | None) -> dict[str, Any]:
    return {
        "topic": told.topic,
        "site": one.site if one is not None else None,
        "transmitter": (one.transmitter or None) if one is not None else None,
        "reports": told.count,
        "first": rfc3339(told.first_us),
        "newest": rfc3339(told.newest_us),
        "suggested_row": dict(one.suggested) if one is not None else {},
        "guesses": list(one.guesses) if one is not None else [],
    }


def _as_data(view: IntakeView) -> dict[str, Any]:
    news = view.news
    return {
        "time": rfc3339(view.now_us),
        "state": news.kind,
        "lag_s": None if news.lag_us is None else news.lag_us / 1e6,
        "stored_until": None if news.horizon_us is None else rfc3339(news.horizon_us),
        "last_report_received": None if news.received_us is None else rfc3339(news.received_us),
        "rates": [
            {"span_s": one.span_us / 1e6, "readings": one.readings, "is_whole": one.is_whole}
            for one in view.rates
        ],
        "refused": [
            {"reason": one.reason, "count": one.count, "newest": rfc3339(one.newest_us)}
            for one, _ in view.reasons
        ],
        "not_on_site_list": [_unlisted(one.told, one) for one in view.unlisted],
        "sites_with_overdue_transmitters": view.late_sites,
        "transmitters_with_units_in_doubt": view.doubted,
        "units_in_doubt": [
            {"site": one.site, "transmitter": one.transmitter, "question": one.text} for one in view.doubts
        ],
    }
