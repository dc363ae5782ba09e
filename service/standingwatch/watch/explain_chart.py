"""The evidence about one transmitter as a chart (SVG): how its match went, what was normal, what was said.

The axis is linear in rho and labelled in SWR on the left and in return loss on the right: a change of the
reflection then takes the same height at a good match and at a poor one, and an infinite SWR has a place.

Drawn by Altair and vl-convert, in this process, with what comes in the wheel: no browser, no network.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

import altair as alt
import numpy as np
import vl_convert

from standingwatch.detect.history import DAY_US
from standingwatch.watch.explain_lanes import LANE_PX, SHAPES, lanes_of, place
from standingwatch.watch.explain_match import match_part
from standingwatch.watch.explain_pieces import (
    BLACK,
    BLUE,
    FILL,
    FONT,
    GAP_DAYS,
    GAP_HOURS,
    GREEN,
    GRID,
    INK,
    POWER_HEIGHT,
    PURPLE,
    QUIET,
    ROUND_FIGURES,
    TITLE_LETTERS,
    UNDER_LETTERS,
    WIDTH,
    Axes,
    Picture,
    axes_of,
    by_style,
    drawn,
    line_rows,
    ms,
    time_axis,
)
from standingwatch.watch.explain_words import baseline_notes, figures, headline


def draw(picture: Picture) -> str:
    """The chart as SVG."""
    axes = axes_of(picture)
    title = headline(picture.name, picture.episodes)
    under = [
        row
        for line in figures(picture.course, picture.episodes, picture.told)
        for row in textwrap.wrap(line, UNDER_LETTERS)
    ]
    chart = alt.vconcat(
        _key(),
        match_part(picture, axes),
        _lanes(picture, axes),
        _power(picture, axes),
        _notes(baseline_notes(picture.course)),
        spacing=14,
        background="#ffffff",
        padding={"left": 26, "right": 16, "top": 12, "bottom": 12},
        title=alt.TitleParams(
            text=textwrap.wrap(title, TITLE_LETTERS),
            subtitle=under,
            anchor="start",
            fontSize=16,
            subtitleFontSize=11.5,
            subtitleColor=INK,
            color=INK,
            subtitleLineHeight=15,
            offset=12,
        ),
    ).configure(font=FONT)
    chart = chart.configure_view(stroke=None).configure_axis(
        labelColor=INK,
        titleColor=INK,
        titleFontWeight="normal",
        titlePadding=12,
        gridColor=GRID,
        domainColor=QUIET,
    )
    svg = vl_convert.vegalite_to_svg(chart.to_dict(), allowed_base_urls=[])
    label = f"<title>{escape(title)}</title><desc>{escape(' '.join(under))}</desc>"
    head, bracket, rest = svg.partition(">")
    return f'{head} role="img"{bracket}{label}{rest}'


def _lanes(picture: Picture, axes: Axes) -> Any:
    """Alarms by condition, the baseline, work and weather, a lane each."""
    lanes = lanes_of(picture.course, picture.episodes, picture.work, picture.last_us)
    bars, marks = place(lanes, axes.px_of, WIDTH)
    height = LANE_PX * len(lanes)
    x = alt.X("t:T", scale=axes.x, axis=time_axis(axes, labels=False))
    scale = alt.Scale(domain=[0.0, height], reverse=True, nice=False)
    y = alt.Y("y:Q", scale=scale, axis=None)
    rows = [
        {"t": ms(b.start_us), "t2": ms(b.end_us), "y": b.top, "y2": b.bottom, "style": b.style} for b in bars
    ]
    names = [{"y": (n + 1) * LANE_PX - 6.0, "text": lane.name} for n, lane in enumerate(lanes)]
    rules = [{"y": (n + 1) * LANE_PX} for n in range(len(lanes))]
    shapes = [{"t": ms(m.time_us), "y": m.y, "style": m.style} for m in marks if m.style in SHAPES]
    words = [
        {"t": ms(m.time_us), "y": m.y, "text": m.word, "dx": 11 if m.style in SHAPES else 0} for m in marks
    ]
    fill = alt.Fill("style:N", scale=by_style(FILL), legend=None)
    layers = [
        drawn(rules).mark_rule(color=GRID).encode(y=y),
        drawn(rows)
        .mark_rect(stroke=INK, strokeWidth=0.5, clip=True)
        .encode(x=x, x2="t2:T", y=y, y2="y2:Q", fill=fill),
        drawn(shapes)
        .mark_point(stroke=BLACK, strokeWidth=0.7, size=42, opacity=1, xOffset=5)
        .encode(x=x, y=y, fill=fill, shape=alt.Shape("style:N", scale=by_style(SHAPES), legend=None)),
        *(
            drawn([w for w in words if w["dx"] == dx])
            .mark_text(align="left", baseline="middle", fontSize=9.5, dx=dx + 1, color=INK)
            .encode(x=x, y=y, text="text:N")
            for dx in (0, 11)
        ),
        drawn(names)
        .mark_text(align="right", baseline="middle", fontSize=11, dx=-8, color=INK)
        .encode(x=alt.value(0), y=y, text="text:N"),
    ]
    return alt.layer(*layers).properties(width=WIDTH, height=height)


def _power(picture: Picture, axes: Axes) -> Any:
    """Forward power: hours, the day's upper hours, and the baseline's."""
    days, hours = picture.course.days, picture.course.hours
    hourly_db = np.where(hours.forward_w > 0, 10.0 * np.log10(np.maximum(hours.forward_w, 1e-6)), np.nan)
    known = np.concatenate([hourly_db, days.power_db, days.baseline_power_db])
    known = known[np.isfinite(known)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 20.0)
    middle, half = (low + high) / 2, max((high - low) / 2 + 0.3, 1.5)
    scale = alt.Scale(domain=[middle - half, middle + half], nice=False)
    x = alt.X("t:T", scale=axes.x, axis=time_axis(axes, labels=True))
    left = alt.Axis(title=["forward", "power, dBW"], tickCount=4, format=".1f")
    right = alt.Axis(
        title="W",
        values=_watt_ticks(middle - half, middle + half),
        orient="right",
        grid=False,
        labelExpr="format(pow(10, datum.value / 10), '.3~s')",
    )
    y = alt.Y("v:Q", scale=scale, axis=left)
    noon = days.number * DAY_US + DAY_US // 2
    layers = [
        drawn(line_rows(hours.hour_us + DAY_US // 48, hourly_db, GAP_HOURS * DAY_US // 24))
        .mark_line(color="#9aa4ab", strokeWidth=0.8, invalid="break-paths-show-domains")
        .encode(x=x, y=y),
        drawn(line_rows(noon, days.baseline_power_db, GAP_DAYS * DAY_US))
        .mark_line(color="#00684c", strokeWidth=1.5, strokeDash=[5, 3], invalid="break-paths-show-domains")
        .encode(x=x, y=y),
        drawn(line_rows(noon, days.power_db, GAP_DAYS * DAY_US))
        .mark_line(color=BLUE, strokeWidth=2, invalid="break-paths-show-domains")
        .encode(x=x, y=y),
    ]
    watts = (
        drawn([{"t": ms(axes.start_us), "v": middle}])
        .mark_point(opacity=0)
        .encode(x=x, y=alt.Y("v:Q", scale=scale, axis=right))
    )
    both = alt.layer(alt.layer(*layers), watts).resolve_scale(y="independent")
    return both.properties(width=WIDTH, height=POWER_HEIGHT)


def _notes(notes: Sequence[str]) -> Any:
    """The changes of the baseline with their reasons."""
    lines = [
        "Changes of the baseline, numbered as above. A day is its dry hours at the baseline's temperature, "
        "judged at its end (UTC).",
        *notes,
    ]
    rows = [{"y": 16.0 * n + 8.0, "text": line} for n, line in enumerate(lines)]
    height = 16.0 * len(lines)
    return (
        drawn(rows)
        .mark_text(align="left", baseline="middle", fontSize=11, color=INK)
        .encode(
            x=alt.value(0),
            y=alt.Y("y:Q", scale=alt.Scale(domain=[0.0, height], reverse=True, nice=False), axis=None),
            text="text:N",
        )
        .properties(width=WIDTH, height=height)
    )


def _key() -> Any:
    """What each line and mark means."""
    lines = [
        (0, "hour", "#9aa4ab", 1.0, [1, 0]),
        (62, "day", BLUE, 2.4, [1, 0]),
        (118, "full baseline", "#00684c", 1.8, [1, 0]),
        (228, "provisional", "#00684c", 1.8, [5, 3]),
        (428, "forecast: likeliest", "#8f3a69", 1.8, [7, 3, 1, 3]),
    ]
    boxes = [(330, "no departure", GREEN, 0.16), (566, "80 %", PURPLE, 0.28)]
    parts: list[Any] = []
    words: list[tuple[int, str]] = []
    for at, word, color, width, dash in lines:
        parts.append(
            drawn([{}])
            .mark_rule(color=color, strokeWidth=width, strokeDash=dash)
            .encode(x=alt.value(at), x2=alt.value(at + 22), y=alt.value(8))
        )
        words.append((at + 26, word))
    for at, word, color, opacity in boxes:
        parts.append(
            drawn([{}])
            .mark_rect(color=color, opacity=opacity)
            .encode(x=alt.value(at), x2=alt.value(at + 18), y=alt.value(2), y2=alt.value(14))
        )
        words.append((at + 22, word))
    marks = [(630, "warning"), (692, "minor"), (742, "major"), (792, "critical")]
    for at, severity in marks:
        parts.append(
            drawn([{}])
            .mark_point(
                shape=SHAPES[severity], fill=FILL[severity], stroke=BLACK, strokeWidth=0.7, size=50, opacity=1
            )
            .encode(x=alt.value(at), y=alt.value(8))
        )
        words.append((at + 8, severity))
    parts.append(
        drawn([{}])
        .mark_point(shape="triangle-up", filled=True, size=32, color="#707a82", opacity=1)
        .encode(x=alt.value(852), y=alt.value(8))
    )
    words.append((860, "off scale"))
    for at, word in words:
        parts.append(
            drawn([{"text": word}])
            .mark_text(align="left", baseline="middle", fontSize=10.5, color=INK)
            .encode(x=alt.value(at), y=alt.value(8), text="text:N")
        )
    return alt.layer(*parts).properties(width=WIDTH, height=16)


def _watt_ticks(low_db: float, high_db: float) -> list[float]:
    """Places [dBW] of round numbers of watts, those that would touch the one before left out."""
    ticks: list[float] = []
    for exponent in range(int(np.floor(low_db / 10.0)), int(np.ceil(high_db / 10.0)) + 1):
        for figure in ROUND_FIGURES:
            db = 10.0 * exponent + 10.0 * float(np.log10(figure))
            room = not ticks or (db - ticks[-1]) / (high_db - low_db) * POWER_HEIGHT >= 14
            if low_db <= db <= high_db and room:
                ticks.append(db)
    return ticks
