"""What one transmitter's antenna line did, over any length of time: readings, hours, baselines, alarms, work.

Readings have the time first in their key, so reading one transmitter's walks over those of the whole fleet:
whoever asks for them bounds the span (`review/spans.py`). Everything else is found by the transmitter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import ColumnElement, Connection, and_, func, or_, select

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Severity
from standingwatch.store import tables
from standingwatch.store.alarming import StandingAlarm, alarm_key, load_alarm
from standingwatch.store.watching import BaselineRow

_WHOLE = frozenset({"time_us", "hour_us", "flags", "foldback", "reports", "usable"})

READING_COLUMNS = (
    "time_us",
    "flags",
    "foldback",
    "forward_w",
    "reflected_w",
    "pa_temperature_c",
    "ambient_temperature_c",
    "precipitation",
    "wind_mps",
)

HOUR_COLUMNS = (
    "hour_us",
    "reports",
    "usable",
    "forward_w",
    "rho_low",
    "rho_median",
    "rho_high",
    "rho_max",
    "reflected_step_w",
    "pa_temperature_c",
    "ambient_temperature_c",
    "precipitation",
    "wind_mps",
)

Columns = dict[str, Any]


def readings_of(connection: Connection, key: int, start_us: int, end_us: int, limit: int) -> Columns:
    """Readings of one transmitter in order of time.

    Args:
        connection: a reading transaction.
        key: number of the transmitter in the store.
        start_us, end_us: the span, its end left out [Unix microseconds]. Readings of the whole fleet in it
            are walked over.
        limit: the most rows.

    Returns:
        Arrays of one length by the names of `READING_COLUMNS`, NaN where not known.
    """
    columns = tables.readings.c
    query = (
        select(*(columns[name] for name in READING_COLUMNS))
        .where(columns.time_us >= start_us, columns.time_us < end_us, columns.transmitter == key)
        .order_by(columns.time_us)
        .limit(limit)
    )
    return _columns(READING_COLUMNS, connection.execute(query).all())


class KeptReading(NamedTuple):
    """One reading as it is kept: times in Unix microseconds, None or -1 or "" for what was not said."""

    time_us: int
    received_us: int
    flags: int
    forward_w: float
    reflected_w: float
    keyed: int
    frequency_mhz: float | None
    channel: str
    set_power_w: float | None
    foldback: int
    pa_temperature_c: float | None
    ambient_temperature_c: float | None
    precipitation: float | None
    wind_mps: float | None
    sequence: int


def kept_readings(
    connection: Connection, key: int, start_us: int, end_us: int, limit: int
) -> list[KeptReading]:
    """Readings of one transmitter with all that is kept of them; arguments as those of `readings_of`."""
    columns = tables.readings.c
    query = (
        select(*(columns[name] for name in KeptReading._fields))
        .where(columns.time_us >= start_us, columns.time_us < end_us, columns.transmitter == key)
        .order_by(columns.time_us)
        .limit(limit)
    )
    return [KeptReading(*row) for row in connection.execute(query)]


def hours_of(connection: Connection, key: int, start_us: int, end_us: int) -> Columns:
    """Rolled-up hours of one transmitter that begin in a span, in order.

    Args:
        connection: a reading transaction.
        key: number of the transmitter in the store.
        start_us, end_us: the span, its end left out [Unix microseconds].

    Returns:
        Arrays of one length by the names of `HOUR_COLUMNS`, NaN where not known.
    """
    columns = tables.rollups.c
    query = (
        select(*(columns[name] for name in HOUR_COLUMNS))
        .where(columns.transmitter == key, columns.hour_us >= start_us, columns.hour_us < end_us)
        .order_by(columns.hour_us)
    )
    return _columns(HOUR_COLUMNS, connection.execute(query).all())


def _columns(names: Sequence[str], rows: Sequence[Any]) -> Columns:
    """Rows as arrays; a null becomes NaN."""
    # One array of all is made in an eighth of the time that one a column takes. Times in Unix microseconds
    # are below 2^53 until the year 2255, so the detour over float64 keeps every digit.
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(len(rows), len(names)).T
    return {
        name: column.astype(np.int64) if name in _WHOLE else np.ascontiguousarray(column)
        for name, column in zip(names, table, strict=True)
    }


@dataclass(frozen=True)
class NewestReading:
    """The newest reading of a transmitter: time [Unix microseconds], flags, powers [W], foldback."""

    time_us: int
    flags: int
    forward_w: float
    reflected_w: float
    foldback: int


def newest_reading(connection: Connection, key: int, since_us: int, until_us: int) -> NewestReading | None:
    """The newest reading of one transmitter in a span, ends included; None where there is none."""
    columns = tables.readings.c
    names = ("time_us", "flags", "forward_w", "reflected_w", "foldback")
    query = (
        select(*(columns[name] for name in names))
        .where(columns.time_us >= since_us, columns.time_us <= until_us, columns.transmitter == key)
        .order_by(columns.time_us.desc())
        .limit(1)
    )
    row = connection.execute(query).one_or_none()
    return None if row is None else NewestReading(*row)


def hours_known(connection: Connection, key: int) -> tuple[int, int] | None:
    """Begin of the first and of the last rolled-up hour of one transmitter [Unix microseconds]."""
    columns = tables.rollups.c
    query = select(func.min(columns.hour_us), func.max(columns.hour_us)).where(columns.transmitter == key)
    first, last = connection.execute(query).one()
    return None if first is None else (int(first), int(last))


def baselines_of(connection: Connection, key: int) -> list[BaselineRow]:
    """All versions of one transmitter's baseline, oldest first."""
    columns = tables.baselines.c
    query = select(tables.baselines).where(columns.transmitter == key).order_by(columns.version)
    return [
        BaselineRow(r.version, r.time_us, r.kind, r.rho, r.spread, r.reason)
        for r in connection.execute(query)
    ]


@dataclass(frozen=True)
class AlarmStep:
    """One change of an alarm that concerns a line: from then on its severity, or that it is cleared."""

    key: AlarmKey
    time_us: int
    severity: Severity
    is_cleared: bool


def _concerns(table: Any, site: str, transmitter: str, region: str) -> ColumnElement[bool]:
    """Alarms about a transmitter, its site or its region, groups that it may not be in among them."""
    columns = table.c
    own = and_(columns.site == site, columns.transmitter.in_((transmitter, "")), columns.region == "")
    if not region:
        return and_(own, columns.service == "")
    of_region = and_(columns.site == "", columns.transmitter == "", columns.region == region)
    return and_(or_(own, of_region), columns.service == "")


def alarms_of_line(
    connection: Connection, site: str, transmitter: str, region: str
) -> dict[AlarmKey, StandingAlarm]:
    """Alarms, standing or ended, about a transmitter, its site as a whole, or a group that it is in.

    Args:
        connection: a reading transaction.
        site, transmitter: which.
        region: of its site, "" for none.
    """
    table = tables.alarms
    query = select(table).where(_concerns(table, site, transmitter, region))
    texts = {alarm_key(row): row.text for row in connection.execute(query)}
    found = {}
    for key, text in texts.items():
        alarm = load_alarm(connection, key)
        name = f"{site}/{transmitter}"
        if alarm is not None and (key.transmitter or not alarm.members or name in alarm.members):
            found[key] = StandingAlarm(alarm, text)
    return found


def alarm_steps(
    connection: Connection, site: str, transmitter: str, region: str, until_us: int
) -> list[AlarmStep]:
    """Every change until a time [Unix microseconds] of the alarms about a line, in order of time.

    Those of groups that the transmitter is not in are among them: see `alarms_of_line`.
    """
    table = tables.alarm_changes
    query = (
        select(table)
        .where(_concerns(table, site, transmitter, region), table.c.time_us < until_us)
        .order_by(table.c.time_us, table.c.id)
    )
    return [
        AlarmStep(alarm_key(row), row.time_us, Severity(row.severity), row.kind == "cleared")
        for row in connection.execute(query)
    ]


@dataclass(frozen=True)
class WorkSpan:
    """Work on record, or a visit: its kind in a word, from when until when [Unix microseconds]."""

    kind: str
    start_us: int
    end_us: int
    note: str = ""


def work_of_line(
    connection: Connection, site: str, transmitter: str, start_us: int, end_us: int
) -> list[WorkSpan]:
    """Windows of work on a transmitter, or on all of its site, that touch a span, by their beginning."""
    columns = tables.maintenance.c
    query = (
        select(tables.maintenance)
        .where(
            columns.site == site,
            columns.transmitter.in_((transmitter, "")),
            columns.start_us < end_us,
            columns.end_us >= start_us,
        )
        .order_by(columns.start_us, columns.id)
    )
    return [WorkSpan(r.kind, r.start_us, r.end_us, r.note) for r in connection.execute(query)]


def visits_of_site(connection: Connection, site: str, start_us: int, end_us: int) -> list[WorkSpan]:
    """Visits to a site that touch a span, by their beginning; one that has not ended goes on until its end.

    Planned ones count from the planned time on. Dropped and merely proposed ones are left out.
    """
    columns = tables.visits.c
    query = select(tables.visits).where(columns.site == site, columns.state.not_in(("proposed", "dropped")))
    found = []
    for row in connection.execute(query.order_by(columns.id)):
        begin = row.begun_us if row.begun_us is not None else row.planned_for_us
        if begin is None:
            continue
        end = row.ended_us if row.ended_us is not None else (end_us if row.begun_us is not None else begin)
        if begin < end_us and max(end, begin) >= start_us:
            found.append(WorkSpan(row.state.replace("-", " "), begin, max(end, begin), f"visit {row.id}"))
    return sorted(found, key=lambda one: one.start_us)
