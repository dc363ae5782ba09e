"""The API of payload profiles: those there are, one tried on a sample, a start for one drafted from it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

from fastapi import FastAPI, Request
from starlette.exceptions import HTTPException

from standingwatch.alarms.event import rfc3339
from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.web import profile_models as models
from standingwatch.web.access import VIEWER, about_act
from standingwatch.web.problems import problem_responses
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.profile_trial import BadSampleError, Sample, TriedReport, draft_from, try_profile


def add_profile_api(
    app: FastAPI,
    folder: ProfileFolder,
    listed: Callable[[], Collection[tuple[str, str]]],
    clock: Callable[[], int],
    time_if_absent: TimeIfAbsent,
) -> None:
    """Add the routes. Nothing is stored by them.

    Args:
        app: where to.
        folder: the profiles.
        listed: sites and transmitters of the site list.
        clock: now [Unix microseconds].
        time_if_absent: what the intake does about a report without a time.
    """

    @app.get("/api/profiles", response_model=models.Profiles, dependencies=VIEWER, tags=["intake"])
    def profiles() -> dict[str, Any]:
        """The payload profiles, as their files are now."""
        known = folder.now()
        return {
            "profiles": [
                {"name": one.name, "title": one.title, "format": one.format, "topic": one.topic.text}
                for one in known.profiles
            ],
            "problems": known.problems,
        }

    @app.post(
        "/api/profiles/try",
        response_model=models.Tried,
        responses=problem_responses(400, 404, 422),
        dependencies=VIEWER,
        tags=["intake"],
    )
    def try_sample(request: Request, given: models.SampleGiven) -> dict[str, Any]:
        """What a profile makes of a message, field by field. Nothing is kept."""
        about_act(request, "try a profile", given.profile)
        profile = folder.now().named(given.profile)
        if profile is None:
            raise HTTPException(404, f"There is no profile “{given.profile}” that can be used.")
        sample = Sample(given.profile, given.topic, given.payload)
        try:
            trial = try_profile(profile, sample, clock(), time_if_absent=time_if_absent, listed=listed())
        except BadSampleError as error:
            raise HTTPException(422, str(error)) from error
        return {
            "count": trial.count,
            "refused": trial.refused,
            "reports": [_tried(one) for one in trial.reports],
        }

    @app.post(
        "/api/profiles/draft",
        response_model=models.Drafted,
        responses=problem_responses(400, 422),
        dependencies=VIEWER,
        tags=["intake"],
    )
    def draft(request: Request, given: models.ExampleGiven) -> dict[str, Any]:
        """A start for a profile from one message, every guess in it marked. Nothing is kept."""
        about_act(request, "draft a profile", "")
        try:
            trial = draft_from(Sample("", given.topic, given.payload), listed())
        except BadSampleError as error:
            raise HTTPException(422, str(error)) from error
        return {"text": trial.draft, "guesses": trial.guesses, "needed": trial.needed}


def _tried(one: TriedReport) -> dict[str, Any]:
    reading = None
    if one.reading is not None:
        said = {name: value for name, value in one.reading._asdict().items() if value is not None}
        reading = {"time": rfc3339(said.pop("time_us")), **said}
    return {
        "site": one.site,
        "transmitter": one.transmitter,
        "is_listed": one.is_listed,
        "reading": reading,
        "reason": one.reason or None,
        "outcome": one.outcome,
        "fields": [row._asdict() for row in one.fields],
    }
