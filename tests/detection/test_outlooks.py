"""Weekly forecasts on simulated sites: the interval holds the day on which the level does cross the limit.

What the forecast's constants were found on are seeds 100 to 109 of larger scenes; these are others. Many
weeks and limits share a fault, of which there are about thirty: hence the wide bounds. Faults of shared
antenna systems are left out, as all their transmitters share one course besides.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from proving_ground.outlooks import Outlooks, outlooks
from proving_ground.physics import make_scene
from shared import made_once

from standingwatch.detect.forecast import Forecasts, Says

SEEDS = (300, 301)
KINDS = ("connector", "water")


@pytest.fixture(scope="module", params=["ordinary", "hard"])
def told(request: pytest.FixtureRequest, run_folder: Path) -> Outlooks:
    name = f"outlooks of {request.param} scenes"
    return made_once(run_folder, name, lambda: all_outlooks(request.param))


def all_outlooks(difficulty: str) -> Outlooks:
    result = Outlooks()
    for seed in SEEDS:
        scene = make_scene(seed, difficulty, transmitters=24, days=110, faulty=0.6, kinds=KINDS)
        assert {f.kind for f in scene.faults} - {"ice"} == set(KINDS)
        result.results.update(outlooks(scene).results)
    return result


def test_the_interval_holds_the_true_date(told: Outlooks) -> None:
    assert told.count("low end") >= 60
    assert told.count("high end") >= 30
    assert 0.6 <= told.coverage() <= 0.95


def test_what_is_said_to_be_reached_is(told: Outlooks) -> None:
    assert told.count("reached") >= 20
    assert told.count("reached in truth") >= 0.85 * told.count("reached")


def test_most_slow_faults_that_are_told_get_a_date(told: Outlooks) -> None:
    answered = told.count("said") + told.count("reached")
    assert answered >= 0.8 * (answered + told.count("not dated"))


def said(low: float, mid: float, high: float, says: Says = Says.EXPECTED) -> Forecasts:
    return Forecasts(
        *(np.array([[days]]) for days in (low, mid, high)), np.array([[int(says)]]), np.zeros(1), np.zeros(1)
    )


@pytest.mark.parametrize(
    ("true_days", "days_to_end", "results"),
    [
        (20.0, 50.0, {"said", "low end", "high end"}),
        (5.0, 50.0, {"said", "low end", "sooner", "high end"}),
        (-3.0, 50.0, {"said", "low end", "sooner", "high end"}),
        (45.0, 50.0, {"said", "low end", "high end", "later"}),
        (np.inf, 50.0, {"said", "low end", "high end", "later"}),
        # An end beyond the scene's is not judged, whether the date came before it or not.
        (20.0, 25.0, {"said", "low end"}),
        (np.inf, 25.0, {"said", "low end"}),
        (5.0, 9.0, {"said"}),
        (np.inf, 9.0, {"said"}),
    ],
)
def test_each_end_is_judged_within_the_scene(true_days: float, days_to_end: float, results: set[str]) -> None:
    told = Outlooks()
    told.add("water", said(10.0, 20.0, 40.0), 0, true_days, days_to_end)
    assert {r for (kind, r), n in told.results.items() if n} == results
    assert told.count("said", "connector") == 0


def test_what_may_have_been_reached_before_is_held_by_an_interval_from_now() -> None:
    told = Outlooks()
    told.add("water", said(0.0, 2.0, 9.0), 0, -8.0, 50.0)
    assert told.coverage() == 1.0
    told.add("water", said(1.0, 2.0, 9.0), 0, -8.0, 50.0)
    assert told.coverage() == 0.5


def test_reached_and_not_dated_are_counted_apart() -> None:
    told = Outlooks()
    told.add("water", said(0.0, 0.0, 0.0, Says.REACHED), 0, -1.0, 50.0)
    told.add("water", said(0.0, 0.0, 0.0, Says.REACHED), 0, 6.0, 50.0)
    told.add("water", said(np.nan, np.nan, np.nan, Says.NO_TREND), 0, 6.0, 50.0)
    assert (told.count("reached"), told.count("reached in truth"), told.count("not dated")) == (2, 1, 1)
    assert told.count("low end") == told.count("high end") == 0
