"""The SWR of one transmitter over a month as inline SVG: median line, 10-90 % band, limits, baseline.

With the scale of the antenna line's chart (`review/chart_scale.py`), so that a course looks the same on both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from standingwatch.detect.rollup import HOUR_US
from standingwatch.readings.fleet import FloatArray, IntArray
from standingwatch.review.chart_scale import SWR_TICKS, rho_ticks
from standingwatch.rf import rho_from_swr, swr_from_rho
from standingwatch.web import words
from standingwatch.web.sparkline import path

WIDTH, HEIGHT = 560, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 72, 14, 38
_DAY_US = 24 * HOUR_US

Scale = Callable[[FloatArray], FloatArray]
TimeScale = Callable[[IntArray], FloatArray]

#: Ends of the SWR axis. What is above the last is drawn at its edge.
TOPS = (1.6, 2.0, 3.0, 4.0, 6.0, 10.0, 30.0)


@dataclass(frozen=True)
class Course:
    """Hourly levels of one transmitter, SWR at the transmitter and at the antenna [1]; NaN where not known.

    Attributes:
        hour_us: begin of each hour, rising [Unix microseconds].
        low, median, high: 10, 50 and 90 % points at the transmitter.
        antenna: the median carried to the antenna.
    """

    hour_us: IntArray
    low: FloatArray
    median: FloatArray
    high: FloatArray
    antenna: FloatArray


@dataclass(frozen=True)
class Level:
    """A level drawn as a line across the chart: a limit, with the word of its severity, or the baseline."""

    swr: float
    label: str
    kind: str


def chart(course: Course, levels: Sequence[Level], start_us: int, end_us: int, name: str) -> Markup:
    """Draw the course between two times.

    Args:
        course: hourly levels; may be empty.
        levels: lines to draw; those above the end of the axis are left out, and so are unknown ones (NaN).
        start_us, end_us: ends of the time axis [Unix microseconds].
        name: of the transmitter, for the label.
    """
    seen = np.concatenate([course.high, course.median, course.antenna])
    seen = seen[~np.isnan(seen)]
    lowest_limit = min((level.swr for level in levels if level.kind == "limit"), default=1.5)
    most = max(float(seen.max()) if len(seen) else 1.0, lowest_limit)
    top = next((axis for axis in TOPS if most <= axis), TOPS[-1])
    top_rho = float(rho_from_swr(top))

    def x_of(time_us: IntArray) -> FloatArray:
        return _LEFT + (time_us - start_us) / (end_us - start_us) * (WIDTH - _LEFT - _RIGHT)

    def y_of(swr: FloatArray) -> FloatArray:
        height: FloatArray = np.minimum(rho_from_swr(swr), top_rho) / top_rho * (HEIGHT - _TOP - _BOTTOM)
        return HEIGHT - _BOTTOM - height

    # An hour without a row is a gap, not a bridge.
    hours = np.arange(start_us - start_us % HOUR_US, end_us, HOUR_US)
    place = (course.hour_us - hours[0]) // HOUR_US
    inside = (place >= 0) & (place < len(hours))

    def filled(values: FloatArray) -> FloatArray:
        column = np.full(len(hours), np.nan)
        column[place[inside]] = values[inside]
        return column

    x = np.clip(x_of(hours + HOUR_US // 2), _LEFT, WIDTH - _RIGHT)
    parts = [*_grid(top_rho, y_of), *_days(start_us, end_us, x_of)]
    parts.append(f'<path class="band" d="{_band(x, y_of(filled(course.low)), y_of(filled(course.high)))}"/>')
    parts.extend(_levels(levels, top, y_of))
    antenna = filled(course.antenna)
    if not np.isnan(antenna).all():
        parts.append(f'<path class="antenna" d="{path(x, y_of(antenna))}"/>')
    parts.append(f'<path class="median" d="{path(x, y_of(filled(course.median)))}"/>')
    if not len(seen):
        middle = (_LEFT + WIDTH - _RIGHT) / 2, (_TOP + HEIGHT - _BOTTOM) / 2
        parts.append(
            f'<text class="nothing" x="{middle[0]:.1f}" y="{middle[1]:.1f}" text-anchor="middle">'
            "nothing was measured in this time</text>"
        )
    return Markup(  # noqa: S704  holds numbers of our own, and labels that are escaped
        f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(_label(course, levels, name))}">{"".join(parts)}</svg>'
    )


def _grid(top_rho: float, y_of: Scale) -> list[str]:
    """Lines and labels of the SWR axis."""
    ticks = rho_ticks(SWR_TICKS, lambda swr: float(rho_from_swr(swr)), top_rho, HEIGHT - _TOP - _BOTTOM)
    values = swr_from_rho(np.array(ticks))
    parts = []
    for value, y in zip(values.tolist(), y_of(values).tolist(), strict=True):
        parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{WIDTH - _RIGHT}"/>')
        parts.append(f'<text x="{_LEFT - 5}" y="{y + 3.5:.1f}" text-anchor="end">{value:.3g}:1</text>')
    return parts


def _days(start_us: int, end_us: int, x_of: TimeScale) -> list[str]:
    """Marks and dates of the time axis, at midnight UTC, and what the axis counts."""
    first = start_us - start_us % _DAY_US + _DAY_US
    days = max(1, round((end_us - start_us) / _DAY_US / 6))
    midnights = np.arange(first, end_us, days * _DAY_US)
    floor = HEIGHT - _BOTTOM
    parts = []
    for time_us, x in zip(midnights.tolist(), x_of(midnights).tolist(), strict=True):
        parts.append(f'<path class="grid" d="M{x:.1f} {_TOP}V{floor + 4}"/>')
        if x < WIDTH - _RIGHT - 12:
            date = words.moment(time_us).strftime("%d %b").lstrip("0")
            parts.append(f'<text x="{x:.1f}" y="{floor + 18}" text-anchor="middle">{date}</text>')
    parts.append(f'<text x="{WIDTH - _RIGHT}" y="{HEIGHT - 6}" text-anchor="end">date, UTC</text>')
    parts.append(f'<text x="4" y="{HEIGHT - 6}">SWR</text>')
    return parts


def _levels(levels: Sequence[Level], top: float, y_of: Scale) -> list[str]:
    """Limits and baseline as lines with their words at the right; words that would touch are moved apart."""
    parts, free_below = [], -np.inf
    for level in sorted((level for level in levels if level.swr <= top), key=lambda level: -level.swr):
        y = float(y_of(np.array([level.swr]))[0])
        parts.append(f'<path class="{level.kind}" d="M{_LEFT} {y:.1f}H{WIDTH - _RIGHT}"/>')
        text_y = max(y + 3.5, free_below)
        free_below = text_y + 13
        label = escape(level.label)
        parts.append(
            f'<text class="of-{level.kind}" x="{WIDTH - _RIGHT + 4}" y="{text_y:.1f}">{label}</text>'
        )
    return parts


def _band(x: FloatArray, low: FloatArray, high: FloatArray) -> str:
    """The area between two lines as path data; an hour without both is left out."""
    known = np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    parts = []
    for first, end in edges.reshape(-1, 2).tolist():
        there = zip(x[first:end].tolist(), high[first:end].tolist(), strict=True)
        back = zip(x[first:end][::-1].tolist(), low[first:end][::-1].tolist(), strict=True)
        points = "L".join(f"{px:.1f} {py:.1f}" for px, py in [*there, *back])
        parts.append(f"M{points}Z")
    return "".join(parts)


def _label(course: Course, levels: Sequence[Level], name: str) -> str:
    """What the chart shows, in words."""
    known = course.median[~np.isnan(course.median)]
    if len(known) == 0:
        return f"SWR of {name}: nothing was measured in this time."
    spread = f"hourly median from {words.swr(float(known.min()))} to {words.swr(float(known.max()))}"
    lines = ", ".join(f"{level.label} {words.swr(level.swr)}" for level in levels if not np.isnan(level.swr))
    return f"SWR of {name}: {spread}, last {words.swr(float(known[-1]))}. Lines: {lines}."
