"""Courses of an antenna line against values worked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings.flags import Flag
from standingwatch.review.chart_scale import breaks, rho_ticks
from standingwatch.review.course import by_day, from_hours, from_readings, meter_step_w, says_match
from standingwatch.review.spans import DAY_US, LEAST_US, Resolution, raw_span_us, resolution_of

NOTHING = ("pa_temperature_c", "ambient_temperature_c", "precipitation", "wind_mps")


def readings(forward_w: list[float], reflected_w: list[float], flags: list[int]) -> dict[str, Any]:
    n = len(flags)
    columns: dict[str, Any] = {name: np.full(n, np.nan) for name in NOTHING}
    return columns | {
        "time_us": np.arange(n, dtype=np.int64) * 60_000_000,
        "flags": np.array(flags, dtype=np.int64),
        "forward_w": np.array(forward_w),
        "reflected_w": np.array(reflected_w),
    }


def hours(
    rho: list[float], begin_hour: int = 0, forward_w: float = 100.0, step_w: float = 0.0
) -> dict[str, Any]:
    n = len(rho)
    level = np.array(rho)
    columns: dict[str, Any] = {name: np.full(n, np.nan) for name in NOTHING}
    return columns | {
        "hour_us": (begin_hour + np.arange(n, dtype=np.int64)) * HOUR_US,
        "reports": np.full(n, 60),
        "usable": np.where(np.isnan(level), 0, 30),
        "forward_w": np.where(np.isnan(level), np.nan, forward_w),
        "rho_low": level * 0.9,
        "rho_median": level,
        "rho_high": level * 1.1,
        "rho_max": level * 1.2,
        "reflected_step_w": np.where(np.isnan(level), np.nan, step_w),
    }


def test_readings_worked_by_hand() -> None:
    course = from_readings(readings([100.0, 100.0], [4.0, 25.0], [0, 0]), 26.0206)
    # sqrt(4 / 100), sqrt(25 / 100); 26.02 dB of directivity leak 0.05. Whole watts: half a watt either side.
    assert course.rho.tolist() == [0.2, 0.5]
    assert course.rho_least == pytest.approx(np.sqrt([0.035, 0.245]) - 0.05, abs=1e-6)
    assert course.rho_most == pytest.approx(np.sqrt([0.045, 0.255]) + 0.05, abs=1e-6)
    assert course.resolution is Resolution.RAW
    assert course.length_us == 0


def test_total_reflection_is_one_and_what_is_not_keyed_says_nothing() -> None:
    idle, above = int(Flag.NOT_KEYED | Flag.LOW_FORWARD), int(Flag.REFLECTED_ABOVE_FORWARD)
    course = from_readings(
        readings([100.0, 0.1, 100.0, 100.0], [104.0, 0.0, 126.0, 1.0], [above, idle, above, int(Flag.STUCK)]),
        30.0,
    )
    # 104 of 100 W is total reflection read by imperfect meters; 126 is more than 1.25 times: no reading.
    assert course.rho.tolist() == pytest.approx([1.0, np.nan, np.nan, 0.1], nan_ok=True)
    assert course.usable.tolist() == [1, 0, 0, 1]
    assert course.rho_most[0] == 1.0
    assert np.isnan(course.rho_most[1])


def test_a_coupler_that_is_not_known_bounds_nothing() -> None:
    course = from_readings(readings([100.0], [4.0], [0]), np.nan)
    assert course.rho.tolist() == [0.2]
    assert np.isnan(course.rho_least).all()
    assert np.isnan(course.rho_most).all()


def test_no_forward_power_is_no_match() -> None:
    usable, total = says_match(np.array([0]), np.array([0.0]), np.array([0.0]))
    assert not usable.any()
    assert not total.any()


@pytest.mark.parametrize(("watts", "step"), [([1.0, 3.0], 1.0), ([1.0, 2.5], 0.5), ([0.13], 0.01), ([], 0.0)])
def test_step_of_the_meter(watts: list[float], step: float) -> None:
    assert meter_step_w(np.array(watts)) == step


def test_hours_worked_by_hand() -> None:
    course = from_hours(hours([0.1, np.nan, 0.3], step_w=0.2), 40.0)
    assert course.rho.tolist() == pytest.approx([0.1, np.nan, 0.3], nan_ok=True)
    # 100 W forward: 1 W and 9 W reflected, 0.1 W either side; 40 dB leak 0.01.
    assert course.rho_least[[0, 2]] == pytest.approx(np.sqrt([0.009, 0.089]) - 0.01)
    assert course.rho_most[[0, 2]] == pytest.approx(np.sqrt([0.011, 0.091]) + 0.01)


def test_days_are_medians_of_their_hours() -> None:
    # Yesterday's last two hours, and three of today of which one is not known.
    both = from_hours(hours([0.1, 0.2, 0.4, np.nan, 0.3], begin_hour=22), np.nan)
    days = by_day(both)
    assert (days.time_us // DAY_US).tolist() == [0, 1]
    assert days.rho.tolist() == pytest.approx([0.15, 0.35])
    assert days.rho_low.tolist() == pytest.approx([0.1, 0.3])
    assert days.rho_high.tolist() == pytest.approx([0.2, 0.4])
    assert days.rho_max.tolist() == pytest.approx([0.24, 0.48])
    assert days.reports.tolist() == [120, 180]
    assert days.usable.tolist() == [60, 60]


def test_days_of_nothing() -> None:
    assert len(by_day(from_hours(hours([]), 25.0))) == 0
    silent = by_day(from_hours(hours([np.nan, np.nan]), 25.0))
    assert np.isnan(silent.rho).all()
    assert silent.usable.tolist() == [0]


def test_days_agree_with_a_plain_count_over_a_year() -> None:
    rng = np.random.default_rng(11)
    rho = np.where(rng.random(8_000) < 0.3, np.nan, rng.uniform(0.0, 1.0, 8_000))
    course = from_hours(hours(rho.tolist(), begin_hour=7), 25.0)
    days = by_day(course)
    for n, day_us in enumerate(days.time_us.tolist()):
        mine = rho[(course.time_us >= day_us) & (course.time_us < day_us + DAY_US)]
        assert days.rho[n] == pytest.approx(np.nanmedian(mine))
        assert days.rho_high[n] == np.nanmax(mine)


def test_resolution_by_span() -> None:
    # 100 transmitters every 10 s: 10 reports a second, so the walk over a million is not what bounds it.
    raw_us = raw_span_us(10.0, 10.0)
    assert raw_us == 60_000_000_000
    assert resolution_of(raw_us, raw_us) is Resolution.RAW
    assert resolution_of(raw_us + 1, raw_us) is Resolution.HOUR
    assert resolution_of(100 * DAY_US, raw_us) is Resolution.HOUR
    assert resolution_of(100 * DAY_US + 1, raw_us) is Resolution.DAY
    # 10,000 every 60 s: a million rows are an hour and forty minutes.
    assert raw_span_us(60.0, 10_000 / 60) == 6_000_000_000
    assert raw_span_us(60.0, 0.0) == 2 * DAY_US
    assert raw_span_us(0.001, 1e9) == LEAST_US


def test_ticks_leave_room_for_each_other() -> None:
    ticks = rho_ticks((1.0, 1.1, 1.2, 3.0), lambda swr: (swr - 1) / (swr + 1), 0.5, 100.0)
    # 1.1 is at 0.0476, under 15 of 100 pixels for 0.5; 1.2 is at 0.0909.
    assert ticks == pytest.approx([0.0, 0.0909091, 0.5])


def test_lines_break_at_long_gaps_alone() -> None:
    time_us = np.array([0, 1, 2, 3, 9])
    known, anew = breaks(time_us, np.array([0.1, np.nan, 0.2, 0.3, 0.4]), 2)
    assert known.tolist() == [0, 2, 3, 4]
    assert anew.tolist() == [3]
