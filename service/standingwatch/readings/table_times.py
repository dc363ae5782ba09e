"""Times in a column of a table to microseconds since 1970-01-01 UTC, all rows at once.

The rules are those of `readings.times` for one time; a row that array operations cannot place is given to
that function, which has the last word and the sentence.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from standingwatch.readings.fleet import BoolArray, IntArray
from standingwatch.readings.table_map import FieldMap, zone_of
from standingwatch.readings.times import (
    FIRST_YEAR,
    LAST_YEAR,
    MILLISECONDS_ABOVE,
    BadTimeError,
    parse_time,
    shown,
)

#: Notes that a row cannot be used: row, reason, sentence.
Refuse = Callable[[int, str, str], None]

_PER_SECOND = {"unix_s": 1, "unix_ms": 1_000, "unix_us": 1_000_000}
_FIRST_US = int(pd.Timestamp(year=FIRST_YEAR, month=1, day=1, tz="UTC").timestamp()) * 1_000_000
_END_US = int(pd.Timestamp(year=LAST_YEAR + 1, month=1, day=1, tz="UTC").timestamp()) * 1_000_000

# A time with an offset: what ends in Z, in hours and minutes, or in hours alone after a time of day.
_WITH_OFFSET = r"(?:[Zz]|[+-]\d{2}:?\d{2}|\d[Tt ]\d{2}\S*[+-]\d{2})$"

#: Stands for a time that is not known.
_NEVER = np.iinfo(np.int64).min


def column_times(field: FieldMap, column: pa.Array, refuse: Refuse) -> IntArray:
    """Times of a column [Unix microseconds].

    Parameters
    ----------
    field
        How they are written, and the zone of those without an offset.
    column
        Texts, numbers or Arrow timestamps. Shape (rows,).
    refuse
        Called for every row that has no usable time, with `no-time`, `no-offset` or `bad-time` and a
        sentence; its element of the result means nothing then.

    Notes
    -----
    Of an hour that a zone has twice when daylight saving ends, the first is meant. A time that it does not
    have is refused.
    """
    if pa.types.is_timestamp(column.type):
        return _timestamps(field, column, refuse)
    if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
        return _numbers(field, column, refuse)
    text = pc.utf8_trim_whitespace(column.cast(pa.string()))
    if field.form in _PER_SECOND:
        parsed = pd.to_numeric(pd.Series(text.to_numpy(zero_copy_only=False)), errors="coerce")
        for row in np.flatnonzero(parsed.isna().to_numpy()).tolist():
            _refuse_text(field, text[row].as_py(), row, refuse, f"a number ({field.form})")
        return _numbers(field, pa.array(parsed.to_numpy(), from_pandas=True), refuse, told=True)
    if field.form == "rfc3339" and not text.null_count:
        try:
            # Microseconds, every text with an offset: the usual file, twenty times as fast as what follows.
            quick = pc.cast(text, pa.timestamp("us", tz="UTC"))
        except pa.ArrowInvalid:
            pass
        else:
            return _in_range(field, np.asarray(quick.view(pa.int64())), None, text, refuse)
    return _texts(field, text, refuse)


def _texts(field: FieldMap, text: pa.Array, refuse: Refuse) -> IntArray:
    series = pd.Series(text.to_numpy(zero_copy_only=False), dtype="object")
    form = "ISO8601" if field.form == "rfc3339" else field.form
    empty = series.isna() | (series == "")
    if field.form == "rfc3339":
        with_offset = series.str.contains(_WITH_OFFSET, regex=True, na=False) & ~empty
    else:
        with_offset = pd.Series(np.full(len(series), "%z" in field.form)) & ~empty
    time_us = np.full(len(series), _NEVER, dtype=np.int64)
    if with_offset.any():
        upper = series[with_offset].str.upper() if field.form == "rfc3339" else series[with_offset]
        parsed = pd.to_datetime(upper, format=form, utc=True, errors="coerce")
        time_us[with_offset.to_numpy()] = _as_us(parsed)
    local = ~with_offset & ~empty
    if local.any() and field.zone:
        parsed = pd.to_datetime(series[local], format=form, errors="coerce")
        time_us[local.to_numpy()] = _localised(parsed, field.zone)
    told: BoolArray = time_us == _NEVER
    for row in np.flatnonzero(told).tolist():
        said = series.iloc[row]
        if with_offset.iloc[row] and field.form == "rfc3339":
            try:
                time_us[row] = parse_time(said)
            except BadTimeError as error:
                refuse(row, error.reason, f"column {field.column}: {error}")
        elif local.iloc[row] and not field.zone:
            detail = "has no offset; add it, or give `zone` in the column map"
            refuse(row, "no-offset", f"column {field.column}: time is {shown(said)}, which {detail}")
        else:
            wanted = "RFC 3339 with an offset" if field.form == "rfc3339" and not field.zone else field.form
            _refuse_text(field, said, row, refuse, f"{wanted}{f' in {field.zone}' if field.zone else ''}")
    return _in_range(field, time_us, told, text, refuse)


def _localised(parsed: pd.Series[Any], zone: str) -> IntArray:
    """Local times of a zone: the first of two, none where there is none."""
    aware = parsed.dt.tz_localize(
        zone_of(zone), ambiguous=np.ones(len(parsed), dtype=np.bool_), nonexistent="NaT"
    )
    return _as_us(aware.dt.tz_convert("UTC"))


def _as_us(parsed: pd.Series[Any]) -> IntArray:
    """Parsed times [Unix microseconds], finer ones cut; the least integer where there is none."""
    as_us = parsed.astype("datetime64[us, UTC]").astype("int64").to_numpy()
    found: IntArray = np.where(parsed.isna().to_numpy(), _NEVER, as_us)
    return found


def _timestamps(field: FieldMap, column: pa.Array, refuse: Refuse) -> IntArray:
    unit, zone = column.type.unit, column.type.tz
    number = np.asarray(column.view(pa.int64()).fill_null(_NEVER))
    missing = number == _NEVER
    per_us = {"s": 1_000_000, "ms": 1_000, "us": 1}.get(unit)
    if per_us is None:
        time_us = number // 1_000
    else:
        # What is far out of range stays so, and does not overflow.
        time_us = np.clip(number, -(2**62) // per_us, 2**62 // per_us) * per_us
    for row in np.flatnonzero(missing).tolist():
        refuse(row, "no-time", f"column {field.column}: no time")
    if zone is None and not field.zone:
        for row in np.flatnonzero(~missing).tolist():
            detail = "times are stored without a zone; give `zone` in the column map"
            refuse(row, "no-offset", f"column {field.column}: {detail}")
        return time_us
    told = missing
    if zone is None:
        usable = (time_us >= _FIRST_US - 86_400_000_000) & (time_us < _END_US + 86_400_000_000)
        naive = pd.Series(np.where(usable, time_us, 0).astype("datetime64[us]"))
        placed = _localised(naive, field.zone)
        time_us = np.where(usable & ~missing, placed, time_us)
        for row in np.flatnonzero((placed == _NEVER) & usable & ~missing).tolist():
            detail = f"there was no such time in {field.zone}: clocks were put forward"
            refuse(row, "bad-time", f"column {field.column}: {detail}")
        told = missing | ((placed == _NEVER) & usable)
    return _in_range(field, time_us, told, column, refuse)


def _numbers(field: FieldMap, column: pa.Array, refuse: Refuse, *, told: bool = False) -> IntArray:
    """Unix numbers; by the wire's rule (seconds, or milliseconds above 1e11) where the map does not say."""
    missing = np.asarray(column.is_null(nan_is_null=True))
    if not told:
        for row in np.flatnonzero(missing).tolist():
            refuse(row, "no-time", f"column {field.column}: no time")
    if pa.types.is_integer(column.type):
        whole = np.asarray(column.cast(pa.int64()).fill_null(0))
        by_size = np.where(np.abs(whole) > MILLISECONDS_ABOVE, 1_000, 1_000_000)
        per_second = _PER_SECOND.get(field.form)
        factor = by_size if per_second is None else np.full(len(whole), 1_000_000 // per_second)
        # What is far out of range is refused below, and must not overflow before.
        small = np.abs(np.clip(whole, -(2**62), 2**62)) <= 2**62 // factor
        time_us = np.where(small, whole, 0) * factor
    else:
        number = np.asarray(column.cast(pa.float64()).fill_null(0.0))
        number = np.where(np.isfinite(number), number, 0.0)
        if field.form in _PER_SECOND:
            scaled = number * (1_000_000 / _PER_SECOND[field.form])
        else:
            scaled = number * np.where(np.abs(number) > MILLISECONDS_ABOVE, 1e3, 1e6)
        time_us = np.rint(np.clip(scaled, -1e18, 1e18)).astype(np.int64)
    return _in_range(field, time_us, missing, column, refuse)


def _in_range(
    field: FieldMap, time_us: IntArray, told: BoolArray | None, column: pa.Array, refuse: Refuse
) -> IntArray:
    outside = (time_us < _FIRST_US) | (time_us >= _END_US)
    if told is not None:
        outside &= ~told
    for row in np.flatnonzero(outside).tolist():
        detail = f"outside of the years {FIRST_YEAR} to {LAST_YEAR}"
        refuse(row, "bad-time", f"column {field.column}: time is {shown(str(column[row].as_py()))}, {detail}")
    return time_us


def _refuse_text(field: FieldMap, said: Any, row: int, refuse: Refuse, wanted: str) -> None:
    if said is None or said != said or said == "":
        refuse(row, "no-time", f"column {field.column}: no time")
    else:
        refuse(row, "bad-time", f"column {field.column}: time is {shown(said)}, wanted {wanted}")
