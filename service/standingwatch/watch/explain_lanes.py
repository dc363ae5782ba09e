"""Spans in lanes under a chart: alarms by condition, baselines, work, weather; where their words have room.

Arithmetic only, so that it can be tested without drawing: what is drawn where, in pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from standingwatch.detect.history import DAY_US
from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.levels import WET
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import BoolArray, IntArray
from standingwatch.watch.episodes import Episode
from standingwatch.watch.explain import Course
from standingwatch.watch.explain_words import kind_from

#: Height of a lane, of a bar by its weight, least width of a bar, all in pixels of the chart.
LANE_PX = 24.0
BAR_PX = {"warning": 5.0, "minor": 7.0, "major": 9.0, "critical": 11.0}
PLAIN_BAR_PX = 7.0
LEAST_PX = 2.0

#: Room for a mark alone and about that of a letter of its word, in pixels.
MARK_PX, LETTER_PX = 11.0, 5.2

#: Each severity's shape, as on the web board, so that colour never carries it alone.
SHAPES = {"warning": "circle", "minor": "diamond", "major": "triangle-up", "critical": "square"}


@dataclass(frozen=True)
class Span:
    """A piece of a lane.

    Attributes:
        start_us, end_us: from when until when [Unix microseconds].
        style: a severity, or "plain", "learning", "provisional", "full", "work": how its bar looks.
        word: what is written over its begin, where there is room.
    """

    start_us: int
    end_us: int
    style: str
    word: str = ""


@dataclass(frozen=True)
class Lane:
    """A row of spans with its name."""

    name: str
    spans: list[Span] = field(default_factory=list)


@dataclass(frozen=True)
class Bar:
    """A span placed: edges in pixels from the top of the lanes, times in Unix microseconds."""

    start_us: int
    end_us: int
    top: float
    bottom: float
    style: str


@dataclass(frozen=True)
class Mark:
    """A shape and a word over the begin of a span; either may be empty where there is no room."""

    time_us: int
    y: float
    style: str
    word: str


def lanes_of(
    course: Course, episodes: Sequence[Episode], work: Sequence[tuple[int, int, str]], last_us: int
) -> list[Lane]:
    """The lanes of a transmitter: its alarms in the order of the conditions, then what bears on them.

    Args:
        course: what was noted of it.
        episodes: the alarms that concern it.
        work: start, end [Unix microseconds] and kind of work on record.
        last_us: time of the last reading; what has not ended goes on until then [Unix microseconds].
    """
    lanes = []
    for condition in Condition:
        spans = []
        for episode in (e for e in episodes if e.key[3] == condition.value):
            ends = [time_us for time_us, _ in episode.steps[1:]] + [episode.end_us or last_us]
            for (start_us, severity), end_us in zip(episode.steps, ends, strict=True):
                spans.append(Span(start_us, max(end_us, start_us), severity, severity))
        if spans:
            # Groups of one site may overlap: the graver is drawn later, over the other.
            lanes.append(Lane(condition.value, sorted(spans, key=lambda s: Severity.from_word(s.style))))
    lanes.append(Lane("baseline", _baseline_spans(course.changes, last_us)))
    if work:
        lanes.append(Lane("work on record", [Span(start, end, "work", kind) for start, end, kind in work]))
    hours = course.hours
    for name, there in (("wet", hours.wet >= WET), ("may be iced", hours.frost)):
        spans = _runs(hours.hour_us, there, HOUR_US)
        if spans:
            lanes.append(Lane(name, spans))
    suspect = _runs(course.days.number * DAY_US, course.days.suspect > 0, DAY_US)
    if suspect:
        lanes.append(Lane("meter suspect", suspect))
    return lanes


def held_until(changes: Sequence[BaselineChange], last_us: int) -> list[int]:
    """Until when what came with each change of a baseline held [Unix microseconds]."""
    return [*(change.time_us for change in changes[1:]), last_us][: len(changes)]


def _baseline_spans(changes: Sequence[BaselineChange], last_us: int) -> list[Span]:
    ends = held_until(changes, last_us)
    return [
        Span(change.time_us, max(end_us, change.time_us), kind_from(change.kind), f"({n}) {change.kind}")
        for n, (change, end_us) in enumerate(zip(changes, ends, strict=True), start=1)
    ]


def _runs(start_us: IntArray, there: BoolArray, length_us: int) -> list[Span]:
    """Stretches in which something is there: pieces that follow each other are one, also over short gaps."""
    begins = start_us[there]
    if len(begins) == 0:
        return []
    # Hours without a usable reading, up to two, do not cut a spell.
    cuts = np.flatnonzero(np.diff(begins) > 3 * length_us)
    first, last = np.r_[0, cuts + 1], np.r_[cuts, len(begins) - 1]
    pairs = zip(begins[first].tolist(), begins[last].tolist(), strict=True)
    return [Span(begin, end + length_us, "plain") for begin, end in pairs]


def place(lanes: Sequence[Lane], px_of: Callable[[int], float], px: float) -> tuple[list[Bar], list[Mark]]:
    """Bars, and the marks that have room: a word is left out first, then the shape.

    Args:
        lanes: from the top down.
        px_of: pixels from the left of a time.
        px: width of the chart.
    """
    bars, marks = [], []
    us_per_px = 1.0 / max((px_of(DAY_US) - px_of(0)) / DAY_US, 1e-18)
    for number, lane in enumerate(lanes):
        floor = (number + 1) * LANE_PX - 2.0
        free = -np.inf
        for span in lane.spans:
            height = BAR_PX.get(span.style, PLAIN_BAR_PX)
            end_us = max(span.end_us, span.start_us + int(LEAST_PX * us_per_px))
            bars.append(Bar(span.start_us, end_us, floor - height, floor, span.style))
        for span in sorted(lane.spans, key=lambda s: s.start_us):
            at = px_of(span.start_us)
            shape = MARK_PX if span.style in SHAPES else 0.0
            whole = shape + LETTER_PX * len(span.word)
            if not span.word or at < free or at + shape > px:
                continue
            word = span.word
            if at + whole > px or _next_begin(lane, span, px_of) < at + whole:
                word = ""
            if not word and not shape:
                continue
            free = at + (whole if word else shape)
            marks.append(Mark(span.start_us, floor - LANE_PX + 8.0, span.style, word))
    return bars, marks


def _next_begin(lane: Lane, span: Span, px_of: Callable[[int], float]) -> float:
    """Where the next span of the lane begins [px]; far away if there is none."""
    later = [s.start_us for s in lane.spans if s.start_us > span.start_us]
    return px_of(min(later)) if later else np.inf
