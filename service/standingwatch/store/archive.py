"""Readings past their retention as Parquet files that pandas, Dask and `standingwatch replay` read.

A day (UTC) of readings is a file, `year=2026/month=11/readings-2026-11-25.parquet` under the archive's
folder; what of a day comes when that file is there already goes into a further one. A file gets its name once
it is whole and on its disk, and only then are its readings deleted. After a crash between the two the next
run finds in the files what is there: so each reading is in the archive once, as long as nobody changes it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, FromClause, func, select

from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.imports import HISTORY_MARK, history_mark
from standingwatch.store.reports import last_arrival

DAY_US = 86_400_000_000

#: What makes a reading the same one.
KEY = ("site", "transmitter", "time")


@dataclass(frozen=True)
class Seen:
    """How far a store had come before something was archived: whatever it had by then is in the archive.

    Attributes:
        arrival: its newest arrival.
        history: the mark of the history: with another one there may be further imported readings.
    """

    arrival: int
    history: int


def seen(store: Store) -> Seen:
    """How far a store has come."""
    with store.reading() as connection:
        return Seen(last_arrival(connection), history_mark(connection, HISTORY_MARK))


def nothing_imported_since(connection: Connection, then: Seen) -> bool:
    """Whether no imported readings came since; asked after what may have come is out of reach or held."""
    return history_mark(connection, HISTORY_MARK) == then.history


def archive_day(store: Store, folder: Path, time_us: int) -> int:
    """Write what the store has of a day, and the archive has not yet; returns how many readings.

    Args:
        store: where from.
        folder: the archive; made where it is not there.
        time_us: any time of the day [Unix microseconds].

    Raises:
        OSError: if a file cannot be written.
    """
    import pyarrow as pa

    # pyarrow and what makes batches are imported where they are used: most services have no archive.
    from standingwatch.store.exporting import READING_SCHEMA, Span, export_readings

    start_us = time_us - time_us % DAY_US
    day = datetime.fromtimestamp(start_us / 1e6, tz=UTC)
    folder = folder / f"year={day:%Y}" / f"month={day:%m}"
    present, file = [], folder / f"readings-{day:%Y-%m-%d}.parquet"
    while file.exists():
        present.append(file)
        file = folder / f"readings-{day:%Y-%m-%d}-{len(present) + 1}.parquet"
    known, rows = _keys_in(present), 0
    with store.reading() as connection:
        batches = export_readings(connection, Span(start_us=start_us, end_us=start_us + DAY_US))
        parts = (_without(pa.Table.from_batches([batch]), known) for batch in batches)
        new = (part for part in parts if part.num_rows)
        first = next(new, None)
        if first is None:
            return 0
        folder.mkdir(parents=True, exist_ok=True)
        with _whole(file, READING_SCHEMA) as writer:
            for part in chain([first], new):
                writer.write_table(part)
                rows += part.num_rows
    return rows


def days_with_readings(
    connection: Connection, start_us: int, end_us: int, its: FromClause = tables.readings
) -> Iterator[int]:
    """Begin of each day that has readings in a span, its end left out [Unix microseconds].

    Args:
        connection: a reading transaction.
        start_us, end_us: the span [Unix microseconds].
        its: all readings, or a partition of them.
    """
    at: int | None = start_us
    while True:
        query = select(func.min(its.c.time_us)).where(its.c.time_us >= at, its.c.time_us < end_us)
        at = connection.execute(query).scalar()
        if at is None:
            return
        at -= at % DAY_US
        yield at
        at += DAY_US


def archived_of_site(folder: Path, site: str) -> int:
    """How many readings of a site are in the archive."""
    return sum(_rows_of(file, site) for file in sorted(folder.rglob("readings-*.parquet")))


def forget_in_archive(folder: Path, site: str) -> int:
    """Take a site's readings out of the archive: each file that has any is written again; returns how many.

    Raises:
        OSError: if a file cannot be written; what is in it stays, and the next run goes on.
    """
    import pyarrow.compute as pc
    from pyarrow import parquet

    gone = 0
    for file in sorted(folder.rglob("readings-*.parquet")):
        rows = _rows_of(file, site)
        if not rows:
            continue
        with parquet.ParquetFile(file) as old, _whole(file, old.schema_arrow) as new:
            for batch in old.iter_batches():
                new.write_batch(batch.filter(pc.not_equal(batch["site"], site)))
        gone += rows
    return gone


def _rows_of(file: Path, site: str) -> int:
    import pyarrow.compute as pc
    from pyarrow import parquet

    with parquet.ParquetFile(file) as opened:
        return int(pc.sum(pc.equal(opened.read(columns=["site"])["site"], site)).as_py() or 0)


def _keys_in(files: list[Path]) -> Any:
    """The keys of the readings of some files; None for no files."""
    import pyarrow as pa
    from pyarrow import parquet

    # Each by itself: the folder's name must not add columns.
    return pa.concat_tables(parquet.ParquetFile(f).read(columns=list(KEY)) for f in files) if files else None


def _without(table: Any, known: Any) -> Any:
    """The readings that are not among those known, in order of time."""
    if known is None:
        return table
    left = table.join(known, keys=list(KEY), join_type="left anti")
    return left.select(table.column_names).sort_by([("time", "ascending")])


@contextmanager
def _whole(file: Path, schema: Any) -> Iterator[Any]:
    """Write a file under another name, and give it its own when it is whole and on its disk."""
    from pyarrow import parquet

    # Readers of folders pass over names that begin with a dot.
    part = file.with_name(f".{file.name}.part")
    try:
        with parquet.ParquetWriter(part, schema, compression="zstd") as writer:
            yield writer
        _on_disk(part)
        part.replace(file)
        for folder in (file.parent, file.parent.parent, file.parent.parent.parent):
            _on_disk(folder)
    finally:
        part.unlink(missing_ok=True)


def _on_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, would survive a loss of power."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
