"""How far a transmitter's daily level is from its baseline, and whether that can be believed.

A departure counts where it exceeds the baseline's own spread several times over, one step of the meter, and
a smallest change, on most of the last days: a few days of weather do not make one. The smallest change is
meant at the antenna's end: behind a lossy feeder the same fault shows less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from standingwatch.detect.history import (
    COMMISSIONED,
    FULL,
    adjusted,
    last_days,
    last_known,
    nan_median,
)
from standingwatch.detect.interface import State
from standingwatch.detect.scale import ASSUMED, attenuation, known_loss_db, one_step_rho
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray
from standingwatch.rf import rho_at_antenna, swr_from_rho

#: Days back in which the days that count are looked for.
LOOK_BACK = 16

#: One count of the meter more or less; the tenth is for noise that carries the level between two counts.
#: Lower, it may be rounding that has just turned, and is believed only where every day shows it.
ONE_COUNT, MORE_THAN_ONE_COUNT = 0.9, 1.1


#: So much of what counts has to stand in the levels as measured, before anything is taken off for
#: temperature: a coefficient learned in one season, or from a coarse meter, is off in another (common
#: practice, no source).
MEASURED_SHARE = 0.5


@dataclass(frozen=True)
class DepartureSettings:
    """What counts as leaving the baseline.

    Attributes:
        spread_multiple: departure of most of `days_many` days, in multiples of the daily level's spread.
        spread_multiple_few: the same for `days_to_raise` days in a row.
        smallest_change_rho: departure at the antenna's end below which nothing is said, in rho.
        floor_swr: SWR at the antenna end under which nothing is said (common practice, no source).
        days_to_raise: days in a row away, for the larger departure.
        days_many: days of which three quarters are away, for the smaller one.
        days_to_clear: days in a row back at it.
        abrupt_share: share of a departure that came between two days, from which it is a step.
    """

    spread_multiple: float = 4.0
    spread_multiple_few: float = 7.0
    smallest_change_rho: float = 0.025
    floor_swr: float = 1.3
    days_to_raise: int = 3
    days_many: int = 8
    days_to_clear: int = 4
    abrupt_share: float = 0.7


@dataclass(frozen=True)
class Departure:
    """Where each transmitter stands against its baseline at the end of a day, a value per transmitter.

    Attributes:
        level: present level of rho, from the last three days with one, NaN if there are none.
        change: that less the baseline.
        limit: departure that counts over many days.
        away: it has left its baseline upwards and can be believed.
        back: it is at its baseline.
        abrupt: most of the change came between two days.
        swr_at_antenna: SWR at the antenna end of the present level; 1.5 dB assumed if the loss is unknown.
        days_away: of the last `LOOK_BACK` days with a level, how many were away.
        seen_today: the day has a level.
    """

    level: FloatArray
    change: FloatArray
    limit: FloatArray
    away: BoolArray
    back: BoolArray
    abrupt: BoolArray
    swr_at_antenna: FloatArray
    days_away: FloatArray
    seen_today: BoolArray


def depart(
    state: State, fleet: Fleet, settings: DepartureSettings, number: int, sign: float = 1.0
) -> Departure:
    """The fleet's departures at the end of a day.

    Args:
        state: records of `history.BASELINE_STATE`.
        fleet: the transmitters.
        settings: what counts.
        number: the day.
        sign: 1 for a rise of rho, -1 for a fall.
    """
    levels = adjusted(state, number, LOOK_BACK)
    known = last_known(levels, settings.days_many)
    away_by = sign * (known - state["rho"][:, None])
    measured = last_known(last_days(state["raw"], number, LOOK_BACK), settings.days_many)
    seen_by = sign * (measured - state["rho"][:, None])
    smallest = settings.smallest_change_rho * attenuation(fleet)
    # A provisional baseline is only a few hours: twice as much is asked of a departure from it.
    trust = np.where(np.isin(state["kind"], (FULL, COMMISSIONED)), 1.0, 2.0)
    many = trust * np.fmax(
        np.fmax(settings.spread_multiple * state["spread"], smallest),
        one_step_rho(state, ONE_COUNT, sign),
    )
    few = trust * np.fmax(
        np.fmax(settings.spread_multiple_few * state["spread"], 1.5 * smallest),
        one_step_rho(state, MORE_THAN_ONE_COUNT, sign),
    )
    raise_days = settings.days_to_raise
    enough = np.isfinite(away_by[:, -raise_days:]).all(axis=1)
    # What is known of temperature may explain a departure away, or add to it; it does not make one by itself.
    in_a_row = enough & (away_by[:, -raise_days:] >= few[:, None]).all(axis=1)
    in_a_row &= (seen_by[:, -raise_days:] >= MEASURED_SHARE * few[:, None]).all(axis=1)
    over = (away_by >= many[:, None]) & (seen_by >= MEASURED_SHARE * many[:, None])
    whole = np.isfinite(away_by).all(axis=1)
    needed = int(np.ceil(0.75 * settings.days_many))
    most = whole & (over.sum(axis=1) >= needed) & (nan_median(away_by) >= many)
    if sign < 0:
        sure = nan_median(away_by) >= one_step_rho(state, MORE_THAN_ONE_COUNT, sign)
        most &= sure | over.all(axis=1)
    level = nan_median(known[:, -3:])
    change = level - state["rho"]
    swr_here = swr_from_rho(np.clip(np.fmin(level, 1.0), 0.0, 1.0))
    at_antenna = np.fmin(rho_at_antenna(np.fmin(level, 1.0), known_loss_db(fleet)), 1.0)
    # Where the loss is not known, some is assumed: a floor at the antenna must not hide a fault behind it.
    at_antenna = np.fmin(np.where(np.isfinite(fleet.feeder_loss_db), 1.0, ASSUMED) * at_antenna, 1.0)
    swr_at_antenna = np.where(np.isfinite(at_antenna), swr_from_rho(at_antenna), swr_here)
    seen_today = np.isfinite(levels[:, -1])
    clear_days = settings.days_to_clear
    recent = away_by[:, -clear_days:]
    back = seen_today & np.isfinite(recent).all(axis=1) & (recent < 0.6 * many[:, None]).all(axis=1)
    return Departure(
        level=level,
        change=change,
        limit=many,
        away=seen_today & (in_a_row | most),
        back=back,
        abrupt=_abrupt(levels, state["rho"], sign, settings.abrupt_share),
        swr_at_antenna=swr_at_antenna,
        days_away=(sign * (levels - state["rho"][:, None]) >= many[:, None]).sum(axis=1),
        seen_today=seen_today,
    )


def _abrupt(levels: FloatArray, baseline: FloatArray, sign: float, share: float) -> BoolArray:
    """Whether most of the departure came between two neighbouring days with a level."""
    known = last_known(levels, levels.shape[1])
    # Before what is known the line was at its baseline: a step at the very begin of the window counts too.
    known = sign * np.where(np.isfinite(known), known - baseline[:, None], 0.0)
    before = (known[:, 1:-2] + known[:, :-3]) / 2
    after = (known[:, 2:-1] + known[:, 3:]) / 2
    jump = (after - before).max(axis=1)
    now = nan_median(known[:, -3:])
    result: BoolArray = jump >= share * np.maximum(now, 1e-9)
    return result
