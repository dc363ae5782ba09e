"""What the page of an antenna line shows, ready for its template."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

import numpy as np
from sqlalchemy import Connection

from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.limits import LimitSettings, limits_of
from standingwatch.detect.words import Severity
from standingwatch.inventory import InventoryRow
from standingwatch.readings.fleet import Fleet
from standingwatch.review.course import Course, by_day
from standingwatch.review.line_words import lost_db, what_goes_on
from standingwatch.review.spans import Resolution
from standingwatch.rf import (
    is_passive,
    return_loss_db_from_rho,
    rho_at_antenna,
    rho_bounds,
    rho_from_swr,
    swr_ceiling,
    swr_from_rho,
)
from standingwatch.settings import LimitsSettings
from standingwatch.web import words
from standingwatch.web.desk import Desk, DeskAlarm
from standingwatch.web.line_data import LineData, line_data
from standingwatch.web.line_rows import Limit
from standingwatch.web.line_span import Move, Span, lengths, moves

# Others ask for it here.
from standingwatch.web.pages import line_address as line_address
from standingwatch.web.roster import Roster

#: Rows of the table at most; a longer course is told by coarser rows, and in full by the API.
TABLE_ROWS = 120

#: How the match can be written.
SWR, RETURN_LOSS = "swr", "return-loss"


@dataclass(frozen=True)
class Figures:
    """A match at both ends: SWR [1] and return loss [dB]; NaN where not known or not possible."""

    swr: float
    return_loss_db: float
    swr_at_antenna: float
    return_loss_at_antenna_db: float


@dataclass(frozen=True)
class NamedLimit:
    """A limit at both ends."""

    name: str
    at: Figures


@dataclass(frozen=True)
class TableRow:
    """One row of the table that says what the chart shows."""

    time: str
    median: Figures
    low: Figures
    high: Figures
    forward_w: float
    lost_db: float
    temperature_c: float
    precipitation: float
    reports: int
    usable: int


@dataclass(frozen=True)
class LineView:
    """The page of one line at one moment."""

    site: str
    title: str
    region: str
    name: str
    listed: InventoryRow
    data: LineData
    severity: Severity
    sentences: tuple[str, ...]
    alarms: tuple[DeskAlarm, ...]
    present: Figures
    newest: Figures
    baseline: Figures
    least: Figures
    most: Figures
    lost_db: float
    baseline_lost_db: float
    directivity_db: float
    ceiling_swr: float
    limits: tuple[NamedLimit, ...]
    table: tuple[TableRow, ...]
    table_of: str
    lengths: tuple[Move, ...]
    moves: tuple[Move, ...]
    as_return_loss: bool


def query_of(start: str, end: str, way: str) -> str:
    """The query of a span and a way to write the match, with its "?"; "" for the usual."""
    pairs = {"from": start, "to": end, "as": way if way != SWR else ""}
    told = {name: value for name, value in pairs.items() if value}
    return f"?{urlencode(told)}" if told else ""


def figures(rho: float, loss_db: float) -> Figures:
    """A match at both ends.

    Args:
        rho: at the transmitter, 0..1, or NaN.
        loss_db: of the feeder one way [dB], NaN for not known.
    """
    antenna = float(rho_at_antenna(rho, loss_db))
    # Above 1 the feeder loss on the site list does not fit the reading: better nothing than wrong.
    antenna = antenna if is_passive(antenna) else np.nan
    return Figures(
        float(swr_from_rho(rho)),
        float(return_loss_db_from_rho(rho)),
        float(swr_from_rho(antenna)),
        float(return_loss_db_from_rho(antenna)),
    )


def line_limits(fleet: Fleet, position: int, settings: LimitsSettings) -> list[Limit]:
    """Limits of one transmitter with their names: severities, foldback, tolerance; the lowest first."""
    table = limits_of(fleet, LimitSettings(**settings.model_dump()))[:, position]
    named: dict[float, list[str]] = {}
    pairs = list(zip(table.tolist(), ("warning", "minor", "major", "critical"), strict=True))
    pairs += [
        (float(fleet.foldback_swr[position]), "foldback"),
        (float(fleet.tolerance_swr[position]), "tolerance"),
    ]
    for swr, name in pairs:
        if np.isfinite(swr):
            named.setdefault(round(swr, 3), []).append(name)
    return [Limit(swr, ", ".join(names)) for swr, names in sorted(named.items())]


def line_view(
    connection: Connection,
    roster: Roster,
    now_us: int,
    position: int,
    span: Span,
    limits: LimitsSettings,
    *,
    as_return_loss: bool,
) -> LineView:
    """The page of a line.

    Args:
        connection: one reading transaction.
        roster: the watched transmitters.
        now_us: now [Unix microseconds].
        position: which, in the roster's fleet.
        span: which length of time.
        limits: limits of the SWR at the transmitter.
        as_return_loss: write the match as return loss first, else as SWR.
    """
    fleet = roster.fleet
    data = line_data(connection, roster, now_us, position, span)
    now, loss_db = data.now, float(fleet.feeder_loss_db[position])
    directivity_db = float(fleet.directivity_db[position])
    bounds = [
        min(float(b), 1.0) if np.isfinite(b) else np.nan for b in rho_bounds(now.level_rho, directivity_db)
    ]
    alarms = tuple(Desk(connection, roster, now_us).sees(data.alarms))
    site = fleet.site[position]
    table, told = _table(data.course, loss_db)
    return LineView(
        site=site,
        title=roster.title_of_site.get(site, site),
        region=fleet.region[position],
        name=fleet.transmitter[position],
        listed=roster.rows[position],
        data=data,
        severity=max((one.alarm.severity for one in alarms), default=Severity.CLEARED),
        sentences=tuple(what_goes_on(now, DepartureSettings())),
        alarms=alarms,
        present=figures(now.level_rho, loss_db),
        newest=figures(data.newest.rho, loss_db),
        baseline=figures(now.baseline_rho, loss_db),
        least=figures(bounds[0], loss_db),
        most=figures(bounds[1], loss_db),
        lost_db=lost_db(now.level_rho, loss_db),
        baseline_lost_db=lost_db(now.baseline_rho, loss_db),
        directivity_db=directivity_db,
        ceiling_swr=float(swr_ceiling(loss_db)),
        limits=tuple(
            NamedLimit(one.name, figures(float(rho_from_swr(one.swr)), loss_db))
            for one in line_limits(fleet, position, limits)
        ),
        table=table,
        table_of=told,
        lengths=tuple(lengths(span, now_us)),
        moves=tuple(moves(span, now_us)),
        as_return_loss=as_return_loss,
    )


def _table(course: Course, loss_db: float) -> tuple[tuple[TableRow, ...], str]:
    """The course as rows, newest first, and what a row is; the last `TABLE_ROWS` of what does not fit."""
    told = {Resolution.RAW: "reading", Resolution.HOUR: "hour", Resolution.DAY: "day"}
    if course.resolution is Resolution.HOUR and len(course) > TABLE_ROWS:
        course = by_day(course)
    form = {
        Resolution.RAW: "%Y-%m-%d %H:%M:%S",
        Resolution.HOUR: "%Y-%m-%d %H:%M",
        Resolution.DAY: "%Y-%m-%d",
    }
    shown = range(max(0, len(course) - TABLE_ROWS), len(course))
    rows = [
        TableRow(
            time=words.moment(int(course.time_us[i])).strftime(form[course.resolution]),
            median=figures(float(course.rho[i]), loss_db),
            low=figures(float(course.rho_low[i]), loss_db),
            high=figures(float(course.rho_high[i]), loss_db),
            forward_w=float(course.forward_w[i]),
            lost_db=lost_db(float(course.rho[i]), loss_db),
            temperature_c=float(course.ambient_temperature_c[i]),
            precipitation=float(course.precipitation[i]),
            reports=int(course.reports[i]),
            usable=int(course.usable[i]),
        )
        for i in reversed(shown)
    ]
    return tuple(rows), told[course.resolution]


def in_words(view: LineView) -> str:
    """What the chart shows, for those who cannot see it."""
    known = view.data.course.rho[np.isfinite(view.data.course.rho)]
    span = view.data.span
    over = f"from {words.utc_minute(span.start_us)} to {words.utc_minute(span.end_us)}"
    if len(known) == 0:
        return f"Chart of {view.site} {view.name} {over}: nothing was measured."
    low, high = (words.swr(float(swr_from_rho(float(v)))) for v in (known.min(), known.max()))
    last = words.swr(float(swr_from_rho(float(known[-1]))))
    return (
        f"Chart of {view.site} {view.name} {over}: SWR at the transmitter from {low} to {high}, last {last}."
    )


def limits_to_draw(limits: Sequence[NamedLimit]) -> list[Limit]:
    """The limits as the chart takes them."""
    return [Limit(one.at.swr, one.name) for one in limits]
