"""What a reading is: one decoded report as a tuple, many of them as columns of equal length.

Most fleets leave most optional columns out. Such a column is one value seen at every row (`np.broadcast_to`):
it takes no memory, and choosing, ordering and joining rows copy nothing of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from standingwatch.readings.fleet import BoolArray, FloatArray, IntArray

StateArray = npt.NDArray[np.int8]
TextArray = npt.NDArray[np.object_]


class Reading(NamedTuple):
    """One decoded report. None where the report does not say.

    Attributes:
        time_us: when it was measured [us since 1970-01-01 UTC].
        forward_w: forward power [W]; may be below 0 by a meter's offset.
        reflected_w: reflected power [W]; may be below 0, and above forward, when a meter says so.
        keyed: whether the transmitter was keyed.
        frequency_mhz: carrier frequency [MHz].
        channel: name of the channel.
        set_power_w: power the transmitter was set to [W].
        foldback: whether the protection reduced the power.
        pa_temperature_c: temperature of the power amplifier [degrees C].
        ambient_temperature_c: temperature outside [degrees C].
        precipitation: precipitation as the site reports it.
        wind_mps: wind speed [m/s].
        sequence: number of the report, from 0.
    """

    time_us: int
    forward_w: float
    reflected_w: float
    keyed: bool | None = None
    frequency_mhz: float | None = None
    channel: str | None = None
    set_power_w: float | None = None
    foldback: bool | None = None
    pa_temperature_c: float | None = None
    ambient_temperature_c: float | None = None
    precipitation: float | None = None
    wind_mps: float | None = None
    sequence: int | None = None


COLUMNS: tuple[str, ...] = Reading._fields

#: Columns of numbers, NaN where unknown.
FLOAT_COLUMNS = (
    "forward_w",
    "reflected_w",
    "frequency_mhz",
    "set_power_w",
    "pa_temperature_c",
    "ambient_temperature_c",
    "precipitation",
    "wind_mps",
)
#: Columns of yes, no and not said.
STATE_COLUMNS = ("keyed", "foldback")
_REQUIRED = ("transmitter", "time_us")


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of a fleet as arrays of one length, a reading each.

    Attributes:
        transmitter: position of the transmitter in the `Fleet`.
        time_us: when it was measured [us since 1970-01-01 UTC].
        forward_w, reflected_w: powers [W], NaN where unknown.
        keyed, foldback: 1 yes, 0 no, -1 not said.
        frequency_mhz: carrier frequency [MHz], NaN where unknown.
        channel: name of the channel, "" where not said.
        set_power_w: power the transmitter was set to [W], NaN where unknown.
        pa_temperature_c, ambient_temperature_c: temperatures [degrees C], NaN where unknown.
        precipitation: as the site reports it, NaN where unknown.
        wind_mps: wind speed [m/s], NaN where unknown.
        sequence: number of the report, -1 where not said.
        flags: sum of `Flag` values; 0 where nothing is held against the reading, or nobody has looked yet.

    The arrays are not to be changed: several `Readings` can share one, and one that is unknown throughout
    cannot be written to.
    """

    transmitter: IntArray
    time_us: IntArray
    forward_w: FloatArray
    reflected_w: FloatArray
    keyed: StateArray
    frequency_mhz: FloatArray
    channel: TextArray
    set_power_w: FloatArray
    foldback: StateArray
    pa_temperature_c: FloatArray
    ambient_temperature_c: FloatArray
    precipitation: FloatArray
    wind_mps: FloatArray
    sequence: IntArray
    flags: IntArray

    def __post_init__(self) -> None:
        rows = len(self.transmitter)
        uneven = [f"{name} {len(a)}" for name in _NAMES if len(a := getattr(self, name)) != rows]
        if uneven:
            raise ValueError(
                f"readings: transmitter has {rows} rows but {', '.join(uneven)}; give all the same length"
            )

    def __len__(self) -> int:
        return len(self.transmitter)

    def __reduce__(self) -> tuple[Any, ...]:
        """On its way to another process a column of one value is one value."""
        columns = (getattr(self, name) for name in _NAMES)
        return _of_packed, (len(self), *(c[:1] if _is_one_value(c) else c for c in columns))

    def take(self, index_or_mask: IntArray | BoolArray | slice) -> Readings:
        """The chosen rows, in the order of the index, as numpy indexing takes them."""
        chosen = index_or_mask
        if isinstance(chosen, np.ndarray) and chosen.dtype == np.bool_:
            if chosen.shape != (len(self),):
                raise IndexError(
                    f"readings: a mask of shape {chosen.shape} for {len(self)} rows; give one value per row"
                )
            if chosen.all():
                return self
            # Found once, not anew for every column.
            chosen = np.flatnonzero(chosen)
        transmitter = self.transmitter[chosen]
        rows = len(transmitter)
        others = (getattr(self, name) for name in _NAMES[1:])
        return Readings(transmitter, *(_taken(column, chosen, rows) for column in others))

    def sorted_by_time(self) -> Readings:
        """The rows by time, then transmitter; equal ones keep their order."""
        if _is_sorted(self.time_us, self.transmitter):
            return self
        return self.take(np.lexsort((self.transmitter, self.time_us)))

    def sorted_by_transmitter(self, where: BoolArray | None = None) -> Readings:
        """The rows by transmitter, then time; equal ones keep their order.

        Args:
            where: which rows, a value per row; None for all of them.
        """
        if where is None or where.all():
            if _is_sorted(self.transmitter, self.time_us):
                return self
            return self.take(_by_transmitter_and_time(self.transmitter, self.time_us))
        chosen = np.flatnonzero(where)
        order = _by_transmitter_and_time(self.transmitter[chosen], self.time_us[chosen])
        # Put in order as they are taken, not once more afterwards: most columns are copied once.
        return self.take(chosen[order])

    @classmethod
    def empty(cls) -> Readings:
        """Readings without a row."""
        return cls.from_columns({"transmitter": (), "time_us": ()})

    @classmethod
    def concatenate(cls, parts: Sequence[Readings]) -> Readings:
        """The rows of all parts, in order; no parts give no rows."""
        if not parts:
            return cls.empty()
        return cls(*(_joined([getattr(part, name) for part in parts]) for name in _NAMES))

    @classmethod
    def from_reports(cls, transmitter: npt.ArrayLike, reports: Sequence[Reading]) -> Readings:
        """Decoded reports, each with its transmitter's position in the `Fleet`, as columns."""
        mapping: dict[str, Any] = {"transmitter": transmitter, "time_us": ()}
        if reports:
            columns = zip(COLUMNS, zip(*reports, strict=True), strict=True)
            # What no report says takes no memory, and no time from here on.
            mapping.update({name: said for name, said in columns if said.count(None) < len(said)})
        return cls.from_columns(mapping)

    @classmethod
    def from_columns(cls, mapping: Mapping[str, Any]) -> Readings:
        """Readings from named columns; a column that is not given is unknown in every row.

        Parameters
        ----------
        mapping
            Column name to array or sequence. `transmitter` and `time_us` are needed, the others of
            `Readings` may be left out. In numbers and states None and NaN mean unknown, in `channel` None.

        Raises
        ------
        ValueError
            If a needed column is missing, a name is not a column, the lengths differ, or a value cannot be
            what its column holds.
        """
        problems = [f"column {name!r} is missing" for name in _REQUIRED if name not in mapping]
        problems += [f"{name!r} is not a column of readings" for name in mapping if name not in _NAMES]
        if problems:
            raise ValueError(f"readings: {'; '.join(problems)}; the columns are {', '.join(_NAMES)}")
        rows = len(mapping["transmitter"])
        return cls(*(_column(name, mapping.get(name), rows) for name in _NAMES))


_NAMES: tuple[str, ...] = tuple(field.name for field in fields(Readings))


#: What stands in a column that is not given, in its type.
_UNKNOWN: dict[str, npt.NDArray[Any]] = {
    **{name: np.array(np.nan) for name in FLOAT_COLUMNS},
    **{name: np.array(-1, dtype=np.int8) for name in STATE_COLUMNS},
    "channel": np.array("", dtype=np.object_),
    "sequence": np.array(-1, dtype=np.int64),
    "flags": np.array(0, dtype=np.int64),
}


def by_transmitter(transmitter: IntArray) -> IntArray:
    """The order of the rows by transmitter, positions from 0, that keeps the order they have within each."""
    # numpy sorts 16-bit integers by radix, about six times as fast as wider ones.
    narrow = len(transmitter) > 0 and transmitter.min() >= 0 and transmitter.max() < 1 << 16
    return np.argsort(transmitter.astype(np.uint16) if narrow else transmitter, kind="stable")


def _by_transmitter_and_time(transmitter: IntArray, time_us: IntArray) -> IntArray:
    """The order of rows by transmitter, then time; equal ones keep theirs."""
    if (time_us[1:] >= time_us[:-1]).all():
        return by_transmitter(transmitter)
    by_time = np.argsort(time_us, kind="stable")
    order: IntArray = by_time[by_transmitter(transmitter[by_time])]
    return order


def _is_sorted(first: IntArray, second: IntArray) -> bool:
    """Whether rows are in order of one key and, where that is equal, of another."""
    if (first[1:] < first[:-1]).any():
        return False
    return bool(((first[1:] > first[:-1]) | (second[1:] >= second[:-1])).all())


def _is_one_value(column: npt.NDArray[Any]) -> bool:
    """Whether a column is one value seen at every row."""
    return column.strides == (0,) and len(column) > 0


def _taken(column: npt.NDArray[Any], index: IntArray | BoolArray | slice, rows: int) -> npt.NDArray[Any]:
    if not _is_one_value(column):
        return column[index]
    # A shorter view of one value is cheaper to make than a new one.
    return column[:rows] if rows <= len(column) else np.broadcast_to(column[0:1], rows)


def _of_packed(rows: int, *columns: npt.NDArray[Any]) -> Readings:
    return Readings(*(c if len(c) == rows else np.broadcast_to(c, rows) for c in columns))


def _joined(parts: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    filled = [part for part in parts if len(part)]
    if filled and all(map(_is_one_value, filled)):
        first = filled[0][0]
        if all(part[0] == first or (part[0] != part[0] and first != first) for part in filled):
            return np.broadcast_to(filled[0][0:1], sum(map(len, filled)))
    return np.concatenate(parts)


def _column(name: str, given: Any, rows: int) -> npt.NDArray[Any]:
    """One column in the type it has in `Readings`; unknown in all rows when `given` is None."""
    if given is None:
        return np.broadcast_to(_UNKNOWN[name], rows)
    if name in FLOAT_COLUMNS:
        return _floats(name, given)
    if name in STATE_COLUMNS:
        return _states(name, given)
    if name == "channel":
        return _texts(given)
    return _integers(name, given, None if name in _REQUIRED else int(_UNKNOWN[name]))


def _floats(name: str, given: Any) -> FloatArray:
    try:
        return np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(
            f"readings: {name} holds what is not a number ({error}); give numbers or None"
        ) from error


def _integers(name: str, given: Any, unknown: int | None) -> IntArray:
    values = np.asarray(given)
    if len(values) == 0:
        return np.empty(0, dtype=np.int64)
    if values.dtype.kind in "iu":
        return values.astype(np.int64, copy=False)
    if values.dtype.kind not in "fO":
        raise ValueError(f"readings: {name} is of type {values.dtype}; give integers")
    listed = values.tolist()
    known = np.array([value is not None and value == value for value in listed])
    if unknown is None and not known.all():
        raise ValueError(f"readings: {name} is unknown in row {int(np.argmin(known))}; every row needs it")
    whole = np.full(len(values), -1 if unknown is None else unknown, dtype=np.int64)
    # Row by row through Python integers: a detour over float would lose the last digits of a large one.
    for row in np.flatnonzero(known).tolist():
        value = listed[row]
        if isinstance(value, bool) or int(value) != value:
            raise ValueError(f"readings: {name} in row {row} is {value!r}; give an integer")
        whole[row] = int(value)
    return whole


def _states(name: str, given: Any) -> StateArray:
    values = np.asarray(given)
    if values.dtype.kind in "OfU" or len(values) == 0:
        values = _floats(name, values)
        values = np.where(np.isnan(values), -1.0, values)
    wrong = (
        (values != 0) & (values != 1) & (values != -1) if values.dtype.kind != "b" else np.zeros(1, np.bool_)
    )
    if wrong.any():
        row = int(np.argmax(wrong))
        raise ValueError(f"readings: {name} in row {row} is {values[row]}; give 1 yes, 0 no or -1 not said")
    return values.astype(np.int8)


def _texts(given: Any) -> TextArray:
    column: TextArray = np.empty(len(given), dtype=np.object_)
    column[:] = ["" if text is None or text != text else str(text) for text in given]
    return column
