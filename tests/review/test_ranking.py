"""The overnight review: what changed, in what order, and that nothing else decides it."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.alarms.lifecycle import Alarm, AlarmKey
from standingwatch.alarms.shelving import Shelf, Window
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.overnight import (
    AS_BEFORE,
    BETTER,
    CLEARED,
    NEW,
    SHELVED,
    UNDER_WORK,
    URGENCIES,
    WORSE,
    Item,
    Review,
)
from standingwatch.review.proposals import propose
from standingwatch.review.ranking import Frame, Known, Surroundings, make_review
from standingwatch.review.summary import time_left
from standingwatch.review.time_left import ALL_LOST_DB, Urgency, urgency_of, urgency_of_alarm, urgency_word
from standingwatch.review.trips import advance_visits
from standingwatch.review.urgency import distances_km, shares, trips

DAY_US = 86_400_000_000
NOW_US = 20_000 * DAY_US
FRAME = Frame("", "2024-10-04", "UTC", NOW_US, NOW_US - DAY_US, NOW_US, 40, 80)
OFF, WARNING, MINOR, MAJOR, CRITICAL = (
    Severity.CLEARED,
    Severity.WARNING,
    Severity.MINOR,
    Severity.MAJOR,
    Severity.CRITICAL,
)


def foldback(days: float, says: str = "expected") -> LimitForecast:
    at = [int(NOW_US + factor * days * DAY_US) for factor in (0.5, 1.0, 2.0)]
    return LimitForecast("foldback", 2.5, says, *(at if says == "expected" else ()))


def known(
    site: str,
    severity: Severity,
    before: Severity | None = None,
    *,
    transmitter: str = "rpt-1",
    condition: Condition = Condition.SWR_RISING,
    cleared: bool = False,
    forecast: tuple[LimitForecast, ...] = (),
    cause: Cause = Cause.CONNECTOR,
    values: dict[str, float] | None = None,
    **more: object,
) -> Known:
    alarm = Alarm(
        AlarmKey(site, transmitter, condition),
        severity,
        cleared,
        NOW_US - 3 * DAY_US,
        NOW_US - DAY_US // 2,
        3,
        values or {},
        (LikelyCause(cause, 0.7, "it creeps"),),
        (),
        forecast,
    )
    return Known(alarm, f"text of {site}", severity if before is None else before, **more)  # type: ignore[arg-type]  # keywords of Known


def review(*all_known: Known, **around: object) -> Review:
    return make_review(FRAME, all_known, Surroundings(**around))  # type: ignore[arg-type]  # keywords of it


def order(made: Review) -> list[str]:
    return [item.site for item in made.items if item.rank]


# What changed -------------------------------------------------------------------------------------------


def test_sections_say_what_changed_since_the_review_before() -> None:
    made = review(
        known("new", MINOR, OFF),
        known("worse", MAJOR, MINOR),
        known("better", WARNING, MAJOR),
        known("same", MINOR),
        known("ended", MAJOR, MINOR, cleared=True),
        known("came-and-went", MINOR, OFF, cleared=True, raisings=1),
    )
    told = {
        change: [i.site for i in made.section(change)] for change in (NEW, WORSE, BETTER, AS_BEFORE, CLEARED)
    }
    assert told == {
        NEW: ["new"],
        WORSE: ["worse"],
        BETTER: ["better"],
        AS_BEFORE: ["same"],
        CLEARED: ["came-and-went", "ended"],
    }
    assert [i.before for i in made.section(WORSE)] == ["minor"]
    assert [i.raisings for i in made.section(CLEARED)] == [1, 0]
    assert made.summary == (
        "Since 2024-10-03 00:00:00 UTC: 1 new, 1 worse, 1 better, 2 ended. 4 alarms stand (1 major, 2 minor, "
        "1 warning). Most urgent: worse/rpt-1, SWR rising against its own baseline."
    )


def test_nothing_to_tell() -> None:
    made = review()
    assert made.items == made.trips == ()
    assert made.summary == "Nothing has changed since 2024-10-03 00:00:00 UTC. No alarm stands."


def test_what_is_seen_to_is_set_aside_and_still_counted() -> None:
    shelf = Shelf(3, "a", "", "", "", CRITICAL, NOW_US - 1, NOW_US + DAY_US, "mast works", "Kim")
    window = Window("b", "", NOW_US - 1, NOW_US + 2 * DAY_US, "visit")
    made = review(
        known("a", CRITICAL, OFF, shelf=shelf, work=window),
        known("b", MAJOR, OFF, work=window),
        known("c", WARNING, OFF),
        known("d", MINOR, OFF, cleared=True, shelf=shelf),
    )
    assert order(made) == ["c"]
    [shelved], [working] = made.set_aside(SHELVED), made.set_aside(UNDER_WORK)
    assert (shelved.site, shelved.until_us, shelved.why_aside) == ("a", NOW_US + DAY_US, "mast works")
    assert (working.site, working.until_us, working.why_aside) == ("b", NOW_US + 2 * DAY_US, "visit")
    assert [i.site for i in made.section(NEW)] == ["c"]
    assert {i.site for i in made.standing} == {"a", "b", "c"}
    assert "3 alarms stand (1 critical, 1 major, 1 warning; of them 1 shelved, 1 under work)." in made.summary
    assert [trip.ranks for trip in made.trips] == [(1,)]


# Urgency ------------------------------------------------------------------------------------------------


def test_time_left_decides_and_severity_stands_in_for_it() -> None:
    made = review(
        known("warning", WARNING),
        known("minor", MINOR),
        known("major", MAJOR),
        known("critical", CRITICAL),
        known("minor-5-days", MINOR, forecast=(foldback(5),)),
        known("minor-1-day", MINOR, forecast=(foldback(1),)),
        known("majors-60-days", MAJOR, forecast=(foldback(60),)),
    )
    assert order(made) == [
        "critical",
        "minor-1-day",
        "major",
        "majors-60-days",
        "minor-5-days",
        "minor",
        "warning",
    ]
    assert [item.urgency for item in made.items] == [
        "at-once",
        *["within-days"] * 4,
        "within-weeks",
        "with-the-next-visit",
    ]
    by_site = {item.site: item for item in made.items}
    assert (by_site["minor-1-day"].days_left, by_site["minor-1-day"].is_forecast) == (1.0, True)
    assert (by_site["majors-60-days"].days_left, by_site["majors-60-days"].is_forecast) == (3.0, False)
    assert {site: time_left(item) for site, item in by_site.items()} == {
        "critical": "none",
        "minor-1-day": "about 1 day, by the forecast",
        "major": "no forecast; ranked by its severity as if 3 days were left",
        "majors-60-days": "about 60 days, by the forecast; ranked by its severity as if 3 days were left",
        "minor-5-days": "about 5 days, by the forecast",
        "minor": "no forecast; ranked by its severity as if 30 days were left",
        "warning": "no forecast; ranked by its severity as if 120 days were left",
    }


@pytest.mark.parametrize(
    ("forecast", "days"),
    [
        ((foldback(9), LimitForecast("tolerance", 3.0, "expected", None, NOW_US + 4 * DAY_US)), 4.0),
        ((foldback(9), LimitForecast("tolerance", 3.0, "reached")), 0.0),
        ((foldback(-2),), 0.0),
        ((LimitForecast("swr-2", 2.0, "expected", None, NOW_US + DAY_US),), 30.0),
        ((LimitForecast("foldback", 2.5, "not within a year"),), 30.0),
        ((), 30.0),
    ],
)
def test_only_the_grave_limits_say_how_long_it_has_got(
    forecast: tuple[LimitForecast, ...], days: float
) -> None:
    assert urgency_of(known("a", MINOR, forecast=forecast).alarm, NOW_US).days_left == days


def test_foldback_that_acts_leaves_no_time() -> None:
    alarm = known("a", MAJOR, condition=Condition.FOLDBACK_ACTIVE).alarm
    assert urgency_of(alarm, NOW_US) == Urgency(0.0, False, None)


@pytest.mark.parametrize(
    ("values", "lost_db"),
    [
        ({}, None),
        ({"lost_db": 3.5, "lost_db_baseline": 1.25}, 2.25),
        ({"lost_db": 0.5, "lost_db_baseline": 1.0}, 0.0),
        ({"change_db": -4.0}, 4.0),
        ({"lost_db": 2.0, "lost_db_baseline": 1.0, "change_db": -3.0}, 3.0),
        ({"lost_db": float("inf")}, ALL_LOST_DB),
        ({"lost_db": float("nan")}, None),
    ],
)
def test_what_a_fault_costs(values: dict[str, float], lost_db: float | None) -> None:
    assert urgency_of(known("a", MINOR, values=values).alarm, NOW_US).lost_db == lost_db


def test_lost_signal_and_a_shared_trip_come_first_at_the_same_severity() -> None:
    made = review(
        known("plain", MINOR),
        known("lossy", MINOR, values={"lost_db": 3.0, "lost_db_baseline": 0.0}),
        known("shared", MINOR),
        known("shared", MINOR, transmitter="rpt-2"),
    )
    assert order(made) == ["lossy", "shared", "shared", "plain"]
    assert [item.shares_trip for item in made.items] == [0, 1, 1, 0]


@given(
    st.floats(0, 400),
    st.floats(0, 400),
    st.floats(0, 60),
    st.floats(0, 60),
    st.integers(0, 9),
    st.integers(0, 9),
)
def test_less_time_more_loss_or_more_company_never_makes_it_less_urgent(
    days: float, more_days: float, lost: float, more_lost: float, company: int, more_company: int
) -> None:
    here = Urgency(days + more_days, True, lost).days_that_count(company)
    more = Urgency(days, True, lost + more_lost).days_that_count(company + more_company)
    assert more <= here
    assert URGENCIES.index(urgency_word(more)) <= URGENCIES.index(urgency_word(here))


@pytest.mark.parametrize(
    "case",
    [
        known("a", MINOR),
        known("a", MAJOR),
        known("a", MINOR, forecast=(foldback(9),)),
        known("a", MINOR, forecast=(foldback(9, "reached"),)),
        known("a", MINOR, values={"lost_db": 6.0, "lost_db_baseline": 0.0}),
        known("a", MAJOR, condition=Condition.FOLDBACK_ACTIVE),
    ],
    ids=["minor", "major", "soon", "reached", "costs", "folded-back"],
)
def test_review_and_visit_say_the_same_urgency(case: Known) -> None:
    [item] = review(case).items
    alarm = case.alarm
    stood = replace(alarm, raised_us=alarm.raised_us - 400 * 24 * 3_600_000_000)
    [proposal] = propose([stood], set(), NOW_US)
    [change] = advance_visits([], [stood], set(), NOW_US)
    assert item.urgency == proposal.urgency == change.visit.urgency == urgency_of_alarm(alarm, NOW_US)


def test_a_visit_gets_more_urgent_as_the_time_left_gets_shorter() -> None:
    far = replace(known("a", MINOR, forecast=(foldback(40),)).alarm, raised_us=NOW_US - 400 * DAY_US)
    proposed: set[tuple[str, str]] = set()
    [first] = advance_visits([], [far], proposed, NOW_US)
    assert first.visit.urgency == "within-weeks"
    kept = replace(first.visit, number=7)
    [later] = advance_visits([kept], [far], proposed, NOW_US + 30 * DAY_US)
    assert (later.visit.urgency, later.text) == ("within-days", "rpt-1: now within-days")


def test_company_on_a_trip_moves_an_alarm_up_and_changes_no_word() -> None:
    company = [known("a", MAJOR, transmitter=f"rpt-{n}", forecast=(foldback(1.2),)) for n in range(6)]
    assert {item.urgency for item in review(*company).items} == {"within-days"}
    assert {item.urgency for item in review(company[0]).items} == {"within-days"}


CASES = st.lists(
    st.tuples(
        st.integers(0, 30),
        st.sampled_from([WARNING, MINOR, MAJOR, CRITICAL]),
        st.sampled_from([OFF, WARNING, MINOR, MAJOR, CRITICAL]),
        st.booleans(),
        st.sampled_from([(), (foldback(3),), (foldback(40),)]),
        st.sampled_from([Cause.CONNECTOR, Cause.ICE]),
    ),
    max_size=12,
    unique_by=lambda case: case[0],
)


@settings(max_examples=60)
@given(CASES, st.randoms(use_true_random=False))
def test_any_order_of_the_inputs_gives_the_same_review_and_nothing_is_lost(
    cases: list[tuple[int, Severity, Severity, bool, tuple[LimitForecast, ...], Cause]], chance: random.Random
) -> None:
    everything = [
        known(f"s{i // 3}", now, before, transmitter=f"t{i}", cleared=cleared, forecast=forecast, cause=cause)
        for i, now, before, cleared, forecast, cause in cases
    ]
    places = {f"s{i}": (50.0 + i * 0.2, 10.0) for i in range(5)}
    made = review(*everything, places=places)
    mixed = list(everything)
    chance.shuffle(mixed)
    assert review(*mixed, places=places) == made
    assert Review.from_json(made.to_json()) == made
    assert sorted(item.transmitter for item in made.items) == sorted(f"t{case[0]}" for case in cases)
    ranks = [item.rank for item in made.items if item.is_standing]
    assert ranks == list(range(1, len(ranks) + 1))
    counts = [
        Urgency(i.days_left, False, i.lost_db).days_that_count(i.shares_trip) for i in made.items if i.rank
    ]
    assert counts == sorted(counts)
    on_trips = sorted(rank for trip in made.trips for rank in trip.ranks)
    assert on_trips == [i.rank for i in made.items if i.rank and i.causes[0].cause != "ice"]


# Trips --------------------------------------------------------------------------------------------------


def test_distances_on_the_ground() -> None:
    found = distances_km([(48.2082, 16.3738), (47.0707, 15.4395), None, (48.2082, 16.3738)])
    # A degree along a meridian is 111.195 km on a sphere of 6371.0088 km.
    assert distances_km([(0.0, 0.0), (1.0, 0.0)])[0, 1] == pytest.approx(np.pi * 6371.0088 / 180)
    assert found[0, 1] == pytest.approx(144.6, abs=1.0)
    assert found[0, 3] == 0.0
    assert np.isinf(found[2, [0, 1, 3]]).all()
    assert np.diag(found).tolist() == [0.0] * 4


def test_neighbours_share_a_trip_with_its_first_site_and_not_from_one_to_the_next() -> None:
    # 20 km apart on a line, b first: c and a are near it, d is near c only.
    places = {name: (50.0 + 0.18 * i, 10.0) for i, name in enumerate("abcd")}
    ranked = [(1, "b", "at-once"), (2, "d", "within-days"), (3, "c", "within-days"), (4, "a", "within-weeks")]
    found = trips([*ranked, (5, "b", "within-weeks")], places, {"b": "Bee"}, 25.0)
    assert [[stop.site for stop in trip.stops] for trip in found] == [["b", "c", "a"], ["d"]]
    assert [trip.ranks for trip in found] == [(1, 3, 4, 5), (2,)]
    assert [trip.urgency for trip in found] == ["at-once", "within-days"]
    assert [stop.distance_km for stop in found[0].stops] == [0.0, 20.0, 20.0]
    assert found[0].stops[0].site_name == "Bee"


def test_sites_without_coordinates_are_trips_of_their_own() -> None:
    found = trips(
        [(1, "a", "at-once"), (2, "b", "at-once"), (3, "a", "within-days")], {"a": (1.0, 1.0)}, {}, 5000.0
    )
    assert [trip.ranks for trip in found] == [(1, 3), (2,)]
    assert shares(["a", "", "b", "a"], {"a": (1.0, 1.0)}, 5000.0) == [1, 0, 0, 1]
    assert shares(["", ""], {}, 10.0) == [0, 0]


def test_no_crew_drives_for_weather_or_for_the_service_itself() -> None:
    region = known("", MINOR, transmitter="", condition=Condition.SWR_WEATHER, cause=Cause.REGIONAL_WEATHER)
    region = replace(
        region, region="Coast", alarm=replace(region.alarm, key=replace(region.alarm.key, region="Coast"))
    )
    service = known("", MAJOR, transmitter="", condition=Condition.CHANNEL_FAILING)
    service = replace(
        service, alarm=replace(service.alarm, key=replace(service.alarm.key, service="channel x"))
    )
    made = review(known("iced", MAJOR, cause=Cause.ICE), region, service, known("real", WARNING))
    assert [[stop.site for stop in trip.stops] for trip in made.trips] == [["real"]]
    assert len(order(made)) == 4
    assert [item.where for item in made.items if not item.site] == [
        "Standing Watch itself, channel x",
        "region Coast",
    ]


def test_an_item_says_what_to_do_and_how_likely_the_cause_is() -> None:
    [item] = review(known("a", MINOR, forecast=(foldback(20),)), site_names={"a": "Alder Ridge"}).items
    assert isinstance(item, Item)
    assert item.site_name == "Alder Ridge"
    assert (item.causes[0].cause, item.causes[0].confidence, item.causes[0].because) == (
        "connector",
        0.7,
        "it creeps",
    )
    assert item.first_step.startswith("Compare with wet and dry days")
    assert item.forecast[0].expected_us == NOW_US + 20 * DAY_US
