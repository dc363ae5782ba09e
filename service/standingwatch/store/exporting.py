"""Readings, alarm changes and visits out of the store, as Arrow batches: a part at a time, never all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from sqlalchemy import Connection, Select, func, select

from standingwatch.detect.words import Severity
from standingwatch.readings import COLUMNS, FLOAT_COLUMNS, STATE_COLUMNS, flag_words
from standingwatch.store import tables

#: Rows that are held at a time.
BATCH_ROWS = 50_000

_TIME = pa.timestamp("us", tz="UTC")

#: Columns of a reading: those of a report, and what the intake says of it. The import takes such a file.
READING_SCHEMA = pa.schema(
    [
        ("site", pa.string()),
        ("transmitter", pa.string()),
        ("time", _TIME),
        *((name, pa.float64()) for name in FLOAT_COLUMNS),
        *((name, pa.bool_()) for name in STATE_COLUMNS),
        ("channel", pa.string()),
        ("sequence", pa.int64()),
        ("flags", pa.string()),
        ("received", _TIME),
    ]
)

ALARM_SCHEMA = pa.schema(
    [
        ("time", _TIME),
        ("noted", _TIME),
        ("site", pa.string()),
        ("transmitter", pa.string()),
        ("region", pa.string()),
        ("service", pa.string()),
        ("condition", pa.string()),
        ("change", pa.string()),
        ("severity", pa.string()),
        ("previous_severity", pa.string()),
        ("text", pa.string()),
        ("event_id", pa.string()),
    ]
)

VISIT_SCHEMA = pa.schema(
    [
        ("visit", pa.int64()),
        ("site", pa.string()),
        ("state", pa.string()),
        ("urgency", pa.string()),
        ("proposed", _TIME),
        ("changed", _TIME),
        ("planned_for", _TIME),
        ("begun", _TIME),
        ("ended", _TIME),
        ("crew", pa.string()),
        ("reasons", pa.string()),
        ("findings", pa.string()),
        ("proof", pa.string()),
    ]
)


@dataclass(frozen=True)
class Span:
    """What is wanted: of a site ("" for all), and times of [start, end); None for no limit [Unix us]."""

    site: str = ""
    start_us: int | None = None
    end_us: int | None = None

    def limit(self, query: Select[Any], site: Any, time_us: Any) -> Select[Any]:
        """The query with these limits on two of its columns."""
        if self.site:
            query = query.where(site == self.site)
        if self.start_us is not None:
            query = query.where(time_us >= self.start_us)
        if self.end_us is not None:
            query = query.where(time_us < self.end_us)
        return query


def site_is_known(connection: Connection, site: str) -> bool:
    """Whether a site is on the site list, or was."""
    query = select(func.count()).where(tables.transmitters.c.site == site)
    return bool(connection.execute(query).scalar_one())


def export_readings(connection: Connection, span: Span) -> Iterator[pa.RecordBatch]:
    """Readings by time; those of transmitters that were taken off the site list too."""
    r, t = tables.readings.c, tables.transmitters.c
    names = [name for name in COLUMNS if name != "time_us"]
    wanted = [t.site, t.transmitter, r.time_us, *(r[name] for name in names), r.flags, r.received_us]
    query: Select[Any] = select(*wanted)
    query = query.select_from(tables.readings.join(tables.transmitters, t.key == r.transmitter))
    query = span.limit(query, t.site, r.time_us).order_by(r.time_us, r.transmitter)
    for columns in _columns(connection, query):
        flags = np.array(columns.pop("flags"), dtype=np.int64)
        kinds, which = np.unique(flags, return_inverse=True)
        words = np.array([" ".join(flag_words(kind)) for kind in kinds.tolist()], dtype=np.object_)
        columns["flags"] = words[which].tolist()
        columns["time"], columns["received"] = columns.pop("time_us"), columns.pop("received_us")
        for name in STATE_COLUMNS:
            columns[name] = [None if state < 0 else bool(state) for state in columns[name]]
        columns["channel"] = [name or None for name in columns["channel"]]
        columns["sequence"] = [None if number < 0 else number for number in columns["sequence"]]
        yield _batch(columns, READING_SCHEMA)


def export_alarms(connection: Connection, span: Span) -> Iterator[pa.RecordBatch]:
    """Changes of alarms, in the order in which they were noted; times are those when it was true."""
    c = tables.alarm_changes.c
    query = select(tables.alarm_changes)
    for columns in _columns(connection, span.limit(query, c.site, c.time_us).order_by(c.id)):
        columns["time"], columns["noted"] = columns["time_us"], columns["noted_us"]
        columns["change"] = columns["kind"]
        columns["severity"] = [Severity(number).word for number in columns["severity"]]
        columns["previous_severity"] = [Severity(number).word for number in columns["previous"]]
        yield _batch(columns, ALARM_SCHEMA)


def export_visits(connection: Connection, span: Span) -> Iterator[pa.RecordBatch]:
    """Visits in the order in which they were proposed; what they are for and what was found as JSON texts."""
    c = tables.visits.c
    query = span.limit(select(tables.visits), c.site, c.proposed_us).order_by(c.id)
    for columns in _columns(connection, query):
        columns["visit"] = columns["id"]
        for name in ("proposed", "changed", "planned_for", "begun", "ended"):
            columns[name] = columns[f"{name}_us"]
        yield _batch(columns, VISIT_SCHEMA)


def _columns(connection: Connection, query: Select[Any]) -> Iterator[dict[str, Any]]:
    """The rows of a query as lists by column, a part at a time."""
    result = connection.execution_options(yield_per=BATCH_ROWS).execute(query)
    names = list(result.keys())
    for part in result.partitions():
        rows: Sequence[Any] = part
        yield {name: list(values) for name, values in zip(names, zip(*rows, strict=True), strict=True)}


def _batch(columns: dict[str, Any], schema: pa.Schema) -> pa.RecordBatch:
    return pa.RecordBatch.from_arrays(
        [pa.array(columns[name], type=schema.field(name).type) for name in schema.names], schema=schema
    )
