"""The alarm lifecycle: every transition there is, and sequences of any length."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, ChangeKind, Evidence, apply, apply_all
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity

KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
OTHER_KEY = AlarmKey("alder-ridge", "", Condition.SITE_UNREACHABLE)
WATER = (LikelyCause(Cause.WATER, 0.6, "wetter days read worse"),)
ICE = (LikelyCause(Cause.ICE, 0.5, "it freezes"),)
NOTED = 9_000
BAD = [s for s in Severity if s is not Severity.CLEARED]


def evidence(severity: Severity, time_us: int = 500, causes: tuple[LikelyCause, ...] = ICE) -> Evidence:
    return Evidence(KEY, severity, time_us, {"swr": 4.5}, causes)


def alarm(severity: Severity, *, cleared: bool) -> Alarm:
    return Alarm(KEY, severity, cleared, 100, 200, 7, {"swr": 3.1}, WATER)


# Every transition ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("severity", BAD)
def test_what_never_was_is_raised(severity: Severity) -> None:
    change = apply(None, evidence(severity), NOTED)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (
        ChangeKind.RAISED,
        Severity.CLEARED,
        severity,
    )
    assert (change.time_us, change.noted_us) == (500, NOTED)
    assert change.alarm == Alarm(KEY, severity, False, 500, 500, 1, {"swr": 4.5}, ICE)


def test_what_never_was_cannot_be_cleared() -> None:
    assert apply(None, evidence(Severity.CLEARED), NOTED) is None


@pytest.mark.parametrize("severity", BAD)
def test_the_same_severity_changes_nothing(severity: Severity) -> None:
    assert apply(alarm(severity, cleared=False), evidence(severity), NOTED) is None


@pytest.mark.parametrize("before", BAD)
@pytest.mark.parametrize("after", BAD)
def test_another_severity_changes_a_standing_alarm(before: Severity, after: Severity) -> None:
    if before is after:
        return  # the test above
    change = apply(alarm(before, cleared=False), evidence(after), NOTED)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.CHANGED, before, after)
    assert change.alarm == Alarm(KEY, after, False, 100, 500, 8, {"swr": 4.5}, ICE)


def test_likely_causes_stay_when_a_change_has_none() -> None:
    change = apply(alarm(Severity.MINOR, cleared=False), evidence(Severity.MAJOR, causes=()), NOTED)
    assert change is not None
    assert change.alarm.causes == WATER


@pytest.mark.parametrize("severity", BAD)
def test_a_standing_alarm_is_cleared_and_keeps_what_it_was(severity: Severity) -> None:
    change = apply(alarm(severity, cleared=False), evidence(Severity.CLEARED), NOTED)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (
        ChangeKind.CLEARED,
        severity,
        Severity.CLEARED,
    )
    assert change.alarm == Alarm(KEY, severity, True, 100, 500, 8, {"swr": 4.5}, WATER)


@pytest.mark.parametrize("severity", BAD)
def test_what_is_cleared_cannot_be_cleared_again(severity: Severity) -> None:
    assert apply(alarm(severity, cleared=True), evidence(Severity.CLEARED), NOTED) is None


@pytest.mark.parametrize("before", BAD)
@pytest.mark.parametrize("after", BAD)
def test_what_comes_back_is_raised_again_and_counts_on(before: Severity, after: Severity) -> None:
    change = apply(alarm(before, cleared=True), evidence(after), NOTED)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.RAISED, Severity.CLEARED, after)
    assert change.alarm == Alarm(KEY, after, False, 500, 500, 8, {"swr": 4.5}, ICE)


def test_the_alarm_before_is_not_touched() -> None:
    before = alarm(Severity.MINOR, cleared=False)
    apply(before, evidence(Severity.MAJOR), NOTED)
    assert before == alarm(Severity.MINOR, cleared=False)


def test_an_alarm_keeps_its_own_copy_of_the_values() -> None:
    values = {"swr": math.inf}
    change = apply(None, Evidence(KEY, Severity.MAJOR, 1, values), NOTED)
    values["swr"] = 1.0
    assert change is not None
    assert change.alarm.values == {"swr": math.inf}


# Sequences ----------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.sampled_from([KEY, OTHER_KEY]), st.sampled_from(Severity)), max_size=40))
def test_sequences_count_without_gap_and_alternate(steps: list[tuple[AlarmKey, Severity]]) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    pieces = [Evidence(key, severity, i) for i, (key, severity) in enumerate(steps)]
    changes = apply_all(alarms, pieces, NOTED)
    for key in (KEY, OTHER_KEY):
        own = [c for c in changes if c.alarm.key == key]
        assert [c.alarm.changes for c in own] == list(range(1, len(own) + 1))
        severity = Severity.CLEARED
        for change in own:
            assert change.previous is severity
            assert change.severity is not severity
            expected = ChangeKind.CHANGED
            if severity is Severity.CLEARED:
                expected = ChangeKind.RAISED
            elif change.severity is Severity.CLEARED:
                expected = ChangeKind.CLEARED
            assert change.kind is expected
            severity = change.severity
        said = [s for k, s in steps if k == key]
        assert severity is (said[-1] if said else Severity.CLEARED)
        if own:
            assert alarms[key] == own[-1].alarm
        else:
            assert key not in alarms
