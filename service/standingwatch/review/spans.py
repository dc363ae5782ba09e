"""How finely a line's course is told over a length of time: readings, hours or days."""

from __future__ import annotations

from enum import StrEnum

from standingwatch.detect.rollup import HOUR_US

DAY_US = 24 * HOUR_US


class Resolution(StrEnum):
    """What one row of a course stands for."""

    RAW = "raw"
    HOUR = "hour"
    DAY = "day"


#: Longest span that is told by hours: 2,400 rows, more than a chart has columns of pixels.
HOURS_UP_TO_US = 100 * DAY_US

#: Longest span that is told by single readings, and how many of one transmitter at most. The latter keeps a
#: chart quick: 2,000 points took 0.23 s to draw in Chromium.
RAW_UP_TO_US = 2 * DAY_US
RAW_ROWS = 6_000

#: Readings of the whole fleet that may be walked over for those of one transmitter. Among 3 million, walking
#: over 576,000 took 0.16 s on SQLite and 0.07 s on PostgreSQL, with both cores of the machine much in use
#: (`tests/benchmarks/line_speed.py`).
WALK_ROWS = 1_000_000

#: Shortest and longest span that can be asked for.
LEAST_US, MOST_US = 60_000_000, 20 * 366 * DAY_US


def raw_span_us(expected_interval_s: float, fleet_reports_a_second: float) -> int:
    """Longest span over which readings of one transmitter may be asked for at once [us].

    Args:
        expected_interval_s: time between the transmitter's reports [s], above 0.
        fleet_reports_a_second: reports of all transmitters together [1/s], 0 or more.
    """
    by_rows = RAW_ROWS * expected_interval_s * 1e6
    by_walk = WALK_ROWS / max(fleet_reports_a_second, 1e-9) * 1e6
    return max(LEAST_US, int(min(RAW_UP_TO_US, by_rows, by_walk)))


def resolution_of(span_us: int, raw_up_to_us: int) -> Resolution:
    """The finest resolution that a span can be told in.

    Args:
        span_us: length of the span [us].
        raw_up_to_us: longest span for readings, `raw_span_us`.
    """
    if span_us <= raw_up_to_us:
        return Resolution.RAW
    return Resolution.HOUR if span_us <= HOURS_UP_TO_US else Resolution.DAY
