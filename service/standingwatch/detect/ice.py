"""Ice as a cause: told anew at the close of each day for alarms that stand.

Whether a site is iced is known an hour after the first reading shows it, and that it has thawed only later
still. An alarm that came with the ice is put down to it when that is known, and no longer once it has
outlived a thaw, or a fortnight where nobody tells the temperature: what stands then was not the ice.
Where nobody tells it, and in frost that lasts, what goes back by itself while the alarm stands may be ice as
well: it grows with precipitation over hours and wastes within days, and damage does neither.
"""

from __future__ import annotations

import numpy as np

from standingwatch.detect.day import Day
from standingwatch.detect.history import DAY_US
from standingwatch.detect.interface import State, Value
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.switch import led_by
from standingwatch.detect.words import Cause
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

#: What a detector of readings keeps of it: since when its alarm stands, the SWR that it was raised at,
#: whether it is put down to ice, and since when it is not any more (0 where it never was, or is).
ICE_FIELDS = [
    ("raised_us", np.int64),
    ("raised_swr", np.float64),
    ("by_ice", np.bool_),
    ("not_ice_us", np.int64),
]


def note_raised(record: State, time_us: int, swr: float, by_ice: bool) -> None:
    """Note that an alarm is raised, or is to be looked upon as if it were.

    Args:
        record: a record with `ICE_FIELDS`, as an array of one.
        time_us: when [Unix microseconds].
        swr: at which SWR.
        by_ice: whether it is put down to ice.
    """
    record["raised_us"], record["raised_swr"] = time_us, swr
    record["by_ice"], record["not_ice_us"] = by_ice, 0


def not_ice_since(not_ice_us: int) -> dict[str, Value]:
    """Evidence that an alarm was put down to ice until then; nothing where it never was, or still is."""
    return {"not_ice_since_us": int(not_ice_us)} if not_ice_us else {}


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
    # Ice wastes and comes again, also in frost without end; damage does not go back.
    went_back = (frost | ~told) & day.went_back
    # No ice lasts for so long without a break: what has gone back since is as new.
    broke = standing & record["by_ice"] & went_back
    record["raised_us"] = np.where(broke, day.told_us, record["raised_us"])
    comes = standing & grew & ~record["by_ice"] & ((frost & recent) | went_back)
    thawed = (day.clear & day.temperature_told)[fleet.site_of]
    clear = thawed & (record["raised_us"] < day.end_us - DAY_US)
    longest_us = np.where(told, LONGEST_IN_FROST_US, LONGEST_US)
    long = record["raised_us"] < day.told_us - longest_us
    # What went most of the way back with the thaw was ice; the rest dries, or is told by its daily level.
    raised_rho = rho_from_swr(np.fmax(record["raised_swr"], 1.0))
    gone = day.low_rho - day.normal_rho < 0.5 * (raised_rho - day.normal_rho)
    melts = told & gone & (record["raised_us"] >= day.told_us - MELTS_US)
    goes = standing & record["by_ice"] & (~frost | clear | long) & ~comes & ~melts & ~went_back
    record["by_ice"] = (record["by_ice"] | comes) & ~goes & standing
    record["not_ice_us"] = np.where(standing & ~comes, np.where(goes, day.told_us, record["not_ice_us"]), 0)
    return np.flatnonzero(comes | goes)


def since_not_iced(record: State, iced: BoolArray, told_us: int) -> None:
    """Note since when alarms of a daily detector are not put down to ice any more.

    Args:
        record: records with `switch` and `not_ice_us`, before the day is told; the latter is brought up to
            date.
        iced: per transmitter, whether the day puts it down to ice.
        told_us: when the day is told [Unix microseconds].
    """
    standing = record["switch"]["severity"] > 0
    ended = led_by(record["switch"], Cause.ICE) & ~iced
    record["not_ice_us"] = np.where(standing & ~iced, np.where(ended, told_us, record["not_ice_us"]), 0)
