"""Files of readings, CSV or Parquet, as readings of a fleet in order of time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

from standingwatch.readings import (
    FLOAT_COLUMNS,
    STATE_COLUMNS,
    BoolArray,
    Fleet,
    FloatArray,
    IntArray,
    Readings,
)

#: Readings that are handed on together, about.
SLICE_ROWS = 1_000_000

REQUIRED = ("time", "forward_w", "reflected_w")

#: Numbers above this are milliseconds, others seconds (DESIGN of the wire).
MILLISECONDS_ABOVE = 1e11

_YEAR_2000_US = 946_684_800_000_000
_YEAR_2100_US = 4_102_444_800_000_000


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
        path: CSV or Parquet (by its ending) with the columns time, forward_w, reflected_w, and site and
            transmitter unless the fleet is a single transmitter; optional ones as in a report.
        fleet: the transmitters.

    Raises:
        HistoryError: if the file cannot be read or a required column is missing.
    """
    table = _read_table(path)
    names = set(table.column_names)
    alone = len(fleet) == 1 and not {"site", "transmitter"} & names
    wanted = REQUIRED if alone else ("site", "transmitter", *REQUIRED)
    missing = [name for name in wanted if name not in names]
    if missing:
        raise HistoryError(
            f"{path}: no column {', '.join(missing)}; got {', '.join(table.column_names)}; wanted at least "
            f"{', '.join(wanted)}"
        )
    rows = table.num_rows
    position = np.zeros(rows, dtype=np.int64) if alone else _positions(table, fleet)
    time_us, no_time, no_offset = _times(path, table["time"])
    columns: dict[str, Any] = {n: _numbers(path, n, table[n]) for n in FLOAT_COLUMNS if n in names}
    columns |= {name: _states(path, name, table[name]) for name in STATE_COLUMNS if name in names}
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
    kept = np.flatnonzero(~bad & ~unknown)
    in_time = time_us[kept]
    if len(kept) and (in_time[1:] < in_time[:-1]).any():
        kept = kept[np.argsort(in_time, kind="stable")]
    all_rows = len(kept) == rows and bool((kept[1:] > kept[:-1]).all())
    chosen = {n: v if all_rows else v[kept] for n, v in columns.items()}
    if "channel" in names:
        chosen["channel"] = table["channel"].to_pandas().to_numpy(dtype=object)[kept]
    if "sequence" in names:
        sequence = _numbers(path, "sequence", table["sequence"])[kept]
        chosen["sequence"] = np.where(np.isfinite(sequence), sequence, -1).astype(np.int64)
    readings = Readings.from_columns({"transmitter": position[kept], "time_us": time_us[kept], **chosen})
    return History(readings, int(np.count_nonzero(unknown)), refused)


def _read_table(path: Path) -> pa.Table:
    try:
        if path.suffix.lower() in (".parquet", ".pq"):
            return pyarrow.parquet.read_table(path)
        text = pa.dictionary(pa.int32(), pa.string())
        return pyarrow.csv.read_csv(
            path,
            convert_options=pyarrow.csv.ConvertOptions(
                column_types={"site": text, "transmitter": text, "channel": pa.string()}
            ),
        )
    except (OSError, pa.ArrowInvalid, pa.ArrowKeyError) as error:
        raise HistoryError(f"{path}: cannot be read as {path.suffix or 'CSV'}: {error}") from error


def _positions(table: pa.Table, fleet: Fleet) -> IntArray:
    """Position of each row's transmitter in the fleet, -1 for none."""
    site_code, sites = _codes(table["site"])
    name_code, names = _codes(table["transmitter"])
    lookup = np.full((len(sites) + 1, len(names) + 1), -1, dtype=np.int64)
    where_site = {name: i for i, name in enumerate(sites)}
    where_name = {name: i for i, name in enumerate(names)}
    for (site, name), position in fleet.position.items():
        if site in where_site and name in where_name:
            lookup[where_site[site], where_name[name]] = position
    return lookup[site_code, name_code]


def _codes(column: pa.ChunkedArray) -> tuple[IntArray, list[str]]:
    """A text column as codes and their texts; a missing text has the code past the last."""
    if not pa.types.is_dictionary(column.type):
        column = pc.dictionary_encode(column.cast(pa.string()))
    whole = column.unify_dictionaries().combine_chunks()
    if isinstance(whole, pa.ChunkedArray):
        whole = whole.chunk(0) if whole.num_chunks else pa.array([], type=column.type)
    texts = [str(text) for text in whole.dictionary.to_pylist()]
    codes = whole.indices.fill_null(len(texts)).to_numpy(zero_copy_only=False).astype(np.int64)
    return codes, texts


def _times(path: Path, column: pa.ChunkedArray) -> tuple[IntArray, BoolArray, BoolArray]:
    """Times [Unix microseconds], where there is none that can be used, and where the offset is missing."""
    rows = len(column)
    none = np.zeros(rows, dtype=np.bool_)
    if pa.types.is_timestamp(column.type):
        if column.type.tz is None:
            return np.zeros(rows, dtype=np.int64), none, ~none
        missing = column.is_null().to_numpy()
        time_us = column.cast(pa.timestamp("us", "UTC"), safe=False).cast(pa.int64()).fill_null(0)
        return _in_range(time_us.to_numpy(), missing, none)
    if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
        number = _numbers(path, "time", column)
        seconds = np.where(np.abs(number) > MILLISECONDS_ABOVE, number / 1e3, number)
        missing = ~np.isfinite(seconds)
        return _in_range(np.rint(np.where(missing, 0, seconds) * 1e6).astype(np.int64), missing, none)
    text = column.cast(pa.string()).to_pandas()
    with_offset = text.str.contains(r"(?:[Zz]|[+-]\d{2}:?\d{2})\s*$", regex=True, na=False).to_numpy(
        dtype=bool
    )
    parsed = pd.to_datetime(text.where(with_offset), format="ISO8601", utc=True, errors="coerce")
    missing = parsed.isna().to_numpy()
    as_us = parsed.astype("datetime64[us, UTC]").astype("int64").to_numpy()
    return _in_range(as_us, missing & with_offset, ~with_offset)


def _in_range(
    time_us: IntArray, missing: BoolArray, no_offset: BoolArray
) -> tuple[IntArray, BoolArray, BoolArray]:
    outside = (time_us < _YEAR_2000_US) | (time_us >= _YEAR_2100_US)
    return time_us, (missing | outside) & ~no_offset, no_offset


def _numbers(path: Path, name: str, column: pa.ChunkedArray) -> FloatArray:
    try:
        values = column.cast(pa.float64())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
        raise HistoryError(f"{path}: column {name} holds what is not a number: {error}") from error
    array: FloatArray = values.to_numpy()
    return array


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
