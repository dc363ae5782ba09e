"""The lifecycle of a visit: every step in every state, findings, and how often the likely cause was right."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.visits import (
    CLOSED,
    NEXT,
    CauseScore,
    Finding,
    Trouble,
    TroubleAlarm,
    Visit,
    VisitError,
    VisitState,
    VisitStep,
    allowed,
    gravest,
    record_of,
    score_causes,
    step,
    troubles_of,
    with_found,
)

S, T = VisitState, VisitStep

#: Every step in every state, written out by hand: where it leads, None where it is not possible.
TABLE = {
    (S.PROPOSED, T.PLAN): S.PLANNED,
    (S.PROPOSED, T.BEGIN): S.UNDER_WAY,
    (S.PROPOSED, T.FINISH): None,
    (S.PROPOSED, T.DROP): S.DROPPED,
    (S.PROPOSED, T.PROVE): None,
    (S.PROPOSED, T.REFUTE): None,
    (S.PLANNED, T.PLAN): S.PLANNED,
    (S.PLANNED, T.BEGIN): S.UNDER_WAY,
    (S.PLANNED, T.FINISH): None,
    (S.PLANNED, T.DROP): S.DROPPED,
    (S.PLANNED, T.PROVE): None,
    (S.PLANNED, T.REFUTE): None,
    (S.UNDER_WAY, T.PLAN): S.PLANNED,
    (S.UNDER_WAY, T.BEGIN): None,
    (S.UNDER_WAY, T.FINISH): S.DONE,
    (S.UNDER_WAY, T.DROP): None,
    (S.UNDER_WAY, T.PROVE): None,
    (S.UNDER_WAY, T.REFUTE): None,
    (S.DONE, T.PLAN): None,
    (S.DONE, T.BEGIN): None,
    (S.DONE, T.FINISH): None,
    (S.DONE, T.DROP): None,
    (S.DONE, T.PROVE): S.PROVEN,
    (S.DONE, T.REFUTE): S.NOT_FIXED,
    **{(state, what): None for state in (S.PROVEN, S.NOT_FIXED, S.DROPPED) for what in T},
}


def trouble(
    transmitter: str = "RPT-1",
    urgency: str = "within-weeks",
    *,
    calls: bool = True,
    condition: Condition = Condition.SWR_RISING,
    cause: Cause = Cause.CONNECTOR,
    members: tuple[str, ...] = (),
    ended_us: int | None = None,
) -> Trouble:
    alarm = TroubleAlarm(condition, Severity.MINOR, 50, ended_us, "it rises")
    causes = (LikelyCause(cause, 0.6, "it fits"),)
    return Trouble(transmitter, condition, causes, urgency, calls, 60, members, (alarm,))


def visit(state: VisitState = S.PROPOSED, *troubles: Trouble) -> Visit:
    return Visit(7, "alder", state, 100, 100, troubles or (trouble(),))


def test_the_table_is_whole() -> None:
    assert set(TABLE) == {(state, what) for state in S for what in T}


@pytest.mark.parametrize(("state", "what"), list(TABLE), ids=lambda v: str(v))
def test_step(state: VisitState, what: VisitStep) -> None:
    wanted = TABLE[state, what]
    if wanted is None:
        with pytest.raises(VisitError, match=f"visit 7 is {state}: got {what}, possible is"):
            step(visit(state), what, 500)
        assert what not in allowed(state)
        return
    after = step(visit(state), what, 500)
    assert (after.state, after.changed_us) == (wanted, 500)
    assert what in allowed(state)


def test_closed_states_are_those_that_lead_nowhere() -> None:
    assert set(CLOSED) == {S.PROVEN, S.NOT_FIXED, S.DROPPED}
    assert all(not NEXT[state] for state in CLOSED)


def test_times_of_the_work() -> None:
    begun = step(visit(S.PLANNED), T.BEGIN, 500)
    assert (begun.begun_us, begun.ended_us) == (500, None)
    done = step(begun, T.FINISH, 900)
    assert (done.begun_us, done.ended_us) == (500, 900)
    turned_round = step(begun, T.PLAN, 700, planned_for_us=5_000, crew="Mast crew")
    assert (turned_round.begun_us, turned_round.planned_for_us) == (None, 5_000)
    assert turned_round.crew == "Mast crew"


def test_urgency_is_the_gravest_of_what_calls_for_it() -> None:
    two = visit(S.PROPOSED, trouble("a", "within-weeks"), trouble("b", "at-once", calls=False))
    assert two.urgency == "within-weeks"
    assert gravest(["with-the-next-visit", "within-days", "within-weeks"]) == "within-days"
    assert gravest([]) == "with-the-next-visit"


def test_what_stands_and_what_is_touched() -> None:
    silent = trouble("c", condition=Condition.REPORTS_MISSING)
    group = trouble("", members=("a", "b"), ended_us=80)
    one = visit(S.PROPOSED, group, silent)
    assert one.stands
    assert group.ended_us == 80
    assert not group.stands
    assert one.touched == ("a", "b")
    assert one.resources == {("alder", name) for name in ("", "a", "b", "c")}


def test_findings_are_kept_by_transmitter_and_only_after_the_work() -> None:
    finding = Finding("Ada", 950, "centre pin burnt")
    done = visit(S.DONE, trouble("a"), trouble("b"))
    told = with_found(done, {"a": Cause.LOOSE_CONNECTION}, finding)
    assert [t.found for t in told.troubles] == [Cause.LOOSE_CONNECTION, None]
    assert told.finding == finding
    with pytest.raises(VisitError, match="got zeta, wanted transmitters"):
        with_found(done, {"zeta": Cause.WATER}, finding)
    with pytest.raises(VisitError, match="findings are noted when it is done"):
        with_found(visit(S.PLANNED), {}, finding)


def test_record_goes_through_json_and_back() -> None:
    full = replace(
        visit(S.DONE, trouble("a"), replace(trouble("", members=("a", "b"), ended_us=80), found=Cause.WATER)),
        access="key at the farm",
        antenna_gain_dbi=6.0,
        windows=(3, 4),
    )
    record = json.loads(json.dumps(record_of(full)))
    assert troubles_of(record) == full.troubles
    assert (record["access"], record["antenna_gain_dbi"], record["windows"]) == (
        "key at the farm",
        6.0,
        [3, 4],
    )


def test_how_often_the_likely_cause_was_right() -> None:
    found = [
        (Cause.CONNECTOR, Cause.CONNECTOR),
        (Cause.CONNECTOR, Cause.WATER),
        (Cause.WATER, Cause.WATER),
        (Cause.WATER, Cause.UNKNOWN),
    ]
    visits = [visit(S.DONE, replace(trouble(cause=led), found=true)) for led, true in found]
    score = score_causes([*visits, visit(S.DONE)])
    assert (score.right, score.told, score.not_found) == (2, 3, 1)
    assert score.by_cause == {Cause.CONNECTOR: (1, 2), Cause.WATER: (1, 1)}
    assert score.share == pytest.approx(2 / 3)
    assert score_causes([]) == CauseScore()
    assert CauseScore().share is None
