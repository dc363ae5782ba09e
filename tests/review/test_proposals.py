"""Visits: proposed once, after an alarm has stood long enough, and only for what a crew can mend."""

from __future__ import annotations

import pytest

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.proposals import propose

HOUR_US = 3_600_000_000
RAISED_US = 1_795_000_000_000_000


def alarm(
    severity: Severity,
    condition: Condition = Condition.SWR_RISING,
    *,
    transmitter: str = "rpt-1",
    cleared: bool = False,
    causes: tuple[LikelyCause, ...] = (),
    members: tuple[str, ...] = (),
) -> Alarm:
    key = AlarmKey("alder-ridge", transmitter, condition)
    return Alarm(key, severity, cleared, RAISED_US, RAISED_US, 1, {}, causes, members)


@pytest.mark.parametrize(
    ("severity", "hours", "urgency"),
    [
        (Severity.MINOR, 24, "within-weeks"),
        (Severity.MAJOR, 12, "within-days"),
        (Severity.CRITICAL, 6, "at-once"),
    ],
)
@pytest.mark.parametrize("condition", [Condition.SWR_HIGH, Condition.SWR_RISING])
def test_proposed_when_it_has_stood_long_enough(
    severity: Severity, hours: int, urgency: str, condition: Condition
) -> None:
    proposed: set[AlarmKey] = set()
    due = RAISED_US + hours * HOUR_US
    assert propose([alarm(severity, condition)], proposed, due - 1) == []
    [visit] = propose([alarm(severity, condition)], proposed, due)
    assert (visit.site, visit.transmitter, visit.condition) == ("alder-ridge", "rpt-1", condition)
    assert (visit.urgency, visit.time_us, visit.likely_cause) == (urgency, due, Cause.UNKNOWN)


def test_a_warning_sends_nobody() -> None:
    assert propose([alarm(Severity.WARNING)], set(), RAISED_US + 10_000 * HOUR_US) == []


@pytest.mark.parametrize("condition", set(Condition) - {Condition.SWR_HIGH, Condition.SWR_RISING})
def test_what_a_crew_at_the_line_cannot_mend_sends_nobody(condition: Condition) -> None:
    assert propose([alarm(Severity.CRITICAL, condition)], set(), RAISED_US + 1000 * HOUR_US) == []


def test_proposed_once_until_it_has_ended() -> None:
    proposed: set[AlarmKey] = set()
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
    alarms = [alarm(Severity.CRITICAL, transmitter=name) for name in ("c", "a", "b")]
    visits = propose(alarms, set(), RAISED_US + 6 * HOUR_US)
    assert [v.transmitter for v in visits] == ["a", "b", "c"]
