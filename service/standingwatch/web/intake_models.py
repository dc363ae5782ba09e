"""What the API of the intake takes and gives, as models that its OpenAPI description shows."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field

from standingwatch.web.api_models import NO_NUL, Given
from standingwatch.web.board_models import IntakeState

#: Longest payload that is tried, and longest topic [characters].
LONGEST_TRIAL, LONGEST_TOPIC = 20_000, 600


class RateData(BaseModel):
    """Readings that came in some time."""

    span_s: float
    readings: int
    is_whole: bool = Field(description="false: only the newest arrivals of that time are counted")


class ReasonCount(BaseModel):
    """Reports that wait, refused for one reason."""

    reason: str
    count: int
    newest: str


class UnlistedData(BaseModel):
    """Who reports without being on the site list."""

    topic: str
    site: str | None = Field(description="null where the topic names nobody")
    transmitter: str | None = Field(description="null for the link of a site")
    reports: int
    first: str
    newest: str
    suggested_row: dict[str, str] = Field(description="columns of the site list that are known or guessed")
    guesses: list[str] = Field(description="where those come from")


class UnitInDoubt(BaseModel):
    """A transmitter whose powers can hardly be in watts."""

    site: str
    transmitter: str
    question: str


class Intake(BaseModel):
    """Whether the intake keeps up, and what it could not use. Times are RFC 3339."""

    time: str
    state: IntakeState
    lag_s: float | None
    stored_until: str | None
    last_report_received: str | None
    rates: list[RateData]
    refused: list[ReasonCount]
    not_on_site_list: list[UnlistedData] = Field(description="the most frequent hundred")
    sites_with_overdue_transmitters: int
    transmitters_with_units_in_doubt: int
    units_in_doubt: list[UnitInDoubt] = Field(description="the first of them, as on the page")


class RefusedData(BaseModel):
    """A report that could not be used and waits."""

    number: int
    received: str
    topic: str
    reason: str
    detail: str
    payload: str | None = Field(description="null where it is no UTF-8 text")
    payload_base64: str


class RefusedReports(BaseModel):
    """A page of reports that wait, the newest first."""

    time: str
    reports: list[RefusedData]
    next: str | None = Field(description="cursor of the next page; null at the end")


class UnlistedTopics(BaseModel):
    """A page of who reports without being on the site list, by topic."""

    time: str
    topics: list[UnlistedData]
    next: str | None = Field(description="cursor of the next page; null at the end")


class TrialGiven(Given):
    """A payload to try. Nothing of it is kept."""

    payload: str = Field(min_length=1, max_length=LONGEST_TRIAL)


class TrialRefusal(BaseModel):
    """Why a report of a payload would be refused."""

    reason: str
    detail: str


class Trial(BaseModel):
    """What the intake would make of a payload."""

    readings: list[dict[str, Any]] = Field(description="members as they are kept, those that are known")
    refused: list[TrialRefusal]


class RetryGiven(Given):
    """Which refused reports to put in again."""

    reason: str = Field(min_length=1, max_length=100, pattern=NO_NUL)
    topic: str = Field("", max_length=LONGEST_TOPIC, pattern=NO_NUL, description="empty for all topics")


class Retried(BaseModel):
    """What came of putting reports in again."""

    stored: int = Field(description="readings")
    refused: int = Field(description="reports that were refused once more, each with its reason")


class AcceptGiven(Given):
    """Somebody who reports, to be taken into the site list."""

    topic: str = Field(min_length=1, max_length=LONGEST_TOPIC, pattern=NO_NUL)
    row: dict[str, str | float] = Field(
        default_factory=dict,
        max_length=100,
        description="columns of the site list; without any the suggested row. Site and transmitter are those "
        "of the topic",
    )


class Accepted(BaseModel):
    """Somebody who is on the site list now."""

    site: str
    transmitter: str
    warnings: list[str]
    stored: int | None = Field(description="readings of reports that had waited; null where none were put in")
    refused: int | None
