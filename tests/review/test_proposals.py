"""Visits: proposed once, after an alarm has stood long enough, and only for what a crew can mend."""

from __future__ import annotations

from dataclasses import replace

import pytest

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.departure import DepartureSettings
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import SERVICE_CONDITIONS, Cause, Condition, Severity
from standingwatch.review.proposals import STANDING_HOURS, Resource, propose

HOUR_US = 3_600_000_000
RAISED_US = 1_795_000_000_000_000

#: How soon somebody has to be there where no forecast says less and nothing is known of what is lost.
BY_SEVERITY = {
    Severity.WARNING: "with-the-next-visit",
    Severity.MINOR: "within-weeks",
    Severity.MAJOR: "within-days",
    Severity.CRITICAL: "at-once",
}


def alarm(
    severity: Severity,
    condition: Condition = Condition.SWR_RISING,
    *,
    transmitter: str = "rpt-1",
    cleared: bool = False,
    causes: tuple[LikelyCause, ...] = (),
    members: tuple[str, ...] = (),
    region: str = "",
    raised_us: int = RAISED_US,
) -> Alarm:
    key = AlarmKey("" if region else "alder-ridge", transmitter, condition, region)
    return Alarm(key, severity, cleared, raised_us, raised_us, 1, {}, causes, members)


def likely(cause: Cause, confidence: float = 0.7) -> tuple[LikelyCause, ...]:
    return (LikelyCause(cause, confidence, "for a test"),)


LATER_US = RAISED_US + 10_000 * HOUR_US


@pytest.mark.parametrize(
    ("condition", "severity"), [(c, s) for c, hours in STANDING_HOURS.items() for s in hours], ids=str
)
def test_proposed_when_it_has_stood_long_enough(condition: Condition, severity: Severity) -> None:
    proposed: set[Resource] = set()
    due = RAISED_US + round(STANDING_HOURS[condition][severity] * HOUR_US)
    assert propose([alarm(severity, condition)], proposed, due - 1) == []
    assert proposed == set()
    [visit] = propose([alarm(severity, condition)], proposed, due)
    assert (visit.site, visit.transmitter, visit.condition) == ("alder-ridge", "rpt-1", condition)
    # Power that is folded back is coverage that is gone already.
    urgency = "at-once" if condition is Condition.FOLDBACK_ACTIVE else BY_SEVERITY[severity]
    assert (visit.urgency, visit.time_us, visit.likely_cause) == (urgency, due, Cause.UNKNOWN)
    assert proposed == {("alder-ridge", "rpt-1")}


def test_the_policy_is_of_one_piece() -> None:
    assert set(STANDING_HOURS) == set(Condition) - SERVICE_CONDITIONS
    for condition, hours in STANDING_HOURS.items():
        by_gravity = [hours[severity] for severity in sorted(hours)]
        assert by_gravity == sorted(by_gravity, reverse=True), condition
        # Never before a passing burst or power cut would be over, never after a month.
        assert all(6 <= h <= 30 * 24 for h in by_gravity), condition


def test_a_small_step_is_not_driven_to_while_it_may_be_going_back() -> None:
    """Days of rain end as a step that takes four days to be over: a visit waits for more than those."""
    hours = 24 * DepartureSettings().days_to_clear
    assert STANDING_HOURS[Condition.SWR_STEP][Severity.WARNING] > hours
    assert STANDING_HOURS[Condition.SWR_RISING][Severity.WARNING] > hours


@pytest.mark.parametrize(
    ("condition", "severity"),
    [
        (Condition.SWR_HIGH, Severity.WARNING),
        (Condition.SWR_WEATHER, Severity.WARNING),
        (Condition.REPORTS_MISSING, Severity.WARNING),
    ],
)
def test_what_is_not_worth_a_drive_sends_nobody(condition: Condition, severity: Severity) -> None:
    assert propose([alarm(severity, condition)], set(), LATER_US) == []


@pytest.mark.parametrize("cause", [Cause.ICE, Cause.REGIONAL_WEATHER])
@pytest.mark.parametrize("condition", [Condition.SWR_HIGH, Condition.SWR_RISING, Condition.SWR_WEATHER])
def test_weather_that_passes_sends_nobody(cause: Cause, condition: Condition) -> None:
    weather = alarm(Severity.MINOR, condition, causes=likely(cause))
    fortnight = RAISED_US + 14 * 24 * HOUR_US
    assert propose([weather], set(), fortnight) == []
    [visit] = propose([alarm(Severity.MINOR, condition, causes=likely(Cause.WATER))], set(), fortnight)
    assert visit.likely_cause is Cause.WATER
    assert propose([weather], set(), RAISED_US + 90 * 24 * HOUR_US) == []


def test_what_may_be_ice_has_to_stand_for_longer() -> None:
    due = RAISED_US + round(STANDING_HOURS[Condition.SWR_STEP][Severity.MAJOR] * HOUR_US)
    for told, visits in ((True, 1), (False, 0)):
        one = replace(alarm(Severity.MAJOR, Condition.SWR_STEP), values={"temperature_told": told})
        assert len(propose([one], set(), due)) == visits
        assert len(propose([one], set(), LATER_US)) == 1


def test_what_came_from_one_reading_to_the_next_is_no_ice_and_waits_for_less() -> None:
    one = alarm(Severity.CRITICAL, Condition.SWR_STEP)
    waits = []
    for at_once in (True, False):
        mine = replace(one, values={"temperature_told": False, "came_at_once": at_once})
        hours = [h for h in range(0, 1000, 8) if propose([mine], set(), RAISED_US + h * HOUR_US)]
        waits.append(hours[0])
    assert waits[0] < 5 * 24
    assert waits[1] >= 14 * 24


def test_bursts_that_may_be_ice_wait_for_three_weeks() -> None:
    waits = []
    for at_once in (True, False):
        values = {"temperature_told": False, "came_at_once": at_once}
        mine = replace(alarm(Severity.MINOR, Condition.SWR_INTERMITTENT), values=values)
        waits.append(next(d for d in range(60) if propose([mine], set(), RAISED_US + d * 24 * HOUR_US)))
    assert waits == [3, 21]


def test_an_improvement_by_a_count_that_may_be_ice_waits_for_three_weeks() -> None:
    waits = []
    for severity, told in ((Severity.WARNING, True), (Severity.WARNING, False), (Severity.MINOR, False)):
        values = {"temperature_told": told}
        mine = replace(alarm(severity, Condition.FEEDER_LOSS_RISING), values=values)
        waits.append(next(d for d in range(60) if propose([mine], set(), RAISED_US + d * 24 * HOUR_US)))
    assert waits == [10, 21, 14]


def test_a_region_sends_nobody() -> None:
    about = alarm(Severity.MAJOR, transmitter="", region="north", members=("alder-ridge/rpt-1",))
    assert propose([about], set(), LATER_US) == []


def test_one_trouble_is_one_visit_named_by_what_says_most() -> None:
    proposed: set[Resource] = set()
    surest = alarm(Severity.MINOR, Condition.SWR_RISING, causes=likely(Cause.CONNECTOR, 0.7))
    gravest = alarm(Severity.CRITICAL, Condition.SWR_HIGH, causes=likely(Cause.UNKNOWN, 0.3))
    [visit] = propose([gravest, surest], proposed, LATER_US)
    assert (visit.condition, visit.likely_cause) == (Condition.SWR_RISING, Cause.CONNECTOR)
    assert visit.urgency == "at-once"
    assert (
        propose([gravest, surest, alarm(Severity.MINOR, Condition.FORWARD_POWER_LOW)], proposed, LATER_US)
        == []
    )


def test_what_says_most_may_be_younger_than_what_is_due() -> None:
    due_us = RAISED_US + 72 * HOUR_US
    due = alarm(Severity.MINOR, Condition.SWR_HIGH, causes=likely(Cause.UNKNOWN, 0.3))
    young = alarm(Severity.MINOR, causes=likely(Cause.WATER), raised_us=due_us - HOUR_US)
    assert propose([young], set(), due_us) == []
    [visit] = propose([due, young], set(), due_us)
    assert (visit.condition, visit.likely_cause) == (Condition.SWR_RISING, Cause.WATER)


def test_a_visit_for_a_group_covers_its_members() -> None:
    members = ("alder-ridge/rpt-1", "alder-ridge/rpt-2")
    group = alarm(Severity.MAJOR, transmitter="", members=members)
    alone = alarm(Severity.MAJOR, Condition.SWR_HIGH)
    other = alarm(Severity.MAJOR, Condition.SWR_HIGH, transmitter="rpt-3")
    proposed: set[Resource] = set()
    visits = propose([alone, other, group], proposed, LATER_US)
    assert [(v.transmitter, v.members) for v in visits] == [("", members), ("rpt-3", ())]
    assert propose([alone, other, group], proposed, LATER_US) == []


def test_proposed_once_until_it_has_ended() -> None:
    proposed: set[Resource] = set()
    later = RAISED_US + 48 * HOUR_US
    assert len(propose([alarm(Severity.MINOR)], proposed, later)) == 1
    assert propose([alarm(Severity.MINOR)], proposed, later + HOUR_US) == []
    assert propose([alarm(Severity.CRITICAL)], proposed, later + HOUR_US) == []
    assert propose([alarm(Severity.MINOR, cleared=True)], proposed, later + 2 * HOUR_US) == []
    assert proposed == set()
    assert len(propose([alarm(Severity.MINOR)], proposed, later + 3 * HOUR_US)) == 1


def test_an_ended_alarm_sends_nobody() -> None:
    assert propose([alarm(Severity.CRITICAL, cleared=True)], set(), RAISED_US + 100 * HOUR_US) == []


def test_the_most_likely_cause_comes_first() -> None:
    causes = (LikelyCause(Cause.WATER, 0.6, "wet"), LikelyCause(Cause.ICE, 0.2, "cold"))
    [visit] = propose([alarm(Severity.MAJOR, causes=causes)], set(), RAISED_US + 12 * HOUR_US)
    assert visit.likely_cause is Cause.WATER


def test_a_visit_for_a_group_names_its_members() -> None:
    members = ("alder-ridge/rpt-1", "alder-ridge/rpt-2")
    [visit] = propose(
        [alarm(Severity.MAJOR, transmitter="", members=members)], set(), RAISED_US + 12 * HOUR_US
    )
    assert (visit.transmitter, visit.members) == ("", members)
    [alone] = propose([alarm(Severity.MAJOR)], set(), RAISED_US + 12 * HOUR_US)
    assert alone.members == ()


def test_order_does_not_depend_on_the_order_of_the_alarms() -> None:
    alarms = [alarm(Severity.CRITICAL, Condition.SWR_HIGH, transmitter=name) for name in ("c", "a", "b")]
    visits = propose(alarms, set(), LATER_US)
    assert [v.transmitter for v in visits] == ["a", "b", "c"]


def test_what_was_ice_waits_while_another_alarm_of_the_transmitter_is_put_down_to_ice() -> None:
    ice, damage = likely(Cause.ICE), likely(Cause.ANTENNA_DAMAGE)
    outlived = replace(
        alarm(Severity.MAJOR, Condition.SWR_STEP, causes=damage), values={"not_ice_since_us": RAISED_US}
    )
    iced = alarm(Severity.CRITICAL, Condition.SWR_HIGH, causes=ice)
    assert propose([outlived, iced], set(), LATER_US) == []
    # Ice on another transmitter says nothing about this one, nor does ice that has gone.
    elsewhere = alarm(Severity.CRITICAL, Condition.SWR_HIGH, causes=ice, transmitter="rpt-2")
    gone = alarm(Severity.CRITICAL, Condition.SWR_HIGH, causes=ice, cleared=True)
    assert [v.condition for v in propose([outlived, elsewhere, gone], set(), LATER_US)] == [
        Condition.SWR_STEP
    ]
    # What never was put down to ice does not wait.
    never = replace(outlived, values={"not_ice_since_us": None})
    assert len(propose([never, iced], set(), LATER_US)) == 1


@pytest.mark.parametrize(("severity", "days"), [("WARNING", 21), ("MINOR", 21), ("MAJOR", 0.5)])
def test_what_was_ice_and_is_small_waits_for_the_next_ice_to_show_it(severity: str, days: float) -> None:
    outlived = replace(
        alarm(Severity[severity], causes=likely(Cause.CONNECTOR)), values={"not_ice_since_us": RAISED_US}
    )
    wait_us = int(days * 24 * HOUR_US)
    assert propose([outlived], set(), RAISED_US + wait_us - 1) == []
    assert len(propose([outlived], set(), RAISED_US + wait_us)) == 1
