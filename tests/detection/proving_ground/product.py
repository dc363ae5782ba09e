"""The product on a scene: its own replay, as a user's history would go through it."""

from __future__ import annotations

import io
import json
from typing import Any

import numpy as np

from proving_ground.fleet import inventory_text
from proving_ground.physics import DAY_US, START_US, Scene
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.interface import Maintenance
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.readings import Fleet, Readings
from standingwatch.watch.replay import Replay


def fleet_of(scene: Scene) -> Fleet:
    """The fleet as the product reads it from an inventory."""
    inventory = read_inventory_text(inventory_text(scene.ground), "inventory.csv")
    assert not inventory.errors, inventory.errors
    return build_fleet(inventory.rows, np.arange(len(inventory.rows)), FleetDefaults())


def maintenance_of(scene: Scene) -> Maintenance:
    """Work on record."""

    def moments(place: int) -> Any:
        return np.array([START_US + int(w[place] * DAY_US) for w in scene.work], dtype=np.int64)

    return Maintenance(
        np.array([w[0] for w in scene.work], dtype=np.int64),
        moments(1),
        moments(2),
        np.array([w[3] in ("visit", "retune") for w in scene.work], dtype=np.bool_),
    )


def replay(
    scene: Scene, settings: DetectionSettings | None = None, slice_rows: int = 1_000_000
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], dict[str, Any]]:
    """Lines of alarms.jsonl and visits.jsonl, and the summary."""
    alarms, visits = io.StringIO(), io.StringIO()
    fleet = fleet_of(scene)
    run = Replay(fleet, settings or DetectionSettings(), maintenance_of(scene), 120.0, alarms, visits)
    readings = Readings.from_columns(scene.columns)
    for begin in range(0, len(readings), slice_rows):
        run.feed(readings.take(slice(begin, begin + slice_rows)))
    summary = run.finish().as_data(fleet)
    return (
        [json.loads(line) for line in alarms.getvalue().splitlines()],
        [json.loads(line) for line in visits.getvalue().splitlines()],
        summary,
    )
