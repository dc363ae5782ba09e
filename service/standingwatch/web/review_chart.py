"""The small chart of a review's item as inline SVG without script; it takes its colours from the page.

Made here, and not by the renderer that draws those of mails: that takes 50 to 60 ms a chart and knows nothing
of light and dark; fifty of these took 15 ms on two cores.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from markupsafe import Markup, escape

from standingwatch.readings.fleet import FloatArray
from standingwatch.review.overnight import TREND_DAYS
from standingwatch.review.small_chart import Fan, SmallChart
from standingwatch.web.sparkline import path

WIDTH, HEIGHT = 320, 92
_LEFT, _RIGHT, _ABOVE, _BELOW = 32.0, 6.0, 10.0, 14.0

#: What the last word of the axis takes, with the room before it [pixels].
_WORD_PX = 38.0


def drawing(chart: SmallChart) -> Markup:
    """The chart as an `svg` element whose label says in words what it shows."""
    x, y = _scales(chart)
    end = WIDTH - _RIGHT
    parts = [f'<path class="grid" d="M{_LEFT} {y(1.0):.1f}H{end}M{_LEFT} {y(chart.top):.1f}H{end}"/>']
    if not math.isnan(chart.low):
        high, low = y(chart.high), y(chart.low)
        # A band thinner than a line would not be seen.
        thick = max(low - high, 1.5)
        parts.append(
            f'<rect class="band" x="{_LEFT}" y="{high:.1f}" width="{end - _LEFT}" height="{thick:.1f}"/>'
        )
    if not math.isnan(chart.baseline):
        parts.append(
            f'<path class="baseline" d="M{_LEFT} {y(min(chart.baseline, chart.top)):.1f}H{WIDTH - _RIGHT}"/>'
        )
    if chart.fan is not None:
        parts.append(_fan(chart, chart.fan))
    xs = np.array([x(day) for day in chart.days.tolist()])
    ys: FloatArray = np.array([y(swr) for swr in chart.swr.tolist()])
    last = int(np.flatnonzero(np.isfinite(ys))[-1])
    parts.append(f'<path class="median" d="{path(xs, ys)}"/>')
    parts.append(f'<circle class="newest" cx="{xs[last]:.1f}" cy="{ys[last]:.1f}" r="2.4"/>')
    parts.append(f'<text x="{_LEFT - 3}" y="{y(chart.top) + 4:.1f}" text-anchor="end">{chart.top:g}:1</text>')
    parts.append(f'<text x="{_LEFT - 3}" y="{y(1.0):.1f}" text-anchor="end">1:1</text>')
    foot = HEIGHT - 2
    parts.append(f'<text x="{_LEFT}" y="{foot}">{TREND_DAYS} days ago</text>')
    at = end
    if chart.ahead:
        parts.append(f'<path class="grid" d="M{x(0.0):.1f} {y(chart.top):.1f}V{y(1.0):.1f}"/>')
        parts.append(f'<text x="{end}" y="{foot}" text-anchor="end">+{chart.ahead:.0f} d</text>')
        # Under its line where there is room, else beside the other word.
        at = min(x(0.0), end - _WORD_PX)
    parts.append(f'<text x="{at:.1f}" y="{foot}" text-anchor="end">review</text>')
    label = escape(chart.label)
    return Markup(  # noqa: S704  holds numbers and words of our own, and an escaped label
        f'<svg class="chart course" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">'
        f"<title>{label}</title>{''.join(parts)}</svg>"
    )


def _scales(chart: SmallChart) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Days from the end of the course to places across, and SWR to heights; NaN stays NaN."""
    across = (WIDTH - _LEFT - _RIGHT) / (TREND_DAYS + chart.ahead)
    up = (HEIGHT - _ABOVE - _BELOW) / (chart.top - 1.0)
    return (
        lambda day: _LEFT + (day + TREND_DAYS) * across,
        lambda swr: HEIGHT - _BELOW - (swr - 1.0) * up,
    )


def _fan(chart: SmallChart, fan: Fan) -> str:
    """The way to the limit, dashed, and the range of its date at the limit's height."""
    x, y = _scales(chart)
    level = min(fan.swr, chart.top)
    last = int(np.flatnonzero(np.isfinite(chart.swr))[-1])
    day, swr = float(chart.days[last]), float(chart.swr[last])
    end = min(fan.expected, chart.ahead)
    share = (end - day) / (fan.expected - day) if fan.expected > day else 1.0
    at, reached = f"{y(level):.1f}", swr + share * (level - swr)
    parts = [
        f'<path class="limit" d="M{_LEFT} {at}H{WIDTH - _RIGHT}"/>',
        f'<path class="way" d="M{x(day):.1f} {y(swr):.1f}L{x(end):.1f} {y(reached):.1f}"/>',
    ]
    if not math.isnan(fan.earliest) and fan.earliest < chart.ahead:
        latest = chart.ahead if math.isnan(fan.latest) else min(fan.latest, chart.ahead)
        parts.append(f'<path class="range" d="M{x(fan.earliest):.1f} {at}H{x(latest):.1f}"/>')
    name = escape(f"{fan.limit} {fan.swr:g}:1")
    above = y(level) - 3 if y(level) > _ABOVE + 2 else y(level) + 11
    parts.append(f'<text class="of-limit" x="{_LEFT + 3}" y="{above:.1f}">{name}</text>')
    return "".join(parts)
