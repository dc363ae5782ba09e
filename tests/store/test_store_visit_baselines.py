"""Accepting the new baseline after a visit, on both databases: what is asked for, kept, and refused."""

from __future__ import annotations

import numpy as np
import pytest

from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.review.visits import Trouble, TroubleAlarm, Visit, VisitError, VisitState
from standingwatch.store.connect import Store
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.visit_baselines import accept_baseline, accepted_baselines
from standingwatch.store.visit_lines import Lines
from standingwatch.store.visits import changes_of_visit, keep_visit, load_visit
from standingwatch.store.watching import add_baselines

HOUR_US = 3_600_000_000
NOW_US = 1_773_480_413_000_000
DONE_US = NOW_US - 48 * HOUR_US


def baseline(position: int, hours: float, kind: str, rho: float = np.nan) -> BaselineChange:
    """A version of a baseline, so many hours after the work was done."""
    at_us = DONE_US + round(hours * HOUR_US)
    return BaselineChange(position, at_us, kind, rho, 0.004 if np.isfinite(rho) else np.nan, "for a test")


class Site:
    """A site with two transmitters, of which a visit worked at the first."""

    def __init__(self, store: Store) -> None:
        self.store = store
        alarm = TroubleAlarm(Condition.SWR_STEP, Severity.MAJOR, NOW_US - 200 * HOUR_US, DONE_US)
        trouble = Trouble("a", Condition.SWR_STEP, (), "within-days", True, 0, alarms=(alarm,))
        visit = Visit(0, "alder", VisitState.DONE, NOW_US, NOW_US, (trouble,))
        with store.writing() as connection:
            replace_site_list(connection, [InventoryRow("alder", name, 160.0) for name in "ab"], NOW_US)
            self.sites = load_site_list(connection)
            begun = {"begun_us": DONE_US - 2 * HOUR_US, "ended_us": DONE_US}
            self.number = keep_visit(
                connection, Visit(**{**vars(visit), **begun}), by="Ada", text="done", now_us=NOW_US
            ).number
        self.learn(baseline(0, -300, "full", 0.06))

    @property
    def lines(self) -> Lines:
        keys = self.sites.keys.tolist()
        return {row.transmitter: (key, row) for key, row in zip(keys, self.sites.rows, strict=True)}

    def learn(self, *changes: BaselineChange) -> None:
        with self.store.writing() as connection:
            add_baselines(connection, changes, self.sites.keys)

    def accept(self, version: int, transmitter: str = "a", number: int | None = None) -> Visit:
        with self.store.writing() as connection:
            return accept_baseline(
                connection,
                self.number if number is None else number,
                self.lines,
                transmitter,
                version,
                by="Ada",
                now_us=NOW_US,
            )


@pytest.fixture
def site(store: Store) -> Site:
    return Site(store)


def test_it_is_accepted_by_a_person_and_told_in_the_story(site: Site) -> None:
    site.learn(baseline(0, 0, "opened"), baseline(0, 6, "provisional", 0.061))
    site.accept(3)
    with site.store.reading() as connection:
        visit = load_visit(connection, site.number)
        story = changes_of_visit(connection, site.number)
        accepted = accepted_baselines(connection, "alder", "a")
        assert accepted_baselines(connection, "alder", "b") == {}
    assert visit is not None
    [one] = visit.accepted
    assert (one.transmitter, one.version, one.rho, one.by, one.time_us) == ("a", 3, 0.061, "Ada", NOW_US)
    assert accepted == {3: one}
    assert (story[-1].by, story[-1].text) == (
        "Ada",
        "new baseline of a accepted: version 3, provisional, SWR 1.13:1 (before the work: SWR 1.13:1)",
    )


def test_what_is_not_there_yet_is_refused(site: Site) -> None:
    with pytest.raises(VisitError, match="has not opened a new one yet"):
        site.accept(1)
    site.learn(baseline(0, 0, "opened"))
    with pytest.raises(VisitError, match="not learned yet"):
        site.accept(2)


def test_no_version_is_accepted_unseen(site: Site) -> None:
    site.learn(baseline(0, 0, "opened"), baseline(0, 6, "provisional", 0.061), baseline(0, 400, "full", 0.2))
    with pytest.raises(VisitError, match="got version 3, version 4 holds by now"):
        site.accept(3)
    assert [one.version for one in site.accept(4).accepted] == [4]


def test_a_second_word_is_asked_for_only_when_it_says_something_else(site: Site) -> None:
    site.learn(baseline(0, 0, "opened"), baseline(0, 6, "provisional", 0.061))
    site.accept(3)
    site.learn(baseline(0, 400, "full", 0.064))
    with pytest.raises(VisitError, match="accepted already"):
        site.accept(4)
    site.learn(baseline(0, 800, "full", 0.2))
    assert [one.version for one in site.accept(5).accepted] == [3, 5]


def test_only_what_the_visit_worked_at(site: Site) -> None:
    site.learn(baseline(1, 0, "opened"), baseline(1, 6, "provisional", 0.061))
    with pytest.raises(VisitError, match="the visit worked at: a"):
        site.accept(2, "b")
    with pytest.raises(VisitError, match="there is no visit 99"):
        site.accept(2, "a", 99)
