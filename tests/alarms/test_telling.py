"""What each channel is told, and when."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, Evidence, apply
from standingwatch.alarms.notice import ChannelRules, Hours, Notice, NoticeKind, TellingSettings
from standingwatch.alarms.telling import ChannelState, Teller, View
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import HANDED_OVER, Cause, Condition, Severity

VECTOR = Path(__file__).parents[2] / "fixtures/checkvalues/rfc8632_severity_level_notify_vector.csv"
SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
#: Some midnight in UTC.
T0 = 20_000 * DAY

CALM = ChannelRules("desk")
ALL = ChannelRules("log", is_calm=False)


class House:
    """An alarm list, what people did with it, and a teller."""

    def __init__(self, *rules: ChannelRules, pace: TellingSettings | None = None) -> None:
        self.rules, self.pace = rules, pace or TellingSettings()
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.held: dict[AlarmKey, str] = {}
        self.seen: set[AlarmKey] = set()
        self.region: dict[str, str] = {}
        self.teller = Teller(rules, self.pace, {})
        self.now_us = T0
        self.notices: list[Notice] = []

    def tell(self, *evidence: Evidence) -> list[tuple[str, str, int]]:
        changes: list[Change] = []
        for piece in evidence:
            change = apply(self.alarms.get(piece.key), piece, self.now_us)
            if change is not None:
                self.alarms[piece.key] = change.alarm
                changes.append(change)
        view = View(
            self.alarms,
            lambda key: key.region or self.region.get(key.site, ""),
            lambda alarm: self.held.get(alarm.key, ""),
            lambda key: key in self.seen,
        )
        made = self.teller.tell(changes, view, self.now_us)
        self.notices += made
        return [(n.channel, n.kind.value, len(n.alarms)) for n in made]

    def see(self, site: str, severity: Severity, condition: Condition = Condition.SWR_HIGH) -> Evidence:
        return Evidence(AlarmKey(site, "tx-1", condition), severity, self.now_us, {"swr": 2.5})

    def later(self, microseconds: int) -> None:
        self.now_us += microseconds

    def restart(self) -> None:
        """As after a stop: what channels believe is kept, the rest is worked out again."""
        states = {
            name: ChannelState(told=dict(state.told), sent_us=state.sent_us)
            for name, state in self.teller.states.items()
        }
        self.teller = Teller(self.rules, self.pace, states)
        self.teller.look_at(list(self.alarms), self.now_us)


def key(site: str, condition: Condition = Condition.SWR_HIGH) -> AlarmKey:
    return AlarmKey(site, "tx-1", condition)


# Severity level (RFC 8632) ------------------------------------------------------------------------------


@pytest.mark.parametrize("is_calm", [True, False])
def test_the_vector_of_rfc_8632(is_calm: bool) -> None:
    # RFC 8632, notify-status-changes and notify-severity-level, with the level "major".
    house = House(ChannelRules("desk", least=Severity.MAJOR, is_calm=is_calm))
    with VECTOR.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 8
    for row in rows:
        house.later(HOUR)
        severity = Severity.CLEARED if row["cleared"] == "1" else Severity.from_word(row["severity"])
        told = house.tell(house.see("alder-ridge", severity))
        assert len(told) == int(row["notified_when_level_is_major"]), row["time"]


# One alarm ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rules", [CALM, ALL])
def test_an_alarm_is_told_at_once_and_once(rules: ChannelRules) -> None:
    house = House(rules)
    assert house.tell(house.see("alder-ridge", Severity.MINOR)) == [(rules.name, "raised", 1)]
    house.later(SECOND)
    assert house.tell() == []
    house.later(HOUR)
    assert house.tell(house.see("alder-ridge", Severity.MAJOR)) == [(rules.name, "changed", 1)]
    house.later(HOUR)
    assert house.tell(house.see("alder-ridge", Severity.CLEARED)) == [(rules.name, "cleared", 1)]
    assert [n.previous[0] for n in house.notices] == [Severity.CLEARED, Severity.MINOR, Severity.MAJOR]
    assert all(n.is_exact for n in house.notices)


def test_everything_means_every_change_of_one_moment() -> None:
    house = House(CALM, ALL)
    seen = [Severity.MINOR, Severity.MAJOR, Severity.CLEARED]
    made = house.tell(*(house.see("alder-ridge", severity) for severity in seen))
    assert made == [("log", "raised", 1), ("log", "changed", 1), ("log", "cleared", 1)]
    # What has come and gone is nothing to call a person for.
    assert house.teller.states["desk"].pending == {}


def test_news_of_the_same_severity_is_not_told_all_the_time() -> None:
    house = House(CALM, ALL)
    house.tell(house.see("alder-ridge", Severity.MAJOR))
    for number in range(1, 60):
        house.later(MINUTE)
        cause = Cause.WATER if number % 2 else Cause.ICE
        house.tell(replace(house.see("alder-ridge", Severity.MAJOR), causes=(LikelyCause(cause, 0.5, "x"),)))
    counts = Counter(n.channel for n in house.notices)
    assert counts == {"log": 60, "desk": 2}


def test_a_restart_tells_nothing_twice_and_forgets_nothing() -> None:
    house = House(CALM)
    house.held[key("birch-top")] = "work"
    house.tell(house.see("alder-ridge", Severity.MAJOR), house.see("birch-top", Severity.MAJOR))
    house.later(HOUR)
    house.restart()
    assert house.tell() == []
    house.held.clear()
    house.later(SECOND)
    assert house.tell() == [("desk", "raised", 1)]
    house.restart()
    assert house.tell() == []


# Held back ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rules", [CALM, ALL])
@pytest.mark.parametrize("why", ["shelved", "work"])
def test_what_is_held_tells_nobody_and_comes_back_as_it_is_then(rules: ChannelRules, why: str) -> None:
    house = House(rules)
    for site in ("alder-ridge", "birch-top", "cedar-hill"):
        house.held[key(site)] = why
    house.tell(house.see("alder-ridge", Severity.MINOR), house.see("birch-top", Severity.MINOR))
    house.later(HOUR)
    assert house.tell(house.see("alder-ridge", Severity.CRITICAL)) == []
    assert house.tell(house.see("birch-top", Severity.CLEARED)) == []
    assert house.teller.held_back == {why: 1}
    house.held.clear()
    house.later(SECOND)
    assert house.tell() == [(rules.name, "raised", 1)]
    assert house.notices[-1].alarms[0].severity is Severity.CRITICAL
    assert not house.notices[-1].is_exact
    assert house.teller.held_back == {}


def test_what_ended_while_it_was_held_is_told_to_those_who_knew_of_it() -> None:
    house = House(CALM)
    house.tell(house.see("alder-ridge", Severity.MAJOR))
    house.held[key("alder-ridge")] = "shelved"
    house.later(HOUR)
    assert house.tell(house.see("alder-ridge", Severity.CLEARED)) == []
    house.held.clear()
    house.later(SECOND)
    assert house.tell() == [("desk", "cleared", 1)]


def test_off_duty_and_quiet_hours() -> None:
    day = Hours(6 * 60, 22 * 60)
    night = Hours(22 * 60, 6 * 60)
    house = House(
        ChannelRules("day", on_duty=day), ChannelRules("quiet", quiet=night, quiet_below=Severity.MAJOR)
    )
    house.later(HOUR)
    assert house.tell(house.see("alder-ridge", Severity.MINOR)) == []
    assert house.tell(house.see("birch-top", Severity.MAJOR)) == [("quiet", "raised", 1)]
    house.later(5 * HOUR - SECOND)
    assert house.tell() == []
    house.later(SECOND)
    assert sorted(house.tell()) == [
        ("day", "raised", 1),
        ("day", "raised", 1),
        ("quiet", "raised", 1),
    ]


def test_hours_are_those_of_the_channels_zone() -> None:
    night = Hours(22 * 60, 6 * 60, "Australia/Sydney")
    noon_in_utc = T0 + 12 * HOUR
    assert night.holds(noon_in_utc)  # 22:00 or 23:00 in Sydney
    assert not Hours(22 * 60, 6 * 60).holds(noon_in_utc)
    assert Hours(0, 1440).holds(noon_in_utc)


def test_filters() -> None:
    north = ChannelRules("north", regions=frozenset({"north"}))
    steps = ChannelRules("steps", conditions=frozenset({Condition.SWR_STEP}))
    house = House(north, steps)
    house.region = {"alder-ridge": "north", "birch-top": "south"}
    assert house.tell(house.see("alder-ridge", Severity.MINOR)) == [("north", "raised", 1)]
    assert house.tell(house.see("birch-top", Severity.MINOR, Condition.SWR_STEP)) == [("steps", "raised", 1)]
    of_region = Evidence(AlarmKey("", "", Condition.SWR_RISING, "north"), Severity.MINOR, house.now_us)
    assert house.tell(of_region) == [("north", "raised", 1)]
    assert all(not state.pending for state in house.teller.states.values())


# Pace ---------------------------------------------------------------------------------------------------


def test_further_alarms_of_a_site_go_together() -> None:
    house = House(CALM)
    house.tell(house.see("alder-ridge", Severity.MAJOR))
    conditions = (Condition.SWR_STEP, Condition.FOLDBACK_ACTIVE, Condition.FORWARD_POWER_LOW)
    for condition in conditions:
        house.later(10 * SECOND)
        assert house.tell(house.see("alder-ridge", Severity.MINOR, condition)) == []
    house.later(100 * SECOND)
    assert house.tell() == [("desk", "summary", 3)]
    assert house.notices[-1].why == "site"
    house.later(HOUR)
    assert house.tell() == []


def test_a_graver_one_does_not_wait() -> None:
    house = House(CALM)
    house.tell(house.see("alder-ridge", Severity.MAJOR))
    house.later(SECOND)
    made = house.tell(house.see("alder-ridge", Severity.CRITICAL, Condition.FOLDBACK_ACTIVE))
    assert made == [("desk", "raised", 1)]


def storm(house: House, sites: int, severity: Severity, minutes: int) -> None:
    """So many sites go wrong one after the other, and time goes on for an hour after it."""
    for number in range(sites):
        house.tell(house.see(f"hill-{number:03}", severity))
        house.later(minutes * MINUTE // sites)
    for _ in range(3600):
        house.tell()
        house.later(SECOND)


@pytest.mark.parametrize("severity", [Severity.WARNING, Severity.MAJOR, Severity.CRITICAL])
@pytest.mark.parametrize("minutes", [1, 8, 60])
def test_a_storm_gives_the_desk_ten_in_any_ten_minutes_and_all_of_it(
    severity: Severity, minutes: int
) -> None:
    house = House(CALM, ALL)
    storm(house, 500, severity, minutes)
    mine = [n for n in house.notices if n.channel == "desk"]
    times = [n.now_us for n in mine]
    assert all(sum(t <= u < t + 10 * MINUTE for u in times) <= 10 for t in times)
    named = Counter(a.key.site for n in mine for a in n.alarms)
    assert named == {f"hill-{n:03}": 1 for n in range(500)}
    assert sum(n.channel == "log" for n in house.notices) == 500
    assert any(n.kind is NoticeKind.SUMMARY for n in mine)


def test_in_a_flood_only_major_and_worse_go_out_singly() -> None:
    house = House(CALM, pace=TellingSettings(most_in_10_min=100))
    for number in range(11):
        house.later(SECOND)
        house.tell(house.see(f"hill-{number:02}", Severity.WARNING))
    assert house.teller.in_flood
    assert house.tell(house.see("late-1", Severity.MINOR)) == []
    assert house.tell(house.see("late-2", Severity.MAJOR)) == [("desk", "raised", 1)]
    house.later(20 * SECOND)
    assert house.tell() == [("desk", "summary", 2)]
    assert house.notices[-1].why == "flood"
    house.later(10 * MINUTE)
    house.tell()
    assert not house.teller.in_flood
    assert house.tell(house.see("after", Severity.WARNING)) == [("desk", "raised", 1)]


# Nobody acknowledges ------------------------------------------------------------------------------------


def test_reminders_until_somebody_acknowledges() -> None:
    house = House(replace(CALM, remind_every_us=HOUR))
    house.tell(house.see("alder-ridge", Severity.MAJOR), house.see("birch-top", Severity.MINOR))
    house.later(HOUR - SECOND)
    assert house.tell() == []
    house.later(SECOND)
    assert house.tell() == [("desk", "reminder", 1)]
    house.later(HOUR)
    assert house.tell() == [("desk", "reminder", 1)]
    house.seen.add(key("alder-ridge"))
    house.later(HOUR)
    assert house.tell() == []


def test_several_reminders_are_one_notification() -> None:
    house = House(replace(CALM, remind_every_us=HOUR))
    for site in ("alder-ridge", "birch-top", "cedar-hill"):
        house.tell(house.see(site, Severity.MAJOR))
    house.later(HOUR)
    assert house.tell() == [("desk", "summary", 3)]
    assert house.notices[-1].why == "reminder"


def test_what_nobody_acknowledges_goes_to_the_next_one_up() -> None:
    house = House(ChannelRules("chief", least=Severity.MAJOR, after_us=30 * MINUTE))
    house.tell(house.see("alder-ridge", Severity.MAJOR), house.see("birch-top", Severity.MAJOR))
    house.seen.add(key("birch-top"))
    house.later(30 * MINUTE - SECOND)
    assert house.tell() == []
    house.later(SECOND)
    assert house.tell() == [("chief", "raised", 1)]
    assert house.notices[-1].alarms[0].key.site == "alder-ridge"
    house.later(HOUR)
    # It is told of the end of what it was told of, and of no other.
    made = house.tell(house.see("alder-ridge", Severity.CLEARED), house.see("birch-top", Severity.CLEARED))
    assert made == [("chief", "cleared", 1)]


def test_what_ends_before_its_time_never_reaches_the_next_one_up() -> None:
    house = House(ChannelRules("chief", after_us=30 * MINUTE), ChannelRules("log", after_us=1, is_calm=False))
    house.tell(house.see("alder-ridge", Severity.MAJOR), house.see("alder-ridge", Severity.CLEARED))
    house.later(HOUR)
    assert house.tell() == []


# Whatever happens ---------------------------------------------------------------------------------------

moves = st.lists(
    st.tuples(
        st.sampled_from([0, SECOND, MINUTE, 11 * MINUTE]),
        st.sampled_from(["a", "b", "c", "d"]),
        st.sampled_from(list(Severity)),
        st.sampled_from(["", "hold", "free", "restart"]),
    ),
    max_size=60,
)
some_rules = st.builds(
    ChannelRules,
    name=st.just("desk"),
    least=st.sampled_from([Severity.WARNING, Severity.MAJOR]),
    is_calm=st.booleans(),
    quiet=st.sampled_from([None, Hours(0, 30)]),
)


@given(moves, some_rules, st.integers(4, 10))
def test_in_the_end_every_channel_believes_what_is(
    what: list[tuple[int, str, Severity, str]], rules: ChannelRules, most: int
) -> None:
    house = House(rules, pace=TellingSettings(most_in_10_min=most))
    for wait, site, severity, also in what:
        house.later(wait)
        if also == "hold":
            house.held[key(site)] = "shelved"
        elif also == "free":
            house.held.pop(key(site), None)
        elif also == "restart":
            house.restart()
        house.tell(house.see(site, severity))
    house.held.clear()
    for _ in range(240):
        house.later(MINUTE)
        house.tell()
    believed = {k: t.severity for k, t in house.teller.states["desk"].told.items()}
    standing = {k: a.severity for k, a in house.alarms.items() if not a.is_cleared}
    assert {k: s for k, s in believed.items() if s >= rules.least} == {
        k: s for k, s in standing.items() if s >= rules.least
    }
    assert set(believed) <= set(standing)
    assert house.teller.states["desk"].pending == {}
    # Each tells the channel something that it did not believe before.
    belief: dict[AlarmKey, Severity] = {}
    for notice in house.notices:
        for alarm, was in zip(notice.alarms, notice.previous, strict=True):
            before = belief.get(alarm.key, Severity.CLEARED)
            # Of the end of what fell below its level it is not told.
            assert was is before or (was is Severity.CLEARED and before < rules.least)
            belief[alarm.key] = Severity.CLEARED if alarm.is_cleared else alarm.severity
    if rules.is_calm:
        times = [n.now_us for n in house.notices]
        assert all(sum(t <= u < t + 10 * MINUTE for u in times) <= most for t in times)


def test_what_goes_on_in_a_group_is_not_told_as_an_end() -> None:
    house = House(CALM, ALL)
    house.tell(house.see("alder-ridge", Severity.MAJOR))
    house.later(HOUR)
    group = Evidence(AlarmKey("alder-ridge", "", Condition.SWR_HIGH), Severity.MAJOR, house.now_us)
    over = replace(house.see("alder-ridge", Severity.CLEARED), values={"why": HANDED_OVER}, is_final=True)
    made = house.tell(over, group)
    assert sorted(made) == [("desk", "raised", 1), ("log", "cleared", 1), ("log", "raised", 1)]
    assert set(house.teller.states["desk"].told) == {group.key}
    house.later(HOUR)
    assert house.tell() == []


def test_one_alarm_alone_is_no_summary() -> None:
    house = House(CALM)
    for number in range(8):
        house.tell(house.see(f"hill-{number}", Severity.MAJOR))
        house.later(SECOND)
    house.later(20 * SECOND)
    assert house.tell() == [("desk", "raised", 1)]
