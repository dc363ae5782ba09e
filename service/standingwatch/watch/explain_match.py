"""The main part of the chart: SWR over time, the baseline with its band, the limits, the forecast."""

from __future__ import annotations

from typing import Any

import altair as alt
import numpy as np

from standingwatch.detect.history import DAY_US, KIND_WORDS
from standingwatch.readings.fleet import FloatArray
from standingwatch.review.chart_scale import RETURN_LOSS_TICKS_DB, SWR_TICKS, rho_ticks
from standingwatch.rf import rho_from_swr
from standingwatch.watch.explain import Course
from standingwatch.watch.explain_lanes import held_until
from standingwatch.watch.explain_pieces import (
    BLACK,
    BLUE,
    GAP_DAYS,
    GAP_HOURS,
    GREEN,
    INK,
    MAIN_HEIGHT,
    PURPLE,
    QUIET,
    WIDTH,
    Axes,
    Picture,
    drawn,
    haloed,
    joined,
    limits_of,
    line_rows,
    ms,
    short,
    time_axis,
)


def match_part(picture: Picture, axes: Axes) -> Any:
    """SWR over time: hours, days, baseline with its band, limits, forecast."""
    swr_axis = alt.Axis(
        values=rho_ticks(SWR_TICKS, lambda v: float(rho_from_swr(v)), axes.top_rho, MAIN_HEIGHT),
        labelExpr="format((1 + datum.value) / (1 - datum.value), '.3~r') + ':1'",
        title="SWR at the transmitter",
        grid=True,
    )
    loss_axis = alt.Axis(
        values=rho_ticks(RETURN_LOSS_TICKS_DB, lambda v: 10.0 ** (-v / 20.0), axes.top_rho, MAIN_HEIGHT),
        labelExpr="format(-20 * log(datum.value) / LN10, '.0f')",
        title="return loss, dB",
        orient="right",
        grid=False,
    )
    days, hours = picture.course.days, picture.course.hours
    time = time_axis(axes, labels=False)
    x = alt.X("t:T", scale=axes.x, axis=time)
    y = alt.Y("v:Q", scale=axes.y, axis=swr_axis)
    end_of_day = (days.number + 1) * DAY_US
    layers = [
        _band(picture, axes),
        drawn(line_rows(hours.hour_us + DAY_US // 48, hours.rho, GAP_HOURS * DAY_US // 24))
        .mark_line(color="#9aa4ab", strokeWidth=0.8, clip=True, invalid="break-paths-show-domains")
        .encode(x=x, y=y),
        *_off_scale(hours.hour_us, hours.rho, axes),
        *_limit_lines(picture, axes),
        *_work_lines(picture, axes),
        *_baselines(picture, axes),
        drawn(line_rows(end_of_day - DAY_US // 2, days.adjusted_rho, GAP_DAYS * DAY_US))
        .mark_line(
            color=BLUE,
            strokeWidth=2.2,
            clip=True,
            invalid="break-paths-show-domains",
            point=alt.OverlayMarkDef(size=14, color=BLUE, filled=True),
        )
        .encode(x=x, y=y),
        *_fan(picture, axes),
    ]
    right = (
        drawn([{"t": ms(axes.start_us), "v": 0.0}])
        .mark_point(opacity=0)
        .encode(x=x, y=alt.Y("v:Q", scale=axes.y, axis=loss_axis))
    )
    both = alt.layer(alt.layer(*layers), right).resolve_scale(y="independent")
    return both.properties(width=WIDTH, height=MAIN_HEIGHT)


def _band(picture: Picture, axes: Axes) -> Any:
    """What does not count as a departure: the baseline and the limit either side of it, day by day."""
    days = picture.course.days
    known = np.flatnonzero(np.isfinite(days.baseline_rho) & np.isfinite(days.limit_rho))
    rows = [
        {
            "t": ms(int(days.number[i]) * DAY_US),
            "t2": ms((int(days.number[i]) + 1) * DAY_US),
            "v": max(float(days.baseline_rho[i] - days.limit_rho[i]), 0.0),
            "v2": min(float(days.baseline_rho[i] + days.limit_rho[i]), 1.0),
        }
        for i in known.tolist()
    ]
    return (
        drawn(joined(rows, ("v", "v2")))
        .mark_rect(color=GREEN, opacity=0.16, clip=True)
        .encode(x=alt.X("t:T", scale=axes.x), x2="t2:T", y=alt.Y("v:Q", scale=axes.y), y2="v2:Q")
    )


def _baselines(picture: Picture, axes: Axes) -> list[Any]:
    """The baseline in force: provisional dashed, full solid; each change with its number of the notes."""
    changes = picture.course.changes
    ends = held_until(changes, picture.last_us)
    rows: list[dict[str, Any]] = []
    numbers: list[dict[str, Any]] = []
    near_us = 0
    for number, (change, end_us) in enumerate(zip(changes, ends, strict=True), start=1):
        if np.isfinite(change.rho):
            kind = "provisional" if change.kind == KIND_WORDS[1] else "full"
            rows.append({"t": ms(change.time_us), "t2": ms(end_us), "v": change.rho, "kind": kind})
        if numbers and axes.px_of(change.time_us) - axes.px_of(near_us) < 18:
            numbers[-1]["text"] += f" ({number})"
        else:
            numbers.append({"t": ms(change.time_us), "text": f"({number})"})
        near_us = change.time_us
    x = alt.X("t:T", scale=axes.x)
    dash = alt.StrokeDash(
        "kind:N", scale=alt.Scale(domain=["provisional", "full"], range=[[5, 3], [1, 0]]), legend=None
    )
    return [
        drawn(rows)
        .mark_rule(color="#00684c", strokeWidth=1.8, clip=True)
        .encode(x=x, x2="t2:T", y=alt.Y("v:Q", scale=axes.y), strokeDash=dash),
        *haloed(numbers, axes, y=alt.value(MAIN_HEIGHT - 5), color="#00684c", align="left"),
    ]


def _limit_lines(picture: Picture, axes: Axes) -> list[Any]:
    rows = [
        {"v": float(rho_from_swr(swr)), "text": name, "t": ms(axes.start_us), "hard": "," in name}
        for name, swr in limits_of(picture)
        if float(rho_from_swr(swr)) <= axes.top_rho
    ]
    y = alt.Y("v:Q", scale=axes.y)
    width = alt.condition("datum.hard", alt.value(1.4), alt.value(0.8))
    dash = alt.condition("datum.hard", alt.value([8, 3, 2, 3]), alt.value([2, 3]))
    return [
        drawn(rows).mark_rule(color=INK).encode(y=y, strokeWidth=width, strokeDash=dash),
        *haloed(rows, axes, y=y, color=INK, align="left", dx=4, dy=-6),
    ]


def _work_lines(picture: Picture, axes: Axes) -> list[Any]:
    """Where work ended: a line through the chart."""
    rows = [{"t": ms(end)} for _, end, _ in picture.work if axes.start_us <= end <= axes.end_us]
    return [
        drawn(rows)
        .mark_rule(color=BLACK, strokeWidth=1, strokeDash=[1, 3])
        .encode(x=alt.X("t:T", scale=axes.x))
    ]


def _off_scale(hour_us: Any, rho: FloatArray, axes: Axes) -> list[Any]:
    """A mark at the upper edge for each day with hours above the axis."""
    above = np.unique(hour_us[rho > axes.top_rho] // DAY_US)
    rows = [{"t": ms(int(day) * DAY_US + DAY_US // 2)} for day in above.tolist()]
    return [
        drawn(rows)
        .mark_point(shape="triangle-up", filled=True, size=32, color="#707a82", opacity=1)
        .encode(x=alt.X("t:T", scale=axes.x), y=alt.value(3))
    ]


def _fan(picture: Picture, axes: Axes) -> list[Any]:
    """The last forecast: from the level as it was then, the 80 % interval of each limit's date."""
    told = picture.told
    layers: list[Any] = []
    if axes.end_us > picture.last_us:
        edge = [{"t": ms(picture.last_us), "text": "last reading"}]
        x = alt.X("t:T", scale=axes.x)
        layers.append(drawn(edge).mark_rule(color=QUIET, strokeWidth=1).encode(x=x))
        layers += haloed(edge, axes, y=alt.value(9), color=QUIET, align="left", dx=4)
    level = level_at(picture.course, told.told_us) if told is not None else np.nan
    if told is None or not np.isfinite(level):
        return layers
    rows = [{"v": level, "t": ms(told.told_us), "t2": ms(told.told_us), "mid": ms(told.told_us)}]
    words = []
    # Where two limits are one SWR, the one with a name of its own is told.
    by_swr = {one.swr: one for one in sorted(told.limits, key=lambda one: not one.limit.startswith("swr-"))}
    for limit in sorted(by_swr.values(), key=lambda one: one.swr):
        rho = float(rho_from_swr(limit.swr)) if np.isfinite(limit.swr) else 1.0
        if limit.says != "expected" or limit.expected_us is None or rho <= level or rho > axes.top_rho:
            continue
        early = limit.earliest_us if limit.earliest_us is not None else told.told_us
        late = limit.latest_us if limit.latest_us is not None else axes.end_us
        rows.append({"v": rho, "t": ms(early), "t2": ms(late), "mid": ms(limit.expected_us)})
        until = "or never" if limit.latest_us is None else f"to {short(limit.latest_us)}"
        name = f"SWR {limit.swr:.3g}" if limit.limit.startswith("swr-") else limit.limit
        words.append(
            {
                "v": rho,
                "t": ms(axes.end_us),
                "text": f"{name}: {short(limit.expected_us)} ({short(early)} {until})",
            }
        )
    if len(rows) == 1:
        return layers
    y = alt.Y("v:Q", scale=axes.y)
    x, middle = alt.X("t:T", scale=axes.x), alt.X("mid:T", scale=axes.x)
    return [
        *layers,
        drawn(rows)
        .mark_area(orient="horizontal", color=PURPLE, opacity=0.28, clip=True)
        .encode(x=x, x2="t2:T", y=y),
        drawn(rows)
        .mark_line(color="#8f3a69", strokeWidth=1.8, strokeDash=[7, 3, 1, 3], clip=True)
        .encode(x=middle, y=y, order="v:Q"),
        drawn(rows[1:])
        .mark_point(shape="cross", filled=True, color="#8f3a69", size=50, opacity=1, clip=True)
        .encode(x=middle, y=y),
        *haloed(words, axes, y=y, color="#8f3a69", align="right", dx=-4, dy=9),
    ]


def level_at(course: Course, time_us: int) -> float:
    """Present level of rho as it was judged last before a time; NaN where none was."""
    days = course.days
    level = days.baseline_rho + days.change_rho
    before = np.flatnonzero(((days.number + 1) * DAY_US <= time_us) & np.isfinite(level))
    return float(level[before[-1]]) if len(before) else np.nan
