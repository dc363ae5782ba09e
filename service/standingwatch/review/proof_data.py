"""What a proof after a visit is made of: hours of one transmitter, when it was worked, what came of it.

How much has to have come back, and how many days it takes, is common practice without a source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum

from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition
from standingwatch.readings.fleet import FloatArray, IntArray
from standingwatch.review.comparing import Level

DAY_US = 24 * HOUR_US

#: Usable hours that make a day's level.
HOURS_A_DAY = 4
#: Days with a level that it takes after the work, and before it; fewer before are one level of their hours.
LEAST_AFTER, LEAST_BEFORE = 5, 3
#: Days that are looked at: before the work, after it, and before the fault.
BEFORE_DAYS, AFTER_DAYS, REFERENCE_DAYS = 7, 14, 28
#: How far back the course has to reach for all of that [d].
COURSE_DAYS = 90

#: Share of the fault that may be left for it to be fixed, and what may be left of a small one [rho]: new
#: jumpers do not match to the last digit.
SHARE_LEFT, MAY_BE_LEFT_RHO = 0.25, 0.015
#: The same of forward power [dB].
MAY_BE_LEFT_DB = 0.3
#: Where there is no baseline, the level has to come under the first limit that the watch warns of.
LIMIT_SWR = 1.5

#: A day's course is wet with so many hours of rain; so many wet days it takes.
WET_HOURS, LEAST_WET = 2, 3
#: Of bursts: chance, were nothing fixed, of so few days with bursts afterwards; days with bursts that refute.
CHANCE_OF_LUCK, BURSTS_REFUTE = 0.01, 2
#: Reports: hours after the work that have to be there, and the share of them with reports.
REPORT_HOURS, REPORT_SHARE = 72, 0.9


class Measure(StrEnum):
    """What is compared."""

    MATCH = "match"
    RAIN = "match in rain"
    BURSTS = "days with bursts"
    POWER = "forward power"
    REPORTS = "reports"
    ALARM = "the alarm itself"


MEASURES: Mapping[Condition, Measure] = {
    Condition.SWR_HIGH: Measure.MATCH,
    Condition.SWR_RISING: Measure.MATCH,
    Condition.SWR_STEP: Measure.MATCH,
    Condition.FEEDER_LOSS_RISING: Measure.MATCH,
    Condition.SWR_WEATHER: Measure.RAIN,
    Condition.SWR_INTERMITTENT: Measure.BURSTS,
    Condition.FORWARD_POWER_LOW: Measure.POWER,
    Condition.FOLDBACK_ACTIVE: Measure.POWER,
    Condition.REPORTS_MISSING: Measure.REPORTS,
    Condition.SITE_UNREACHABLE: Measure.REPORTS,
    Condition.MEASUREMENT_SUSPECT: Measure.ALARM,
}


class Verdict(StrEnum):
    """What the comparison says."""

    FIXED = "proven-fixed"
    NOT_FIXED = "not-fixed"
    NOT_YET = "cannot-say-yet"


@dataclass(frozen=True)
class Course:
    """Hourly rollups of one transmitter, by hour.

    Attributes:
        hour_us: begin of each hour, rising [Unix microseconds].
        reports, usable: reports, and those that say something about the match.
        forward_w: median forward power [W].
        rho_level, rho_high: level and 90 % point of rho [1].
        precipitation: as reported.
    """

    hour_us: IntArray
    reports: IntArray
    usable: IntArray
    forward_w: FloatArray
    rho_level: FloatArray
    rho_high: FloatArray
    precipitation: FloatArray

    def between(self, start_us: int, end_us: int) -> Course:
        """The hours that lie wholly within a span."""
        inside = (self.hour_us >= start_us) & (self.hour_us + HOUR_US <= end_us)
        return Course(**{f.name: getattr(self, f.name)[inside] for f in fields(self)})


@dataclass(frozen=True)
class Work:
    """When it was worked, and up to when there are closed hours [Unix microseconds]."""

    begun_us: int
    ended_us: int
    until_us: int


@dataclass(frozen=True)
class Proof:
    """What the comparison of one transmitter gives.

    Attributes:
        transmitter: which.
        measure: what was compared.
        verdict: what it says.
        reasons: why, sentence by sentence.
        unit: of the levels: "rho" (they are at the transmitter), "dB" over 1 W, "" where there are none.
        before, after: levels with their intervals; None where there are too few days.
        healthy: level when all was well; NaN if it is not known.
        loss_db: one-way loss to the antenna [dB]; NaN if it is not known.
        gain: by how much the return loss rose, or the power [dB], with its interval; None without levels.
    """

    transmitter: str
    measure: Measure
    verdict: Verdict
    reasons: tuple[str, ...]
    unit: str = ""
    before: Level | None = None
    after: Level | None = None
    healthy: float = math.nan
    loss_db: float = math.nan
    gain: Level | None = None
