"""From the rows of the inventory to the fleet's columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from standingwatch.inventory.rows import InventoryRow, loss_behind_coupler_db
from standingwatch.readings.fleet import Fleet, FloatArray
from standingwatch.rf import rho_from_return_loss_db


@dataclass(frozen=True)
class FleetDefaults:
    """What holds where a row does not say. The names are those of the settings' section `defaults`.

    Attributes:
        coupler_directivity_db: directivity of the coupler [dB].
        expected_interval_s: time between reports [s].
        foldback_swr: SWR at which the protection starts.
        tolerance_swr: highest SWR the transmitter is specified to stand.
        min_forward_fraction: part of rated power below which a reading says nothing about the match [1].
        min_forward_w: the same where the rated power is not known [W].
    """

    coupler_directivity_db: float = 25.0
    expected_interval_s: float = 300.0
    foldback_swr: float = 2.5
    tolerance_swr: float = 3.0
    min_forward_fraction: float = 0.02
    min_forward_w: float = 0.5

    def __post_init__(self) -> None:
        bad = [f"{f.name} = {getattr(self, f.name)}" for f in fields(self) if not getattr(self, f.name) > 0]
        if bad:
            raise ValueError(f"fleet defaults: got {', '.join(bad)}, wanted numbers above 0")


def build_fleet(
    rows: Sequence[InventoryRow], keys: Sequence[int] | npt.NDArray[np.int64], defaults: FleetDefaults
) -> Fleet:
    """Return the fleet of some rows.

    Parameters
    ----------
    rows
        One row per transmitter.
    keys
        Each transmitter's number in the store, in the order of the rows, no two alike.
    defaults
        What holds where a row does not say.

    Returns
    -------
    Fleet
        Of the length of `rows`. The feeder loss is that between coupler and antenna, NaN where a reading
        cannot be carried to the antenna; rated power is NaN where it is not known; the SWR of foldback is NaN
        for an amplifier without protection, unless its row gives one.

    Raises
    ------
    ValueError
        If there are not as many keys as rows, or two are alike, or two rows have the same names.
    """
    key = np.asarray(keys, dtype=np.int64).reshape(-1)
    if len(key) != len(rows) or len(np.unique(key)) != len(key):
        got = f"{len(key)} keys, {len(np.unique(key))} different ones"
        raise ValueError(f"fleet: got {got}, wanted {len(rows)}, one per row")
    rated_power_w = _column([row.rated_power_w for row in rows])
    by_rating = rated_power_w * defaults.min_forward_fraction
    otherwise = np.where(np.isnan(by_rating), defaults.min_forward_w, by_rating)
    given_w = _column([row.min_forward_w for row in rows])
    return Fleet(
        key=key,
        site=tuple(row.site for row in rows),
        transmitter=tuple(row.transmitter for row in rows),
        region=tuple(row.region or "" for row in rows),
        antenna_line=tuple(row.antenna_line or "" for row in rows),
        frequency_mhz=_column([row.frequency_mhz for row in rows]),
        rated_power_w=rated_power_w,
        min_forward_w=np.where(np.isnan(given_w), otherwise, given_w),
        feeder_loss_db=_column([loss_behind_coupler_db(row) for row in rows]),
        directivity_db=_column([row.coupler_directivity_db for row in rows], defaults.coupler_directivity_db),
        foldback_swr=foldback_column(rows, defaults),
        tolerance_swr=_column([row.tolerance_swr for row in rows], defaults.tolerance_swr),
        commissioned_rho=rho_from_return_loss_db(_column([row.commissioned_return_loss_db for row in rows])),
        expected_interval_s=_column([row.expected_interval_s for row in rows], defaults.expected_interval_s),
        profile=tuple(row.profile or "" for row in rows) if any(row.profile for row in rows) else (),
    )


def foldback_column(rows: Sequence[InventoryRow], defaults: FleetDefaults) -> FloatArray:
    """Return the SWR at which each protection starts; NaN for none."""
    given = _column([row.foldback_swr for row in rows])
    unprotected = np.array([row.pa_protection == "none" for row in rows], dtype=np.bool_)
    return np.where(np.isnan(given), np.where(unprotected, np.nan, defaults.foldback_swr), given)


def _column(values: Sequence[float | None], default: float = math.nan) -> FloatArray:
    return np.array([default if value is None else value for value in values], dtype=np.float64)
