"""How grave a trend is: from what it leads to, and how much time is left.

The table is common practice with no published source: a crew needs about a week to plan for a site, parts
and a climber take some weeks, and what is further away than that belongs to the next planned visit.
"""

from __future__ import annotations

from dataclasses import dataclass

from standingwatch.detect.words import Severity


@dataclass(frozen=True)
class SeverityTable:
    """From time left to severity.

    Attributes:
        major_days: foldback, tolerance or 3:1 expected within so many days is major [d].
        minor_days: the same for minor [d]; what is further away is a warning.
        minor_swr: SWR at the antenna end from which a departure is minor however much time is left.
        major_swr: SWR at the antenna end from which a step is major.
    """

    major_days: float = 7.0
    minor_days: float = 60.0
    minor_swr: float = 2.0
    major_swr: float = 3.0


def of_trend(table: SeverityTable, days_left: float, swr_at_antenna: float, certain: bool) -> Severity:
    """Severity of a slow rise.

    Args:
        table: the settings.
        days_left: days until the first of foldback, tolerance and 3:1 is expected; NaN if it cannot be said.
        swr_at_antenna: present SWR at the antenna end.
        certain: whether a full baseline stands behind it.
    """
    if certain and days_left <= table.major_days:
        return Severity.MAJOR
    if days_left <= table.minor_days or swr_at_antenna >= table.minor_swr:
        return Severity.MINOR
    return Severity.WARNING


def of_step(table: SeverityTable, swr_at_antenna: float) -> Severity:
    """Severity of a step, by the SWR at the antenna end that it led to."""
    if swr_at_antenna >= table.major_swr:
        return Severity.MAJOR
    return Severity.MINOR if swr_at_antenna >= table.minor_swr else Severity.WARNING
