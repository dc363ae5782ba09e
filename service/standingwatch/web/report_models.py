"""The alarm system's own report as the API gives it."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field


class Figure(BaseModel):
    """A figure against its published target."""

    name: str
    what: str
    value: float | None = Field(description="null where there is nothing to count")
    unit: str
    verdict: Literal["met", "within the limit", "not met", "cannot say", "no target"]
    target: str
    limit: str
    source: str
    status: str = Field(description="whether the target was read, at second hand, or is from memory")
    note: str


class Frequent(BaseModel):
    """One of the alarms that came most often."""

    key: str
    count: int
    share_percent: float


class Report(BaseModel):
    """What the alarm system asks of people. Times are RFC 3339."""

    start: str
    end: str
    operators: float
    alarms: int
    by_severity: dict[str, int]
    lines: list[Figure]
    most_frequent: list[Frequent]
    notifications_since: str
    notifications: dict[str, list[Figure]] = Field(description="rates of what each channel sent")
