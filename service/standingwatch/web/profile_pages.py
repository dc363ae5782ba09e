"""Payload profiles on the page of the intake: one tried on a sample, or a start for one drafted from it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Protocol

from fastapi import FastAPI, Request
from fastapi.responses import Response

from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.web.access import VIEWER, about_act
from standingwatch.web.form import Form, ReadForm
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.profile_models import LONGEST_NAME, LONGEST_SAMPLE, LONGEST_TOPIC
from standingwatch.web.profile_trial import BadSampleError, Sample, Trial, draft_from, try_profile


class Show(Protocol):
    """Shows the page of the intake."""

    def __call__(
        self,
        request: Request,
        page: int,
        status: int = 200,
        *,
        sample: Sample = ...,
        sampled: Trial | None = ...,
        problems: tuple[str, ...] = ...,
    ) -> Response:
        """The page, with what was entered and what came of it."""
        ...


def add_profile_pages(
    app: FastAPI,
    folder: ProfileFolder,
    show: Show,
    listed: Callable[[], Collection[tuple[str, str]]],
    clock: Callable[[], int],
    time_if_absent: TimeIfAbsent,
) -> None:
    """Add the route that tries profiles and drafts them. Nothing is stored by it.

    Args:
        app: where to.
        folder: the profiles.
        show: shows the page of the intake.
        listed: sites and transmitters of the site list.
        clock: now [Unix microseconds].
        time_if_absent: what the intake does about a report without a time.
    """

    @app.post("/intake/profile", include_in_schema=False, dependencies=VIEWER)
    def try_sample(request: Request, form: ReadForm) -> Response:
        sample = Sample(form.text("profile"), form.text("topic"), _payload(form))
        is_draft = form.text("act") == "draft"
        about_act(request, "draft a profile" if is_draft else "try a profile", sample.profile)
        kept = Sample(
            sample.profile[:LONGEST_NAME], sample.topic[:LONGEST_TOPIC], sample.payload[:LONGEST_SAMPLE]
        )
        problems = []
        if not sample.payload.strip() or len(sample.payload) > LONGEST_SAMPLE:
            problems.append(f"Give a payload of 1 to {LONGEST_SAMPLE:,} characters.")
        if not sample.topic or len(sample.topic) > LONGEST_TOPIC:
            problems.append("Give the topic that the payload came on.")
        profile = folder.now().named(sample.profile)
        if profile is None and not is_draft:
            problems.append("Choose a profile, or draft one from the sample.")
        if problems:
            return show(request, 1, 422, sample=kept, problems=tuple(problems))
        try:
            if is_draft or profile is None:
                trial = draft_from(sample, listed())
            else:
                trial = try_profile(profile, sample, clock(), time_if_absent=time_if_absent, listed=listed())
        except BadSampleError as error:
            return show(request, 1, 422, sample=kept, problems=(str(error),))
        return show(request, 1, sample=kept, sampled=trial)


def _payload(form: Form) -> str:
    # As it was entered: blanks at the ends may be part of what a device sends.
    return form.fields.get("payload", [""])[-1]
