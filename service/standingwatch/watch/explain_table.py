"""The evidence about one transmitter as a table: a row per day, as it was judged then."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from standingwatch.detect.history import DAY_US, KIND_WORDS
from standingwatch.readings.fleet import FloatArray
from standingwatch.rf import swr_from_rho
from standingwatch.watch.episodes import Episode, resource_name
from standingwatch.watch.explain import Course

_DAY_ZERO = datetime(1970, 1, 1, tzinfo=UTC)

HEADINGS = (
    "date",
    "usable_hours",
    "level_rho",
    "level_swr",
    "adjusted_level_rho",
    "baseline_kind",
    "baseline_rho",
    "departure_rho",
    "departure_limit_rho",
    "days_away",
    "days_below",
    "wet_hours",
    "wet_excess_rho",
    "temperature_c",
    "forward_power_dbw",
    "baseline_forward_power_dbw",
    "high_readings",
    "high_readings_in_a_row",
    "meter_suspect",
    "alarms",
)


def table(course: Course, episodes: Sequence[Episode], name: str) -> str:
    """The days of a transmitter as CSV; a cell is empty where nothing is known.

    Args:
        course: what was noted of it; its docstrings say what each column means.
        episodes: the alarms that concern it.
        name: "SITE/TRANSMITTER"; alarms about more than it say what they are about.
    """
    days = course.days
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADINGS)
    hours_per_day = dict(zip(*np.unique(course.hours.hour_us // DAY_US, return_counts=True), strict=True))
    columns = (
        [str((_DAY_ZERO + timedelta(days=number)).date()) for number in days.number.tolist()],
        [str(hours_per_day.get(number, 0)) for number in days.number.tolist()],
        _cells(days.rho, 5),
        _cells(swr(days.rho), 3),
        _cells(days.adjusted_rho, 5),
        [KIND_WORDS[kind] for kind in days.baseline_kind.tolist()],
        _cells(days.baseline_rho, 5),
        _cells(days.change_rho, 5),
        _cells(days.limit_rho, 5),
        _cells(days.days_away, 0),
        _cells(days.days_below, 0),
        _cells(days.wet_hours, 0),
        _cells(days.wet_excess_rho, 5),
        _cells(days.temperature_c, 1),
        _cells(days.power_db, 2),
        _cells(days.baseline_power_db, 2),
        _cells(days.high_readings, 0),
        _cells(days.paired_readings, 0),
        ["yes" if suspect else "no" for suspect in days.suspect.tolist()],
        [_alarms(number * DAY_US, episodes, name) for number in days.number.tolist()],
    )
    writer.writerows(zip(*columns, strict=True))
    return text.getvalue()


def swr(rho: FloatArray) -> FloatArray:
    """SWR of levels that may be unknown, or above 1 by the meter's noise (an infinite SWR)."""
    known = np.isfinite(rho)
    return np.where(known, swr_from_rho(np.clip(np.where(known, rho, 0.0), 0.0, 1.0)), np.nan)


def _cells(values: FloatArray, digits: int) -> list[str]:
    return ["" if np.isnan(value) else f"{value:.{digits}f}" for value in values.tolist()]


def _alarms(start_us: int, episodes: Sequence[Episode], name: str) -> str:
    """The alarms that stood on a day, the gravest severity of each on that day."""
    end_us = start_us + DAY_US
    found: dict[str, None] = {}
    for episode in episodes:
        if episode.overlaps(start_us, end_us):
            about = resource_name(episode.key)
            whom = "" if about == name else f" ({about})"
            found[f"{episode.key[3]} {episode.gravest_between(start_us, end_us)}{whom}"] = None
    return "; ".join(found)
