"""The chart of an antenna line as a Vega-Lite specification: match, alarms and work, power, loss, weather.

One grammar for page, email and print: the page has Vega draw it in the browser, `vl_convert` draws the same
specification without one. It is plain data, written here without Altair, whose checks at every step take tens
of ms a chart: a page makes one per request. A test holds it to Vega-Lite's schema through Altair.

The match is drawn linear in rho at the transmitter. The antenna's rho is that times one factor, so the same
curve, limits and bands are read off at either end: left axis the transmitter, right axis the antenna.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from standingwatch.review.chart_scale import RETURN_LOSS_TICKS_DB, SWR_TICKS, rho_ticks
from standingwatch.review.course import Course
from standingwatch.review.line_words import lost_db
from standingwatch.review.spans import Resolution
from standingwatch.rf import rho_from_swr
from standingwatch.web.line_data import LineData
from standingwatch.web.line_rows import (
    LANE_PX,
    MATCH_FIELDS,
    SHAPES,
    Limit,
    Rows,
    baseline_rows,
    course_rows,
    fan_rows,
    lane_sets,
    limit_row,
    line_rows,
    lost_of,
    rows_above,
    told_forecast,
)
from standingwatch.web.line_theme import THEMES

Spec = dict[str, Any]

MATCH_PX, POWER_PX, LOSS_PX, WEATHER_PX = 270, 90, 70, 80

#: Most readings that are drawn as dots too.
DOTS_UP_TO = 1_500

#: Rows over which a line goes on; longer gaps are left open.
GAP_ROWS = {Resolution.RAW: 3, Resolution.HOUR: 4, Resolution.DAY: 4}

#: Part of the span that the forecast may take beyond its end.
AHEAD = 0.3

#: Part of the values that may lie above the axis, marked at its edge: a burst must not flatten the rest.
OFF_SCALE = 0.02


_WIDTH = 760


def chart(
    data: LineData, limits: Sequence[Limit], name: str, *, as_return_loss: bool, interval_s: float
) -> Spec:
    """The chart with its data.

    Args:
        data: what is known of the line.
        limits: limits of the SWR at the transmitter.
        name: "SITE/TRANSMITTER".
        as_return_loss: label the match in return loss, else in SWR.
        interval_s: expected time between reports [s].
    """
    top = _top_rho(data, limits)
    fan = fan_rows(data, top)
    end_us = data.span.end_us
    if fan:
        ahead_us = max(int(row["t2"]) for row in fan) * 1000 - end_us
        end_us += int(min(max(ahead_us, 0), AHEAD * data.span.length_us))
    x: Spec = {
        "field": "t",
        "type": "temporal",
        "scale": {"type": "utc", "nice": False},
        "axis": None,
    }
    # Said once, or Vega-Lite warns of a conflict of each with each. As expressions: a plain domain of times
    # is compiled to a form that Vega's interpreter of expressions makes nothing of.
    domain = [data.span.start_us // 1000, end_us // 1000]
    ends = {"domainMin": {"expr": str(domain[0])}, "domainMax": {"expr": str(domain[1])}}
    first = {**x, "scale": {**x["scale"], **ends}}
    course, loss_db = data.course, data.now.feeder_loss_db
    gap_us = GAP_ROWS[course.resolution] * (course.length_us or int(interval_s * 1e6))
    parts = [_match(data, limits, top, (first, x), as_return_loss)]
    sets: dict[str, Rows] = {
        "match": course_rows(course, course.rho, gap_us, MATCH_FIELDS),
        "over": [{"t": t // 1000} for t in course.time_us[rows_above(course, top)].tolist()],
        "baselines": baseline_rows(data),
        "limits": [limit_row(limit) for limit in limits if rho_from_swr(limit.swr) <= top],
        "fan": fan,
        "now": [{"t": data.now.now_us // 1000}],
        **lane_sets(data),
    }
    parts.append(_lanes(len(sets["lanes"]), x))
    if np.isfinite(course.forward_w).any():
        sets["power"] = course_rows(course, course.forward_w, gap_us, {"v": "forward_w"})
        parts.append(_plain_part("power", x, POWER_PX, "forward power, W", "power", _power_domain(course)))
    if np.isfinite(loss_db) and np.isfinite(course.rho).any():
        lost = lost_of(course.rho, loss_db)
        sets["lost"] = line_rows(course, lost, gap_us)
        sets["lostbase"] = [{"v": round(lost_db(data.now.baseline_rho, loss_db), 3)}]
        known = [float(v) for v in lost[np.isfinite(lost)]] + [loss_db + 0.5]
        part = _plain_part("lost", x, LOSS_PX, "lost on the way, dB", "lost", [0.0, 1.05 * max(known)])
        if np.isfinite(sets["lostbase"][0]["v"]):
            rule = {"data": {"name": "lostbase"}, "mark": {"type": "rule", "style": "baseline"}}
            part["layer"].append({**rule, "encoding": {"y": {"field": "v", "type": "quantitative"}}})
        else:
            sets.pop("lostbase")
        parts.append(part)
    parts += _weather(course, gap_us, x, sets)
    # The lowest part carries the dates of all.
    for layer in parts[-1]["layer"]:
        if "x" in layer["encoding"]:
            layer["encoding"]["x"] = {**layer["encoding"]["x"], "axis": _TIME_AXIS}
    for part in parts:
        part["layer"] = _with_rows(part["layer"], sets)
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "description": f"Antenna line of {name}",
        "datasets": {name: rows for name, rows in sets.items() if rows},
        "vconcat": parts,
        "spacing": 12,
        "resolve": {"scale": {"x": "shared"}},
        "padding": 4,
        "usermeta": {
            "themes": THEMES,
            "domain": domain,
            "to_antenna": round(float(10.0 ** (loss_db / 10.0)), 6) if np.isfinite(loss_db) else None,
        },
    }


def _with_rows(layers: list[Spec], sets: dict[str, Rows]) -> list[Spec]:
    """Layers without those that have no rows: Vega warns of a scale over nothing."""
    kept = []
    for layer in layers:
        if "layer" in layer:
            kept.append({**layer, "layer": _with_rows(layer["layer"], sets)})
        elif sets[layer["data"]["name"]]:
            kept.append(layer)
    return kept


_TIME_AXIS: Spec = {
    "title": "time, UTC",
    "grid": True,
    "labelOverlap": True,
    "labelFlush": True,
    "labelSeparation": 8,
    "format": {
        "year": "%Y",
        "quarter": "%b %Y",
        "month": "%b %Y",
        "week": "%-d %b",
        "date": "%-d %b",
        "hours": "%H:%M",
        "minutes": "%H:%M",
        "seconds": "%H:%M:%S",
    },
}


def _top_rho(data: LineData, limits: Sequence[Limit]) -> float:
    """Upper end of the axis: nearly all values, the baseline, the limits above them next, the forecast's."""
    course = data.course
    wanted = [float(rho_from_swr(1.5)) * 1.08]
    for values in (course.rho, course.rho_high):
        known = values[np.isfinite(values)]
        if len(known):
            # A short course is shown whole: two values of a hundred are a burst, one of three is not.
            wanted.append(float(np.quantile(known, 1.0 - OFF_SCALE, method="higher")))
    wanted += [row.rho for row in data.baselines if row.rho is not None]
    if len(course) == 0 and np.isfinite(data.now.level_rho):
        wanted.append(data.now.level_rho)
    ahead = [float(rho_from_swr(f.swr)) for f in told_forecast(data) if f.expected_us is not None]
    levels = sorted(float(rho_from_swr(limit.swr)) for limit in limits if np.isfinite(limit.swr))
    most = max([*wanted, *(rho for rho in ahead if rho < 0.6)])
    most = max([most, *(rho for rho in levels if rho <= 1.35 * most)])
    return min(1.0, 1.06 * most)


def _y(top: float, axis: Spec | None = None, field: str = "v") -> Spec:
    return {
        "field": field,
        "type": "quantitative",
        "scale": {"domain": [0.0, round(top, 4)], "nice": False, "zero": True},
        "axis": axis,
    }


def _match_axis(top: float, *, to_antenna: float | None, as_return_loss: bool) -> Spec:
    """An axis of the match at one end; `to_antenna`: factor of rho to there, None at the transmitter."""
    k = 1.0 if to_antenna is None else to_antenna
    end = "at the transmitter" if to_antenna is None else "at the antenna"
    # Beyond rho 1 at the antenna there is no match to write.
    reach = min(top, 1.0 / k)
    if as_return_loss:
        values = rho_ticks(RETURN_LOSS_TICKS_DB, lambda db: 10.0 ** (-db / 20.0) / k, reach, MATCH_PX)
        label = f"format(-20 * log(datum.value * {k:.6f}) / LN10, '.0f')"
        title = f"return loss {end}, dB"
    else:
        values = rho_ticks(SWR_TICKS, lambda swr: float(rho_from_swr(swr)) / k, reach, MATCH_PX)
        rho = f"(datum.value * {k:.6f})"
        label = f"{rho} > 0.9999 ? '∞' : format((1 + {rho}) / (1 - {rho}), '.3~r') + ':1'"
        title = f"SWR {end}"
    axis: Spec = {"values": [round(v, 5) for v in values], "labelExpr": label, "title": title}
    return axis if to_antenna is None else {**axis, "orient": "right", "grid": False}


def _match(
    data: LineData, limits: Sequence[Limit], top: float, xs: tuple[Spec, Spec], as_return_loss: bool
) -> Spec:
    """The main part; `xs`: the time axis as it is said first, and ever after."""
    first, x = xs
    axis = _match_axis(top, to_antenna=None, as_return_loss=as_return_loss)
    axis_of_match = {**_y(top, axis), "datum": 0.0}
    axis_of_match.pop("field")
    bare = {"field": "v", "type": "quantitative"}
    x2, from_lo, to_b = {"field": "t2"}, {**bare, "field": "lo"}, {"field": "b"}

    def layer(dataset: str, mark: Spec, **encoding: Spec) -> Spec:
        return {"data": {"name": dataset}, "mark": {"clip": True, **mark}, "encoding": encoding}

    broken = {"invalid": "break-paths-show-domains"}
    # Readings of a burst that stand alone would be lines without length.
    is_raw = data.course.resolution is Resolution.RAW and len(data.course) <= DOTS_UP_TO
    dots = {"point": {"filled": True, "size": 9, "style": "over"}} if is_raw else {}
    dash = {
        "field": "kind",
        "type": "nominal",
        "scale": {"domain": ["provisional", "full", "as-commissioned"], "range": [[5, 3], [1, 0], [1, 0]]},
        "legend": None,
    }
    # What is dragged over is where the page goes. It hangs on a layer that always has a row, as the axes do.
    drag: Spec = {
        "name": "drag",
        "select": {"type": "interval", "encodings": ["x"], "clear": False, "zoom": False, "translate": False},
    }
    layers = [
        {**layer("now", {"type": "point", "opacity": 0}, x=first, y=axis_of_match), "params": [drag]},
        layer("now", {"type": "rule", "style": "now"}, x=x),
        layer(
            "match", {"type": "area", "style": "uncertain", **broken}, x=x, y={**bare, "field": "a"}, y2=to_b
        ),
        layer("baselines", {"type": "rect", "style": "usual"}, x=x, x2=x2, y=from_lo, y2={"field": "hi"}),
        layer("match", {"type": "area", "style": "spread", **broken}, x=x, y=from_lo, y2={"field": "hi"}),
        layer("baselines", {"type": "rule", "style": "baseline"}, x=x, x2=x2, y=bare, strokeDash=dash),
        layer("limits", {"type": "rule", "style": "limit"}, y=bare),
        layer("match", {"type": "line", "style": "match", **dots, **broken}, x=x, y=bare),
        layer(
            "over",
            {"type": "point", "shape": "triangle-up", "style": "over", "size": 34, "filled": True},
            x=x,
            y={"value": 4},
        ),
        layer("fan", {"type": "area", "orient": "horizontal", "style": "fan"}, x=x, x2=x2, y=bare),
        layer(
            "fan",
            {"type": "line", "style": "forecast"},
            x={**x, "field": "mid"},
            y=bare,
            order={"field": "v", "type": "quantitative"},
        ),
        layer(
            "baselines",
            {"type": "text", "style": "version", "align": "left", "baseline": "bottom", "dx": 3, "dy": -2},
            x=x,
            y={"value": MATCH_PX},
            text={"field": "text"},
        ),
        # Twice: the first clears the ground, so that the course does not run through the words.
        *(
            layer(
                "limits",
                {"type": "text", "style": style, "align": "left", "baseline": "bottom", "dx": 4, "dy": -2},
                x={"value": 0},
                y=bare,
                text={"field": "text"},
            )
            for style in ("limitground", "limitword")
        ),
    ]
    loss_db = data.now.feeder_loss_db
    if np.isfinite(loss_db):
        k = float(10.0 ** (loss_db / 10.0))
        right = _match_axis(top, to_antenna=k, as_return_loss=as_return_loss)
        layers = [
            {"layer": layers},
            layer("now", {"type": "point", "opacity": 0}, x=x, y={**_y(top, right), "datum": 0.0}),
        ]
        layers[1]["encoding"]["y"].pop("field")
        return {
            "width": _WIDTH,
            "height": MATCH_PX,
            "layer": layers,
            "resolve": {"scale": {"y": "independent"}},
        }
    return {"width": _WIDTH, "height": MATCH_PX, "layer": layers}


def _lanes(count: int, x: Spec) -> Spec:
    height = count * LANE_PX
    scale = {"domain": [0, height], "reverse": True, "nice": False}
    y: Spec = {"field": "y", "type": "quantitative", "scale": scale, "axis": None}
    words = [*SHAPES, "work"]
    fill = {
        "field": "style",
        "type": "nominal",
        "scale": {"domain": words, "range": "category"},
        "legend": None,
    }
    shape = {
        "field": "style",
        "type": "nominal",
        "scale": {"domain": list(SHAPES), "range": list(SHAPES.values())},
        "legend": None,
    }
    return {
        "width": _WIDTH,
        "height": height,
        "layer": [
            {
                "data": {"name": "bars"},
                "mark": {"type": "rect", "style": "bar", "clip": True},
                "encoding": {"x": x, "x2": {"field": "t2"}, "y": y, "y2": {"field": "y2"}, "fill": fill},
            },
            {
                "data": {"name": "marks"},
                "mark": {"type": "point", "style": "sign", "size": 60, "opacity": 1},
                "encoding": {"x": x, "y": y, "fill": fill, "shape": shape},
            },
            {
                "data": {"name": "lanes"},
                "mark": {"type": "text", "style": "lane", "align": "left", "baseline": "middle", "dx": 3},
                "encoding": {"x": {"value": 0}, "y": y, "text": {"field": "text"}},
            },
        ],
    }


def _plain_part(dataset: str, x: Spec, height: int, title: str, style: str, domain: list[float]) -> Spec:
    """A part with one line."""
    y = {
        "field": "v",
        "type": "quantitative",
        "scale": {"domain": [round(v, 3) for v in domain], "nice": False, "zero": False},
        "axis": {"title": title, "tickCount": 3},
    }
    mark = {"type": "line", "style": style, "clip": True, "invalid": "break-paths-show-domains"}
    layer = {"data": {"name": dataset}, "mark": mark, "encoding": {"x": x, "y": y}}
    return {"width": _WIDTH, "height": height, "layer": [layer]}


def _power_domain(course: Course) -> list[float]:
    """Ends of the axis of power [W]: what there is, and at least a tenth up and down."""
    known = course.forward_w[np.isfinite(course.forward_w)]
    low, high = float(known.min()), float(known.max())
    return [max(0.0, min(low, 0.9 * high) * 0.98), max(high, 1.0) * 1.05]


def _weather(course: Course, gap_us: int, x: Spec, sets: dict[str, Rows]) -> list[Spec]:
    """Temperature as a line and rain as bars, where either is told."""
    part: Spec = {
        "width": _WIDTH,
        "height": WEATHER_PX,
        "layer": [],
        "resolve": {"scale": {"y": "independent"}},
    }
    if np.isfinite(course.ambient_temperature_c).any():
        sets["outside"] = line_rows(course, course.ambient_temperature_c, gap_us)
        known = course.ambient_temperature_c[np.isfinite(course.ambient_temperature_c)]
        domain = [float(known.min()) - 1.0, float(known.max()) + 1.0]
        part["layer"] += _plain_part("outside", x, WEATHER_PX, "outside, °C", "outside", domain)["layer"]
    wet = np.flatnonzero(np.nan_to_num(course.precipitation) > 0)
    if len(wet):
        width_us = course.length_us or 60_000_000
        sets["rain"] = [
            {"t": t // 1000, "t2": (t + width_us) // 1000, "v": round(v, 3)}
            for t, v in zip(course.time_us[wet].tolist(), course.precipitation[wet].tolist(), strict=True)
        ]
        axis = {"title": "rain, as told", "orient": "right", "grid": False, "tickCount": 2}
        y = {"field": "v", "type": "quantitative", "axis": axis, "scale": {"zero": True}}
        rain = {"data": {"name": "rain"}, "mark": {"type": "rect", "style": "rain", "clip": True}}
        part["layer"].append(
            {**rain, "encoding": {"x": x, "x2": {"field": "t2"}, "y": y, "y2": {"datum": 0}}}
        )
    return [part] if part["layer"] else []
