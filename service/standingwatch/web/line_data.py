"""One antenna line as the store has it: its course, baselines, alarms and work, and how it stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.flags import Flag
from standingwatch.readings.fleet import Fleet
from standingwatch.review.course import Course, by_day, from_hours, from_readings, says_match
from standingwatch.review.line_words import LineNow
from standingwatch.review.spans import DAY_US, RAW_ROWS, Resolution, raw_span_us, resolution_of
from standingwatch.rf import rho_from_power
from standingwatch.store import series
from standingwatch.store.alarming import StandingAlarm
from standingwatch.store.board import AHEAD_US
from standingwatch.store.watching import BaselineRow
from standingwatch.web.line_span import Span
from standingwatch.web.roster import Roster

#: How far back the newest reading is looked for, in expected intervals and at least so long [us]: a silent
#: transmitter's last reading is not walked for over months of the fleet's.
NEWEST_INTERVALS, NEWEST_US = 4, 600_000_000

#: Conditions that say that the match is another one from then on.
ABRUPT = (Condition.SWR_HIGH, Condition.SWR_STEP)


@dataclass(frozen=True)
class Newest:
    """The newest reading; NaN for rho where it says nothing about the match, or there is none lately."""

    time_us: int = 0
    rho: float = np.nan
    forward_w: float = np.nan
    state: str = "not heard lately"


@dataclass(frozen=True)
class AlarmSpan:
    """A piece of an alarm in which its severity was one [Unix microseconds]; until now where it stands."""

    condition: str
    severity: Severity
    start_us: int
    end_us: int


@dataclass(frozen=True)
class LineData:
    """What is known of one line over a span.

    Attributes:
        position: in the fleet.
        span: which length of time.
        course: the line's course over it.
        raw_up_to_us: longest span that is told by readings [us].
        baselines: all versions, oldest first.
        alarms: alarms that stand now, gravest first.
        alarm_spans: pieces of alarms that touch the span.
        work: windows of work and visits that touch the span.
        now: how the line stands.
        newest: its newest reading.
        known: begin of the first and the last hour that is kept; None for none.
    """

    position: int
    span: Span
    course: Course
    raw_up_to_us: int
    baselines: tuple[BaselineRow, ...]
    alarms: tuple[StandingAlarm, ...]
    alarm_spans: tuple[AlarmSpan, ...]
    work: tuple[series.WorkSpan, ...]
    now: LineNow
    newest: Newest
    known: tuple[int, int] | None


def raw_up_to(fleet: Fleet, position: int) -> int:
    """Longest span over which one transmitter's readings may be asked for at once [us]."""
    reports_a_second = float(np.sum(1.0 / np.maximum(fleet.expected_interval_s, 1e-3)))
    return raw_span_us(float(fleet.expected_interval_s[position]), reports_a_second)


def course_of(connection: Connection, fleet: Fleet, position: int, span: Span, told: Resolution) -> Course:
    """A line's course over a span.

    Args:
        connection: a reading transaction.
        fleet: the transmitters.
        position: which.
        span: which length of time; for readings no longer than `raw_up_to`. Hours and days that it begins or
            ends in are whole.
        told: what a row stands for.
    """
    key, directivity_db = int(fleet.key[position]), float(fleet.directivity_db[position])
    if told is Resolution.RAW:
        rows = series.readings_of(connection, key, span.start_us, span.end_us, 4 * RAW_ROWS)
        return from_readings(rows, directivity_db)
    unit_us = HOUR_US if told is Resolution.HOUR else DAY_US
    end_us = span.end_us + -span.end_us % unit_us
    hours = from_hours(
        series.hours_of(connection, key, span.start_us - span.start_us % unit_us, end_us), directivity_db
    )
    return hours if told is Resolution.HOUR else by_day(hours)


def line_data(connection: Connection, roster: Roster, now_us: int, position: int, span: Span) -> LineData:
    """All that the page of a line shows.

    Args:
        connection: one reading transaction.
        roster: the watched transmitters.
        now_us: now [Unix microseconds].
        position: which, in the roster's fleet.
        span: which length of time.
    """
    fleet = roster.fleet
    site, name, region = fleet.site[position], fleet.transmitter[position], fleet.region[position]
    key = int(fleet.key[position])
    limit_us = raw_up_to(fleet, position)
    course = course_of(connection, fleet, position, span, resolution_of(span.length_us, limit_us))
    concerned = series.alarms_of_line(connection, site, name, region)
    standing = sorted(
        (one for one in concerned.values() if not one.alarm.is_cleared),
        key=lambda one: (-one.alarm.severity, -one.alarm.raised_us),
    )
    steps = series.alarm_steps(connection, site, name, region, min(span.end_us, now_us))
    pieces = _pieces([step for step in steps if step.key in concerned], now_us)
    baselines = tuple(series.baselines_of(connection, key))
    newest = _newest(connection, fleet, position, now_us)
    work = [
        *series.work_of_line(connection, site, name, span.start_us, span.end_us),
        *series.visits_of_site(connection, site, span.start_us, min(span.end_us, now_us)),
    ]
    return LineData(
        position=position,
        span=span,
        course=course,
        raw_up_to_us=limit_us,
        baselines=baselines,
        alarms=tuple(standing),
        alarm_spans=tuple(p for p in pieces if p.end_us > span.start_us and p.start_us < span.end_us),
        work=tuple(work),
        now=_now(connection, fleet, position, now_us, [one.alarm for one in standing], baselines, newest),
        newest=newest,
        known=series.hours_known(connection, key),
    )


def _pieces(steps: list[series.AlarmStep], now_us: int) -> list[AlarmSpan]:
    """Changes of alarms as pieces of time; what has not ended goes on until now."""
    pieces, open_steps = [], dict[AlarmKey, series.AlarmStep]()
    for step in steps:
        before = open_steps.pop(step.key, None)
        if before is not None:
            pieces.append(AlarmSpan(step.key.condition.value, before.severity, before.time_us, step.time_us))
        if not step.is_cleared:
            open_steps[step.key] = step
    pieces += [
        AlarmSpan(key.condition.value, step.severity, step.time_us, max(now_us, step.time_us))
        for key, step in open_steps.items()
    ]
    return sorted(pieces, key=lambda piece: (piece.condition, piece.start_us))


def _newest(connection: Connection, fleet: Fleet, position: int, now_us: int) -> Newest:
    """The newest reading, if there is one lately."""
    back_us = max(NEWEST_US, int(NEWEST_INTERVALS * fleet.expected_interval_s[position] * 1e6))
    back_us = min(back_us, raw_up_to(fleet, position))
    found = series.newest_reading(connection, int(fleet.key[position]), now_us - back_us, now_us + AHEAD_US)
    if found is None:
        return Newest()
    flags, forward, reflected = (
        np.array([found.flags]),
        np.array([found.forward_w]),
        np.array([found.reflected_w]),
    )
    usable, total = says_match(flags, forward, reflected)
    rho = np.nan
    if usable[0]:
        rho = 1.0 if total[0] else min(float(rho_from_power(forward, np.maximum(reflected, 0.0))[0]), 1.0)
    state = "folded back" if found.foldback == 1 else "keyed"
    if found.flags & Flag.NOT_KEYED:
        state = "not keyed"
    return Newest(found.time_us, rho, found.forward_w, state)


def _now(
    connection: Connection,
    fleet: Fleet,
    position: int,
    now_us: int,
    standing: list[Alarm],
    baselines: tuple[BaselineRow, ...],
    newest: Newest,
) -> LineNow:
    """How the line stands: its level over the last day, or since an abrupt change that is younger."""
    key = int(fleet.key[position])
    day_us = now_us - DAY_US
    hours = series.hours_of(connection, key, day_us - day_us % HOUR_US, now_us + 1)
    abrupt = [alarm.raised_us for alarm in standing if alarm.key.condition in ABRUPT]
    rho = np.minimum(hours["rho_median"], 1.0)
    since = rho[hours["hour_us"] >= max([day_us, *abrupt])]
    # Before the first whole hour since then the newest reading is the best; failing that, the day.
    known = next((k for k in (since, np.array([newest.rho]), rho) if np.isfinite(k).any()), np.empty(0))
    level = float(np.nanmedian(known)) if len(known) else np.nan
    present = baselines[-1] if baselines else None
    # An hour that has not been rolled up yet is known by its newest reading alone.
    seen = max(int(hours["reports"].sum()), int(newest.time_us > 0))
    last_us = newest.time_us
    if not last_us:
        known_hours = series.hours_known(connection, key)
        last_us = known_hours[1] if known_hours else 0
    return LineNow(
        reports=seen,
        last_report_us=last_us,
        level_rho=level,
        baseline_rho=np.nan if present is None or present.rho is None else present.rho,
        baseline_spread=np.nan if present is None or present.spread is None else present.spread,
        baseline_kind="" if present is None or present.rho is None else present.kind,
        feeder_loss_db=float(fleet.feeder_loss_db[position]),
        alarms=tuple(standing),
        now_us=now_us,
        newest_rho=newest.rho,
    )
