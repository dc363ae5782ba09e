"""Pages of ended alarms as the database makes them, held against all of them looked at one by one."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sqlalchemy import insert, text

from standingwatch.alarms.handling import Act, OperatorState
from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.detect.words import Condition, Severity
from standingwatch.store import tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.ended import (
    EndedChoice,
    HandledAlarm,
    count_ended,
    ended_and_open,
    ended_page,
)
from standingwatch.store.handling import act_on

SEVERITIES = (Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL)
CONDITIONS = (Condition.SWR_HIGH, Condition.SWR_RISING, Condition.REPORTS_MISSING)


@pytest.fixture
def filled(store: Store) -> Store:
    """120 alarms: every sixth stands, of the others some are closed, some end at one time."""
    changes, closed = [], []
    for n in range(120):
        key = AlarmKey(f"S{n % 17:02d}", f"RPT-{n % 5}", CONDITIONS[n % 3])
        if n % 20 == 7:
            key = AlarmKey("", "", Condition.SWR_WEATHER, region=f"Möhn {n}")
        if n % 20 == 11:
            key = AlarmKey("", "", Condition.CHANNEL_FAILING, service=f"channel 50%_{n}")
        if any(one.alarm.key == key for one in changes):
            continue
        raised = apply(None, Evidence(key, SEVERITIES[n % 4], 1000 + n), 1000 + n)
        assert raised is not None
        changes.append(raised)
        if n % 6:
            # Three at a time: then it is the name that orders them.
            ended_us = 5000 + n // 3
            ended = apply(raised.alarm, Evidence(key, Severity.CLEARED, ended_us), ended_us)
            assert ended is not None
            changes.append(ended)
            if n % 3 == 1 and n % 2:
                closed.append(key)
    with store.writing() as connection:
        save_changes(connection, changes, "urn:test")
        for key in closed:
            act_on(connection, [key], Act.ASSIGN, by="Kim", now_us=6000, text="east crew")
            assert act_on(connection, [key], Act.CLOSE, by="Kim", now_us=6000).refused == ()
    return store


def all_ended(store: Store) -> list[HandledAlarm]:
    with store.reading() as connection:
        return ended_page(connection, EndedChoice(), None)


def is_closed(one: HandledAlarm) -> bool:
    return one.handling.before_shelf is OperatorState.CLOSED


CASES: list[tuple[EndedChoice, Callable[[HandledAlarm], bool]]] = [
    (EndedChoice(), lambda one: True),
    (EndedChoice(closed=True), is_closed),
    (EndedChoice(closed=False), lambda one: not is_closed(one)),
    (EndedChoice(severity=Severity.MAJOR), lambda one: one.alarm.severity >= Severity.MAJOR),
    (
        EndedChoice(condition=Condition.SWR_RISING, closed=False),
        lambda one: one.alarm.key.condition is Condition.SWR_RISING and not is_closed(one),
    ),
    (
        EndedChoice(region="North", sites_of_region=["S01", "S05", "S16"]),
        lambda one: one.alarm.key.site in ("S01", "S05", "S16"),
    ),
    (EndedChoice(region="Möhn 7"), lambda one: one.alarm.key.region == "Möhn 7"),
    (EndedChoice(text="rpt-3"), lambda one: "rpt-3" in (one.alarm.key.transmitter + one.text).casefold()),
    (EndedChoice(text="EAST crew"), lambda one: one.handling.assigned_to == "east crew"),
    (EndedChoice(text="50%_"), lambda one: "50%_" in one.alarm.key.service),
    (
        EndedChoice(text="nowhere at all", sites_of_text=["S02"], conditions_of_text=["reports-missing"]),
        lambda one: one.alarm.key.site == "S02" or one.alarm.key.condition is Condition.REPORTS_MISSING,
    ),
    (EndedChoice(text="nowhere at all"), lambda one: False),
]


def test_each_choice_keeps_what_it_should(filled: Store) -> None:
    every = all_ended(filled)
    assert len(every) > 60
    assert [
        (-one.alarm.changed_us, one.alarm.key.site, one.alarm.key.transmitter) for one in every
    ] == sorted((-one.alarm.changed_us, one.alarm.key.site, one.alarm.key.transmitter) for one in every)
    for choice, keeps in CASES:
        wanted = [one for one in every if keeps(one)]
        with filled.reading() as connection:
            assert ended_page(connection, choice, None) == wanted, choice
            assert count_ended(connection, choice) == len(wanted), choice
    # All but the last are cases in which there is something to keep.
    assert [choice for choice, keeps in CASES[:-1] if not any(map(keeps, every))] == []


@pytest.mark.parametrize("size", [1, 7, 50])
def test_pages_give_each_once_in_order(filled: Store, size: int) -> None:
    every, choice = all_ended(filled), EndedChoice()
    found: list[HandledAlarm] = []
    with filled.reading() as connection:
        for _ in every:
            after = (found[-1].alarm.changed_us, found[-1].alarm.key) if found else None
            page = ended_page(connection, choice, size, after=after)
            found += page
            if len(page) < size:
                break
        assert found == every
        assert [
            one
            for begin in range(0, len(every), size)
            for one in ended_page(connection, choice, size, offset=begin)
        ] == every


def test_how_many_have_ended_and_were_not_closed(filled: Store) -> None:
    wanted = sum(not is_closed(one) for one in all_ended(filled))
    with filled.reading() as connection:
        assert ended_and_open(connection) == wanted > 0


def test_more_names_than_a_statement_has_parameters(filled: Store) -> None:
    names = [f"S{n:05d}" for n in range(40_000)]
    with filled.reading() as connection:
        choice = EndedChoice(region="North", sites_of_region=[*names, "S01"])
        assert {one.alarm.key.site for one in ended_page(connection, choice, 50)} == {"S01"}


@pytest.mark.sqlite_only("how it walks over an index")
def test_a_page_walks_over_an_index_and_not_over_all_alarms(tmp_path) -> None:
    store = Store(f"sqlite:///{tmp_path}/store.sqlite")
    store.migrate()
    row = {"severity": 3, "is_cleared": True, "raised_us": 1, "changes": 2, "chatters": False, "text": "x"}
    more = {"evidence": "{}", "causes": "[]", "condition": "swr-high", "transmitter": "A"}
    with store.writing() as connection:
        rows = [{**row, **more, "site": f"S{n}", "changed_us": n} for n in range(2000)]
        connection.execute(insert(tables.alarms), rows)
        connection.execute(text("ANALYZE"))
    told: list[str] = []
    with store.reading() as connection:
        raw = connection.connection.driver_connection
        assert raw is not None
        raw.set_trace_callback(told.append)
        last = ended_page(
            connection, EndedChoice(closed=False), 50, after=(1500, AlarmKey("T", "A", CONDITIONS[0]))
        )
        raw.set_trace_callback(None)
        [asked] = [one for one in told if "SELECT alarms" in one]
        plan = " ".join(
            r.detail for r in connection.execute(text(f"EXPLAIN QUERY PLAN {asked}".replace(":", "\\:")))
        )
    assert [one.alarm.changed_us for one in last] == [*range(1499, 1449, -1)]
    assert "USING INDEX alarms_by_end (is_cleared=? AND changed_us<?)" in plan
    assert "SCAN alarms" not in plan
    # By one walk in the order of the index, and not by two that are put together and sorted.
    assert "MULTI-INDEX OR" not in plan
    store.close()
