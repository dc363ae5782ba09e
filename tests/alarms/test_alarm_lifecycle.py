"""Every transition of the lifecycle, and what any sequence of them has to keep."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, ChangeKind, Evidence, apply, apply_all
from standingwatch.detect.words import Condition, Severity

KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
RAISABLE = (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL)


def alarm(severity: Severity, *, cleared: bool, changes: int = 4) -> Alarm:
    return Alarm(KEY, severity, cleared, 100, 200, changes, {"swr": 1.9}, ())


def evidence(severity: Severity, time_us: int = 300) -> Evidence:
    return Evidence(KEY, severity, time_us, {"swr": 2.5})


@pytest.mark.parametrize("severity", RAISABLE)
@pytest.mark.parametrize("before", [None, *RAISABLE])
def test_raised_when_there_was_none_or_it_was_cleared(before: Severity | None, severity: Severity) -> None:
    old = None if before is None else alarm(before, cleared=True)
    change = apply(old, evidence(severity), 400)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.RAISED, Severity.CLEARED, severity)
    assert (change.time_us, change.noted_us) == (300, 400)
    assert not change.alarm.is_cleared
    assert (change.alarm.raised_us, change.alarm.changed_us) == (300, 300)
    # Raised again it keeps its history: the count goes on.
    assert change.alarm.changes == (1 if old is None else 5)


@pytest.mark.parametrize("severity", RAISABLE)
@pytest.mark.parametrize("before", RAISABLE)
def test_standing_changes_with_its_severity_only(before: Severity, severity: Severity) -> None:
    change = apply(alarm(before, cleared=False), evidence(severity), 400)
    if before == severity:
        assert change is None
        return
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.CHANGED, before, severity)
    assert (change.alarm.raised_us, change.alarm.changed_us, change.alarm.changes) == (100, 300, 5)
    assert change.alarm.severity == severity


@pytest.mark.parametrize("before", RAISABLE)
def test_cleared_keeps_the_last_severity(before: Severity) -> None:
    change = apply(alarm(before, cleared=False), evidence(Severity.CLEARED), 400)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.CLEARED, before, Severity.CLEARED)
    assert change.alarm.is_cleared
    assert change.alarm.severity == before


@pytest.mark.parametrize("old", [None, alarm(Severity.MAJOR, cleared=True)])
def test_what_does_not_stand_cannot_be_cleared(old: Alarm | None) -> None:
    assert apply(old, evidence(Severity.CLEARED), 400) is None


@given(st.lists(st.sampled_from([Severity.CLEARED, *RAISABLE])))
def test_any_sequence_is_numbered_without_a_gap_and_alternates(severities: list[Severity]) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    changes: list[Change] = apply_all(alarms, [evidence(s, 1000 + i) for i, s in enumerate(severities)], 9999)
    assert [c.alarm.changes for c in changes] == list(range(1, len(changes) + 1))
    standing = False
    for change in changes:
        assert (change.kind is ChangeKind.RAISED) == (not standing)
        standing = change.kind is not ChangeKind.CLEARED
    for before, after in pairwise(changes):
        assert after.previous == before.severity
    if changes:
        assert alarms[KEY] == changes[-1].alarm
    assert standing == (bool(severities) and severities[-1] is not Severity.CLEARED)
