"""What the API gives of the board and of what is new, as models that its OpenAPI description shows."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from standingwatch.web.api_models import Alarm, Given, SeverityWord

#: A level: null where it is not known.
Level = float | Literal["infinite"] | None

IntakeState = Literal["fresh", "no-sites", "waiting", "cut-off", "silent"]


class IntakeSaid(BaseModel):
    """How fresh the board is."""

    state: IntakeState
    stored_until: str | None = Field(description="up to when all that was sent has been kept")
    last_report_received: str | None


class BoardTransmitter(BaseModel):
    """A transmitter on the board."""

    transmitter: str
    frequency_mhz: Level
    swr: Level = Field(description="at the transmitter")
    swr_at_antenna: Level
    return_loss_db: Level
    baseline_swr: Level
    forward_w: Level
    measured: str | None = Field(description="when the match was measured")
    measured_within_hour_from_there: bool = Field(
        description="it is known only to the hour that begins there"
    )
    last_report: str | None
    last_report_within_hour_from_there: bool
    state: str
    alarms: list[Alarm]


class BoardSite(BaseModel):
    """A site on the board."""

    site: str
    site_name: str
    region: str | None
    severity: SeverityWord | None = Field(description="of the gravest alarm that it is in; null for none")
    alarms: list[Alarm] = Field(description="those about the site as a whole or several of its transmitters")
    transmitters: list[BoardTransmitter]


class Board(BaseModel):
    """A page of the board, in the order that was asked for. Times are RFC 3339."""

    time: str
    intake: IntakeSaid
    alarms: dict[SeverityWord, int] = Field(description="how many stand of each severity, in all")
    service_alarms: list[Alarm] = Field(description="about this service itself")
    region_alarms: list[Alarm] = Field(description="about regions, once each")
    sites_chosen: int = Field(description="how many sites fit the filters in all")
    page: int
    pages: int
    sites: list[BoardSite]
    next: str | None = Field(description="cursor of the next page; null at the end")


TurnWord = Literal["new", "worse", "better", "cleared", "came-and-went", "changed"]


class Course(BaseModel):
    """What an alarm has done since a time."""

    subject: str
    condition: str
    turn: TurnWord
    severity_before: SeverityWord | Literal["cleared"]
    severity: SeverityWord | Literal["cleared"]
    noted: str = Field(description="when its last change was noted")
    text: str


class Since(BaseModel):
    """A page of what alarms have done since a time, gravest of now first."""

    time: str
    since: str | None
    until: str = Field(description="up to when this shows every change: what a look is kept with")
    counts: dict[TurnWord, int]
    alarms: list[Course]
    next: str | None = Field(description="cursor of the next page; null at the end")


class LookGiven(Given):
    """That somebody has seen what there was."""

    until: str = Field(max_length=40, description="the `until` of what was looked at, RFC 3339 with offset")


class LookKept(BaseModel):
    """Since when things are new for whoever asked."""

    seen_until: str
