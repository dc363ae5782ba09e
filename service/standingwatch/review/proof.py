"""Proof after a visit: the days after the work against those before it, and against when all was well.

What is compared depends on what was wrong: the daily level of rho, the reflection coefficient, where the
match was; its highest in rain where rain did it; days with bursts; forward power; whether reports come. Days
are 24 hours counted from the work, so that none is lost to the calendar. The interval is of 99 %, because
somebody looks every day until it says something; what that makes of the errors over many looks is measured in
`tests/review/test_proof_errors.py`.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition
from standingwatch.review.comparing import Level
from standingwatch.review.proof_counts import prove_alarm, prove_bursts, prove_reports
from standingwatch.review.proof_data import MEASURES, Course, Measure, Proof, Verdict, Work
from standingwatch.review.proof_levels import prove_levels
from standingwatch.review.visits import Trouble
from standingwatch.rf import rho_at_antenna, swr_from_rho

#: Conditions that grow over weeks.
SLOW = (Condition.SWR_RISING, Condition.FEEDER_LOSS_RISING)


def measure_of(trouble: Trouble) -> Measure:
    """What is compared for a trouble: that of its telling alarm."""
    return MEASURES.get(trouble.condition, Measure.ALARM)


def prove(
    trouble: Trouble,
    transmitter: str,
    course: Course,
    work: Work,
    *,
    baseline_rho: float = math.nan,
    loss_db: float = math.nan,
    in_alarm: tuple[str, ...] = (),
) -> Proof:
    """Compare the days after the work with those before it.

    Args:
        trouble: what was wrong.
        transmitter: which of its transmitters the course is of.
        course: its hours, from `COURSE_DAYS` before the work on.
        work: when it was worked.
        baseline_rho: the baseline that held before the work, rho at the transmitter; NaN without one.
        loss_db: one-way loss between coupler and antenna [dB]; NaN if not known.
        in_alarm: conditions that stand for it now.
    """
    measure = measure_of(trouble)
    # Whole hours of which nothing belongs to the work.
    begun_us = work.begun_us - work.begun_us % HOUR_US
    ended_us = -(-work.ended_us // HOUR_US) * HOUR_US
    times = Work(begun_us, ended_us, work.until_us)
    raised_us = min((alarm.raised_us for alarm in trouble.alarms), default=begun_us)
    raised_us = min(raised_us, begun_us)
    if measure is Measure.REPORTS:
        proof = prove_reports(transmitter, course, times)
    elif measure is Measure.ALARM:
        proof = prove_alarm(transmitter, course, times, in_alarm)
    elif measure is Measure.BURSTS:
        proof = prove_bursts(transmitter, course, times, raised_us, baseline_rho)
    else:
        is_slow = trouble.condition in SLOW
        proof = prove_levels(transmitter, measure, course, times, raised_us, baseline_rho, loss_db, is_slow)
    if proof.verdict is Verdict.FIXED and in_alarm:
        # Numbers do not overrule an alarm that stands: somebody has to look at both.
        stands = f"but {', '.join(in_alarm)} stands for it now"
        return Proof(**{**vars(proof), "verdict": Verdict.NOT_YET, "reasons": (*proof.reasons, stands)})
    return proof


# In words of the trade ----------------------------------------------------------------------------------


def ends(level: Level, loss_db: float) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """SWR of a level of rho and the ends of its interval, at the transmitter and at the antenna.

    NaN at the antenna where the loss is not known. What is out of a passive load's range is cut to it: an
    interval may reach there, a level does not.
    """
    rho: npt.NDArray[np.float64] = np.clip(np.array([level.mean, level.low, level.high]), 0.0, 1.0)
    antenna = np.minimum(np.asarray(rho_at_antenna(rho, loss_db)), 1.0)
    first, second = (tuple(float(v) for v in swr_from_rho(one)) for one in (rho, antenna))
    return (first[0], first[1], first[2]), (second[0], second[1], second[2])


def overall(proofs: list[Proof]) -> Verdict:
    """The verdict on a visit: fixed if all is, not fixed if anything is not."""
    said = {proof.verdict for proof in proofs}
    if Verdict.NOT_FIXED in said:
        return Verdict.NOT_FIXED
    return Verdict.FIXED if said == {Verdict.FIXED} else Verdict.NOT_YET
