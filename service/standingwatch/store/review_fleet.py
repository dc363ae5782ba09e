"""What an overnight review needs of the rollups: courses of some transmitters, and who gives no data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from itertools import chain, islice

import numpy as np
from sqlalchemy import Connection, case, func, select
from sqlalchemy.dialects.postgresql import aggregate_order_by

from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition
from standingwatch.inventory import InventoryRow
from standingwatch.readings import IntArray
from standingwatch.review.no_data import Heard, without_data
from standingwatch.review.overnight import TREND_DAYS, NoData, Trend
from standingwatch.review.trend import trend_of
from standingwatch.store import tables
from standingwatch.store.board import last_hours
from standingwatch.store.review_parts import in_parts
from standingwatch.store.watching import present_baselines

DAY_US = 24 * HOUR_US

#: Transmitters of a part, where others help: so many that the way there does not tell.
TRENDS_A_PART, FLEET_A_PART = 100, 5_000

#: Numbers in one query: SQLite takes 32,766 at most, and shorter texts are read faster.
_AT_ONCE = 500


def trends_of(
    connection: Connection,
    keys: Mapping[tuple[str, str], int],
    until_us: int,
    executor: Executor | None = None,
) -> dict[tuple[str, str], Trend]:
    """The course of some transmitters over `TREND_DAYS` days.

    Args:
        connection: one reading transaction.
        keys: their numbers in the store, by site and transmitter.
        until_us: end of the last day [Unix microseconds]: hours are rolled up until then.
        executor: who helps with it; None for nobody.
    """
    parts = in_parts(connection, executor, _trends, list(keys.values()), TRENDS_A_PART, until_us)
    return dict(zip(keys, chain.from_iterable(parts), strict=True))


def _trends(connection: Connection, keys: Sequence[int], until_us: int) -> list[Trend]:
    """The courses of transmitters given by their numbers in the store."""
    start_us = until_us - TREND_DAYS * DAY_US
    numbers = np.array(keys, dtype=np.int64)
    table = np.full((len(numbers), TREND_DAYS), np.nan)
    columns = tables.rollups.c
    day = ((columns.hour_us - start_us) // DAY_US).label("day")
    # In the order of the hours, however the database goes about it: a sum of others differs in its last bit.
    # SQLite goes through its one tree in that order.
    in_order = connection.dialect.name == "postgresql"
    mean = func.avg(
        aggregate_order_by(columns.rho_median, columns.hour_us) if in_order else columns.rho_median
    )
    row_of = {number: i for i, number in enumerate(numbers.tolist())}
    for some in _pieces(numbers.tolist()):
        # By transmitter first: each is one stretch of the table's tree.
        query = (
            select(columns.transmitter, day, mean)
            .where(
                columns.transmitter.in_(some),
                columns.hour_us >= start_us,
                columns.hour_us < until_us,
                columns.rho_median.is_not(None),
            )
            .group_by(columns.transmitter, day)
        )
        for number, at, rho in connection.execute(query):
            table[row_of[number], int(at)] = float(rho)
    baselines = present_baselines(connection, keys)
    found = []
    for i, number in enumerate(keys):
        known = baselines.get(number)
        rho = known.rho if known is not None and known.rho is not None else np.nan
        spread = known.spread if known is not None and known.spread is not None else np.nan
        kind = known.kind if known is not None and np.isfinite(rho) else ""
        found.append(trend_of(start_us, table[i], rho, spread, kind))
    return found


def data_of_fleet(
    connection: Connection,
    rows: Sequence[InventoryRow],
    keys: Sequence[int],
    until_us: int,
    executor: Executor | None = None,
) -> list[NoData]:
    """Transmitters without useful data.

    Args:
        connection: one reading transaction.
        rows: the site list, or a part of it.
        keys: number of each in the store.
        until_us: hours are rolled up until then [Unix microseconds].
        executor: who helps with it; None for nobody.
    """
    listed = list(zip(rows, keys, strict=True))
    return list(chain.from_iterable(in_parts(connection, executor, _no_data, listed, FLEET_A_PART, until_us)))


def _no_data(
    connection: Connection, listed: Sequence[tuple[InventoryRow, int]], until_us: int
) -> list[NoData]:
    """Transmitters without useful data among some of the site list, each with its number in the store."""
    rows, keys = [row for row, _ in listed], [key for _, key in listed]
    numbers = np.array(keys, dtype=np.int64)
    report_us, usable_us = _last_day(connection, numbers, until_us)
    # The few without a report, or without a usable one, on the last day: theirs is looked for farther back.
    for times, of_the_match in ((report_us, False), (usable_us, True)):
        missing = np.flatnonzero(times == 0)
        for some in _pieces(missing.tolist()):
            hours = last_hours(connection, numbers[some].tolist(), of_the_match=of_the_match)
            hour_us = hours["hour_us"].reindex(numbers[some]).fillna(-HOUR_US).to_numpy(dtype=np.float64)
            times[some] = hour_us.astype(np.int64) + HOUR_US
    baselines = present_baselines(connection, keys)
    known = [baselines.get(number) for number in keys]
    silent, suspect = _standing(connection)
    return without_data(
        Heard(
            site=[row.site for row in rows],
            site_name=[row.site_name or row.site for row in rows],
            transmitter=[row.transmitter for row in rows],
            region=[row.region or "" for row in rows],
            report_us=report_us,
            usable_us=usable_us,
            has_baseline=np.array([b is not None and b.rho is not None for b in known], dtype=np.bool_),
            opened_us=np.array(
                [b.time_us if b is not None and b.rho is None else 0 for b in known], dtype=np.int64
            ),
            silent_us=silent,
            suspect_us=suspect,
        ),
        until_us,
    )


def _last_day(connection: Connection, numbers: IntArray, until_us: int) -> tuple[IntArray, IntArray]:
    """End of the newest hour of the last day with a report, and with a usable one; 0 where there is none."""
    columns = tables.rollups.c
    usable = case((columns.usable > 0, columns.hour_us))
    reported = case((columns.reports > 0, columns.hour_us))
    query = (
        select(columns.transmitter, func.max(reported), func.max(usable))
        .where(columns.hour_us >= until_us - DAY_US)
        .group_by(columns.transmitter)
    )
    if len(numbers):
        # Of a part of the fleet no more than what lies between its first and its last.
        query = query.where(columns.transmitter.between(int(numbers.min()), int(numbers.max())))
    row_of = {number: i for i, number in enumerate(numbers.tolist())}
    report_us, usable_us = np.zeros((2, len(numbers)), dtype=np.int64)
    for number, last_report, last_usable in connection.execute(query):
        i = row_of.get(number)
        if i is not None:
            report_us[i] = 0 if last_report is None else last_report + HOUR_US
            usable_us[i] = 0 if last_usable is None else last_usable + HOUR_US
    return report_us, usable_us


def _standing(connection: Connection) -> tuple[dict[tuple[str, str], int], dict[tuple[str, str], int]]:
    """Since when alarms stand that say that somebody is silent, and that a measurement is suspect."""
    columns = tables.alarms.c
    query = select(columns.site, columns.transmitter, columns.condition, columns.members, columns.raised_us)
    kinds = {
        Condition.REPORTS_MISSING.value: 0,
        Condition.SITE_UNREACHABLE.value: 0,
        Condition.MEASUREMENT_SUSPECT.value: 1,
    }
    query = query.where(columns.is_cleared.is_(False), columns.condition.in_(kinds))
    found: tuple[dict[tuple[str, str], int], dict[tuple[str, str], int]] = ({}, {})
    for row in connection.execute(query.order_by(columns.raised_us.desc())):
        found[kinds[row.condition]][row.site, row.transmitter] = row.raised_us
    return found


def _pieces(numbers: Sequence[int]) -> Iterator[list[int]]:
    """Numbers in pieces that one query takes."""
    left = iter(numbers)
    while some := list(islice(left, _AT_ONCE)):
        yield some
