"""Fleets from inventory text, streams of readings, and an engine fed with them in blocks."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.engine import DetectionSettings, Engine, StepResult
from standingwatch.detect.interface import BaselineChange, Detector, Finding
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify

#: 2026-01-01T00:00:00Z, the begin of every course.
START_US = 1_767_225_600_000_000
DAY_US = 86_400_000_000
#: Standard deviation of rho from reading to reading; from day to day it is half of that.
NOISE_RHO = 0.004


@pytest.fixture(scope="session")
def fleet_of() -> Callable[[str], Fleet]:
    """The fleet of an inventory's text."""

    def build(text: str) -> Fleet:
        inventory = read_inventory_text(text, "fleet.csv")
        assert inventory.errors == ()
        rows = inventory.rows
        return build_fleet(rows, np.arange(len(rows)) + 1, FleetDefaults())

    return build


@pytest.fixture(scope="session")
def stream_of() -> Callable[..., Readings]:
    """Qualified readings from columns, in order of time; further columns of `Readings` by keyword."""

    def make(
        fleet: Fleet, transmitter: Any, time_us: Any, forward_w: Any, reflected_w: Any, **more: Any
    ) -> Readings:
        time_us = np.asarray(time_us, dtype=np.int64)
        rows = len(time_us)
        columns = {
            "transmitter": np.broadcast_to(np.asarray(transmitter, dtype=np.int64), rows),
            "time_us": time_us,
            "forward_w": np.broadcast_to(np.asarray(forward_w, dtype=np.float64), rows),
            "reflected_w": np.broadcast_to(np.asarray(reflected_w, dtype=np.float64), rows),
        }
        columns |= {name: np.broadcast_to(np.asarray(values), rows) for name, values in more.items()}
        readings = Readings.from_columns(columns).sorted_by_time()
        return qualify(readings, fleet, readings.time_us, QualityCarry.empty(len(fleet)), 120.0)[0]

    return make


@pytest.fixture(scope="session")
def judge() -> Callable[..., tuple[list[Finding], Engine, list[StepResult]]]:
    """Feed an engine of its own, or one given, with a stream; what it found, itself, and its steps."""

    def run(
        fleet: Fleet,
        readings: Readings,
        *,
        cuts: Sequence[int] = (),
        until_us: int | None = None,
        since_us: int | None = None,
        detectors: Sequence[Detector] | None = None,
        settings: DetectionSettings | None = None,
        **more: Any,
    ) -> tuple[list[Finding], Engine, list[StepResult]]:
        engine = Engine(fleet, settings or DetectionSettings(), detectors)
        findings: list[Finding] = []
        steps = []
        edges = [0, *cuts, len(readings)]
        for begin, end in itertools.pairwise(edges):
            block = readings.take(slice(begin, end))
            last = end == len(readings)
            until = until_us if last and until_us is not None else int(readings.time_us[end - 1])
            if not last and readings.time_us[end] == readings.time_us[end - 1]:
                # More of this time is to come.
                until -= 1
            since = since_us if since_us is not None else int(readings.time_us[0])
            steps.append(engine.step(block, since_us=since, until_us=until, **more))
            findings += steps[-1].findings
        return findings, engine, steps

    return run


@dataclass(frozen=True)
class Told:
    """What an engine made of a course.

    Attributes:
        findings: all findings.
        baselines: all changes of baselines.
        engine: the engine at the end.
        readings: the course as readings.
    """

    findings: list[Finding]
    baselines: list[BaselineChange]
    engine: Engine
    readings: Readings

    @staticmethod
    def day(item: Finding | BaselineChange) -> float:
        """When, in days from the begin."""
        return (item.time_us - START_US) / DAY_US

    def of(self, condition: Condition, transmitter: int | None = None) -> list[Finding]:
        """Findings of a condition, of one transmitter (or group) if it is given."""
        mine = [f for f in self.findings if f.condition is condition]
        return mine if transmitter is None else [f for f in mine if f.transmitter == transmitter]

    def course(self, condition: Condition, transmitter: int | None = None) -> list[tuple[Severity, float]]:
        """Severities and days of a condition."""
        return [(f.severity, self.day(f)) for f in self.of(condition, transmitter)]

    def leading(self, condition: Condition, transmitter: int | None = None) -> list[Cause]:
        """The leading causes of a condition's findings that are not its end."""
        mine = self.of(condition, transmitter)
        return [f.causes[0].cause for f in mine if f.severity is not Severity.CLEARED]

    def conditions(self) -> set[Condition]:
        """All conditions that were told."""
        return {f.condition for f in self.findings}

    def state(self, transmitter: int = 0) -> Any:
        """The record of a transmitter's baseline and days."""
        return self.engine.slow["baseline"][transmitter]


@pytest.fixture(scope="session")
def tell(stream_of: Callable[..., Readings], judge: Any) -> Callable[..., Told]:
    """What is told of a course of rho at the transmitter, a function of the day, over so many days.

    `rho` and `forward_w` are functions of (day, transmitter) or numbers; the noise of readings and days
    comes on top. `columns` are further columns of readings, likewise. Readings come every `every_s` until
    the last day has closed.
    """

    def run(
        fleet: Fleet,
        rho: Any,
        days: int,
        *,
        seed: int = 3,
        every_s: float = 1800.0,
        noise: float = NOISE_RHO,
        forward_w: Any = 95.0,
        step_w: float = 0.01,
        columns: Mapping[str, Any] | None = None,
        away: Callable[[Any, int], Any] | None = None,
        **more: Any,
    ) -> Told:
        rng = np.random.default_rng(seed)
        per_day = round(86_400 / every_s)
        time_us = START_US + np.arange(days * per_day + max(per_day // 24, 1)) * round(every_s * 1e6)
        day = (time_us - START_US) / DAY_US

        def at(value: Any, owner: int) -> Any:
            return np.broadcast_to(np.asarray(value(day, owner) if callable(value) else value), len(day))

        parts: dict[str, list[Any]] = {}
        for owner in range(len(fleet)):
            daily = rng.normal(0, noise / 2, days + 1)[np.floor(day).astype(int)]
            level = np.abs(at(rho, owner) + daily + rng.normal(0, noise, len(day)))
            forward = np.round(at(forward_w, owner) * (1 + rng.normal(0, 0.01, len(day))), 1)
            part = {
                "transmitter": np.full(len(day), owner),
                "time_us": time_us,
                "forward_w": forward,
                "reflected_w": np.round(forward * level**2 / step_w) * step_w,
                **{name: at(value, owner) for name, value in (columns or {}).items()},
            }
            kept = np.ones(len(day), dtype=bool) if away is None else ~away(day, owner)
            for name, values in part.items():
                parts.setdefault(name, []).append(values[kept])
        joined = {name: np.concatenate(values) for name, values in parts.items()}
        readings = stream_of(fleet, *(joined.pop(n) for n in list(joined)[:4]), **joined)
        more.setdefault("until_us", int(time_us[-1]))
        findings, engine, steps = judge(fleet, readings, **more)
        return Told(findings, [b for s in steps for b in s.baselines], engine, readings)

    return run


@pytest.fixture(scope="session")
def line(fleet_of: Callable[[str], Fleet]) -> Callable[..., Fleet]:
    """A fleet of one transmitter; members of its inventory row by keyword."""

    def build(**members: Any) -> Fleet:
        row = {"frequency_mhz": 446, "rated_power_w": 100, "expected_interval_s": 1800, **members}
        head = ",".join(row)
        return fleet_of(f"site,transmitter,{head}\namber,main,{','.join(str(v) for v in row.values())}\n")

    return build
