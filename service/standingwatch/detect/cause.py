"""What may lie behind a finding, told from how the readings moved. Common practice, no published source.

The confidence is a judgement, not a measured frequency, and never sums to more than 1. Each cause carries the
evidence for it and what speaks against it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from standingwatch.detect.history import last_days
from standingwatch.detect.interface import LikelyCause, State
from standingwatch.detect.words import Cause

#: A jump of the SWR from one reading to the next by this factor is a step, not a drift.
STEP_FACTOR = 1.25

#: Wet hours that make a day a wet one.
WET_DAY_HOURS = 3

#: Days with a level that are needed to tell wet days from dry ones, of each kind.
LEAST_DAYS = 4

#: Standard errors by which wet days have to rank above dry ones for a level to follow the rain.
FOLLOWS_RAIN = 1.6
#: The same where the course is as skewed as rain makes it; and how skewed that is. Found on invented fleets:
#: three quarters of the lines that took up water had more than 0.16, three quarters of the others less than
#: 0.13.
MAY_FOLLOW_RAIN, SKEW_OF_RAIN = 0.8, 0.15

#: Day-to-day changes that a skew is told from.
LEAST_CHANGES = 8


@dataclass(frozen=True)
class Others:
    """What the other transmitters on the same antenna line do.

    Attributes:
        moved: how many of them have moved too.
        words: that in words, "" where there are no others.
    """

    moved: int
    words: str


@dataclass(frozen=True)
class RainEvidence:
    """How the daily level moved on wet and on dry days.

    Attributes:
        wet_days, dry_days: day-to-day changes of each kind.
        wet_rise, dry_rise: their medians, in rho per day; NaN with too few.
        apart: by how many standard errors changes on wet days rank above those on dry ones (the statistic of
            Mann and Whitney, 1947, which asks for no scale: the changes grow with the fault); NaN with too
            few days.
        skew: mean less median of all day-to-day changes, in their standard deviations (the nonparametric
            skew; name from memory): large where few large rises and many small falls make the course, as
            rain and drying do; NaN with too few.
    """

    wet_days: int
    dry_days: int
    wet_rise: float
    dry_rise: float
    apart: float
    skew: float

    @property
    def follows(self) -> bool:
        """Whether the level is known to follow the rain."""
        if not math.isfinite(self.apart) or self.wet_rise <= 0:
            return False
        return self.apart >= FOLLOWS_RAIN or (self.apart >= MAY_FOLLOW_RAIN and self.skew >= SKEW_OF_RAIN)


def rain_evidence(state: State, number: int, position: int, days: int = 60) -> RainEvidence:
    """What the days since a transmitter left its baseline say about rain.

    Args:
        state: records of `history.BASELINE_STATE`.
        number: the last day.
        position: the transmitter.
        days: how far to look back, at most.
    """
    one = state[position : position + 1]
    level = last_days(one["all_hours"], number, days)[0]
    temperature = last_days(one["temperature_c"], number, days)[0]
    warmer = np.where(np.isfinite(temperature), temperature - one["reference_c"][0], 0.0)
    level = level - one["per_c"][0] * np.where(np.isfinite(warmer), warmer, 0.0)
    left = np.flatnonzero(level < one["rho"][0] + 2.0 * one["spread"][0])
    since = int(min(left[-1] if len(left) else 0, days - 15))
    level = level[since:]
    wet_hours = np.nan_to_num(last_days(one["wet_hours"], number, days)[0][since:])
    step = np.diff(level)
    known = np.isfinite(step)
    wet = wet_hours[1:] >= WET_DAY_HOURS
    # After rain late in a day the next day is neither: the day's mean still rises, the line already dries.
    dry = ~wet & (wet_hours[:-1] < WET_DAY_HOURS)
    on_wet, on_dry = step[known & wet], step[known & dry]
    wet_rise = dry_rise = apart = math.nan
    if len(on_wet) >= LEAST_DAYS and len(on_dry) >= LEAST_DAYS:
        wet_rise, dry_rise = float(np.median(on_wet)), float(np.median(on_dry))
        m, n = len(on_wet), len(on_dry)
        above = float(
            (on_wet[:, None] > on_dry[None, :]).sum() + 0.5 * (on_wet[:, None] == on_dry[None, :]).sum()
        )
        apart = (above - m * n / 2.0) / math.sqrt(m * n * (m + n + 1) / 12.0)
    steps = step[known]
    skew = math.nan
    if len(steps) >= LEAST_CHANGES and float(np.std(steps)) > 0:
        skew = float((np.mean(steps) - np.median(steps)) / np.std(steps))
    return RainEvidence(len(on_wet), len(on_dry), wet_rise, dry_rise, apart, skew)


def causes_of_trend(
    change_rho: float, days: int, rain: RainEvidence, others: Others
) -> tuple[LikelyCause, ...]:
    """Causes of a daily level that left its baseline slowly.

    Args:
        change_rho: level less baseline, in rho.
        days: days of the last two weeks for which it was away.
        rain: how it moved on wet and dry days.
        others: what the other transmitters on the same antenna line do.
    """
    words = f"the daily level of rho is {change_rho:+.3f} from its baseline ({days} of the last days away)"
    if others.moved:
        return (
            LikelyCause(Cause.SHARED_ANTENNA_SYSTEM, 0.7, f"{words}; {others.words}"),
            LikelyCause(Cause.CONNECTOR, 0.2, f"{words}; against it: it is not alone"),
        )
    tail = f"; {others.words}" if others.words else ""
    if math.isfinite(rain.apart):
        told = (
            f"{rain.wet_rise:+.4f} a day on {rain.wet_days} wet days, {rain.dry_rise:+.4f} on "
            f"{rain.dry_days} dry ones"
        )
        if rain.follows:
            recovers = "recovers part of the way when dry" if rain.dry_rise < 0 else "rises more when wet"
            return (
                LikelyCause(Cause.WATER, 0.7, f"{words}; it {recovers}: {told}{tail}"),
                LikelyCause(
                    Cause.CONNECTOR, 0.2, f"{words}; against it: a corroding connector takes no note of rain"
                ),
            )
        return (
            LikelyCause(Cause.CONNECTOR, 0.65, f"{words}; wet and dry days rise alike: {told}{tail}"),
            LikelyCause(Cause.WATER, 0.2, f"{words}; against it: rain makes no difference ({told})"),
        )
    if rain.skew >= SKEW_OF_RAIN:
        return (
            LikelyCause(
                Cause.WATER,
                0.5,
                f"{words}; it rises in a few jumps and recovers in between, as with rain{tail}",
            ),
            LikelyCause(Cause.CONNECTOR, 0.3, f"{words}; against it: corrosion does not recover"),
        )
    return (
        LikelyCause(
            Cause.CONNECTOR, 0.5, f"{words}: a steady rise fits a connector or jumper that corrodes{tail}"
        ),
        LikelyCause(
            Cause.WATER,
            0.3,
            f"{words}; whether it follows the rain cannot be told: too few wet or dry days known",
        ),
    )


def causes_of_step(
    swr_before: float, swr: float, others: Others, rain: RainEvidence
) -> tuple[LikelyCause, ...]:
    """Causes of a step away from the baseline that stays.

    Args:
        swr_before: SWR at the transmitter before it.
        swr: after it.
        others: what the other transmitters on the same antenna line do.
        rain: how the level moved on wet and dry days.
    """
    tail = f"; {others.words}" if others.words else ""
    jump = f"the SWR stepped from {swr_before:.2f} to {_swr(swr)} and stays{tail}"
    if others.moved:
        return (
            LikelyCause(Cause.SHARED_ANTENNA_SYSTEM, 0.7, jump),
            LikelyCause(Cause.ANTENNA_DAMAGE, 0.2, f"{jump}; the antenna is part of what they share"),
        )
    if rain.follows:
        told = f"{rain.wet_rise:+.4f} on wet days, {rain.dry_rise:+.4f} on dry ones"
        return (
            LikelyCause(Cause.WATER, 0.6, f"{jump}; it came with rain and moves with it: {told}"),
            LikelyCause(
                Cause.ANTENNA_DAMAGE, 0.25, f"{jump}; against it: damage does not recover when it dries"
            ),
        )
    return (
        LikelyCause(
            Cause.ANTENNA_DAMAGE, 0.6, f"{jump}: bent, broken or detuned antenna, or a short or open"
        ),
        LikelyCause(Cause.LOOSE_CONNECTION, 0.25, f"{jump}; against it: a loose connection comes and goes"),
    )


def causes_of_high_swr(
    swr: float, swr_before: float, *, iced: bool = False, stepped: bool = False, told: bool = True
) -> tuple[LikelyCause, ...]:
    """Causes of an SWR over a limit, from the SWR now and the reading before the limit was passed.

    Args:
        swr: the SWR now, 1 or more, infinite for total reflection.
        swr_before: the SWR of the last reading under the limit, NaN if it is not known.
        iced: whether it froze with precipitation there and has not thawed, or seems to have.
        told: whether anybody there or nearby tells the temperature.
        stepped: whether it is known to have come at once, however small it looks behind a lossy feeder.
    """
    if iced and not told:
        words = "it came with others of its region or site, or went back most of the way by itself"
        return (
            LikelyCause(
                Cause.ICE,
                0.5,
                f"{words}: ice does both, and damage neither; nobody tells the temperature to make sure",
            ),
            LikelyCause(Cause.ANTENNA_DAMAGE, 0.2, f"{words}; damage would stay as it is"),
        )
    if iced:
        return (
            LikelyCause(
                Cause.ICE, 0.7, "it froze with precipitation and has not thawed since: ice goes with the thaw"
            ),
            LikelyCause(
                Cause.ANTENNA_DAMAGE, 0.2, "ice can also bend or break; it would stay after the thaw"
            ),
        )
    if not math.isfinite(swr_before):
        return (LikelyCause(Cause.UNKNOWN, 0.5, "no reading under the limit is at hand to compare with"),)
    if stepped or swr >= STEP_FACTOR * swr_before:
        jump = f"the SWR went from {swr_before:.2f} to {_swr(swr)} within a few readings"
        return (
            LikelyCause(Cause.ANTENNA_DAMAGE, 0.6, f"{jump}: a short, an open or a damaged antenna"),
            LikelyCause(
                Cause.LOOSE_CONNECTION, 0.3, f"{jump}: a connection may have parted; it may come back"
            ),
        )
    drift = f"the SWR drifted over the limit ({swr_before:.2f} before, {_swr(swr)} now)"
    return (
        LikelyCause(Cause.CONNECTOR, 0.5, f"{drift}, as with a corroding connector or jumper"),
        LikelyCause(Cause.WATER, 0.3, f"{drift}; water in the antenna or a connector does that too"),
    )


def causes_of_bursts(days: int, bursts: int, wind: float, *, iced: bool = False) -> tuple[LikelyCause, ...]:
    """Causes of an SWR that is high in bursts.

    Args:
        days: days of the last two weeks with a burst.
        bursts: readings in bursts on them.
        wind: share of the burst days that were windy ones less that of the others, NaN where not told.
        iced: whether they grew over hours, and nobody tells the temperature to rule out ice.
    """
    words = f"high for minutes to hours on {days} of the last 14 days ({bursts} readings), normal in between"
    if iced:
        grew = f"{words}; it grew each time, and nobody tells the temperature"
        return (
            LikelyCause(Cause.ICE, 0.45, f"{grew}: ice comes like that in cold nights, and goes by day"),
            LikelyCause(
                Cause.LOOSE_CONNECTION,
                0.35,
                f"{words}; against it: a loose connection mostly comes from one reading to the next",
            ),
        )
    in_wind = "; more on windy days" if math.isfinite(wind) and wind > 0.2 else ""
    return (
        LikelyCause(
            Cause.LOOSE_CONNECTION,
            0.75,
            f"{words}{in_wind}: a loose connector, a cracked centre pin or a chafing jumper",
        ),
        LikelyCause(Cause.WATER, 0.1, f"{words}; against it: most of it came in dry hours"),
    )


def causes_of_improvement(
    change_db: float, iced: bool = False, nothing: bool = False
) -> tuple[LikelyCause, ...]:
    """Causes of a match that seems to improve by itself.

    Args:
        change_db: by how much the return loss rose [dB].
        iced: whether the site may be iced now.
        nothing: whether a meter that had shown little reflected shows nothing.
    """
    words = f"the return loss rose by {change_db:.1f} dB without work on record"
    if iced:
        return (
            LikelyCause(
                Cause.ICE, 0.5, f"{words}, in frost: what ice reflects can oppose what the antenna does"
            ),
            LikelyCause(Cause.FEEDER_LOSS, 0.3, f"{words}; it would stay after the thaw"),
        )
    if nothing:
        words = f"the meter shows nothing, and half of its step would be a rise by {change_db:.1f} dB"
        return (
            LikelyCause(Cause.FEEDER_LOSS, 0.5, f"{words}: a feeder that takes up water hides the antenna"),
            LikelyCause(Cause.COUPLER, 0.4, f"{words}; a dead detector shows the same: compare meters"),
        )
    return (
        LikelyCause(
            Cause.FEEDER_LOSS,
            0.7,
            f"{words}: a feeder that takes up water loses more, and hides the antenna by twice what it loses",
        ),
        LikelyCause(Cause.COUPLER, 0.2, f"{words}; a detector that goes deaf shows the same: compare meters"),
    )


def causes_of_low_power(fall_db: float, abrupt: bool) -> tuple[LikelyCause, ...]:
    """Causes of forward power that fell while the match is as before.

    Args:
        fall_db: by how much [dB].
        abrupt: whether it came in one step.
    """
    words = f"forward power is {fall_db:.1f} dB below its baseline, the match unchanged"
    if abrupt:
        return (
            LikelyCause(Cause.AMPLIFIER, 0.6, f"{words}; it came in one step: a stage may have failed"),
            LikelyCause(Cause.UNKNOWN, 0.3, f"{words}; the power may have been switched without a record"),
        )
    return (
        LikelyCause(Cause.AMPLIFIER, 0.8, f"{words}; it falls slowly, as an ageing amplifier does"),
        LikelyCause(Cause.COUPLER, 0.15, f"{words}; against it: a coupler that fails seldom keeps the ratio"),
    )


def causes_of_suspect_measurement(why: str) -> tuple[LikelyCause, ...]:
    """Causes of readings that cannot be.

    Args:
        why: what is wrong with them, in words.
    """
    return (
        LikelyCause(Cause.COUPLER, 0.8, f"{why}: coupler, detector or wiring"),
        LikelyCause(Cause.UNKNOWN, 0.1, f"{why}; the device that reports may repeat or mix its values"),
    )


def causes_of_silence(whole_site: bool) -> tuple[LikelyCause, ...]:
    """Causes of reports that stopped, for one transmitter or for all of a site."""
    if whole_site:
        return (
            LikelyCause(
                Cause.SITE_LINK, 0.8, "no transmitter of the site reports: link or power of the site"
            ),
        )
    return (
        LikelyCause(
            Cause.UNKNOWN,
            0.5,
            "the site reports but not this transmitter: its meter, its supply or its wiring",
        ),
    )


def _swr(swr: float) -> str:
    """An SWR in words."""
    return f"{swr:.2f}" if math.isfinite(swr) else "total reflection"
