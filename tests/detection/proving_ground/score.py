"""What was found, held against what is true: from the lines that a replay writes, as an outsider would."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from proving_ground.faults import CAUSE, SLOW, Fault
from proving_ground.physics import DAY_US, START_US, Scene

SILENCES = ("silence", "site-silence")
OF_LINK = ("reports-missing", "site-unreachable")
SEVERE = ("major", "critical")


@dataclass
class Score:
    """Sums over scenes; `merge` adds another."""

    scenes: int = 0
    years: float = 0.0
    seen: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    visited: Counter[str] = field(default_factory=Counter)
    cause_right: Counter[str] = field(default_factory=Counter)
    cause_judged: Counter[str] = field(default_factory=Counter)
    mistaken: Counter[tuple[str, str]] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    false_severe: Counter[str] = field(default_factory=Counter)
    visits: int = 0
    visits_wrong: Counter[str] = field(default_factory=Counter)
    weather_visits: int = 0
    leads: list[float] = field(default_factory=list)
    delays: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    storm_readings: list[int] = field(default_factory=list)
    silence_intervals: list[float] = field(default_factory=list)
    forecasts: list[bool] = field(default_factory=list)
    forecast_misses: Counter[str] = field(default_factory=Counter)
    forecasts_said: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    def merge(self, other: Score) -> None:
        """Add another score."""
        for name in vars(self):
            mine, theirs = getattr(self, name), getattr(other, name)
            if isinstance(mine, Counter):
                mine.update(theirs)
            elif isinstance(mine, list):
                mine.extend(theirs)
            elif isinstance(mine, dict):
                for key, values in theirs.items():
                    mine[key].extend(values)
            else:
                setattr(self, name, mine + theirs)


@dataclass(frozen=True)
class Line:
    """A line of alarms.jsonl: when [d from the start], whom it is about, and what it says."""

    day: float
    positions: frozenset[int]
    data: dict[str, Any]


def lines_of(rows: Iterable[dict[str, Any]], scene: Scene) -> list[Line]:
    """Alarm lines with the transmitters that they are about."""
    where = {(s.site, s.name): i for i, s in enumerate(scene.ground.stations)}
    sites: dict[str, set[int]] = defaultdict(set)
    for (site, _), i in where.items():
        sites[site].add(i)
    result = []
    for row in rows:
        moment = datetime.fromisoformat(row["time"]) if "time" in row else datetime.fromisoformat(row["date"])
        day = (moment.timestamp() * 1e6 - START_US) / DAY_US if moment.tzinfo else 0.0
        if row.get("members"):
            about = {where[tuple(m.split("/"))] for m in row["members"]}
        elif row["transmitter"]:
            about = {where[row["site"], row["transmitter"]]}
        else:
            about = sites[row["site"]]
        result.append(Line(day, frozenset(about), row))
    return result


def score(scene: Scene, alarms: list[dict[str, Any]], visits: list[dict[str, Any]], label: str = "") -> Score:
    """The score of one scene."""
    acting = _acting(scene)
    # Only the time before an onset can have a false alarm.
    quiet = [
        min((f.onset_day for f in acting[i] if f.kind != "ice"), default=float(scene.days))
        for i in range(len(scene.ground.stations))
    ]
    result = Score(scenes=1, years=sum(quiet) / 365.25)
    lines = lines_of(alarms, scene)
    for row in visits:
        row.setdefault("time", row["date"] + "T00:00:00+00:00")
    calls = lines_of(visits, scene)
    _false_alarms(result, scene, lines, acting, label)
    for call in calls:
        result.visits += 1
        near = [f for p in call.positions for f in acting[p] if f.acts(call.day + 1.0)]
        if not any(f.kind != "ice" for f in near):
            what = "ice" if near else "nothing"
            result.visits_wrong[f"{call.data['condition']} on {what}"] += 1
            result.weather_visits += bool(near)
            result.notes.append(
                f"{label} wrong visit {call.data['site']}/{call.data['transmitter']} "
                f"{call.data['condition']} {call.data['date']}"
            )
    for fault in scene.faults:
        if fault.kind != "ice" and fault.seen:
            _fault(result, scene, fault, lines, calls, label)
    return result


def _acting(scene: Scene) -> dict[int, list[Fault]]:
    acting: dict[int, list[Fault]] = defaultdict(list)
    for fault in scene.faults:
        for member in fault.members:
            acting[member].append(fault)
    return acting


def _false_alarms(
    result: Score, scene: Scene, lines: list[Line], acting: dict[int, list[Fault]], label: str
) -> None:
    for line in lines:
        severity, condition = line.data["severity"], line.data["condition"]
        if severity == "cleared":
            continue
        if any(f.acts(line.day) for p in line.positions for f in acting[p]):
            continue
        if condition in OF_LINK and any(
            line.positions & set(members) and begin <= line.day <= end + 0.1
            for members, begin, end in scene.outages
        ):
            continue
        if line.data["change"] == "raised":
            result.false[condition] += 1
            result.notes.append(
                f"{label} false {condition} {severity} {line.data['site']}/{line.data['transmitter']} "
                f"day {line.day:.2f}"
            )
        if severity in SEVERE:
            result.false_severe[condition] += 1


def _fault(
    result: Score, scene: Scene, fault: Fault, lines: list[Line], calls: list[Line], label: str
) -> None:
    kind = fault.kind
    result.seen[kind] += 1
    mine = [
        line
        for line in lines
        if line.day >= fault.onset_day
        and line.positions & set(fault.members)
        and line.data["severity"] != "cleared"
        and (kind in SILENCES or line.data["condition"] not in OF_LINK)
    ]
    my_calls = [c for c in calls if c.positions & set(fault.members) and c.day >= fault.onset_day - 1]
    if kind in SLOW and np.isfinite(fault.fold_day) and fault.span_days >= 30:
        # Found late or never counts as no days of warning, where foldback lies within the time.
        result.leads.append(max(0.0, fault.fold_day - mine[0].day) if mine else 0.0)
    if not mine:
        result.notes.append(
            f"{label} missed {kind} {_name(scene, fault)} onset {fault.onset_day:.1f} "
            f"variety {fault.variety} size {fault.size:.2f} fold {fault.fold_day}"
        )
        return
    result.found[kind] += 1
    result.delays[kind].append(mine[0].day - fault.onset_day)
    if kind == "storm":
        result.storm_readings.append(_keyed_between(scene, fault.members[0], fault.onset_day, mine[0].day))
        if result.storm_readings[-1] > 3:
            result.notes.append(f"{label} slow storm {_name(scene, fault)} size {fault.size:.2f}")
    if kind in SILENCES:
        interval_d = scene.ground.stations[fault.members[0]].interval_s / 86_400
        # Who falls silent while the link of the site is out can be told from the others only after it, once
        # one of them has been heard.
        ends = [
            end + interval_d
            for members, begin, end in scene.outages
            if fault.members[0] in members and begin <= fault.onset_day < end
        ]
        begin = max([fault.onset_day, *ends])
        result.silence_intervals.append((mine[0].day - begin) / interval_d)
        if result.silence_intervals[-1] > 3.3:
            result.notes.append(
                f"{label} slow {kind} {_name(scene, fault)} onset {fault.onset_day:.2f} "
                f"after {result.silence_intervals[-1]:.1f} intervals"
            )
    if my_calls:
        result.visited[kind] += 1
    else:
        result.notes.append(
            f"{label} no visit {kind} {_name(scene, fault)} onset {fault.onset_day:.1f} "
            f"first {mine[0].data['condition']} {mine[0].day:.1f}"
        )
    if kind in CAUSE:
        told = my_calls[0].data["likely_cause"] if my_calls else mine[-1].data["likely_cause"]
        result.cause_judged[kind] += 1
        result.cause_right[kind] += told == CAUSE[kind]
        if told != CAUSE[kind]:
            result.mistaken[kind, told] += 1
    if kind in SLOW:
        _forecasts(result, fault, mine)


def _forecasts(result: Score, fault: Fault, mine: list[Line]) -> None:
    """Each line's forecasts against the day on which the true level crosses the limit."""
    for line in mine:
        for said in line.data.get("forecast") or ():
            result.forecasts_said[said["says"][:12]] += 1
            if said["says"] != "expected" or len(line.positions) != 1:
                continue
            true = fault.crossings.get((next(iter(line.positions)), said["swr"]))
            # A limit that the fault never grows to has no true date.
            if true is None or np.isinf(true):
                continue
            low = _day(said["earliest"])
            high = _day(said["latest"]) if said["latest"] else np.inf
            # What was reached before now is 0 days away: the forecast does not say since when.
            true = max(true, line.day)
            result.forecasts.append(bool(low - 0.5 <= true <= high + 0.5))
            if not result.forecasts[-1]:
                what = "came sooner" if true < low else "came later"
                result.forecast_misses[f"{fault.kind} {fault.shape[0]} {what}"] += 1


def _day(text: str) -> float:
    return (datetime.fromisoformat(text).timestamp() * 1e6 - START_US) / DAY_US


def _name(scene: Scene, fault: Fault) -> str:
    s = scene.ground.stations[fault.members[0]]
    return f"{s.site}/{s.name} (loss {s.loss_db:.1f} dB, keyed {s.keyed_share:.2f}, step {s.power_step_w})"


def _keyed_between(scene: Scene, position: int, begin: float, end: float) -> int:
    """Keyed readings from a moment on, up to and with another."""
    c = scene.columns
    day = (c["time_us"] - START_US) / DAY_US
    least = 0.02 * scene.ground.stations[position].rated_w
    mine = (c["transmitter"] == position) & (day >= begin) & (day <= end + 1e-9)
    return int((mine & (c["forward_w"] >= least) & (c["keyed"] != 0)).sum())


def table(name: str, total: Score) -> str:
    """The score in words and numbers."""

    def share(a: Counter[Any], b: Counter[Any]) -> str:
        return f"{sum(a.values()) / max(sum(b.values()), 1):.3f}"

    leads = np.array(total.leads) if total.leads else np.array([np.nan])
    rows = [
        f"{name}: {total.scenes} scenes, {total.years:.0f} transmitter-years",
        f"  recall {share(total.found, total.seen)} of {sum(total.seen.values())}: "
        + ", ".join(f"{k} {total.found[k]}/{total.seen[k]}" for k in sorted(total.seen)),
        f"  lead days: median {np.median(leads):.1f}, "
        f"at least 12 in {np.mean(leads >= 12):.2f} of {len(leads)}",
        "  delay days (median): "
        + ", ".join(f"{k} {np.median(v):.1f}" for k, v in sorted(total.delays.items())),
        f"  storm: within 3 keyed readings {np.mean(np.array(total.storm_readings or [0]) <= 3):.3f}"
        f" (most {max(total.storm_readings or [0])}); silence: within 3 intervals"
        f" {np.mean(np.array(total.silence_intervals or [0]) <= 3.3):.3f}",
        f"  false per transmitter-year {sum(total.false.values()) / total.years:.3f} {dict(total.false)}",
        f"  false severe {sum(total.false_severe.values()) / total.years:.4f} {dict(total.false_severe)}",
        f"  visits {total.visits}: precision "
        f"{1 - sum(total.visits_wrong.values()) / max(total.visits, 1):.3f} {dict(total.visits_wrong)}, "
        f"recall {share(total.visited, total.seen)}, for weather {total.weather_visits}",
        f"  cause right {share(total.cause_right, total.cause_judged)} {dict(total.mistaken)}",
        f"  forecasts {np.mean(total.forecasts) if total.forecasts else np.nan:.3f} "
        f"of {len(total.forecasts)} "
        f"{dict(total.forecasts_said)} {dict(total.forecast_misses)}",
    ]
    return "\n".join(rows)
