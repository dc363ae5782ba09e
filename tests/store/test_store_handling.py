"""What people do with alarms, shelves, windows of work and purging, on both kinds of database."""

from __future__ import annotations

import json
import threading
from typing import Any

import pytest
from sqlalchemy import func, insert, select

from standingwatch.alarms.handling import (
    UNTOUCHED,
    Act,
    Handling,
    HandlingChange,
    OperatorState,
    put_on_shelf,
    take_off_shelf,
)
from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.alarms.shelving import Shelf, Window
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.store import tables
from standingwatch.store.alarming import key_columns, load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.handling import (
    LONGEST_SHELF_US,
    Done,
    EntryError,
    act_on,
    add_shelf,
    desk_version,
    end_shelf,
    handling_history,
    load_handling,
    load_handlings,
    load_shelves,
    save_handlings,
    unknown_names,
)
from standingwatch.store.outbox import NewMessage, Subject, add_messages
from standingwatch.store.purge import purge_alarms
from standingwatch.store.sites import replace_site_list
from standingwatch.store.watching import replace_maintenance
from standingwatch.store.windows import add_window, end_window, load_windows

S = 1_000_000
HOUR = 3600 * S
ONE = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
STEP = AlarmKey("alder", "rpt-1", Condition.SWR_STEP)
LINE = AlarmKey("alder", "", Condition.SWR_HIGH)
COAST = AlarmKey("", "", Condition.SWR_WEATHER, region="Coast / north")
INTAKE = AlarmKey("", "", Condition.REPORTS_MISSING, service="intake")
ALL = (ONE, STEP, LINE, COAST, INTAKE)
GONE = AlarmKey("birch", "rpt-1", Condition.SWR_HIGH)


def raise_alarms(
    store: Store, *keys: AlarmKey, cleared_us: int | None = None, number: int = 1, raised_us: int = 1
) -> None:
    changes = []
    for key in keys:
        raised = apply(None, Evidence(key, Severity.MAJOR, raised_us), raised_us)
        assert raised is not None
        changes.append(raised)
        if cleared_us is not None:
            cleared = apply(raised.alarm, Evidence(key, Severity.CLEARED, cleared_us), cleared_us)
            assert cleared is not None
            changes.append(cleared)
    with store.writing() as connection:
        save_changes(connection, changes, f"urn:test:{number}")


def version(store: Store) -> int:
    with store.reading() as connection:
        return desk_version(connection)


def do(store: Store, what: Act, *keys: AlarmKey, by: str = "Kim", now_us: int = 100, text: str = "") -> Done:
    with store.writing() as connection:
        return act_on(connection, keys, what, by=by, now_us=now_us, text=text)


def handlings(store: Store) -> dict[AlarmKey, Handling]:
    with store.reading() as connection:
        return load_handlings(connection)


def rows(store: Store, table: Any) -> int:
    with store.reading() as connection:
        return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


# Operator states ----------------------------------------------------------------------------------------


def test_nobody_has_touched_anything(store: Store) -> None:
    raise_alarms(store, *ALL)
    assert handlings(store) == {}
    assert version(store) == 0
    with store.reading() as connection:
        assert handling_history(connection, ONE) == []
    with store.writing() as connection:
        assert load_handling(connection, ONE) is UNTOUCHED


def test_acts_are_kept_with_who_and_when_for_each_kind_of_alarm(store: Store) -> None:
    raise_alarms(store, *ALL)
    assert do(store, Act.ACKNOWLEDGE, *ALL, *ALL) == Done(ALL, ())
    acknowledged = Handling(OperatorState.ACK, "Kim", 100, OperatorState.ACK)
    assert handlings(store) == dict.fromkeys(ALL, acknowledged)
    do(store, Act.ASSIGN, ONE, by="Edda", now_us=200, text="east crew")
    do(store, Act.COMMENT, ONE, by="Edda", now_us=300, text="ladder is wet\nsecond line")
    do(store, Act.TAKE_BACK, ONE, by="Edda", now_us=400)
    found = handlings(store)
    assert found.pop(ONE) == Handling(OperatorState.NONE, "Edda", 400, OperatorState.NONE, "east crew")
    assert found == dict.fromkeys(ALL[1:], acknowledged)
    with store.reading() as connection:
        assert handling_history(connection, ONE) == [
            HandlingChange(100, "Kim", Act.ACKNOWLEDGE, OperatorState.ACK),
            HandlingChange(200, "Edda", Act.ASSIGN, OperatorState.ACK, "east crew"),
            HandlingChange(300, "Edda", Act.COMMENT, OperatorState.ACK, "ladder is wet\nsecond line"),
            HandlingChange(400, "Edda", Act.TAKE_BACK, OperatorState.NONE),
        ]
        assert len(handling_history(connection, COAST)) == 1
        # What people do is no change of the alarm.
        assert all(not a.is_cleared and a.changes == 1 for a in load_alarms(connection).values())


def test_what_is_refused_stops_nothing_else_and_is_no_news(store: Store) -> None:
    raise_alarms(store, ONE, STEP)
    do(store, Act.ACKNOWLEDGE, ONE, by="Edda")
    before = version(store)
    outcome = do(store, Act.ACKNOWLEDGE, ONE, GONE, STEP)
    assert outcome.done == (STEP,)
    assert outcome.refused == ((ONE, "Edda has acknowledged it already"), (GONE, "there is no such alarm"))
    assert version(store) > before
    before = version(store)
    assert do(store, Act.ACKNOWLEDGE, ONE, GONE).done == ()
    assert do(store, Act.CLOSE, ONE).done == ()
    assert version(store) == before
    assert set(handlings(store)) == {ONE, STEP}


def test_shelving_is_not_done_by_hand(store: Store) -> None:
    raise_alarms(store, ONE)
    for what in (Act.SHELVE, Act.UN_SHELVE):
        with store.writing() as connection, pytest.raises(ValueError, match="wanted one of acknowledge"):
            act_on(connection, [ONE], what, by="Kim", now_us=1)


def test_several_changes_of_one_alarm_at_once_keep_the_last_and_every_line(store: Store) -> None:
    raise_alarms(store, ONE)
    do(store, Act.ACKNOWLEDGE, ONE)
    with store.writing() as connection:
        on = put_on_shelf(load_handling(connection, ONE), "paint", 200)
        assert on is not None
        off = take_off_shelf(on[0], "over", 300)
        assert off is not None
        save_handlings(connection, [(ONE, *on), (ONE, *off), (STEP, *on)])
        save_handlings(connection, [])
    assert handlings(store) == {
        ONE: Handling(OperatorState.ACK, "Kim", 100, OperatorState.ACK),
        STEP: Handling(OperatorState.SHELVED, "Kim", 100, OperatorState.ACK),
    }
    with store.reading() as connection:
        lines = handling_history(connection, ONE)
    assert [(line.act, line.state) for line in lines] == [
        (Act.ACKNOWLEDGE, OperatorState.ACK),
        (Act.SHELVE, OperatorState.SHELVED),
        (Act.UN_SHELVE, OperatorState.ACK),
    ]


def test_two_people_at_once_do_not_both_acknowledge_and_both_move_the_mark(store: Store) -> None:
    raise_alarms(store, ONE, STEP)
    outcomes: dict[str, Done] = {}
    inside, started = threading.Event(), threading.Event()

    def first() -> None:
        with store.writing() as connection:
            outcomes["Kim"] = act_on(connection, [ONE], Act.ACKNOWLEDGE, by="Kim", now_us=1)
            inside.set()
            assert started.wait(20)
            # The other has begun by now, and waits for this transaction to end.
            waited.wait(0.3)

    def second() -> None:
        assert inside.wait(20)
        started.set()
        with store.writing() as connection:
            outcomes["Edda"] = act_on(connection, [ONE, STEP], Act.ACKNOWLEDGE, by="Edda", now_us=2)
        waited.set()

    waited = threading.Event()
    threads = [threading.Thread(target=work) for work in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(40)
    assert outcomes["Kim"].done == (ONE,)
    assert outcomes["Edda"] == Done((STEP,), ((ONE, "Kim has acknowledged it already"),))
    assert version(store) == 2


# Shelves ------------------------------------------------------------------------------------------------


def shelve(store: Store, names: dict[str, str] | None = None, **more: Any) -> int:
    wanted: dict[str, Any] = {
        "up_to": Severity.MINOR,
        "until_us": 2 * HOUR,
        "reason": "mast painted",
        "by": "Kim",
        "now_us": HOUR,
    }
    with store.writing() as connection:
        return add_shelf(connection, names or {"site": "alder"}, **{**wanted, **more})


def shelves(store: Store, **more: bool) -> list[Shelf]:
    with store.reading() as connection:
        return load_shelves(connection, **more)


def test_shelves_come_back_in_their_order(store: Store) -> None:
    second = shelve(store, {"site": " alder ", "condition": "swr-high"}, reason=" paint ", by=" Kim ")
    third = shelve(store, {"region": "Coast / north", "transmitter": "rpt-1"}, up_to=Severity.CRITICAL)
    first = shelve(store, first=True)
    zeroth = shelve(store, first=True)
    last = shelve(store)
    found = shelves(store)
    assert [shelf.number for shelf in found] == [zeroth, first, second, third, last]
    assert found[2] == Shelf(
        second, "alder", "", "", "swr-high", Severity.MINOR, HOUR, 2 * HOUR, "paint", "Kim"
    )
    assert found[3] == Shelf(
        third, "", "Coast / north", "rpt-1", "", Severity.CRITICAL, HOUR, 2 * HOUR, "mast painted", "Kim"
    )
    assert version(store) == 5


def test_a_shelf_is_taken_away_once_and_remembered(store: Store) -> None:
    number, other = shelve(store), shelve(store)
    before = version(store)
    with store.writing() as connection:
        assert end_shelf(connection, number, by=" Edda ", now_us=HOUR + 5)
        assert not end_shelf(connection, number, by="Edda", now_us=HOUR + 6)
        assert not end_shelf(connection, 999, by="Edda", now_us=HOUR + 6)
        # At its end it holds no more by itself.
        assert not end_shelf(connection, other, by="Edda", now_us=2 * HOUR)
    assert version(store) == before + 1
    assert [s.number for s in shelves(store)] == [other]
    ended, _ = shelves(store, ended_too=True)
    assert (ended.number, ended.until_us) == (number, HOUR + 5)
    with store.reading() as connection:
        kept = connection.execute(select(tables.shelves).where(tables.shelves.c.id == number)).one()
    assert (kept.ended_us, kept.ended_by, kept.until_us) == (HOUR + 5, "Edda", 2 * HOUR)


BAD_SHELVES: list[tuple[dict[str, Any], str]] = [
    ({"by": " "}, "by: nobody"),
    ({"by": "x" * 101}, "by: got 101"),
    ({"by": "Kim\x00"}, "by: it has characters"),
    ({"reason": "\n"}, "reason: empty"),
    ({"reason": "x" * 2001}, "reason: got 2001"),
    ({"reason": "\ud800"}, "reason: it has characters"),
    ({"up_to": Severity.CLEARED}, "severity: got cleared"),
    ({"until_us": HOUR}, "until: got a time that is over"),
    ({"until_us": HOUR + LONGEST_SHELF_US + 1}, "until: got more than 366 days"),
    ({"names": {"condition": "swr-hig"}}, "condition: got 'swr-hig', wanted one of swr-high"),
    ({"names": {"site": "a\x00"}}, "site: it has characters"),
]


def test_a_shelf_that_cannot_be_made(store: Store) -> None:
    for more, said in BAD_SHELVES:
        with pytest.raises(EntryError, match=said):
            shelve(store, **more)
    assert shelves(store, ended_too=True) == []
    assert version(store) == 0


def test_every_problem_of_a_shelf_at_once_and_the_longest_that_may_be(store: Store) -> None:
    with pytest.raises(EntryError) as caught:
        shelve(store, {"condition": "x"}, by="", reason="", up_to=Severity.CLEARED, until_us=0)
    assert str(caught.value).count(";") >= 4
    assert all(
        f"{name}: " in str(caught.value) for name in ("by", "reason", "severity", "until", "condition")
    )
    shelve(store, until_us=HOUR + LONGEST_SHELF_US)
    assert len(shelves(store)) == 1


def test_a_name_that_shelves_do_not_know_would_shelve_everything(store: Store) -> None:
    with pytest.raises(ValueError, match="got sites, wanted only site, region"):
        shelve(store, {"sites": "alder"})


def test_somebody_takes_a_shelf_away(store: Store) -> None:
    number = shelve(store)
    with pytest.raises(EntryError, match="by: nobody"), store.writing() as connection:
        end_shelf(connection, number, by=" ", now_us=HOUR)
    assert len(shelves(store)) == 1


# Windows of work ----------------------------------------------------------------------------------------

SITES = [
    InventoryRow(site="alder", transmitter="rpt-1", frequency_mhz=155.0, region="Coast / north"),
    InventoryRow(site="birch", transmitter="rpt-1", frequency_mhz=155.0),
    InventoryRow(site="birch", transmitter="rpt-2", frequency_mhz=155.0),
]


@pytest.fixture
def with_sites(store: Store) -> Store:
    with store.writing() as connection:
        replace_site_list(connection, SITES, 1)
        replace_site_list(connection, SITES[:2], 2)  # birch/rpt-2 is gone
    return store


def enter(
    store: Store,
    site: str = "alder",
    transmitter: str = "",
    start_us: int = HOUR,
    end_us: int = 2 * HOUR,
    kind: str = "visit",
    *,
    by: str = "Kim",
    note: str = "new feeder",
) -> int:
    with store.writing() as connection:
        row = MaintenanceRow(site, transmitter, start_us, end_us, kind)
        return add_window(connection, row, by=by, note=note)


def test_work_that_people_enter_stays_beside_what_an_import_brings(with_sites: Store) -> None:
    entered = enter(with_sites, transmitter="rpt-1", start_us=3 * HOUR, end_us=4 * HOUR)
    whole = enter(with_sites, "birch", by=" Edda ", note=" tower ")
    for start_us in (0, HOUR // 2):
        with with_sites.writing() as connection:
            replace_maintenance(connection, [MaintenanceRow("alder", "", start_us, HOUR, "retune")])
    with with_sites.reading() as connection:
        found = load_windows(connection)
        late = load_windows(connection, 2 * HOUR)
        later = load_windows(connection, 2 * HOUR + 1)
    assert [(one.window, one.entered_by, one.note) for one in found] == [
        (Window("alder", "", HOUR // 2, HOUR, "retune"), "file", ""),
        (Window("birch", "", HOUR, 2 * HOUR, "visit"), "Edda", "tower"),
        (Window("alder", "rpt-1", 3 * HOUR, 4 * HOUR, "visit"), "Kim", "new feeder"),
    ]
    assert [one.number for one in late] == [whole, entered]
    assert [one.number for one in later] == [entered]


BAD_WORK: list[tuple[dict[str, Any], str]] = [
    ({"site": "cedar"}, "got 'cedar', wanted one of the site list"),
    ({"transmitter": "rpt-2"}, "got 'alder/rpt-2'"),
    ({"site": "birch", "transmitter": "rpt-2"}, "got 'birch/rpt-2'"),  # not watched any more
    ({"end_us": HOUR}, "end: got a time not after the start"),
    ({"kind": "party"}, "kind: got 'party', wanted one of visit, retune, outage"),
    ({"by": "file"}, "by: got the word for what an import brought"),
    ({"by": ""}, "by: nobody"),
    ({"note": " "}, "note: empty"),
]


def test_work_that_cannot_be_entered(with_sites: Store) -> None:
    before = version(with_sites)
    for more, said in BAD_WORK:
        with pytest.raises(EntryError, match=said):
            enter(with_sites, **more)
    assert rows(with_sites, tables.maintenance) == 0
    assert version(with_sites) == before


def test_work_is_ended_now_or_never_begins(with_sites: Store) -> None:
    running = enter(with_sites)
    to_come = enter(with_sites, start_us=5 * HOUR, end_us=6 * HOUR)
    begins_now = enter(with_sites, start_us=HOUR + 7, end_us=6 * HOUR)
    over = enter(with_sites, start_us=0, end_us=HOUR)
    with with_sites.writing() as connection:
        replace_maintenance(connection, [MaintenanceRow("alder", "", 0, 9 * HOUR, "retune")])
        [imported] = [one.number for one in load_windows(connection) if one.entered_by == "file"]
    before = version(with_sites)
    with with_sites.writing() as connection:
        wanted = {running: True, to_come: True, begins_now: True, over: False, imported: False, 999: False}
        for number, done in wanted.items():
            assert end_window(connection, number, by="Bo", now_us=HOUR + 7) is done, number
        assert not end_window(connection, running, by="Bo", now_us=HOUR + 8)
    assert version(with_sites) == before + 3
    with with_sites.reading() as connection:
        ends = {one.number: one.window.end_us for one in load_windows(connection)}
    assert ends == {running: HOUR + 7, over: HOUR, imported: 9 * HOUR}


def test_names_that_nobody_has(with_sites: Store) -> None:
    raise_alarms(
        with_sites, AlarmKey("old-site", "tx-9", Condition.SWR_HIGH), AlarmKey("", "", COAST.condition, "far")
    )
    with with_sites.reading() as connection:
        assert unknown_names(connection, {}) == []
        assert unknown_names(connection, {"site": "", "region": "", "transmitter": ""}) == []
        for names in ({"site": "birch"}, {"region": "Coast / north", "transmitter": "rpt-1"}):
            assert unknown_names(connection, names) == []
        # What an alarm is about is known though no list names it.
        assert unknown_names(connection, {"site": "old-site", "transmitter": "tx-9", "region": "far"}) == []
        [text] = unknown_names(connection, {"site": "aldr"})
        assert text == "site: got 'aldr', wanted one of the site list; did you mean alder?"
        assert len(unknown_names(connection, {"site": "x", "region": "None", "transmitter": "rpt-2"})) == 3


# Purge --------------------------------------------------------------------------------------------------

ABOUT_ALARMS = (
    tables.alarms,
    tables.alarm_changes,
    tables.alarm_delays,
    tables.handlings,
    tables.handling_changes,
    tables.told,
)


def keys_in(store: Store, table: Any) -> set[tuple[str, ...]]:
    with store.reading() as connection:
        return {
            tuple(getattr(r, name) for name in tables.ALARM_KEY) for r in connection.execute(select(table))
        }


def names(*keys: AlarmKey) -> set[tuple[str, ...]]:
    return {tuple(key_columns(key).values()) for key in keys}


def remember(store: Store, key: AlarmKey, waiting: Any = None) -> None:
    """A row about an alarm in each table that may have one."""
    record = {"due_us": 0, "begins_us": [1], "chatters": False, "waiting": waiting}
    with store.writing() as connection:
        connection.execute(insert(tables.alarm_delays).values(**key_columns(key), record=json.dumps(record)))
        connection.execute(
            insert(tables.told).values(
                channel="file", **key_columns(key), severity=5, number=1, time_us=1, by_summary=False
            )
        )
        message = NewMessage("file", str(key), Subject.of(key), 1, "{}")
        add_messages(connection, [message])


def test_purging_takes_ended_alarms_with_all_that_is_known_of_them(store: Store) -> None:
    """Of alarms that differ in one part of their key each, standing ones among them."""
    old = (ONE, LINE, COAST, INTAKE)
    raise_alarms(store, *old, cleared_us=50)
    standing = AlarmKey("birch", "rpt-1", Condition.SWR_STEP)
    shelved = AlarmKey("birch", "rpt-1", Condition.SWR_HIGH)
    waits = AlarmKey("birch", "rpt-2", Condition.SWR_HIGH)
    recent = AlarmKey("", "", Condition.SWR_WEATHER, region="Coast")
    raise_alarms(store, standing, STEP)
    raise_alarms(store, shelved, waits, cleared_us=50)
    raise_alarms(store, recent, cleared_us=100)
    everything = (*old, standing, STEP, shelved, waits, recent)
    do(store, Act.COMMENT, *everything, text="seen")
    with store.writing() as connection:
        on = put_on_shelf(load_handling(connection, shelved), "paint", 60)
        assert on is not None
        save_handlings(connection, [(shelved, *on)])
    for key in everything:
        remember(store, key, {"severity": 5} if key == waits else None)
    before = version(store)

    with store.writing() as connection:
        assert purge_alarms(connection, 50) == 0
    assert version(store) == before
    with store.writing() as connection:
        assert purge_alarms(connection, 100) == len(old)
    for table in ABOUT_ALARMS:
        assert keys_in(store, table) == names(standing, STEP, shelved, waits, recent), table.name
    # What was sent is another matter.
    assert rows(store, tables.outbox) == len(everything)
    assert version(store) == before + 1


def test_an_alarm_that_was_purged_can_be_raised_again(store: Store) -> None:
    raise_alarms(store, ONE, cleared_us=50)
    with store.writing() as connection:
        assert purge_alarms(connection, 60) == 1
        assert purge_alarms(connection, 60) == 0
    raise_alarms(store, ONE, raised_us=90)
    with store.reading() as connection:
        assert load_alarms(connection)[ONE].raised_us == 90


def test_one_that_is_raised_again_meanwhile_stays(store: Store) -> None:
    """The watch raises it in a transaction that has not ended when the purge begins."""
    raise_alarms(store, ONE, STEP, cleared_us=50)
    raised, purged = threading.Event(), []

    def purge() -> None:
        assert raised.wait(20)
        with store.writing() as connection:
            purged.append(purge_alarms(connection, 100))

    thread = threading.Thread(target=purge)
    thread.start()
    with store.writing() as connection:
        change = apply(load_alarms(connection)[ONE], Evidence(ONE, Severity.MINOR, 200), 200)
        assert change is not None
        save_changes(connection, [change], "urn:test")
        raised.set()
        thread.join(0.5)
        assert purged == []
    thread.join(40)
    assert purged == [1]
    with store.reading() as connection:
        assert set(load_alarms(connection)) == {ONE}
