"""One row of the inventory, what its feeder loses, and what does not go together in it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

from standingwatch.inventory.columns import shown
from standingwatch.rf.feeder import UnknownFeederTypeError, find_feeder_type, matched_loss_db

CouplerPlace = Literal["transmitter", "behind-combiner", "antenna"]
MatchingUnit = Literal["none", "transmitter", "feed-point"]
PaProtection = Literal["foldback", "shutdown", "none"]


@dataclass(frozen=True)
class InventoryRow:
    """What the inventory says of one transmitter; None where it says nothing. Units are in the names.

    `columns.COLUMNS` has range and meaning of each.
    """

    site: str
    transmitter: str
    frequency_mhz: float
    site_name: str | None = None
    region: str | None = None
    latitude: float | None = None
    longitude: float | None = None
    antenna_line: str | None = None
    rated_power_w: float | None = None
    feeder_type: str | None = None
    feeder_length_m: float | None = None
    feeder_loss_db: float | None = None
    feeder_power_rating_w: float | None = None
    coupler_directivity_db: float | None = None
    coupler_place: CouplerPlace | None = None
    matching_unit: MatchingUnit | None = None
    pa_protection: PaProtection | None = None
    min_forward_w: float | None = None
    foldback_swr: float | None = None
    tolerance_swr: float | None = None
    profile: str | None = None
    commissioned_return_loss_db: float | None = None
    expected_interval_s: float | None = None


_FEEDER = ("feeder_type", "feeder_length_m", "feeder_loss_db")


class RowProblem(NamedTuple):
    """Something wrong between the cells of a row; the first key is the one to name."""

    severity: Literal["error", "warning"]
    keys: tuple[str, ...]
    got: str
    wanted: str
    mend: str


def feeder_loss_db(row: InventoryRow) -> float:
    """Return the one-way matched loss of a transmitter's feeder [dB]; NaN if it is not known.

    The loss in the row wins; else it comes from type, length and frequency. NaN also for a type that is not
    known, or not at this frequency.
    """
    if row.feeder_loss_db is not None:
        return row.feeder_loss_db
    if row.feeder_type is None or row.feeder_length_m is None:
        return math.nan
    try:
        kind = find_feeder_type(row.feeder_type)
    except UnknownFeederTypeError:
        return math.nan
    return float(matched_loss_db(kind, row.feeder_length_m, row.frequency_mhz))


def loss_behind_coupler_db(row: InventoryRow) -> float:
    """Return the one-way matched loss between coupler and antenna [dB]; NaN if a reading cannot be carried.

    Zero for a coupler at the antenna. NaN with a matching unit at the transmitter, unless the coupler sits
    behind it: what the coupler then reads is the match of the unit, not the feeder's standing wave.
    """
    if row.coupler_place == "antenna":
        return 0.0
    if row.matching_unit == "transmitter" and row.coupler_place != "behind-combiner":
        return math.nan
    return feeder_loss_db(row)


def row_problems(row: InventoryRow) -> Iterator[RowProblem]:
    """Yield what does not go together in a row whose cells are each in order."""
    yield from _feeder_problems(row)
    if (row.latitude is None) != (row.longitude is None):
        there, absent = ("latitude", "longitude") if row.longitude is None else ("longitude", "latitude")
        yield RowProblem(
            "warning",
            (absent, there),
            "nothing",
            f"a {absent}, since there is a {there}",
            "give both or neither",
        )
    rated, rating = row.rated_power_w, row.feeder_power_rating_w
    if rated is not None and rating is not None and rated > rating:
        yield RowProblem(
            "warning",
            ("feeder_power_rating_w", "rated_power_w"),
            f"{rating:g}",
            f"at least rated_power_w = {rated:g}",
            "the transmitter overloads the feeder even with a perfect match",
        )
    if rated is not None and row.min_forward_w is not None and row.min_forward_w >= rated:
        yield RowProblem(
            "warning",
            ("min_forward_w", "rated_power_w"),
            f"{row.min_forward_w:g}",
            f"less than rated_power_w = {rated:g}",
            "hardly a reading will count as keyed",
        )
    if row.pa_protection == "none" and row.foldback_swr is not None:
        yield RowProblem(
            "warning",
            ("foldback_swr", "pa_protection"),
            f"{row.foldback_swr:g}",
            "nothing, since pa_protection is none",
            "leave foldback_swr empty or correct pa_protection",
        )
    if row.expected_interval_s is not None and row.expected_interval_s < 1.0:
        yield RowProblem(
            "warning",
            ("expected_interval_s",),
            f"{row.expected_interval_s:g}",
            "1 or more [s]",
            "reports would count as missing after a few seconds",
        )


def _feeder_problems(row: InventoryRow) -> Iterator[RowProblem]:
    if row.feeder_type is None or row.feeder_loss_db is not None:
        # With a loss given the type is a remark, and may be a cable that is in no table.
        if row.feeder_length_m is not None and row.feeder_loss_db is None:
            mend = "give feeder_type or feeder_loss_db, else the loss is not known"
            yield RowProblem("warning", _FEEDER, "nothing", "a type, since there is a length", mend)
        return
    try:
        kind = find_feeder_type(row.feeder_type)
    except UnknownFeederTypeError as error:
        # The message has got and wanted before the first semicolon, and how to mend it after.
        mend = str(error).partition("; ")[2]
        yield RowProblem("error", _FEEDER, shown(row.feeder_type), "a known type", mend)
        return
    if row.feeder_length_m is None:
        mend = "without it the loss is not known, and no SWR can be carried to the antenna"
        yield RowProblem(
            "warning", _FEEDER[1:] + _FEEDER[:1], "nothing", "a length, since there is a type", mend
        )
    elif math.isnan(feeder_loss_db(row)):
        yield RowProblem(
            "warning",
            _FEEDER,
            f"{kind.name} at {row.frequency_mhz:g} MHz",
            f"a frequency up to {kind.max_frequency_mhz:g} MHz for this type",
            "the loss is not known: give feeder_loss_db",
        )
