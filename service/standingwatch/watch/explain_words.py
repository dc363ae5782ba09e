"""What the evidence about a transmitter says now, in words: its chart's headline and the lines under it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from standingwatch.alarms.text import WHAT
from standingwatch.alarms.words import day, forecast_sentences, several
from standingwatch.detect.departure import LOOK_BACK
from standingwatch.detect.history import KIND_WORDS
from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Condition, Severity
from standingwatch.rf import return_loss_db_from_rho, swr_from_rho
from standingwatch.watch.episodes import Episode, Line, resource_name, time_us_of
from standingwatch.watch.explain import Course

#: So many changes of the baseline are written out, the last ones.
SHOWN_CHANGES = 8


@dataclass(frozen=True)
class ToldForecast:
    """The last forecast that an alarm carried.

    Attributes:
        told_us: when [Unix microseconds].
        condition: of which alarm.
        about: what that alarm is about, in words.
        limits: when each limit is reached.
    """

    told_us: int
    condition: str
    about: str
    limits: tuple[LimitForecast, ...]


def last_forecast(lines: Sequence[Line]) -> ToldForecast | None:
    """The forecast of the last alarm line that carried one with something to say; None if none did.

    Args:
        lines: the lines of alarms.jsonl that concern the transmitter, in their order.
    """
    for line in reversed(lines):
        if line["forecast"]:
            about = resource_name((line["site"], line["transmitter"], line["region"], line["condition"]))
            limits = tuple(_limit(entry) for entry in line["forecast"])
            return ToldForecast(time_us_of(line["time"]), line["condition"], about, limits)
    return None


def _limit(entry: dict[str, Any]) -> LimitForecast:
    def moment(name: str) -> int | None:
        return None if entry[name] is None else time_us_of(entry[name])

    return LimitForecast(
        limit=entry["limit"],
        # As `alarms.event.plain` writes it.
        swr=np.inf if entry["swr"] == "infinite" else float(entry["swr"]),
        says=entry["says"],
        earliest_us=moment("earliest"),
        expected_us=moment("expected"),
        latest_us=moment("latest"),
    )


def ratio(rho: float) -> str:
    """A level as SWR with its return loss: "1.24:1 (return loss 19.3 dB)"."""
    inside = min(max(rho, 0.0), 1.0)
    swr, loss_db = float(swr_from_rho(inside)), float(return_loss_db_from_rho(inside))
    shown = "infinite" if np.isinf(swr) else f"{swr:.2f}:1"
    return f"{shown} (return loss {'infinite' if np.isinf(loss_db) else f'{loss_db:.1f} dB'})"


def headline(name: str, episodes: Sequence[Episode]) -> str:
    """What is going on with a transmitter at the end of the history, in one sentence.

    Args:
        name: "SITE/TRANSMITTER".
        episodes: the alarms that concern it.
    """
    standing = _standing(episodes)
    if not standing:
        last = max((e.end_us for e in episodes if e.end_us is not None), default=None)
        since = "" if last is None else f"; the last one ended {day(last)}"
        return f"{name}: no alarm stands{since}."
    worst = standing[0]
    site, transmitter, region, condition = worst.key
    about = ""
    if not transmitter or region:
        whom = f"region {region}" if region else f"site {site}"
        others = len(worst.members) - 1
        about = f", with {several(others, 'other')} of {whom}" if others > 0 else f", all of {whom}"
    more = len(standing) - 1
    also = f"; {several(more, 'more alarm')} {'stands' if more == 1 else 'stand'}" if more else ""
    what = WHAT[Condition(condition)]
    return f"{name}: {what} ({condition}), {worst.severity}, raised {day(worst.start_us)}{about}{also}."


def _standing(episodes: Sequence[Episode]) -> list[Episode]:
    """Those that have not ended, the gravest first."""
    return sorted(
        (e for e in episodes if e.end_us is None),
        key=lambda e: (-Severity.from_word(e.severity), e.start_us),
    )


def figures(course: Course, episodes: Sequence[Episode], told: ToldForecast | None) -> list[str]:
    """Lines under the headline: level against baseline, likely cause, forecast."""
    days = course.days
    lines = []
    judged = np.flatnonzero(np.isfinite(days.change_rho) & np.isfinite(days.baseline_rho))
    if len(judged):
        at = int(judged[-1])
        rho, change = float(days.baseline_rho[at]), float(days.change_rho[at])
        kind = KIND_WORDS[int(days.baseline_kind[at])]
        way = "above" if change >= 0 else "below"
        lines.append(
            f"Level SWR {ratio(rho + change)} against a {kind} baseline of {ratio(rho)}: {abs(change):.3f} "
            f"in ρ {way} it, where {float(days.limit_rho[at]):.3f} counts; away on "
            f"{int(days.days_away[at])} of the last {LOOK_BACK} days with a level."
        )
    else:
        lines.append("No day could be compared with a baseline.")
    standing = _standing(episodes)
    causes = standing[0].last["likely_causes"] if standing else []
    if causes:
        likely = causes[0]
        told_on = day(time_us_of(standing[0].last["time"]))
        lines.append(
            f"Likely cause, as told {told_on}: {likely['cause']} ({likely['confidence']:.0%}), "
            f"{likely['because']}."
        )
    if told is not None:
        whom = f", {told.about}, figures of one member" if "/" not in told.about else ""
        words = " ".join(forecast_sentences(told.limits, told.told_us))
        lines.append(f"Forecast of {day(told.told_us)} ({told.condition}{whom}): {words}")
    return lines


def baseline_notes(course: Course) -> list[str]:
    """The changes of the baseline, numbered as in the chart, with their reasons."""
    notes = []
    for number, change in enumerate(course.changes, start=1):
        level = (
            "" if np.isnan(change.rho) else f" at SWR {ratio(change.rho)}, spread {change.spread:.4f} in ρ"
        )
        notes.append(f"({number})  {_minute(change.time_us)}  {change.kind}{level}: {change.reason}")
    left_out = len(notes) - SHOWN_CHANGES
    if left_out > 0:
        notes = [f"{several(left_out, 'earlier change')} left out", *notes[-SHOWN_CHANGES:]]
    return notes or ["No baseline was taken: too few usable hours."]


def _minute(time_us: int) -> str:
    return str(np.datetime64(time_us // 60_000_000, "m")).replace("T", " ") + " UTC"


def kind_from(change_kind: str) -> str:
    """What holds after a change of the baseline: "learning", "provisional" or "full"."""
    return "learning" if change_kind == "opened" else change_kind
