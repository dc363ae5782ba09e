"""Ice as a cause: told anew at the close of each day for alarms that stand.

Whether a site is iced is known an hour after the first reading shows it, and that it has thawed only later
still. An alarm that came with the ice is put down to it when that is known, and no longer once it has
outlived a thaw, or a fortnight where nobody tells the temperature: what stands then was not the ice.
Where nobody tells it, what goes back by itself while the alarm stands may be ice as well: it grows with
precipitation over hours and wastes within days, and damage does neither.
"""

from __future__ import annotations

import numpy as np

from standingwatch.detect.day import Day
from standingwatch.detect.history import DAY_US
from standingwatch.detect.interface import State
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings.fleet import BoolArray, Fleet, IntArray
from standingwatch.rf import rho_from_swr

#: How long before the close of the day an alarm may have come to be put down to that day's ice [us].
RECENT_US = 36 * HOUR_US

#: No ice is taken to last longer without a break [us] (common practice: some days; no source); in frost that
#: is told, and goes on without a thaw, no longer than the second.
LONGEST_US, LONGEST_IN_FROST_US = 14 * 24 * HOUR_US, 30 * 24 * HOUR_US

#: An alarm whose level went back with the thaw is not told anew before it is so old [us].
MELTS_US = 10 * 24 * HOUR_US

#: An alarm that was not put down to ice and has stood for so long is of something that stays: what gets worse
#: in frost then is not taken for ice on an antenna that is sound [us] (common practice, no source).
ESTABLISHED_US = 3 * 24 * HOUR_US

#: What a detector of readings keeps of it: since when its alarm stands, the SWR that it was raised at, and
#: whether it was put down to ice.
ICE_FIELDS = [("raised_us", np.int64), ("raised_swr", np.float64), ("by_ice", np.bool_)]


def may_be_ice(record: State, time_us: int) -> bool:
    """Whether an alarm that gets worse in frost may be put down to ice: not one of something that stays.

    Args:
        record: one record with `ICE_FIELDS`, of an alarm that stands.
        time_us: when it gets worse [Unix microseconds].
    """
    return bool(record["by_ice"]) or time_us - int(record["raised_us"]) < ESTABLISHED_US


def retold(
    record: State,
    standing: BoolArray | State,
    day: Day,
    fleet: Fleet,
    came_at_once: BoolArray | State | None = None,
) -> IntArray:
    """Positions of alarms whose leading cause has to be told anew; `record` is brought up to date.

    Args:
        record: records with `ICE_FIELDS`.
        standing: per transmitter, whether its alarm stands.
        day: the day that has closed.
        fleet: the transmitters.
        came_at_once: per transmitter, whether its alarm came from one reading to the next: ice grows over
            hours. None where that is not known.
    """
    told = day.temperature_told[fleet.site_of]
    frost = day.by_weather()[fleet.site_of]
    recent = record["raised_us"] >= day.told_us - RECENT_US
    grew = True if came_at_once is None else ~(came_at_once & told)
    comes = standing & grew & ~record["by_ice"] & ((frost & recent) | (~told & day.went_back))
    thawed = (day.clear & day.temperature_told)[fleet.site_of]
    clear = thawed & (record["raised_us"] < day.end_us - DAY_US)
    longest_us = np.where(told, LONGEST_IN_FROST_US, LONGEST_US)
    long = record["raised_us"] < day.told_us - longest_us
    # What went most of the way back with the thaw was ice; the rest dries, or is told by its daily level.
    raised_rho = rho_from_swr(np.fmax(record["raised_swr"], 1.0))
    gone = day.low_rho - day.normal_rho < 0.5 * (raised_rho - day.normal_rho)
    melts = told & gone & (record["raised_us"] >= day.told_us - MELTS_US)
    went_back = ~told & day.went_back
    goes = standing & record["by_ice"] & (~frost | clear | long) & ~comes & ~melts & ~went_back
    record["by_ice"] = (record["by_ice"] | comes) & ~goes & standing
    return np.flatnonzero(comes | goes)
