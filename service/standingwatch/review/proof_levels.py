"""Proof by daily levels: of the match, of the match in rain, of forward power."""

from __future__ import annotations

import math

import numpy as np

from standingwatch.detect.history import midmean
from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings.fleet import BoolArray, FloatArray
from standingwatch.review.comparing import Level, combination, day_to_day_correlation, level_of, without_slope
from standingwatch.review.proof_data import (
    AFTER_DAYS,
    BEFORE_DAYS,
    DAY_US,
    HOURS_A_DAY,
    LEAST_AFTER,
    LEAST_BEFORE,
    LEAST_WET,
    LIMIT_SWR,
    MAY_BE_LEFT_DB,
    MAY_BE_LEFT_RHO,
    REFERENCE_DAYS,
    SHARE_LEFT,
    WET_HOURS,
    Course,
    Measure,
    Proof,
    Verdict,
    Work,
)
from standingwatch.rf import is_passive, return_loss_db_from_rho, rho_from_swr


def days_table(start_us: int, count: int, course: Course, values: FloatArray) -> FloatArray:
    """Values by day of 24 hours from a start, shape (days, 24); NaN where an hour has none."""
    table = np.full((count, 24), np.nan)
    hour = (course.hour_us - start_us) // HOUR_US
    inside = (hour >= 0) & (hour < count * 24)
    table[hour[inside] // 24, hour[inside] % 24] = values[inside]
    return table


def _daily(table: FloatArray, measure: Measure) -> FloatArray:
    """A level of each day; NaN with too few hours."""
    enough = np.isfinite(table).sum(axis=1) >= HOURS_A_DAY
    if measure is Measure.RAIN:
        highest = np.max(np.where(np.isfinite(table), table, -np.inf), axis=1)
        return np.where(enough, highest, np.nan)
    return np.where(enough, midmean(table), np.nan)


def _values(course: Course, measure: Measure) -> FloatArray:
    """What is compared, by hour; NaN where nothing was measured."""
    usable = course.usable > 0
    if measure is Measure.POWER:
        power_db = 10.0 * np.log10(np.where(course.forward_w > 0.0, course.forward_w, np.nan))
        return np.where(usable, power_db, np.nan)
    return np.where(usable & is_passive(course.rho_level), course.rho_level, np.nan)


def prove_levels(
    transmitter: str,
    measure: Measure,
    course: Course,
    work: Work,
    raised_us: int,
    baseline_rho: float,
    loss_db: float,
    is_slow: bool,
) -> Proof:
    """Match, match in rain and power: levels of days."""
    unit = "dB" if measure is Measure.POWER else "rho"
    values = _values(course, measure)

    def daily(start_us: int, count: int) -> FloatArray:
        levels = _daily(days_table(start_us, count, course, values), measure)
        return np.where(_wet(course, start_us, count), levels, np.nan) if measure is Measure.RAIN else levels

    after_days = int(min((work.until_us - work.ended_us) // DAY_US, AFTER_DAYS))
    newest_us = work.ended_us + max((work.until_us - work.ended_us) // DAY_US - after_days, 0) * DAY_US
    after = daily(newest_us, max(after_days, 0))
    back = BEFORE_DAYS if measure is not Measure.RAIN else REFERENCE_DAYS
    # Only days on which it was known to be wrong; the alarm of a slow fault comes late enough.
    before_days = min(back, (work.begun_us - raised_us) // DAY_US)
    before = daily(work.begun_us - before_days * DAY_US, before_days)
    reference = daily(raised_us - raised_us % HOUR_US - REFERENCE_DAYS * DAY_US, REFERENCE_DAYS)
    known_after, known_before = (int(np.isfinite(run).sum()) for run in (after, before))
    what = "wet days" if measure is Measure.RAIN else f"days with {HOURS_A_DAY} usable hours or more"
    needed = LEAST_WET if measure is Measure.RAIN else LEAST_AFTER
    if measure is Measure.RAIN and not np.isfinite(course.precipitation).any():
        return Proof(transmitter, measure, Verdict.NOT_YET, ("nobody tells the rain there",), unit)
    if known_after < needed:
        return Proof(
            transmitter,
            measure,
            Verdict.NOT_YET,
            (f"{known_after} {what} since the work; it takes {needed}",),
            unit,
        )
    if is_slow:
        # The growth of the fault is no noise.
        before = without_slope(before)
    correlation = day_to_day_correlation([reference, before, after])
    level_before = _before_level(
        before, known_before, reference, course, work, raised_us, values, correlation
    )
    if level_before is None:
        why = f"{known_before} {what} between the alarm and the work: nothing to compare with"
        return Proof(transmitter, measure, Verdict.NOT_YET, (why,), unit, after=level_of(after, correlation))
    level_after = level_of(after, correlation)
    if unit == "rho":
        healthy = (
            float(np.nanmedian(reference))
            if measure is Measure.RAIN and np.isfinite(reference).any()
            else baseline_rho
        )
        gain = _gain(level_before, level_after)
    else:
        healthy = _reference_level(reference)
        gain = combination([level_after, level_before], [1.0, -1.0])
    verdict, reasons = _judge(level_before, level_after, healthy, unit)
    days = f"{level_before.days} days before and {level_after.days} after"
    held = f"{days}, correlated {correlation:.1f} from day to day"
    return Proof(
        transmitter,
        measure,
        verdict,
        (*reasons, held),
        unit,
        level_before,
        level_after,
        healthy,
        loss_db,
        gain,
    )


def _wet(course: Course, start_us: int, count: int) -> BoolArray:
    rain = days_table(start_us, count, course, np.where(course.precipitation > 0.0, 1.0, 0.0))
    wet: BoolArray = np.nansum(rain, axis=1) >= WET_HOURS
    return wet


def _before_level(
    before: FloatArray,
    known: int,
    reference: FloatArray,
    course: Course,
    work: Work,
    raised_us: int,
    values: FloatArray,
    correlation: float,
) -> Level | None:
    """The level before the work; of a fault younger than some days that of its hours, as one day."""
    if known >= LEAST_BEFORE:
        return level_of(before, correlation)
    inside = (course.hour_us >= raised_us) & (course.hour_us + HOUR_US <= work.begun_us) & np.isfinite(values)
    quiet = reference[np.isfinite(reference)]
    if inside.sum() < HOURS_A_DAY or len(quiet) < LEAST_AFTER:
        return None
    one_day = float(midmean(values[inside][None, :])[0])
    spread = 1.4826 * float(np.median(np.abs(quiet - np.median(quiet))))
    # Its own hours show whether it is more restless than the line used to be.
    hours = values[inside]
    spread = max(spread, 1.4826 * float(np.median(np.abs(hours - np.median(hours)))))
    return Level(one_day, spread, 1, max(len(quiet) - 1, 1))


def _reference_level(reference: FloatArray) -> float:
    """The level when all was well: the median of the first half of the days before the alarm."""
    early = reference[: len(reference) // 2]
    known = early[np.isfinite(early)]
    return float(np.median(known)) if len(known) >= LEAST_BEFORE else math.nan


def _gain(before: Level, after: Level) -> Level:
    """By how much the return loss rose [dB]; errors carried over by d(20 log10 rho) = 8.686 d rho / rho."""
    per_rho = 20.0 / math.log(10.0)
    in_db = [
        Level(
            float(return_loss_db_from_rho(max(level.mean, 1e-6))),
            per_rho * level.error / max(level.mean, 1e-6),
            level.days,
            level.freedom,
        )
        for level in (before, after)
    ]
    return combination(in_db, [-1.0, 1.0])


def _judge(before: Level, after: Level, healthy: float, unit: str) -> tuple[Verdict, tuple[str, ...]]:
    """Verdict and reasons of two levels and the healthy one."""
    changed = combination([after, before], [1.0, -1.0])
    if math.isnan(healthy):
        if unit != "rho":
            return Verdict.NOT_YET, ("it is not known what was normal before the fault",)
        limit = float(rho_from_swr(LIMIT_SWR))
        if after.high < limit and changed.high < 0.0:
            return Verdict.FIXED, (f"under {LIMIT_SWR:g}:1 for certain and better than before; no baseline",)
        if after.low > limit or changed.low > 0.0:
            return Verdict.NOT_FIXED, (
                f"over {LIMIT_SWR:g}:1 for certain, or worse than before; no baseline",
            )
        return Verdict.NOT_YET, (f"no baseline, and neither under nor over {LIMIT_SWR:g}:1 for certain",)
    fault = before.mean - healthy
    away = combination([before], [1.0], -healthy)
    if away.low <= 0.0 <= away.high:
        return Verdict.NOT_YET, ("before the work the level was not away from normal for certain",)
    may_be_left = MAY_BE_LEFT_RHO if unit == "rho" else MAY_BE_LEFT_DB
    share = min(max(SHARE_LEFT, may_be_left / abs(fault)), 0.5)
    # What is left beyond what may be left, counted in the fault's own direction.
    left = combination([after, before], [1.0, -share], -(1.0 - share) * healthy)
    sign = math.copysign(1.0, fault)
    low, high = sorted((sign * left.low, sign * left.high))
    came_back = 1.0 - (after.mean - healthy) / fault
    told = f"{100.0 * came_back:.0f} % of the way back to normal"
    if high < 0.0:
        return Verdict.FIXED, (f"{told}, {100.0 * (1.0 - share):.0f} % or more for certain",)
    if low > 0.0:
        return Verdict.NOT_FIXED, (f"{told}: less than {100.0 * (1.0 - share):.0f} % for certain",)
    return Verdict.NOT_YET, (f"{told}; whether {100.0 * (1.0 - share):.0f} % or more is not certain yet",)
