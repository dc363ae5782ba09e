"""What the parts of the chart of one transmitter share: its data, its axes, its colours, small pieces."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np

from standingwatch.detect.history import DAY_US
from standingwatch.readings.fleet import FloatArray
from standingwatch.rf import rho_from_swr
from standingwatch.watch.episodes import Episode
from standingwatch.watch.explain import Course
from standingwatch.watch.explain_words import ToldForecast

# Colours: M. Okabe and K. Ito, "Color Universal Design (CUD): How to make figures and presentations that are
# friendly to colorblind people", 2008. The severities' are those of the web board. No colour stands alone:
# severities differ in shape, thickness and word, lines in dash, width and label.
BLACK, ORANGE, SKY, GREEN = "#000000", "#e69f00", "#56b4e9", "#009e73"
YELLOW, BLUE, VERMILION, PURPLE = "#f0e442", "#0072b2", "#d55e00", "#cc79a7"
INK, QUIET, GRID = "#17212a", "#55616b", "#e3e3de"
FILL = {
    "warning": SKY,
    "minor": YELLOW,
    "major": ORANGE,
    "critical": VERMILION,
    "plain": "#8a8f92",
    "learning": "#ffffff",
    "provisional": "#bfe3d8",
    "full": GREEN,
    "as-commissioned": GREEN,
    "work": BLACK,
}

WIDTH, MAIN_HEIGHT, POWER_HEIGHT = 900, 330, 90
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"

#: Letters of a line of the title, and under it: a wider font, where a browser lacks ours, has room as well.
TITLE_LETTERS, UNDER_LETTERS = 104, 162

ROUND_FIGURES = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0)

#: Longest part of the time axis that the forecast may take beyond the last reading.
AHEAD = 0.4

#: Hours and days without a value over which a line goes on; longer gaps are left open.
GAP_HOURS, GAP_DAYS = 4, 4


@dataclass(frozen=True)
class Picture:
    """What is drawn.

    Attributes:
        name: "SITE/TRANSMITTER".
        course: what was noted of it.
        episodes: the alarms that concern it.
        told: the last forecast, if there was one.
        foldback_swr, tolerance_swr: SWR at the transmitter, NaN where not known.
        work: start, end [Unix microseconds] and kind of work on record.
        last_us: time of the last reading [Unix microseconds].
    """

    name: str
    course: Course
    episodes: Sequence[Episode]
    told: ToldForecast | None
    foldback_swr: float
    tolerance_swr: float
    work: Sequence[tuple[int, int, str]]
    last_us: int


@dataclass(frozen=True)
class Axes:
    """Ends of the axes: times [Unix microseconds], and the highest rho."""

    start_us: int
    end_us: int
    top_rho: float

    def px_of(self, time_us: int) -> float:
        """Pixels from the left."""
        return (time_us - self.start_us) / (self.end_us - self.start_us) * WIDTH

    @property
    def x(self) -> alt.Scale:
        """The time axis of every part."""
        return alt.Scale(type="utc", domain=[ms(self.start_us), ms(self.end_us)], nice=False)

    @property
    def y(self) -> alt.Scale:
        """The axis of rho."""
        return alt.Scale(domain=[0.0, self.top_rho], nice=False)


def axes_of(picture: Picture) -> Axes:
    """Ends of the axes: all that was noted, all limits up to 4:1, the forecast as far as there is room."""
    hours, days = picture.course.hours, picture.course.days
    begins = [picture.last_us - DAY_US]
    if len(hours.hour_us):
        begins.append(int(hours.hour_us[0]))
    if len(days.number):
        begins.append(int(days.number[0]) * DAY_US)
    start_us = min(begins)
    start_us -= start_us % DAY_US
    end_us = picture.last_us
    reached = [f for f in picture.told.limits if f.says == "expected"] if picture.told is not None else []
    dates = [d for f in reached for d in (f.expected_us, f.latest_us) if d is not None]
    if dates:
        room = round(AHEAD * (picture.last_us - start_us))
        end_us = max(end_us, min(max(dates) + 2 * DAY_US, picture.last_us + room))
    limits = [s for _, s in limits_of(picture) if s <= 4.0]
    wanted = [float(rho_from_swr(2.05)), *(float(rho_from_swr(s)) for s in limits)]
    for levels in (days.adjusted_rho, days.baseline_rho + days.limit_rho):
        known = levels[np.isfinite(levels)]
        if len(known):
            wanted.append(float(known.max()))
    return Axes(start_us, max(end_us, start_us + DAY_US), min(1.0, 1.06 * max(wanted)))


def limits_of(picture: Picture) -> list[tuple[str, float]]:
    """Names and SWR of the limits, the same SWR once."""
    known: dict[float, list[str]] = {1.5: ["SWR 1.5"], 2.0: ["SWR 2"]}
    for name, swr in (("foldback", picture.foldback_swr), ("tolerance", picture.tolerance_swr)):
        if np.isfinite(swr):
            known.setdefault(round(swr, 2), [f"SWR {swr:.3g}"]).append(name)
    return [(", ".join(names), swr) for swr, names in sorted(known.items())]


def drawn(rows: Sequence[dict[str, Any]]) -> alt.Chart:
    """A chart of rows that are written into it; nothing is loaded from anywhere."""
    # As text: Altair copies and checks lists of rows anew at every step, a text it takes as it is.
    return alt.Chart(alt.InlineData(values=json.dumps(list(rows)), format=alt.JsonDataFormat(type="json")))


def haloed(
    rows: Sequence[dict[str, Any]],
    axes: Axes,
    *,
    y: Any,
    color: str,
    align: Any,
    dx: float = 2,
    dy: float = 0,
) -> list[Any]:
    """Text over lines: first its outline in white, then itself."""
    x = alt.X("t:T", scale=axes.x)
    style: dict[str, Any] = {"align": align, "baseline": "middle", "fontSize": 10.5, "dx": dx, "dy": dy}
    return [
        drawn(rows).mark_text(stroke="#ffffff", strokeWidth=3, **style).encode(x=x, y=y, text="text:N"),
        drawn(rows).mark_text(color=color, **style).encode(x=x, y=y, text="text:N"),
    ]


def time_axis(axes: Axes, *, labels: bool) -> alt.Axis:
    """The axis of time, one for all parts; the lowest part has its labels."""
    years = dict.fromkeys(str(np.datetime64(t, "us"))[:4] for t in (axes.start_us, axes.end_us))
    title = f"date, UTC, {' to '.join(years)}" if labels else None
    return alt.Axis(
        format="%-d %b",
        tickCount=12,
        labels=labels,
        ticks=labels,
        domain=True,
        grid=True,
        title=title,
        labelFlush=False,
    )


def line_rows(time_us: Any, values: FloatArray, gap_us: int) -> list[dict[str, Any]]:
    """Points of a line in order of time; null in the middle of gaps, so that no line bridges them."""
    known = np.flatnonzero(np.isfinite(values))
    rows: list[dict[str, Any]] = []
    before = None
    for t, v in zip(time_us[known].tolist(), values[known].tolist(), strict=True):
        if before is not None and t - before > gap_us:
            rows.append({"t": ms((t + before) // 2), "v": None})
        rows.append({"t": ms(t), "v": round(v, 5)})
        before = t
    return rows


def joined(rows: list[dict[str, Any]], same: Sequence[str]) -> list[dict[str, Any]]:
    """Rectangles that follow each other and are alike as one."""
    result: list[dict[str, Any]] = []
    for row in rows:
        if result and result[-1]["t2"] == row["t"] and all(result[-1][n] == row[n] for n in same):
            result[-1]["t2"] = row["t2"]
        else:
            result.append(dict(row))
    return result


def by_style(of: dict[str, str]) -> alt.Scale:
    """What each style looks like."""
    return alt.Scale(domain=list(of), range=list(of.values()))


def ms(time_us: int) -> int:
    """A time in Unix microseconds as Unix milliseconds, the unit of the chart's axes."""
    return time_us // 1000


def short(time_us: int) -> str:
    """The day of a time [Unix microseconds] in UTC: "9 Apr"."""
    return np.datetime64(time_us // 1000, "ms").item().strftime("%d %b").lstrip("0")
