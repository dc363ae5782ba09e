"""Published targets for alarm systems, as numbers; `fixtures/checkvalues` holds them as they were read.

"Read at second hand" was read in a text that reports the standard, "from memory" was not checked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Target:
    """A published target.

    Attributes:
        metric: its row in `fixtures/checkvalues/alarm_performance_targets.csv`.
        target, limit: what is acceptable, and the most that can be managed, as published; "" for none.
        source: the standard.
        status: whether that was read at second hand, or is from memory.
        is_met: whether a figure meets the target.
        within: the most that can be managed, as a number; None for none.
    """

    metric: str
    target: str
    limit: str
    source: str
    status: str
    is_met: Callable[[float], bool]
    within: float | None = None


_MEMORY = "from memory"
_SECOND_HAND = "read at second hand"


def at_most(most: float) -> Callable[[float], bool]:
    """A test that a figure is not above another."""
    return lambda value: value <= most


def below(end: float) -> Callable[[float], bool]:
    """A test that a figure is below another."""
    return lambda value: value < end


def at_least(least: float) -> Callable[[float], bool]:
    """A test that a figure is not below another."""
    return lambda value: value >= least


PER_DAY = Target(
    "alarms per operator per day",
    "~150 (2009); ~144 (IEC 2014)",
    "~300 / ~288",
    "ISA-18.2-2009 / IEC 62682:2014",
    "target read at second hand, limit from memory; dropped in ISA-18.2-2016 (read at second hand)",
    at_most(144),
    288,
)
PER_HOUR = Target(
    "alarms per operator per hour (average)",
    "~6",
    "~12",
    "ISA-18.2 / IEC 62682",
    "target read at second hand, limit from memory",
    at_most(6),
    12,
)
PER_10_MIN = Target(
    "alarms per operator per 10 min (average)", "~1", "~2", "ISA-18.2 / IEC 62682", _MEMORY, at_most(1), 2
)
HOURS_OVER = Target("% of hours with >30 alarms", "<~1%", "", "ISA-18.2", _MEMORY, below(1))
PERIODS_OVER = Target("% of 10-min periods with >10 alarms", "<~1%", "", "ISA-18.2", _MEMORY, below(1))
PEAK = Target("max alarms in any 10 min", "<=10", "", "ISA-18.2", _MEMORY, at_most(10))
FLOOD_TIME = Target("% time in flood", "<~1%", "", "ISA-18.2", _SECOND_HAND, below(1))
TOP_TEN = Target("top-10 alarms share of load", "<~1% to 5% max", "", "ISA-18.2", _MEMORY, below(1), 5)
CHATTERING = Target(
    "chattering and fleeting alarms", "0, action plans for any", "", "ISA-18.2", _MEMORY, at_most(0)
)
STALE = Target(
    "stale alarms (active >24 h)", "<5 on any day, action plans", "", "ISA-18.2", _MEMORY, below(5)
)
_SPLIT = (
    "priority split low/medium/high",
    "~80/~15/~5 %",
    "",
    "ISA-18.2 / EEMUA 191",
    "read at second hand for EEMUA 191, else from memory",
)
#: The published split by priority: fewer of the low, or more of the others, does not meet it.
SPLIT = {
    "low": Target(*_SPLIT, at_least(80)),
    "medium": Target(*_SPLIT, at_most(15)),
    "high": Target(*_SPLIT, at_most(5)),
}

#: EEMUA 191 on a long-term average: alarms in 10 minutes from which on it is called so; the first figure was
#: read at second hand, the others are from memory. What lies between two is called as the lower one is.
LONG_TERM = ((10.0, "very likely unacceptable"), (5.0, "likely over-demanding"), (1.0, "manageable"))
