"""What the page of one site shows: its transmitters over a month, its alarms, what changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from markupsafe import Markup
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.limits import LimitSettings, limits_of
from standingwatch.detect.rollup import HOUR_US
from standingwatch.inventory import InventoryRow
from standingwatch.readings.fleet import Fleet
from standingwatch.rf import is_passive, rho_at_antenna, swr_ceiling, swr_from_rho
from standingwatch.settings import LimitsSettings
from standingwatch.store.alarming import PastChange
from standingwatch.store.board import changes_of_site
from standingwatch.store.clocks import SiteClock, site_clocks
from standingwatch.store.watching import rollup_frame
from standingwatch.web import words
from standingwatch.web.chart import Course, Level, chart
from standingwatch.web.desk import DeskAlarm
from standingwatch.web.present import present_of
from standingwatch.web.roster import RosterCache
from standingwatch.web.view import BoardView, SiteRow, TransmitterRow, view_of_site

CHART_DAYS = 30
CHANGES = 50


@dataclass(frozen=True)
class Day:
    """One day of a transmitter: lowest, middle and highest hourly median of the SWR, and its reports."""

    date: str
    low: float
    middle: float
    high: float
    reports: int


@dataclass(frozen=True)
class TransmitterPart:
    """One transmitter on the page of its site."""

    row: TransmitterRow
    listed: InventoryRow
    feeder_loss_db: float
    ceiling_swr: float
    chart: Markup
    days: tuple[Day, ...]


@dataclass(frozen=True)
class SiteView:
    """The page of one site at one moment; `present`: the match now, by the alarm that speaks of it."""

    board: BoardView
    site: SiteRow
    parts: tuple[TransmitterPart, ...]
    alarms: tuple[DeskAlarm, ...]
    changes: tuple[PastChange, ...]
    present: Mapping[AlarmKey, str]
    clock: SiteClock


def site_view(
    connection: Connection, cache: RosterCache, now_us: int, site: str, limits: LimitsSettings
) -> SiteView | None:
    """The page of a site; None if there is no site of this name.

    Args:
        connection: one reading transaction.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
        site: name of the site.
        limits: limits of the SWR at the transmitter.
    """
    roster = cache.roster(connection)
    fleet = roster.fleet
    if site not in fleet.site_names:
        return None
    board = view_of_site(connection, cache, now_us, site)
    row = board.sites[0]
    table = limits_of(fleet, LimitSettings(**limits.model_dump()))
    parts = []
    for position, shown in zip(
        roster.members[fleet.site_names.index(site)].tolist(), row.transmitters, strict=True
    ):
        start_us = now_us - CHART_DAYS * 24 * HOUR_US
        hours = rollup_frame(connection, start_us - start_us % HOUR_US, now_us + 1, int(fleet.key[position]))
        names = ("warning", "minor", "major", "critical")
        levels = [
            Level(float(limit), name, "limit") for name, limit in zip(names, table[:, position], strict=True)
        ]
        levels.append(Level(shown.baseline_swr, "baseline", "baseline"))
        loss_db = float(fleet.feeder_loss_db[position])
        parts.append(
            TransmitterPart(
                row=shown,
                listed=roster.rows[position],
                feeder_loss_db=loss_db,
                ceiling_swr=float(swr_ceiling(loss_db)),
                chart=chart(_course(hours, fleet, position), levels, start_us, now_us, shown.name),
                days=_days(hours),
            )
        )
    alarms = [*row.alarms, *row.region_alarms, *(one for shown in row.transmitters for one in shown.alarms)]
    alarms.sort(key=lambda one: (-one.alarm.severity, -one.alarm.raised_us))
    return SiteView(
        board=board,
        site=row,
        parts=tuple(parts),
        alarms=tuple(alarms),
        changes=tuple(changes_of_site(connection, site, CHANGES)),
        present=present_of(connection, cache, now_us, alarms),
        clock=site_clocks(connection, (site,))[0],
    )


def _course(hours: pd.DataFrame, fleet: Fleet, position: int) -> Course:
    """Rollups as levels of the SWR."""
    median = hours["rho_median"].to_numpy(dtype=np.float64)
    antenna = rho_at_antenna(median, np.full(len(median), fleet.feeder_loss_db[position]))
    return Course(
        hour_us=hours["hour_us"].to_numpy(dtype=np.int64),
        low=swr_from_rho(hours["rho_low"].to_numpy(dtype=np.float64)),
        median=swr_from_rho(median),
        high=swr_from_rho(hours["rho_high"].to_numpy(dtype=np.float64)),
        antenna=swr_from_rho(np.where(is_passive(antenna), antenna, np.nan)),
    )


def _days(hours: pd.DataFrame) -> tuple[Day, ...]:
    """The days as figures, newest first, for those who cannot see the chart."""
    if hours.empty:
        return ()
    swr = pd.Series(swr_from_rho(hours["rho_median"].to_numpy(dtype=np.float64)), index=hours.index)
    by_day = swr.groupby(hours["hour_us"] // (24 * HOUR_US))
    reports = hours.groupby(hours["hour_us"] // (24 * HOUR_US))["reports"].sum()
    columns = (by_day.min(), by_day.median(), by_day.max(), reports)
    days = [
        Day(words.moment(number * 24 * HOUR_US).strftime("%Y-%m-%d"), low, middle, high, count)
        for number, low, middle, high, count in zip(
            reports.index.tolist(), *(column.tolist() for column in columns), strict=True
        )
    ]
    return tuple(reversed(days))
