"""The watch's core: a stream of readings in, findings, closed hours and baselines out.

Pure: the same stream gives the same findings in whatever pieces it comes, so live and replay share it. All
state lies in two structured arrays, a record per transmitter and one per site, and in the readings of
the hours that are still open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from standingwatch.detect.departure import Departure, DepartureSettings
from standingwatch.detect.interface import (
    BaselineChange,
    Block,
    Detector,
    Finding,
    Maintenance,
    State,
)
from standingwatch.detect.limits import Limits, LimitSettings
from standingwatch.detect.rollup import HOUR_US, Hours, hour_of, roll_up
from standingwatch.detect.silence import Silence, SilenceSettings
from standingwatch.readings.columns import Readings
from standingwatch.readings.flags import Flag
from standingwatch.readings.fleet import BoolArray, Fleet, IntArray


@dataclass(frozen=True)
class DetectionSettings:
    """The settings of all detectors."""

    limits: LimitSettings = field(default_factory=LimitSettings)
    departure: DepartureSettings = field(default_factory=DepartureSettings)
    silence: SilenceSettings = field(default_factory=SilenceSettings)
    hour_grace_s: float = 600.0


def all_detectors(settings: DetectionSettings) -> tuple[Detector, ...]:
    """Every detector there is: the one list that a new one joins."""
    return (Limits(settings.limits), Departure(settings.departure), Silence(settings.silence))


@dataclass(frozen=True)
class Links:
    """Link reports as columns: site position, time [Unix microseconds], online."""

    site: IntArray
    time_us: IntArray
    online: BoolArray

    @classmethod
    def none(cls) -> Links:
        """No link report."""
        empty = np.empty(0, dtype=np.int64)
        return cls(empty, empty, np.empty(0, dtype=np.bool_))


@dataclass
class StepResult:
    """What a step found; findings are in order of time."""

    findings: list[Finding] = field(default_factory=list)
    hours: Hours = field(default_factory=Hours.empty)
    baselines: list[BaselineChange] = field(default_factory=list)
    touched_transmitters: IntArray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    touched_sites: IntArray = field(default_factory=lambda: np.empty(0, dtype=np.int64))


class Engine:
    """Detectors over a fleet, with their state.

    Attributes:
        transmitters: a record per transmitter: `newest_us` and, prefixed by its name, each detector's fields.
        sites: a record per site, likewise.
        closed_until_us: hours before this are closed [Unix microseconds]; 0 before the first reading.
        pending: readings of hours that are still open.
    """

    def __init__(
        self, fleet: Fleet, settings: DetectionSettings, detectors: Sequence[Detector] | None = None
    ) -> None:
        self.fleet = fleet
        self.settings = settings
        self.detectors = tuple(detectors) if detectors is not None else all_detectors(settings)
        self.transmitters: State = np.zeros(len(fleet), dtype=self._layout("transmitter_state"))
        self.sites: State = np.zeros(len(fleet.site_names), dtype=self._layout("site_state"))
        for detector in self.detectors:
            detector.initial(self.transmitters[detector.name], self.sites[detector.name])
        self.closed_until_us = 0
        self.pending = Readings.empty()

    def _layout(self, kind: str) -> np.dtype[Any]:
        fields: list[tuple[str, Any]] = [("newest_us", np.int64)]
        fields += [(d.name, getattr(d, kind)) for d in self.detectors]
        return np.dtype(fields)

    def step(
        self,
        readings: Readings,
        *,
        since_us: int,
        until_us: int,
        links: Links | None = None,
        maintenance: Maintenance | None = None,
    ) -> StepResult:
        """Take the next piece of the stream in.

        Args:
            readings: the piece, qualified, in any order.
            since_us: since when reports can have reached us without a break [Unix microseconds].
            until_us: everything sent up to here has been seen [Unix microseconds]; never falls.
            links: link reports of the same piece.
            maintenance: all work on record.
        """
        links = links if links is not None else Links.none()
        maintenance = maintenance if maintenance is not None else Maintenance.none()
        fresh = self._fresh(readings)
        hours, closed_from, closed_to = self._close_hours(readings, until_us)
        block = Block(
            readings=fresh,
            working=maintenance.covers(fresh.transmitter, fresh.time_us),
            hours=hours,
            closed_from_us=closed_from,
            closed_to_us=closed_to,
            maintenance=maintenance,
            link_site=links.site,
            link_time_us=links.time_us,
            link_online=links.online,
            since_us=since_us,
            until_us=until_us,
        )
        before_transmitters, before_sites = self.transmitters.copy(), self.sites.copy()
        newest = self.transmitters["newest_us"]
        np.maximum.at(newest, fresh.transmitter, fresh.time_us)
        result = StepResult(hours=hours)
        for detector in self.detectors:
            outcome = detector.step(
                block, self.fleet, self.transmitters[detector.name], self.sites[detector.name]
            )
            result.findings += outcome.findings
            result.baselines += outcome.baselines
        result.findings.sort(key=lambda f: (f.time_us, f.site, f.transmitter, f.condition))
        result.touched_transmitters = _changed(before_transmitters, self.transmitters)
        result.touched_sites = _changed(before_sites, self.sites)
        return result

    def _fresh(self, readings: Readings) -> Readings:
        """Sorted by transmitter and time, without what is late, repeated or from the future."""
        out = int(Flag.LATE | Flag.FUTURE)
        kept = readings.take((readings.flags & out) == 0).sorted_by_transmitter()
        if len(kept) == 0:
            return kept
        after = kept.time_us > self.transmitters["newest_us"][kept.transmitter]
        after[1:] &= (kept.time_us[1:] != kept.time_us[:-1]) | (kept.transmitter[1:] != kept.transmitter[:-1])
        return kept if after.all() else kept.take(after)

    def _close_hours(self, readings: Readings, until_us: int) -> tuple[Hours, int, int]:
        """Roll up the hours that are over; what comes late, but before its hour is closed, counts."""
        arrived = readings.take((readings.flags & int(Flag.FUTURE)) == 0)
        closed_to = until_us - int(self.settings.hour_grace_s * 1e6)
        closed_to -= closed_to % HOUR_US
        if self.closed_until_us == 0:
            if len(arrived) == 0:
                return Hours.empty(), 0, 0
            self.closed_until_us = int(hour_of(arrived.time_us).min())
        closed_from, closed_to = self.closed_until_us, max(closed_to, self.closed_until_us)
        arrived = arrived.take(arrived.time_us >= closed_from)
        waiting = Readings.concatenate([self.pending, arrived]) if len(self.pending) else arrived
        if closed_to == closed_from:
            self.pending = waiting
            return Hours.empty(), closed_from, closed_to
        done = waiting.time_us < closed_to
        self.pending = waiting.take(~done)
        self.closed_until_us = closed_to
        return roll_up(in_order(waiting.take(done))), closed_from, closed_to


def in_order(readings: Readings) -> Readings:
    """Sorted by transmitter and time, once each, and no longer held to be late."""
    ordered = readings.sorted_by_transmitter()
    if len(ordered) == 0:
        return ordered
    first = np.ones(len(ordered), dtype=np.bool_)
    first[1:] = (ordered.time_us[1:] != ordered.time_us[:-1]) | (
        ordered.transmitter[1:] != ordered.transmitter[:-1]
    )
    return replace(ordered, flags=ordered.flags & ~int(Flag.LATE)).take(first)


def _changed(before: State, after: State) -> IntArray:
    """Positions of the records whose bytes differ."""
    if len(before) == 0:
        return np.empty(0, dtype=np.int64)
    old = before.view(np.uint8).reshape(len(before), -1)
    new = after.view(np.uint8).reshape(len(after), -1)
    return np.flatnonzero((old != new).any(axis=1))
