"""Forecasts made week by week on scenes, held against the day on which the level does cross each limit.

Alarm lines carry a forecast only when something changes, and a change of severity comes with a forecast that
looks grave: what they say is no fair sample. Here every transmitter with a slow fault that is told is asked
once a week.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from proving_ground.faults import SLOW
from proving_ground.physics import DAY_US, START_US, Scene
from proving_ground.product import fleet_of, maintenance_of
from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.forecast import forecast
from standingwatch.detect.history import DAYS, adjusted
from standingwatch.readings import QualityCarry, Readings, qualify
from standingwatch.rf import rho_from_swr

LIMITS = (1.5, 2.0)


@dataclass
class Outlooks:
    """What was forecast: inside the interval, the truth sooner, the truth later, nothing said."""

    results: Counter[tuple[str, str]] = field(default_factory=Counter)

    def coverage(self, kind: str | None = None) -> float:
        """Part of the forecasts with a date whose interval held the true one."""
        rows = {
            r: sum(c for (k, got), c in self.results.items() if got == r and kind in (None, k))
            for r in ("inside", "sooner", "later")
        }
        return rows["inside"] / max(sum(rows.values()), 1)


def outlooks(scene: Scene) -> Outlooks:
    """Weekly forecasts of the scene's slow faults."""
    fleet = fleet_of(scene)
    readings = Readings.from_columns(scene.columns)
    qualified, _ = qualify(readings, fleet, readings.time_us, QualityCarry.empty(len(fleet)), 120.0)
    engine = Engine(fleet, DetectionSettings())
    work, grace = maintenance_of(scene), engine.base.grace_us
    result = Outlooks()
    slow = [(f, m) for f in scene.faults if f.kind in SLOW for m in f.members]
    begin = 0
    for day in range(28, scene.days, 7):
        until = START_US + day * DAY_US + grace
        end = int(np.searchsorted(qualified.time_us, until))
        engine.step(
            qualified.take(slice(begin, end)),
            since_us=int(qualified.time_us[0]),
            until_us=until,
            maintenance=work,
        )
        begin = end
        state = engine.slow["baseline"]
        standing = engine.slow["rising"]["switch"]["severity"] > 0
        for fault, member in slow:
            if not standing[member] or day < fault.onset_day:
                continue
            one = state[member : member + 1]
            limits = (*LIMITS, float(fleet.foldback_swr[member]))
            found = forecast(
                adjusted(one, int(one["last_day"][0]), DAYS),
                one["rho"],
                one["spread"],
                rho_from_swr(np.array([limits])),
            )
            for i, swr in enumerate(limits):
                true = fault.crossings.get((member, swr), np.inf)
                low, high = day + found.low_days[0, i], day + found.high_days[0, i]
                if not np.isfinite(found.mid_days[0, i]) or found.mid_days[0, i] <= 0:
                    result.results[fault.kind, "not dated"] += 1
                elif np.isinf(true) and high > scene.days:
                    # Past the end of the time: cannot be told from inside.
                    result.results[fault.kind, "past the end"] += 1
                elif true < low - 0.5:
                    result.results[fault.kind, "sooner"] += 1
                elif true > high + 0.5:
                    result.results[fault.kind, "later"] += 1
                else:
                    result.results[fault.kind, "inside"] += 1
    return result
