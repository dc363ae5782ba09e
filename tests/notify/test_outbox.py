"""The outbox over stops and starts: nothing is lost, the order stays, a repeat has the same id."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.alarms.lifecycle import Alarm, AlarmKey, Evidence, apply_all
from standingwatch.detect.words import Condition, Severity
from standingwatch.metrics import Metrics
from standingwatch.notify.channel import DeliveryError
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.store import tables
from standingwatch.store.alarming import Message, save_changes, waiting_messages
from standingwatch.store.connect import Store

NOW_US = 1_795_000_000_000_000
KEY = AlarmKey("alder-ridge", "rpt-1", Condition.SWR_HIGH)


class Faltering:
    """A channel that takes only so many messages before it fails, until it is told to be well."""

    name = "faltering"

    def __init__(self, takes: int) -> None:
        self.takes = takes
        self.arrived: list[str] = []
        self.failures = 0
        self.closed = 0

    def deliver(self, messages: Sequence[Message]) -> None:
        for message in messages:
            if self.takes == 0:
                self.failures += 1
                raise DeliveryError("the other end hung up")
            self.takes -= 1
            self.arrived.append(message.event_id)

    def close(self) -> None:
        self.closed += 1


def fill(store: Store, alarms: dict[AlarmKey, Alarm], count: int) -> None:
    """As many changes of one alarm."""
    done = alarms[KEY].changes if KEY in alarms else 0
    with store.writing() as connection:
        for number in range(done, done + count):
            severity = (Severity.MINOR, Severity.MAJOR)[number % 2]
            changes = apply_all(alarms, [Evidence(KEY, severity, NOW_US + number)], NOW_US)
            save_changes(connection, changes, "urn:test", [("faltering", Severity.WARNING)])


def worker_of(channel: Faltering, store: Store, refresh: Callable[[], None] = lambda: None) -> OutboxWorker:
    return OutboxWorker(channel, store, Metrics(CollectorRegistry()), lambda: NOW_US, refresh)


def wait(true: Callable[[], object], seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    assert true()


def ids_in_order(store: Store) -> list[str]:
    with store.reading() as connection:
        return [r.event_id for r in connection.execute(select(tables.outbox).order_by(tables.outbox.c.id))]


def waiting(store: Store) -> list[Message]:
    with store.reading() as connection:
        return waiting_messages(connection, "faltering")


def test_nothing_is_lost_over_stop_and_start(store: Store) -> None:
    alarms: dict[AlarmKey, Alarm] = {}
    fill(store, alarms, 6)
    broken = Faltering(takes=4)
    first = worker_of(broken, store)
    first.start()
    wait(lambda: broken.failures)
    first.stop()
    assert broken.closed == 1
    # The channel had four of them, and nobody knows: all six are handed over again.
    assert len(waiting(store)) == 6
    fill(store, alarms, 2)
    well = Faltering(takes=1000)
    second = worker_of(well, store)
    second.start()
    wait(lambda: len(well.arrived) >= 8)
    second.stop()
    wanted = ids_in_order(store)
    assert broken.arrived == wanted[:4]
    assert well.arrived == wanted
    assert waiting(store) == []


def test_the_same_worker_goes_on_once_the_channel_is_well(store: Store) -> None:
    fill(store, {}, 3)
    channel = Faltering(takes=0)
    worker = worker_of(channel, store)
    worker.start()
    wait(lambda: channel.failures >= 2)
    assert channel.arrived == []
    channel.takes = 1000
    wait(lambda: not waiting(store))
    worker.stop()
    assert channel.arrived == ids_in_order(store)
    with store.reading() as connection:
        rows = connection.execute(select(tables.outbox).order_by(tables.outbox.c.id)).all()
    assert all(r.delivered_us == NOW_US and r.last_error == "" for r in rows)
    assert rows[0].tries >= 3


def test_why_a_message_waits_stands_in_the_outbox(store: Store) -> None:
    fill(store, {}, 1)
    channel = Faltering(takes=0)
    worker = worker_of(channel, store)
    worker.start()
    wait(lambda: waiting(store)[0].tries >= 1)
    worker.stop()
    with store.reading() as connection:
        [row] = connection.execute(select(tables.outbox)).all()
    assert row.last_error == "the other end hung up"
    assert row.delivered_us is None


def test_more_than_one_look_s_worth_goes_out_in_order(store: Store) -> None:
    fill(store, {}, 1203)  # a look takes 500
    channel = Faltering(takes=10_000)
    worker = worker_of(channel, store)
    worker.start()
    wait(lambda: not waiting(store))
    worker.stop()
    assert channel.arrived == ids_in_order(store)


def test_a_failing_refresh_is_tried_again_before_anything_goes_out(store: Store) -> None:
    fill(store, {}, 1)
    channel = Faltering(takes=10)
    calls: list[int] = []

    def refresh() -> None:
        calls.append(len(channel.arrived))
        if len(calls) < 3:
            raise DeliveryError("not connected")

    worker = worker_of(channel, store, refresh)
    worker.start()
    wait(lambda: channel.arrived)
    worker.stop()
    assert calls[:3] == [0, 0, 0]
    assert channel.arrived == ids_in_order(store)
