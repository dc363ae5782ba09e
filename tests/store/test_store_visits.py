"""Visits in the store, on both databases: proposed by the alarms, acted on by people, restarts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from standingwatch.alarms.handling import AUTOMATIC
from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.review.visits import Visit, VisitError, VisitState
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.desk_mark import desk_version
from standingwatch.store.sites import replace_site_list
from standingwatch.store.visits import (
    begin_visit,
    cause_score,
    changes_of_visit,
    count_visits,
    drop_visit,
    finish_visit,
    follow_alarms,
    judge_visit,
    load_visit,
    load_visits,
    note_findings,
    plan_visit,
)
from standingwatch.store.windows import load_windows

HOUR_US = 3_600_000_000
NOW_US = 1_773_480_413_000_000


@pytest.fixture
def sites(store: Store) -> Store:
    with store.writing() as connection:
        rows = [InventoryRow(site, name, 160.0) for site in ("alder", "birch") for name in ("a", "b", "c")]
        replace_site_list(connection, rows, NOW_US)
    return store


Tell = Callable[..., None]


@pytest.fixture
def tell(sites: Store) -> Tell:
    """Raises an alarm so many hours ago, or ends it."""

    def raise_alarm(
        site: str,
        name: str,
        severity: Severity,
        hours: float = 100.0,
        condition: Condition = Condition.SWR_HIGH,
        members: tuple[str, ...] = (),
    ) -> None:
        at_us = NOW_US - round(hours * HOUR_US)
        causes = (LikelyCause(Cause.CONNECTOR, 0.6, "it fits"),)
        values = {"swr": 2.31, "limit_swr": 2.0, "forward_w": 98.0, "reflected_w": 15.4}
        evidence = Evidence(AlarmKey(site, name, condition), severity, at_us, values, causes, members)
        with sites.writing() as connection:
            changes = apply_all(load_alarms(connection), [evidence], at_us)
            save_changes(connection, changes, "urn:test")

    return raise_alarm


def follow(store: Store, now_us: int = NOW_US) -> int:
    with store.writing() as connection:
        return follow_alarms(connection, now_us)


def only(store: Store) -> Visit:
    with store.reading() as connection:
        (visit,) = load_visits(connection)
    return visit


def plan(store: Store, number: int, **more: object) -> Visit:
    given = {
        "planned_for_us": NOW_US + 40 * HOUR_US,
        "crew": "Mast crew",
        "access": "key at the farm",
        **more,
    }
    with store.writing() as connection:
        return plan_visit(connection, number, by="Ada", now_us=NOW_US, **given)  # type: ignore[arg-type]  # mixed


def test_proposed_once_whatever_is_restarted(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    tell("alder", "b", Severity.MINOR)
    assert follow(sites) == 1
    assert follow(sites) == 0
    again = Store(sites.engine.url.render_as_string(hide_password=False))
    assert follow(again, NOW_US + HOUR_US) == 0
    again.close()
    visit = only(sites)
    assert (visit.site, visit.state, visit.urgency) == ("alder", VisitState.PROPOSED, "within-days")
    assert [t.transmitter for t in visit.troubles] == ["a", "b"]
    assert visit.troubles[0].alarms[0].text.startswith("SWR 2.31:1 at the transmitter")
    with sites.reading() as connection:
        story = changes_of_visit(connection, visit.number)
        assert [(c.by, c.text) for c in story] == [(AUTOMATIC, "proposed")]
        assert count_visits(connection)[VisitState.PROPOSED] == 1


def test_dropped_by_itself_a_day_after_the_alarm_ended(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    follow(sites)
    tell("alder", "a", Severity.CLEARED, hours=0)
    follow(sites, NOW_US + HOUR_US)
    assert only(sites).state is VisitState.PROPOSED
    follow(sites, NOW_US + 26 * HOUR_US)
    assert only(sites).state is VisitState.DROPPED


def windows(store: Store) -> list[tuple[str, str, str, int, int]]:
    with store.reading() as connection:
        found = load_windows(connection)
    return [
        (w.window.transmitter, w.window.kind, w.entered_by, w.window.start_us, w.window.end_us) for w in found
    ]


def test_from_proposal_to_proof(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    follow(sites)
    number = only(sites).number
    planned = plan(sites, number, antenna_gain_dbi=6.0)
    assert (planned.state, planned.crew, planned.access) == (
        VisitState.PLANNED,
        "Mast crew",
        "key at the farm",
    )
    assert only(sites) == planned
    begun_us = NOW_US + 41 * HOUR_US
    with sites.writing() as connection:
        before = desk_version(connection)
        begun = begin_visit(connection, number, by="Ada", now_us=begun_us, until_us=begun_us + 12 * HOUR_US)
        # The watch looks at this mark, and reads the windows anew.
        assert desk_version(connection) > before
    until_us = begun_us + 12 * HOUR_US
    assert sorted(windows(sites)) == [
        ("", "outage", "Ada", begun_us, until_us),
        ("a", "visit", "Ada", begun_us, until_us),
    ]
    done_us = begun_us + 3 * HOUR_US
    with sites.writing() as connection:
        done = finish_visit(connection, number, by="Ada", now_us=done_us)
    assert (done.begun_us, done.ended_us, done.windows) == (begun_us, done_us, begun.windows)
    assert {end_us for *_, end_us in windows(sites)} == {done_us}
    # Its alarm still stands until the watch has seen the work: nothing is proposed anew.
    assert follow(sites, done_us + HOUR_US) == 0
    with sites.writing() as connection:
        note_findings(
            connection, number, by="Bo", now_us=done_us, found={"a": Cause.WATER}, text="water in the jumper"
        )
        judged = judge_visit(
            connection,
            number,
            by="Bo",
            now_us=done_us + 200 * HOUR_US,
            proven=True,
            verdict={"verdict": "proven-fixed"},
        )
    assert judged.state is VisitState.PROVEN
    visit = only(sites)
    assert visit == judged
    assert visit.finding is not None
    assert (visit.finding.by, visit.finding.text) == ("Bo", "water in the jumper")
    with sites.reading() as connection:
        score = cause_score(connection)
        assert (score.right, score.told, score.by_cause) == (0, 1, {Cause.CONNECTOR: (0, 1)})
        assert cause_score(connection, done_us + 1).told == 0
        said = [c.text for c in changes_of_visit(connection, number)]
    assert said == [
        "proposed",
        "planned for Mast crew",
        "the work has begun",
        "the work is done",
        "found: a: water; water in the jumper",
        "proven fixed; the comparison said proven-fixed",
    ]


def test_what_was_not_fixed_is_proposed_again(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    follow(sites)
    number = only(sites).number
    with sites.writing() as connection:
        begin_visit(connection, number, by="Ada", now_us=NOW_US, until_us=NOW_US + 12 * HOUR_US)
        finish_visit(connection, number, by="Ada", now_us=NOW_US + HOUR_US)
        with pytest.raises(VisitError, match="the comparison says cannot-say-yet, so say why"):
            judge_visit(
                connection,
                number,
                by="Ada",
                now_us=NOW_US + 2 * HOUR_US,
                proven=False,
                verdict={"verdict": "cannot-say-yet"},
            )
        judge_visit(
            connection,
            number,
            by="Ada",
            now_us=NOW_US + 2 * HOUR_US,
            proven=False,
            verdict={"verdict": "cannot-say-yet"},
            reason="the antenna lies on the ground",
        )
    assert follow(sites, NOW_US + 3 * HOUR_US) == 1


def test_a_group_touches_its_members_and_a_dead_link_none(sites: Store, tell: Tell) -> None:
    tell("alder", "", Severity.MAJOR, condition=Condition.SWR_RISING, members=("alder/a", "alder/b"))
    tell("birch", "", Severity.MAJOR, condition=Condition.SITE_UNREACHABLE)
    assert follow(sites) == 2
    with sites.writing() as connection:
        for visit in load_visits(connection):
            begin_visit(connection, visit.number, by="Ada", now_us=NOW_US, until_us=NOW_US + HOUR_US)
        found = load_windows(connection)
    assert sorted((w.window.site, w.window.transmitter, w.window.kind) for w in found) == [
        ("alder", "", "outage"),
        ("alder", "a", "visit"),
        ("alder", "b", "visit"),
        ("birch", "", "outage"),
    ]


def test_a_crew_that_turned_round_leaves_no_window(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    follow(sites)
    number = only(sites).number
    with sites.writing() as connection:
        begin_visit(connection, number, by="Ada", now_us=NOW_US, until_us=NOW_US + HOUR_US)
    again = plan(sites, number)
    assert (again.state, again.begun_us, again.windows, windows(sites)) == (VisitState.PLANNED, None, (), [])


def test_work_that_outlasts_its_windows_gets_more(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    follow(sites)
    number = only(sites).number
    end_us = NOW_US + 20 * HOUR_US
    with sites.writing() as connection:
        begin_visit(connection, number, by="Ada", now_us=NOW_US, until_us=NOW_US + 12 * HOUR_US)
        done = finish_visit(connection, number, by="Bo", now_us=end_us)
    assert len(done.windows) == 4
    assert sorted(windows(sites))[-2:] == [
        ("a", "visit", "Ada", NOW_US, NOW_US + 12 * HOUR_US),
        ("a", "visit", "Bo", NOW_US + 12 * HOUR_US, end_us),
    ]


def test_what_cannot_be(sites: Store, tell: Tell) -> None:
    tell("alder", "a", Severity.MAJOR)
    follow(sites)
    number = only(sites).number
    with sites.writing() as connection:
        with pytest.raises(VisitError, match="there is no visit 99"):
            drop_visit(connection, 99, by="Ada", now_us=NOW_US, reason="no")
        with pytest.raises(VisitError, match="reason: empty"):
            drop_visit(connection, number, by="Ada", now_us=NOW_US, reason="  ")
        with pytest.raises(VisitError, match="is proposed: got done, possible is plan, begin, drop"):
            finish_visit(connection, number, by="Ada", now_us=NOW_US)
        with pytest.raises(VisitError, match="until: got a time that is over"):
            begin_visit(connection, number, by="Ada", now_us=NOW_US, until_us=NOW_US)
        with pytest.raises(VisitError, match="findings: nothing is said"):
            note_findings(connection, number, by="Ada", now_us=NOW_US, found={}, text="")
    for given, why in (
        ({"crew": ""}, "crew: nobody is named"),
        ({"crew": "x" * 101}, "crew: got 101 characters"),
        ({"access": "a\x00b"}, "access: it has characters"),
        ({"antenna_gain_dbi": 60.0}, "antenna gain: got 60"),
    ):
        with pytest.raises(VisitError, match=why):
            plan(sites, number, **given)
    assert only(sites).state is VisitState.PROPOSED
    with sites.writing() as connection:
        dropped = drop_visit(connection, number, by="Ada", now_us=NOW_US, reason="the site is given up")
    assert load_visit_of(sites, number) == replace(dropped)


def load_visit_of(store: Store, number: int) -> Visit | None:
    with store.reading() as connection:
        return load_visit(connection, number)
