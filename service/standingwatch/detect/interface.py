"""What a detector is: blocks of readings and closed hours in, findings out, state carried between.

A detector is pure. It sees the stream in blocks whose cuts mean nothing: any cutting of the same stream
gives the same findings and ends in the same state. The conformance suite in tests/detect holds every
detector to that, to restart in mid-stream, and to late and repeated readings changing nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from standingwatch.detect.rollup import Hours
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import BoolArray, Fleet, IntArray

Value = float | int | str | bool | None

#: Marks a finding about a whole site in `Finding.transmitter`.
WHOLE_SITE = -1


@dataclass(frozen=True)
class LikelyCause:
    """A possible cause with confidence 0..1 and the evidence for it in words."""

    cause: Cause
    confidence: float
    because: str


@dataclass(frozen=True)
class Finding:
    """A condition begins, changes its severity, or ends.

    Attributes:
        site: position of the site in `Fleet.site_names`.
        transmitter: position in the fleet, or `WHOLE_SITE`.
        condition: what it is.
        severity: how bad; `Severity.CLEARED` when it ends.
        time_us: when it was true [Unix microseconds], from the readings, not from a clock.
        evidence: values behind it, each name carrying its unit.
        causes: likely causes, most likely first.
    """

    site: int
    transmitter: int
    condition: Condition
    severity: Severity
    time_us: int
    evidence: Mapping[str, Value] = field(default_factory=dict)
    causes: tuple[LikelyCause, ...] = ()


@dataclass(frozen=True)
class BaselineChange:
    """A transmitter's baseline was learned, confirmed or opened anew.

    Attributes:
        transmitter: position in the fleet.
        time_us: when it took effect [Unix microseconds].
        kind: "provisional", "full", or "opened" when learning starts again.
        rho: the level of the reflection coefficient's magnitude at the transmitter, NaN when opened.
        spread: robust standard deviation of the daily level of rho, NaN when opened.
        reason: why, in words.
    """

    transmitter: int
    time_us: int
    kind: str
    rho: float
    spread: float
    reason: str


@dataclass(frozen=True)
class Maintenance:
    """Work on record, one element per transmitter and window, in no order.

    Attributes:
        transmitter: position in the fleet.
        start_us: begin [Unix microseconds].
        end_us: end [Unix microseconds].
        renews_baseline: true for the kinds visit and retune, after which the match may be another one.
    """

    transmitter: IntArray
    start_us: IntArray
    end_us: IntArray
    renews_baseline: BoolArray

    @classmethod
    def none(cls) -> Maintenance:
        """No work on record."""
        empty = np.empty(0, dtype=np.int64)
        return cls(empty, empty, empty, np.empty(0, dtype=np.bool_))

    def covers(self, transmitter: IntArray, time_us: IntArray) -> BoolArray:
        """Whether each (transmitter, time) lies in a window, ends included."""
        inside = np.zeros(len(time_us), dtype=np.bool_)
        if len(time_us) == 0:
            return inside
        earliest, latest = int(time_us.min()), int(time_us.max())
        near = np.flatnonzero((self.end_us >= earliest) & (self.start_us <= latest))
        for i in near:
            inside |= (
                (transmitter == self.transmitter[i])
                & (time_us >= self.start_us[i])
                & (time_us <= self.end_us[i])
            )
        return inside


@dataclass(frozen=True)
class Block:
    """A piece of the stream, as every detector gets it.

    Attributes:
        readings: sorted by transmitter and time; late, repeated and future ones are already out.
        working: per reading, true while work is on record for its transmitter.
        hours: the hours closed with this block, sorted by hour and transmitter.
        closed_from_us, closed_to_us: the span of those hours, rows or none in them [Unix microseconds].
        maintenance: all work on record.
        link_site: position of the site of each link report.
        link_time_us: time of each link report [Unix microseconds].
        link_online: what each link report says.
        since_us: since when reports can have reached us without a break [Unix microseconds].
        until_us: up to when everything that was sent has been seen [Unix microseconds].
    """

    readings: Readings
    working: BoolArray
    hours: Hours
    closed_from_us: int
    closed_to_us: int
    maintenance: Maintenance
    link_site: IntArray
    link_time_us: IntArray
    link_online: BoolArray
    since_us: int
    until_us: int


@dataclass
class Outcome:
    """What a detector makes of a block."""

    findings: list[Finding] = field(default_factory=list)
    baselines: list[BaselineChange] = field(default_factory=list)


State = npt.NDArray[Any]


class Detector(Protocol):
    """One way of finding something. State is one record per transmitter and one per site."""

    @property
    def name(self) -> str:
        """A short word, unique among the detectors, that prefixes its state."""
        ...

    @property
    def transmitter_state(self) -> np.dtype[Any]:
        """Record kept per transmitter."""
        ...

    @property
    def site_state(self) -> np.dtype[Any]:
        """Record kept per site."""
        ...

    def initial(self, transmitters: State, sites: State) -> None:
        """Fill records of transmitters and sites that have not been seen yet (they arrive zeroed)."""
        ...

    def step(self, block: Block, fleet: Fleet, transmitters: State, sites: State) -> Outcome:
        """Judge a block; `transmitters` and `sites` are brought up to date in place."""
        ...
