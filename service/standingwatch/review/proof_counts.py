"""Proof by counting: days with bursts, hours with reports, and the alarm itself."""

from __future__ import annotations

import math

import numpy as np

from standingwatch.detect.rollup import HOUR_US
from standingwatch.review.proof_data import (
    AFTER_DAYS,
    BURSTS_REFUTE,
    CHANCE_OF_LUCK,
    DAY_US,
    HOURS_A_DAY,
    LEAST_BEFORE,
    REFERENCE_DAYS,
    REPORT_HOURS,
    REPORT_SHARE,
    Course,
    Measure,
    Proof,
    Verdict,
    Work,
)
from standingwatch.review.proof_levels import days_table


def prove_bursts(transmitter: str, course: Course, work: Work, raised_us: int, baseline_rho: float) -> Proof:
    """Days with bursts before and after, by Fisher's exact test."""
    measure = Measure.BURSTS
    values = np.where(course.usable > 0, course.rho_high, np.nan)
    before_us = max(work.begun_us - REFERENCE_DAYS * DAY_US, raised_us - AFTER_DAYS * DAY_US)
    days_before = int((work.begun_us - before_us) // DAY_US)
    days_after = int(max(work.until_us - work.ended_us, 0) // DAY_US)
    tables = (
        days_table(work.begun_us - days_before * DAY_US, days_before, course, values),
        days_table(work.ended_us, days_after, course, values),
    )
    highest = []
    for table in tables:
        known = np.isfinite(table).sum(axis=1) >= HOURS_A_DAY
        top = np.max(np.where(np.isfinite(table), table, -np.inf), axis=1, initial=-np.inf)
        highest.append(top[known])
    before, after = highest
    if math.isnan(baseline_rho) or len(before) < LEAST_BEFORE:
        return Proof(transmitter, measure, Verdict.NOT_YET, ("no baseline, or too few days before the work",))
    # A burst reaches half of the way to the highest that there was.
    edge = baseline_rho + 0.5 * (float(before.max()) - baseline_rho)
    bursts_before, bursts_after = int((before > edge).sum()), int((after > edge).sum())
    luck = chance_of_so_few(bursts_before, len(before), bursts_after, len(after))
    told = (
        f"bursts on {bursts_before} of {len(before)} days before and {bursts_after} of {len(after)} after; "
        f"chance of so few by luck {100.0 * luck:.1f} %"
    )
    if bursts_after >= BURSTS_REFUTE:
        return Proof(transmitter, measure, Verdict.NOT_FIXED, (told,))
    if bursts_after == 0 and luck <= CHANCE_OF_LUCK:
        return Proof(transmitter, measure, Verdict.FIXED, (told,))
    return Proof(transmitter, measure, Verdict.NOT_YET, (told,))


def chance_of_so_few(hits_a: int, of_a: int, hits_b: int, of_b: int) -> float:
    """Chance of `hits_b` or fewer of `of_b` were both runs alike: Fisher's exact test, one-sided."""
    total, hits = of_a + of_b, hits_a + hits_b
    ways = math.comb(total, hits)
    fewest = max(0, hits - of_a)
    return sum(math.comb(of_b, k) * math.comb(of_a, hits - k) for k in range(fewest, hits_b + 1)) / ways


def prove_reports(transmitter: str, course: Course, work: Work) -> Proof:
    """Whether reports come again."""
    hours = int(max(work.until_us - work.ended_us, 0) // HOUR_US)
    after = course.between(work.ended_us, work.until_us)
    newest = course.between(work.until_us - 24 * HOUR_US, work.until_us)
    heard = int((after.reports > 0).sum())
    told = f"reports in {heard} of {hours} hours since the work"
    if hours >= REPORT_HOURS and heard >= REPORT_SHARE * hours:
        return Proof(transmitter, Measure.REPORTS, Verdict.FIXED, (told,))
    if hours >= 24 and not (newest.reports > 0).any():
        return Proof(transmitter, Measure.REPORTS, Verdict.NOT_FIXED, (told, "none in the last 24 hours"))
    return Proof(transmitter, Measure.REPORTS, Verdict.NOT_YET, (told, f"it takes {REPORT_HOURS} hours"))


def prove_alarm(transmitter: str, course: Course, work: Work, in_alarm: tuple[str, ...]) -> Proof:
    """Whether the alarm has ended and stays away, where nothing can be compared."""
    after = course.between(work.ended_us, work.until_us)
    hours = int((after.usable > 0).sum())
    told = f"{hours} usable hours since the work"
    if hours < REPORT_HOURS:
        return Proof(transmitter, Measure.ALARM, Verdict.NOT_YET, (told, f"it takes {REPORT_HOURS}"))
    if in_alarm:
        return Proof(transmitter, Measure.ALARM, Verdict.NOT_FIXED, (told, f"{', '.join(in_alarm)} stands"))
    return Proof(transmitter, Measure.ALARM, Verdict.FIXED, (told, "no alarm stands for it"))
