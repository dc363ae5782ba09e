"""Files of somebody else's history, CSV or Parquet, in batches of rows; each row knows its line."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
from pyarrow import parquet

from standingwatch.readings import IntArray
from standingwatch.readings.table_map import TableMap, map_of_heading
from standingwatch.readings.table_values import RowRefusal

#: Bytes of a CSV file that are read together: some ten thousand rows.
BLOCK_BYTES = 4 << 20

#: Rows of a Parquet file that are read together.
BATCH_ROWS = 65_536

PARQUET_ENDINGS = (".parquet", ".pq")
ENDINGS = (".csv", ".csv.gz", ".txt", *PARQUET_ENDINGS)


class HistoryFileError(Exception):
    """A file cannot be read as a table with the columns that are wanted; the text says why and what to do."""


@dataclass
class Batch:
    """Rows of a file.

    Attributes:
        rows: columns that the map names.
        line: line of each row in the file, from 1; in Parquet its number.
        refused: lines that are no rows: line in `row`, reason, detail. They lie before or among the rows.
        bytes_read: bytes of the file that have been read so far.
    """

    rows: pa.RecordBatch
    line: IntArray
    refused: list[RowRefusal] = field(default_factory=list)
    bytes_read: int = 0


def fingerprint(path: Path) -> str:
    """BLAKE2b of a file's bytes, 128 bits: tells it from all others, wherever it lies."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def files_of(paths: list[Path]) -> list[Path]:
    """The files that are meant: those named, and those with a known ending in folders, in order of name.

    Raises:
        HistoryFileError: one is not there, or a folder holds none.
    """
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.is_file() and p.name.lower().endswith(ENDINGS))
            if not inside:
                raise HistoryFileError(f"{path}: no file in it, wanted files that end {', '.join(ENDINGS)}")
            found += inside
        elif path.is_file():
            found.append(path)
        else:
            raise HistoryFileError(f"{path}: no such file or folder")
    return list(dict.fromkeys(found))


class HistoryFile:
    """A file to be read with a map.

    Args:
        path: the file; Parquet by its ending, else CSV, compressed where it ends in .gz.
        table_map: the map; None for the names of our own reports.

    Raises:
        HistoryFileError: it cannot be opened, or a column is not there.
    """

    def __init__(self, path: Path, table_map: TableMap | None) -> None:
        self.path = path
        self.size = path.stat().st_size
        self._is_parquet = path.suffix.lower() in PARQUET_ENDINGS
        csv = table_map.csv if table_map is not None else None
        try:
            self.heading = self._heading(table_map)
        except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
            raise HistoryFileError(f"{path}: cannot be read: {error}") from error
        self.map = table_map if table_map is not None else map_of_heading(self.heading)
        self._first_line = 1 + (csv.skip_lines if csv else 0) + (0 if csv and csv.columns else 1)
        wanted = {one.column: name for name, one in self.map.fields.items()}
        missing = [f"{c} (for {name})" for c, name in wanted.items() if c not in self.heading]
        missing += [name for name in ("time", "forward", "reflected") if name not in self.map.fields]
        twice = sorted({c for c in wanted if self.heading.count(c) > 1})
        if missing:
            raise HistoryFileError(
                f"{path}: no column for {', '.join(missing)}; got {', '.join(self.heading)}; name the "
                "columns with --columns MAP.toml, or give them the names of a report: site, transmitter, "
                "time, forward_w, reflected_w"
            )
        if twice:
            raise HistoryFileError(f"{path}: column {', '.join(twice)} more than once; rename all but one")
        self.columns = list(wanted)

    def names(self) -> dict[str, str]:
        """Site and transmitter as the path tells them.

        Raises:
            HistoryFileError: the path does not fit the map's pattern.
        """
        found = self.map.names_in(self.path.absolute().as_posix())
        if found is None:
            raise HistoryFileError(f"{self.path}: does not fit the pattern {self.map.file} of the column map")
        return found

    def batches(self) -> Iterator[Batch]:
        """The rows in order.

        Raises:
            HistoryFileError: it stops being readable.
        """
        try:
            yield from self._of_parquet() if self._is_parquet else self._of_csv()
        except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
            raise HistoryFileError(f"{self.path}: cannot be read to its end: {error}") from error

    def _heading(self, table_map: TableMap | None) -> list[str]:
        if self._is_parquet:
            with parquet.ParquetFile(self.path) as file:
                return list(file.schema_arrow.names)
        if table_map is not None and table_map.csv.columns:
            return list(table_map.csv.columns)
        with self._opened() as stream, self._reader(stream, table_map, None, lambda _row: "skip") as reader:
            return list(reader.schema.names)

    def _opened(self) -> Any:
        return pa.input_stream(str(self.path), compression="detect", buffer_size=None)

    @staticmethod
    def _reader(stream: Any, table_map: TableMap | None, columns: list[str] | None, handler: Any) -> Any:
        csv = table_map.csv if table_map is not None else None
        return pyarrow.csv.open_csv(
            stream,
            # In one thread, which knows the lines.
            read_options=pyarrow.csv.ReadOptions(
                use_threads=False,
                block_size=BLOCK_BYTES,
                skip_rows=csv.skip_lines if csv else 0,
                column_names=list(csv.columns) if csv and csv.columns else None,
                encoding=csv.encoding if csv else "utf-8",
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=csv.separator if csv else ",",
                ignore_empty_lines=False,
                invalid_row_handler=handler,
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(columns or [], pa.string()),
                include_columns=columns or [],
                strings_can_be_null=False,
            ),
        )

    def _of_csv(self) -> Iterator[Batch]:
        wrong: list[RowRefusal] = []

        def note(row: Any) -> str:
            detail = f"{row.actual_columns} columns, wanted {row.expected_columns}: {row.text[:80]!r}"
            wrong.append(RowRefusal(int(row.number), "bad-row", detail))
            return "skip"

        line, told = self._first_line, 0
        with self._opened() as stream, self._reader(stream, self.map, self.columns, note) as reader:
            for rows in reader:
                lines = np.arange(line, line + rows.num_rows + len(wrong) - told, dtype=np.int64)
                lines = lines[~np.isin(lines, [one.row for one in wrong[told:]])][: rows.num_rows]
                line = int(lines[-1]) + 1 if len(lines) else line
                among = [one for one in wrong[told:] if one.row < line]
                told += len(among)
                filled = _filled(rows)
                yield Batch(rows.filter(pa.array(filled)), lines[filled], among, self._read_so_far(stream))
        if told < len(wrong):
            empty = pa.RecordBatch.from_pylist([], schema=pa.schema([(c, pa.string()) for c in self.columns]))
            yield Batch(empty, np.empty(0, dtype=np.int64), wrong[told:], self.size)

    def _read_so_far(self, stream: Any) -> int:
        try:
            return min(int(stream.tell()), self.size)
        except OSError:
            # A compressed stream does not know where it stands.
            return 0

    def _of_parquet(self) -> Iterator[Batch]:
        with parquet.ParquetFile(self.path) as file:
            total, row = max(file.metadata.num_rows, 1), 0
            for rows in file.iter_batches(batch_size=BATCH_ROWS, columns=self.columns):
                lines = np.arange(row + 1, row + rows.num_rows + 1, dtype=np.int64)
                row += rows.num_rows
                yield Batch(rows, lines, [], self.size * row // total)


def _filled(rows: pa.RecordBatch) -> Any:
    """Rows with anything in them: a line with nothing in it, as at the end of many files, is no row."""
    filled = np.zeros(rows.num_rows, dtype=np.bool_)
    for column in rows.columns:
        if filled.all():
            break
        filled |= np.asarray(pc.fill_null(pc.not_equal(column, ""), fill_value=False))
    return filled
