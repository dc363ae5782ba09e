"""What people do with alarms: every transition there is, the forbidden ones, and sequences of any length."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.handling import (
    AUTOMATIC,
    BY_HAND,
    LONGEST_NAME,
    LONGEST_TEXT,
    UNTOUCHED,
    Act,
    ActError,
    Handling,
    HandlingChange,
    OperatorState,
    act,
    after_change,
    put_on_shelf,
    take_off_shelf,
)
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, ChangeKind, Evidence, apply
from standingwatch.detect.words import Condition, Severity

WORDS = Path(__file__).parents[2] / "fixtures/checkvalues/rfc8632_severity_and_operator_state.csv"
KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
NONE, ACK, CLOSED = OperatorState.NONE, OperatorState.ACK, OperatorState.CLOSED
SHELVED, UN_SHELVED = OperatorState.SHELVED, OperatorState.UN_SHELVED
OFF_SHELF = (NONE, ACK, CLOSED, UN_SHELVED)
BAD = [s for s in Severity if s is not Severity.CLEARED]


def alarm(*, cleared: bool, severity: Severity = Severity.MAJOR) -> Alarm:
    return Alarm(KEY, severity, cleared, 100, 200, 7, {"swr": 3.1}, ())


def handling(state: OperatorState, *, shelved: bool, crew: str = "") -> Handling:
    by, time_us = ("Edda", 50) if state in (ACK, CLOSED) else ("", 0)
    return Handling(SHELVED if shelved else state, by, time_us, state, crew)


def change(kind: ChangeKind, previous: Severity, severity: Severity) -> Change:
    cleared = kind is ChangeKind.CLEARED
    return Change(kind, alarm(cleared=cleared), previous, severity, 500, 900)


def test_names_and_severities_are_those_of_the_rfc() -> None:
    with WORDS.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [r["name"] for r in rows if r["enum"] == "operator-state"] == [s.value for s in OperatorState]
    numbers = {r["name"]: int(r["value"]) for r in rows if r["enum"].startswith("severity")}
    del numbers["indeterminate"]  # not used here
    assert {s.word: int(s) for s in Severity} == numbers


# Every transition ---------------------------------------------------------------------------------------

#: What the state is off the shelf after an act by hand, by the state before it; None where it is forbidden.
STANDING = {
    Act.ACKNOWLEDGE: {NONE: ACK, ACK: None, CLOSED: None, UN_SHELVED: ACK},
    Act.TAKE_BACK: {NONE: None, ACK: NONE, CLOSED: NONE, UN_SHELVED: None},
    Act.CLOSE: {NONE: None, ACK: None, CLOSED: None, UN_SHELVED: None},
    Act.COMMENT: {NONE: NONE, ACK: ACK, CLOSED: CLOSED, UN_SHELVED: UN_SHELVED},
    Act.ASSIGN: {NONE: NONE, ACK: ACK, CLOSED: CLOSED, UN_SHELVED: UN_SHELVED},
    Act.SHELVE: {NONE: None, ACK: None, CLOSED: None, UN_SHELVED: None},
    Act.UN_SHELVE: {NONE: None, ACK: None, CLOSED: None, UN_SHELVED: None},
}
CLEARED = {**STANDING, Act.CLOSE: {NONE: CLOSED, ACK: CLOSED, CLOSED: None, UN_SHELVED: CLOSED}}


def test_the_table_names_every_case() -> None:
    for table in (STANDING, CLEARED):
        assert set(table) == set(Act)
        assert all(tuple(states) == OFF_SHELF for states in table.values())


@pytest.mark.parametrize("what", Act)
@pytest.mark.parametrize("before", OFF_SHELF)
@pytest.mark.parametrize("shelved", [False, True])
@pytest.mark.parametrize("cleared", [False, True])
def test_every_act_in_every_state(what: Act, before: OperatorState, *, shelved: bool, cleared: bool) -> None:
    wanted = (CLEARED if cleared else STANDING)[what][before]
    start = handling(before, shelved=shelved, crew="east crew")
    subject = alarm(cleared=cleared)
    if wanted is None:
        with pytest.raises(ActError):
            act(start, subject, what, by="Kim", now_us=1000, text="north crew")
        return
    after, line = act(start, subject, what, by=" Kim ", now_us=1000, text=" north crew ")
    moved = what not in (Act.COMMENT, Act.ASSIGN)
    assert after == Handling(
        SHELVED if shelved else wanted,
        "Kim" if moved else start.by,
        1000 if moved else start.time_us,
        wanted,
        "north crew" if what is Act.ASSIGN else "east crew",
    )
    assert line == HandlingChange(1000, "Kim", what, after.state, "north crew")


@pytest.mark.parametrize("before", OFF_SHELF)
@pytest.mark.parametrize("shelved", [False, True])
@pytest.mark.parametrize("kind", ChangeKind)
def test_changes_of_the_alarm_touch_only_what_was_seen(
    before: OperatorState, *, shelved: bool, kind: ChangeKind
) -> None:
    start = handling(before, shelved=shelved, crew="east crew")
    cases = {
        ChangeKind.RAISED: [(Severity.CLEARED, s) for s in BAD],
        ChangeKind.CHANGED: [(a, b) for a in BAD for b in BAD],
        ChangeKind.CLEARED: [(s, Severity.CLEARED) for s in BAD],
    }
    for previous, severity in cases[kind]:
        outcome = after_change(start, change(kind, previous, severity))
        graver = kind is ChangeKind.RAISED or (kind is ChangeKind.CHANGED and severity > previous)
        if before not in (ACK, CLOSED) or not graver:
            assert outcome is None, (previous, severity)
            continue
        assert outcome is not None, (previous, severity)
        after, line = outcome
        shown = SHELVED if shelved else NONE
        assert after == Handling(shown, AUTOMATIC, 900, NONE, "east crew")
        why = "raised again" if kind is ChangeKind.RAISED else f"worse: was {previous.word}"
        assert line == HandlingChange(900, AUTOMATIC, Act.TAKE_BACK, shown, why)


@pytest.mark.parametrize("before", OFF_SHELF)
def test_onto_a_shelf_and_off_it_again(before: OperatorState) -> None:
    start = handling(before, shelved=False, crew="east crew")
    outcome = put_on_shelf(start, "mast painted", 2000)
    assert outcome is not None
    shelved, line = outcome
    assert shelved == handling(before, shelved=True, crew="east crew")
    assert line == HandlingChange(2000, AUTOMATIC, Act.SHELVE, SHELVED, "mast painted")
    assert put_on_shelf(shelved, "again", 2001) is None

    outcome = take_off_shelf(shelved, "over", 3000)
    assert outcome is not None
    after, line = outcome
    state = before if before in (ACK, CLOSED) else UN_SHELVED
    assert after == Handling(state, start.by, start.time_us, state, "east crew")
    assert line == HandlingChange(3000, AUTOMATIC, Act.UN_SHELVE, state, "over")
    assert take_off_shelf(after, "again", 3001) is None


def test_raised_again_on_its_shelf_it_comes_back_unseen() -> None:
    outcome = after_change(
        handling(ACK, shelved=True), change(ChangeKind.RAISED, Severity.CLEARED, Severity.MINOR)
    )
    assert outcome is not None
    back = take_off_shelf(outcome[0], "over", 3000)
    assert back is not None
    assert (back[0].state, back[0].is_seen) == (UN_SHELVED, False)


# What is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("by", ["", "  ", "x" * (LONGEST_NAME + 1), "Kim\nEdda", "Kim\x00", "\ud800"])
def test_who_does_it_is_named(by: str) -> None:
    for what in BY_HAND:
        with pytest.raises(ActError):
            act(UNTOUCHED, alarm(cleared=True), what, by=by, now_us=1, text="north crew")


@pytest.mark.parametrize(
    ("what", "text"),
    [
        (Act.COMMENT, ""),
        (Act.COMMENT, " \n "),
        (Act.COMMENT, "x" * (LONGEST_TEXT + 1)),
        (Act.ACKNOWLEDGE, "x" * (LONGEST_TEXT + 1)),
        (Act.ASSIGN, "x" * (LONGEST_NAME + 1)),
        (Act.ASSIGN, "north\ncrew"),
        (Act.COMMENT, "a\x00b"),
        (Act.COMMENT, "\udfff"),
        (Act.ASSIGN, ""),  # nobody has it, and nobody is to have it
    ],
)
def test_texts_that_cannot_be_kept(what: Act, text: str) -> None:
    with pytest.raises(ActError):
        act(UNTOUCHED, alarm(cleared=False), what, by="Kim", now_us=1, text=text)


def test_longest_texts_and_several_lines_are_kept() -> None:
    lines = "first\n\tsecond\r\n" + "ö" * (LONGEST_TEXT - 15)
    _, line = act(UNTOUCHED, alarm(cleared=False), Act.COMMENT, by="x" * LONGEST_NAME, now_us=1, text=lines)
    assert line.text == lines


def test_assigned_to_nobody_any_more() -> None:
    held = handling(ACK, shelved=False, crew="east crew")
    with pytest.raises(ActError, match="east crew already"):
        act(held, alarm(cleared=False), Act.ASSIGN, by="Kim", now_us=1, text="east crew")
    after, line = act(held, alarm(cleared=False), Act.ASSIGN, by="Kim", now_us=1)
    assert (after.assigned_to, after.state, line.text) == ("", ACK, "")


# Sequences ----------------------------------------------------------------------------------------------


def replayed(lines: list[HandlingChange]) -> Handling:
    """What the lines of a history say was done, without the code under test."""
    state, under, by, time_us, crew = NONE, NONE, "", 0, ""
    brought = {Act.ACKNOWLEDGE: ACK, Act.TAKE_BACK: NONE, Act.CLOSE: CLOSED}
    for line in lines:
        if line.act in brought:
            under, by, time_us = brought[line.act], line.by, line.time_us
        elif line.act is Act.ASSIGN:
            crew = line.text
        elif line.act is Act.UN_SHELVE:
            under = line.state
        state = line.state
        if line.act is not Act.SHELVE and state is not SHELVED:
            assert state is under
    return Handling(state, by, time_us, under, crew)


HAND = st.tuples(st.just("hand"), st.sampled_from(list(Act)), st.sampled_from(["", "east", "west"]))
FOUND = st.tuples(st.just("found"), st.sampled_from(list(Severity)), st.just(""))
SHELF = st.tuples(st.just("shelf"), st.booleans(), st.just(""))


@given(st.lists(st.one_of(HAND, FOUND, SHELF), max_size=40))
def test_any_sequence_replays_from_its_history(steps: list[tuple[str, object, str]]) -> None:
    first = apply(None, Evidence(KEY, Severity.MINOR, 1), 1)
    assert first is not None
    present, done, lines = first.alarm, UNTOUCHED, []
    for i, (kind, step, text) in enumerate(steps):
        now_us, before, outcome = 10 + i, done, None
        if kind == "hand":
            assert isinstance(step, Act)
            untouched = present
            try:
                outcome = act(before, present, step, by="Kim", now_us=now_us, text=text)
            except ActError:
                outcome = None
            assert present == untouched
        elif kind == "shelf":
            outcome = put_on_shelf(before, "r", now_us) if step else take_off_shelf(before, "r", now_us)
        else:
            assert isinstance(step, Severity)
            made = apply(present, Evidence(KEY, step, now_us), now_us)
            if made is not None:
                present = made.alarm
                outcome = after_change(before, made)
                graver = made.severity > made.previous
                assert (outcome is not None) is (before.is_seen and graver)
        if outcome is not None:
            done, line = outcome
            lines.append(line)
            assert line.state is done.state
        if kind == "shelf":
            # No shelf takes back what somebody saw, nor makes anything seen.
            assert done.is_seen is before.is_seen
            assert not done.is_seen or done.before_shelf is before.before_shelf
            assert done.is_shelved is bool(step)
        if kind != "shelf":
            assert done.is_shelved is before.is_shelved
        if not done.is_shelved:
            assert done.state is done.before_shelf
        assert done.before_shelf is not SHELVED
        assert replayed(lines) == done
        # A standing alarm is never hidden as closed.
        assert present.is_cleared or done.before_shelf is not CLOSED
