"""Draws the chart of a mail, in a process of its own: SWR over a fortnight, baseline, moment of the alarm.

Drawn by Altair and vl-convert, without a browser or network. Their renderer is native code that ends its
process at some inputs (a NUL in a name does it) and cannot be stopped: neither may befall the service. A
chart takes one to two seconds so; a desk gets few mails.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import numpy as np

from standingwatch.notify.drawing import CALM, as_png, drawn_by, rows
from standingwatch.readings import IntArray
from standingwatch.readings.fleet import FloatArray

#: How far back the chart goes [d], and the hours of a gap that no line bridges.
DAYS, GAP_HOURS = 14, 3

#: Highest SWR that the axis shows; what is above, infinity too, is drawn at its edge.
TOP_SWR = 10.0

WIDTH, HEIGHT = 560, 200

#: How long drawing may take [s].
DRAW_WITHIN_S = 60.0

HOUR_US = 3_600_000_000


def draw_apart(
    name: str, hour_us: IntArray, swr: FloatArray, baseline_swr: float | None, alarm_us: int, word: str
) -> bytes:
    """The chart as PNG, drawn in a process of its own; arguments as `draw`.

    Raises:
        ChartError: if it could not be drawn.
    """
    given = [name, hour_us.tolist(), swr.tolist(), baseline_swr, alarm_us, word]
    return drawn_by("standingwatch.notify.chart_drawing", given, DRAW_WITHIN_S)


def draw(
    name: str, hour_us: IntArray, swr: FloatArray, baseline_swr: float | None, alarm_us: int, word: str
) -> bytes:
    """The chart as PNG.

    Args:
        name: "SITE/TRANSMITTER".
        hour_us: begin of each hour, rising [Unix microseconds].
        swr: median SWR at the transmitter in each [1]; may be infinite, not NaN.
        baseline_swr: level of the baseline [1]; None without one.
        alarm_us: when the alarm came [Unix microseconds]; end of the axis.
        word: what to write at that time.
    """
    import altair as alt

    levels = [float(swr[np.isfinite(swr)].max(initial=1.0)), 1.5, baseline_swr or 1.0]
    highest = max(levels) if np.isfinite(swr).all() else TOP_SWR
    top = min(TOP_SWR, 1.0 + 1.1 * (highest - 1.0))
    start_us = alarm_us - DAYS * 24 * HOUR_US
    x = alt.X(
        "t:T",
        scale=alt.Scale(type="utc", domain=[start_us / 1000, (alarm_us + HOUR_US) / 1000], nice=False),
        axis=alt.Axis(format="%-d %b", tickCount=7, title="date, UTC"),
    )
    y = alt.Y("v:Q", scale=alt.Scale(domain=[1.0, top], nice=False), axis=alt.Axis(title="SWR", tickCount=5))

    line = rows(_points(hour_us + HOUR_US // 2, np.minimum(swr, top)))
    layers = [
        line.mark_line(color="#0072b2", strokeWidth=1.6, invalid="break-paths-show-domains").encode(x=x, y=y),
        rows([{"t": alarm_us / 1000}]).mark_rule(color="#d55e00", strokeWidth=1.5).encode(x=x),
        rows([{"t": alarm_us / 1000, "v": top, "text": word}])
        .mark_text(align="right", baseline="top", dx=-4, dy=2, color="#a34700")
        .encode(x=x, y=y, text="text:N"),
    ]
    if baseline_swr is not None and baseline_swr <= top:
        # Under its line, where a match that gets worse does not run, if there is room.
        beside: Any = "top" if baseline_swr - 1.0 > 0.1 * (top - 1.0) else "bottom"
        layers += [
            rows([{"v": baseline_swr}]).mark_rule(color=CALM, strokeDash=[5, 3]).encode(y=y),
            rows([{"t": start_us / 1000, "v": baseline_swr, "text": "baseline"}])
            .mark_text(align="left", baseline=beside, dx=3, dy=3 if beside == "top" else -2, color=CALM)
            .encode(x=x, y=y, text="text:N"),
        ]
    above = f"; above {top:.1f} drawn at the edge" if (swr > top).any() else ""
    title = alt.TitleParams(
        text=f"SWR of {name}",
        subtitle=f"hourly median at the transmitter, {DAYS} days{above}",
        anchor="start",
    )
    chart = alt.layer(*layers).properties(width=WIDTH, height=HEIGHT, title=title, background="#ffffff")
    return as_png(chart)


def _points(time_us: IntArray, values: FloatArray) -> list[dict[str, Any]]:
    """Points of a line in order of time; null in the middle of gaps, so that no line bridges them."""
    points: list[dict[str, Any]] = []
    before = None
    for t, v in zip(time_us.tolist(), values.tolist(), strict=True):
        if before is not None and t - before > GAP_HOURS * HOUR_US:
            points.append({"t": (t + before) / 2000, "v": None})
        points.append({"t": t / 1000, "v": round(v, 4)})
        before = t
    return points


def main() -> None:
    """Draw what comes as JSON on standard input, to standard output."""
    name, hour_us, swr, baseline_swr, alarm_us, word = json.load(sys.stdin)
    hours, levels = np.array(hour_us, dtype=np.int64), np.array(swr, dtype=np.float64)
    sys.stdout.buffer.write(draw(name, hours, levels, baseline_swr, alarm_us, word))


if __name__ == "__main__":
    main()
