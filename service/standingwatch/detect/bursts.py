"""`swr-intermittent`: the SWR is high in bursts, minutes to hours long, and normal in between.

Readings far above normal are counted by day, those that have a neighbour of their kind apart from single
ones: single bad samples are part of a meter's life. Hours that are wet or iced do not count. Bursts on
several of the last days are a loose connection until shown otherwise.

Where nobody tells the temperature, ice cannot be taken out by the hour. There a burst that came from one
reading to the next is none; what other sites of the region have on the same day without such a jump is
weather, and what grew over hours is put down to ice as long as ice may come and go.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.at_once import AT_ONCE_RHO, TAIL_FIELDS, beginnings
from standingwatch.detect.cause import causes_of_bursts
from standingwatch.detect.evidence import known
from standingwatch.detect.history import DAY_US, DAYS, last_days, place_of_day
from standingwatch.detect.interface import Block, Finding, Outcome, Own
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.scale import ASSUMED, attenuation
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
#: Where nobody tells the temperature, so many transmitters of so many sites of a region with bursts on one
#: day that did not come at once, are weather too (common practice, no source).
UNTOLD_MEMBERS, UNTOLD_SITES = 3, 2
#: There, bursts that grew over hours are put down to ice for so long [us]: six weeks in which no fortnight
#: was quiet are more than a cold spell (common practice, no source).
ICE_COMES_AND_GOES_US = 42 * DAY_US
#: Days with a burst that came at once, from which they are taken to come so; half of the days at least.
AT_ONCE_DAYS = 2
#: What is counted by the day.
COUNTED = ("high", "paired", "usable", "sudden", "grown")


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
                ("sudden", np.int32, HOURS),
                ("grown", np.int32, HOURS),
                ("last_high", np.bool_),
                ("most_rho", np.float64),
                *TAIL_FIELDS,
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
                ("sudden", np.float64, DAYS),
                ("grown", np.float64, DAYS),
                ("by_ice", np.bool_),
                ("switch", SWITCH),
            ]
        )

    def initial(self, own: Own) -> None:
        """No burst, and no reading before."""
        own.quick["tail_rho"] = own.quick["tail_least"] = np.nan

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Count the readings; judge the day, if one closed."""
        self._count(block, fleet, own)
        if block.day is None:
            return Outcome()
        return Outcome(self._judge(block, fleet, own))

    def _count(self, block: Block, fleet: Fleet, own: Own) -> None:
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
        began = beginnings(
            block.rho[rows],
            block.rho_least[rows],
            time_us,
            high,
            segments,
            record,
            AT_ONCE_RHO * attenuation(fleet, unknown=1.0 / ASSUMED),
        )
        for name, which in (("sudden", began.at_once), ("grown", began.grew)):
            of_kind = began.rows[which]
            np.add.at(record[name], (owner[of_kind], hour[of_kind]), 1)
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
        for name in COUNTED:
            counted = quick[name][:, at] if name == "usable" else np.where(dry, quick[name][:, at], 0)
            record[name][:, place] = counted.sum(axis=1)
            quick[name][:, at] = 0
        for name in COUNTED:
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
        sudden_day = last_days(record["sudden"], day.number, settings.days) >= 1
        grown_day = (last_days(record["grown"], day.number, settings.days) >= 1) & ~sudden_day
        told = day.temperature_told[fleet.site_of]
        for days_of in (burst_day, single_day):
            days_of &= ~moved
            days_of &= ~_many_together(days_of, fleet)
            days_of &= told[:, None] | sudden_day | ~_some_together(days_of & ~sudden_day, fleet)
        days_with = burst_day.sum(axis=1)
        share = np.where(single_day, high, 0).sum(axis=1) / np.maximum(usable.sum(axis=1), 1)
        frequent = (single_day.sum(axis=1) >= settings.single_days_to_raise) & (
            share >= settings.single_share
        )
        on = (days_with >= settings.days_to_raise) & burst_day[:, -1]
        on |= frequent & single_day[:, -1]
        quiet = last_days(record["high"], day.number, settings.days_to_clear).sum(axis=1) == 0
        sudden = (burst_day & sudden_day).sum(axis=1)
        at_once = (sudden >= AT_ONCE_DAYS) & (2 * sudden >= days_with)
        grew = ~at_once & ((burst_day & grown_day).sum(axis=1) >= np.maximum(sudden, 1))
        standing = record["switch"]["severity"] > 0
        since_us = np.where(standing, record["switch"]["since_us"], day.told_us)
        iced = grew & ~told & (day.told_us - since_us < ICE_COMES_AND_GOES_US)
        # What is thought of it changes with a burst, not with the bursts that are forgotten.
        record["by_ice"] = np.where(on, iced, record["by_ice"] & standing)
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
                    "temperature_told": bool(told[position]),
                    "came_at_once": bool(at_once[position]),
                },
                causes=()
                if ended
                else causes_of_bursts(
                    int(single_day[position].sum()),
                    int(total[position]),
                    np.nan,
                    iced=bool(record["by_ice"][position]),
                ),
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


def _some_together(days_of: BoolArray, fleet: Fleet) -> BoolArray:
    """Days of bursts at some transmitters of several sites of a region, all of its transmitters.

    Args:
        days_of: per transmitter and day, whether it had a burst that did not come at once.
        fleet: the transmitters.
    """
    result = np.zeros_like(days_of)
    for region in np.unique(fleet.region_of).tolist():
        mine = np.flatnonzero(fleet.region_of == region)
        by_site = mine[np.argsort(fleet.site_of[mine], kind="stable")]
        starts = np.unique(fleet.site_of[by_site], return_index=True)[1]
        sites = np.logical_or.reduceat(days_of[by_site], starts, axis=0).sum(axis=0)
        result[mine] = (days_of[mine].sum(axis=0) >= UNTOLD_MEMBERS) & (sites >= UNTOLD_SITES)
    return result
