"""Readings into hours: one row per transmitter and hour with robust levels of the match."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from standingwatch.detect.resolution import STEPS_W, step_index
from standingwatch.readings.columns import Readings
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray
from standingwatch.rf import rho_from_power

HOUR_US = 3_600_000_000

#: Flags of readings that say nothing about the match. A value that never moves says what it says; that it
#: does not move is judged apart: a coarse meter on a good line does not move either.
SAYS_NOTHING = UNUSABLE & ~int(Flag.STUCK)

#: Values are sorted within groups as a table where that has at most so many cells a value.
MOST_PADDED = 4


@dataclass(frozen=True)
class Hours:
    """Hourly rollups as columns, sorted by hour and transmitter.

    Attributes:
        hour_us: begin of the hour [Unix microseconds].
        transmitter: position in the fleet.
        channel: number of the channel (`channels.channel_codes`) where hours are kept apart by it, else 0.
        reports: reports in the hour, whatever their quality.
        usable: those that say something about the match.
        forward_w: median forward power of the usable ones [W].
        rho_low, rho_median, rho_high: 10, 50 and 90 % points of the reflection coefficient's magnitude.
        rho_level: root of the mean of rho squared without its highest and lowest tenth (at least one each, of
            three and more): averaging powers lets the noise carry a level between two steps of a coarse
            meter, the trimming keeps single bad samples out.
        rho_max: its maximum.
        reflected_step_w: coarsest step that all usable reflected powers are multiples of [W]; an hour says at
            most how coarse the meter can be.
        pa_temperature_c, ambient_temperature_c: means over all reports [degree C].
        precipitation: mean over all reports, as reported.
        wind_mps: maximum over all reports [m/s].
    """

    hour_us: IntArray
    transmitter: IntArray
    channel: IntArray
    reports: IntArray
    usable: IntArray
    forward_w: FloatArray
    rho_low: FloatArray
    rho_median: FloatArray
    rho_high: FloatArray
    rho_max: FloatArray
    rho_level: FloatArray
    reflected_step_w: FloatArray
    pa_temperature_c: FloatArray
    ambient_temperature_c: FloatArray
    precipitation: FloatArray
    wind_mps: FloatArray

    def __len__(self) -> int:
        return len(self.hour_us)

    def take(self, index: IntArray | BoolArray) -> Hours:
        """The rows at the given positions, or where the mask is true."""
        return Hours(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    def reflected_step_rho(self, level: FloatArray, share: float) -> FloatArray:
        """How much a share of the meter's step raises rho at each row's power, from a level per row.

        The lower the level, the more: from none at all, one count of 0.5 W at 25 W raises it to 0.14.
        """
        level = np.nan_to_num(level)
        moved = level**2 + share * self.reflected_step_w / np.maximum(np.nan_to_num(self.forward_w), 1e-3)
        worth: FloatArray = np.sqrt(moved) - level
        return worth

    @classmethod
    def empty(cls) -> Hours:
        """No rows."""
        whole = {"hour_us", "transmitter", "channel", "reports", "usable"}
        columns: dict[str, Any] = {
            f.name: np.empty(0, dtype=np.int64 if f.name in whole else np.float64) for f in fields(cls)
        }
        return cls(**columns)


def hour_of(time_us: IntArray) -> IntArray:
    """Begin of the hour that holds each time [Unix microseconds]."""
    return time_us - time_us % HOUR_US


def roll_up(readings: Readings, channel: IntArray | None = None) -> Hours:
    """Hourly rollups of the readings, which may stand in any order.

    Args:
        readings: qualified readings.
        channel: number of each reading's channel, to keep channels apart; None to pool them.

    Quantiles are order statistics without interpolation beyond the mean of the middle two, so that the
    result is exactly the same whatever the order of the rows was.
    """
    if len(readings) == 0:
        return Hours.empty()
    # Grouped by transmitter and hour first, as readings in order stand anyway; sorted by hour at the end.
    hour = hour_of(readings.time_us)
    usable = (readings.flags & SAYS_NOTHING) == 0
    rho = rho_from_power(readings.forward_w, np.maximum(readings.reflected_w, 0.0))
    usable &= np.isfinite(rho)
    group, keys = _groups(readings.transmitter, hour, channel)
    reports = np.bincount(group, minlength=len(keys[0]))
    first = np.cumsum(reports) - reports
    count = np.bincount(group[usable], minlength=len(keys[0]))
    # Usable rows come first within their hour and rise in rho: quantiles are then positions.
    rho = np.where(usable, rho, np.inf)
    in_group: IntArray | slice = slice(None)
    if (group[1:] < group[:-1]).any():
        in_group = np.argsort(group, kind="stable")
    weather = (readings.pa_temperature_c, readings.ambient_temperature_c, readings.precipitation)
    # Sums depend on their order; that of rho is the same in whatever order the rows came.
    by_rho = np.lexsort((rho, group)) if any(np.isfinite(told).any() for told in weather) else in_group
    rho = _rising(rho[in_group], reports)

    def at(share: float) -> FloatArray:
        """The order statistic nearest to a share of the usable rows."""
        position = first + np.minimum((share * count).astype(np.int64), np.maximum(count - 1, 0))
        return np.where(count > 0, rho[position], np.nan)

    def middle(rising: FloatArray) -> FloatArray:
        """The median of the usable rows of columns that rise within each hour."""
        lower = rising[first + np.maximum((count - 1) // 2, 0)]
        upper = rising[first + np.minimum(count // 2, np.maximum(count - 1, 0))]
        return np.where(count > 0, (lower + upper) / 2, np.nan)

    cut = np.where(count >= 3, np.maximum((0.1 * count).astype(np.int64), 1), 0)
    rank = np.arange(len(rho)) - np.repeat(first, reports)
    inside = (rank >= np.repeat(cut, reports)) & (rank < np.repeat(count - cut, reports))
    inner = np.add.reduceat(np.where(inside, rho * rho, 0.0), first)
    level = np.where(count > 0, np.sqrt(inner / np.maximum(count - 2 * cut, 1)), np.nan)
    highest = np.where(count > 0, rho[first + np.maximum(count - 1, 0)], np.nan)

    forward = _rising(np.where(usable, readings.forward_w, np.inf)[in_group], reports)
    step = np.where(usable, step_index(readings.reflected_w), 0)
    rolled = Hours(
        hour_us=keys[1],
        transmitter=keys[0],
        channel=keys[2],
        reports=reports,
        usable=count,
        forward_w=middle(forward),
        rho_low=at(0.1),
        rho_median=middle(rho),
        rho_high=at(0.9),
        rho_max=highest,
        rho_level=level,
        reflected_step_w=STEPS_W[np.maximum.reduceat(step[in_group], first)],
        pa_temperature_c=_mean(readings.pa_temperature_c[by_rho], first),
        ambient_temperature_c=_mean(readings.ambient_temperature_c[by_rho], first),
        precipitation=_mean(readings.precipitation[by_rho], first),
        wind_mps=_highest(readings.wind_mps[in_group], first),
    )
    return rolled.take(np.lexsort((rolled.channel, rolled.transmitter, rolled.hour_us)))


def _groups(
    transmitter: IntArray, hour: IntArray, channel: IntArray | None
) -> tuple[IntArray, tuple[IntArray, IntArray, IntArray]]:
    """Number of each row's group, groups being numbered from 0; and their transmitters, hours, channels."""
    codes = np.zeros(len(hour), dtype=np.int64) if channel is None else channel
    apart = np.empty(len(hour), dtype=np.bool_)
    apart[0] = True
    apart[1:] = (transmitter[1:] != transmitter[:-1]) | (hour[1:] != hour[:-1]) | (codes[1:] != codes[:-1])
    first = np.flatnonzero(apart)
    run = np.cumsum(apart) - 1
    runs = np.column_stack([transmitter[first], hour[first], codes[first]])
    order = np.lexsort((runs[:, 2], runs[:, 1], runs[:, 0]))
    ordered = runs[order]
    new = np.empty(len(runs), dtype=np.bool_)
    new[0] = True
    new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    number = np.empty(len(runs), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    keys = ordered[new]
    return number[run], (keys[:, 0], keys[:, 1], keys[:, 2])


def _rising(value: FloatArray, size: IntArray) -> FloatArray:
    """Values that stand group by group, made to rise within each.

    Args:
        value: the values, without NaN.
        size: how many each group has.
    """
    most = int(size.max())
    if most * len(size) > MOST_PADDED * len(value):
        return value[np.lexsort((value, np.repeat(np.arange(len(size)), size)))]
    # A row a group, padded at its end: many short sorts cost a tenth of one of all values.
    there = np.arange(most) < size[:, None]
    table = np.full(there.shape, np.inf)
    table[there] = value
    table.sort(axis=1)
    rising: FloatArray = table[there]
    return rising


def _mean(value: FloatArray, first: IntArray) -> FloatArray:
    """Mean of the finite values per group; NaN where there is none."""
    finite = np.isfinite(value)
    if not finite.any():
        return np.full(len(first), np.nan)
    count = np.add.reduceat(finite.astype(np.int64), first)
    total = np.add.reduceat(np.where(finite, value, 0.0), first)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _highest(value: FloatArray, first: IntArray) -> FloatArray:
    """Maximum of the finite values per group; NaN where there is none."""
    finite = np.isfinite(value)
    if not finite.any():
        return np.full(len(first), np.nan)
    top = np.maximum.reduceat(np.where(finite, value, -np.inf), first)
    return np.where(np.isfinite(top), top, np.nan)


def in_order(readings: Readings, where: BoolArray | None = None) -> Readings:
    """Those rows (all, where None) by transmitter and time, once each, and no longer held to be late."""
    ordered = readings.sorted_by_transmitter(where)
    if len(ordered) == 0:
        return ordered
    first = np.ones(len(ordered), dtype=np.bool_)
    first[1:] = (ordered.time_us[1:] != ordered.time_us[:-1]) | (
        ordered.transmitter[1:] != ordered.transmitter[:-1]
    )
    return replace(ordered, flags=ordered.flags & ~int(Flag.LATE)).take(first)
