"""Transmitters of a region that rise together: weather, where nobody tells it."""

from __future__ import annotations

import numpy as np

from standingwatch.detect.interface import State
from standingwatch.detect.scale import attenuation, one_step_rho
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray

#: What is far above normal, at the antenna's end, in rho.
FAR_RHO = 0.08
#: So many transmitters of so many sites of a region that have been far above normal for so few days are
#: taken for weather, where nobody tells the temperature.
RISEN_MEMBERS, RISEN_SITES, RISEN_DAYS = 3, 2, 10


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
    """Per site, whether transmitters of several sites of its region have lately risen together.

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
    return result
