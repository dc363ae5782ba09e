"""Days that are remembered, put right when reports of theirs come after they have closed.

A day's level is made again from all of its hours by the same rules as when it closed, and lies where it
belongs: trends and baselines that are learned from now on see it as if it had come in time. What has been
learned by then stays: a frozen baseline, the dependence on weather, what each channel adds. The weather of
such a day is what its own reports say; nothing is inferred from the region.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from standingwatch.detect.baseline import Baselines
from standingwatch.detect.history import DAY_COLUMNS, DAY_US, DAYS, place_of_day
from standingwatch.detect.interface import Maintenance, State
from standingwatch.detect.levels import put_hours, put_levels
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.detect.scale import attenuation
from standingwatch.detect.weather import DRYING_H, FREEZING_C, RAIN
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

#: The oldest days that are remembered are not put right: levels before them would be asked for.
OLDEST_LEFT = 14


def correct_day(
    base: Baselines, hours: Hours, day_us: int, maintenance: Maintenance, closed_until_us: int
) -> IntArray:
    """Put one day of some transmitters right.

    Args:
        base: the keeper of the baselines; its state is brought up to date.
        hours: all hours of that day of the transmitters concerned, channels apart, sorted by hour.
        day_us: begin of the day [Unix microseconds].
        maintenance: all work on record. Days before work that opened a new baseline are left as they are.
        closed_until_us: hours before this are closed [Unix microseconds].

    Returns:
        Positions of the transmitters whose records changed.
    """
    number, last = day_us // DAY_US, int(base.state["last_day"].max(initial=0))
    renewed = maintenance.transmitter[maintenance.renews_baseline & (maintenance.end_us >= day_us)]
    wanted = (hours.usable > 0) & (hours.hour_us < closed_until_us)
    wanted &= ~maintenance.covers(hours.transmitter, hours.hour_us) & ~np.isin(hours.transmitter, renewed)
    hours = hours.take(np.flatnonzero(wanted))
    owners = np.unique(hours.transmitter)
    if len(owners) == 0 or last - number >= DAYS - OLDEST_LEFT:
        return owners[:0]
    some: State = base.state[owners].copy()
    if number <= last:
        for name in ("hour_rho", "hour_forward_db", "hour_temperature_c", "hour_wet"):
            some[name] = np.nan
        some["hour_weight"] = 0.0
        some["hour_iced"] = some["hour_frost"] = False
    _put_day(some, replace(hours, transmitter=np.searchsorted(owners, hours.transmitter)), day_us)
    if number <= last:
        kept = base.state[owners]
        put_levels(some, attenuation(base.fleet)[owners], number, base.settings.hours_per_day)
        place = place_of_day(number)
        for name in DAY_COLUMNS:
            kept[name][:, place] = some[name][:, place]
        known_before = np.isfinite(base.state["raw"][owners, place])
        kept["learned_days"] += np.isfinite(some["raw"][:, place]) & ~known_before
        some = kept
    changed: BoolArray = _bytes(some) != _bytes(base.state[owners])
    base.state[owners] = some
    return owners[changed.any(axis=1)]


def _put_day(some: State, hours: Hours, day_us: int) -> None:
    """Put the hours of a day into their places, with the weather that they tell."""
    temperature_c = hours.ambient_temperature_c
    cold = temperature_c <= FREEZING_C
    soaked = (hours.precipitation > RAIN) & ~cold
    wet_by_hour = np.zeros((len(some), 24))
    hour = (hours.hour_us - day_us) // HOUR_US
    np.maximum.at(wet_by_hour, (hours.transmitter, hour), soaked.astype(np.float64))
    for i in range(1, 24):
        wet_by_hour[:, i] = np.maximum(wet_by_hour[:, i], wet_by_hour[:, i - 1] * np.exp(-1.0 / DRYING_H))
    wet: FloatArray = wet_by_hour[hours.transmitter, hour]
    put_hours(some, hours, day_us, temperature_c, wet)
    some["hour_frost"][hours.transmitter, hour] = cold
    some["hour_iced"][hours.transmitter, hour] = cold & (hours.precipitation > RAIN)


def _bytes(state: State) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.ascontiguousarray(state).view(np.uint8).reshape(len(state), -1)
