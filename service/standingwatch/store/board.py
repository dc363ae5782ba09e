"""What the pages ask of the store: newest readings and trends of the fleet, refused reports by reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from sqlalchemy import ColumnElement, Connection, FromClause, Select, and_, func, or_, select, true

from standingwatch.detect.limits import TOTAL_REFLECTION_RATIO
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings import FloatArray, IntArray
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.store import tables
from standingwatch.store.alarming import PastChange, past_change
from standingwatch.store.reports import Horizon, RefusedReport, horizon

#: How far back the newest readings are looked for in the readings themselves; before that, in the rollups.
RECENT_US = HOUR_US

#: How far ahead of the clock a reading may be and still count as the newest.
AHEAD_US = 300_000_000


@dataclass(frozen=True)
class IntakeState:
    """What the intake has said of itself.

    Attributes:
        received_us: when the newest arrival came [Unix microseconds], None before the first.
        horizon: up to when everything sent has been kept, None before the intake has said.
    """

    received_us: int | None
    horizon: Horizon | None


def intake_state(connection: Connection) -> IntakeState:
    """How far the intake has come."""
    columns = tables.arrivals.c
    newest = select(columns.received_us).order_by(columns.arrival.desc()).limit(1)
    return IntakeState(connection.execute(newest).scalar_one_or_none(), horizon(connection))


_NEWEST = ("transmitter", "time_us", "flags", "forward_w", "reflected_w", "foldback")


def newest_readings(
    connection: Connection, since_us: int, until_us: int, *, of_the_match: bool = False
) -> pd.DataFrame:
    """The newest reading of each transmitter in a span, which should be short: every reading in it is read.

    Args:
        connection: any transaction.
        since_us, until_us: the span, ends included [Unix microseconds].
        of_the_match: only readings that say something about the match: usable ones, and total reflection read
            by an imperfect meter, which counts as usable here as in the detector of `swr-high`.

    Returns:
        Index: the transmitter's number in the store. Columns time_us [Unix microseconds], flags, forward_w
        and reflected_w [W], foldback (1 yes, 0 no, -1 not said).
    """
    columns = tables.readings.c
    wanted: ColumnElement[bool] = and_(columns.time_us >= since_us, columns.time_us <= until_us)
    if of_the_match:
        unusable = columns.flags.bitwise_and(UNUSABLE)
        total = and_(
            unusable == int(Flag.REFLECTED_ABOVE_FORWARD),
            columns.reflected_w <= TOTAL_REFLECTION_RATIO * columns.forward_w,
        )
        wanted = and_(wanted, or_(unusable == 0, total))
    newest = (
        select(columns.transmitter, func.max(columns.time_us).label("time_us"))
        .where(wanted)
        .group_by(columns.transmitter)
        .subquery()
    )
    query = select(*(columns[name] for name in _NEWEST)).join(
        newest, (columns.time_us == newest.c.time_us) & (columns.transmitter == newest.c.transmitter)
    )
    return _frame(connection, query, _NEWEST).set_index("transmitter")


def last_hours(connection: Connection, keys: Sequence[int], *, of_the_match: bool = False) -> pd.DataFrame:
    """The newest rolled-up hour of each transmitter that has one.

    Args:
        connection: any transaction.
        keys: numbers of the transmitters in the store.
        of_the_match: only hours with usable readings.

    Returns:
        Index: the transmitter's number. Columns hour_us [Unix microseconds], rho_median, forward_w [W].
    """
    columns = tables.rollups.c
    filled = columns.usable > 0 if of_the_match else columns.reports > 0
    hour = (
        select(columns.hour_us)
        .where(columns.transmitter == tables.transmitters.c.key, filled)
        .order_by(columns.hour_us.desc())
        .limit(1)
        .scalar_subquery()
    )
    latest = (
        select(tables.transmitters.c.key, hour.label("hour_us"))
        .where(tables.transmitters.c.key.in_(list(keys)))
        .subquery()
    )
    names = ("transmitter", "hour_us", "rho_median", "forward_w")
    query = select(*(columns[name] for name in names)).join(
        latest, (columns.transmitter == latest.c.key) & (columns.hour_us == latest.c.hour_us)
    )
    return _frame(connection, query, names).set_index("transmitter")


def trend_table(connection: Connection, keys: IntArray, start_us: int, bins: int, bin_us: int) -> FloatArray:
    """The course of the match: mean of the hourly medians of rho in each of a row of equal times.

    Args:
        connection: any transaction.
        keys: numbers of the transmitters in the store.
        start_us: begin of the first bin [Unix microseconds].
        bins: how many bins, 1 or more.
        bin_us: length of each [microseconds].

    Returns:
        rho at the transmitter, shape (len(keys), bins), NaN where there was nothing usable.
    """
    hours = _hours_of(connection, keys, start_us, start_us + bins * bin_us)
    place = ((hours.c.hour_us - start_us) // bin_us).label("place")
    query = (
        select(hours.c.transmitter, place, func.avg(hours.c.rho_median))
        .where(hours.c.rho_median.is_not(None))
        .group_by(hours.c.transmitter, place)
    )
    table = np.full((len(keys), bins), np.nan)
    found = connection.execute(query).all()
    if not found or len(keys) == 0:
        return table
    number, where, rho = (np.array(column) for column in zip(*found, strict=True))
    order = np.argsort(keys)
    at = np.minimum(np.searchsorted(keys, number, sorter=order), len(keys) - 1)
    row = order[at]
    watched = keys[row] == number
    table[row[watched], where[watched].astype(np.int64)] = rho[watched].astype(np.float64)
    return table


def _hours_of(connection: Connection, keys: IntArray, start_us: int, end_us: int) -> FromClause:
    """The hours of some transmitters in a span, each read by its own stretch of the key."""
    columns, numbers = tables.rollups.c, tables.transmitters.c.key
    wanted = (columns.transmitter, columns.hour_us, columns.rho_median)
    span = (columns.hour_us >= start_us, columns.hour_us < end_us)
    if connection.dialect.name == "sqlite":
        return select(*wanted).where(columns.transmitter.in_(keys.tolist()), *span).subquery()
    # PostgreSQL would rather read the span of all transmitters: over 10,000 of them that takes six times as
    # long for a page of 200. What has an offset it takes as it stands.
    chosen = select(numbers).where(numbers.in_(keys.tolist())).offset(0).subquery()
    each = select(*wanted).where(columns.transmitter == chosen.c.key, *span).offset(0).lateral()
    return select(each).select_from(chosen.join(each, true())).subquery()


def closed_until_us(connection: Connection) -> int:
    """Hours before this are rolled up [Unix microseconds], 0 before the first pass of a watch."""
    value = connection.execute(select(func.min(tables.watch_progress.c.closed_until_us))).scalar_one()
    return int(value or 0)


def changes_of_site(connection: Connection, site: str, limit: int) -> list[PastChange]:
    """The newest alarm changes of a site, newest first."""
    columns = tables.alarm_changes.c
    query = select(tables.alarm_changes).where(columns.site == site).order_by(columns.id.desc()).limit(limit)
    return [past_change(r) for r in connection.execute(query)]


def refused_examples(connection: Connection, reason: str, limit: int) -> list[RefusedReport]:
    """The newest reports refused for a reason that still wait, newest first."""
    columns = tables.refused.c
    query = (
        select(tables.refused)
        .where(columns.reason == reason, columns.accepted_us.is_(None))
        .order_by(columns.id.desc())
        .limit(limit)
    )
    return [
        RefusedReport(r.received_us, r.topic, bytes(r.payload), r.reason, r.detail, r.id, r.accepted_us)
        for r in connection.execute(query)
    ]


def _frame(connection: Connection, query: Select[tuple[object, ...]], names: tuple[str, ...]) -> pd.DataFrame:
    rows = [tuple(row) for row in connection.execute(query)]
    frame = pd.DataFrame.from_records(rows, columns=list(names))
    kinds = {
        name: "float64" if name in ("forward_w", "reflected_w", "rho_median") else "int64" for name in names
    }
    return frame.astype(kinds)
