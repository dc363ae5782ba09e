"""The alarm system's own report: examples counted by hand, and plain counting for what comes by chance."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms import performance_targets
from standingwatch.alarms.performance import FLEETING_S, Frequent, episodes, performance
from standingwatch.alarms.performance_targets import Target
from standingwatch.alarms.rates import Line, Verdict, in_flood, judged, rate_lines
from standingwatch.detect.words import Severity

PUBLISHED = Path(__file__).parents[2] / "fixtures/checkvalues/alarm_performance_targets.csv"
S = 1_000_000
MIN, HOUR, DAY = 60 * S, 3600 * S, 86_400 * S
D0 = 20_000 * DAY
COLUMNS = ["key", "severity", "raised_us", "cleared_us", "seen_us"]
MINOR, MAJOR, CRITICAL = (int(s) for s in (Severity.MINOR, Severity.MAJOR, Severity.CRITICAL))


def table(rows: list[tuple[str, int, int, int, int]]) -> pd.DataFrame:
    kinds = {"key": object, **dict.fromkeys(COLUMNS[1:], "int64")}
    return pd.DataFrame(rows, columns=COLUMNS).astype(kinds)


def by_name(lines: tuple[Line, ...]) -> dict[str, Line]:
    assert len({line.name for line in lines}) == len(lines)
    return {line.name: line for line in lines}


def values(lines: tuple[Line, ...]) -> dict[str, float | None]:
    return {line.name: line.value for line in lines}


# Against what is published ------------------------------------------------------------------------------


def targets() -> list[Target]:
    found = []
    for thing in vars(performance_targets).values():
        found += [thing] if isinstance(thing, Target) else []
        if isinstance(thing, dict) and all(isinstance(t, Target) for t in thing.values()):
            found += thing.values()
    return [t for t in found if isinstance(t, Target)]


def test_targets_sources_and_status_are_as_they_were_read() -> None:
    with PUBLISHED.open(newline="") as file:
        rows = {r["metric"]: r for r in csv.DictReader(file)}
    assert len(targets()) == 13
    for target in targets():
        row = rows[target.metric]
        assert target.target == row["acceptable"]
        assert target.limit == row["max_manageable_or_limit"]
        assert target.source == row["source"]
        assert ("second hand" in target.status) is ("READ 2nd-hand" in row["status"]), target.metric
        # The end of a flood and its beginning were read; how much of the time it may take was too.
        assert ("from memory" in target.status) is ("MEMORY" in row["status"] or target.metric == SPLIT_ROW)


SPLIT_ROW = "priority split low/medium/high"


@pytest.mark.parametrize(
    ("name", "edges"),
    [
        (
            "PER_DAY",
            [(144, "met"), (144.1, "within the limit"), (288, "within the limit"), (288.1, "not met")],
        ),
        ("PER_HOUR", [(6, "met"), (6.1, "within the limit"), (12, "within the limit"), (12.1, "not met")]),
        ("PER_10_MIN", [(1, "met"), (2, "within the limit"), (2.1, "not met")]),
        ("PEAK", [(10, "met"), (11, "not met")]),
        ("HOURS_OVER", [(0.99, "met"), (1, "not met")]),
        ("PERIODS_OVER", [(0.99, "met"), (1, "not met")]),
        ("FLOOD_TIME", [(0.99, "met"), (1, "not met")]),
        ("TOP_TEN", [(0.9, "met"), (1, "within the limit"), (5, "within the limit"), (5.1, "not met")]),
        ("CHATTERING", [(0, "met"), (1, "not met")]),
        ("STALE", [(4, "met"), (5, "not met")]),
    ],
)
def test_where_a_target_is_met(name: str, edges: list[tuple[float, str]]) -> None:
    for value, verdict in edges:
        line = judged("n", "w", value, "alarms", getattr(performance_targets, name))
        assert line.verdict.value == verdict, value
        assert line.met is (verdict == "met")


# Rates --------------------------------------------------------------------------------------------------


def at(*seconds: float) -> np.ndarray:
    return D0 + np.array([round(s * S) for s in seconds], dtype=np.int64)


#: Two hours: 12 alarms in the first ten minutes, 6 in the second, 4 in the third, 11 in the last.
BUSY = at(
    *range(0, 600, 50), *range(600, 1200, 100), *range(1200, 1800, 150), *(6600 + 10 * i for i in range(11))
)


def test_rates_counted_by_hand() -> None:
    lines = rate_lines(BUSY, D0, D0 + 2 * HOUR)
    assert values(lines) == {
        "per-day": pytest.approx(33 * 12),
        "per-hour": pytest.approx(16.5),
        "per-10-min": pytest.approx(2.75),
        "peak": 12,
        "hours-over-30": 0,
        "periods-over-10": pytest.approx(100 * 2 / 12),
        # Twelve begin it, six do not end it, four do; eleven begin another.
        "in-flood": pytest.approx(100 * 3 / 12),
    }
    found = by_name(lines)
    assert {n for n, line in found.items() if line.met} == {"hours-over-30"}
    assert found["per-10-min"].note.endswith("calls such a long-term average manageable")
    assert found["per-day"].source == "ISA-18.2-2009 / IEC 62682:2014"


def test_three_people_share_them() -> None:
    found = values(rate_lines(BUSY, D0, D0 + 2 * HOUR, operators=3))
    assert found["per-hour"] == pytest.approx(5.5)
    assert (found["peak"], found["periods-over-10"], found["in-flood"]) == (4, 0, 0)


def test_the_peak_is_that_of_any_ten_minutes_and_hours_count_from_the_start() -> None:
    # Six before and six after the end of a period; one exactly ten minutes after the first is not with it.
    times = at(*range(540, 600, 10), *range(600, 660, 10), 1140)
    found = values(rate_lines(times, D0, D0 + HOUR))
    assert (found["peak"], found["periods-over-10"]) == (12, 0)
    many = at(*(i * 100 for i in range(31)))
    assert values(rate_lines(many, D0, D0 + 2 * HOUR))["hours-over-30"] == 50
    assert values(rate_lines(many[:30], D0, D0 + 2 * HOUR))["hours-over-30"] == 0


def test_a_part_of_a_period_counts_as_one() -> None:
    found = values(rate_lines(at(*range(601, 612)), D0, D0 + 615 * S))
    assert found["periods-over-10"] == 50
    assert found["hours-over-30"] == 0


@pytest.mark.parametrize(
    ("counts", "flood"),
    [
        ([10, 11, 5, 4, 11], [False, True, True, False, True]),
        ([5, 10, 5], [False, False, False]),
        ([11, 10, 9, 5, 0, 10], [True, True, True, True, False, False]),
    ],
)
def test_a_flood_begins_over_ten_and_ends_below_five(counts: list[float], flood: list[bool]) -> None:
    assert in_flood(np.array(counts, dtype=float)).tolist() == flood


@given(st.lists(st.sampled_from([0, 3, 4, 5, 7, 10, 11, 40]), min_size=1, max_size=30))
def test_floods_as_one_would_follow_them(counts: list[int]) -> None:
    state, wanted = False, []
    for count in counts:
        state = count > 10 or (state and count >= 5)
        wanted.append(state)
    assert in_flood(np.array(counts, dtype=float)).tolist() == wanted


@given(
    st.lists(st.integers(0, 3 * HOUR - 1), max_size=60),
    st.integers(10 * MIN, 3 * HOUR),
    st.sampled_from([0.5, 1.0, 2.0]),
)
def test_rates_as_one_would_count_them(offsets: list[int], span_us: int, operators: float) -> None:
    times = sorted(o for o in offsets if o < span_us)
    lines = rate_lines(D0 + np.array(times, dtype=np.int64), D0, D0 + span_us, operators=operators)
    found = values(lines)
    peak = max((sum(1 for t in times if last - 600 * S < t <= last) for last in times), default=0)
    assert found["peak"] == peak / operators
    starts = range(0, span_us, 600 * S)
    counts = [sum(s <= t < s + 600 * S for t in times) / operators for s in starts]
    assert sum(counts) * operators == len(times)
    assert found["periods-over-10"] == pytest.approx(100 * sum(c > 10 for c in counts) / len(counts))
    assert found["per-day"] == pytest.approx(24 * found["per-hour"])
    assert found["per-hour"] == pytest.approx(6 * found["per-10-min"])
    assert found["per-10-min"] * span_us / (600 * S) * operators == pytest.approx(len(times))
    # Whatever is in one period is in some ten minutes.
    assert found["peak"] >= max(counts)


@pytest.mark.parametrize(
    ("end_us", "operators"),
    [(D0, 1), (D0 - 1, 1), (D0 + 1, 0), (D0 + 1, -1), (D0 + 1, np.inf), (D0 + 1, np.nan)],
)
def test_no_span_and_nobody_are_refused(end_us: int, operators: float) -> None:
    with pytest.raises(ValueError, match="wanted"):
        rate_lines(at(), D0, end_us, operators=operators)
    with pytest.raises(ValueError, match="wanted"):
        performance(table([]), D0, end_us, operators=operators)


# The report ---------------------------------------------------------------------------------------------

T = D0 + HOUR
TEN_DAYS = [
    ("A", MINOR, T, T + 20 * S, -1),
    ("A", MINOR, T + 30 * S, T + 40 * S, -1),
    ("A", MINOR, T + 60 * S, T + HOUR, -1),
    # Stood when the span began; stale until the middle of its third day.
    ("B", MAJOR, D0 - 3 * DAY, D0 + 2 * DAY + 12 * HOUR, -1),
    ("C", CRITICAL, D0 + DAY, -1, D0 + DAY + 30 * MIN),
]


def test_a_report_counted_by_hand() -> None:
    report = performance(table(TEN_DAYS), D0, D0 + 10 * DAY, chatters=2, shelved=3)
    found = by_name(report.lines)
    assert {n: line.value for n, line in found.items()} == {
        "per-day": pytest.approx(0.4),
        "per-hour": pytest.approx(4 / 240),
        "per-10-min": pytest.approx(4 / 1440),
        "peak": 3,
        "hours-over-30": 0,
        "periods-over-10": 0,
        "in-flood": 0,
        "chattering": 1,
        "chattering-held": 2,
        "fleeting": 2,
        "stale": 1,
        "stale-most": 2,
        "top-ten": 100,
        "split-low": 75,
        "split-medium": 0,
        "split-high": 25,
        "acknowledged": 1,
        "time-to-acknowledge": 30,
        "shelved": 3,
    }
    verdicts = {n: line.verdict for n, line in found.items()}
    assert {n for n, v in verdicts.items() if v is Verdict.NOT_MET} == {
        "chattering",
        "fleeting",
        "split-low",
        "split-high",
    }
    # Ten of so few alarms are always more than the published share.
    assert {n for n, v in verdicts.items() if v is Verdict.CANNOT_SAY} == {"top-ten"}
    assert {n for n, v in verdicts.items() if v is Verdict.NO_TARGET} == {
        "chattering-held",
        "acknowledged",
        "time-to-acknowledge",
        "shelved",
    }
    assert report.alarms == 4
    assert report.frequent == (Frequent("A", 3, 75.0), Frequent("C", 1, 25.0))
    assert report.by_severity == {"warning": 0, "minor": 3, "major": 0, "critical": 1}
    assert report.notifications == {}


def test_a_span_without_alarms_says_what_cannot_be_said() -> None:
    found = by_name(performance(table([]), D0, D0 + DAY).lines)
    assert {n for n, line in found.items() if line.verdict is Verdict.CANNOT_SAY} == {
        "top-ten",
        "split-low",
        "split-medium",
        "split-high",
    }
    assert found["time-to-acknowledge"].value is None
    counted = ("per-day", "peak", "chattering", "fleeting", "stale", "stale-most", "acknowledged")
    assert [found[n].value for n in counted] == [0] * 7


@pytest.mark.parametrize(("apart_s", "chatters"), [(30, 1), (30.000001, 0)])
def test_three_in_sixty_seconds_chatter(apart_s: float, chatters: int) -> None:
    rows = [("A", MINOR, int(t), -1, -1) for t in at(0, apart_s, 2 * apart_s)]
    rows += [("B", MINOR, int(t), -1, -1) for t in at(0, 1)]
    assert values(performance(table(rows), D0, D0 + DAY).lines)["chattering"] == chatters


@pytest.mark.parametrize(("lasted_us", "fleeting"), [(60 * S, 1), (60 * S + 1, 0)])
def test_what_ends_at_once_is_fleeting(lasted_us: int, fleeting: int) -> None:
    assert FLEETING_S == 60
    rows = [("A", MINOR, D0, D0 + lasted_us, -1), ("B", MINOR, D0, -1, -1)]
    assert values(performance(table(rows), D0, D0 + DAY).lines)["fleeting"] == fleeting
    longer = performance(table(rows), D0, D0 + DAY, fleeting_s=90)
    assert values(longer.lines)["fleeting"] == 1


@pytest.mark.parametrize(
    ("lasted_us", "stale", "most"), [(DAY, 0, 0), (DAY + 1, 0, 0), (DAY + 2, 0, 1), (-1, 1, 1)]
)
def test_stale_is_longer_than_a_day(lasted_us: int, stale: int, most: int) -> None:
    cleared_us = D0 + lasted_us if lasted_us >= 0 else -1
    found = values(performance(table([("A", MINOR, D0, cleared_us, -1)]), D0, D0 + 3 * DAY).lines)
    assert (found["stale"], found["stale-most"]) == (stale, most)


def test_shares_are_judged_once_there_are_enough_alarms() -> None:
    rows = [(f"k{i:04d}", MINOR, D0 + i * MIN, -1, -1) for i in range(1001)]
    found = by_name(performance(table(rows), D0, D0 + DAY).lines)
    assert (found["top-ten"].verdict, found["top-ten"].value) == (Verdict.MET, pytest.approx(1000 / 1001))
    found = by_name(performance(table(rows[:200]), D0, D0 + DAY).lines)
    assert (found["top-ten"].verdict, found["top-ten"].value) == (Verdict.WITHIN_LIMIT, pytest.approx(5))
    assert by_name(performance(table(rows[:199]), D0, D0 + DAY).lines)["top-ten"].met is None
    one_often = rows[:190] + [("k0000", MINOR, D0 + HOUR, -1, -1)] * 10
    assert by_name(performance(table(one_often), D0, D0 + DAY).lines)["top-ten"].verdict is Verdict.NOT_MET


def test_notifications_are_counted_apart_and_from_when_they_are_known() -> None:
    told = {"mqtt": at(0, 86_400), "email.desk": at(*range(86_400, 86_411)), "late": at(10 * 86_400)}
    report = performance(
        table(TEN_DAYS), D0, D0 + 10 * DAY, notifications=told, notifications_since_us=D0 + DAY
    )
    assert report.notifications_since_us == D0 + DAY
    assert values(report.lines)["peak"] == 3
    peaks = {channel: values(lines)["peak"] for channel, lines in report.notifications.items()}
    assert peaks == {"email.desk": 11, "late": 0, "mqtt": 1}
    assert values(report.notifications["email.desk"])["per-day"] == pytest.approx(11 / 9)


EPISODE = st.tuples(
    st.sampled_from(["a", "b", "c"]),
    st.sampled_from([MINOR, MAJOR, CRITICAL]),
    st.integers(-60, 100),
    st.one_of(st.just(None), st.integers(1, 90)),
)


@given(st.lists(EPISODE, max_size=25))
def test_stale_and_shares_as_one_would_count_them(some: list[tuple[str, int, int, int | None]]) -> None:
    """Times in hours; a day of the span at a time, an hour at a time."""
    rows = [
        (key, severity, D0 + start * HOUR, -1 if lasted is None else D0 + (start + lasted) * HOUR, -1)
        for key, severity, start, lasted in some
        if lasted is not None or start < 96
    ]
    end_us = D0 + 4 * DAY
    rows = [r for r in rows if r[2] < end_us]
    report = performance(table(rows), D0, end_us)

    def stale_at(time_us: int) -> int:
        return sum(r[2] + DAY < time_us and (r[3] < 0 or time_us < r[3]) for r in rows)

    found = values(report.lines)
    assert found["stale"] == sum(r[2] + DAY < end_us and (r[3] < 0 or r[3] >= end_us) for r in rows)
    most = 0
    for day in range(4):
        begin_us = D0 + day * DAY
        # Half an hour past each hour: all begin and end on the hour.
        moments = [begin_us + hour * HOUR + 30 * MIN for hour in range(24)]
        held = {i for i, r in enumerate(rows) for t in moments if r[2] + DAY < t and (r[3] < 0 or t < r[3])}
        assert len(held) >= max(stale_at(t) for t in moments)
        most = max(most, len(held))
    assert found["stale-most"] == most
    inside = [r for r in rows if D0 <= r[2] < end_us]
    assert report.alarms == len(inside) == sum(report.by_severity.values())
    assert sum(f.count for f in report.frequent) == len(inside)
    if inside:
        assert sum(found[f"split-{p}"] or 0 for p in ("low", "medium", "high")) == pytest.approx(100)


# From the history ---------------------------------------------------------------------------------------


def history(rows: list[tuple[str, str, int, int]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["key", "kind", "severity", "noted_us"])
    return frame.astype({"key": object, "kind": object, "severity": "int64", "noted_us": "int64"})


def seen(*rows: tuple[str, int]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=["key", "time_us"]).astype({"key": object, "time_us": "int64"})


def test_raisings_get_their_clearing_and_who_looked_at_them() -> None:
    changes = history(
        [
            ("b", "cleared", 1, 5),  # raised before all that is known
            ("a", "raised", MINOR, 10),
            ("b", "raised", MAJOR, 10),
            ("a", "cleared", 1, 20),
            ("a", "raised", MAJOR, 30),
        ]
    )
    made = episodes(changes, seen(("a", 9), ("a", 30), ("a", 25), ("b", 10), ("c", 12), ("a", 40)))
    assert list(made.itertuples(index=False, name=None)) == [
        ("a", MINOR, 10, 20, 25),  # after it had ended, before it was raised again
        ("b", MAJOR, 10, -1, 10),
        ("a", MAJOR, 30, -1, 30),
    ]
    alone = episodes(changes, seen(("a", 30)))
    assert alone["seen_us"].tolist() == [-1, -1, 30]


def test_nothing_gives_nothing() -> None:
    made = episodes(history([]), seen())
    assert (list(made.columns), len(made)) == (COLUMNS, 0)
    assert performance(made, D0, D0 + DAY).alarms == 0
    assert episodes(history([("a", "raised", MINOR, 1)]), seen())["seen_us"].tolist() == [-1]


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 3)), max_size=40),
    st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 60)), max_size=20),
)
def test_episodes_as_one_would_follow_them(
    steps: list[tuple[str, int]], looks: list[tuple[str, int]]
) -> None:
    standing: dict[str, int] = {}
    rows, wanted, now = [], [], 0
    for key, wait in steps:
        now += wait
        if key in standing:
            rows.append((key, "cleared", 1, now))
            wanted[standing.pop(key)][3] = now
        else:
            rows.append((key, "raised", MINOR, now))
            standing[key] = len(wanted)
            wanted.append([key, MINOR, now, -1, -1])
    for i, one in enumerate(wanted):
        again = [w[2] for w in wanted[i + 1 :] if w[0] == one[0]]
        later = [t for key, t in looks if key == one[0] and t >= one[2] and (not again or t < again[0])]
        one[4] = min(later, default=-1)
    made = episodes(history(rows), seen(*looks))
    wanted.sort(key=lambda one: (one[2], one[0]))
    assert [list(r) for r in made.itertuples(index=False, name=None)] == wanted
