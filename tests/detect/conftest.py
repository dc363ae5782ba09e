"""Fleets from inventory text, streams of readings, and an engine fed with them in blocks."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.engine import DetectionSettings, Engine, StepResult
from standingwatch.detect.interface import Detector, Finding
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet, QualityCarry, Readings, qualify


@pytest.fixture
def fleet_of() -> Callable[[str], Fleet]:
    """The fleet of an inventory's text."""

    def build(text: str) -> Fleet:
        inventory = read_inventory_text(text, "fleet.csv")
        assert inventory.errors == ()
        rows = inventory.rows
        return build_fleet(rows, np.arange(len(rows)) + 1, FleetDefaults())

    return build


@pytest.fixture
def stream_of() -> Callable[..., Readings]:
    """Qualified readings from columns, in order of time."""

    def make(fleet: Fleet, transmitter: Any, time_us: Any, forward_w: Any, reflected_w: Any) -> Readings:
        time_us = np.asarray(time_us, dtype=np.int64)
        rows = len(time_us)
        readings = Readings.from_columns(
            {
                "transmitter": np.broadcast_to(np.asarray(transmitter, dtype=np.int64), rows),
                "time_us": time_us,
                "forward_w": np.broadcast_to(np.asarray(forward_w, dtype=np.float64), rows),
                "reflected_w": np.broadcast_to(np.asarray(reflected_w, dtype=np.float64), rows),
            }
        ).sorted_by_time()
        return qualify(readings, fleet, readings.time_us, QualityCarry.empty(len(fleet)), 120.0)[0]

    return make


@pytest.fixture
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
            since = since_us if since_us is not None else int(readings.time_us[0])
            steps.append(engine.step(block, since_us=since, until_us=until, **more))
            findings += steps[-1].findings
        return findings, engine, steps

    return run
