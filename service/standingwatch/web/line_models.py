"""What the series API gives, as models that its OpenAPI description shows."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

#: A value of a column: null where it is not known.
Value = float | int | Literal["infinite"] | None


class Quantity(BaseModel):
    """What a column holds."""

    unit: str = Field(description='"1" for a ratio or count')
    what: str


class Series(BaseModel):
    """One line's course as columns of one length, a value per row. Times are RFC 3339."""

    site: str
    transmitter: str
    since: str = Field(alias="from")
    until: str = Field(alias="to", description="not in it")
    resolution: Literal["raw", "hour", "day"] = Field(description="what a row stands for")
    quantities: dict[str, Quantity]
    time: list[str] = Field(description="when, or begin of the hour or day (UTC)")
    columns: dict[str, list[Value]] = Field(description='by quantity; "infinite" for an infinite value')
    next: str | None = Field(description="cursor of the rows that follow; null at the end")
