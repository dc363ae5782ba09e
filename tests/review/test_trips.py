"""Visits that follow from alarms, hour by hour: one a site, what joins it, what ends, what comes again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.proposals import Resource
from standingwatch.review.trips import ENDED_BY_ITSELF, advance_visits
from standingwatch.review.visits import Visit, VisitState, VisitStep, step

HOUR_US = 3_600_000_000
Stands = Callable[..., Alarm]


class Desk:
    """Visits and alarms over time, as the store would keep them."""

    def __init__(self, now_us: int) -> None:
        self.now_us = now_us
        self.proposed: set[Resource] = set()
        self.visits: dict[int, Visit] = {}
        self.told: list[str] = []

    def hour(self, *alarms: Alarm, hours: float = 1.0) -> list[Visit]:
        """An hour (or some) later, with these alarms: the visits that are new or changed."""
        self.now_us += round(hours * HOUR_US)
        changes = advance_visits(list(self.visits.values()), alarms, self.proposed, self.now_us)
        result = []
        for change in changes:
            kept = replace(change.visit, number=change.visit.number or len(self.visits) + 1)
            self.visits[kept.number] = kept
            self.told.append(change.text)
            result.append(kept)
        return result

    def do(self, number: int, *steps: VisitStep) -> None:
        for what in steps:
            self.now_us += HOUR_US
            self.visits[number] = step(self.visits[number], what, self.now_us)


@pytest.fixture
def desk(now_us: int) -> Desk:
    return Desk(now_us)


def test_a_site_gets_one_visit_for_all_that_one_trip_can_do(desk: Desk, stands: Stands) -> None:
    alarms = [
        stands(
            *("alder/a", Condition.SWR_HIGH, Severity.MAJOR, 30, Cause.ANTENNA_DAMAGE),
            values={"swr": 2.31, "limit_swr": 2.0, "forward_w": 98.0, "reflected_w": 15.4},
        ),
        stands("alder/b", Condition.SWR_RISING, Severity.WARNING, 130),
        stands("alder/c", Condition.SWR_RISING, Severity.WARNING, 5),
        stands("birch/a", Condition.SWR_STEP, Severity.MINOR, 50),
        stands("cedar/a", Condition.SWR_RISING, Severity.WARNING, 5),
    ]
    alder, birch = desk.hour(*alarms)
    assert (alder.site, alder.urgency, alder.state) == ("alder", "within-days", VisitState.PROPOSED)
    assert [(t.transmitter, t.calls, t.urgency) for t in alder.troubles] == [
        ("a", True, "within-days"),
        ("b", True, "with-the-next-visit"),
        ("c", False, "with-the-next-visit"),
    ]
    assert alder.troubles[0].likely_cause is Cause.ANTENNA_DAMAGE
    assert alder.troubles[0].alarms[0].text == (
        "SWR 2.31:1 at the transmitter (limit 2.00:1), 98.0 W forward, 15.40 W reflected."
    )
    assert birch.urgency == "within-weeks"
    # Nothing new an hour later, and so nothing to keep.
    assert desk.hour(*alarms) == []


def test_a_group_is_one_trouble_with_its_members(desk: Desk, stands: Stands) -> None:
    group = stands(
        *("alder", Condition.SWR_RISING, Severity.MINOR, 30, Cause.SHARED_ANTENNA_SYSTEM),
        members=("alder/a", "alder/b"),
    )
    member = stands("alder/a", Condition.SWR_HIGH, Severity.MINOR, 80)
    (visit,) = desk.hour(group, member)
    assert [(t.transmitter, t.members) for t in visit.troubles] == [("", ("a", "b"))]
    assert visit.resources == {("alder", ""), ("alder", "a"), ("alder", "b")}


def test_weather_and_ice_are_no_part_of_a_trip(desk: Desk, stands: Stands) -> None:
    due = stands("alder/a", Condition.SWR_STEP, Severity.MINOR, 50)
    ice = stands("alder/b", Condition.SWR_HIGH, Severity.MAJOR, 50, Cause.ICE)
    (visit,) = desk.hour(due, ice)
    assert [t.transmitter for t in visit.troubles] == ["a"]


def test_what_comes_later_joins_a_planned_visit_and_raises_its_urgency(desk: Desk, stands: Stands) -> None:
    first = stands("alder/a", Condition.SWR_RISING, Severity.WARNING, 130)
    desk.hour(first)
    desk.do(1, VisitStep.PLAN)
    second = stands("alder/b", Condition.SWR_HIGH, Severity.CRITICAL, 9, Cause.ANTENNA_DAMAGE)
    (after,) = desk.hour(first, second)
    assert (after.number, after.state, after.urgency) == (1, VisitState.PLANNED, "at-once")
    assert [t.transmitter for t in after.troubles] == ["b", "a"]
    assert desk.told[-1] == "joined by b: swr-high"
    worse = stands("alder/a", Condition.SWR_RISING, Severity.MAJOR, 140)
    (after,) = desk.hour(worse, second)
    assert [t.urgency for t in after.troubles] == ["at-once", "within-days"]
    assert desk.told[-1] == "a: now within-days"


def test_a_proposal_outlives_its_alarm_by_a_day_and_is_dropped(desk: Desk, stands: Stands) -> None:
    alarm = stands("alder/a", Condition.SWR_STEP, Severity.MINOR, 50)
    desk.hour(alarm)
    (ended,) = desk.hour()
    assert (ended.state, ended.stands) == (VisitState.PROPOSED, False)
    assert ended.troubles[0].ended_us == desk.now_us
    assert desk.told[-1] == "a: no alarm stands any more"
    assert desk.hour(hours=22) == []
    (dropped,) = desk.hour(hours=2)
    assert dropped.state is VisitState.DROPPED
    assert desk.told[-1] == ENDED_BY_ITSELF
    assert desk.hour() == []


def test_an_alarm_that_comes_back_within_the_day_is_the_same_trouble(desk: Desk, stands: Stands) -> None:
    alarm = stands("alder/a", Condition.SWR_STEP, Severity.MINOR, 50)
    desk.hour(alarm)
    desk.hour()
    (again,) = desk.hour(replace(alarm, raised_us=desk.now_us))
    assert (again.number, again.stands, len(desk.visits)) == (1, True, 1)
    assert desk.told[-1] == "a: in alarm again"


def test_a_planned_visit_is_never_dropped_by_itself(desk: Desk, stands: Stands) -> None:
    desk.hour(stands("alder/a", Condition.SWR_STEP, Severity.MINOR, 50))
    desk.do(1, VisitStep.PLAN)
    desk.hour()
    assert desk.hour(hours=500) == []
    assert desk.visits[1].state is VisitState.PLANNED


def test_a_dropped_visit_is_proposed_again_only_when_it_got_graver(desk: Desk, stands: Stands) -> None:
    alarm = stands("alder/a", Condition.SWR_HIGH, Severity.MINOR, 80)
    desk.hour(alarm)
    desk.do(1, VisitStep.DROP)
    assert desk.hour(alarm, hours=300) == []
    (again,) = desk.hour(replace(alarm, severity=Severity.MAJOR))
    assert (again.number, again.state, again.urgency) == (2, VisitState.PROPOSED, "within-days")
    desk.do(2, VisitStep.DROP)
    # The last word counts, not that of the first that was dropped.
    assert desk.hour(replace(alarm, severity=Severity.MAJOR), hours=300) == []


def test_while_a_visit_waits_for_proof_its_trouble_is_not_proposed_again(desk: Desk, stands: Stands) -> None:
    alarm = stands("alder/a", Condition.SWR_HIGH, Severity.MINOR, 80)
    desk.hour(alarm)
    desk.do(1, VisitStep.BEGIN, VisitStep.FINISH)
    assert desk.hour(alarm, hours=300) == []
    desk.do(1, VisitStep.REFUTE)
    (again,) = desk.hour(alarm)
    assert (again.number, again.state) == (2, VisitState.PROPOSED)
    desk.do(2, VisitStep.DROP)
    assert desk.hour(alarm, hours=300) == []


def test_a_visit_that_is_done_takes_note_when_its_alarm_ends(desk: Desk, stands: Stands) -> None:
    alarm = stands("alder/a", Condition.SWR_HIGH, Severity.MINOR, 80)
    desk.hour(alarm)
    desk.do(1, VisitStep.BEGIN, VisitStep.FINISH)
    (after,) = desk.hour()
    assert (after.state, after.stands) == (VisitState.DONE, False)
    assert after.troubles[0].causes == alarm.causes
    assert desk.told[-1] == "a: no alarm stands any more"
    # What comes again is another trouble for another trip.
    (again,) = desk.hour(alarm)
    assert (again.number, desk.visits[1].stands) == (2, False)


def test_what_is_new_at_a_site_whose_visit_is_done_is_another_visit(desk: Desk, stands: Stands) -> None:
    first = stands("alder/a", Condition.SWR_HIGH, Severity.MINOR, 80)
    desk.hour(first)
    desk.do(1, VisitStep.BEGIN, VisitStep.FINISH)
    second = stands("alder/b", Condition.SWR_STEP, Severity.MINOR, 50)
    (visit,) = desk.hour(first, second)
    assert visit.number == 2
    assert [(t.transmitter, t.calls) for t in visit.troubles] == [("b", True), ("a", False)]


def test_the_same_answer_when_it_begins_anew_from_what_was_kept(desk: Desk, stands: Stands) -> None:
    alarms = [stands("alder/a", Condition.SWR_HIGH, Severity.MAJOR, 30)]
    desk.hour(*alarms)
    restarted = Desk(desk.now_us)
    restarted.proposed, restarted.visits = set(desk.proposed), dict(desk.visits)
    assert restarted.hour(*alarms) == []
