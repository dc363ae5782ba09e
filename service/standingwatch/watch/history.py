"""Files of readings, CSV or Parquet, as readings of a fleet in order of time.

pandas and the reader of Parquet are imported inside the functions that use them: loading them takes longer
than reading a million rows of a CSV file in good order, which needs neither.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv

from standingwatch.readings import (
    FLOAT_COLUMNS,
    STATE_COLUMNS,
    BoolArray,
    Fleet,
    FloatArray,
    IntArray,
    Readings,
)

#: Readings that are handed on together, about. So many that the work per slice does not tell (mostly it is of
#: several days, each of which is judged in one go), so few that the arrays made of a slice need no fresh
#: memory of the system each time.
SLICE_ROWS = 131_072

REQUIRED = ("time", "forward_w", "reflected_w")

#: Every column that is looked at; others are not even read.
KNOWN = frozenset({"site", "transmitter", "time", "channel", "sequence", *FLOAT_COLUMNS, *STATE_COLUMNS})

#: Numbers above this are milliseconds, others seconds (DESIGN of the wire).
MILLISECONDS_ABOVE = 1e11

_YEAR_2000_US = 946_684_800_000_000
_YEAR_2100_US = 4_102_444_800_000_000

#: Largest table of sites by names; beyond it a transmitter is searched for instead.
_MOST_PAIRS = 1 << 22

_US_PER = {"s": 1_000_000, "ms": 1_000, "us": 1}
_NEVER = np.iinfo(np.int64).min

# A time with an offset: what ends in Z, in hours and minutes, or in hours alone after a time of day. (After a
# date alone, hours could as well be the day.)
_WITH_OFFSET = r"(?:[Zz]|[+-]\d{2}:?\d{2}|\d[Tt ]\d{2}\S*[+-]\d{2})\s*$"


class HistoryError(Exception):
    """A file cannot be read as readings; the text says why and what to do."""


@dataclass(frozen=True)
class History:
    """Readings of a file.

    Attributes:
        readings: in order of time.
        unknown: how many rows name a transmitter that is not in the fleet.
        refused: rows that could not be used, by reason.
    """

    readings: Readings
    unknown: int
    refused: Counter[str]

    def slices(self, rows: int = SLICE_ROWS) -> Iterator[Readings]:
        """The readings in pieces."""
        for begin in range(0, len(self.readings), rows):
            yield self.readings.take(slice(begin, begin + rows))


def read_history(path: Path, fleet: Fleet) -> History:
    """Read a file of readings.

    Args:
        path: CSV or Parquet (by its ending), or a folder of Parquet files, with the columns time, forward_w,
            reflected_w, and site and transmitter unless the fleet is a single transmitter; optional ones as
            in a report.
        fleet: the transmitters.

    Raises:
        HistoryError: if the file cannot be read or a required column is missing.
    """
    table, heading = _read_table(path)
    return of_table(path, table, heading, fleet)


def of_table(path: Path, table: pa.Table, heading: list[str], fleet: Fleet) -> History:
    """The rows of a table as readings in order of time.

    Args:
        path: where it is from, for messages.
        table: the known columns.
        heading: names of all columns of the file.
        fleet: the transmitters.

    Raises:
        HistoryError: as `read_history`.
    """
    names = set(heading)
    alone = len(fleet) == 1 and not {"site", "transmitter"} & names
    wanted = REQUIRED if alone else ("site", "transmitter", *REQUIRED)
    missing = [name for name in wanted if name not in names]
    if missing:
        raise HistoryError(
            f"{path}: no column {', '.join(missing)}; got {', '.join(heading)}; wanted at least "
            f"{', '.join(wanted)}"
        )
    rows = table.num_rows
    position = np.zeros(rows, dtype=np.int64) if alone else _positions(table, fleet)
    time_us, no_time, no_offset = _times(path, table["time"])
    columns: dict[str, Any] = {n: _numbers(path, n, table[n]) for n in FLOAT_COLUMNS if n in names}
    columns |= {name: _states(path, name, table[name]) for name in STATE_COLUMNS if name in names}
    if "sequence" in names:
        sequence = _numbers(path, "sequence", table["sequence"])
        columns["sequence"] = np.where(np.isfinite(sequence), sequence, -1).astype(np.int64)
    no_power = ~(np.isfinite(columns["forward_w"]) & np.isfinite(columns["reflected_w"]))
    refused: Counter[str] = Counter()
    bad = np.zeros(rows, dtype=np.bool_)
    for reason, mask in (("no-offset", no_offset), ("bad-time", no_time), ("no-power", no_power)):
        count = int(np.count_nonzero(mask & ~bad))
        if count:
            refused[reason] = count
        bad |= mask
    unknown = (position < 0) & ~bad
    if rows and refused["no-offset"] == rows:
        raise HistoryError(
            f"{path}: no time has an offset, so none can be placed; wanted RFC 3339 with offset, as in "
            "2026-11-25T08:30:00Z or 2026-11-25T09:30:00+01:00"
        )
    columns |= {"transmitter": position, "time_us": time_us}
    channel = _texts(table["channel"]) if "channel" in names else None
    if bad.any() or unknown.any():
        kept = ~(bad | unknown)
        columns = {name: values[kept] for name, values in columns.items()}
        channel = channel[kept] if channel is not None else None
    try:
        readings = Readings.from_columns(columns)
    except ValueError as error:
        raise HistoryError(f"{path}: {error}") from error
    if channel is not None:
        # Not by from_columns, which would look at the texts row by row.
        readings = replace(readings, channel=channel)
    if (readings.time_us[1:] < readings.time_us[:-1]).any():
        readings = readings.take(np.argsort(readings.time_us, kind="stable"))
    return History(readings, int(np.count_nonzero(unknown)), refused)


def is_parquet(path: Path) -> bool:
    """Whether a file is read as Parquet, by its ending; a folder always is."""
    return path.suffix.lower() in (".parquet", ".pq") or path.is_dir()


def _read_table(path: Path) -> tuple[pa.Table, list[str]]:
    """The known columns of a file, and the names of all that it has."""
    try:
        if is_parquet(path):
            from pyarrow import parquet

            dataset = parquet.ParquetDataset(path)
            heading = list(dataset.schema.names)
            known = known_once(path, heading)
            return dataset.read(columns=known), heading
        heading = csv_heading(path)
        return pyarrow.csv.read_csv(path, convert_options=csv_options(path, heading)), heading
    except (OSError, pa.ArrowInvalid, pa.ArrowKeyError) as error:
        raise HistoryError(f"{path}: cannot be read as {path.suffix or 'CSV'}: {error}") from error


def csv_heading(path: Path) -> list[str]:
    """Names of the columns of a CSV file."""
    with pyarrow.csv.open_csv(path) as reader:
        return list(reader.schema.names)


def csv_options(path: Path, heading: list[str]) -> pyarrow.csv.ConvertOptions:
    """How the known columns are read."""
    text = pa.dictionary(pa.int32(), pa.string())
    return pyarrow.csv.ConvertOptions(
        column_types={"site": text, "transmitter": text, "channel": text},
        include_columns=known_once(path, heading),
    )


def known_once(path: Path, heading: list[str]) -> list[str]:
    """The known columns in their order."""
    known = [name for name in heading if name in KNOWN]
    twice = sorted(name for name, times in Counter(known).items() if times > 1)
    if twice:
        raise HistoryError(f"{path}: column {', '.join(twice)} more than once; take all but one away")
    return known


def _positions(table: pa.Table, fleet: Fleet) -> IntArray:
    """Position of each row's transmitter in the fleet, -1 for none."""
    site_code, sites = _codes(table["site"])
    name_code, names = _codes(table["transmitter"])
    where_site = {name: i for i, name in enumerate(sites)}
    where_name = {name: i for i, name in enumerate(names)}
    width = len(names) + 1
    pairs = [
        (where_site[site] * width + where_name[name], position)
        for (site, name), position in fleet.position.items()
        if site in where_site and name in where_name
    ]
    # Narrow where it fits, for there is one for every row.
    kind = np.dtype(np.int32 if (len(sites) + 1) * width < 1 << 31 else np.int64)
    pair_of_row: npt.NDArray[Any] = site_code.astype(kind)
    pair_of_row *= width
    pair_of_row += name_code.astype(kind, copy=False)
    pairs.sort()
    pair, position_of_pair = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    if (len(sites) + 1) * width <= _MOST_PAIRS:
        lookup: IntArray = np.full((len(sites) + 1) * width, -1, dtype=np.int64)
        lookup[pair] = position_of_pair
        found: IntArray = lookup[pair_of_row]
    elif len(pair) == 0:
        found = np.full(len(pair_of_row), -1, dtype=np.int64)
    else:
        at = np.minimum(np.searchsorted(pair, pair_of_row), len(pair) - 1)
        found = np.where(pair[at] == pair_of_row, position_of_pair[at], -1)
    return found


def _codes(column: pa.ChunkedArray) -> tuple[npt.NDArray[Any], list[str]]:
    """A text column as codes and their texts; a missing text has the code past the last."""
    if not pa.types.is_dictionary(column.type):
        column = column.cast(pa.string()).dictionary_encode()
    column = column.unify_dictionaries()
    if column.num_chunks == 0:
        return np.empty(0, dtype=np.int64), []
    # A dictionary may itself hold a missing text.
    texts = ["" if text is None else str(text) for text in column.chunk(0).dictionary.to_pylist()]
    indices = pa.chunked_array([chunk.indices for chunk in column.chunks])
    if indices.null_count:
        # The code past the last may not fit the type that the file has.
        indices = indices.cast(pa.int32())
    return _array(indices, len(texts)), texts


def _array(column: pa.ChunkedArray, missing: float) -> npt.NDArray[Any]:
    """A column of numbers as an array, with a number in place of what is missing.

    The chunks are handed over by DLPack: `to_numpy` would load pandas.
    """
    if column.num_chunks == 0:
        return np.empty(0, dtype=column.type.to_pandas_dtype())
    if column.null_count:
        column = column.fill_null(missing)
    parts = [np.from_dlpack(chunk) for chunk in column.chunks]
    return np.concatenate(parts) if len(parts) > 1 else parts[0]


def _times(path: Path, column: pa.ChunkedArray) -> tuple[IntArray, BoolArray, BoolArray]:
    """Times [Unix microseconds], where there is none that can be used, and where the offset is missing."""
    rows = len(column)
    none = np.zeros(rows, dtype=np.bool_)
    if pa.types.is_timestamp(column.type):
        # The reader of CSV makes timestamps where all texts are ISO 8601 alike in having an offset or not.
        if column.type.tz is None:
            return np.zeros(rows, dtype=np.int64), none, ~none
        unit = column.type.unit
        number = _array(pa.chunked_array([c.view(pa.int64()) for c in column.chunks], pa.int64()), _NEVER)
        missing = number == _NEVER if column.null_count else none
        if unit == "ns":
            time_us = number // 1_000
        else:
            # What is out of range stays so, but does not overflow.
            time_us = np.clip(number, 0, _YEAR_2100_US // _US_PER[unit]) * _US_PER[unit]
        return _in_range(time_us, missing, none)
    if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
        number = _numbers(path, "time", column)
        seconds = np.where(np.abs(number) > MILLISECONDS_ABOVE, number / 1e3, number)
        missing = ~np.isfinite(seconds)
        return _in_range(np.rint(np.where(missing, 0, seconds) * 1e6).astype(np.int64), missing, none)
    import pandas as pd

    text = column.cast(pa.string()).to_pandas()
    with_offset = text.str.contains(_WITH_OFFSET, regex=True, na=False).to_numpy(dtype=bool)
    # RFC 3339, 5.6, allows t and z; pandas does not know them.
    parsed = pd.to_datetime(text.where(with_offset).str.upper(), format="ISO8601", utc=True, errors="coerce")
    missing = parsed.isna().to_numpy()
    no_offset = ~with_offset
    if with_offset.any():
        # A cell with nothing in it is no time at all, as where the reader of CSV makes timestamps.
        no_offset &= ~(text.isna() | (text.str.strip() == "")).to_numpy(dtype=bool)
    as_us = parsed.astype("datetime64[us, UTC]").astype("int64").to_numpy()
    return _in_range(as_us, missing, no_offset)


def _in_range(
    time_us: IntArray, missing: BoolArray, no_offset: BoolArray
) -> tuple[IntArray, BoolArray, BoolArray]:
    outside = (time_us < _YEAR_2000_US) | (time_us >= _YEAR_2100_US)
    return time_us, (missing | outside) & ~no_offset, no_offset


def _numbers(path: Path, name: str, column: pa.ChunkedArray) -> FloatArray:
    if not pa.types.is_float64(column.type):
        try:
            column = column.cast(pa.float64())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
            raise HistoryError(
                f"{path}: column {name} holds what is not a number: {error}; write numbers alone, powers in W"
            ) from error
    return _array(column, np.nan)


def _texts(column: pa.ChunkedArray) -> npt.NDArray[np.object_]:
    """A column of texts, "" where one is missing. Rows with the same text share it."""
    codes, texts = _codes(column)
    chosen: npt.NDArray[np.object_] = np.array([*texts, ""], dtype=np.object_)[codes]
    return chosen


def _states(path: Path, name: str, column: pa.ChunkedArray) -> FloatArray:
    """A yes-or-no column as 1, 0 and NaN; true and false, or 1 and 0."""
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        words = column.to_pandas().str.strip().str.lower()
        known = words.map({"true": 1.0, "1": 1.0, "yes": 1.0, "false": 0.0, "0": 0.0, "no": 0.0, "": np.nan})
        if (known.isna() & words.notna() & (words != "")).any():
            wrong = words[known.isna() & words.notna() & (words != "")].iloc[0]
            raise HistoryError(f"{path}: column {name}: got {wrong!r}, wanted true or false")
        states: FloatArray = known.to_numpy(dtype=np.float64)
        return states
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.int8())
    return _numbers(path, name, column)
