"""`feeder-loss-rising`: an improvement that nobody made is a finding; a steady or worse match is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.feeder import FeederLoss
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.rf import rho_at_transmitter

START_US = 1_767_225_600_000_000
DAY_US = 86_400_000_000
FEEDER = Condition.FEEDER_LOSS_RISING


def takes_up_water(db: float, begin: float = 20, length: float = 40) -> Callable[[Any, int], Any]:
    """An antenna of 1.9:1 behind 1 dB of feeder, to which so much loss is added."""
    return lambda day, _: rho_at_transmitter(0.31, 1.0 + db * np.clip((day - begin) / length, 0, 1))


@pytest.mark.parametrize(("added_db", "least"), [(1.2, Severity.WARNING), (3.0, Severity.MINOR)])
def test_water_in_the_feeder_is_found(line: Any, tell: Any, added_db: float, least: Severity) -> None:
    told = tell(line(feeder_loss_db=1.0), takes_up_water(added_db), 75)
    course = told.course(FEEDER)
    assert 20 < course[0][1] < 70
    assert course[-1][0] >= least
    assert told.leading(FEEDER)[0] is Cause.FEEDER_LOSS
    assert told.conditions() == {FEEDER}
    told_db = told.of(FEEDER)[0].evidence["added_feeder_loss_db"]
    assert 0 < told_db < added_db + 0.3


def test_the_added_loss_is_measured(line: Any, tell: Any) -> None:
    # The severity turns to minor late in the course, and with it the evidence is told anew.
    told = tell(line(feeder_loss_db=1.0), takes_up_water(3.0, length=20), 70)
    last = told.of(FEEDER)[-1]
    added = 3.0 * np.clip((told.day(last) - 1.5 - 20) / 20, 0, 1)
    assert last.evidence["added_feeder_loss_db"] == pytest.approx(added, abs=0.4)


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_line_is_quiet(line: Any, tell: Any, seed: int) -> None:
    assert tell(line(feeder_loss_db=1.0), 0.25, 75, seed=seed).findings == []


def test_what_dries_after_a_provisional_baseline_was_taken_in_the_wet_is_none(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: np.where(day < 1.5, 0.25, 0.1), 30)
    assert {b.kind for b in told.baselines} == {"provisional", "full"}
    assert told.of(FEEDER) == []


def frost(begin: float, end: float) -> dict[str, Any]:
    return {
        "ambient_temperature_c": lambda day, _: np.where((day > begin) & (day < end), -4.0, 6.0),
        "precipitation": lambda day, _: np.where((day > begin) & (day < begin + 0.5), 1.0, 0.0),
    }


def test_what_was_told_in_frost_is_put_down_to_ice_until_it_thaws(line: Any, tell: Any) -> None:
    """Since when it is not any more is told with it: a visit counts from then."""
    told = tell(line(feeder_loss_db=1.0), takes_up_water(4.0, 25, 2), 60, columns=frost(30.0, 40.0))
    causes = told.leading(FEEDER)
    raised = told.day(told.of(FEEDER)[0])
    assert 30 < raised < 40
    assert causes[0] is Cause.ICE
    thawed = next(f for f in told.of(FEEDER) if f.causes[0].cause is Cause.FEEDER_LOSS)
    assert 40 < told.day(thawed) < 43
    assert thawed.evidence["not_ice_since_us"] == thawed.time_us


def test_frost_later_on_does_not_explain_what_stood_before(line: Any, tell: Any) -> None:
    told = tell(line(feeder_loss_db=1.0), takes_up_water(4.0, 20, 2), 60, columns=frost(45.0, 50.0))
    assert set(told.leading(FEEDER)) == {Cause.FEEDER_LOSS}
    assert "not_ice_since_us" not in told.of(FEEDER)[-1].evidence


def test_a_worse_match_is_none(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: 0.15 + 0.003 * np.clip(day - 20, 0, None), 60)
    assert told.of(FEEDER) == []
    assert told.of(Condition.SWR_RISING) != []


def test_an_improvement_by_a_visit_is_none(line: Any, tell: Any) -> None:
    end_us = START_US + round(30.5 * DAY_US)
    visit = Maintenance(
        np.array([0]), np.array([end_us - DAY_US // 12]), np.array([end_us]), np.array([True])
    )

    def rho(day: Any, _: int) -> Any:
        return np.where(day < 30.45, 0.25, 0.12)

    assert tell(line(), rho, 60, maintenance=visit).findings == []
    assert [f.severity for f in tell(line(), rho, 60).of(FEEDER)] == [Severity.MINOR]


def test_a_feeder_that_dries_clears(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        return rho_at_transmitter(0.31, 1.0 + np.interp(day, [20, 40, 50, 60], [0, 2.5, 2.5, 0]))

    course = tell(line(), rho, 80).course(FEEDER)
    assert course[0][0] > Severity.CLEARED
    assert course[-1][0] is Severity.CLEARED
    assert 50 < course[-1][1] < 75


def test_nothing_reflected_at_all_is_a_matter_of_the_meter(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: np.where(day < 25, 0.25, 0.0), 45, noise=0.0)
    assert told.of(FEEDER) == []
    assert told.of(Condition.MEASUREMENT_SUSPECT) != []
    alone = tell(
        line(), lambda day, _: np.where(day < 25, 0.25, 0.0), 45, noise=0.0, detectors=[FeederLoss()]
    )
    assert alone.findings == []


def falls(rho: float, to: float, length: float = 20.0) -> Callable[[Any, int], Any]:
    return lambda day, _: np.interp(day, [20, 20 + length], [rho, to])


def test_one_count_of_a_coarse_meter_less_is_a_warning_and_no_more(line: Any, tell: Any) -> None:
    """Watts at 95 W: 2 W before, 1 W after, which may be 3 dB or next to nothing."""
    one = tell(line(), falls(0.145, 0.1), 70, noise=0.001, step_w=1.0)
    assert [f.severity for f in one.of(FEEDER)] == [Severity.WARNING]
    assert one.of(FEEDER)[0].evidence["change_db"] > 2.8
    two = tell(line(), falls(0.177, 0.1), 70, noise=0.001, step_w=1.0)
    assert two.of(FEEDER)[-1].severity is Severity.MINOR


def test_one_count_less_is_believed_only_if_every_day_shows_it(line: Any, tell: Any) -> None:
    """A level that the season carries over the edge between two counts, and a few days back again."""

    def rho(day: Any, _: int) -> Any:
        return np.where((day < 30) | ((day > 30) & (np.floor(day) % 8 == 0)), 0.134, 0.12)

    assert tell(line(), rho, 70, noise=0.001, step_w=1.0).of(FEEDER) == []


def test_what_falls_from_one_count_to_nothing_is_told(line: Any, tell: Any) -> None:
    """By at least half of a step; a dead detector would show the same."""
    told = tell(line(), falls(0.1, 0.04), 60, step_w=1.0)
    assert told.conditions() == {FEEDER}
    (finding,) = told.of(FEEDER)
    assert finding.severity is Severity.WARNING
    assert [c.cause for c in finding.causes] == [Cause.FEEDER_LOSS, Cause.COUPLER]
    assert 2.5 < finding.evidence["change_db"] < 3.5
    assert finding.evidence["return_loss_db"] == pytest.approx(22.8, abs=0.2)


def test_less_than_one_count_of_the_meter_tells_nothing(line: Any, tell: Any) -> None:
    """Between nothing and one count by noise, then nothing."""
    assert tell(line(), falls(0.075, 0.02), 60, step_w=1.0).of(FEEDER) == []


def test_power_that_is_lowered_at_night_does_not_hide_it(line: Any, tell: Any) -> None:
    """At 20 W a count of the meter is worth all that is reflected; the day's level is made at 95 W."""
    told = tell(
        line(),
        falls(0.2, 0.15),
        60,
        step_w=1.0,
        forward_w=lambda day, _: np.where(day % 1 > 0.85, 20.0, 95.0),
    )
    assert told.of(FEEDER) != []


def test_what_is_not_a_number_is_no_improvement(line: Any, tell: Any) -> None:
    assert tell(line(), lambda day, _: np.where(day < 25, 0.25, np.nan), 45).of(FEEDER) == []
