"""What the detectors saw of some transmitters, written down while a history is replayed.

The recorder stands among the detectors, finds nothing and keeps nothing that they could see: a replay with
it gives the same alarms as one without. It notes each closed hour with its weather, and each closed day as it
was judged: the level, the baseline in force, how far away it was and how far counted.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from standingwatch.detect.day import Day
from standingwatch.detect.departure import DepartureSettings, depart
from standingwatch.detect.history import adjusted, place_of_day
from standingwatch.detect.interface import BaselineChange, Block, Outcome, Own, State
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray


@dataclass(frozen=True)
class HourCourse:
    """Closed hours of one transmitter with usable readings, channels pooled; columns of one length.

    Attributes:
        hour_us: begin of the hour, rising [Unix microseconds].
        usable: usable readings in it.
        rho: level of the reflection coefficient's magnitude at the transmitter, as measured, 0..1 and above.
        forward_w: forward power [W].
        wet: 0 dry to 1 in the rain.
        frost: whether the antenna may have been iced.
    """

    hour_us: IntArray
    usable: IntArray
    rho: FloatArray
    forward_w: FloatArray
    wet: FloatArray
    frost: BoolArray


@dataclass(frozen=True)
class DayCourse:
    """Closed days of one transmitter as they were judged; columns of one length, NaN where not known.

    Attributes:
        number: days since 1970-01-01 UTC.
        rho: level of the dry hours as measured.
        adjusted_rho: the same at the baseline's own temperature: what is compared.
        baseline_kind: `history.NO_BASELINE`, `PROVISIONAL`, `FULL` or `COMMISSIONED`.
        baseline_rho: level of the baseline after the day.
        change_rho: present level, the median of the last three known days, less the baseline.
        limit_rho: departure that counts over many days.
        days_away, days_below: of the last 16 days with a level, how many were that far above, and below.
        wet_hours: hours in the wet.
        wet_excess_rho: how far the wet hours lay above the last dry level.
        temperature_c: mean outside temperature of the hours that made the level [degree C].
        power_db: forward power of the day's upper hours [dBW].
        baseline_power_db: the same of the baseline [dBW].
        high_readings: readings of dry hours that were high as in a burst.
        paired_readings: those of them that followed another one.
        suspect: 1 where the meter could not be trusted at the day's end, else 0.
    """

    number: IntArray
    rho: FloatArray
    adjusted_rho: FloatArray
    baseline_kind: IntArray
    baseline_rho: FloatArray
    change_rho: FloatArray
    limit_rho: FloatArray
    days_away: FloatArray
    days_below: FloatArray
    wet_hours: FloatArray
    wet_excess_rho: FloatArray
    temperature_c: FloatArray
    power_db: FloatArray
    baseline_power_db: FloatArray
    high_readings: FloatArray
    paired_readings: FloatArray
    suspect: IntArray


@dataclass(frozen=True)
class Course:
    """All that was noted of one transmitter.

    Attributes:
        position: in the fleet.
        hours: its closed hours.
        days: its closed days.
        changes: of its baseline, in order of time.
    """

    position: int
    hours: HourCourse
    days: DayCourse
    changes: tuple[BaselineChange, ...]


class Recorder:
    """A detector that finds nothing and notes what the others see.

    Args:
        fleet: the transmitters.
        positions: those to note, in the fleet; each once.
        departure: what counts as leaving the baseline, as the detectors have it.
    """

    name = "explain"
    quick_state = site_state = slow_state = np.dtype([])

    def __init__(self, fleet: Fleet, positions: list[int], departure: DepartureSettings) -> None:
        self._rows: IntArray = np.unique(np.array(positions, dtype=np.int64))
        self._fleet = part_of(fleet, self._rows)
        self._departure = departure
        self._bursts: State | None = None
        self._hours: list[dict[str, Any]] = []
        self._days: list[dict[str, Any]] = []
        self._changes: list[BaselineChange] = []

    def initial(self, own: Own) -> None:
        """Nothing is kept in the state."""

    def note_bursts(self, records: State) -> None:
        """Where the detector of bursts keeps its counts by day."""
        self._bursts = records

    def note_changes(self, changes: list[BaselineChange]) -> None:
        """Changes of baselines; those of other transmitters are passed over."""
        self._changes += [c for c in changes if c.transmitter in self._rows]

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Note the hours and the day that closed with a block."""
        hours = block.hours
        mine = np.flatnonzero(np.isin(hours.transmitter, self._rows) & (hours.usable > 0))
        if len(mine):
            self._hours.append(
                {
                    "owner": hours.transmitter[mine],
                    "hour_us": hours.hour_us[mine],
                    "usable": hours.usable[mine],
                    "rho": hours.rho_level[mine],
                    "forward_w": hours.forward_w[mine],
                    "wet": block.weather.wet[mine],
                    "frost": block.weather.frost[mine],
                }
            )
        if block.day is not None:
            self._days.append(self._day(block.base.state[self._rows], block.day))
        return Outcome()

    def _day(self, state: State, day: Day) -> dict[str, Any]:
        """A closed day of the noted transmitters, a value for each."""
        number, place = day.number, place_of_day(day.number)
        above = depart(state, self._fleet, self._departure, number)
        below = depart(state, self._fleet, self._departure, number, sign=-1.0)
        bursts = self._bursts
        unknown = np.full(len(state), np.nan)
        return {
            "number": np.full(len(state), number),
            "rho": state["raw"][:, place].copy(),
            "adjusted_rho": adjusted(state, number, 1)[:, 0],
            "baseline_kind": state["kind"].astype(np.int64),
            "baseline_rho": state["rho"].copy(),
            "change_rho": above.change,
            "limit_rho": np.where(np.isfinite(state["rho"]), above.limit, np.nan),
            "days_away": above.days_away.astype(np.float64),
            "days_below": below.days_away.astype(np.float64),
            "wet_hours": state["wet_hours"][:, place].copy(),
            "wet_excess_rho": state["wet_excess"][:, place].copy(),
            "temperature_c": state["temperature_c"][:, place].copy(),
            "power_db": state["power_db"][:, place].copy(),
            "baseline_power_db": state["forward_db"].copy(),
            "high_readings": unknown if bursts is None else bursts["high"][self._rows, place],
            "paired_readings": unknown if bursts is None else bursts["paired"][self._rows, place],
            "suspect": (state["suspect_us"] > state["trusted_us"]).astype(np.int64),
        }

    def courses(self) -> list[Course]:
        """What was noted, a course per transmitter in the fleet's order."""
        result = []
        for place, position in enumerate(self._rows.tolist()):
            days: dict[str, Any] = {
                f.name: np.array([day[f.name][place] for day in self._days], dtype=_KIND[f.name])
                for f in fields(DayCourse)
            }
            changes = sorted((c for c in self._changes if c.transmitter == position), key=lambda c: c.time_us)
            result.append(Course(position, self._hours_of(position), DayCourse(**days), tuple(changes)))
        return result

    def _hours_of(self, position: int) -> HourCourse:
        """The hours of one transmitter, its channels pooled, each counting by its usable readings."""
        names = ("hour_us", "usable", "rho", "forward_w", "wet", "frost")
        mine: dict[str, Any] = {name: [np.empty(0)] for name in names}
        for part in self._hours:
            rows = part["owner"] == position
            for name in names:
                mine[name].append(part[name][rows])
        columns = {name: np.concatenate(parts) for name, parts in mine.items()}
        hour_us, first = np.unique(columns["hour_us"].astype(np.int64), return_index=True)
        which = np.searchsorted(hour_us, columns["hour_us"].astype(np.int64))
        weight = np.bincount(which, columns["usable"], minlength=len(hour_us))

        def mean(name: str) -> FloatArray:
            total = np.bincount(which, columns["usable"] * columns[name], minlength=len(hour_us))
            return np.asarray(total / weight, dtype=np.float64)

        return HourCourse(
            hour_us=hour_us,
            usable=weight.astype(np.int64),
            rho=mean("rho"),
            forward_w=mean("forward_w"),
            wet=columns["wet"][first],
            frost=columns["frost"][first].astype(np.bool_),
        )


_WHOLE = ("number", "baseline_kind", "suspect")
_KIND = {f.name: np.int64 if f.name in _WHOLE else np.float64 for f in fields(DayCourse)}


def part_of(fleet: Fleet, rows: IntArray) -> Fleet:
    """Some transmitters of a fleet, as a fleet of their own.

    Args:
        fleet: all transmitters.
        rows: positions, each once.
    """
    columns: dict[str, Any] = {}
    for f in fields(Fleet):
        if f.init:
            values = getattr(fleet, f.name)
            if isinstance(values, tuple):
                # One that is empty says nothing of anybody.
                columns[f.name] = tuple(values[i] for i in rows.tolist()) if values else ()
            else:
                columns[f.name] = values[rows]
    return replace(fleet, **columns)
