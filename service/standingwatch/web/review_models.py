"""The overnight review as the API gives it. Times are RFC 3339; levels of a match are rho, 0 to 1."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field

from standingwatch.alarms.event import rfc3339
from standingwatch.review.overnight import Review
from standingwatch.store.reviews import Kept


class ReviewName(BaseModel):
    """A kept review."""

    id: int
    region: str = Field(description="empty for the whole fleet")
    day: str = Field(description="the local day that it is of")
    made: str
    since: str


class Reviews(BaseModel):
    """Kept reviews, the newest first."""

    reviews: list[ReviewName]
    next: str | None = Field(description="cursor of the next page; null at the end")


class OutlookData(BaseModel):
    """When the trend reaches one limit."""

    limit: str
    swr: float
    says: str
    earliest: str | None
    expected: str | None
    latest: str | None


class ReasonData(BaseModel):
    """A likely cause."""

    cause: str
    confidence: float
    because: str


class TrendData(BaseModel):
    """The course of the match at the transmitter."""

    start: str
    daily_rho: list[float | None]
    baseline_rho: float | None
    baseline_spread: float | None
    baseline_kind: str
    now_rho: float | None
    week_rho: float | None
    month_rho: float | None


class ItemData(BaseModel):
    """An alarm of the review."""

    rank: int = Field(description="by urgency, from 1; 0 for what is set aside or has ended")
    change: str
    aside: str
    subject: str
    site: str
    transmitter: str
    region: str
    service: str
    condition: str
    site_name: str
    severity: str
    before: str
    raised: str
    changed: str
    raisings: int
    causes: list[ReasonData]
    forecast: list[OutlookData]
    days_left: float = Field(description="as it counts [d]")
    is_forecast: bool
    lost_db: float | None = Field(description="what the fault costs [dB]")
    shares_trip: int
    urgency: str
    first_step: str
    text: str
    members: list[str]
    operator_state: str
    assigned_to: str
    until: str | None
    why_aside: str
    visit: int | None
    visit_state: str
    forecast_days: float | None = Field(description="until foldback or tolerance, by the forecast [d]")
    trend: TrendData | None


class StopData(BaseModel):
    """A site on a trip."""

    site: str
    site_name: str
    distance_km: float


class TripData(BaseModel):
    """What one trip could see to."""

    stops: list[StopData]
    ranks: list[int]
    urgency: str


class NoDataData(BaseModel):
    """A transmitter without useful data."""

    site: str
    site_name: str
    transmitter: str
    region: str
    kind: str
    since: str | None


class FigureData(BaseModel):
    """A figure of the alarm system's own report."""

    name: str
    what: str
    value: float | None
    unit: str
    verdict: str
    target: str
    note: str


class VisitOverData(BaseModel):
    """A visit that somebody has given their word on since the review before."""

    number: int
    site: str
    site_name: str
    state: str
    decided: str
    found: list[str] = Field(description="the true causes that it found")


class ReviewData(BaseModel):
    """An overnight review."""

    id: int
    region: str
    day: str
    timezone: str
    made: str
    since: str
    data_until: str
    sites: int
    transmitters: int
    summary: str
    items: list[ItemData]
    trips: list[TripData]
    no_data: list[NoDataData]
    no_data_counts: dict[str, int]
    performance_days: float
    performance: list[FigureData]
    visits_over: list[VisitOverData]
    causes_right: int = Field(description="likely causes that a visit found to be the true ones, in all")
    causes_told: int = Field(description="true causes that visits have found, in all")


def kept_data(kept: Kept) -> dict[str, Any]:
    """A kept review by name."""
    return {
        "id": kept.number,
        "region": kept.region,
        "day": kept.day,
        "made": rfc3339(kept.made_us),
        "since": rfc3339(kept.since_us),
    }


def review_data(number: int, review: Review) -> dict[str, Any]:
    """A review as JSON data."""
    data: dict[str, Any] = _with_times(review.as_data())
    data.pop("last_change")
    return {"id": number, **data}


def _with_times(value: Any) -> Any:
    """Data with its times as RFC 3339, and their names without the unit."""
    if isinstance(value, dict):
        return {
            name.removesuffix("_us"): (
                (None if inner is None else rfc3339(inner)) if name.endswith("_us") else _with_times(inner)
            )
            for name, inner in value.items()
        }
    if isinstance(value, list | tuple):
        return [_with_times(inner) for inner in value]
    return value
