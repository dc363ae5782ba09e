"""How urgent an alarm is: one rule for the overnight review and for visits.

The word says how soon somebody has to be there. It does not depend on what else a trip could see to; that
only moves an alarm up in the ranking. Weights: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.alarms.words import GRAVE_LIMITS, REACHED, is_number
from standingwatch.detect.words import Condition, Severity
from standingwatch.review.overnight import URGENCIES

#: Time left that is assumed where no forecast says less [d]: critical has none, major wants somebody within
#: days, minor within weeks.
ASSUMED_DAYS = {Severity.CRITICAL: 0.0, Severity.MAJOR: 3.0, Severity.MINOR: 30.0, Severity.WARNING: 120.0}

#: Below so many days an alarm has the urgency of the same place in `URGENCIES`.
URGENCY_DAYS = (1.0, 14.0, 90.0, math.inf)

#: Stands for a signal that is lost altogether [dB].
ALL_LOST_DB = 60.0

#: Each other alarm that the same trip could see to makes a trip more worth while by so much, up to so many.
SHARE_WEIGHT, SHARES_MOST = 0.1, 5

_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Urgency:
    """What makes an alarm urgent; attributes as those of `Item`."""

    days_left: float
    is_forecast: bool
    lost_db: float | None
    forecast_days: float | None = None

    def days_that_count(self, shares: int) -> float:
        """Time left, shortened by what the fault costs and by what shares its trip [d].

        A fault that costs 3 dB counts as one with half the time: half of the signal is gone.
        """
        lost: float = 10.0 ** (-(self.lost_db or 0.0) / 10.0)
        return self.days_left * lost / (1.0 + SHARE_WEIGHT * min(shares, SHARES_MOST))


def urgency_of(alarm: Alarm, now_us: int) -> Urgency:
    """What makes a standing alarm urgent, at a time [Unix microseconds]."""
    assumed = 0.0 if alarm.key.condition is Condition.FOLDBACK_ACTIVE else ASSUMED_DAYS[alarm.severity]
    grave = [f for f in alarm.forecast if f.limit in GRAVE_LIMITS]
    told = [
        0.0 if f.says == REACHED else max(0.0, ((f.expected_us or 0) - now_us) / _DAY_US)
        for f in grave
        if f.says == REACHED or f.expected_us is not None
    ]
    forecast = min(told, default=math.inf)
    by_forecast = forecast if told else None
    return Urgency(min(assumed, forecast), forecast <= assumed and bool(told), _lost_db(alarm), by_forecast)


def urgency_word(days: float) -> str:
    """One of `URGENCIES` for the days that count [d], 0 or more."""
    return next(
        word for word, end in zip(URGENCIES, URGENCY_DAYS, strict=True) if days < end or end == math.inf
    )


def urgency_of_alarm(alarm: Alarm, now_us: int) -> str:
    """One of `URGENCIES` for a standing alarm, at a time [Unix microseconds]."""
    return urgency_word(urgency_of(alarm, now_us).days_that_count(0))


def _lost_db(alarm: Alarm) -> float | None:
    """What the fault costs, in the match or in the amplifier, whichever is more [dB]."""
    values, found = alarm.values, []
    lost, before, change = values.get("lost_db"), values.get("lost_db_baseline"), values.get("change_db")
    if is_number(lost):
        found.append(lost - (before if is_number(before) else 0.0))
    if is_number(change):
        found.append(-change)
    return min(max(0.0, *found), ALL_LOST_DB) if found else None
