"""What the pages ask of the store: newest readings and trends of the fleet, refused reports by reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from sqlalchemy import ColumnElement, Connection, Select, and_, func, or_, select

from standingwatch.detect.limits import TOTAL_REFLECTION_RATIO
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings import FloatArray, IntArray
from standingwatch.readings.flags import UNUSABLE, Flag
from standingwatch.rf import rho_from_power
from standingwatch.store import tables
from standingwatch.store.alarming import PastChange, past_change
from standingwatch.store.reports import Horizon, RefusedReport, horizon
from standingwatch.store.watching import present_baselines

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


def board_frame(connection: Connection, keys: IntArray, now_us: int) -> pd.DataFrame:
    """How each transmitter stands.

    Args:
        connection: one reading transaction.
        keys: numbers of the transmitters in the store.
        now_us: now [Unix microseconds].

    Returns:
        A row per key, in order, NaN where a level is not known, with the columns

        - report_us, time of the newest report, and match_us, that of the newest reading which says something
          about the match [Unix microseconds], 0 for none;
        - report_in_hour and match_in_hour: it is known only that the time lies in the hour from there;
        - flags and foldback of the newest report, -1 where not known;
        - rho at the transmitter of the newest reading of the match (of an hour its median), 1 for total
          reflection, and forward_w of that reading [W];
        - baseline_rho, and baseline_kind, "" for none.
    """
    since_us, until_us = now_us - RECENT_US, now_us + AHEAD_US
    report = newest_readings(connection, since_us, until_us).reindex(keys)
    match = newest_readings(connection, since_us, until_us, of_the_match=True).reindex(keys)
    unheard = report["time_us"].isna().to_numpy()
    report_hour = last_hours(connection, keys[unheard].tolist()).reindex(keys)
    unmatched = match["time_us"].isna().to_numpy()
    match_hour = last_hours(connection, keys[unmatched].tolist(), of_the_match=True).reindex(keys)
    rho = rho_from_power(
        match["forward_w"].to_numpy(dtype=np.float64), match["reflected_w"].to_numpy(dtype=np.float64)
    )
    baseline = present_baselines(connection)
    known = [baseline.get(key) for key in keys.tolist()]
    return pd.DataFrame(
        {
            "report_us": _times(report["time_us"].fillna(report_hour["hour_us"])),
            "report_in_hour": unheard,
            "match_us": _times(match["time_us"].fillna(match_hour["hour_us"])),
            "match_in_hour": unmatched,
            "flags": report["flags"].fillna(-1).astype(np.int64),
            "foldback": report["foldback"].fillna(-1).astype(np.int64),
            "rho": np.where(unmatched, match_hour["rho_median"], np.minimum(rho, 1.0)),
            "forward_w": match["forward_w"].fillna(match_hour["forward_w"]),
            "baseline_rho": np.array(
                [np.nan if b is None or b.rho is None else b.rho for b in known], dtype=np.float64
            ),
            "baseline_kind": ["" if b is None else b.kind for b in known],
        },
        index=pd.Index(keys, name="transmitter"),
    )


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
    columns = tables.rollups.c
    place = ((columns.hour_us - start_us) // bin_us).label("place")
    query = (
        select(columns.transmitter, place, func.avg(columns.rho_median))
        .where(
            columns.hour_us >= start_us,
            columns.hour_us < start_us + bins * bin_us,
            columns.rho_median.is_not(None),
        )
        .group_by(columns.transmitter, place)
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


def _times(values: pd.Series) -> npt.NDArray[np.int64]:
    # Unix microseconds are below 2^53 until the year 2255, so a detour over float64 keeps every digit.
    return values.fillna(0).to_numpy(dtype=np.float64).astype(np.int64)
