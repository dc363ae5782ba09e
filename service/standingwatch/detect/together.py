"""What shows weather that nobody tells: what rises together, and what goes back by itself."""

from __future__ import annotations

import numpy as np

from standingwatch.detect.history import last_days
from standingwatch.detect.interface import State
from standingwatch.detect.scale import attenuation, one_step_rho
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray

#: What is far above normal, at the antenna's end, in rho.
FAR_RHO = 0.08
#: So many transmitters of so many sites of a region that have been far above normal for so few days are
#: taken for weather, where nobody tells the temperature.
RISEN_MEMBERS, RISEN_SITES, RISEN_DAYS = 3, 2, 10

#: Or so many antenna lines of one site, and so great a part of its lines: nothing of any one of them does it.
RISEN_LINES, RISEN_SHARE = 3, 0.6

#: A level that has fallen by this part of its height within so many days went back by itself: ice grows with
#: precipitation and wastes in sun and wind between, broken metal keeps its reflection, and water in a line
#: dries out over weeks, not to its half within days (common practice, no source).
WENT_BACK_SHARE, WENT_BACK_DAYS = 0.5, 8
#: No fall is taken to be smaller, at the antenna's end, in rho.
LEAST_FALL_RHO = 0.025

#: Whoever has stood apart from its normal for so many days on end does not show rain by it: it dries between
#: (common practice, no source). With five days, or a quarter of ten, long rain was taken for normal.
LATELY_DAYS = 10


def lately_normal(state: State, number: int) -> FloatArray:
    """From what the next day's hours are counted as risen, in rho: the baseline, or what has come to stay.

    Where not two of the last days came to the baseline, it is the second of the days' levels next to it: in
    a region with many faults most would else seem to have risen for ever, and no hour to be dry.

    Args:
        state: records of `history.BASELINE_STATE`.
        number: the day that has closed.
    """
    levels = last_days(state["all_hours"], number, LATELY_DAYS)
    # Of the level nearest to the baseline all other days would seem a little risen, by their noise.
    lowest = np.sort(np.where(np.isfinite(levels), levels, np.inf), axis=1)[:, 1]
    highest = np.sort(np.where(np.isfinite(levels), levels, -np.inf), axis=1)[:, -2]
    # Of less than half of them nothing can be said to have come to stay.
    known = np.isfinite(levels).sum(axis=1) >= LATELY_DAYS // 2
    nearest: FloatArray = np.clip(
        state["rho"], np.where(known, lowest, -np.inf), np.where(known, highest, np.inf)
    )
    return nearest


def far_above(state: State, fleet: Fleet, smallest_spread_rho: float) -> FloatArray:
    """How far above normal an hour of each transmitter has to be to matter as weather or fault, in rho.

    Args:
        state: records of `history.BASELINE_STATE`.
        fleet: the transmitters.
        smallest_spread_rho: no hourly spread is taken to be smaller.
    """
    spread = np.fmax(state["hour_rho_spread"], smallest_spread_rho)
    far: FloatArray = np.fmax(FAR_RHO * attenuation(fleet), 8.0 * spread)
    return np.fmax(far, one_step_rho(state, 1.1))


def risen_together(state: State, fleet: Fleet, rho: FloatArray, far: FloatArray) -> BoolArray:
    """Per site, whether transmitters of several sites of its region, or most lines of its own, rose together.

    Args:
        state: records of `history.BASELINE_STATE`; `risen_days` is brought up to date.
        fleet: the transmitters.
        rho: level by hour of the day, shape (transmitters, 24).
        far: what is far above normal, per transmitter.
    """
    risen = (rho >= (state["rho"] + far)[:, None]).any(axis=1)
    state["risen_days"] = np.where(risen, state["risen_days"] + 1, 0)
    lately = risen & (state["risen_days"] <= RISEN_DAYS)
    result = np.zeros(len(fleet.site_names), dtype=np.bool_)
    for region in np.unique(fleet.region_of[lately]).tolist():
        mine = lately & (fleet.region_of == region)
        if mine.sum() >= RISEN_MEMBERS and len(np.unique(fleet.site_of[mine])) >= RISEN_SITES:
            result[fleet.site_of[fleet.region_of == region]] = True
    for site in np.unique(fleet.site_of[lately]).tolist():
        here = np.flatnonzero(fleet.site_of == site)
        # One that shares its line with nobody has one of its own.
        line = np.where(fleet.line_of[here] >= 0, fleet.line_of[here], -1 - np.arange(len(here)))
        moved = len(np.unique(line[lately[here]]))
        result[site] |= moved >= RISEN_LINES and moved >= RISEN_SHARE * len(np.unique(line))
    return result


def went_back(state: State, fleet: Fleet, number: int) -> BoolArray:
    """Per transmitter, whether its level, ice and all, fell back lately, by half of its height or more.

    A fall counts only where it is more than the noise of days.

    Args:
        state: records of `history.BASELINE_STATE`.
        fleet: the transmitters.
        number: the day that has closed.
    """
    levels = last_days(state["with_ice"], number, WENT_BACK_DAYS + 1)
    # What lies at its normal or below is no height that could be fallen from.
    height = np.fmax(levels - state["rho"][:, None], 0.0)
    top = np.maximum.accumulate(height, axis=1)
    fall = np.where(np.isfinite(levels), top - height, 0.0)
    least = np.fmax(LEAST_FALL_RHO * attenuation(fleet), 6.0 * np.nan_to_num(state["spread"]))
    result: BoolArray = ((fall >= WENT_BACK_SHARE * top) & (fall >= least[:, None])).any(axis=1)
    return result
