"""Overnight reviews made of the store and kept in it, on both kinds of database."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import insert, select

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence, apply
from standingwatch.detect.interface import BaselineChange, LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.review.overnight import (
    AS_BEFORE,
    BETTER,
    CLEARED,
    NEW,
    TREND_DAYS,
    WORSE,
    Review,
    VisitOver,
)
from standingwatch.review.visits import Finding, Trouble, Visit, VisitState
from standingwatch.settings import Settings
from standingwatch.store import tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.outbox import waiting_messages
from standingwatch.store.review_due import REVIEW_TYPE, Plan, Plans, due_day, make_due, plans_of
from standingwatch.store.reviews import (
    Making,
    forget_reviews,
    keep,
    list_reviews,
    load_review,
    make,
    regions_reviewed,
)
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.visits import keep_visit
from standingwatch.store.watching import Progress, add_baselines, save_progress

S = 1_000_000
HOUR, DAY = 3600 * S, 86_400 * S
#: 2026-03-14 09:00:00 UTC
NOW = 1_773_478_800 * S
OFF, WARNING, MINOR, MAJOR = Severity.CLEARED, Severity.WARNING, Severity.MINOR, Severity.MAJOR


def at(text: str, zone: str = "UTC") -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()) * S


def sites(store: Store, *names: str) -> dict[str, int]:
    """Make a site list of "SITE REGION"; the numbers of the transmitters by site."""
    rows = [
        InventoryRow(
            name.split()[0], "t", 150.0, region=name.partition(" ")[2] or None, latitude=50.0, longitude=9.0
        )
        for name in names
    ]
    with store.writing() as connection:
        replace_site_list(connection, rows, NOW - 200 * DAY)
        listed = load_site_list(connection)
        save_progress(connection, "main", Progress(0, NOW, NOW, ""))
    return {row.site: int(key) for row, key in zip(listed.rows, listed.keys, strict=True)}


def course(
    store: Store, site: str, *steps: tuple[int, Severity], condition: Condition = Condition.SWR_HIGH
) -> None:
    """What an alarm goes through: when noted, and its severity."""
    alarm: Alarm | None = None
    changes = []
    for noted_us, severity in steps:
        key = AlarmKey(site, "t", condition)
        change = apply(alarm, Evidence(key, severity, noted_us - HOUR), noted_us)
        assert change is not None
        changes.append(change)
        alarm = change.alarm
    with store.writing() as connection:
        save_changes(connection, changes, "urn:test")


def hours(store: Store, key: int, first: int, last: int, rho: float | None, usable: int = 5) -> None:
    """Rollups of the hours from so many before now until so many before now."""
    row = {"transmitter": key, "reports": 9, "usable": usable, "rho_median": rho}
    with store.writing() as connection:
        connection.execute(
            insert(tables.rollups), [{**row, "hour_us": NOW - back * HOUR} for back in range(first, last, -1)]
        )


def made(store: Store, now_us: int = NOW, region: str = "", zone: str = "UTC") -> Review:
    with store.reading() as connection:
        return make(connection, region, zone, now_us, Making())


def kept(store: Store, review: Review) -> int | None:
    with store.writing() as connection:
        return keep(connection, review)


def test_sections_follow_the_history_since_the_review_before(store: Store) -> None:
    sites(store, *"abcdef")
    course(store, "a", (NOW - 30 * HOUR, MINOR))
    course(store, "b", (NOW - 30 * HOUR, MINOR), (NOW - HOUR, MAJOR))
    course(store, "c", (NOW - 30 * HOUR, MAJOR), (NOW - HOUR, WARNING))
    course(store, "d", (NOW - 30 * HOUR, MAJOR), (NOW - HOUR, OFF))
    course(store, "e", (NOW - 3 * HOUR, MINOR), (NOW - 2 * HOUR, OFF), (NOW - HOUR, MINOR))
    course(store, "f", (NOW - 60 * HOUR, MAJOR), (NOW - 50 * HOUR, OFF))
    review = made(store)
    told = {c: [i.site for i in review.section(c)] for c in (NEW, WORSE, BETTER, AS_BEFORE, CLEARED)}
    assert told == {NEW: ["e"], WORSE: ["b"], BETTER: ["c"], AS_BEFORE: ["a"], CLEARED: ["d"]}
    assert [i.raisings for i in review.section(NEW)] == [2]
    assert review.since_us == NOW - DAY
    assert Review.from_json(review.to_json()) == review


def test_the_review_before_is_where_the_next_goes_on(store: Store) -> None:
    sites(store, "a", "b")
    course(store, "a", (NOW - 60 * HOUR, MINOR))
    assert kept(store, made(store, NOW - 50 * HOUR)) == 1
    course(store, "b", (NOW - 49 * HOUR, MINOR))
    late = made(store)
    assert late.since_us == NOW - 50 * HOUR
    assert [i.site for i in late.section(NEW)] == ["b"]
    # One made by hand on the same morning does not hide the night.
    assert kept(store, late) == 2
    again = made(store, NOW + HOUR)
    assert again.since_us == NOW - 50 * HOUR
    assert [i.site for i in again.section(NEW)] == ["b"]


def test_courses_come_from_the_rollups(store: Store) -> None:
    keys = sites(store, "a", "b")
    course(store, "a", (NOW - HOUR, MINOR))
    hours(store, keys["a"], 30 * 24, 0, 0.2)
    hours(store, keys["a"], 95 * 24, 89 * 24, 0.1)
    hours(store, keys["b"], 24, 0, 0.9)
    with store.writing() as connection:
        learned = [BaselineChange(0, NOW - 20 * DAY, "full", 0.1, 0.01, "")]
        add_baselines(connection, learned, np.array([keys["a"]]))
    [item] = made(store).items
    assert item.trend is not None
    assert item.trend.start_us == NOW - TREND_DAYS * DAY
    assert item.trend.daily_rho == (0.1, *[None] * 59, *[0.2] * 30)
    assert (item.trend.baseline_rho, item.trend.baseline_spread, item.trend.baseline_kind) == (
        0.1,
        0.01,
        "full",
    )
    assert (item.trend.now_rho, item.trend.week_rho) == (0.2, 0.2)


def test_who_gives_no_data(store: Store) -> None:
    keys = sites(store, "well", "silent", "idle", "never", "alarmed")
    for name in ("well", "alarmed"):
        hours(store, keys[name], 24, 0, 0.1)
    hours(store, keys["silent"], 60, 40, 0.1)
    hours(store, keys["idle"], 300, 290, 0.1)
    hours(store, keys["idle"], 290, 0, None, usable=0)
    with store.writing() as connection:
        learned = [BaselineChange(i, NOW, "full", 0.1, 0.01, "") for i in range(5)]
        add_baselines(connection, learned, np.array(list(keys.values())))
    course(store, "alarmed", (NOW - HOUR, MINOR), condition=Condition.MEASUREMENT_SUSPECT)
    review = made(store)
    assert [(one.site, one.kind, one.since_us) for one in review.no_data] == [
        ("never", "silent", None),
        ("silent", "silent", NOW - 40 * HOUR),
        ("alarmed", "measurement-suspect", NOW - 2 * HOUR),
        ("idle", "not-keyed", NOW - 290 * HOUR),
    ]
    assert review.no_data_counts == {"silent": 2, "measurement-suspect": 1, "not-keyed": 1, "no-baseline": 0}
    assert "4 transmitters of 5 give no useful data." in review.summary


def test_an_open_visit_shows_on_the_alarms_of_its_site(store: Store) -> None:
    sites(store, "a", "b")
    course(store, "a", (NOW - HOUR, MINOR))
    course(store, "b", (NOW - HOUR, MINOR))
    record = json.dumps({"troubles": [], "access": "", "antenna_gain_dbi": None, "windows": []})
    visit = {"urgency": "within-weeks", "proposed_us": NOW, "changed_us": NOW, "reasons": record}
    with store.writing() as connection:
        for site, state in (("a", "proven"), ("a", "proposed"), ("a", "planned"), ("b", "dropped")):
            connection.execute(insert(tables.visits).values(site=site, state=state, **visit))
    assert {i.site: (i.visit, i.visit_state) for i in made(store).items} == {
        "a": (3, "planned"),
        "b": (None, ""),
    }


def test_a_decided_visit_shows_once_and_counts_for_ever(store: Store) -> None:
    sites(store, "a North", "b South")
    found = Trouble("", Condition.SITE_UNREACHABLE, (), "within-weeks", True, NOW, found=Cause.SITE_LINK)
    other = replace(found, causes=(LikelyCause(Cause.SITE_LINK, 0.6, "all are silent"),))
    with store.writing() as connection:
        for site, state, trouble in (("a", "proven", found), ("b", "not-fixed", other)):
            visit = Visit(0, site, VisitState(state), NOW, NOW, (trouble,), ended_us=NOW)
            visit = replace(visit, finding=Finding("Ada", NOW, "fuse"))
            keep_visit(connection, visit, by="Ada", text="", now_us=NOW)
    review = made(store, NOW + HOUR, region="North")
    assert review.visits_over == (VisitOver(1, "a", "a", "proven", NOW, ("site-link",)),)
    # The score is of all regions.
    assert (review.causes_right, review.causes_told) == (1, 2)
    assert Review.from_json(review.to_json()) == review
    review = made(store, NOW + HOUR)
    assert {one.number: one.state for one in review.visits_over} == {1: "proven", 2: "not-fixed"}
    assert kept(store, review) is not None
    later = made(store, NOW + DAY + HOUR)
    assert later.visits_over == ()
    assert (later.causes_right, later.causes_told) == (1, 2)


def test_reviews_are_kept_once_a_day_listed_and_forgotten(store: Store) -> None:
    sites(store, "a North", "b South")
    for back in (2, 1, 0):
        assert kept(store, made(store, NOW - back * DAY)) is not None
    assert kept(store, made(store, NOW + HOUR)) is None
    north = made(store, region="North")
    number = kept(store, north)
    assert number is not None
    with store.reading() as connection:
        assert load_review(connection, number) == north
        assert load_review(connection, 99) is None
        assert [one.day for one in list_reviews(connection, "")] == ["2026-03-14", "2026-03-13", "2026-03-12"]
        assert [one.number for one in list_reviews(connection, limit=2)] == [number, number - 1]
        assert [one.region for one in list_reviews(connection, before=number)] == ["", "", ""]
        assert regions_reviewed(connection) == ["", "North"]
    with store.writing() as connection:
        assert forget_reviews(connection, NOW - DAY) == 1
    with store.reading() as connection:
        assert [one.day for one in list_reviews(connection, "")] == ["2026-03-14", "2026-03-13"]


# When they are due --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hour", "minute", "zone", "moment", "day"),
    [
        (5, 30, "UTC", "2026-03-14T05:29:59+00:00", "2026-03-13"),
        (5, 30, "UTC", "2026-03-14T05:30:00+00:00", "2026-03-14"),
        # 05:30 in Vienna: 04:30 UTC in winter, 03:30 in summer.
        (5, 30, "Europe/Vienna", "2026-03-28T04:29:00+00:00", "2026-03-27"),
        (5, 30, "Europe/Vienna", "2026-03-29T03:30:00+00:00", "2026-03-29"),
        (5, 30, "Europe/Vienna", "2026-10-25T04:29:00+00:00", "2026-10-24"),
        (5, 30, "Europe/Vienna", "2026-10-25T04:30:00+00:00", "2026-10-25"),
        # 02:30 is left out on the one day, and comes twice on the other.
        (2, 30, "Europe/Vienna", "2026-03-29T01:29:00+00:00", "2026-03-28"),
        (2, 30, "Europe/Vienna", "2026-03-29T01:30:00+00:00", "2026-03-29"),
        (2, 30, "Europe/Vienna", "2026-10-25T00:29:00+00:00", "2026-10-24"),
        (2, 30, "Europe/Vienna", "2026-10-25T00:30:00+00:00", "2026-10-25"),
        (2, 30, "Europe/Vienna", "2026-10-25T01:10:00+00:00", "2026-10-25"),
        (5, 30, "Pacific/Auckland", "2026-03-13T16:30:00+00:00", "2026-03-14"),
    ],
)
def test_when_a_review_is_due(hour: int, minute: int, zone: str, moment: str, day: str) -> None:
    now_us = int(datetime.fromisoformat(moment).astimezone(UTC).timestamp()) * S
    assert due_day(Plan("", hour, minute, zone), now_us) == day


def test_what_is_due_is_made_once_and_mailed_once(store: Store) -> None:
    sites(store, "a North", "b South", "c West")
    course(store, "a", (NOW - HOUR, MINOR))
    south = Plan("South", 5, 30, "America/New_York", ("email.south",))
    plans = Plans(Plan("", 5, 30, "UTC", ("email.desk", "email.chief")), (south,), source="urn:x")
    assert len(make_due(store, plans, plans.whole, NOW)) == 3
    assert make_due(store, plans, plans.whole, NOW + HOUR) == []
    [number] = make_due(store, plans, south, NOW)
    with store.reading() as connection:
        kept_now = {one.region: one.day for one in list_reviews(connection)}
        # 09:00 UTC is 05:00 in New York: the review of the day before was missed.
        assert kept_now == {
            "": "2026-03-14",
            "North": "2026-03-14",
            "West": "2026-03-14",
            "South": "2026-03-13",
        }
        desk, chief, other = (waiting_messages(connection, f"email.{n}") for n in ("desk", "chief", "south"))
        whole = list_reviews(connection, "")[0].number
    assert len(desk) == len(chief) == len(other) == 1
    event = json.loads(desk[0].body)
    assert (event["type"], event["source"]) == (REVIEW_TYPE, "urn:x")
    assert (event["data"]["review"], event["data"]["day"]) == (whole, "2026-03-14")
    assert json.loads(other[0].body)["data"]["review"] == number
    assert other[0].event_id != desk[0].event_id == chief[0].event_id
    assert len(make_due(store, plans, south, NOW + 31 * 60 * S)) == 1


def test_nothing_is_made_of_nothing(store: Store) -> None:
    plans = Plans(Plan("", 5, 30, "UTC"), (Plan("Nowhere", 5, 30, "UTC"),))
    assert make_due(store, plans, plans.whole, NOW) == []
    sites(store, "a Coast", "b Coast")
    assert make_due(store, plans, plans.regions[0], NOW) == []
    # A fleet of one region is that region: one review.
    assert len(make_due(store, plans, plans.whole, NOW)) == 1


def test_a_review_made_late_is_of_the_day_it_was_due(store: Store) -> None:
    sites(store, "a")
    plans = Plans(Plan("", 5, 30, "UTC"))
    [number] = make_due(store, plans, plans.whole, at("2026-03-15T03:00:00"))
    with store.reading() as connection:
        review = load_review(connection, number)
        assert review is not None
        assert (review.day, review.made_us) == ("2026-03-14", at("2026-03-15T03:00:00"))
        assert connection.execute(select(tables.outbox.c.id)).all() == []


def test_plans_of_the_settings_leave_out_channels_that_are_off() -> None:
    mail = {"host": "mail.example.org", "from_address": "a@example.org", "to_addresses": ["b@example.org"]}
    settings = Settings(
        channels={"email": {"desk": mail, "off": {**mail, "enabled": False}}},
        review={
            "hour": 6,
            "email": ["desk", "off", "desk"],
            "trip_km": 12.0,
            "regions": {"coast": {"region": "Coast", "timezone": "Europe/Lisbon", "email": ["off"]}},
        },
        desk={"after_work_s": 60.0},
    )
    assert plans_of(settings, "urn:x") == Plans(
        Plan("", 6, 30, "UTC", ("email.desk",)),
        (Plan("Coast", 5, 30, "Europe/Lisbon", ()),),
        Making(60 * S, 12.0),
        "urn:x",
    )
