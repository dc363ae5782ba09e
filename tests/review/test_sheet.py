"""The visit sheet as data: what is on it, what is left out and said so, what to bring, exposure."""

from __future__ import annotations

import math

import pytest

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.bring import ALWAYS, BRING, CAUTIONS, LOOK, to_bring
from standingwatch.review.measuring import LineFacts
from standingwatch.review.sheet import MOST_LINES, MOST_TROUBLES, NO_EXPOSURE, Place, make_sheet
from standingwatch.review.visits import Trouble, TroubleAlarm, Visit, VisitState


def visit(count: int = 1, gain_dbi: float | None = None) -> Visit:
    causes = (
        LikelyCause(Cause.WATER, 0.6, "it follows the rain"),
        LikelyCause(Cause.CONNECTOR, 0.2, "against it: it recovers"),
    )
    alarms = (TroubleAlarm(Condition.SWR_RISING, Severity.MINOR, 50, None, "it rises"),)
    troubles = tuple(
        Trouble(f"t{n}", Condition.SWR_RISING, causes, "within-weeks", True, 60, (), alarms)
        for n in range(count)
    )
    return Visit(7, "alder", VisitState.PROPOSED, 100, 100, troubles, antenna_gain_dbi=gain_dbi)


def lines(count: int, power_w: float = math.nan) -> list[LineFacts]:
    return [LineFacts(f"t{n}", 160.0, power_w, loss_db=1.0, baseline_rho=0.05) for n in range(count)]


def test_causes_in_order_with_what_speaks_for_and_against() -> None:
    sheet = make_sheet(visit(), Place("alder"), lines(2), 900)
    (trouble,) = sheet.troubles
    assert [(c.cause, c.because) for c in trouble.causes] == [
        (Cause.WATER, "it follows the rain"),
        (Cause.CONNECTOR, "against it: it recovers"),
    ]
    assert trouble.causes[0].look == LOOK[Cause.WATER]
    assert sheet.bring[: len(BRING[Cause.WATER])] == BRING[Cause.WATER]
    assert sheet.cautions == CAUTIONS
    assert [line.facts.transmitter for line in sheet.lines] == ["t0"]
    assert sheet.lines[0].short_db == 2.0


def test_what_does_not_fit_is_counted() -> None:
    sheet = make_sheet(visit(9), Place("alder"), lines(9), 900)
    assert (len(sheet.troubles), sheet.more_troubles) == (MOST_TROUBLES, 9 - MOST_TROUBLES)
    assert (len(sheet.lines), sheet.more_lines) == (MOST_LINES, 9 - MOST_LINES)
    assert [bool(line.plan) for line in sheet.lines] == [True] + [False] * (MOST_LINES - 1)


def test_every_cause_has_something_to_look_at_and_to_bring() -> None:
    assert set(LOOK) == set(BRING) == set(Cause)
    assert to_bring([Cause.UNKNOWN]) == ALWAYS
    twice = to_bring([Cause.WATER, Cause.WATER])
    assert len(twice) == len(set(twice))


def test_exposure_only_where_the_figures_are_there() -> None:
    assert make_sheet(visit(), Place("alder"), lines(1), 900).no_exposure == NO_EXPOSURE
    assert make_sheet(visit(1, 6.0), Place("alder"), lines(1), 900).exposure == ()
    assert make_sheet(visit(), Place("alder"), lines(1, 100.0), 900).exposure == ()
    (one,) = make_sheet(visit(1, 7.0), Place("alder"), lines(1, 100.0), 900).exposure
    # 100 W, 1 dB lost, 7 dBi: 398.1 W; sqrt(2.56 398100 mW / (4 pi)) cm = 284.8 cm for 1 mW/cm2.
    assert one.eirp_w == pytest.approx(398.1, abs=0.1)
    assert (one.occupational_m, one.public_m) == pytest.approx((2.848, 6.368), abs=2e-3)


def test_the_cautions_defer_to_local_codes() -> None:
    assert "Local codes" in CAUTIONS[0]
    for word in ("lock it out", "1.1310", "fall protection", "grounding"):
        assert any(word in caution for caution in CAUTIONS)
