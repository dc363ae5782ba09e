"""Simple methods on the same scenes: fixed limits, control charts and a trend test, each a few lines long.

They get what the product gets of the powers and answer in lines of the same shape. Where a choice was open it
was made in their favour, as said beside it. None looks for silence or at the forward power.

Symbols: n transmitters, D days, m usable readings. A reading is usable when its forward power is 2 % of the
rated power or more and it does not say that the transmitter is not keyed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pymannkendall
from scipy.stats import theilslopes

from proving_ground.faults import KINDS
from proving_ground.physics import DAY_US, START_US, Scene
from proving_ground.score import Score

FloatArray = npt.NDArray[np.float64]

#: Below this part of the rated power a transmitter is taken to be unkeyed.
KEYED_PART = 0.02

#: Return loss is kept within 0 to 40 dB: couplers show no better, and more reflected than forward power is
#: read as a full reflection, so that fixed limits can find such a meter.
MOST_RETURN_LOSS_DB = 40.0

#: SWR of the fixed limits, and how many readings in a row have to reach them.
WARNING_SWR, MAJOR_SWR, IN_A_ROW = 1.5, 2.0, 3

#: Days with data from which a chart learns its centre and sigma; a smaller sigma is not believed, because
#: with 0 (a meter with coarse steps) the first change of one step would signal.
LEARNING_DAYS, SMALLEST_SIGMA_DB = 14, 0.05

#: EWMA: weight of the newest day, limits in sigmas. CUSUM: slack and decision value in sigmas.
EWMA_WEIGHT, EWMA_SIGMAS = 0.2, 3.0
CUSUM_SLACK, CUSUM_DECISION = 0.5, 5.0

#: Trend: days of the test, of its evaluation's step, of the projection; level of significance.
TREND_DAYS, TREND_STEP_DAYS, TREND_AHEAD_DAYS, TREND_P = 28, 7, 90, 0.05

#: An alarm ends, and can be raised anew, after this long without a signal.
REARM_US = 14 * DAY_US

#: Faults that a method which sees only the SWR could find.
SHOWN_BY_SWR = tuple(k for k in KINDS if k not in ("amplifier", "silence", "site-silence"))

WARNING, MAJOR = 1, 2
SEVERITY = {WARNING: "warning", MAJOR: "major"}


@dataclass(frozen=True)
class Table:
    """What all peers work on, made once per scene.

    Attributes:
        station: (m,) position of each usable reading's transmitter; readings stand by transmitter, then time.
        time_us: (m,) their times [Unix microseconds].
        rho: (m,) their reflection coefficients, 0.01 .. 1.
        return_loss_db: (n, D) median of each day's usable readings [dB], NaN for a day without one.
    """

    station: npt.NDArray[np.int16]
    time_us: npt.NDArray[np.int64]
    rho: FloatArray
    return_loss_db: FloatArray


class Signals(NamedTuple):
    """What a method says, (k,) each, by transmitter, then time; several in a row are one alarm.

    `level` is `WARNING` or `MAJOR`; `better` whether the return loss rose.
    """

    station: npt.NDArray[Any]
    time_us: npt.NDArray[np.int64]
    level: npt.NDArray[np.int8]
    better: npt.NDArray[np.bool_]


class Figures(NamedTuple):
    """What methods are compared by; NaN where there was nothing to judge.

    `recall` is of faults that can be seen, `recall_swr` of those that the SWR shows; `lead_days` the median
    warning of slow faults before foldback [d], `lead_12` the share with 12 days or more, of `leads` of them;
    false alarms, and false lines of severity major or critical, per transmitter-year.
    """

    recall: float
    recall_swr: float
    lead_days: float
    lead_12: float
    leads: int
    false_rate: float
    false_severe_rate: float


def table_of(scene: Scene) -> Table:
    """Usable readings by transmitter, and the daily return loss."""
    c = scene.columns
    n, days = len(scene.ground.stations), scene.days
    least = KEYED_PART * np.array([s.rated_w for s in scene.ground.stations])
    usable = np.flatnonzero((c["forward_w"] >= least[c["transmitter"]]) & (c["keyed"] != 0))
    # Readings come in order of time; a stable sort of small integers keeps it.
    usable = usable[np.argsort(c["transmitter"][usable].astype(np.int16), kind="stable")]
    station, time_us = c["transmitter"][usable].astype(np.int16), c["time_us"][usable]
    rho = np.sqrt(np.clip(c["reflected_w"][usable] / c["forward_w"][usable], 0.0, 1.0))
    rho = np.maximum(rho, 10 ** (-MOST_RETURN_LOSS_DB / 20))
    cell = station.astype(np.int64) * days + (time_us - START_US) // DAY_US
    return_loss_db = medians_of_cells(-20.0 * np.log10(rho), cell, n * days).reshape(n, days)
    return Table(station, time_us, rho, return_loss_db)


def medians_of_cells(values: FloatArray, cell: npt.NDArray[np.int64], cells: int) -> FloatArray:
    """The median of the values of each cell, NaN where it has none.

    Args:
        values: (m,), finite.
        cell: (m,) 0 .. cells - 1.
        cells: how many there are.

    Returns:
        (cells,), in the unit of the values.
    """
    ordered = values[np.lexsort((values, cell))]
    count = np.bincount(cell, minlength=cells)
    first = np.cumsum(count) - count
    result = np.full(cells, np.nan)
    some = count > 0
    lower = ordered[(first + (count - 1) // 2)[some]]
    result[some] = 0.5 * (lower + ordered[(first + count // 2)[some]])
    return result


def fixed_limits(table: Table, _: Scene) -> Signals:
    """SWR at the transmitter of 1.5 (warning) and 2.0 (major), three usable readings in a row."""

    def in_a_row(swr: float) -> npt.NDArray[np.bool_]:
        over = table.rho >= (swr - 1) / (swr + 1)
        result = over.copy()
        for back in range(1, IN_A_ROW):
            result[back:] &= over[:-back] & (table.station[back:] == table.station[:-back])
            result[:back] = False
        return result

    warning, major = in_a_row(WARNING_SWR), in_a_row(MAJOR_SWR)
    at = np.flatnonzero(warning)
    level = np.where(major[at], MAJOR, WARNING).astype(np.int8)
    return Signals(table.station[at], table.time_us[at], level, np.zeros(len(at), dtype=np.bool_))


def learn(daily: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centre and sigma of the first days with data, and the days after them.

    Args:
        daily: (n, D) [dB], NaN for a day without data.

    Returns:
        Mean (n,), standard deviation (n,) of `LEARNING_DAYS` days, both NaN where there are fewer, and
        (n, D) the days that are left to be watched.
    """
    rank = np.cumsum(np.isfinite(daily), axis=1)
    learned = np.where(np.isfinite(daily) & (rank <= LEARNING_DAYS), daily, 0.0)
    used = np.isfinite(daily) & (rank <= LEARNING_DAYS)
    enough = rank[:, -1] >= LEARNING_DAYS
    centre = np.where(enough, learned.sum(axis=1) / LEARNING_DAYS, np.nan)
    squares = np.where(used, (learned - centre[:, None]) ** 2, 0.0).sum(axis=1)
    sigma = np.where(enough, np.sqrt(squares / (LEARNING_DAYS - 1)), np.nan)
    watched = np.where(rank > LEARNING_DAYS, daily, np.nan)
    return centre, np.maximum(sigma, SMALLEST_SIGMA_DB), watched


def ewma(values: FloatArray, centre: FloatArray, weight: float) -> FloatArray:
    """The exponentially weighted moving average, from the centre on; a day without data leaves it.

    Args:
        values: (n, D), finite or NaN.
        centre: (n,).
        weight: of the newest value, above 0, at most 1.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    result = np.empty_like(values)
    now = centre
    for day in range(values.shape[1]):
        now = np.where(np.isfinite(values[:, day]), weight * values[:, day] + (1 - weight) * now, now)
        result[:, day] = now
    return result


def ewma_limit(sigma: FloatArray, weight: float, sigmas: float) -> FloatArray:
    """How far an EWMA may lie from its centre, after many days; (n,), same unit and source as above."""
    return np.asarray(sigmas * sigma * np.sqrt(weight / (2 - weight)))


def cusum(values: FloatArray, centre: FloatArray, slack: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sums of what lies above and below the centre by more than the slack, never below 0.

    Args:
        values: (n, D), finite or NaN; a day without data leaves the sums.
        centre, slack: (n,), same unit.

    Returns:
        Upper and lower sum, (n, D) each.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    high, low = np.zeros_like(values), np.zeros_like(values)
    up, down = np.zeros(len(values)), np.zeros(len(values))
    for day in range(values.shape[1]):
        off = values[:, day] - centre
        known = np.isfinite(off)
        up = np.where(known, np.maximum(0.0, up + off - slack), up)
        down = np.where(known, np.maximum(0.0, down - off - slack), down)
        high[:, day], low[:, day] = up, down
    return high, low


def ewma_chart(table: Table, _: Scene) -> Signals:
    """EWMA of the daily return loss beyond its limits, either way."""
    centre, sigma, watched = learn(table.return_loss_db)
    off = ewma(watched, centre, EWMA_WEIGHT) - centre[:, None]
    limit = ewma_limit(sigma, EWMA_WEIGHT, EWMA_SIGMAS)[:, None]
    return _at_day_ends(np.isfinite(watched) & (np.abs(off) > limit), off > 0)


def cusum_chart(table: Table, _: Scene) -> Signals:
    """CUSUM of the daily return loss beyond its decision value, either way."""
    centre, sigma, watched = learn(table.return_loss_db)
    high, low = cusum(watched, centre, CUSUM_SLACK * sigma)
    over = np.maximum(high, low) > CUSUM_DECISION * sigma[:, None]
    return _at_day_ends(np.isfinite(watched) & over, high > low)


def trend_line(table: Table, _: Scene) -> Signals:
    """Weekly: 28 daily return losses falling (Mann-Kendall) towards SWR 2 within 90 days (straight line)."""
    daily = table.return_loss_db
    limit_db = -20.0 * np.log10((MAJOR_SWR - 1) / (MAJOR_SWR + 1))
    signal = np.zeros(daily.shape, dtype=np.bool_)
    for station, row in enumerate(daily):
        # The library tests one series at a time.
        known = np.flatnonzero(np.isfinite(row))
        for today in range(TREND_STEP_DAYS - 1, len(row), TREND_STEP_DAYS):
            days = known[known <= today][-TREND_DAYS:]
            if len(days) < TREND_DAYS or days[-1] <= today - TREND_STEP_DAYS:
                continue
            tested = pymannkendall.original_test(row[days])
            if tested.p >= TREND_P or tested.z >= 0:
                continue
            slope, intercept, *_rest = theilslopes(row[days], days)
            signal[station, today] = intercept + slope * (today + TREND_AHEAD_DAYS) <= limit_db
    return _at_day_ends(signal, np.zeros_like(signal))


def _at_day_ends(signal: npt.NDArray[np.bool_], better: npt.NDArray[np.bool_]) -> Signals:
    """Signals by transmitter and day, (n, D): a day's signal comes when the day is over."""
    station, day = np.nonzero(signal)
    time_us = START_US + (day.astype(np.int64) + 1) * DAY_US
    return Signals(station, time_us, np.full(len(day), WARNING, dtype=np.int8), better[station, day])


PEERS: dict[str, Callable[[Table, Scene], Signals]] = {
    "fixed limits": fixed_limits,
    "EWMA chart": ewma_chart,
    "CUSUM chart": cusum_chart,
    "Mann-Kendall, line": trend_line,
}


def run_peers(scene: Scene) -> dict[str, list[dict[str, Any]]]:
    """Each peer's alarm lines, as `score.lines_of` reads them."""
    table = table_of(scene)
    return {name: alarm_lines(method(table, scene), scene) for name, method in PEERS.items()}


def alarm_lines(signals: Signals, scene: Scene) -> list[dict[str, Any]]:
    """Signals as alarms: raised, worse, cleared after 14 days without a signal; in order of time."""
    station, time_us = signals.station, signals.time_us
    if not len(station):
        return []
    anew = np.ones(len(station), dtype=np.bool_)
    anew[1:] = (station[1:] != station[:-1]) | (np.diff(time_us) > REARM_US)
    starts = np.flatnonzero(anew)
    ends = np.append(starts[1:], len(station))
    end_us = START_US + scene.days * DAY_US
    lines: list[tuple[int, dict[str, Any]]] = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        whose = scene.ground.stations[int(station[start])]
        about = {
            "site": whose.site,
            "transmitter": whose.name,
            "condition": "feeder-loss-rising" if signals.better[start] else "swr-rising",
            "likely_cause": "unknown",
        }
        levels = signals.level[start:end]
        changes = [(start, "raised", SEVERITY[int(levels[0])])]
        if levels[0] < levels.max():
            changes.append((start + int(np.argmax(levels == levels.max())), "changed", SEVERITY[MAJOR]))
        said = [(int(time_us[i]), change, severity) for i, change, severity in changes]
        over_us = int(time_us[end - 1]) + REARM_US
        if over_us <= end_us:
            said.append((over_us, "cleared", "cleared"))
        lines += [
            (at_us, {"time": _iso(at_us), **about, "severity": severity, "change": change})
            for at_us, change, severity in said
        ]
    return [line for _, line in sorted(lines, key=lambda pair: pair[0])]


def _iso(time_us: int) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)).isoformat()


def figures(total: Score) -> Figures:
    """What a method's score comes to."""

    def recall(kinds: tuple[str, ...]) -> float:
        seen = sum(total.seen[k] for k in kinds)
        return sum(total.found[k] for k in kinds) / seen if seen else np.nan

    leads = np.array(total.leads)
    return Figures(
        recall=recall(KINDS),
        recall_swr=recall(SHOWN_BY_SWR),
        lead_days=float(np.median(leads)) if len(leads) else np.nan,
        lead_12=float(np.mean(leads >= 12)) if len(leads) else np.nan,
        leads=len(leads),
        false_rate=sum(total.false.values()) / total.years,
        false_severe_rate=sum(total.false_severe.values()) / total.years,
    )
