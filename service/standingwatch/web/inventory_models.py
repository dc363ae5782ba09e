"""What the API of the site list takes and gives, made of its columns: a new one is there by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, Field, create_model

from standingwatch.inventory import COLUMNS, Column, InventoryRow
from standingwatch.web.api_models import NO_NUL, Given

#: Longest text in a cell [characters].
LONGEST_CELL = 400

#: Columns that the address of a row names.
NAMES = ("site", "transmitter")


def _kind(column: Column) -> Any:
    """What may stand in a column."""
    if column.kind == "number":
        return float
    return Literal[column.words] if column.kind == "word" else str


def _field(column: Column, *, given: bool) -> Any:
    """How a column is described; what is given is held to its range by whoever reads site lists."""
    told: dict[str, Any] = {"description": column.description + (f" [{column.unit}]" if column.unit else "")}
    if given and column.kind == "number":
        told |= {"ge": column.low, "le": column.high} if abs(column.low) < 1e300 else {}
    if given and column.kind in ("name", "text"):
        told |= {"max_length": LONGEST_CELL, "pattern": NO_NUL}
    return Field(... if column.required else None, **told)


def _members(*, given: bool) -> dict[str, Any]:
    return {
        column.name: (
            _kind(column) if column.required else _kind(column) | None,
            _field(column, given=given),
        )
        for column in COLUMNS
        if not (given and column.name in NAMES)
    }


if TYPE_CHECKING:

    class ListedRow(BaseModel):
        """A row of the site list; null where it says nothing. Units are in the names."""

    class RowGiven(Given):
        """A row to put on the site list; its site and transmitter are those of the address."""

else:
    ListedRow = create_model(
        "ListedRow", __doc__="A row of the site list; null where it says nothing.", **_members(given=False)
    )
    RowGiven = create_model(
        "RowGiven",
        __base__=Given,
        __doc__="A row to put on the site list; what is left out or null it says nothing about.",
        **_members(given=True),
    )


class SiteListPage(BaseModel):
    """A page of the site list, by site and transmitter."""

    version: int = Field(description="rises with each change of the list")
    total: int
    rows: list[ListedRow]
    next: str | None = Field(description="cursor of the next page; null at the end")


class RowPut(BaseModel):
    """A row that is on the site list now."""

    row: ListedRow
    warnings: list[str]


class SiteData(BaseModel):
    """A site with what is known of it as a whole."""

    site: str
    site_name: str
    region: str | None
    latitude: float | None
    longitude: float | None
    severity: Literal["warning", "minor", "major", "critical"] | None = Field(
        description="of the gravest standing alarm that it is in"
    )
    transmitters: list[str]
    overdue: int = Field(description="how many of them are silent for too long")
    last_report: str | None
    last_report_within_hour_from_there: bool = Field(description="known only to the hour from there")


class Sites(BaseModel):
    """A page of the sites, by name. Times are RFC 3339."""

    time: str
    total: int
    sites: list[SiteData]
    next: str | None = Field(description="cursor of the next page; null at the end")


def row_data(row: InventoryRow) -> dict[str, Any]:
    """A row as JSON data."""
    return {column.name: getattr(row, column.name) for column in COLUMNS}
