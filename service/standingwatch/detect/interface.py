"""What a detector is: blocks of readings and closed hours in, findings out, state carried between.

A detector is pure. It sees the stream in blocks whose cuts mean nothing: any cutting of the same stream
gives the same findings and ends in the same state. The conformance suite in tests/detect holds every
detector to that, to restart in mid-stream, and to late and repeated readings changing nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from standingwatch.detect.rollup import Hours
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings.columns import Readings
from standingwatch.readings.fleet import BoolArray, Fleet, FloatArray, IntArray

if TYPE_CHECKING:
    from standingwatch.detect.baseline import Baselines
    from standingwatch.detect.day import Day
    from standingwatch.detect.normal import Normal
    from standingwatch.detect.weather import HourWeather

Value = float | int | str | bool | None

State = npt.NDArray[Any]

#: Marks a finding about a whole site in `Finding.transmitter`.
WHOLE_SITE = -1

#: Marks a finding about a whole region in `Finding.site`; `Finding.region` says which.
WHOLE_REGION = -1


@dataclass(frozen=True)
class LikelyCause:
    """A possible cause with confidence 0..1 and the evidence for it in words."""

    cause: Cause
    confidence: float
    because: str


@dataclass(frozen=True)
class LimitForecast:
    """When the trend reaches one limit of the SWR at the transmitter.

    Attributes:
        limit: "swr-1.5", "swr-2", "foldback" or "tolerance".
        swr: the limit as SWR at the transmitter.
        says: "expected", "reached" where the level is there already, or why nothing can be said, in words.
        earliest_us, expected_us, latest_us: the 10, 50 and 90 % points of the date [Unix microseconds]; None
            where nothing can be said, and latest also where it may well never be reached.
    """

    limit: str
    swr: float
    says: str
    earliest_us: int | None = None
    expected_us: int | None = None
    latest_us: int | None = None


@dataclass(frozen=True)
class Finding:
    """A condition begins, changes its severity, its leading cause or its members, or ends.

    Attributes:
        site: position of the site in `Fleet.site_names`, or `WHOLE_REGION`.
        transmitter: position in the fleet, or `WHOLE_SITE` (also where it is about a region).
        condition: what it is.
        severity: how bad; `Severity.CLEARED` when it ends.
        time_us: when it was true [Unix microseconds], from the readings, not from a clock.
        evidence: values behind it, each name carrying its unit.
        causes: likely causes, most likely first.
        region: position of the region in `Fleet.region_names` where it is about a region, else -1.
        members: positions of the transmitters that move together, in the fleet's order, where it is about a
            group (an antenna line, a site, a region); empty where it is about one transmitter.
        forecast: when the trend reaches the limits, where a trend is what was found.
        is_final: of one that ends, that it ends by decision (told by another alarm from now on) and not by
            the readings, so that nothing is to be waited for before it counts.
    """

    site: int
    transmitter: int
    condition: Condition
    severity: Severity
    time_us: int
    evidence: Mapping[str, Value] = field(default_factory=dict)
    causes: tuple[LikelyCause, ...] = ()
    region: int = -1
    members: tuple[int, ...] = ()
    forecast: tuple[LimitForecast, ...] = ()
    is_final: bool = False


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

    def renewed(self, transmitter: IntArray, time_us: IntArray, opened_us: IntArray) -> BoolArray:
        """Whether each (transmitter, time) lies past the end of work that no new baseline was opened for yet.

        Args:
            transmitter: positions in the fleet.
            time_us: times [Unix microseconds].
            opened_us: per transmitter of the fleet, when its baseline was last opened [Unix microseconds].
        """
        past = np.zeros(len(time_us), dtype=np.bool_)
        for i in np.flatnonzero(self.renews_baseline & (self.end_us > opened_us[self.transmitter])):
            past |= (transmitter == self.transmitter[i]) & (time_us >= self.end_us[i])
        return past

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
    """A piece of the stream, as every detector gets it; it never reaches over the close of a day.

    The hours and the day close before the readings that came with them are judged: a baseline that was taken
    from them holds for readings from its own time on and not before (`normal`).

    Attributes:
        readings: sorted by transmitter and time; late, repeated and future ones are already out.
        channel: number of each reading's channel (`channels.channel_codes`).
        rho: reflection coefficient's magnitude per reading, above 1 where reflected is above forward power.
        rho_least: the least that it can be, given what the meter's steps hide; 1 for total reflection.
        usable: per reading, true where it says something about the match.
        working: per reading, true while work is on record for its transmitter.
        trusted: per reading, usable, with no work on record, of a meter that is not suspect.
        normal: what is normal for each reading's transmitter at its time.
        hours: the hours closed with this block, channels apart, sorted by hour and transmitter.
        weather: the weather of each of those rows.
        per_c: per transmitter, change of rho with temperature [1/degree C], as before those hours closed.
        reference_c: per transmitter, the temperature that it counts from [degree C], likewise.
        closed_from_us, closed_to_us: the span of those hours, rows or none in them [Unix microseconds].
        day: the day that closed with this block, if one did.
        base: the fleet's baselines and days.
        maintenance: all work on record.
        link_site: position of the site of each link report.
        link_time_us: time of each link report [Unix microseconds].
        link_online: what each link report says.
        since_us: since when reports can have reached us without a break [Unix microseconds].
        until_us: up to when everything that was sent has been seen [Unix microseconds].
        judged_us: up to when everything had been judged before this piece of the stream came [Unix
            microseconds]; 0 before the first.
    """

    readings: Readings
    channel: IntArray
    rho: FloatArray
    rho_least: FloatArray
    usable: BoolArray
    working: BoolArray
    trusted: BoolArray
    normal: Normal
    hours: Hours
    weather: HourWeather
    per_c: FloatArray
    reference_c: FloatArray
    closed_from_us: int
    closed_to_us: int
    day: Day | None
    base: Baselines
    maintenance: Maintenance
    link_site: IntArray
    link_time_us: IntArray
    link_online: BoolArray
    since_us: int
    until_us: int
    judged_us: int = 0

    def closed_day(self) -> Day:
        """The day that closed with this block; a `ValueError` where none did: ask `day` first."""
        if self.day is None:
            raise ValueError("block: no day closed with it, wanted one")
        return self.day


@dataclass
class Outcome:
    """What a detector makes of a block."""

    findings: list[Finding] = field(default_factory=list)


@dataclass(frozen=True)
class Own:
    """A detector's own records.

    Attributes:
        quick: one per transmitter, kept after every block.
        sites: one per site, kept after every block.
        slow: one per transmitter, kept when hours have closed; large ones belong here.
    """

    quick: State
    sites: State
    slow: State


class Detector(Protocol):
    """One way of finding something."""

    @property
    def name(self) -> str:
        """A short word, unique among the detectors, that prefixes its state."""
        ...

    @property
    def quick_state(self) -> np.dtype[Any]:
        """Record kept per transmitter that readings change."""
        ...

    @property
    def site_state(self) -> np.dtype[Any]:
        """Record kept per site that readings change."""
        ...

    @property
    def slow_state(self) -> np.dtype[Any]:
        """Record kept per transmitter that only closed hours and days change."""
        ...

    def initial(self, own: Own) -> None:
        """Fill records of transmitters and sites that have not been seen yet (they arrive zeroed)."""
        ...

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Judge a block; the records are brought up to date in place."""
        ...
