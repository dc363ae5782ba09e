"""`swr-intermittent`: the SWR is high in bursts, minutes to hours long, and normal in between.

Readings far above normal are counted by day, those that have a neighbour of their kind apart from single
ones: single bad samples are part of a meter's life. Hours that are wet or iced do not count. Bursts on
several of the last days are a loose connection until shown otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_bursts
from standingwatch.detect.evidence import known
from standingwatch.detect.history import DAYS, last_days, place_of_day
from standingwatch.detect.interface import Block, Finding, Outcome, Own
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.segments import Segments
from standingwatch.detect.switch import SWITCH, follow
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import BoolArray, Fleet
from standingwatch.rf import swr_from_rho

#: Hours that are counted apart: a day, and the longest grace for late readings after it.
HOURS = 50


#: Part of a burst's size by which the level of a day may be off on a day of bursts.
LEVEL_SHARE = 0.4

#: Part of a region's transmitters, and number of sites, with bursts on one day that make it weather.
WEATHER_SHARE, WEATHER_SITES = 0.15, 3
#: Antenna lines of one site, and part of those there, with bursts on one day: what they have in common is no
#: connector of any of them, but ice, rain or the mast in the wind.
SITE_LINES, SITE_SHARE = 3, 0.6


@dataclass(frozen=True)
class BurstSettings:
    """What a burst is, and how many make a finding.

    Attributes:
        smallest_burst_rho: how far above normal a reading of a burst is, at least, in rho.
        spread_multiple: the same in multiples of the normal spread of hourly levels.
        days: days that are looked back on.
        days_to_raise: days with a burst of two and more readings in a row.
        single_days_to_raise: days with single readings, where reports are too rare to show more.
        single_share: share of the usable readings that have to be such.
        days_to_clear: days in a row without any.
        minor_days: days with a burst from which it is minor.
    """

    smallest_burst_rho: float = 0.1
    spread_multiple: float = 8.0
    days: int = 14
    days_to_raise: int = 3
    single_days_to_raise: int = 4
    single_share: float = 0.01
    days_to_clear: int = 14
    minor_days: int = 4


@dataclass(frozen=True)
class Bursts:
    """The detector of `swr-intermittent`."""

    settings: BurstSettings = field(default_factory=BurstSettings)
    name: str = "bursts"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Counts by hour of the last hours, and whether the last usable reading was high."""
        return np.dtype(
            [
                ("high", np.int32, HOURS),
                ("paired", np.int32, HOURS),
                ("usable", np.int32, HOURS),
                ("last_high", np.bool_),
                ("most_rho", np.float64),
            ]
        )

    @property
    def site_state(self) -> np.dtype[Any]:
        """Nothing is kept per site."""
        return np.dtype([])

    @property
    def slow_state(self) -> np.dtype[Any]:
        """Counts by day, and the switch."""
        return np.dtype(
            [
                ("high", np.float64, DAYS),
                ("paired", np.float64, DAYS),
                ("usable", np.float64, DAYS),
                ("switch", SWITCH),
            ]
        )

    def initial(self, own: Own) -> None:
        """No burst."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Count the readings; judge the day, if one closed."""
        self._count(block, own)
        if block.day is None:
            return Outcome()
        return Outcome(self._judge(block, fleet, own))

    def _count(self, block: Block, own: Own) -> None:
        readings = block.readings
        rows = np.flatnonzero(
            block.trusted & np.isfinite(block.normal.rho) & (readings.time_us >= block.closed_from_us)
        )
        if len(rows) == 0:
            return
        record = own.quick
        owner, time_us = readings.transmitter[rows], readings.time_us[rows]
        above = block.rho_least[rows] - block.normal.rho[rows]
        wanted = np.fmax(
            self.settings.smallest_burst_rho, self.settings.spread_multiple * block.normal.hour_spread[rows]
        )
        # A reading of a coarse meter has to be that far above by more than its own rounding.
        high = above >= wanted + (block.rho[rows] - block.rho_least[rows])
        segments = Segments.of(owner)
        first = segments.first_of_row() == np.arange(len(rows))
        earlier = np.where(first, record["last_high"][owner], np.roll(high, 1))
        paired = high & earlier
        record["last_high"][segments.owner] = high[segments.last]
        hour = (time_us // HOUR_US) % HOURS
        # Hours of a transmitter stand together: counted as runs, many times as fast as one by one.
        run = Segments.of(owner * HOURS + hour)
        np.add.at(record["usable"], (owner[run.first], hour[run.first]), run.last - run.first + 1)
        if high.any():
            np.add.at(record["high"], (owner[high], hour[high]), 1)
            np.add.at(record["paired"], (owner[paired], hour[paired]), 1)
            np.maximum.at(record["most_rho"], owner[high], block.rho[rows][high])

    def _judge(self, block: Block, fleet: Fleet, own: Own) -> list[Finding]:
        day, settings = block.closed_day(), self.settings
        quick, record = own.quick, own.slow
        hours = np.arange(day.end_us // HOUR_US - 24, day.end_us // HOUR_US)
        at = hours % HOURS
        dry = ~day.wet
        place = place_of_day(day.number)
        for name in ("high", "paired", "usable"):
            counted = quick[name][:, at] if name == "usable" else np.where(dry, quick[name][:, at], 0)
            record[name][:, place] = counted.sum(axis=1)
            quick[name][:, at] = 0
        for name in ("high", "paired", "usable"):
            record[name][day.renewed] = 0
        high = last_days(record["high"], day.number, settings.days)
        paired = last_days(record["paired"], day.number, settings.days)
        usable = last_days(record["usable"], day.number, settings.days)
        # A day that is high for most of its readings is no burst but a level.
        burst_day = (paired >= 1) & (high < 0.7 * np.maximum(usable, 1))
        single_day = (high >= 1) & (high < 0.7 * np.maximum(usable, 1))
        # Between bursts the line is as it was; a day whose level itself has moved is another matter.
        moved = last_days(block.base.state["raw"], day.number, settings.days)
        moved = moved - block.base.state["rho"][:, None] >= LEVEL_SHARE * settings.smallest_burst_rho
        for days_of in (burst_day, single_day):
            days_of &= ~moved
            days_of &= ~_many_together(days_of, fleet)
        days_with = burst_day.sum(axis=1)
        share = np.where(single_day, high, 0).sum(axis=1) / np.maximum(usable.sum(axis=1), 1)
        frequent = (single_day.sum(axis=1) >= settings.single_days_to_raise) & (
            share >= settings.single_share
        )
        on = (days_with >= settings.days_to_raise) & burst_day[:, -1]
        on |= frequent & single_day[:, -1]
        quiet = last_days(record["high"], day.number, settings.days_to_clear).sum(axis=1) == 0
        # Days without readings are not quiet ones.
        heard = last_days(record["usable"], day.number, settings.days_to_clear) > 0
        off = (quiet & (3 * heard.sum(axis=1) >= settings.days_to_clear)) | day.renewed
        total = high.sum(axis=1)

        def grade(position: int) -> Severity:
            return Severity.MINOR if days_with[position] >= settings.minor_days else Severity.WARNING

        def tell(position: int, severity: Severity) -> Finding:
            ended = severity is Severity.CLEARED
            state = block.base.state[position]
            most = min(float(quick["most_rho"][position]), 1.0)
            return Finding(
                site=int(fleet.site_of[position]),
                transmitter=position,
                condition=Condition.SWR_INTERMITTENT,
                severity=severity,
                time_us=day.told_us,
                evidence={
                    "bursts": int(total[position]),
                    "burst_days": int(single_day[position].sum()),
                    "burst_share": float(share[position]),
                    "swr": float(swr_from_rho(most)),
                    "baseline_swr": known(swr_from_rho(min(float(state["rho"]), 1.0))),
                },
                causes=()
                if ended
                else causes_of_bursts(int(single_day[position].sum()), int(total[position]), np.nan),
            )

        return follow(record["switch"], on, off, day.told_us, grade, tell)


def _many_together(days_of: BoolArray, fleet: Fleet) -> BoolArray:
    """Days of bursts at many of a region's transmitters, or on most lines of a site: weather, not theirs.

    Args:
        days_of: per transmitter and day, whether it had a burst.
        fleet: the transmitters.
    """
    result = np.zeros_like(days_of)
    for region in range(len(fleet.region_names)):
        mine = np.flatnonzero(fleet.region_of == region)
        with_burst = days_of[mine]
        # Sites without a burst count for nothing below, and most have none.
        sites = np.unique(fleet.site_of[mine[with_burst.any(axis=1)]])
        if len(sites) == 0:
            continue
        per_site = np.array([with_burst[fleet.site_of[mine] == s].any(axis=0) for s in sites])
        for site in sites.tolist():
            here = np.flatnonzero(fleet.site_of == site)
            # One that shares its line with nobody has one of its own.
            line = np.where(fleet.line_of[here] >= 0, fleet.line_of[here], -1 - np.arange(len(here)))
            lines = np.unique(line)
            per_line = np.array([days_of[here][line == one].any(axis=0) for one in lines])
            all_over = (per_line.sum(axis=0) >= SITE_LINES) & (per_line.mean(axis=0) >= SITE_SHARE)
            result[here] |= all_over
        many = (with_burst.mean(axis=0) >= WEATHER_SHARE) & (per_site.sum(axis=0) >= WEATHER_SITES)
        result[mine] |= many
    return result
