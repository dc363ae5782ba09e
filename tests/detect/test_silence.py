"""`reports-missing` and `site-unreachable`: who is silent, since when, and who only says nothing new."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.engine import DetectionSettings, Engine, Links
from standingwatch.detect.interface import WHOLE_SITE, Finding
from standingwatch.detect.silence import Silence
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings import Fleet, Readings

START_US = 1_767_225_600_000_000
MINUTE_US = 60_000_000
#: Three intervals of five minutes, and a minute of grace.
DEADLINE_US = 16 * MINUTE_US
INVENTORY = """\
site,transmitter,frequency_mhz,rated_power_w,expected_interval_s
amber,a1,446,100,300
amber,a2,447,100,300
birch,b1,446,100,300
"""
A1, A2, B1 = 0, 1, 2
AMBER, BIRCH = 0, 1
EVER = range(240)


@pytest.fixture
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    return fleet_of(INVENTORY)


@pytest.fixture
def stream(fleet: Fleet, stream_of: Callable[..., Readings]) -> Callable[..., Readings]:
    """Reports five minutes apart in the given minutes of each transmitter, on times of their own."""

    def make(minutes: dict[int, Sequence[int]], forward_w: float = 100.0) -> Readings:
        rows = [
            (owner, START_US + minute * MINUTE_US + owner * 20_000_000)
            for owner, spans in minutes.items()
            for minute in spans
            if minute % 5 == 0
        ]
        owner, time_us = (list(column) for column in zip(*rows, strict=True))
        return stream_of(fleet, owner, time_us, forward_w, forward_w / 100)

    return make


@pytest.fixture
def told(fleet: Fleet, judge: Any) -> Callable[..., list[Finding]]:
    def run(readings: Readings, **more: Any) -> list[Finding]:
        more.setdefault("until_us", START_US + 240 * MINUTE_US)
        findings, _, _ = judge(fleet, readings, detectors=[Silence()], **more)
        return list(findings)

    return run


def brief(findings: list[Finding]) -> list[tuple[Condition, int, int, Severity, float]]:
    """Condition, site, transmitter, severity, and minutes from the start."""
    return [
        (f.condition, f.site, f.transmitter, f.severity, (f.time_us - START_US) / MINUTE_US) for f in findings
    ]


def missing(owner: int, site: int, minute: float) -> tuple[Condition, int, int, Severity, Any]:
    return (Condition.REPORTS_MISSING, site, owner, Severity.MINOR, pytest.approx(minute))


def back(owner: int, site: int, minute: float) -> tuple[Condition, int, int, Severity, Any]:
    return (Condition.REPORTS_MISSING, site, owner, Severity.CLEARED, pytest.approx(minute))


def unreachable(site: int, minute: float) -> tuple[Condition, int, int, Severity, Any]:
    return (Condition.SITE_UNREACHABLE, site, WHOLE_SITE, Severity.MAJOR, pytest.approx(minute))


def reachable(site: int, minute: float) -> tuple[Condition, int, int, Severity, Any]:
    return (Condition.SITE_UNREACHABLE, site, WHOLE_SITE, Severity.CLEARED, pytest.approx(minute))


def test_everybody_reports(stream: Any, told: Any) -> None:
    assert told(stream({A1: EVER, A2: EVER, B1: EVER})) == []


def test_one_transmitter_of_a_site_is_missing_and_comes_back(stream: Any, told: Any) -> None:
    away = [m for m in EVER if not 60 < m < 120]
    findings = told(stream({A1: EVER, A2: away, B1: EVER}))
    # Last heard at 60 min 20 s, due at 76 min 20 s; told when the site is next heard, at 80 min.
    assert brief(findings) == [missing(A2, AMBER, 76 + 1 / 3), back(A2, AMBER, 120 + 1 / 3)]
    assert findings[0].evidence["allowed_silence_s"] == 960


def test_two_missed_reports_are_not_yet_a_silence(stream: Any, told: Any) -> None:
    away = [m for m in EVER if not 60 < m < 75]
    assert told(stream({A1: EVER, A2: away, B1: away})) == []


def test_a_silent_site_is_one_finding(stream: Any, told: Any) -> None:
    away = [m for m in EVER if not 60 < m < 120]
    assert brief(told(stream({A1: away, A2: away, B1: EVER}))) == [
        unreachable(AMBER, 60 + 1 / 3 + 16),
        reachable(AMBER, 120),
    ]


def test_who_stays_away_when_its_site_returns_is_missing(stream: Any, told: Any) -> None:
    away = [m for m in EVER if not 60 < m < 120]
    findings = told(stream({A1: away, A2: [m for m in EVER if m <= 60], B1: EVER}))
    # Counted from the return at 120: due at 136, told when the site is next heard, at 140.
    assert brief(findings) == [
        unreachable(AMBER, 60 + 1 / 3 + 16),
        reachable(AMBER, 120),
        missing(A2, AMBER, 136),
    ]


def test_a_lone_transmitter_is_missing_and_not_its_site(stream: Any, told: Any) -> None:
    away = [m for m in EVER if not 60 < m < 120]
    assert brief(told(stream({A1: EVER, A2: EVER, B1: away}))) == [
        missing(B1, BIRCH, 60 + 2 / 3 + 16),
        back(B1, BIRCH, 120 + 2 / 3),
    ]


@pytest.mark.parametrize(("late_us", "silent"), [(0, False), (1, True)])
def test_a_report_on_the_deadline_is_in_time(
    fleet: Fleet, stream_of: Any, told: Any, late_us: int, silent: bool
) -> None:
    readings = stream_of(fleet, B1, [START_US, START_US + DEADLINE_US + late_us], 100.0, 1.0)
    findings = told(readings, until_us=int(readings.time_us[-1]))
    assert brief(findings) == ([missing(B1, BIRCH, 16), back(B1, BIRCH, 16)] if silent else [])


@pytest.mark.parametrize(
    ("interval_s", "allowed_s"), [(60, 3 * 60 + 15), (240, 3 * 240 + 60), (3600, 3 * 3600 + 60)]
)
def test_the_grace_is_at_most_a_quarter_of_the_interval(
    fleet_of: Any, stream_of: Any, judge: Any, interval_s: int, allowed_s: int
) -> None:
    head = "site,transmitter,frequency_mhz,expected_interval_s"
    fleet = fleet_of(f"{head}\nbirch,b1,446,{interval_s}\n")
    readings = stream_of(fleet, 0, [START_US, START_US + interval_s * 1_000_000], 100.0, 1.0)
    last_us = int(readings.time_us[-1])
    for late_us, told_count in ((-1, 0), (0, 1)):
        until_us = last_us + allowed_s * 1_000_000 + late_us
        findings, _, _ = judge(fleet, readings, detectors=[Silence()], until_us=until_us)
        assert len(findings) == told_count
    assert findings[0].evidence["allowed_silence_s"] == allowed_s


def test_silence_never_counts_from_before_reports_could_reach_us(
    stream: Any, told: Any, fleet: Fleet
) -> None:
    readings = stream({A1: range(61), A2: range(61), B1: range(61)})
    since = START_US + 200 * MINUTE_US
    engine = Engine(fleet, DetectionSettings(), [Silence()])
    first = engine.step(readings, since_us=START_US, until_us=START_US + 61 * MINUTE_US)
    assert first.findings == []
    none = Readings.empty()
    just_before = engine.step(none, since_us=since, until_us=since + DEADLINE_US - 1)
    assert just_before.findings == []
    due = engine.step(none, since_us=since, until_us=since + DEADLINE_US)
    assert brief(due.findings) == [unreachable(AMBER, 216), missing(B1, BIRCH, 216)]


def test_who_was_never_heard_is_not_missed(stream: Any, told: Any) -> None:
    assert told(stream({A1: EVER})) == []


def test_unkeyed_reports_are_not_silence(stream: Any, told: Any) -> None:
    assert told(stream({A1: EVER, A2: EVER, B1: EVER}, forward_w=0.0)) == []


def links(*reports: tuple[float, bool]) -> Links:
    """Reports of the link of birch: minute, online."""
    return Links(
        np.full(len(reports), BIRCH),
        np.array([START_US + round(minute * MINUTE_US) for minute, _ in reports], dtype=np.int64),
        np.array([online for _, online in reports]),
    )


def test_a_link_offline_longer_than_the_grace(stream: Any, told: Any) -> None:
    readings = stream({A1: EVER, A2: EVER, B1: EVER})
    findings = told(readings, links=links((61, False), (64, True)))
    assert brief(findings) == [unreachable(BIRCH, 62), reachable(BIRCH, 64)]
    assert findings[0].evidence["why"] == "its link is offline"


def test_a_link_offline_within_the_grace_is_nothing(stream: Any, told: Any) -> None:
    assert told(stream({A1: EVER, A2: EVER, B1: EVER}), links=links((61, False), (61.9, True))) == []


def test_a_report_proves_the_link(stream: Any, told: Any) -> None:
    findings = told(stream({A1: EVER, A2: EVER, B1: EVER}), links=links((61, False)))
    assert brief(findings) == [unreachable(BIRCH, 62), reachable(BIRCH, 65 + 2 / 3)]


def test_a_link_stays_offline_over_blocks(stream: Any, fleet: Fleet) -> None:
    engine = Engine(fleet, DetectionSettings(), [Silence()])
    engine.step(stream({B1: range(61)}), since_us=START_US, until_us=START_US + 61 * MINUTE_US)
    none = Readings.empty()
    found: list[Finding] = []
    for minute, said in ((61.5, links((61.2, False))), (62, None), (62.2, None), (63, None), (64, None)):
        until = START_US + round(minute * MINUTE_US)
        found += engine.step(none, since_us=START_US, until_us=until, links=said).findings
    assert brief(found) == [unreachable(BIRCH, 62.2)]
    until = START_US + 66 * MINUTE_US
    online = engine.step(none, since_us=START_US, until_us=until, links=links((65, True)))
    assert brief(online.findings) == [reachable(BIRCH, 65)]


def test_reports_past_what_is_known_count_when_it_is_known(stream: Any, fleet: Fleet) -> None:
    """A pass that is behind holds the site's reports but may say nothing of silence yet."""
    engine = Engine(fleet, DetectionSettings(), [Silence()])
    first = stream({A1: range(91), A2: range(61)})
    behind = engine.step(first, since_us=START_US, until_us=START_US + 61 * MINUTE_US)
    assert behind.findings == []
    back_again = stream({A2: range(95, 96)})
    until = START_US + 96 * MINUTE_US
    caught_up = engine.step(back_again, since_us=START_US, until_us=until)
    assert brief(caught_up.findings) == [missing(A2, AMBER, 76 + 1 / 3), back(A2, AMBER, 95 + 1 / 3)]


def test_silence_does_not_depend_on_the_blocks(stream: Any, told: Any) -> None:
    away = [m for m in EVER if not 60 < m < 120]
    late = [m for m in EVER if not 20 < m < 180]
    readings = stream({A1: away, A2: late, B1: away})
    whole = told(readings)
    assert len(whole) >= 5
    assert told(readings, cuts=list(range(1, len(readings)))) == whole
