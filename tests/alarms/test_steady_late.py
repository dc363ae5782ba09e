"""What reports of long ago show is history, or told once, with the time since when it was true."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence
from standingwatch.alarms.steady import Delay, SteadySettings, advance
from standingwatch.alarms.text import sentence
from standingwatch.detect.words import Condition, Severity

MINUTE, DAY = 60_000_000, 86_400_000_000
NOW_US = 20_000 * DAY
KEY = AlarmKey("amber", "a1", Condition.SWR_HIGH)


def found(time_us: int, severity: Severity = Severity.MAJOR, late: bool = True) -> Evidence:
    values = {"came_late_s": (NOW_US - time_us) // 1_000_000} if late else {}
    return Evidence(KEY, severity, time_us, values, is_late=late)


def ended(time_us: int, late: bool = True) -> Evidence:
    return found(time_us, Severity.CLEARED, late)


class Desk:
    """An alarm list, with a pause of a minute."""

    def __init__(self) -> None:
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.delays: dict[AlarmKey, Delay] = {}
        self.texts: list[str] = []

    def see(self, *evidence: Evidence, minute: float = 0, late: bool = False) -> list[tuple[str, int]]:
        """Look at a minute after NOW_US; `late` if old reports of the site came."""
        noted_us = NOW_US + round(minute * MINUTE)
        result = advance(
            self.alarms,
            self.delays,
            evidence,
            SteadySettings(),
            until_us=noted_us,
            closed_us=noted_us - 70 * MINUTE,
            noted_us=noted_us,
            late_pause_us=MINUTE,
            late_sites={"amber"} if late else set(),
        )
        self.texts += [sentence(c) for c in result.changes]
        return [(c.kind.value, c.time_us) for c in result.changes]


def test_a_beginning_waits_and_counts_with_its_own_time_once_the_old_reports_pause() -> None:
    desk = Desk()
    assert desk.see(found(NOW_US - 4 * DAY), late=True) == []
    assert desk.see(minute=0.9, late=True) == []
    assert desk.see(minute=1.8) == []
    assert desk.see(minute=1.9) == [("raised", NOW_US - 4 * DAY)]
    assert desk.alarms[KEY].raised_us == NOW_US - 4 * DAY
    assert "Found in reports that came 4 days late." in desk.texts[0]
    assert desk.delays == {}


def test_what_is_over_counts_whole_and_at_once() -> None:
    desk = Desk()
    assert desk.see(found(NOW_US - 9 * DAY), late=True) == []
    assert desk.see(ended(NOW_US - 8 * DAY), minute=0.5, late=True) == [
        ("raised", NOW_US - 9 * DAY),
        ("cleared", NOW_US - 8 * DAY),
    ]
    assert desk.see(minute=100) == []
    # Another time later on.
    assert desk.see(found(NOW_US - 7 * DAY), ended(NOW_US - 6 * DAY), minute=101, late=True) == [
        ("raised", NOW_US - 7 * DAY),
        ("cleared", NOW_US - 6 * DAY),
    ]


def test_one_that_gets_worse_meanwhile_is_told_as_bad_as_it_is_since_it_began() -> None:
    desk = Desk()
    desk.see(found(NOW_US - 4 * DAY), found(NOW_US - 3 * DAY, Severity.CRITICAL), late=True)
    assert desk.see(minute=2) == [("raised", NOW_US - 4 * DAY)]
    assert desk.alarms[KEY].severity is Severity.CRITICAL


def test_what_comes_in_time_speaks_for_the_present() -> None:
    desk = Desk()
    desk.see(found(NOW_US - 4 * DAY), late=True)
    worse = found(NOW_US, Severity.CRITICAL, late=False)
    assert desk.see(worse, late=True) == [("raised", NOW_US - 4 * DAY), ("changed", NOW_US)]
    again = Desk()
    again.see(found(NOW_US - 4 * DAY), late=True)
    assert again.see(ended(NOW_US, late=False), minute=0.1, late=True) == [("raised", NOW_US - 4 * DAY)]
    # Its end is waited with as any other's.
    assert again.see(minute=200) == [("cleared", NOW_US)]


def test_an_alarm_that_stood_before_ends_as_the_old_reports_say() -> None:
    desk = Desk()
    desk.see(found(NOW_US - 10 * DAY, late=False))
    again = found(NOW_US - 8 * DAY)
    assert desk.see(ended(NOW_US - 9 * DAY), again, late=True) == [("cleared", NOW_US - 9 * DAY)]
    assert desk.see(minute=2) == [("raised", NOW_US - 8 * DAY)]


def test_an_end_of_what_never_began_is_nothing() -> None:
    desk = Desk()
    assert desk.see(ended(NOW_US - 9 * DAY), late=True) == []
    assert desk.delays == {}


@given(st.lists(st.booleans(), max_size=30), st.lists(st.integers(0, 30), max_size=5))
def test_whatever_the_cut_the_history_is_the_same(states: list[bool], cuts: list[int]) -> None:
    """Old reports show it on and off: whole spells are in the history, the last is told if it stands."""
    pieces = []
    for number, (before, now) in enumerate(zip([False, *states], states, strict=False)):
        if before != now:
            at = NOW_US - 20 * DAY + number * 60 * MINUTE
            pieces.append(found(at) if now else ended(at))
    wanted = [("raised" if p.severity is not Severity.CLEARED else "cleared", p.time_us) for p in pieces]
    desk, seen = Desk(), []
    edges = sorted({0, len(pieces), *(min(c, len(pieces)) for c in cuts)})
    for begin, end in pairwise(edges):
        seen += desk.see(*pieces[begin:end], late=True)
    assert len(seen) % 2 == 0
    seen += desk.see(minute=2)
    assert seen == wanted


def test_a_channel_s_text_does_not_call_a_later_change_late() -> None:
    desk = Desk()
    desk.see(found(NOW_US - 4 * DAY), late=True)
    desk.see(minute=2)
    desk.see(found(NOW_US + 3 * MINUTE, Severity.CRITICAL, late=False), minute=3)
    assert desk.alarms[KEY].changes == 2
    assert "Found in reports" not in desk.texts[-1]
