"""Delays before alarms count, and alarms that come and go held as one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Change, ChangeKind, Evidence
from standingwatch.alarms.steady import Delay, SteadySettings, advance
from standingwatch.detect.words import Condition, Severity

MINUTE = 60_000_000
KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
OTHER = AlarmKey("birch-top", "rpt-1", Condition.SWR_HIGH)
NO_DELAY = SteadySettings(off_delay_us={}, chatter_raises=1000)
OFF_10 = SteadySettings(off_delay_us={Condition.SWR_HIGH: 10 * MINUTE}, chatter_raises=1000)
ON_5 = SteadySettings(on_delay_us={Condition.SWR_HIGH: 5 * MINUTE}, off_delay_us={}, chatter_raises=1000)
CHATTER = SteadySettings(
    off_delay_us={}, chatter_raises=3, chatter_window_us=60 * MINUTE, chatter_quiet_us=60 * MINUTE
)


def found(minute: float, severity: Severity = Severity.MAJOR, key: AlarmKey = KEY) -> Evidence:
    return Evidence(key, severity, round(minute * MINUTE), {"swr": 2.2})


def ended(minute: float, key: AlarmKey = KEY, *, is_final: bool = False) -> Evidence:
    return Evidence(key, Severity.CLEARED, round(minute * MINUTE), is_final=is_final)


class Desk:
    """An alarm list to try things with."""

    def __init__(self, settings: SteadySettings) -> None:
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.delays: dict[AlarmKey, Delay] = {}
        self.settings = settings
        self.changes: list[Change] = []

    def see(self, *evidence: Evidence, until: float, closed: float | None = None) -> list[tuple[str, float]]:
        closed = until if closed is None else closed
        result = advance(
            self.alarms,
            self.delays,
            evidence,
            self.settings,
            until_us=round(until * MINUTE),
            closed_us=round(closed * MINUTE),
            noted_us=round(until * MINUTE),
        )
        self.changes += result.changes
        return told(result.changes)


def told(changes: Iterable[Change]) -> list[tuple[str, float]]:
    return [(c.kind.value, c.time_us / MINUTE) for c in changes]


# Delays -------------------------------------------------------------------------------------------------


def test_without_delays_everything_counts_at_once() -> None:
    desk = Desk(NO_DELAY)
    assert desk.see(found(1), ended(2), found(3), until=3) == [("raised", 1), ("cleared", 2), ("raised", 3)]


def test_an_end_counts_when_it_has_lasted_and_says_when_it_was_true() -> None:
    desk = Desk(OFF_10)
    assert desk.see(found(1), ended(5), until=14.9) == [("raised", 1)]
    assert not desk.alarms[KEY].is_cleared
    assert desk.see(until=15) == [("cleared", 5)]
    assert desk.delays[KEY].waiting is None


def test_an_end_waits_for_the_hour_to_close_too() -> None:
    desk = Desk(OFF_10)
    desk.see(found(1), ended(5), until=70, closed=14)
    assert not desk.alarms[KEY].is_cleared
    assert desk.see(until=70, closed=60) == [("cleared", 5)]


def test_what_comes_back_within_the_delay_never_ended() -> None:
    desk = Desk(OFF_10)
    assert desk.see(found(1), ended(5), found(14), until=60) == [("raised", 1)]
    assert not desk.alarms[KEY].is_cleared


def test_what_comes_back_worse_within_the_delay_is_told_as_worse() -> None:
    desk = Desk(OFF_10)
    changes = desk.see(found(1, Severity.MINOR), ended(5), found(14, Severity.CRITICAL), until=60)
    assert changes == [("raised", 1), ("changed", 14)]
    assert desk.alarms[KEY].severity is Severity.CRITICAL


def test_a_second_end_does_not_put_the_first_one_off() -> None:
    desk = Desk(OFF_10)
    assert desk.see(found(1), ended(5), ended(12), until=15) == [("raised", 1), ("cleared", 5)]


def test_what_ends_by_decision_ends_at_once() -> None:
    desk = Desk(OFF_10)
    assert desk.see(found(1), ended(5, is_final=True), until=5) == [("raised", 1), ("cleared", 5)]
    assert KEY not in desk.delays


def test_a_short_one_is_never_raised_with_an_on_delay() -> None:
    desk = Desk(ON_5)
    assert desk.see(found(1), ended(5.9), until=60) == []
    assert KEY not in desk.alarms


def test_one_that_lasts_is_raised_and_says_since_when() -> None:
    desk = Desk(ON_5)
    assert desk.see(found(1, Severity.MINOR), found(3, Severity.MAJOR), until=5.9) == []
    assert desk.see(until=6) == [("raised", 1)]
    assert desk.alarms[KEY].severity is Severity.MAJOR


def test_a_raise_does_not_wait_for_the_hour_to_close() -> None:
    desk = Desk(ON_5)
    assert desk.see(found(1), until=6, closed=0) == [("raised", 1)]


def test_delays_are_each_alarms_own() -> None:
    desk = Desk(OFF_10)
    changes = desk.see(found(1), found(2, key=OTHER), ended(5), found(9, key=OTHER), until=15)
    assert changes == [("raised", 1), ("raised", 2), ("cleared", 5)]
    assert not desk.alarms[OTHER].is_cleared


# Chattering ---------------------------------------------------------------------------------------------


def chatter(times: int, every: float = 10) -> list[Evidence]:
    pieces = []
    for number in range(times):
        pieces += [found(number * every), ended(number * every + every / 2)]
    return pieces


def test_a_connector_that_chatters_all_day_is_one_alarm() -> None:
    desk = Desk(CHATTER)
    changes = desk.see(*chatter(144), until=1440)
    # Until it is known for what it is, it is told as it comes: twice. Then it stands, marked.
    assert changes == [("raised", 0), ("cleared", 5), ("raised", 10), ("cleared", 15), ("raised", 20)]
    assert desk.alarms[KEY].chatters
    assert desk.see(until=1494) == []
    assert desk.see(until=1495) == [("cleared", 1435)]
    assert not desk.alarms[KEY].chatters
    assert KEY not in desk.delays


def test_with_the_delays_of_the_house_it_is_raised_once() -> None:
    desk = Desk(SteadySettings())
    changes = desk.see(*chatter(144), until=1440)
    assert [kind for kind, _ in changes] == ["raised", "changed"]
    assert desk.changes[1].alarm.chatters
    assert not desk.changes[0].alarm.chatters


def test_three_beginnings_over_more_than_the_window_do_not_chatter() -> None:
    desk = Desk(CHATTER)
    desk.see(*chatter(10, every=30.1), until=301)
    assert not any(c.alarm.chatters for c in desk.changes)
    assert sum(c.kind is ChangeKind.RAISED for c in desk.changes) == 10


def test_just_within_the_window_they_do() -> None:
    desk = Desk(CHATTER)
    desk.see(*chatter(3, every=30), until=90)
    assert desk.changes[-1].alarm.chatters


def test_a_severity_that_goes_up_and_down_is_told_while_it_stands() -> None:
    desk = Desk(CHATTER)
    pieces = [found(m, Severity.MAJOR if m % 2 else Severity.MINOR) for m in range(6)]
    assert len(desk.see(*pieces, until=6)) == 6
    assert not desk.alarms[KEY].chatters


# However the stream is cut ------------------------------------------------------------------------------

steps = st.lists(
    st.tuples(
        st.integers(0, 40),
        st.sampled_from([KEY, OTHER]),
        st.sampled_from([Severity.CLEARED, Severity.CLEARED, Severity.MINOR, Severity.MAJOR]),
    ),
    max_size=40,
)
delays = st.builds(
    SteadySettings,
    on_delay_us=st.sampled_from([{}, {Condition.SWR_HIGH: 7 * MINUTE}]),
    off_delay_us=st.sampled_from([{}, {Condition.SWR_HIGH: 25 * MINUTE}]),
    chatter_raises=st.integers(2, 4),
    chatter_window_us=st.sampled_from([30 * MINUTE, 90 * MINUTE]),
    chatter_quiet_us=st.sampled_from([20 * MINUTE, 120 * MINUTE]),
)


def of_key(changes: Sequence[Change], key: AlarmKey) -> list[tuple[ChangeKind, int, Severity, bool]]:
    return [(c.kind, c.time_us, c.severity, c.alarm.chatters) for c in changes if c.alarm.key == key]


@given(steps, delays, st.data())
def test_any_cut_gives_the_same_changes(
    moves: list[tuple[int, AlarmKey, Severity]], how: SteadySettings, data: st.DataObject
) -> None:
    minute, pieces = 0, []
    for wait, key, severity in moves:
        minute += wait
        pieces.append(Evidence(key, severity, minute * MINUTE))
    whole = Desk(how)
    whole.see(*pieces, until=minute + 1000)

    cut = Desk(how)
    begin = 0
    while begin < len(pieces):
        end = data.draw(st.integers(begin + 1, len(pieces)))
        # Nothing older than the last piece can come any more, and nothing is known past it.
        cut.see(*pieces[begin:end], until=pieces[end - 1].time_us / MINUTE - 1e-6)
        begin = end
    cut.see(until=minute + 1000)
    for key in (KEY, OTHER):
        assert of_key(cut.changes, key) == of_key(whole.changes, key)
    assert cut.alarms == whole.alarms


@given(steps, delays)
def test_raised_and_cleared_alternate_and_times_do_not_go_back(
    moves: list[tuple[int, AlarmKey, Severity]], how: SteadySettings
) -> None:
    desk, minute = Desk(how), 0
    for wait, key, severity in moves:
        minute += wait
        desk.see(Evidence(key, severity, minute * MINUTE), until=minute)
    desk.see(until=minute + 1000)
    for key in (KEY, OTHER):
        mine = [c for c in desk.changes if c.alarm.key == key]
        ends = [c.kind for c in mine if c.kind is not ChangeKind.CHANGED]
        assert ends == [ChangeKind.RAISED, ChangeKind.CLEARED] * (len(ends) // 2) + ends[len(ends) // 2 * 2 :]
        assert ends[:1] in ([], [ChangeKind.RAISED])
        assert [c.time_us for c in mine] == sorted(c.time_us for c in mine)
        assert [c.alarm.changes for c in mine] == list(range(1, len(mine) + 1))


@pytest.mark.parametrize("condition", [Condition.REPORTS_MISSING, Condition.SITE_UNREACHABLE])
def test_silence_ends_by_the_horizon_alone(condition: Condition) -> None:
    key = AlarmKey("alder-ridge", "", condition)
    desk = Desk(SteadySettings())
    assert desk.see(found(1, key=key), ended(5, key), until=15, closed=0) == [("raised", 1), ("cleared", 5)]
