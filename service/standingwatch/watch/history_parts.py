"""A history piece by piece, so that one of any length needs the memory of one piece.

Parquet says of each row group from when to when its times reach. Where the groups follow one another in time,
as an export or an archive writes them, one after the other is read and let go. All else is read whole, since
rows have to be put in order of time: any CSV file, and Parquet whose groups overlap.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import pyarrow as pa

from standingwatch.readings import Fleet, Readings
from standingwatch.watch.history import (
    History,
    HistoryError,
    is_parquet,
    known_once,
    of_table,
    read_history,
)


@dataclass
class HistoryParts:
    """A history that is read as it is asked for.

    Attributes:
        rows: of the file, usable or not.
        parts: histories that follow one another in time.
        unknown: rows so far that name a transmitter that is not in the fleet.
        refused: rows so far that could not be used, by reason.
    """

    rows: int
    parts: Iterator[History]
    unknown: int = 0
    refused: Counter[str] = field(default_factory=Counter)

    def slices(self) -> Iterator[Readings]:
        """The readings in order of time, once.

        Raises:
            HistoryError: if a piece cannot be read.
        """
        for part in self.parts:
            self.unknown += part.unknown
            self.refused += part.refused
            yield from part.slices()


def open_history(path: Path, fleet: Fleet) -> HistoryParts:
    """Begin to read a file of readings; as `read_history`, whose readings these are, in the same order.

    Raises:
        HistoryError: if the file cannot be read or a required column is missing.
    """
    groups = _groups_in_order(path) if is_parquet(path) else None
    if groups is None:
        history = read_history(path, fleet)
        return HistoryParts(len(history.readings), iter([history]))
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

    return HistoryParts(rows, parts())


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
