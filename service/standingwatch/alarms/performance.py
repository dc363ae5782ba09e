"""The alarm system's own report: what it asks of people, against the published targets.

Three standards say how much an operator can bear: ANSI/ISA-18.2, IEC 62682 and EEMUA 191. Their figures are
held here as `fixtures/checkvalues/alarm_performance_targets.csv` has them, which also says which were read
(at second hand) and which are from memory; where two are given the stricter counts, and an "about" is taken
at its word, since nobody publishes how far it reaches.

An alarm counts when it is raised, at the time it was noted: that is when somebody had to look. One that
changes while it stands is not counted again. What a channel sent is counted apart, by the same rates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from standingwatch.alarms.performance_targets import CHATTERING, SPLIT, STALE, TOP_TEN
from standingwatch.alarms.rates import Line, Verdict, check_span, judged, line, rate_lines
from standingwatch.detect.words import Severity
from standingwatch.readings import IntArray

_SECOND_US = 1_000_000
_HOUR_US = 3600 * _SECOND_US
_DAY_US = 24 * _HOUR_US

#: So many raisings of one alarm in so many seconds are chattering (industry's working rule, from memory).
CHATTER_RAISED, CHATTER_S = 3, 60

#: An alarm that ended so soon after it was raised was fleeting [s]; common practice, no source.
FLEETING_S = 60.0

#: An alarm that has stood longer than this is stale [h] (ISA-18.2, from memory).
STALE_H = 24

#: Which of our severities is which published priority. The standards do not say; this is our reading: a
#: critical alarm wants somebody now, a major one today, the others can wait for the next plan.
PRIORITY = {
    "low": (Severity.WARNING, Severity.MINOR),
    "medium": (Severity.MAJOR,),
    "high": (Severity.CRITICAL,),
}


@dataclass(frozen=True)
class Frequent:
    """One of the alarms that came most often: its name, how often, and its share of all [%]."""

    key: str
    count: int
    share_percent: float


@dataclass(frozen=True)
class Performance:
    """The report.

    Attributes:
        start_us, end_us: the span, the end not included [Unix microseconds].
        operators: among how many people the load is divided.
        alarms: how many were raised in the span.
        lines: the figures about alarms.
        frequent: the ten alarms that came most often.
        by_severity: how many were raised with each severity, by its word.
        notifications: the rates of what each channel sent, by its name.
        notifications_since_us: from when on notifications are counted [Unix microseconds].
    """

    start_us: int
    end_us: int
    operators: float
    alarms: int
    lines: tuple[Line, ...]
    frequent: tuple[Frequent, ...]
    by_severity: Mapping[str, int]
    notifications: Mapping[str, tuple[Line, ...]] = field(default_factory=dict)
    notifications_since_us: int = 0


def performance(
    episodes: pd.DataFrame,
    start_us: int,
    end_us: int,
    *,
    operators: float = 1.0,
    fleeting_s: float = FLEETING_S,
    chatters: int = 0,
    shelved: int = 0,
    notifications: Mapping[str, IntArray] | None = None,
    notifications_since_us: int | None = None,
) -> Performance:
    """The alarm system's report over a span.

    Args:
        episodes: a row per raising, as `episodes` makes them: `key` (text), `severity` (number of a
            `Severity`), `raised_us`, `cleared_us` (-1 where it stands) and `seen_us` (-1 where nobody has
            acknowledged or closed it). Those that were raised before the span and stood in it belong in it.
        start_us, end_us: the span, the end not included [Unix microseconds].
        operators: among how many people alarms are divided, more than 0.
        fleeting_s: an alarm that ended so soon after it was raised was fleeting [s].
        chatters: how many alarms carry our own mark of chattering now.
        shelved: how many alarms are shelved now.
        notifications: when each channel was given its messages [Unix microseconds], by its name.
        notifications_since_us: from when on those are known; the span's beginning if None.

    Raises:
        ValueError: if the span is empty, or `operators` is not a number above 0.
    """
    check_span(start_us, end_us, operators)
    since_us = start_us if notifications_since_us is None else max(start_us, notifications_since_us)
    raised = episodes[(episodes["raised_us"] >= start_us) & (episodes["raised_us"] < end_us)]
    times_us = np.sort(raised["raised_us"].to_numpy(dtype=np.int64))
    frequent = _frequent(raised)
    lines = (
        *rate_lines(times_us, start_us, end_us, operators=operators),
        _chattering(raised),
        _plain("chattering-held", "alarms that chatter and are held as one, now", chatters, "alarms"),
        _fleeting(raised, fleeting_s),
        *_stale(episodes, start_us, end_us),
        _top_ten(frequent, len(raised)),
        *_split(raised),
        *_seen(raised),
        _plain("shelved", "alarms that are shelved now", shelved, "alarms"),
    )
    told = {
        channel: rate_lines(
            np.sort(times[(times >= since_us) & (times < end_us)]), since_us, end_us, operators=operators
        )
        for channel, times in sorted((notifications or {}).items())
        if since_us < end_us
    }
    counts = raised["severity"].value_counts()
    return Performance(
        start_us,
        end_us,
        operators,
        len(raised),
        lines,
        frequent,
        {s.word: int(counts.get(int(s), 0)) for s in Severity if s is not Severity.CLEARED},
        told,
        since_us,
    )


def episodes(changes: pd.DataFrame, seen: pd.DataFrame) -> pd.DataFrame:
    """A row per raising of an alarm, from the history.

    Args:
        changes: `key`, `kind` ("raised" or "cleared"), `severity`, `noted_us`, in the order of noting. Of
            each alarm the two kinds alternate, as the lifecycle makes them; a clearing that comes first is
            left out.
        seen: `key` and `time_us` of each time that somebody acknowledged or closed an alarm, in any order.

    Returns:
        `key`, `severity`, `raised_us`, `cleared_us`, `seen_us`, by time of raising. An alarm was seen when
        somebody acknowledged or closed it after it was raised, and before it was raised again.
    """
    ordered = changes.sort_values("key", kind="stable")
    following = ordered.groupby("key", sort=False)["noted_us"].shift(-1, fill_value=-1)
    ordered = ordered.assign(cleared_us=following)
    raised = ordered[ordered["kind"] == "raised"].rename(columns={"noted_us": "raised_us"})
    # Without one that follows nothing ends the time in which it can be seen.
    again = raised.groupby("key", sort=False)["raised_us"].shift(-1, fill_value=np.iinfo(np.int64).max)
    raised = raised.assign(again_us=again).sort_values("raised_us", kind="stable")
    found = pd.merge_asof(
        raised,
        seen[["key", "time_us"]].sort_values("time_us", kind="stable"),
        left_on="raised_us",
        right_on="time_us",
        by="key",
        direction="forward",
    )
    counts = found["time_us"].notna() & (found["time_us"] < found["again_us"])
    found["seen_us"] = found["time_us"].where(counts, -1).astype("int64")
    return found[["key", "severity", "raised_us", "cleared_us", "seen_us"]]


def _plain(name: str, what: str, value: float | None, unit: str, note: str = "") -> Line:
    """A figure for which nobody publishes a target."""
    return Line(name, what, value, unit, Verdict.NO_TARGET, note=note)


def _chattering(raised: pd.DataFrame) -> Line:
    """How many alarms were raised so often in so short a time that they chattered."""
    ordered = raised.sort_values(["key", "raised_us"])
    before = ordered.groupby("key", sort=False)["raised_us"].shift(CHATTER_RAISED - 1)
    chattered = ordered["raised_us"] - before <= CHATTER_S * _SECOND_US
    what = f"alarms raised {CHATTER_RAISED} times or more in {CHATTER_S} s"
    rule = "the rule is the industry's working rule, from memory, and not in the standard"
    count = int(ordered.loc[chattered, "key"].nunique())
    return judged("chattering", what, count, "alarms", CHATTERING, rule)


def _fleeting(raised: pd.DataFrame, fleeting_s: float) -> Line:
    """How many raisings ended at once."""
    ended = raised["cleared_us"] >= 0
    short = raised["cleared_us"] - raised["raised_us"] <= fleeting_s * _SECOND_US
    what = f"alarms that ended within {fleeting_s:g} s"
    rule = "how short is fleeting is common practice, no source"
    return judged("fleeting", what, int((ended & short).sum()), "alarms", CHATTERING, rule)


def _stale(episodes: pd.DataFrame, start_us: int, end_us: int) -> tuple[Line, Line]:
    """How many alarms have stood for long when the span ends, and at most on any day of it."""
    raised_us = episodes["raised_us"].to_numpy(dtype=np.int64)
    cleared_us = episodes["cleared_us"].to_numpy(dtype=np.int64)
    stands = (cleared_us < 0) | (cleared_us >= end_us)
    # It is stale once it has stood for longer than that: from the next microsecond on.
    from_us = np.maximum(raised_us + STALE_H * _HOUR_US + 1, start_us)
    until_us = np.where(stands, end_us, cleared_us)
    stale = from_us < until_us
    first_day = (from_us[stale] - start_us) // _DAY_US
    last_day = (until_us[stale] - 1 - start_us) // _DAY_US
    steps = np.zeros(-(-(end_us - start_us) // _DAY_US) + 1, dtype=np.int64)
    np.add.at(steps, first_day, 1)
    np.add.at(steps, last_day + 1, -1)
    what = f"alarms that have stood longer than {STALE_H} h"
    return (
        judged("stale", f"{what}, at the end", int((stale & stands).sum()), "alarms", STALE),
        judged("stale-most", f"{what}, most on any day", int(np.cumsum(steps).max()), "alarms", STALE),
    )


def _frequent(raised: pd.DataFrame) -> tuple[Frequent, ...]:
    """The ten that came most often; of those that came as often the first by name."""
    counts = raised.groupby("key").size().sort_values(ascending=False, kind="stable").head(10)
    return tuple(Frequent(str(key), int(n), 100.0 * int(n) / len(raised)) for key, n in counts.items())


def _top_ten(frequent: tuple[Frequent, ...], count: int) -> Line:
    """The share of the ten that came most often."""
    what = "share of the ten alarms that came most often"
    if not count:
        return line("top-ten", what, None, "%", Verdict.CANNOT_SAY, TOP_TEN, "no alarm was raised")
    share = 100.0 * sum(f.count for f in frequent) / count
    # The least that ten can have is when each came once.
    if TOP_TEN.within is not None and 1000.0 / count > TOP_TEN.within:
        note = f"of {count} alarms, ten that came once each would be more than the target allows"
        return line("top-ten", what, share, "%", Verdict.CANNOT_SAY, TOP_TEN, note)
    return judged("top-ten", what, share, "%", TOP_TEN)


def _split(raised: pd.DataFrame) -> list[Line]:
    """The shares of the published priorities."""
    count, lines = len(raised), []
    for priority, severities in PRIORITY.items():
        words = " and ".join(s.word for s in severities)
        what = f"share of priority {priority} ({words} when raised)"
        target = SPLIT[priority]
        name = f"split-{priority}"
        if not count:
            lines.append(line(name, what, None, "%", Verdict.CANNOT_SAY, target, "no alarm was raised"))
            continue
        share = 100.0 * int(raised["severity"].isin([int(s) for s in severities]).sum()) / count
        note = "which severity is which priority is our own reading"
        lines.append(judged(name, what, share, "%", target, note))
    return lines


def _seen(raised: pd.DataFrame) -> tuple[Line, Line]:
    """How many alarms somebody acknowledged or closed, and how soon."""
    seen = raised[raised["seen_us"] >= 0]
    waits_us = seen["seen_us"] - seen["raised_us"]
    median_min = float(waits_us.median()) / (60 * _SECOND_US) if len(seen) else None
    return (
        _plain("acknowledged", "alarms that somebody acknowledged or closed", len(seen), "alarms"),
        _plain("time-to-acknowledge", "time until then, median", median_min, "min"),
    )
