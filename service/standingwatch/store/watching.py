"""What the watch keeps: how far it has come, its detectors' state, rollups, baselines, maintenance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, delete, func, insert, select, true

from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.rollup import Hours
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.readings import IntArray
from standingwatch.store import tables
from standingwatch.store.reports import upsert

ROLLUP_COLUMNS = tuple(column.name for column in tables.rollups.columns)


@dataclass(frozen=True)
class Progress:
    """How far a watch has come.

    Attributes:
        arrival: last arrival judged.
        until_us: time judged up to [Unix microseconds].
        closed_until_us: hours before this are rolled up [Unix microseconds].
        layout: layout of the detectors' records, as text.
    """

    arrival: int
    until_us: int
    closed_until_us: int
    layout: str


def load_progress(connection: Connection, watch: str) -> Progress | None:
    """How far the watch has come; None before its first pass."""
    row = connection.execute(
        select(tables.watch_progress).where(tables.watch_progress.c.watch == watch)
    ).one_or_none()
    return None if row is None else Progress(row.arrival, row.until_us, row.closed_until_us, row.layout)


def save_progress(connection: Connection, watch: str, progress: Progress) -> None:
    """Note how far the watch has come."""
    upsert(
        connection,
        tables.watch_progress,
        [
            {
                "watch": watch,
                "arrival": progress.arrival,
                "until_us": progress.until_us,
                "closed_until_us": progress.closed_until_us,
                "layout": progress.layout,
            }
        ],
    )


def load_state(
    connection: Connection, sites: Collection[str] | None = None
) -> dict[tuple[str, str, str], bytes]:
    """The detectors' records by part of the engine, site and transmitter ("" for the site's own).

    Args:
        connection: any transaction.
        sites: only those of these sites; None for all.
    """
    query = select(tables.watch_state)
    if sites is not None:
        query = query.where(tables.watch_state.c.site.in_(sorted(sites)))
    return {(r.part, r.site, r.transmitter): bytes(r.state) for r in connection.execute(query)}


def save_state(connection: Connection, records: Iterable[tuple[str, str, str, bytes]]) -> None:
    """Keep records that changed: part of the watch, site, transmitter ("" for the site's own) and bytes."""
    rows = [
        {"part": part, "site": site, "transmitter": name, "state": state}
        for part, site, name, state in records
    ]
    upsert(connection, tables.watch_state, rows)


def clear_state(connection: Connection, sites: Collection[str] | None = None) -> None:
    """Forget all records, or those of some sites, when their layout has changed."""
    query = delete(tables.watch_state)
    if sites is not None:
        query = query.where(tables.watch_state.c.site.in_(sorted(sites)))
    connection.execute(query)


def save_rollups(connection: Connection, hours: Hours, keys: IntArray) -> None:
    """Keep hours; an hour that is kept already is replaced.

    Args:
        connection: a writing transaction.
        hours: what to keep, pooled over channels.
        keys: number of each row's transmitter in the store.

    Raises:
        ValueError: if hours are kept apart by channel: the store has one row a transmitter and hour.
    """
    if len(hours) == 0:
        return
    if np.any(hours.channel != 0):
        raise ValueError("rollups: got hours that are kept apart by channel, wanted them pooled (channel 0)")
    names = [f.name for f in fields(Hours) if f.name in ROLLUP_COLUMNS and f.name != "transmitter"]
    columns = {name: _plain(getattr(hours, name)) for name in names}
    columns["transmitter"] = keys.tolist()
    rows = [
        dict(zip(ROLLUP_COLUMNS, values, strict=True))
        for values in zip(*(columns[name] for name in ROLLUP_COLUMNS), strict=True)
    ]
    upsert(connection, tables.rollups, rows)


def _plain(values: Any) -> list[Any]:
    """An array as a list, NaN as None."""
    if values.dtype.kind != "f":
        return list(values.tolist())
    return [None if v != v else v for v in values.tolist()]


def rollup_frame(connection: Connection, start_us: int, end_us: int, key: int | None = None) -> pd.DataFrame:
    """Rollups of a span, one transmitter's or all, by transmitter and hour; columns as in the table."""
    columns = tables.rollups.c
    query = select(tables.rollups).where(columns.hour_us >= start_us, columns.hour_us < end_us)
    if key is not None:
        query = query.where(columns.transmitter == key)
    rows = connection.execute(query.order_by(columns.transmitter, columns.hour_us)).all()
    frame = pd.DataFrame.from_records([tuple(r) for r in rows], columns=list(ROLLUP_COLUMNS))
    floats = [c.name for c in tables.rollups.columns if c.nullable]
    return frame.astype(dict.fromkeys(floats, "float64"))


def add_baselines(
    connection: Connection, changes: Sequence[BaselineChange], key_of_position: IntArray
) -> None:
    """Keep what the detectors learned, as new versions."""
    columns = tables.baselines.c
    keys = [int(key_of_position[change.transmitter]) for change in changes]
    version: Counter[int] = Counter()
    for some in _parts(sorted(set(keys))):
        newest = select(columns.transmitter, func.max(columns.version)).where(columns.transmitter.in_(some))
        version.update({row[0]: row[1] for row in connection.execute(newest.group_by(columns.transmitter))})
    rows = []
    for key, change in zip(keys, changes, strict=True):
        version[key] += 1
        rows.append(
            {
                "transmitter": key,
                "version": version[key],
                "time_us": change.time_us,
                "kind": change.kind,
                "rho": None if np.isnan(change.rho) else change.rho,
                "spread": None if np.isnan(change.spread) else change.spread,
                "reason": change.reason,
            }
        )
    if rows:
        connection.execute(insert(tables.baselines), rows)


def _parts(keys: list[int], most: int = 500) -> Iterator[list[int]]:
    """Keys in parts that a statement can name."""
    for begin in range(0, len(keys), most):
        yield keys[begin : begin + most]


#: What is kept of a baseline besides its number.
_LEARNED = ("time_us", "kind", "rho", "spread", "reason")


def replace_baselines(
    connection: Connection, changes: Sequence[BaselineChange], key_of_position: IntArray
) -> None:
    """Keep what was learned anew from all readings in place of all that was learned before.

    Where both are the same nothing changes. Otherwise the new versions go on from the last number that there
    was, so that no number ever means another baseline than it did: what people have said of one is not taken
    for a word on another.
    """
    columns = tables.baselines.c
    learned: dict[int, list[BaselineChange]] = {int(key): [] for key in key_of_position}
    for change in changes:
        learned[int(key_of_position[change.transmitter])].append(change)
    kept: dict[int, list[Any]] = {}
    for row in connection.execute(select(tables.baselines).order_by(columns.transmitter, columns.version)):
        kept.setdefault(row.transmitter, []).append(row)
    for key, anew in learned.items():
        before = kept.get(key, [])
        values = [
            {
                "time_us": one.time_us,
                "kind": one.kind,
                "rho": None if np.isnan(one.rho) else one.rho,
                "spread": None if np.isnan(one.spread) else one.spread,
                "reason": one.reason,
            }
            for one in anew
        ]
        same = [{name: getattr(row, name) for name in _LEARNED} for row in before]
        if values == same:
            continue
        last = before[-1].version if before else 0
        connection.execute(delete(tables.baselines).where(columns.transmitter == key))
        rows = [{"transmitter": key, "version": last + n, **one} for n, one in enumerate(values, start=1)]
        if rows:
            connection.execute(insert(tables.baselines), rows)


@dataclass(frozen=True)
class BaselineRow:
    """A transmitter's baseline as it stands."""

    version: int
    time_us: int
    kind: str
    rho: float | None
    spread: float | None
    reason: str


def present_baselines(connection: Connection, keys: Sequence[int] | None = None) -> dict[int, BaselineRow]:
    """The newest baseline of each transmitter, by its number in the store.

    Args:
        connection: any transaction.
        keys: only those between the least and the greatest of these numbers; None for all.
    """
    columns = tables.baselines.c
    wanted = true() if not keys else columns.transmitter.between(min(keys), max(keys))
    newest = (
        select(columns.transmitter, func.max(columns.version).label("version"))
        .where(wanted)
        .group_by(columns.transmitter)
        .subquery()
    )
    query = select(tables.baselines).join(
        newest, (columns.transmitter == newest.c.transmitter) & (columns.version == newest.c.version)
    )
    return {
        r.transmitter: BaselineRow(r.version, r.time_us, r.kind, r.rho, r.spread, r.reason)
        for r in connection.execute(query)
    }


def replace_maintenance(connection: Connection, rows: Sequence[MaintenanceRow]) -> None:
    """Make `rows` the work on record in place of what an import brought; what people entered stays."""
    connection.execute(delete(tables.maintenance).where(tables.maintenance.c.entered_by == "file"))
    if rows:
        connection.execute(insert(tables.maintenance), [vars(r) for r in rows])


def load_maintenance(connection: Connection) -> list[MaintenanceRow]:
    """All work on record."""
    columns = tables.maintenance.c
    query = select(tables.maintenance).order_by(columns.start_us, columns.id)
    return [
        MaintenanceRow(r.site, r.transmitter, r.start_us, r.end_us, r.kind) for r in connection.execute(query)
    ]


def note_job(connection: Connection, job: str, started_us: int, ended_us: int, error: str) -> None:
    """Keep how the newest run of a job went; `error` is "" when it succeeded."""
    upsert(
        connection,
        tables.job_runs,
        [
            {
                "job": job,
                "started_us": started_us,
                "ended_us": ended_us,
                "succeeded": not error,
                "detail": error,
            }
        ],
    )
