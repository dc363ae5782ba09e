"""`measurement-suspect`: readings that cannot be are told apart from those of a coarse or idle meter."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.detect.history import BASELINE_STATE, initial
from standingwatch.detect.measurement import _always_seen
from standingwatch.detect.words import Cause, Condition, Severity

SUSPECT = Condition.MEASUREMENT_SUSPECT


def from_day(begin: float, before: Any, after: Any, end: float = np.inf) -> Any:
    return lambda day, _: np.where((day >= begin) & (day < end), after, before)


def check(told: Any, begin: float, word: str) -> None:
    """Told within three days, as a coupler, and nothing about the antenna."""
    severity, day = told.course(SUSPECT)[0]
    assert severity is Severity.MINOR
    assert begin < day < begin + 3.2
    assert set(told.leading(SUSPECT)) == {Cause.COUPLER}
    assert word in str(told.of(SUSPECT)[0].evidence["why"])
    assert word in told.of(SUSPECT)[0].causes[0].because


def test_reflected_far_above_forward(line: Any, tell: Any) -> None:
    told = tell(line(), from_day(20.2, 0.1, 1.3), 30)
    check(told, 20.2, "above forward")
    assert told.conditions() == {SUSPECT}


def test_nothing_reflected_where_something_was(line: Any, tell: Any) -> None:
    told = tell(line(), from_day(20.2, 0.15, 0.0), 40, noise=0.0)
    check(told, 20.2, "nothing reflected")
    assert told.conditions() == {SUSPECT}


def test_values_that_never_move(line: Any, tell: Any, stream_of: Any, judge: Any) -> None:
    good = tell(line(expected_interval_s=600), 0.15, 26, every_s=600).readings
    day = (good.time_us - good.time_us[0]) / 86_400e6
    forward_w = np.where(day < 20.2, good.forward_w, 95.1)
    reflected_w = np.where(day < 20.2, good.reflected_w, 2.12)
    fleet = line(expected_interval_s=600)
    readings = stream_of(fleet, 0, good.time_us, forward_w, reflected_w)
    findings, _, _ = judge(fleet, readings)
    (found,) = findings
    assert (found.condition, found.causes[0].cause) == (SUSPECT, Cause.COUPLER)
    # Stuck is said of a reading after a day of them.
    assert 21 < (found.time_us - good.time_us[0]) / 86_400e6 < 24.5
    assert "never move" in str(found.evidence["why"])


def test_a_meter_that_always_stood_still_is_how_it_is(line: Any, judge: Any, stream_of: Any) -> None:
    fleet = line(expected_interval_s=600)
    time_us = 1_767_225_600_000_000 + np.arange(30 * 144) * 600_000_000
    findings, _, _ = judge(fleet, stream_of(fleet, 0, time_us, 95.0, 1.0))
    assert findings == []


def test_a_ratio_that_jumps(line: Any, tell: Any) -> None:
    rng = np.random.default_rng(1)

    def rho(day: Any, _: int) -> Any:
        return np.where(day < 20.2, 0.12, rng.uniform(0.05, 0.5, len(day)))

    told = tell(line(expected_interval_s=900), rho, 30, every_s=900)
    check(told, 20.2, "jumps")
    # Once it is suspect, its readings say nothing about a loose connection.
    assert told.of(Condition.SWR_INTERMITTENT) == []


def test_it_clears_and_what_came_before_is_not_learned_from(line: Any, tell: Any) -> None:
    told = tell(line(), from_day(20.2, 0.15, 1.3, 25.4), 40)
    course = told.course(SUSPECT)
    assert [severity for severity, _ in course] == [Severity.MINOR, Severity.CLEARED]
    assert 25.4 < course[1][1] < 30
    assert told.conditions() == {SUSPECT}


@pytest.mark.parametrize("seed", range(2))
def test_a_healthy_meter_is_quiet(line: Any, tell: Any, seed: int) -> None:
    assert tell(line(), 0.15, 50, seed=seed).findings == []


@pytest.mark.parametrize("forward_w", [8.0, 20.0, 50.0])
def test_a_coarse_meter_is_quiet(line: Any, tell: Any, forward_w: float) -> None:
    told = tell(line(rated_power_w=50), 0.12, 40, step_w=1.0, forward_w=forward_w)
    assert told.findings == []


def test_a_match_too_good_to_show_is_no_dead_meter(line: Any, tell: Any) -> None:
    assert tell(line(), from_day(20, 0.02, 0.0), 40, noise=0.0005, step_w=0.1).of(SUSPECT) == []


def test_an_idle_transmitter_is_no_dead_meter(line: Any, tell: Any) -> None:
    told = tell(line(), 0.15, 40, forward_w=from_day(20, 95.0, 0.0))
    assert told.findings == []


def test_total_reflection_is_the_antenna_and_not_the_meter(line: Any, tell: Any) -> None:
    told = tell(line(), from_day(20.2, 0.15, 1.03), 25, noise=0.0)
    assert told.of(SUSPECT) == []
    assert told.of(Condition.SWR_HIGH)[0].severity is Severity.CRITICAL


def test_what_is_not_a_number_counts_for_nothing(line: Any, tell: Any) -> None:
    assert tell(line(), from_day(20, 0.15, np.nan), 30).of(SUSPECT) == []


def test_a_coarse_meter_that_stands_still_at_reduced_power_is_not_stuck(
    line: Any, stream_of: Any, judge: Any
) -> None:
    """At 50 W steps of 0.5 W show the amplifier's flutter, at 12.5 W they hide it."""
    fleet = line(expected_interval_s=600, rated_power_w=50)
    time_us = 1_767_225_600_000_000 + np.arange(30 * 144) * 600_000_000
    day = (time_us - time_us[0]) / 86_400e6
    power_w = np.where((day > 20) & (day < 25.5), 12.5, 50.0)
    flutter = 1 + np.random.default_rng(3).normal(0, 0.005, len(day))
    forward_w = np.round(power_w * flutter / 0.5) * 0.5
    findings, _, _ = judge(fleet, stream_of(fleet, 0, time_us, forward_w, 0.0))
    assert [f for f in findings if f.condition is SUSPECT] == []
    # Standing still at full power, it is.
    findings, _, _ = judge(fleet, stream_of(fleet, 0, time_us, np.where(day > 20, 50.0, forward_w), 0.0))
    assert [f.severity for f in findings if f.condition is SUSPECT] == [Severity.MINOR]


@pytest.mark.parametrize(
    ("rho", "spread", "seen"), [(0.15, 0.004, True), (0.15, 0.06, False), (0.0127, 0.003, True)]
)
def test_nothing_reflected_is_told_only_where_every_day_showed_something(
    rho: float, spread: float, seen: bool
) -> None:
    """The last: a good match on a fine meter, whose spread is the least that is taken."""
    state = np.zeros(1, dtype=BASELINE_STATE)
    initial(state)
    state["rho"], state["spread"] = rho, spread
    state["forward_w"], state["step_w"] = (50.0, 0.1) if rho > 0.1 else (126.0, 0.01)
    assert _always_seen(state, 0.003).tolist() == [seen]
