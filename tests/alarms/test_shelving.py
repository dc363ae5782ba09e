"""Shelves and windows of work: which alarms they take, in what order, and when."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.alarms.shelving import Shelf, Window, shelf_of, work_of
from standingwatch.detect.words import Condition, Severity

HOUR = 3_600_000_000
ANY = Shelf(1, "", "", "", "", Severity.CRITICAL, 0, 10 * HOUR, "paint", "Kim")
RPT = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
SITE = AlarmKey("alder", "", Condition.SITE_UNREACHABLE)
REGION = AlarmKey("", "", Condition.SWR_WEATHER, region="coast")
SERVICE = AlarmKey("", "", Condition.INTAKE_LATE, service="intake")


def alarm(
    key: AlarmKey = RPT,
    severity: Severity = Severity.MINOR,
    *,
    cleared: bool = False,
    members: tuple[str, ...] = (),
) -> Alarm:
    return Alarm(key, severity, cleared, 0, 0, 1, {}, (), members)


# Shelves ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "taken"),
    [
        ({}, [RPT, SITE, REGION, SERVICE]),
        ({"site": "alder"}, [RPT, SITE]),
        ({"site": "ald"}, []),
        ({"region": "coast"}, [RPT, SITE, REGION]),
        ({"region": "inland"}, []),
        ({"transmitter": "rpt-1"}, [RPT]),
        ({"transmitter": "rpt-2"}, []),
        ({"condition": "swr-high"}, [RPT]),
        ({"condition": "swr-weather"}, [REGION]),
        ({"site": "alder", "transmitter": "rpt-1", "region": "coast", "condition": "swr-high"}, [RPT]),
        ({"site": "alder", "condition": "swr-weather"}, []),
        ({"site": "birch", "region": "coast"}, []),
    ],
)
def test_a_shelf_takes_what_all_its_names_say(names: dict[str, str], taken: list[AlarmKey]) -> None:
    shelf = replace(ANY, **names)
    regions = {RPT: "coast", SITE: "coast", REGION: "coast", SERVICE: ""}
    assert [key for key, region in regions.items() if shelf.takes(alarm(key), region)] == taken


@pytest.mark.parametrize("up_to", [s for s in Severity if s is not Severity.CLEARED])
@pytest.mark.parametrize("cleared", [False, True])
def test_a_shelf_takes_alarms_up_to_its_severity(up_to: Severity, *, cleared: bool) -> None:
    shelf = replace(ANY, up_to=up_to)
    for severity in (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL):
        assert shelf.takes(alarm(severity=severity, cleared=cleared), "") is (severity <= up_to)


def test_one_that_grows_graver_comes_off_its_shelf_and_goes_back_when_it_is_better() -> None:
    shelves = [replace(ANY, site="alder", up_to=Severity.MINOR)]
    course = [Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.MINOR]
    found = [shelf_of(alarm(severity=s), "", shelves, HOUR) for s in course]
    assert [s is not None for s in found] == [True, True, False, True]


def test_the_first_that_takes_it_counts() -> None:
    narrow = replace(ANY, number=7, site="alder", up_to=Severity.WARNING)
    over = replace(ANY, number=8, until_us=HOUR)
    wide = replace(ANY, number=9)
    for order in itertools.permutations([narrow, over, wide]):
        # At two hours `over` holds no more, and `narrow` takes no minor alarm.
        found = shelf_of(alarm(), "", order, 2 * HOUR)
        assert found is wide
        found = shelf_of(alarm(severity=Severity.WARNING), "", order, 2 * HOUR)
        assert found is next(s for s in order if s is not over)
    assert shelf_of(alarm(), "", [narrow, over], 2 * HOUR) is None
    assert shelf_of(alarm(), "", [], 0) is None


@pytest.mark.parametrize(
    ("now_us", "holds"), [(-1, False), (0, True), (10 * HOUR - 1, True), (10 * HOUR, False)]
)
def test_a_shelf_holds_from_its_beginning_and_not_at_its_end(now_us: int, *, holds: bool) -> None:
    assert ANY.holds(now_us) is holds
    assert (shelf_of(alarm(), "", [ANY], now_us) is ANY) is holds


def test_groups_belong_to_their_site_or_region_and_not_to_one_of_their_members() -> None:
    line = alarm(AlarmKey("alder", "", Condition.SWR_HIGH), members=("alder/rpt-1", "alder/rpt-2"))
    region = alarm(REGION, members=("alder/rpt-1", "birch/rpt-1"))
    assert replace(ANY, site="alder").takes(line, "coast")
    assert replace(ANY, region="coast").takes(line, "coast")
    assert not replace(ANY, site="alder", transmitter="rpt-1").takes(line, "coast")
    assert replace(ANY, region="coast").takes(region, "coast")
    assert not replace(ANY, site="alder").takes(region, "coast")


NAMES = st.sampled_from(["", "a", "b"])
SHELVES = st.builds(
    Shelf,
    st.integers(0, 9),
    NAMES,
    NAMES,
    NAMES,
    st.sampled_from(["", "swr-high", "swr-step"]),
    st.sampled_from([Severity.WARNING, Severity.MAJOR, Severity.CRITICAL]),
    st.integers(0, 3),
    st.integers(2, 6),
    st.just("why"),
    st.just("Kim"),
)


@given(st.lists(SHELVES, max_size=6), NAMES, st.integers(0, 6), st.sampled_from(list(Severity)[1:]))
def test_no_earlier_shelf_would_have_taken_it(
    shelves: list[Shelf], region: str, now_us: int, severity: Severity
) -> None:
    one = alarm(AlarmKey("a", "b", Condition.SWR_HIGH), severity)
    found = shelf_of(one, region, shelves, now_us)

    def wanted(s: Shelf) -> bool:
        named = s.site in ("", "a") and s.transmitter in ("", "b") and s.condition in ("", "swr-high")
        return named and s.region in ("", region) and severity <= s.up_to and s.from_us <= now_us < s.until_us

    takers = [s for s in shelves if wanted(s)]
    assert found is (takers[0] if takers else None)


# Work ---------------------------------------------------------------------------------------------------

WORK = Window("alder", "rpt-1", HOUR, 2 * HOUR, "visit")


@pytest.mark.parametrize(
    ("now_us", "settle_us", "explains"),
    [
        (HOUR - 1, 0, False),
        (HOUR, 0, True),
        (2 * HOUR - 1, 0, True),
        (2 * HOUR, 0, False),
        (2 * HOUR, HOUR, True),
        (3 * HOUR - 1, HOUR, True),
        (3 * HOUR, HOUR, False),
        (HOUR - 1, HOUR, False),
    ],
)
def test_work_explains_from_its_beginning_until_it_has_settled(
    now_us: int, settle_us: int, *, explains: bool
) -> None:
    found = work_of(alarm(), [WORK], now_us, settle_us)
    assert found == (WORK if explains else None)


def test_work_is_at_a_transmitter_or_all_of_a_site() -> None:
    whole = replace(WORK, transmitter="")
    other = alarm(AlarmKey("alder", "rpt-2", Condition.SWR_HIGH))
    away = alarm(AlarmKey("birch", "rpt-1", Condition.SWR_HIGH))
    cases = [(WORK, [alarm()]), (whole, [alarm(), other, alarm(SITE)])]
    for window, explained in cases:
        for one in (alarm(), other, alarm(SITE), away, alarm(REGION), alarm(SERVICE)):
            assert work_of(one, [window], HOUR) == (window if one in explained else None)


def test_a_group_is_explained_by_work_at_each_member() -> None:
    line = alarm(AlarmKey("alder", "", Condition.SWR_HIGH), members=("alder/rpt-1", "alder/rpt-2"))
    both = [WORK, replace(WORK, transmitter="rpt-2")]
    assert work_of(line, both[:1], HOUR) is None
    assert work_of(line, both, HOUR) is both[0]
    assert work_of(line, [replace(WORK, transmitter="")], HOUR) is not None
    late = replace(both[1], start_us=HOUR + 1)
    assert work_of(line, [WORK, late], HOUR) is None
    region = alarm(REGION, members=("alder/rpt-1", "birch/b/1"))
    assert work_of(region, both, HOUR) is None
    assert work_of(region, [*both, Window("birch", "b/1", 0, 2 * HOUR, "outage")], HOUR) is both[0]
