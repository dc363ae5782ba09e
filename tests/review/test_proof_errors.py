"""Planted visits: how often the proof errs when somebody looks every day, over many seeds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest

from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.proof import prove
from standingwatch.review.proof_data import Course, Proof, Verdict, Work
from standingwatch.review.visits import Trouble, TroubleAlarm

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
#: An hour on which the planted work begins; 85 days of hours before it, 4 hours of work, 21 days after it.
WORK_US = 1_773_478_800_000_000
BEFORE, AFTER, WORK_HOURS = 85 * 24, 21 * 24, 4

HEALTHY_RHO = 0.08


def trouble(condition: Condition = Condition.SWR_RISING, raised_days: float = 10.0) -> Trouble:
    alarm = TroubleAlarm(condition, Severity.MINOR, WORK_US - round(raised_days * DAY_US))
    causes = (LikelyCause(Cause.CONNECTOR, 0.6, "it fits"),)
    return Trouble("RPT-1", condition, causes, "within-weeks", True, WORK_US - DAY_US, (), (alarm,))


def planted(
    seed: int,
    fault_rho: float,
    left_rho: float,
    *,
    phi: float = 0.5,
    rising: bool = False,
    share_usable: float = 0.6,
) -> Course:
    """Hours with a fault that is there for 30 days before the work, and of which some is left after it.

    Noise of an autoregression from day to day, noise of hours, gaps where nobody keys, a wet hour at times.
    """
    rng = np.random.default_rng(seed)
    hours = np.arange(-BEFORE, WORK_HOURS + AFTER)
    days = len(hours) // 24 + 2
    daily = np.empty(days)
    daily[0] = rng.normal()
    for day in range(1, days):
        daily[day] = phi * daily[day - 1] + np.sqrt(1 - phi * phi) * rng.normal()
    grown = np.clip((hours + 30 * 24) / (30 * 24), 0.0, 1.0) if rising else (hours >= -30 * 24) * 1.0
    fault = np.where(hours < 0, fault_rho * grown, left_rho)
    rho = HEALTHY_RHO + fault + 0.004 * daily[(hours + BEFORE) // 24] + rng.normal(0, 0.006, len(hours))
    rho += np.where(rng.random(len(hours)) < 0.03, rng.exponential(0.05, len(hours)), 0.0)
    usable = rng.random(len(hours)) < share_usable
    count = len(hours)
    return Course(
        hour_us=WORK_US + hours * HOUR_US,
        reports=np.full(count, 60),
        usable=np.where(usable, 20, 0),
        forward_w=np.full(count, 95.0),
        rho_level=np.clip(rho, 0.001, 1.0),
        rho_high=np.clip(rho * 1.1, 0.001, 1.0),
        precipitation=np.full(count, np.nan),
    )


def work(days_after: float) -> Work:
    ended_us = WORK_US + WORK_HOURS * HOUR_US
    return Work(WORK_US, ended_us, ended_us + round(days_after * DAY_US))


def first_word(course: Course, **more: float) -> tuple[Verdict, int]:
    """What is said first when somebody looks on each of 21 days, and on which day."""
    what = trouble()
    for day in range(1, 22):
        said = prove(what, "RPT-1", course, work(day), baseline_rho=HEALTHY_RHO, **more)
        if said.verdict is not Verdict.NOT_YET:
            return said.verdict, day
    return Verdict.NOT_YET, 21


SEEDS = 120


def words(make: Callable[[int], Course]) -> tuple[Counter[Verdict], list[int]]:
    found = [first_word(make(seed)) for seed in range(SEEDS)]
    return Counter(verdict for verdict, _ in found), [day for _, day in found]


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("fault", [0.05, 0.2], ids=["small", "great"])
def test_what_was_not_touched_is_hardly_ever_called_fixed(phi: float, fault: float) -> None:
    said, _ = words(lambda seed: planted(seed, fault, fault, phi=phi))
    assert said[Verdict.FIXED] <= 0.01 * SEEDS
    assert said[Verdict.NOT_FIXED] >= 0.9 * SEEDS


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("fault", [0.05, 0.2], ids=["small", "great"])
def test_what_was_mended_is_hardly_ever_called_not_fixed(phi: float, fault: float) -> None:
    said, days = words(lambda seed: planted(seed, fault, 0.0, phi=phi))
    assert said[Verdict.NOT_FIXED] <= 0.01 * SEEDS
    # The rest still waits after 21 days: a small fault among days that hang together takes longer.
    assert said[Verdict.FIXED] >= (0.85 if fault < 0.1 else 0.95) * SEEDS
    assert np.median(days) <= (10 if fault < 0.1 else 5)


def test_half_a_repair_is_not_one() -> None:
    said, _ = words(lambda seed: planted(seed, 0.2, 0.1))
    assert said == {Verdict.NOT_FIXED: SEEDS}


def test_a_slow_fault_that_still_grew_is_proven_as_well() -> None:
    said, _ = words(lambda seed: planted(seed, 0.15, 0.0, rising=True))
    assert said[Verdict.FIXED] >= 0.95 * SEEDS
    assert said[Verdict.NOT_FIXED] == 0


def one(seed: int = 3, days: float = 8, **more: float) -> Proof:
    course = planted(seed, 0.2, 0.0)
    return prove(trouble(), "RPT-1", course, work(days), baseline_rho=HEALTHY_RHO, **more)


def test_the_gain_by_hand() -> None:
    # rho from 0.28 to 0.08: 20 log10 3.5 = 10.88 dB, on each of 60 seeds within its interval but a few.
    inside, errors = 0, []
    for seed in range(60):
        gain = one(seed).gain
        assert gain is not None
        inside += gain.low <= 10.88 <= gain.high
        errors.append(gain.mean - 10.88)
    assert inside >= 57
    assert np.median(errors) == pytest.approx(0.0, abs=0.15)


def test_too_soon_says_so() -> None:
    assert one(days=4.9).reasons[0].endswith("since the work; it takes 5")
    assert one(days=4.9).verdict is Verdict.NOT_YET
    rarely = prove(
        trouble(), "RPT-1", planted(1, 0.2, 0.0, share_usable=0.05), work(14), baseline_rho=HEALTHY_RHO
    )
    assert rarely.verdict is Verdict.NOT_YET
    assert rarely.after is None


def test_hours_of_the_work_and_after_the_last_closed_one_do_not_count() -> None:
    course = planted(4, 0.2, 0.0)
    spoilt = np.where(
        ((course.hour_us >= WORK_US) & (course.hour_us < WORK_US + WORK_HOURS * HOUR_US))
        | (course.hour_us >= work(8).until_us),
        0.9,
        course.rho_level,
    )
    changed = Course(**{**vars(course), "rho_level": spoilt})
    assert prove(trouble(), "RPT-1", changed, work(8), baseline_rho=HEALTHY_RHO) == prove(
        trouble(), "RPT-1", course, work(8), baseline_rho=HEALTHY_RHO
    )


def test_a_standing_alarm_keeps_a_repair_from_being_proven() -> None:
    said = one(in_alarm=("swr-high",))
    assert said.verdict is Verdict.NOT_YET
    assert said.reasons[-1] == "but swr-high stands for it now"
