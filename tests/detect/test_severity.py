"""How grave a trend or a step is: from the time left, the SWR at the antenna's end, and how sure it is."""

from __future__ import annotations

import numpy as np
import pytest

from standingwatch.detect.severity import SeverityTable, of_step, of_trend
from standingwatch.detect.words import Severity

TABLE = SeverityTable(major_days=7, minor_days=60, minor_swr=2.0, major_swr=3.0)


@pytest.mark.parametrize(
    ("days_left", "swr", "certain", "severity"),
    [
        (7.0, 1.4, True, Severity.MAJOR),
        (0.0, 1.4, True, Severity.MAJOR),
        (7.0, 1.4, False, Severity.MINOR),
        (7.1, 1.4, True, Severity.MINOR),
        (60.0, 1.4, True, Severity.MINOR),
        (60.1, 1.4, True, Severity.WARNING),
        (np.inf, 1.4, True, Severity.WARNING),
        (np.nan, 1.4, True, Severity.WARNING),
        (np.nan, 2.0, True, Severity.MINOR),
        (np.nan, np.inf, False, Severity.MINOR),
        (np.nan, np.nan, True, Severity.WARNING),
    ],
)
def test_of_a_trend(days_left: float, swr: float, certain: bool, severity: Severity) -> None:
    assert of_trend(TABLE, days_left, swr, certain) is severity


@pytest.mark.parametrize(
    ("swr", "severity"),
    [
        (1.3, Severity.WARNING),
        (1.99, Severity.WARNING),
        (2.0, Severity.MINOR),
        (2.99, Severity.MINOR),
        (3.0, Severity.MAJOR),
        (np.inf, Severity.MAJOR),
        (np.nan, Severity.WARNING),
    ],
)
def test_of_a_step(swr: float, severity: Severity) -> None:
    assert of_step(TABLE, swr) is severity


def test_less_time_is_never_less_grave() -> None:
    days = np.linspace(0, 400, 801)
    grave = [of_trend(TABLE, float(d), 1.5, True) for d in days]
    assert grave == sorted(grave, reverse=True)
    assert len(set(grave)) == 3
