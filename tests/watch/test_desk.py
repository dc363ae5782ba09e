"""What people do with alarms, and what channels are told, through the store and restarts."""

from __future__ import annotations

import json

import pytest

from standingwatch.alarms.handling import Act, OperatorState
from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence
from standingwatch.alarms.notice import ChannelRules
from standingwatch.alarms.steady import Delay, SteadySettings, advance
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.inventory.rows import InventoryRow
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.handling import act_on, add_shelf, end_shelf, handling_history, load_handlings
from standingwatch.store.outbox import waiting_messages
from standingwatch.store.sites import replace_site_list
from standingwatch.store.telling import load_delays, load_told, save_delays
from standingwatch.store.windows import add_window
from standingwatch.watch.desk import Desk, DeskOptions

SECOND = 1_000_000
HOUR = 3600 * SECOND
T0 = 1_769_904_000_000_000
RULES = (ChannelRules("desk"), ChannelRules("log", is_calm=False))
KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)
LATER_KEY = AlarmKey("birch-top", "rpt-1", Condition.SWR_STEP)


class Shift:
    """A desk over a store, as the watch holds it."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.now_us = T0
        with store.writing() as connection:
            rows = [
                InventoryRow(site=s, transmitter="rpt-1", frequency_mhz=155.0)
                for s in ("alder-ridge", "birch-top")
            ]
            replace_site_list(connection, rows, T0)
        self.restart()

    def restart(self) -> None:
        with self.store.reading() as connection:
            self.alarms: dict[AlarmKey, Alarm] = load_alarms(connection)
            self.delays: dict[AlarmKey, Delay] = load_delays(connection)
            regions = {"alder-ridge": "north", "birch-top": "south"}
            self.desk = Desk(
                connection, DeskOptions(RULES, source="urn:test"), self.alarms, regions, self.now_us
            )

    def see(self, *evidence: tuple[AlarmKey, Severity]) -> None:
        """A pass of the watch with some evidence."""
        with self.store.reading() as connection:
            self.desk.look(connection, self.now_us)
        advanced = advance(
            self.alarms,
            self.delays,
            [Evidence(key, severity, self.now_us, {"swr": 2.6}) for key, severity in evidence],
            SteadySettings(),
            until_us=self.now_us,
            closed_us=self.now_us,
            noted_us=self.now_us,
        )
        plan = self.desk.plan(advanced.changes, self.now_us)
        with self.store.writing() as connection:
            save_changes(connection, advanced.changes, "urn:test")
            save_delays(connection, self.delays, advanced.touched)
            self.desk.keep(connection, plan)

    def later(self, microseconds: int) -> None:
        self.now_us += microseconds
        self.see()

    def told(self, channel: str = "desk") -> list[tuple[str, str, str]]:
        """All that was put into the outbox for a channel: site, type and severity."""
        with self.store.reading() as connection:
            messages = waiting_messages(connection, channel)
        events = [json.loads(m.body) for m in messages]
        assert len({e["id"] for e in events}) == len(events)
        return [(e["data"]["site"], e["type"].rpartition(".")[2], e["data"]["severity"]) for e in events]

    def state(self, key: AlarmKey = KEY) -> OperatorState:
        with self.store.reading() as connection:
            return load_handlings(connection)[key].state

    def shelve(self, hours: float = 1.0, up_to: Severity = Severity.MAJOR, **names: str) -> int:
        with self.store.writing() as connection:
            return add_shelf(
                connection,
                names,
                up_to=up_to,
                until_us=self.now_us + round(hours * HOUR),
                reason="crane beside the mast",
                by="Ada",
                now_us=self.now_us,
            )

    def act(self, what: Act, text: str = "") -> None:
        with self.store.writing() as connection:
            done = act_on(connection, [KEY], what, by="Ada", now_us=self.now_us, text=text)
        assert done.refused == ()


@pytest.fixture
def shift(store: Store) -> Shift:
    return Shift(store)


def test_shelved_alarms_tell_nobody_and_reappear_with_the_right_state(shift: Shift) -> None:
    shift.shelve(site="alder-ridge")
    shift.see((KEY, Severity.MINOR), (LATER_KEY, Severity.MINOR))
    assert shift.told() == shift.told("log") == [("birch-top", "raised", "minor")]
    assert shift.state() is OperatorState.SHELVED
    shift.later(HOUR // 2)
    shift.see((KEY, Severity.MAJOR))
    shift.restart()
    shift.later(HOUR // 2 - SECOND)
    assert len(shift.told()) == len(shift.told("log")) == 1
    shift.later(SECOND)
    assert shift.told()[1:] == shift.told("log")[1:] == [("alder-ridge", "raised", "major")]
    assert shift.state() is OperatorState.UN_SHELVED
    with shift.store.reading() as connection:
        history = [(line.act, line.state) for line in handling_history(connection, KEY)]
    assert history == [
        (Act.SHELVE, OperatorState.SHELVED),
        (Act.UN_SHELVE, OperatorState.UN_SHELVED),
    ]


def test_an_acknowledgement_outlives_the_shelf(shift: Shift) -> None:
    shift.see((KEY, Severity.MINOR))
    shift.act(Act.ACKNOWLEDGE)
    shift.shelve(region="north")
    shift.later(SECOND)
    assert shift.state() is OperatorState.SHELVED
    shift.later(HOUR)
    assert shift.state() is OperatorState.ACK
    assert shift.told() == [("alder-ridge", "raised", "minor")]


def test_one_that_grows_graver_than_its_shelf_is_told_at_once(shift: Shift) -> None:
    shift.shelve(condition="swr-high", up_to=Severity.MINOR)
    shift.see((KEY, Severity.MINOR))
    assert shift.told() == []
    shift.later(60 * SECOND)
    shift.see((KEY, Severity.CRITICAL))
    assert shift.told() == [("alder-ridge", "raised", "critical")]
    shift.later(SECOND)
    assert shift.state() is OperatorState.UN_SHELVED


def test_a_shelf_that_is_taken_away_gives_back_what_lies_on_it(shift: Shift) -> None:
    number = shift.shelve(hours=100)
    shift.see((KEY, Severity.MINOR))
    with shift.store.writing() as connection:
        assert end_shelf(connection, number, by="Ben", now_us=shift.now_us + SECOND)
    shift.later(2 * SECOND)
    assert shift.told() == [("alder-ridge", "raised", "minor")]


def test_what_ends_on_the_shelf_is_told_only_to_those_who_knew(shift: Shift) -> None:
    shift.see((KEY, Severity.MINOR))
    shift.shelve()
    shift.later(SECOND)
    shift.see((LATER_KEY, Severity.MINOR))
    shift.see((KEY, Severity.CLEARED), (LATER_KEY, Severity.CLEARED))
    shift.later(2 * HOUR)
    assert shift.told()[1:] == [("alder-ridge", "cleared", "cleared")]
    with shift.store.reading() as connection:
        assert load_told(connection) == {}


def test_during_work_nobody_is_told_and_afterwards_only_what_stays(shift: Shift) -> None:
    row = MaintenanceRow("alder-ridge", "", T0, T0 + HOUR, "outage")
    with shift.store.writing() as connection:
        add_window(connection, row, by="Ada", note="new combiner")
    shift.see((KEY, Severity.MAJOR), (LATER_KEY, Severity.MAJOR))
    assert shift.told("log") == [("birch-top", "raised", "major")]
    shift.later(HOUR + 599 * SECOND)
    assert len(shift.told("log")) == 1
    shift.later(SECOND)
    assert shift.told("log")[1:] == [("alder-ridge", "raised", "major")]


def test_one_raised_again_or_worse_wants_looking_at_again(shift: Shift) -> None:
    shift.see((KEY, Severity.MINOR))
    shift.act(Act.ACKNOWLEDGE)
    assert shift.state() is OperatorState.ACK
    shift.later(60 * SECOND)
    shift.see((KEY, Severity.MAJOR))
    assert shift.state() is OperatorState.NONE
    shift.act(Act.ACKNOWLEDGE)
    shift.see((KEY, Severity.CLEARED))
    shift.later(HOUR)
    shift.act(Act.CLOSE, "jumper replaced")
    shift.see((KEY, Severity.MINOR))
    assert shift.state() is OperatorState.NONE


def test_an_act_of_the_moment_before_is_not_lost(shift: Shift) -> None:
    shift.see((KEY, Severity.MINOR))
    shift.shelve(hours=1)
    with shift.store.reading() as connection:
        shift.desk.look(connection, shift.now_us)
    plan = shift.desk.plan([], shift.now_us + SECOND)
    # Between the look and the keeping somebody acknowledges.
    shift.act(Act.ACKNOWLEDGE)
    with shift.store.writing() as connection:
        shift.desk.keep(connection, plan)
    assert shift.state() is OperatorState.SHELVED
    shift.later(2 * HOUR)
    assert shift.state() is OperatorState.ACK


def test_a_chattering_connector_gives_one_alarm_and_few_notifications(shift: Shift) -> None:
    for _ in range(100):
        shift.see((KEY, Severity.MAJOR))
        shift.later(240 * SECOND)
        shift.see((KEY, Severity.CLEARED))
        shift.later(360 * SECOND)
        shift.restart()
    assert shift.told() == [("alder-ridge", "raised", "major")] + [("alder-ridge", "changed", "major")] * (
        len(shift.told()) - 1
    )
    assert len(shift.told("log")) == 2
    assert shift.alarms[KEY].chatters
    shift.later(HOUR + 600 * SECOND)
    assert shift.told()[-1] == ("alder-ridge", "cleared", "cleared")
    assert len(shift.told()) <= 3
