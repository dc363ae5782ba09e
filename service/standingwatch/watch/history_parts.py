"""A history piece by piece, so that one of any length needs the memory of one piece.

Parquet says of each row group from when to when its times reach. Where the groups follow one another in time,
as an export or an archive writes them, one after the other is read and let go. A long CSV file is read in
pieces in the hope that they follow one another; that they do not shows only there, and then all begins anew.
All else is read whole, since rows have to be put in order of time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv

from standingwatch.readings import FLOAT_COLUMNS, Fleet, Readings
from standingwatch.watch.history import (
    SLICE_ROWS,
    History,
    HistoryError,
    csv_heading,
    csv_options,
    is_parquet,
    known_once,
    of_table,
    read_history,
)

#: A CSV file above this is read in pieces [bytes]; one below may as well be read whole.
LONG_CSV_BYTES = 1 << 25
#: So much is parsed at once [bytes], and so many of that are a piece. The reader has up to 32 of them ready.
CSV_BLOCK_BYTES, CSV_BLOCKS = 1 << 22, 4
#: So much of it is looked at before anything is judged [bytes].
CSV_HEAD_BYTES = 1 << 18

#: Readings of a slice for each transmitter, about: looking at all of them costs something with every slice.
SLICE_ROWS_EACH = 24

#: A history of more rows is so long that a second process pays.
LONG_ROWS = 500_000


class NotInPiecesError(Exception):
    """A file that was read in pieces has to be read whole, from its beginning."""


@dataclass
class HistoryParts:
    """A history that is read as it is asked for.

    Attributes:
        rows: of the file, usable or not; of a CSV file that is read in pieces, about.
        parts: histories that follow one another in time.
        slice_rows: readings that are handed on together, about.
        unknown: rows so far that name a transmitter that is not in the fleet.
        refused: rows so far that could not be used, by reason.
    """

    rows: int
    parts: Iterator[History]
    slice_rows: int = SLICE_ROWS
    unknown: int = 0
    refused: Counter[str] = field(default_factory=Counter)

    @property
    def is_long(self) -> bool:
        """Whether reading it is work for a second process."""
        return self.rows > LONG_ROWS

    def slices(self) -> Iterator[Readings]:
        """The readings in order of time, once.

        Raises:
            HistoryError: if a piece cannot be read.
            NotInPiecesError: if the file has to be opened again, to be read whole.
        """
        for part in self.parts:
            self.unknown += part.unknown
            self.refused += part.refused
            yield from part.slices(self.slice_rows)


def open_history(path: Path, fleet: Fleet, whole: bool = False) -> HistoryParts:
    """Begin to read a file of readings; as `read_history`, whose readings these are, in the same order.

    Args:
        path, fleet: as for `read_history`.
        whole: read a CSV file whole, however long it is.

    Raises:
        HistoryError: if the file cannot be read or a required column is missing.
    """
    slice_rows = max(SLICE_ROWS, SLICE_ROWS_EACH * len(fleet))
    if not is_parquet(path):
        pieces = None if whole else _csv_in_pieces(path, fleet, slice_rows)
        if pieces is not None:
            return pieces
    groups = _groups_in_order(path) if is_parquet(path) else None
    if groups is None:
        history = read_history(path, fleet)
        return HistoryParts(len(history.readings), iter([history]), slice_rows)
    schema, fragments, rows = groups
    heading = list(schema.names)
    known = known_once(path, heading)
    # What is wrong with the columns is said before anything is judged.
    of_table(path, schema.empty_table().select(known), heading, fleet)

    def parts() -> Iterator[History]:
        for fragment in fragments:
            try:
                table = fragment.to_table(schema=schema, columns=known)
            except (OSError, pa.ArrowInvalid) as error:
                raise HistoryError(f"{path}: cannot be read as Parquet: {error}") from error
            yield of_table(path, table, heading, fleet)

    return HistoryParts(rows, parts(), slice_rows)


def _csv_in_pieces(path: Path, fleet: Fleet, slice_rows: int) -> HistoryParts | None:
    """A long CSV file piece by piece; None for one that is short, or whose head cannot be read like that."""
    try:
        size = path.stat().st_size
        if size <= LONG_CSV_BYTES:
            return None
        heading = csv_heading(path)
        # What is wrong with it is seen before anything is judged, and said by who reads it whole.
        head = next(_csv_tables(path, CSV_HEAD_BYTES, 1))
        of_table(path, head, heading, fleet)
    except (HistoryError, OSError, StopIteration, pa.ArrowInvalid, pa.ArrowKeyError):
        return None

    def parts() -> Iterator[History]:
        last_us = 0
        try:
            for table in _csv_tables(path, CSV_BLOCK_BYTES, CSV_BLOCKS):
                part = of_table(path, table, heading, fleet)
                times = part.readings.time_us
                if len(times):
                    if times[0] < last_us:
                        raise NotInPiecesError
                    last_us = int(times[-1])
                yield part
        except (HistoryError, OSError, pa.ArrowInvalid) as error:
            # A column may be of another kind than its beginning: whole it is read as what all of it can be.
            raise NotInPiecesError from error

    return HistoryParts(head.num_rows * size // CSV_HEAD_BYTES, parts(), slice_rows)


def _csv_tables(path: Path, block_bytes: int, blocks: int) -> Iterator[pa.Table]:
    """The known columns of a CSV file, piece by piece; all of a column of the type of its beginning.

    Raises:
        pyarrow.ArrowInvalid: if a later block does not fit what the first one was.
    """
    options = csv_options(path, csv_heading(path))
    numbers = dict.fromkeys(FLOAT_COLUMNS, pa.float64())
    options.column_types = {**options.column_types, **numbers}
    reading = pyarrow.csv.ReadOptions(block_size=block_bytes)
    with pyarrow.csv.open_csv(path, read_options=reading, convert_options=options) as reader:
        while batches := list(islice(reader, blocks)):
            yield pa.Table.from_batches(batches)


def _groups_in_order(path: Path) -> tuple[pa.Schema, list[Any], int] | None:
    """Schema, row groups in order of time, and rows; None where they cannot be told to be in order."""
    from pyarrow import parquet

    try:
        dataset = parquet.ParquetDataset(path)
        schema = dataset.schema
        kind = schema.field("time").type if schema.get_all_field_indices("time") else None
        if kind is None or not pa.types.is_timestamp(kind) or kind.tz is None:
            return None
        spans: list[tuple[int, int, int, Any]] = []
        for file in dataset.fragments:
            names = file.physical_schema.names
            if "time" not in names or file.physical_schema.field("time").type != kind:
                return None
            for group, fragment in zip(file.row_groups, file.split_by_row_group(), strict=True):
                if group.num_rows == 0:
                    continue
                told = _span(file.metadata.row_group(group.id))
                if told is None:
                    return None
                spans.append((*told, len(spans), fragment))
    except (OSError, pa.ArrowInvalid) as error:
        raise HistoryError(f"{path}: cannot be read as Parquet: {error}") from error
    spans.sort(key=lambda span: span[:3])
    for (_, last, place, _), (begin, _, next_place, _) in pairwise(spans):
        # Rows of the same time keep the order that they have in the file.
        if begin < last or (begin == last and next_place < place):
            return None
    return schema, [span[3] for span in spans], sum(fragment.count_rows() for *_, fragment in spans)


def _span(group: Any) -> tuple[int, int] | None:
    """Least and greatest time of a row group, in the file's unit; None where the file does not say."""
    for number in range(group.num_columns):
        column = group.column(number)
        if column.path_in_schema == "time":
            told = column.statistics
            return (told.min_raw, told.max_raw) if told is not None and told.has_min_max else None
    return None
