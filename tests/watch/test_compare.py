"""Two replays side by side: what each raised, what only one has, who was earlier, how long a warning was."""

from __future__ import annotations

import json
from typing import Any

import pytest

from standingwatch.watch.compare import SHOWN, Outcome, compare, days_of_warning, in_words


def line(
    day: float, resource: str, severity: str, condition: str = "swr-rising", **other: Any
) -> dict[str, Any]:
    """A line of alarms.jsonl, so many days into January."""
    site, _, transmitter = resource.partition("/")
    seconds = round(day * 86_400)
    days, rest = divmod(seconds, 86_400)
    time = f"2026-01-{days + 1:02d}T{rest // 3600:02d}:{rest % 3600 // 60:02d}:{rest % 60:02d}Z"
    return {
        "time": time,
        "time_raised": time,
        "site": site,
        "transmitter": transmitter,
        "region": "",
        "condition": condition,
        "severity": severity,
        "change": "cleared" if severity == "cleared" else "raised",
        "members": [],
        **other,
    }


#: A raises twice; B later and graver, another one besides, and not the second.
A = [
    line(1, "amber/a1", "warning"),
    line(4, "amber/a1", "cleared"),
    line(6, "amber/a1", "warning"),
    line(7, "amber/a1", "major", change="changed"),
    line(8, "birch/b1", "critical", "swr-high"),
]
B = [
    line(3, "amber/a1", "minor"),
    line(5, "amber/a1", "cleared"),
    line(9, "cedar/c1", "warning", "swr-step"),
    line(9.5, "cedar/c1", "cleared", "swr-step"),
]


@pytest.fixture
def compared() -> dict[str, Any]:
    return compare(Outcome("old.toml", A, [{}, {}]), Outcome("new.toml", B, [{}]))


def test_counts(compared: dict[str, Any]) -> None:
    assert compared["settings"] == {"a": "old.toml", "b": "new.toml"}
    assert compared["alarms_raised"] == [
        {"condition": "swr-high", "severity": "critical", "a": 1, "b": 0},
        {"condition": "swr-rising", "severity": "minor", "a": 0, "b": 1},
        {"condition": "swr-rising", "severity": "warning", "a": 2, "b": 0},
        {"condition": "swr-step", "severity": "warning", "a": 0, "b": 1},
    ]
    assert compared["visits_proposed"] == {"a": 2, "b": 1}
    assert compared["transmitters_concerned"] == {"a": 2, "b": 2, "both": 1}


def test_who_was_earlier(compared: dict[str, Any]) -> None:
    later = {row["transmitter"]: row["b_later_days"] for row in compared["first_alarms"]}
    assert later == {"amber/a1": 2.0, "birch/b1": None, "cedar/c1": None}
    (amber, birch, _) = compared["first_alarms"]
    assert amber["a"] == {"time": "2026-01-02T00:00:00Z", "condition": "swr-rising", "severity": "warning"}
    assert birch["b"] is None


def test_what_only_one_has(compared: dict[str, Any]) -> None:
    # The first of A and that of B stood at the same time: both have it.
    assert [(x["resource"], x["severity"], x["stood_days"]) for x in compared["only_a"]] == [
        ("amber/a1", "major", None),
        ("birch/b1", "critical", None),
    ]
    assert [(x["resource"], x["severity"], x["stood_days"]) for x in compared["only_b"]] == [
        ("cedar/c1", "warning", 0.5)
    ]


def test_the_same_twice_differs_in_nothing() -> None:
    same = compare(Outcome("x", A, []), Outcome("x", A, []))
    assert same["only_a"] == same["only_b"] == []
    assert {row["b_later_days"] for row in same["first_alarms"]} == {0.0}
    assert all(row["a"] == row["b"] for row in same["alarms_raised"])
    nothing = compare(Outcome("x", [], []), Outcome("y", [], []))
    assert nothing["days_of_warning"]["a"]["median_days"] is None
    assert "Alarms that only A has: none" in in_words(nothing)


def test_days_of_warning_count_from_the_first_alarm_to_the_first_grave_one() -> None:
    lines = [
        line(1, "amber/a1", "warning"),
        line(2, "amber/a2", "minor"),
        line(2, "amber/a3", "critical", "swr-high"),
        line(3, "amber/a1", "cleared"),
        line(11, "amber/a1", "major"),
        line(20, "amber/a1", "critical", change="changed"),
    ]
    warning = days_of_warning(lines)
    # a2 never became grave; a3 had no warning.
    assert warning["days"] == {"amber/a1": 10.0, "amber/a3": 0.0}
    assert (warning["median_days"], warning["transmitters"], warning["without_warning"]) == (5.0, 2, 1)


def test_members_of_a_group_are_concerned_and_a_site_alone_concerns_none() -> None:
    group = line(2, "amber/", "minor", members=["amber/a1", "amber/a2"])
    grave = line(5, "amber/", "major", members=["amber/a2", "amber/a3"], change="changed")
    down = line(1, "birch/", "major", "site-unreachable")
    compared = compare(Outcome("x", [down, group, grave], []), Outcome("y", [], []))
    assert [row["transmitter"] for row in compared["first_alarms"]] == ["amber/a1", "amber/a2", "amber/a3"]
    assert compared["days_of_warning"]["a"]["days"] == {"amber/a2": 3.0, "amber/a3": 0.0}
    assert [x["resource"] for x in compared["only_a"]] == ["site birch", "site amber"]


def test_in_words_all_is_said_and_long_lists_are_cut() -> None:
    many = [line(1 + n / 100, f"amber/a{n:02d}", "warning") for n in range(SHOWN + 3)]
    later = [{**x, **line(3 + n / 10, f"amber/a{n:02d}", "warning")} for n, x in enumerate(many)]
    extra = [line(20, f"birch/b{n:02d}", "minor") for n in range(SHOWN + 5)]
    compared = compare(Outcome("old.toml", many + extra, [{}]), Outcome("new.toml", later, []))
    text = "\n".join(in_words(compared))
    assert f"of {SHOWN + 3} with one in both: B earlier for 0, later for {SHOWN + 3}, at the same" in text
    assert "  and 3 more, in comparison.json" in text
    assert "  and 5 more, in comparison.json" in text
    assert text.index("amber/a14: B 3.3 days later") < text.index("amber/a13: B 3.2 days later")
    counts = [row.split() for row in text.splitlines() if row.startswith(("raised: all", "visits proposed"))]
    assert counts == [["raised:", "all", "32", "15"], ["visits", "proposed", "1", "0"]]
    assert json.loads(json.dumps(compared)) == compared
