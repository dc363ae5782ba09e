"""What the API of visits takes and gives, as models that its OpenAPI description shows."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from standingwatch.alarms.handling import LONGEST_TEXT
from standingwatch.review.visits import LONGEST_CREW
from standingwatch.web.api_models import NO_NUL, Given

StateWord = Literal["proposed", "planned", "under-way", "done", "proven", "not-fixed", "dropped"]
UrgencyWord = Literal["at-once", "within-days", "within-weeks", "with-the-next-visit"]
VisitActWord = Literal["plan", "begin", "done", "drop", "findings", "proven", "not-fixed", "baseline"]
CauseWord = Literal[
    "connector",
    "water",
    "antenna-damage",
    "loose-connection",
    "ice",
    "feeder-loss",
    "amplifier",
    "coupler",
    "shared-antenna-system",
    "site-link",
    "regional-weather",
    "unknown",
]

#: A transmitter, "" for the whole site. The pattern has the text looked at: what is no Unicode is refused.
ResourceName = Annotated[str, Field(max_length=100, pattern=NO_NUL)]


class VisitAlarm(BaseModel):
    """An alarm that speaks of a trouble."""

    condition: str
    severity: str
    time_raised: str
    time_ended: str | None
    text: str


class VisitTrouble(BaseModel):
    """What is wrong with one resource of the site."""

    transmitter: str | None = Field(description="null for the whole site or a group")
    members: list[str]
    condition: str
    urgency: UrgencyWord
    calls: bool = Field(description="false for what is only done with the same trip")
    likely_causes: list[dict[str, Any]]
    alarms: list[VisitAlarm]
    true_cause: CauseWord | None


class VisitFinding(BaseModel):
    """What was found."""

    by: str
    time: str
    text: str


class Visit(BaseModel):
    """A visit to a site. Times are RFC 3339."""

    number: int
    site: str
    state: StateWord
    urgency: UrgencyWord
    time_proposed: str
    time_changed: str
    planned_for: str | None
    crew: str | None
    time_begun: str | None
    time_done: str | None
    access: str
    antenna_gain_dbi: float | None
    windows: list[int] = Field(description="numbers of its windows of work")
    troubles: list[VisitTrouble]
    finding: VisitFinding | None


class Visits(BaseModel):
    """A page of visits, the newest change first."""

    time: str
    total: int = Field(description="how many fit the filters in all")
    visits: list[Visit]
    next: str | None = Field(description="cursor of the next page; null at the end")


class VisitLine(BaseModel):
    """A line of a visit's story."""

    time: str
    by: str
    state: StateWord
    text: str


class NewBaselineData(BaseModel):
    """How it stands with the new baseline of a transmitter, in rho at the transmitter."""

    transmitter: str
    state: Literal["not-opened", "learning", "proposed", "accepted"]
    version: int | None = Field(description="what the act `baseline` names; null before one is opened")
    kind: str | None
    rho: float | None
    spread: float | None
    accepted_by: str | None
    time_accepted: str | None


class FullVisit(Visit):
    """A visit with its story, and what the comparison of before and after says."""

    story: list[VisitLine]
    proof: dict[str, Any] | None = Field(description="as of now; null before the work is done")
    verdict: dict[str, Any] | None = Field(description="as it was when somebody decided")
    new_baselines: list[NewBaselineData] = Field(description="of the transmitters that were worked at")


class VisitAct(Given):
    """Something to do with a visit; which members are wanted depends on the act."""

    act: VisitActWord
    planned_for: str | None = Field(None, max_length=40, description="plan: RFC 3339 with offset")
    crew: str = Field("", max_length=LONGEST_CREW, description="plan: who goes")
    access: str = Field("", max_length=LONGEST_TEXT, description="plan: notes for whoever drives there")
    antenna_gain_dbi: float | None = Field(None, ge=-20, le=40, description="plan: for the exposure estimate")
    found: dict[ResourceName, CauseWord] = Field(
        default_factory=dict, description='findings: true cause by transmitter, "" for the whole site'
    )
    text: str = Field("", max_length=LONGEST_TEXT, description="reason, or what was found")
    transmitter: ResourceName = Field("", description="baseline: whose new one is accepted")
    version: int | None = Field(None, ge=0, lt=2**31, description="baseline: the version that was looked at")


class CauseShare(BaseModel):
    """How often a cause that led was the true one."""

    cause: CauseWord
    right: int
    told: int


class Causes(BaseModel):
    """How often the leading likely cause was the true one."""

    right: int
    told: int
    not_found: int
    by_cause: list[CauseShare]
