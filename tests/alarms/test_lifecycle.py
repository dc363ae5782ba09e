"""The alarm lifecycle: every transition there is, and sequences of any length."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, ChangeKind, Evidence, apply, apply_all
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity

KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
OTHER_KEY = AlarmKey("alder-ridge", "", Condition.SITE_UNREACHABLE)
WATER = (LikelyCause(Cause.WATER, 0.6, "wetter days read worse"),)
ICE = (LikelyCause(Cause.ICE, 0.5, "it freezes"),)
NOTED = 9_000
BAD = [s for s in Severity if s is not Severity.CLEARED]


PAIR = ("alder-ridge/rpt-1", "alder-ridge/rpt-2")
SOON = (LimitForecast("foldback", 2.5, "expected", 600, 700, 900),)
LATER = (LimitForecast("foldback", 2.5, "expected", 1600, 1700, None),)


def evidence(
    severity: Severity,
    time_us: int = 500,
    causes: tuple[LikelyCause, ...] = ICE,
    members: tuple[str, ...] = (),
    forecast: tuple[LimitForecast, ...] = (),
) -> Evidence:
    return Evidence(KEY, severity, time_us, {"swr": 4.5}, causes, members, forecast)


def alarm(
    severity: Severity,
    *,
    cleared: bool,
    members: tuple[str, ...] = (),
    forecast: tuple[LimitForecast, ...] = (),
) -> Alarm:
    return Alarm(KEY, severity, cleared, 100, 200, 7, {"swr": 3.1}, WATER, members, forecast)


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
@pytest.mark.parametrize("causes", [WATER, (LikelyCause(Cause.WATER, 0.3, "less sure"), *ICE), ()])
@pytest.mark.parametrize("members", [(), PAIR])
def test_the_same_severity_cause_and_members_change_nothing(
    severity: Severity, causes: tuple[LikelyCause, ...], members: tuple[str, ...]
) -> None:
    standing = alarm(severity, cleared=False, members=members, forecast=SOON)
    # Other values, a less sure cause and a later date alone are nothing to tell of.
    again = evidence(severity, causes=causes, members=members, forecast=LATER)
    assert apply(standing, again, NOTED) is None


@pytest.mark.parametrize("severity", BAD)
def test_another_leading_cause_changes_a_standing_alarm(severity: Severity) -> None:
    before = alarm(severity, cleared=False, members=PAIR, forecast=SOON)
    change = apply(before, evidence(severity, causes=ICE + WATER, members=PAIR, forecast=LATER), NOTED)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.CHANGED, severity, severity)
    assert change.before == before
    assert change.alarm == Alarm(KEY, severity, False, 100, 500, 8, {"swr": 4.5}, ICE + WATER, PAIR, LATER)


def test_a_first_cause_changes_a_standing_alarm() -> None:
    before = Alarm(KEY, Severity.MINOR, False, 100, 200, 7, {}, ())
    change = apply(before, evidence(Severity.MINOR, causes=ICE), NOTED)
    assert change is not None
    assert (change.kind, change.alarm.causes) == (ChangeKind.CHANGED, ICE)


@pytest.mark.parametrize("severity", BAD)
@pytest.mark.parametrize(("old", "new"), [((), PAIR), (PAIR, PAIR[:1]), (PAIR[:1], PAIR), (PAIR, ())])
def test_other_members_change_a_standing_alarm(
    severity: Severity, old: tuple[str, ...], new: tuple[str, ...]
) -> None:
    before = alarm(severity, cleared=False, members=old, forecast=SOON)
    change = apply(before, evidence(severity, causes=(), members=new), NOTED)
    assert change is not None
    assert (change.kind, change.previous, change.severity) == (ChangeKind.CHANGED, severity, severity)
    # The causes stay where the evidence has none; a trend that is not there any more has no forecast.
    assert change.alarm == Alarm(KEY, severity, False, 100, 500, 8, {"swr": 4.5}, WATER, new, ())


def test_another_severity_replaces_members_and_forecast() -> None:
    before = alarm(Severity.MINOR, cleared=False, members=PAIR, forecast=SOON)
    change = apply(before, evidence(Severity.MAJOR, members=PAIR[:1], forecast=LATER), NOTED)
    assert change is not None
    assert (change.alarm.members, change.alarm.forecast) == (PAIR[:1], LATER)


def test_what_is_raised_has_members_and_forecast_of_its_evidence() -> None:
    for before in (None, alarm(Severity.MINOR, cleared=True, members=PAIR)):
        change = apply(before, evidence(Severity.MAJOR, members=PAIR[:1], forecast=SOON), NOTED)
        assert change is not None
        assert (change.kind, change.before) == (ChangeKind.RAISED, before)
        assert (change.alarm.members, change.alarm.forecast) == (PAIR[:1], SOON)


def test_what_is_cleared_keeps_its_members_and_has_no_forecast() -> None:
    before = alarm(Severity.MINOR, cleared=False, members=PAIR, forecast=SOON)
    change = apply(before, evidence(Severity.CLEARED), NOTED)
    assert change is not None
    assert (change.alarm.members, change.alarm.forecast) == (PAIR, ())


def test_a_region_is_another_alarm_and_sorts_with_the_others() -> None:
    north, south = (AlarmKey("", "", Condition.SWR_WEATHER, region) for region in ("north", "south"))
    alarms: dict[AlarmKey, Alarm] = {}
    pieces = [Evidence(key, Severity.MINOR, 1) for key in (north, south, KEY)]
    assert len(apply_all(alarms, pieces, NOTED)) == 3
    assert sorted(alarms) == [north, south, KEY]


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
