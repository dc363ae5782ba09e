"""Draws the small charts of a review mail, all of them in one process apart; see `notify/chart_drawing.py`.

Measured: twenty charts take 2.2 s on two idle cores, half of it the start of process and renderer; 10 s where
four others work on each core.
"""

from __future__ import annotations

import base64
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from standingwatch.notify.drawing import BAND, CALM, INK, LIMIT, as_png, drawn_by, rows
from standingwatch.review.overnight import TREND_DAYS
from standingwatch.review.small_chart import SmallChart

WIDTH, HEIGHT = 330, 84

#: How long drawing all of them may take [s].
DRAW_WITHIN_S = 120.0


def draw_apart(charts: Sequence[SmallChart]) -> list[bytes]:
    """Charts as PNG, in order, drawn in a process of its own.

    Raises:
        ChartError: if they could not be drawn.
    """
    if not charts:
        return []
    given = [_plain(chart) for chart in charts]
    made = drawn_by("standingwatch.notify.review_drawing", given, DRAW_WITHIN_S)
    return [base64.b64decode(text) for text in json.loads(made)]


def _plain(chart: SmallChart) -> dict[str, Any]:
    """A chart as JSON data; NaN as null."""
    data = {**asdict(chart), "days": chart.days.tolist(), "swr": chart.swr.tolist()}
    if chart.fan is not None:
        data["fan"] = {name: _known(value) for name, value in asdict(chart.fan).items()}
    data["swr"] = [_known(value) for value in data["swr"]]
    return {name: _known(value) for name, value in data.items()}


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


def draw(chart: dict[str, Any]) -> bytes:
    """One chart as PNG, from what `_plain` makes of it."""
    import altair as alt

    top, ahead, fan = chart["top"], chart["ahead"], chart["fan"]
    x = alt.X(
        "d:Q",
        scale=alt.Scale(domain=[-TREND_DAYS, ahead], nice=False),
        axis=alt.Axis(values=[-90, -60, -30, 0, 30, 60], title="days from the review", grid=False),
    )
    y = alt.Y("v:Q", scale=alt.Scale(domain=[1.0, top], nice=False), axis=alt.Axis(title="SWR", tickCount=3))

    layers = []
    if chart["low"] is not None:
        band = rows([{"d": -TREND_DAYS, "e": ahead, "v": chart["low"], "w": chart["high"]}])
        layers.append(band.mark_rect(color=BAND, opacity=0.7).encode(x=x, x2="e", y=y, y2="w"))
    if chart["baseline"] is not None:
        layers.append(rows([{"v": chart["baseline"]}]).mark_rule(color=CALM).encode(y=y))
    points = [{"d": d, "v": v} for d, v in zip(chart["days"], chart["swr"], strict=True)]
    line = rows(points).mark_line(color=INK, strokeWidth=1.6, invalid="break-paths-show-domains")
    layers.append(line.encode(x=x, y=y))
    last = next(p for p in reversed(points) if p["v"] is not None)
    layers.append(rows([last]).mark_circle(color=INK, size=26, opacity=1).encode(x=x, y=y))
    if fan is not None:
        layers += _fan_layers(fan, last, ahead, top, x, y)
    whole = alt.layer(*layers).properties(width=WIDTH, height=HEIGHT, background="#ffffff")
    return as_png(whole)


def _fan_layers(
    fan: dict[str, Any], last: dict[str, Any], ahead: float, top: float, x: Any, y: Any
) -> list[Any]:
    """The way to the limit, dashed, and the range of its date at the limit's height."""
    level = min(fan["swr"], top)
    end = min(fan["expected"], ahead)
    share = (end - last["d"]) / (fan["expected"] - last["d"]) if fan["expected"] > last["d"] else 1.0
    way = [last, {"d": end, "v": last["v"] + share * (level - last["v"])}]
    layers = [
        rows([{"v": level}]).mark_rule(color=LIMIT, strokeDash=[7, 3]).encode(y=y),
        rows(way).mark_line(color=LIMIT, strokeDash=[3, 2], strokeWidth=1.4).encode(x=x, y=y),
    ]
    if fan["earliest"] is not None and fan["earliest"] < ahead:
        latest = ahead if fan["latest"] is None else min(fan["latest"], ahead)
        span = [{"d": fan["earliest"], "v": level}, {"d": latest, "v": level}]
        layers.append(rows(span).mark_line(color=LIMIT, strokeWidth=4).encode(x=x, y=y))
    return layers


def main() -> None:
    """Draw what comes as JSON on standard input, to standard output as base64 in JSON."""
    charts = json.load(sys.stdin)
    json.dump([base64.b64encode(draw(chart)).decode("ascii") for chart in charts], sys.stdout)


if __name__ == "__main__":
    main()
