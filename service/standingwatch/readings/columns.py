"""What a reading is: one decoded report as a tuple, many of them as columns of equal length."""

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

    def take(self, index_or_mask: IntArray | BoolArray | slice) -> Readings:
        """The chosen rows, in the order of the index, as numpy indexing takes them."""
        return Readings(*(getattr(self, name)[index_or_mask] for name in _NAMES))

    def sorted_by_time(self) -> Readings:
        """The rows by time, then transmitter; equal ones keep their order."""
        return self.take(np.lexsort((self.transmitter, self.time_us)))

    def sorted_by_transmitter(self) -> Readings:
        """The rows by transmitter, then time; equal ones keep their order."""
        return self.take(np.lexsort((self.time_us, self.transmitter)))

    @classmethod
    def empty(cls) -> Readings:
        """Readings without a row."""
        return cls.from_columns({"transmitter": (), "time_us": ()})

    @classmethod
    def concatenate(cls, parts: Sequence[Readings]) -> Readings:
        """The rows of all parts, in order; no parts give no rows."""
        if not parts:
            return cls.empty()
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in _NAMES))

    @classmethod
    def from_reports(cls, transmitter: npt.ArrayLike, reports: Sequence[Reading]) -> Readings:
        """Decoded reports, each with its transmitter's position in the `Fleet`, as columns."""
        mapping: dict[str, Any] = {"transmitter": transmitter}
        mapping.update(
            zip(COLUMNS, zip(*reports, strict=True) if reports else [()] * len(COLUMNS), strict=True)
        )
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


def _column(name: str, given: Any, rows: int) -> npt.NDArray[Any]:
    """One column in the type it has in `Readings`; unknown in all rows when `given` is None."""
    if name in FLOAT_COLUMNS:
        return np.full(rows, np.nan) if given is None else _floats(name, given)
    if name in STATE_COLUMNS:
        return np.full(rows, -1, dtype=np.int8) if given is None else _states(name, given)
    if name == "channel":
        return _texts(rows, given)
    unknown = {"flags": 0, "sequence": -1}.get(name)
    return np.full(rows, unknown, dtype=np.int64) if given is None else _integers(name, given, unknown)


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


def _texts(rows: int, given: Any) -> TextArray:
    column: TextArray = np.empty(rows if given is None else len(given), dtype=np.object_)
    column[:] = "" if given is None else ["" if text is None or text != text else str(text) for text in given]
    return column
