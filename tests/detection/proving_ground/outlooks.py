"""Forecasts made week by week on scenes, held against the day on which the level does cross each limit.

Alarm lines carry a forecast only when something changes, and a change of severity comes with a forecast that
looks grave: what they say is no fair sample. Here every transmitter with a slow fault that is told is asked
once a week.

A scene ends before all dates have come. Only those that came would count if every forecast were judged whose
date is known: those that came early. So each end of an interval is judged by itself, and only where it lies
within the scene, whatever the truth is: whether the date came before the low end is known by that day.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from proving_ground.faults import SLOW
from proving_ground.physics import DAY_US, START_US, Scene
from proving_ground.product import fleet_of, maintenance_of
from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.forecast import Forecasts, Says, forecast
from standingwatch.detect.history import DAYS, adjusted
from standingwatch.readings import QualityCarry, Readings, qualify
from standingwatch.rf import rho_from_swr

LIMITS = (1.5, 2.0)

#: The truth is known to the day: a date at noon of that day is off by up to half of one.
KNOWN_TO_DAYS = 0.5


@dataclass
class Outlooks:
    """What was forecast, counted by kind of fault and what became of it.

    Attributes:
        results: "said" (a date, by forecasts still to come true); "low end", "sooner" (ends that can be
            judged, and those before which the limit was reached); "high end", "later"; "reached", "reached in
            truth" (said to be, and rightly); "not dated".
    """

    results: Counter[tuple[str, str]] = field(default_factory=Counter)

    def count(self, result: str, kind: str | None = None) -> int:
        """How often that was the result, for one kind of fault or all."""
        return sum(n for (k, r), n in self.results.items() if r == result and kind in (None, k))

    def sooner(self, kind: str | None = None) -> float:
        """Part of the low ends before which the limit was reached; meant to be 0.1."""
        return self.count("sooner", kind) / max(self.count("low end", kind), 1)

    def later(self, kind: str | None = None) -> float:
        """Part of the high ends by which the limit was not reached; meant to be 0.1."""
        return self.count("later", kind) / max(self.count("high end", kind), 1)

    def coverage(self, kind: str | None = None) -> float:
        """Part of the forecasts with a date whose interval holds the true one; meant to be 0.8."""
        return 1.0 - self.sooner(kind) - self.later(kind)

    def add(self, kind: str, found: Forecasts, limit: int, true_days: float, days_to_end: float) -> None:
        """Judge the forecast of one limit.

        Args:
            kind: of the fault.
            found: forecasts of one transmitter.
            limit: which of them.
            true_days: days from the forecast until the limit is reached; 0 or less where it has been before,
                infinite where it is not within the scene.
            days_to_end: days from the forecast until the scene ends.
        """
        says = int(found.says[0, limit])
        low, high = float(found.low_days[0, limit]), float(found.high_days[0, limit])
        tell = self.results
        if says == Says.REACHED:
            tell[kind, "reached"] += 1
            tell[kind, "reached in truth"] += true_days <= KNOWN_TO_DAYS
            return
        if says not in (Says.EXPECTED, Says.TOO_FAR):
            tell[kind, "not dated"] += 1
            return
        tell[kind, "said"] += 1
        # What was reached before now is 0 days away: the forecast does not say since when.
        true_days = max(true_days, 0.0)
        if low <= days_to_end:
            tell[kind, "low end"] += 1
            tell[kind, "sooner"] += true_days < low - KNOWN_TO_DAYS
        if high <= days_to_end:
            tell[kind, "high end"] += 1
            tell[kind, "later"] += true_days > high + KNOWN_TO_DAYS


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
                result.add(fault.kind, found, i, true - day, scene.days - day)
    return result
