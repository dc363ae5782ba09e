"""What the API gives of readings and of a line as it stands, as models of its OpenAPI description."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from standingwatch.web.api_models import Alarm
from standingwatch.web.board_models import Level

FlagWord = Literal[
    "not-keyed",
    "low-forward",
    "reflected-above-forward",
    "out-of-range",
    "future",
    "late",
    "stuck",
    "clock-off",
]


class ReadingData(BaseModel):
    """One reading as it is kept; null for what the report did not say. Units are in the names."""

    time: str = Field(description="when it was measured")
    received: str
    forward_w: float
    reflected_w: float
    keyed: bool | None
    frequency_mhz: float | None
    channel: str | None
    set_power_w: float | None
    foldback: bool | None
    pa_temperature_c: float | None
    ambient_temperature_c: float | None
    precipitation: float | None = Field(description="in the unit that the site reports")
    wind_mps: float | None
    sequence: int | None
    flags: list[FlagWord] = Field(description="what is wrong with it; empty for nothing")


class ReadingsPage(BaseModel):
    """Readings of one transmitter, the oldest first. Times are RFC 3339."""

    site: str
    transmitter: str
    since: str = Field(alias="from")
    until: str = Field(alias="to", description="not in it")
    readings: list[ReadingData]
    next: str | None = Field(description="cursor of the readings that follow; null at the end")


class FiguresData(BaseModel):
    """A match at both ends; null where it is not known or not possible."""

    swr: Level
    return_loss_db: Level
    swr_at_antenna: Level
    return_loss_at_antenna_db: Level


class LimitData(BaseModel):
    """A limit at both ends."""

    name: str = Field(description="what it is a limit of; several with commas")
    at: FiguresData


class Line(BaseModel):
    """One antenna line as it stands."""

    time: str
    site: str
    site_name: str
    region: str | None
    transmitter: str
    severity: Literal["warning", "minor", "major", "critical"] | None
    sentences: list[str] = Field(description="what is going on")
    present: FiguresData = Field(description="level of the last readings")
    newest: FiguresData = Field(description="the newest reading alone")
    baseline: FiguresData
    least: FiguresData = Field(description="the best that meter and coupler leave possible now")
    most: FiguresData = Field(description="the worst that they leave possible")
    lost_db: Level = Field(description="loss between transmitter and antenna now")
    baseline_lost_db: Level = Field(description="the same at the baseline")
    directivity_db: Level = Field(description="of the coupler")
    ceiling_swr: Level = Field(description="the highest SWR that the transmitter can see behind the feeder")
    limits: list[LimitData]
    alarms: list[Alarm] = Field(description="those that stand about this line")
