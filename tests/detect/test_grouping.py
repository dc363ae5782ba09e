"""Members that move together are one finding: of a line, a site, a region; and alone they stay alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.grouping import Grouping
from standingwatch.detect.history import DAY_US
from standingwatch.detect.interface import WHOLE_REGION, WHOLE_SITE, Finding
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings import Fleet
from standingwatch.rf import rho_from_swr

STEP, HIGH, RISING = Condition.SWR_STEP, Condition.SWR_HIGH, Condition.SWR_RISING
HEAD = "site,transmitter,frequency_mhz,antenna_line,region,expected_interval_s\n"


@pytest.fixture
def shared(fleet_of: Callable[[str], Fleet]) -> Fleet:
    """Three transmitters behind one line, a fourth beside them, a fifth elsewhere."""
    rows = [f"amber,a{i},44{i},top,north,1800" for i in range(3)]
    return fleet_of(HEAD + "\n".join([*rows, "amber,b,449,,north,1800", "birch,c,446,,north,1800"]) + "\n")


def steps(who: set[int], begin: float = 20.4, end: float = np.inf, high: float = 4.0) -> Any:
    def rho(day: Any, i: int) -> Any:
        on = (day >= begin) & (day < end) if i in who else np.zeros(len(day), dtype=bool)
        return np.where(on, rho_from_swr(high), rho_from_swr(1.2))

    return rho


def standing(findings: list[Finding], condition: Condition) -> dict[tuple[int, int, int], Finding]:
    """What stands at the end, by site, transmitter and region."""
    last: dict[tuple[int, int, int], Finding] = {}
    for f in findings:
        if f.condition is condition:
            last[f.site, f.transmitter, f.region] = f
    return {key: f for key, f in last.items() if f.severity is not Severity.CLEARED}


@pytest.mark.parametrize("condition", [HIGH, STEP])
def test_a_line_is_one_alarm_with_its_members(shared: Fleet, tell: Any, condition: Condition) -> None:
    told = tell(shared, steps({0, 1, 2}), 24)
    (key,) = standing(told.findings, condition)
    group = standing(told.findings, condition)[key]
    assert key == (0, WHOLE_SITE, -1)
    assert group.members == (0, 1, 2)
    assert group.causes[0].cause is Cause.SHARED_ANTENNA_SYSTEM
    assert group.evidence["members"] == 3
    assert group.evidence["antenna_line"] == "top"
    assert group.severity >= Severity.MAJOR


def test_a_slow_rise_behind_a_line_hands_over_who_was_told_first(shared: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        begin = {0: 20, 1: 26, 2: 32}.get(i, 1e9)
        return 0.1 + 0.006 * np.clip(day - begin, 0, None)

    told = tell(shared, rho, 50)
    first, *later = told.of(RISING)
    assert (first.transmitter, first.members) == (0, ())
    handed_over = [f for f in later if f.transmitter == 0 and f.severity is Severity.CLEARED]
    assert len(handed_over) == 1
    assert "group" in str(handed_over[0].evidence["why"])
    (group,) = standing(told.findings, RISING).values()
    assert set(group.members) == {0, 1, 2}
    assert handed_over[0].time_us == next(f for f in later if f.members).time_us


def test_the_group_ends_when_all_have_ended(shared: Fleet, tell: Any) -> None:
    told = tell(shared, steps({0, 1, 2}, end=20.8), 28)
    for condition in (HIGH, STEP):
        assert standing(told.findings, condition) == {}
        group = [f for f in told.of(condition) if f.transmitter == WHOLE_SITE]
        assert [f.severity for f in group].count(Severity.CLEARED) == 1
        assert group[-1].severity is Severity.CLEARED
        assert 20.8 < told.day(group[-1]) < 21.4


def test_one_that_goes_on_keeps_the_group(shared: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return steps({0, 1, 2}, end=np.inf if i == 1 else 22.4)(day, i)

    told = tell(shared, rho, 28)
    assert list(standing(told.findings, HIGH)) == [(0, WHOLE_SITE, -1)]


@pytest.mark.parametrize("who", [{1}, {3}, {4}])
def test_one_alone_is_told_alone(shared: Fleet, tell: Any, who: set[int]) -> None:
    told = tell(shared, steps(who), 24)
    assert told.of(HIGH)
    assert {f.transmitter for f in told.findings} == who
    assert all(f.members == () for f in told.findings)
    assert Cause.SHARED_ANTENNA_SYSTEM not in told.leading(HIGH)


def test_long_after_each_other_is_not_together(shared: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return steps({0, 1}, {0: 20.4, 1: 75.4}.get(i, 1e9))(day, i)

    told = tell(shared, rho, 78)
    assert set(standing(told.findings, HIGH)) == {(0, 0, -1), (0, 1, -1)}


def test_after_the_group_has_ended_one_alone_is_told_alone(shared: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        again = steps({1}, 75.4)(day, i) > 0.3
        return np.where(again, 0.6, steps({0, 1, 2}, end=20.8)(day, i))

    told = tell(shared, rho, 78)
    assert [f for f in told.of(HIGH) if f.members] != []
    assert set(standing(told.findings, HIGH)) == {(0, 1, -1)}


def test_conditions_are_grouped_apart(shared: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        if i == 0:
            return steps({0}, 20.4)(day, i)
        return 0.1 + (0.006 * np.clip(day - 20, 0, 25) if i == 1 else 0.0 * day)

    told = tell(shared, rho, 45)
    assert all(f.members == () for f in told.of(STEP))


def test_a_site_that_moves_together_behind_different_lines(fleet_of: Any, tell: Any) -> None:
    fleet = fleet_of(HEAD + "".join(f"amber,a{i},44{i},,north,1800\n" for i in range(4)))
    told = tell(fleet, steps({0, 1, 2}), 24)
    ((key, group),) = standing(told.findings, HIGH).items()
    assert key == (0, WHOLE_SITE, -1)
    assert group.members == (0, 1, 2)
    assert "different lines" in group.causes[0].because
    # Two of a site are not yet all over it, be they most of it.
    for size in (3, 4):
        site = fleet_of(HEAD + "".join(f"amber,a{i},44{i},,north,1800\n" for i in range(size)))
        two = tell(site, steps({0, 1}), 24)
        assert set(standing(two.findings, HIGH)) == {(0, 0, -1), (0, 1, -1)}


WINTER = {
    "ambient_temperature_c": lambda day, _: np.where(day > 20, -4.0, 6.0),
    "precipitation": lambda day, _: np.where((day > 20.1) & (day < 20.5), 1.0, 0.0),
}


@pytest.mark.parametrize("line", ["top", ""])
def test_what_ice_does_and_what_comes_at_once_are_no_group(fleet_of: Any, tell: Any, line: str) -> None:
    """Three grow ice, on one mast or behind lines of their own; on the fourth something breaks meanwhile."""
    fleet = fleet_of(HEAD + "".join(f"amber,a{i},44{i},{line},north,600\n" for i in range(4)))

    def rho(day: Any, i: int) -> Any:
        high = rho_from_swr(4.0)
        if i == 3:
            # It comes and goes, so that it is told again while the others stand.
            broken = (day > 21.2) & ((day * 8).astype(int) % 2 == 0)
            return np.where(broken, high, 0.1)
        return 0.1 + (high - 0.1) * np.clip((day - 20.3 - 0.02 * i) * 4, 0, 1)

    told = tell(fleet, rho, 23, every_s=600.0, columns=WINTER)
    assert set(told.leading(STEP, WHOLE_SITE)) == {Cause.ICE}
    assert standing(told.findings, STEP)[0, WHOLE_SITE, -1].members == (0, 1, 2)
    assert set(told.leading(STEP, 3)) == {Cause.ANTENNA_DAMAGE}


def test_one_that_goes_back_by_itself_does_not_make_its_line_ice(shared: Fleet, tell: Any) -> None:
    """Nobody tells the temperature: its own alarm may be ice, but two of the three have not moved."""

    def rho(day: Any, i: int) -> Any:
        return np.where((day > 26) & (i == 0), 0.3, steps({0, 1, 2})(day, i))

    told = tell(shared, rho, 32)
    group = told.of(STEP, WHOLE_SITE)
    assert group[-1].members == (0, 1, 2)
    assert {f.causes[0].cause for f in group} == {Cause.SHARED_ANTENNA_SYSTEM}
    assert any(c.cause is Cause.ICE for f in group for c in f.causes)


def test_who_stays_as_it_is_among_those_with_ice_is_told_for_itself(fleet_of: Any, tell: Any) -> None:
    """In frost that lasts, the ice of three wastes and comes again; the fourth has not moved for a month."""
    fleet = fleet_of(HEAD + "".join(f"amber,a{i},44{i},,north,1800\n" for i in range(4)))
    winter = WINTER | {"ambient_temperature_c": lambda day, _: np.where(day > 20, -4.0, 6.0)}

    def rho(day: Any, i: int) -> Any:
        on = (day > 20.3) & ((i == 3) | (day < 25) | (day > 40.3))
        return np.where(on, rho_from_swr(4.0), 0.1)

    told = tell(fleet, rho, 54, columns=winter)
    assert set(told.leading(STEP, WHOLE_SITE)) == {Cause.ICE}
    alone = told.of(STEP, 3)[-1]
    assert alone.causes[0].cause is Cause.ANTENNA_DAMAGE
    assert 50 < told.day(alone) < 53
    assert "not_ice_since_us" in alone.evidence


@pytest.fixture
def country(fleet_of: Callable[[str], Fleet]) -> Fleet:
    rows = [f"s{i},main,44{i % 10},,{'north' if i < 8 else 'south'},1800" for i in range(12)]
    return fleet_of(HEAD + "\n".join(rows) + "\n")


def test_a_region_that_rises_on_one_day_is_weather(country: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return 0.1 + (0.09 * ((day > 20.0) & (day < 40)) if i < 6 else 0.0 * day)

    told = tell(country, rho, 55)
    region = [f for f in told.findings if f.site == WHOLE_REGION]
    assert region
    assert {f.region for f in region} == {0}
    assert region[0].members == (0, 1, 2, 3, 4, 5)
    assert region[0].causes[0].cause is Cause.REGIONAL_WEATHER
    assert region[0].condition in (STEP, RISING)
    # Back at normal: nothing stands any more, of the region or of one of its members.
    assert 40 < told.day(region[-1]) < 50
    for condition in (STEP, RISING):
        assert standing(told.findings, condition) == {}
    assert {f.transmitter for f in told.findings if f.condition in (STEP, RISING)} == {WHOLE_SITE}


def test_few_of_a_region_are_told_one_by_one(country: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return 0.1 + (0.15 * (day > 20.0) if i in (0, 9) else 0.0 * day)

    told = tell(country, rho, 30)
    assert {f.transmitter for f in told.of(STEP)} == {0, 9}
    assert [f for f in told.findings if f.site == WHOLE_REGION] == []


def test_a_healthy_country_is_quiet(country: Fleet, tell: Any) -> None:
    assert tell(country, 0.1, 40).findings == []


def test_what_stood_alone_is_handed_over_when_its_own_next_finding_makes_it_join(
    fleet_of: Any, tell: Any
) -> None:
    fleet = fleet_of(HEAD + "".join(f"amber,a{i},44{i},{'mast' if i else ''},north,1800\n" for i in range(4)))

    def rho(day: Any, i: int) -> Any:
        # The others make a group of their own line; then the first gets worse, and all of the site is in it.
        level = steps({0, 1, 2, 3}, 20.4 if i == 0 else 20.6)(day, i)
        return np.where((i == 0) & (day > 20.9), 0.9, np.where(i == 0, np.fmin(level, 0.36), level))

    told = tell(fleet, rho, 22)
    assert {f.members for f in told.of(HIGH) if f.members} >= {(1, 2, 3), (0, 1, 2, 3)}
    assert set(standing(told.findings, HIGH)) == {(0, WHOLE_SITE, -1)}


@pytest.fixture
def large(fleet_of: Callable[[str], Fleet]) -> Fleet:
    """A region of 60 sites, the first of them with two transmitters behind one line."""
    rows = [f"s{i},main,44{i % 10},{'top' if i == 0 else ''},north,1800" for i in range(60)]
    return fleet_of(HEAD + "\n".join(["s0,other,449,top,north,1800", *rows]) + "\n")


def test_many_sites_within_two_hours_are_one_event(large: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        # One site after the other, a report apart; far fewer than a third of the region.
        return steps(set(range(13)), begin=20.4 + i / 288)(day, i)

    told = tell(large, rho, 24)
    assert set(standing(told.findings, HIGH)) == {(WHOLE_REGION, WHOLE_SITE, 0)}
    (group,) = standing(told.findings, HIGH).values()
    assert group.members == tuple(range(13))
    assert group.causes[0].cause is Cause.REGIONAL_WEATHER
    # Those that were told before it was known end in its favour, at the same moment: the line's group too.
    over = [f for f in told.of(HIGH) if f.is_final]
    begins = next(f for f in told.of(HIGH) if f.site == WHOLE_REGION)
    assert {f.time_us for f in over} == {begins.time_us}
    assert (0, WHOLE_SITE) in {(f.site, f.transmitter) for f in over}


def test_sites_that_begin_hours_apart_are_told_one_by_one(large: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return steps(set(range(2, 14)), begin=20.4 + i / 6)(day, i)

    told = tell(large, rho, 24)
    assert [f for f in told.of(HIGH) if f.site == WHOLE_REGION] == []
    assert len(standing(told.findings, HIGH)) == 12


def test_what_stays_when_the_region_has_thawed_is_told_for_itself(large: Fleet, tell: Any) -> None:
    def rho(day: Any, i: int) -> Any:
        return steps(set(range(2, 20)), begin=20.4, end=np.inf if i == 7 else 21.4)(day, i)

    told = tell(large, rho, 26)
    left = standing(told.findings, HIGH)
    assert set(left) == {(int(large.site_of[7]), 7, -1)}
    alone = next(f for f in told.of(HIGH) if f.transmitter == 7 and "stands on" in str(f.evidence.get("why")))
    assert alone.severity >= Severity.MAJOR
    assert 21.4 < told.day(alone) < 21.6


def test_one_that_began_long_before_a_group_of_its_line_keeps_its_own_alarm_to_its_end(shared: Fleet) -> None:
    """Told again while the others stand together, it neither joins them nor is lost."""
    grouping = Grouping()
    records = np.zeros(len(shared), dtype=grouping.state)
    block: Any = None

    def at(day: float, *said: tuple[int, Severity]) -> list[tuple[int, tuple[int, ...], Severity]]:
        findings = [Finding(0, who, STEP, severity, round(day * DAY_US)) for who, severity in said]
        return [
            (f.transmitter, f.members, f.severity) for f in grouping.gather(findings, block, shared, records)
        ]

    assert at(1, (0, Severity.MINOR)) == [(0, (), Severity.MINOR)]
    together = at(50, (1, Severity.MINOR), (2, Severity.MINOR))
    assert together[-1] == (WHOLE_SITE, (1, 2), Severity.MINOR)
    assert at(51, (0, Severity.MAJOR)) == [(0, (), Severity.MAJOR)]
    assert at(52, (0, Severity.CLEARED)) == [(0, (), Severity.CLEARED)]
