"""Rows of somebody else's table to readings, all rows at once, by a column map.

Numbers are those of `readings.profile.quantities` for one value, and so are the sentences about a value that
cannot be used. What cannot be used is refused row by row and stops no other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray
from standingwatch.readings.profile.model import QUANTITIES, STATES
from standingwatch.readings.profile.quantities import UNITS, calibrated, to_base
from standingwatch.readings.report import MAX_CHANNEL_LENGTH, MAX_SEQUENCE
from standingwatch.readings.table_map import FieldMap, TableMap
from standingwatch.readings.table_times import column_times
from standingwatch.readings.times import shown
from standingwatch.readings.units import MAX_POWER_DBM


class RowRefusal(NamedTuple):
    """A row that cannot be used.

    Attributes:
        row: position in the batch.
        reason: a fixed word, as of a refused report, or `unknown-place`, `unknown-transmitter`,
            `not-a-number`, `out-of-table`.
        detail: column, what was got, what was wanted, how to mend it.
    """

    row: int
    reason: str
    detail: str


@dataclass(frozen=True)
class TableRead:
    """What a batch of rows held.

    Attributes:
        readings: the usable rows, in their order, without flags.
        rows: position of each in the batch.
        refusals: the others, by row.
    """

    readings: Readings
    rows: IntArray
    refusals: list[RowRefusal]


def read_batch(
    table_map: TableMap, batch: pa.RecordBatch, names: Mapping[str, str], fleet: Fleet
) -> TableRead:
    """The readings of a batch of rows.

    Parameters
    ----------
    table_map
        The map; its columns are in the batch.
    batch
        Rows as Arrow columns: texts, or the types that the file has.
    names
        Site and transmitter as the file's path tells them, where the map says so.
    fleet
        The transmitters.
    """
    return _Batch(table_map, batch, names, fleet).read()


class _Batch:
    def __init__(
        self, table_map: TableMap, batch: pa.RecordBatch, names: Mapping[str, str], fleet: Fleet
    ) -> None:
        self._map, self._batch, self._names, self._fleet = table_map, batch, names, fleet
        self._count = batch.num_rows
        self._refusals: dict[int, RowRefusal] = {}

    def read(self) -> TableRead:
        position = self._positions()
        fields = self._map.fields
        time_us = column_times(fields["time"], self._column(fields["time"]), self._refuse)
        columns: dict[str, Any] = {}
        forward = self._quantity("forward")
        columns["forward_w"] = forward
        columns["reflected_w"] = self._quantity("reflected", forward)
        for name, column in QUANTITIES.items():
            if name in fields and column not in columns:
                columns[column] = self._quantity(name)
        for name in STATES:
            if name in fields:
                columns[name] = self._states(name)
        if "sequence" in fields:
            columns["sequence"] = self._sequence()
        for name in ("frequency_mhz", "set_power_w", "keyed"):
            if name in self._map.constants and name not in columns:
                columns[name] = np.broadcast_to(np.float64(self._map.constants[name]), self._count)
        channel = self._channel()
        for name in ("forward", "reflected"):
            self._where(
                np.isnan(columns[QUANTITIES[name]]),
                "no-power",
                _always(f"column {fields[name].column}: no {name} power"),
            )
        good: BoolArray = np.ones(self._count, dtype=np.bool_)
        good[list(self._refusals)] = False
        rows = np.flatnonzero(good)
        chosen: IntArray | slice = rows if len(rows) < self._count else slice(None)
        columns = {name: values[chosen] for name, values in columns.items()}
        readings = Readings.from_columns(
            {"transmitter": position[chosen], "time_us": time_us[chosen], **columns}
        )
        if channel is not None:
            readings = _with_channel(readings, channel[chosen])
        return TableRead(readings, rows, sorted(self._refusals.values()))

    # Refusing -------------------------------------------------------------------------------------------

    def _refuse(self, row: int, reason: str, detail: str) -> None:
        self._refusals.setdefault(row, RowRefusal(row, reason, detail))

    def _where(self, mask: BoolArray, reason: str, detail: Callable[[int], str]) -> None:
        for row in np.flatnonzero(mask).tolist():
            if row not in self._refusals:
                self._refuse(row, reason, detail(row))

    # Columns --------------------------------------------------------------------------------------------

    def _column(self, field: FieldMap) -> pa.Array:
        column = self._batch.column(field.column)
        return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column

    def _text(self, field: FieldMap) -> pa.Array:
        """A column as texts without white space around them, null where there is nothing."""
        text = pc.utf8_trim_whitespace(self._column(field).cast(pa.string()))
        nothing = ["", *(m for m in field.missing if isinstance(m, str))]
        return pc.if_else(pc.is_in(text, value_set=pa.array(nothing)), pa.scalar(None, pa.string()), text)

    def _codes(self, name: str) -> tuple[npt.NDArray[np.int64], list[str | None]]:
        """A name of a place for every row, as codes and their texts."""
        fixed = self._names.get(name) or self._map.constants.get(name)
        if fixed is not None or name not in self._map.fields:
            return np.zeros(self._count, dtype=np.int64), [fixed]
        encoded = self._text(self._map.fields[name]).dictionary_encode()
        texts: list[str | None] = [*encoded.dictionary.to_pylist(), None]
        codes = np.asarray(encoded.indices.cast(pa.int64()).fill_null(len(texts) - 1))
        return codes, texts

    def _positions(self) -> IntArray:
        """Position of each row's transmitter; rows of places that are not known are refused."""
        site_code, sites = self._codes("site")
        name_code, names = self._codes("transmitter")
        pair, of_row = np.unique(site_code * len(names) + name_code, return_inverse=True)
        # A site with one transmitter needs no name for it.
        alone = {
            site: self._fleet.transmitter[int(np.flatnonzero(self._fleet.site_of == number)[0])]
            for number, site in enumerate(self._fleet.site_names)
            if np.count_nonzero(self._fleet.site_of == number) == 1
        }
        found: IntArray = np.full(len(pair), -1, dtype=np.int64)
        for number, code in enumerate(pair.tolist()):
            site, name = sites[code // len(names)], names[code % len(names)]
            site = self._map.sites.get(site, site) if site is not None else None
            if name is None and site is not None and "transmitter" not in self._map.fields:
                name = alone.get(site)
            elif name is not None:
                renamed = self._map.transmitters
                name = renamed.get(f"{site}/{name}", renamed.get(name, name))
            found[number] = self._fleet.position.get((site, name), -1) if site and name else -2
            if found[number] < 0:
                reason = "unknown-transmitter" if found[number] == -1 else "unknown-place"
                detail = _UNKNOWN if found[number] == -1 else _NO_PLACE
                self._where(of_row == number, reason, _always(f"{shown(site)}/{shown(name)} {detail}"))
        return found[of_row]

    def _raw(self, field: FieldMap) -> FloatArray:
        """A column as numbers, NaN where there is no value; what is no number is refused."""
        column = self._column(field)
        if pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
            values = np.asarray(column.cast(pa.float64()).fill_null(np.nan))
        else:
            text = self._text(field)
            if self._map.csv.decimal != ".":
                text = pc.replace_substring(text, self._map.csv.decimal, ".")
            try:
                numbers = pc.cast(text, pa.float64())
                values = np.asarray(numbers.fill_null(np.nan))
                wrong = np.isnan(values) & np.asarray(numbers.is_valid())
            except pa.ArrowInvalid:
                series = pd.to_numeric(pd.Series(text.to_numpy(zero_copy_only=False)), errors="coerce")
                values = series.to_numpy(dtype=np.float64)
                wrong = np.isnan(values) & np.asarray(text.is_valid())
            # NaN in a text is a word, and said to be a missing value or not.
            said = self._column(field)
            self._where(
                wrong,
                "not-a-number",
                lambda row: (
                    f"column {field.column}: got {shown(said[row].as_py())}, wanted a number; "
                    "where it says that there is no value, name it in `missing`"
                ),
            )
        for number in (m for m in field.missing if isinstance(m, float)):
            values = np.where(values == number, np.nan, values)
        found: FloatArray = values
        return found

    def _quantity(self, name: str, forward_w: FloatArray | None = None) -> FloatArray:
        """A field in the unit of readings, NaN where there is no value."""
        field = self._map.fields[name]
        value = self._raw(field)
        if field.scale != 1.0 or field.offset != 0.0:
            value = value * field.scale + field.offset
        unit = field.unit
        if field.table:
            x, y = np.array(field.table).T
            outside = (value < x[0]) | (value > x[-1])
            self._where(
                outside,
                "out-of-table",
                lambda row: f"column {field.column} {_sentence(calibrated, float(value[row]), field.table)}",
            )
            raw, value = value, np.interp(value, x, y)
            value = np.where(outside | np.isnan(raw), np.nan, value)
            unit = field.table_unit
        base, wrong = _to_base(value, unit)
        self._where(
            wrong,
            "bad-value",
            lambda row: f"column {field.column} {_sentence(to_base, float(value[row]), unit)}",
        )
        if forward_w is None:
            return base
        return _reflected_w(forward_w, base, unit)

    def _states(self, name: str) -> FloatArray:
        """A yes-or-no column as 1, 0 and NaN."""
        field = self._map.fields[name]
        encoded = pc.utf8_lower(self._text(field)).dictionary_encode()
        words = encoded.dictionary.to_pylist()
        known = [1.0 if w in field.true else 0.0 if w in field.false else np.nan for w in words]
        codes = np.asarray(encoded.indices.cast(pa.int64()).fill_null(len(words)))
        states: FloatArray = np.array([*known, np.nan])[codes]
        wanted = f"one of {', '.join((*field.true, *field.false))}"
        self._where(
            np.isnan(states) & (codes < len(words)),
            "bad-value",
            lambda row: f"column {field.column}: got {shown(words[codes[row]])}, wanted {wanted}",
        )
        return states

    def _sequence(self) -> IntArray:
        field = self._map.fields["sequence"]
        column = self._column(field)
        text = column if pa.types.is_integer(column.type) else self._text(field)
        try:
            found = np.asarray(pc.cast(text, pa.int64()).fill_null(-1))
            wrong = (found < 0) & np.asarray(text.is_valid())
        except pa.ArrowInvalid:
            number = self._raw(field)
            whole = (number == np.floor(number)) & (number >= 0) & (number < float(MAX_SEQUENCE))
            found = np.where(whole, number, -1).astype(np.int64)
            wrong = ~whole & ~np.isnan(number)
        self._where(
            wrong,
            "bad-value",
            lambda row: f"column {field.column}: got {shown(column[row].as_py())}, wanted an integer from 0",
        )
        sequence: IntArray = found
        return sequence

    def _channel(self) -> npt.NDArray[np.object_] | None:
        if "channel" not in self._map.fields:
            constant = self._map.constants.get("channel")
            return None if constant is None else np.full(self._count, constant, dtype=np.object_)
        codes, texts = self._codes("channel")
        for number, text in enumerate(texts):
            if text is not None and (len(text) > MAX_CHANNEL_LENGTH or not text.isprintable()):
                wanted = f"up to {MAX_CHANNEL_LENGTH} printable characters"
                detail = f"channel is {shown(text)}, wanted {wanted}"
                self._where(codes == number, "bad-value", _always(detail))
        known: npt.NDArray[np.object_] = np.array([text or "" for text in texts], dtype=np.object_)
        return known[codes]


_UNKNOWN = (
    "is not in the site list; add it (standingwatch inventory import), or give its name in [sites] or "
    "[transmitters] of the column map"
)
_NO_PLACE = (
    "is no site and transmitter; give their columns, constants, or the pattern `file` in the column map"
)


def _always(detail: str) -> Callable[[int], str]:
    return lambda _row: detail


def _with_channel(readings: Readings, channel: npt.NDArray[np.object_]) -> Readings:
    # Not by from_columns, which would look at the texts row by row.
    columns = {name: getattr(readings, name) for name in readings.__dataclass_fields__}
    return Readings(**{**columns, "channel": channel})


def _sentence(function: Callable[..., float], *arguments: Any) -> str:
    """What a function says against a value."""
    try:
        function(*arguments)
    except ValueError as error:
        return str(error)
    return f"is {arguments[0]}, which cannot be used"


def _to_base(value: FloatArray, unit: str) -> tuple[FloatArray, BoolArray]:
    """Values in the base unit of their kind, NaN staying NaN, and which of them the kind cannot have."""
    known = UNITS[unit]
    unknown = np.isnan(value)
    if unit in ("dBm", "dBW"):
        level_dbm = value + (30.0 if unit == "dBW" else 0.0)
        wrong = level_dbm >= MAX_POWER_DBM
        base = np.power(10.0, (np.where(wrong, 0.0, level_dbm) - 30.0) / 10.0)
    elif known.kind == "temperature":
        base = {"degC": value, "degF": (value - 32.0) / 1.8, "degK": value - 273.15}[unit]
        wrong = ~np.isfinite(base) | (base < -273.15)
    elif known.kind in ("swr", "return loss"):
        base, wrong = value, value < (1.0 if known.kind == "swr" else 0.0)
    elif known.kind in ("rho", "percent"):
        base, wrong = value, ~np.isfinite(value) | (value < 0.0)
    else:
        factor = to_base(1.0, unit)
        base = value if factor == 1.0 else value * factor
        wrong = ~np.isfinite(base)
    wrong &= ~unknown
    return np.where(wrong, np.nan, base), wrong


def _reflected_w(forward_w: FloatArray, base: FloatArray, unit: str) -> FloatArray:
    """Reflected power [W] from the forward one [W] and what the column says of the match."""
    kind = UNITS[unit].kind
    if kind == "power":
        return base
    if kind == "swr":
        with np.errstate(invalid="ignore"):
            rho = (base - 1.0) / (base + 1.0)
        return np.where(np.isinf(base), forward_w, forward_w * rho * rho)
    if kind == "return loss":
        return forward_w * np.power(10.0, -base / 10.0)
    return forward_w * base * base if kind == "rho" else forward_w * base / 100.0
