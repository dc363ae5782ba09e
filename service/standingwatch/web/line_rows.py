"""What the chart of an antenna line draws, as rows: the course with its gaps, baselines, forecast, lanes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from standingwatch.detect.interface import LimitForecast
from standingwatch.readings.fleet import FloatArray, IntArray
from standingwatch.review.chart_scale import breaks
from standingwatch.review.course import Course
from standingwatch.review.spans import DAY_US
from standingwatch.rf import rho_from_swr, total_loss_db
from standingwatch.web.line_data import LineData

Rows = list[dict[str, Any]]

LANE_PX = 30

#: Height of an alarm's bar by its weight [pixels], and its mark, as on the board: colour never stands alone.
BAR_PX = {"warning": 5.0, "minor": 7.0, "major": 9.0, "critical": 11.0}
SHAPES = {"warning": "circle", "minor": "diamond", "major": "triangle-up", "critical": "square"}

#: Shortest span that a forecast is drawn with: it counts in days.
FAN_FROM_US = 3 * DAY_US

#: Fields of the match's rows, by the course's columns.
MATCH_FIELDS = {"v": "rho", "lo": "rho_low", "hi": "rho_high", "a": "rho_least", "b": "rho_most"}


@dataclass(frozen=True)
class Limit:
    """A limit of the SWR at the transmitter, with what it is called."""

    swr: float
    name: str


def course_rows(course: Course, line: FloatArray, gap_us: int, fields: dict[str, str]) -> Rows:
    """Rows with several fields where a line is known, broken at gaps."""
    known, anew = breaks(course.time_us, line, gap_us)
    time_ms = ((course.time_us[known] + course.length_us // 2) // 1000).tolist()
    columns = {
        field: [None if v != v else v for v in np.round(getattr(course, name)[known], 5).tolist()]
        for field, name in fields.items()
    }
    rows = [
        {"t": t, **dict(zip(columns, values, strict=True))}
        for t, *values in zip(time_ms, *columns.values(), strict=True)
    ]
    return _broken(rows, anew.tolist())


def line_rows(course: Course, line: FloatArray, gap_us: int) -> Rows:
    """Rows of one line, broken at gaps."""
    known, anew = breaks(course.time_us, line, gap_us)
    time_ms = ((course.time_us[known] + course.length_us // 2) // 1000).tolist()
    values = np.round(line[known], 4).tolist()
    return _broken([{"t": t, "v": v} for t, v in zip(time_ms, values, strict=True)], anew.tolist())


def _broken(rows: Rows, anew: list[int]) -> Rows:
    """Rows with an empty one before each that begins anew, so that no line bridges the gap."""
    for at in reversed(anew):
        rows.insert(at, {"t": (rows[at - 1]["t"] + rows[at]["t"]) // 2, "v": None})
    return rows


def rows_above(course: Course, top: float) -> IntArray:
    """Which rows have readings above the axis."""
    return np.flatnonzero(np.nan_to_num(course.rho_max) > top)


def limit_row(limit: Limit) -> dict[str, Any]:
    """A limit's line and its words."""
    return {"v": round(float(rho_from_swr(limit.swr)), 5), "text": f"{limit.name} {limit.swr:.3g}:1"}


def baseline_rows(data: LineData) -> Rows:
    """Versions of the baseline with the spread of the daily level, each until the next one."""
    rows: Rows = []
    ends = [row.time_us for row in data.baselines[1:]]
    last_us = max(data.span.end_us, data.now.now_us)
    near_ms = data.span.length_us // 6_000
    for row, end_us in zip(data.baselines, [*ends, last_us][: len(data.baselines)], strict=True):
        if end_us <= data.span.start_us or row.time_us >= data.span.end_us:
            continue
        begun = row.time_us >= data.span.start_us
        start_ms = max(row.time_us, data.span.start_us) // 1000
        text = f"{row.kind} {row.version}" if begun else ""
        if rows and rows[-1]["text"] and row.time_us // 1000 - rows[-1]["t"] < near_ms:
            # Words that would stand on each other: those of the latest are kept, with the number of all.
            rows[-1]["text"] = ""
            text = f"{row.kind} to {row.version}"
        if row.rho is None:
            rows.append({"t": start_ms, "text": text})
            continue
        half = 3.0 * (row.spread or 0.0)
        rows.append(
            {
                "t": start_ms,
                "t2": end_us // 1000,
                "v": round(row.rho, 5),
                "lo": round(max(row.rho - half, 0.0), 5),
                "hi": round(min(row.rho + half, 1.0), 5),
                "kind": row.kind,
                "text": text,
            }
        )
    return rows


def told_forecast(data: LineData) -> Sequence[LimitForecast]:
    """The forecast of the gravest alarm that has one."""
    return next((one.alarm.forecast for one in data.alarms if one.alarm.forecast), ())


def fan_rows(data: LineData, top: float) -> Rows:
    """From the present level to the 80 % interval of each limit's date; only where the span ends now."""
    level, now_us = data.now.level_rho, data.now.now_us
    if not np.isfinite(level) or data.span.end_us < now_us or data.span.length_us < FAN_FROM_US:
        return []
    rows = [{"v": round(level, 5), "t": now_us // 1000, "t2": now_us // 1000, "mid": now_us // 1000}]
    for limit in sorted(told_forecast(data), key=lambda one: one.swr):
        rho = float(rho_from_swr(limit.swr))
        if limit.expected_us is None or not level < rho <= top or limit.expected_us <= now_us:
            continue
        early_us = max(limit.earliest_us or now_us, now_us)
        # One that may never be reached has no end: the fan goes on over the edge.
        late_us = limit.latest_us if limit.latest_us is not None else now_us + 20 * 366 * DAY_US
        rows.append(
            {
                "v": round(rho, 5),
                "t": early_us // 1000,
                "t2": late_us // 1000,
                "mid": limit.expected_us // 1000,
            }
        )
    return rows if len(rows) > 1 else []


def lane_sets(data: LineData) -> dict[str, Rows]:
    """Alarms by condition and work, a lane each: names, bars, marks [pixels from the top]."""
    lanes: list[tuple[str, list[tuple[int, int, str]]]] = []
    for condition in dict.fromkeys(piece.condition for piece in data.alarm_spans):
        mine = [p for p in data.alarm_spans if p.condition == condition]
        mine.sort(key=lambda piece: (piece.severity, piece.start_us))
        lanes.append((condition, [(p.start_us, p.end_us, p.severity.word) for p in mine]))
    if not data.alarm_spans:
        lanes.append(("no alarm in this time", []))
    if data.work:
        lanes.append(("work and visits", [(w.start_us, w.end_us, "work") for w in data.work]))
    bars, marks = [], []
    for n, (_, spans) in enumerate(lanes):
        middle = n * LANE_PX + 21.0
        for start_us, end_us, style in spans:
            half = BAR_PX.get(style, 7.0) / 2
            begin = max(start_us, data.span.start_us)
            # A bar has at least a width that can be seen: 3 of about 700 pixels.
            end = max(min(end_us, data.span.end_us), begin + data.span.length_us // 250)
            bar = {"t": begin // 1000, "t2": end // 1000, "y": middle - half, "y2": middle + half}
            bars.append({**bar, "style": style})
            if style in SHAPES:
                marks.append({"t": begin // 1000, "y": middle, "style": style})
    names = [{"y": n * LANE_PX + 8.0, "text": name} for n, (name, _) in enumerate(lanes)]
    return {"lanes": names, "bars": bars, "marks": marks}


def lost_of(rho: FloatArray, loss_db: float) -> FloatArray:
    """Loss between transmitter and antenna [dB]; NaN where it is infinite or cannot be."""
    antenna = rho * 10.0 ** (loss_db / 10.0)
    lost = total_loss_db(np.where(antenna < 1.0, antenna, np.nan), np.full(len(rho), loss_db))
    return np.where(np.isfinite(lost), lost, np.nan)
