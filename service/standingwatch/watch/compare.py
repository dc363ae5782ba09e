"""Two replays of one history with two sets of settings, side by side.

Pure: lines of alarms.jsonl and visits.jsonl in, the comparison as JSON data out, and that in words. An alarm
that one of them has is one for which the other had none of the same resource and condition at the same time:
that it came earlier, graver or in more pieces is told by the other tables.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from standingwatch.detect.words import Severity
from standingwatch.watch.episodes import (
    Episode,
    Key,
    Line,
    episodes,
    resource_name,
    time_us_of,
    transmitters_of,
)

DAY_US = 86_400_000_000

#: So many alarms and transmitters are shown; the rest is counted.
SHOWN = 12

GRAVE = frozenset({Severity.MAJOR.word, Severity.CRITICAL.word})


@dataclass(frozen=True)
class Outcome:
    """What one replay gave: what its settings are called, the lines of alarms.jsonl and of visits.jsonl."""

    name: str
    alarms: Sequence[Line]
    visits: Sequence[Line]


def compare(a: Outcome, b: Outcome) -> dict[str, Any]:
    """Two replays of the same history compared, as JSON data; times are RFC 3339, spans days.

    Args:
        a: the one that is compared with.
        b: the other.
    """
    first = {side: first_alarms(one.alarms) for side, one in (("a", a), ("b", b))}
    mine, theirs = episodes(a.alarms), episodes(b.alarms)
    return {
        "settings": {"a": a.name, "b": b.name},
        "alarms_raised": _raised(a.alarms, b.alarms),
        "visits_proposed": {"a": len(a.visits), "b": len(b.visits)},
        "transmitters_concerned": {
            "a": len(first["a"]),
            "b": len(first["b"]),
            "both": len(first["a"].keys() & first["b"].keys()),
        },
        "first_alarms": [
            _first(name, first["a"].get(name), first["b"].get(name))
            for name in sorted(first["a"].keys() | first["b"].keys())
        ],
        "only_a": _only(mine, theirs),
        "only_b": _only(theirs, mine),
        "days_of_warning": {"a": days_of_warning(a.alarms), "b": days_of_warning(b.alarms)},
    }


def first_alarms(lines: Sequence[Line]) -> dict[str, Line]:
    """The first line that names each transmitter, itself or in a group; sites without members name none."""
    first: dict[str, Line] = {}
    for line in lines:
        if line["severity"] != Severity.CLEARED.word:
            for name in transmitters_of(line):
                first.setdefault(name, line)
    return first


def days_of_warning(lines: Sequence[Line]) -> dict[str, Any]:
    """How long before its first major or critical alarm each transmitter had its first alarm of any severity.

    A transmitter whose first alarm is that grave had no warning: 0 days.

    Returns:
        `median_days` (None without any such transmitter), `transmitters`, of them `without_warning`, and
        `days` of each by its name.
    """
    first = first_alarms(lines)
    grave = first_alarms([line for line in lines if line["severity"] in GRAVE])
    days = {
        name: round((time_us_of(line["time"]) - time_us_of(first[name]["time"])) / DAY_US, 3)
        for name, line in sorted(grave.items())
    }
    return {
        "median_days": round(median(days.values()), 3) if days else None,
        "transmitters": len(days),
        "without_warning": sum(value == 0 for value in days.values()),
        "days": days,
    }


def _raised(a: Sequence[Line], b: Sequence[Line]) -> list[dict[str, Any]]:
    """Alarms raised by condition and severity, one line of the comparison each."""
    counts = [
        Counter((x["condition"], x["severity"]) for x in lines if x["change"] == "raised") for lines in (a, b)
    ]
    return [
        {"condition": condition, "severity": severity, "a": counts[0][kind], "b": counts[1][kind]}
        for kind in sorted(counts[0] | counts[1], key=lambda k: (k[0], -Severity.from_word(k[1])))
        for condition, severity in (kind,)
    ]


def _first(name: str, a: Line | None, b: Line | None) -> dict[str, Any]:
    """The first alarm of a transmitter in both, and by how much b's is later (below 0: earlier)."""
    later = None
    if a is not None and b is not None:
        later = round((time_us_of(b["time"]) - time_us_of(a["time"])) / DAY_US, 3)

    def told(line: Line | None) -> dict[str, Any] | None:
        if line is None:
            return None
        return {name: line[name] for name in ("time", "condition", "severity")}

    return {"transmitter": name, "a": told(a), "b": told(b), "b_later_days": later}


def _only(mine: Sequence[Episode], theirs: Sequence[Episode]) -> list[dict[str, Any]]:
    """Alarms of mine that stood while theirs of the same key never did."""
    by_key: dict[Key, list[Episode]] = {}
    for episode in theirs:
        by_key.setdefault(episode.key, []).append(episode)
    result = []
    for episode in mine:
        end_us = episode.end_us if episode.end_us is not None else _END
        if any(other.overlaps(episode.start_us, end_us + 1) for other in by_key.get(episode.key, ())):
            continue
        days = None if episode.end_us is None else round((episode.end_us - episode.start_us) / DAY_US, 3)
        result.append(
            {
                "resource": resource_name(episode.key),
                "condition": episode.key[3],
                "severity": episode.gravest,
                "raised": episode.last["time_raised"],
                "stood_days": days,
                "members": list(episode.members),
            }
        )
    return result


#: After every time of a history.
_END = 2**62


# In words -----------------------------------------------------------------------------------------------


def in_words(comparison: dict[str, Any]) -> list[str]:
    """The comparison as lines of text; long lists are cut and what is left out is counted."""
    names = comparison["settings"]
    concerned, visits = comparison["transmitters_concerned"], comparison["visits_proposed"]
    rows = [
        (f"raised: {row['condition']} {row['severity']}", row["a"], row["b"])
        for row in comparison["alarms_raised"]
    ]
    rows += [
        ("raised: all", sum(row[1] for row in rows), sum(row[2] for row in rows)),
        ("visits proposed", visits["a"], visits["b"]),
        (f"transmitters concerned ({concerned['both']} by both)", concerned["a"], concerned["b"]),
    ]
    lines = [f"A: {names['a']}", f"B: {names['b']}", "", *_columns([("", "A", "B"), *rows])]
    lines += ["", *_first_in_words(comparison["first_alarms"])]
    for side, other in (("a", "b"), ("b", "a")):
        lines += ["", *_only_in_words(comparison[f"only_{side}"], side.upper(), other.upper())]
    return [*lines, "", *_warning_in_words(comparison["days_of_warning"])]


def _columns(rows: Sequence[tuple[Any, ...]]) -> list[str]:
    """Rows as text in columns, the first to the left, the others to the right."""
    texts = [[str(cell) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in texts) for i in range(len(texts[0]))]
    return [
        "  ".join(
            [row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]
        ).rstrip()
        for row in texts
    ]


def _first_in_words(rows: Sequence[dict[str, Any]]) -> list[str]:
    both = [row for row in rows if row["b_later_days"] is not None]
    moved = sorted((r for r in both if r["b_later_days"]), key=lambda r: -abs(r["b_later_days"]))
    earlier = sum(row["b_later_days"] < 0 for row in moved)
    lines = [
        f"First alarm per transmitter, of {len(both)} with one in both: B earlier for {earlier}, later for "
        f"{len(moved) - earlier}, at the same time for {len(both) - len(moved)}"
    ]
    for row in moved[:SHOWN]:
        days = row["b_later_days"]
        lines.append(
            f"  {row['transmitter']}: B {abs(days):.1f} days {'later' if days > 0 else 'earlier'}: "
            f"A {_told(row['a'])}; B {_told(row['b'])}"
        )
    return lines + _more(len(moved) - SHOWN)


def _told(alarm: dict[str, Any]) -> str:
    return f"{alarm['time'][:16]}Z {alarm['condition']} {alarm['severity']}"


def _only_in_words(rows: Sequence[dict[str, Any]], side: str, other: str) -> list[str]:
    if not rows:
        return [f"Alarms that only {side} has: none"]
    gravest = sorted(rows, key=lambda r: (-Severity.from_word(r["severity"]), r["raised"]))
    lines = [f"Alarms that only {side} has ({other} had none of the same kind at the time): {len(rows)}"]
    for row in gravest[:SHOWN]:
        end = "stands" if row["stood_days"] is None else f"stood for {row['stood_days']:.1f} days"
        lines.append(
            f"  {row['resource']}: {row['condition']} {row['severity']}, raised {row['raised'][:16]}Z, {end}"
        )
    return lines + _more(len(rows) - SHOWN)


def _more(count: int) -> list[str]:
    return [f"  and {count} more, in comparison.json"] if count > 0 else []


def _warning_in_words(warning: dict[str, Any]) -> list[str]:
    lines = ["Days of warning, from a transmitter's first alarm to its first major or critical one:"]
    for side in ("a", "b"):
        one = warning[side]
        if one["median_days"] is None:
            lines.append(f"  {side.upper()}: no transmitter had a major or critical alarm")
        else:
            lines.append(
                f"  {side.upper()}: median {one['median_days']:.1f} over {one['transmitters']} transmitters, "
                f"{one['without_warning']} of them without any warning"
            )
    return lines
