"""The outbox over stops and starts: nothing is lost, the order stays, a repeat has the same id."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.detect.words import Severity
from standingwatch.metrics import Metrics
from standingwatch.notify.channel import DeliveryError, PostponedError, RefusedError
from standingwatch.notify.outbox import MANY_IN_A_ROW, STOP_WITHIN_S, Patience
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import (
    Message,
    channel_state,
    dead_messages,
    give_up,
    note_failing,
    send_again,
    waiting_messages,
)

START_US = 1_795_000_000_000_000
DAY_US = 86_400_000_000
UP_AND_DOWN = (Severity.MINOR, Severity.MAJOR) * 1000


class Faltering:
    """A channel that takes only so many messages before it fails, until it is told to be well.

    `trouble` says what is wrong with a message; None for nothing.
    """

    name = "faltering"

    def __init__(
        self,
        takes: int = 10_000,
        most_at_once: int = 1,
        trouble: Callable[[Message], Exception | None] = lambda _message: None,
    ) -> None:
        self.takes = takes
        self.most_at_once = most_at_once
        self.trouble = trouble
        self.arrived: list[str] = []
        self.tried: list[str] = []
        self.failures = 0
        self.closed = 0

    def deliver(self, messages: Sequence[Message]) -> None:
        for message in messages:
            self.tried.append(message.event_id)
            if self.takes == 0:
                self.failures += 1
                raise DeliveryError("the other end hung up")
            trouble = self.trouble(message)
            if trouble is not None:
                raise trouble
            self.takes -= 1
            self.arrived.append(message.event_id)

    def close(self) -> None:
        self.closed += 1


def ids_in_order(store: Store) -> list[str]:
    with store.reading() as connection:
        return [r.event_id for r in connection.execute(select(tables.outbox).order_by(tables.outbox.c.id))]


def waiting(store: Store) -> list[Message]:
    with store.reading() as connection:
        return waiting_messages(connection, "faltering", 10_000)


def dead(store: Store) -> list[tuple[str, str]]:
    with store.reading() as connection:
        return [(d.message.event_id, d.error) for d in dead_messages(connection, "faltering")]


def of_transmitter(name: str) -> Callable[[Message], bool]:
    return lambda message: message.subject.transmitter == name


def test_nothing_is_lost_over_stop_and_start(store: Store, make_desk: Any, running: Any, wait: Any) -> None:
    desk = make_desk("faltering")
    desk.change(*UP_AND_DOWN[:6])
    broken = Faltering(takes=4)
    first = running(broken)
    wait(lambda: broken.failures)
    first.stop()
    assert broken.closed == 1
    desk.change(*UP_AND_DOWN[6:8])
    well = Faltering()
    running(well)
    wait(lambda: not waiting(store))
    wanted = ids_in_order(store)
    # What had arrived was noted one by one: nothing goes twice.
    assert broken.arrived + well.arrived == wanted


def test_of_a_batch_nobody_knows_what_arrived_and_all_goes_again(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    make_desk("faltering").change(*UP_AND_DOWN[:6])
    broken = Faltering(takes=4, most_at_once=500)
    first = running(broken)
    wait(lambda: broken.failures)
    first.stop()
    assert len(waiting(store)) == 6
    well = Faltering(most_at_once=500)
    running(well)
    wait(lambda: not waiting(store))
    wanted = ids_in_order(store)
    assert broken.arrived == wanted[:4]
    assert well.arrived == wanted


def test_the_same_worker_goes_on_once_the_channel_is_well(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    make_desk("faltering").change(*UP_AND_DOWN[:3])
    channel = Faltering(takes=0)
    metrics = Metrics(CollectorRegistry())
    running(channel, metrics=metrics)
    wait(lambda: channel.failures >= 3)
    assert channel.arrived == []
    with store.reading() as connection:
        state = channel_state(connection, "faltering")
    assert state.failing is not None
    assert state.failing.since_us == START_US
    assert (state.waiting, state.dead, state.last_error) == (3, 0, "the other end hung up")
    channel.takes = 1000
    wait(lambda: not waiting(store))
    wait(lambda: metrics.registry.get_sample_value("standingwatch_outbox_waiting", CHANNEL) == 0)
    assert channel.arrived == ids_in_order(store)
    with store.reading() as connection:
        rows = connection.execute(select(tables.outbox).order_by(tables.outbox.c.id)).all()
        state = channel_state(connection, "faltering")
    assert all(r.delivered_us == START_US and r.last_error == "" for r in rows)
    assert rows[0].tries >= 3
    assert (state.failing, state.last_error, state.oldest_waiting_us) == (None, "", None)
    assert deliveries(metrics, "delivered") == 3
    assert deliveries(metrics, "failed") == channel.failures


CHANNEL = {"channel": "faltering"}


def deliveries(metrics: Metrics, result: str) -> float | None:
    labels = {**CHANNEL, "result": result}
    return metrics.registry.get_sample_value("standingwatch_deliveries_total", labels)


def test_more_than_one_look_s_worth_goes_out_in_order(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    make_desk("faltering").change(*UP_AND_DOWN[:1203])  # a look takes 500
    channel = Faltering(most_at_once=200)
    running(channel)
    wait(lambda: not waiting(store))
    assert channel.arrived == ids_in_order(store)


def test_a_failing_refresh_is_tried_again_before_anything_goes_out(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    make_desk("faltering").change(Severity.MINOR)
    channel = Faltering()
    calls: list[int] = []

    def refresh() -> None:
        calls.append(len(channel.arrived))
        if len(calls) < 3:
            raise DeliveryError("not connected")

    running(channel, refresh=refresh)
    wait(lambda: channel.arrived)
    assert calls[:3] == [0, 0, 0]
    assert channel.arrived == ids_in_order(store)


def test_a_refused_message_is_a_dead_letter_at_once_and_later_ones_go_on(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("faltering")
    first, poison, third = desk.change(Severity.MINOR, Severity.MAJOR, Severity.CLEARED)
    [other] = desk.change(Severity.MINOR, transmitter="rpt-2")
    for most_at_once in (1, 500):
        channel = Faltering(
            most_at_once=most_at_once,
            trouble=lambda m: RefusedError("answered 422: no") if m.event_id == poison else None,
        )
        metrics = Metrics(CollectorRegistry())
        worker = running(channel, metrics=metrics)
        wait(lambda: not waiting(store))
        wait(lambda m=metrics: m.registry.get_sample_value("standingwatch_outbox_dead", CHANNEL) == 1)
        worker.stop()
        assert list(dict.fromkeys(channel.arrived)) == [first, third, other]
        assert dead(store) == [(poison, "answered 422: no")]
        assert deliveries(metrics, "dead") == 1
        if most_at_once == 1:
            assert channel.tried == [first, poison, third, other]
            # Once more, now in a batch.
            with store.writing() as connection:
                assert send_again(connection, "faltering") == 1
                connection.execute(tables.outbox.update().values(delivered_us=None))


def test_a_dead_letter_is_sent_again_under_its_id(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    [poison] = make_desk("faltering").change(Severity.MINOR)
    channel = Faltering(trouble=lambda _m: RefusedError("too large"))
    worker = running(channel)
    wait(lambda: dead(store))
    channel.trouble = lambda _m: None
    time.sleep(0.3)
    worker.wake()
    time.sleep(0.3)
    assert channel.arrived == []
    with store.writing() as connection:
        assert send_again(connection, "another") == 0
        assert send_again(connection, "faltering", 99_999) == 0
        assert send_again(connection, "faltering") == 1
    worker.wake()
    wait(lambda: not waiting(store))
    assert channel.arrived == [poison]
    assert dead(store) == []


def test_a_postponed_message_holds_back_its_own_alarm_only(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("faltering")
    slow = desk.change(Severity.MINOR, Severity.MAJOR)
    quick = desk.change(Severity.MINOR, Severity.MAJOR, transmitter="rpt-2")
    is_slow = of_transmitter("rpt-1")
    channel = Faltering(trouble=lambda m: PostponedError("answered 503") if is_slow(m) else None)
    running(channel)
    wait(lambda: channel.tried.count(slow[0]) >= 3)
    assert channel.arrived == quick
    assert slow[1] not in channel.tried
    assert [m.event_id for m in waiting(store)] == slow
    more = desk.change(Severity.CLEARED, transmitter="rpt-2")
    wait(lambda: len(channel.arrived) == 3)
    channel.trouble = lambda _m: None
    wait(lambda: not waiting(store))
    assert channel.arrived == [*quick, *more, *slow]
    with store.reading() as connection:
        assert channel_state(connection, "faltering").failing is None


def test_a_receiver_is_left_alone_as_long_as_it_asks(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    make_desk("faltering").change(Severity.MINOR)
    times: list[float] = []

    def trouble(_message: Message) -> Exception | None:
        times.append(time.monotonic())
        return PostponedError("answered 429", 0.8) if len(times) == 1 else None

    channel = Faltering(trouble=trouble)
    worker = running(channel)
    wait(lambda: times)
    worker.wake()  # news is no reason to press on
    wait(lambda: channel.arrived)
    assert times[1] - times[0] >= 0.8


def test_many_postponed_in_a_row_are_the_channel_s_own_trouble(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("faltering")
    for number in range(3 * MANY_IN_A_ROW):
        desk.change(Severity.MINOR, transmitter=f"rpt-{number}")
    ails = True
    channel = Faltering(trouble=lambda _m: PostponedError("answered 503") if ails else None)
    worker = running(channel, patience=Patience(first_s=5.0))
    wait(lambda: len(channel.tried) >= MANY_IN_A_ROW)
    time.sleep(0.5)
    # Not one more: the receiver is left alone.
    assert len(channel.tried) == MANY_IN_A_ROW
    with store.reading() as connection:
        failing = channel_state(connection, "faltering").failing
    assert failing is not None
    assert failing.error == "5 messages in a row did not arrive; the last: answered 503"
    worker.stop()
    ails = False
    running(channel)
    wait(lambda: not waiting(store))
    assert channel.arrived == ids_in_order(store)


def test_a_channel_that_is_down_too_long_gives_up_on_what_is_old(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("faltering")
    old = desk.change(Severity.MINOR, Severity.MAJOR)
    desk.start_us += 2 * DAY_US
    new = desk.change(Severity.CLEARED)
    channel = Faltering(takes=0)
    now_us = START_US + 2 * DAY_US
    # Just found to be down: nothing is given up, however old it is.
    worker = running(channel, clock=lambda: now_us)
    wait(lambda: channel.failures >= 2)
    worker.stop()
    assert len(waiting(store)) == 3
    assert dead(store) == []
    # It was tried all the time for longer than three days.
    while now_us < START_US + 5 * DAY_US:
        now_us += 10 * 60_000_000
        with store.writing() as connection:
            note_failing(connection, "faltering", now_us, "away")
    running(channel, clock=lambda: START_US + 5 * DAY_US + 60_000_000)
    wait(lambda: dead(store))
    assert {event_id for event_id, _ in dead(store)} == set(old)
    assert [m.event_id for m in waiting(store)] == new
    assert {error for _, error in dead(store)} == {"the other end hung up"}
    # Sent again, they are tried as long as new ones.
    with store.writing() as connection:
        assert send_again(connection) == 2
    before = channel.failures
    wait(lambda: channel.failures >= before + 2)
    assert len(waiting(store)) == 3


def test_a_try_that_fails_while_its_messages_are_sent_again_begins_to_count_anew(
    store: Store, make_desk: Any
) -> None:
    make_desk("faltering").change(Severity.MINOR)
    now_us = START_US + 5 * DAY_US
    with store.writing() as connection:
        note_failing(connection, "faltering", now_us - 60_000_000, "away")
        assert give_up(connection, "faltering", now_us, now_us, "away") == 1
    since_us = []

    def fail_again() -> None:
        with store.writing() as connection:
            since_us.append(note_failing(connection, "faltering", now_us, "away").since_us)

    failing_again = threading.Thread(target=fail_again)
    with store.writing() as connection:
        assert send_again(connection) == 1
        failing_again.start()
        failing_again.join(0.3)
    failing_again.join(20)
    assert since_us == [now_us]


def test_a_message_that_never_gets_through_is_given_up_after_its_time(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("faltering")
    [stuck, later] = desk.change(Severity.MINOR, Severity.MAJOR)
    patience = Patience(give_up_after_s=3600.0, least_tries=3, first_s=0.02, message_most_s=0.05)
    channel = Faltering(trouble=lambda m: PostponedError("answered 500") if m.event_id == stuck else None)
    running(channel, patience=patience, clock=lambda: START_US + 3_601_000_000)
    wait(lambda: not waiting(store))
    assert dead(store) == [(stuck, "answered 500")]
    assert channel.tried.count(stuck) == 3
    assert channel.arrived == [later]


def test_unexpected_trouble_with_a_message_neither_ends_the_worker_nor_loses_it(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    desk = make_desk("faltering")
    [bad] = desk.change(Severity.MINOR)
    [good] = desk.change(Severity.MINOR, transmitter="rpt-2")
    is_bad = of_transmitter("rpt-1")
    channel = Faltering(most_at_once=500, trouble=lambda m: KeyError("oops") if is_bad(m) else None)
    running(channel)
    wait(lambda: channel.arrived == [good])
    assert waiting(store)[0].event_id == bad
    wait(lambda: waiting(store)[0].tries >= 1)
    with store.reading() as connection:
        [row] = connection.execute(select(tables.outbox).where(tables.outbox.c.event_id == bad)).all()
    assert row.last_error == "KeyError: 'oops'"
    channel.trouble = lambda _m: None
    wait(lambda: not waiting(store))


def test_what_arrived_and_could_not_be_noted_is_not_delivered_again(
    store: Store, make_desk: Any, running: Any, wait: Any, monkeypatch: Any
) -> None:
    from sqlalchemy.exc import OperationalError

    from standingwatch.notify import outbox

    make_desk("faltering").change(*UP_AND_DOWN[:3])
    real, calls = outbox.mark_delivered, []

    def mark(*arguments: Any) -> None:
        calls.append(arguments)
        if len(calls) == 2:
            raise OperationalError("UPDATE outbox", {}, Exception("database is locked"))
        real(*arguments)

    monkeypatch.setattr(outbox, "mark_delivered", mark)
    channel = Faltering()
    running(channel)
    wait(lambda: not waiting(store))
    assert channel.arrived == ids_in_order(store)


def test_news_are_taken_up_at_once_and_nothing_is_looked_at_without_pause(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    rounds: list[float] = []
    channel = Faltering()
    worker = running(channel, refresh=lambda: rounds.append(time.monotonic()))
    wait(lambda: rounds)
    time.sleep(1.0)
    assert len(rounds) <= 2
    desk = make_desk("faltering")
    for number in range(20):
        desk.change(UP_AND_DOWN[number])
        worker.wake()
        wait(lambda n=number: len(channel.arrived) == n + 1)
    # Without being told it would have looked once in two seconds.
    assert channel.arrived == ids_in_order(store)


def test_a_receiver_that_never_answers_does_not_hold_up_the_stop(
    store: Store, make_desk: Any, running: Any, wait: Any
) -> None:
    make_desk("faltering").change(Severity.MINOR)
    answered = threading.Event()
    begun = threading.Event()

    class Mute(Faltering):
        def deliver(self, messages: Sequence[Message]) -> None:
            begun.set()
            answered.wait(60)

    worker = running(Mute())
    wait(begun.is_set)
    begin = time.monotonic()
    worker.stop()
    took_s = time.monotonic() - begin
    answered.set()
    # It gave the delivery its time, and no more; the receiver would have answered after a minute.
    assert STOP_WITHIN_S <= took_s < 30


def test_a_stop_ends_a_long_wait(store: Store, make_desk: Any, running: Any, wait: Any) -> None:
    make_desk("faltering").change(Severity.MINOR)
    channel = Faltering(takes=0)
    worker = running(channel, patience=Patience(first_s=50.0))
    wait(lambda: channel.failures)
    worker.stop()
    assert len(waiting(store)) == 1


def test_a_dead_channel_delays_only_itself(store: Store, make_desk: Any, running: Any, wait: Any) -> None:
    desk = make_desk("faltering", "well")
    answered = threading.Event()

    class Mute(Faltering):
        def deliver(self, messages: Sequence[Message]) -> None:
            answered.wait(60)

    class Well(Faltering):
        name = "well"

    well = Well()
    running(Mute())
    worker = running(well)
    for number in range(10):
        [event_id] = desk.change(UP_AND_DOWN[number])
        worker.wake()
        wait(lambda e=event_id: e in well.arrived)
    assert len(waiting(store)) == 10
    answered.set()


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("most_at_once", [1, 7])
def test_whatever_befalls_a_channel_all_arrives_in_order_per_alarm(
    store: Store, make_desk: Any, running: Any, wait: Any, seed: int, most_at_once: int
) -> None:
    """Refusals, postponements, outages, bugs of the channel, and workers made anew, at random."""
    chance = random.Random(seed)
    desk = make_desk("faltering")
    poison: set[str] = set()
    of_alarm: dict[str, list[str]] = {}

    def more() -> None:
        for _ in range(20):
            name = f"rpt-{chance.randrange(5)}"
            severity = Severity.MAJOR if len(of_alarm.get(name, ())) % 2 else Severity.MINOR
            [event_id] = desk.change(severity, transmitter=name)
            of_alarm.setdefault(name, []).append(event_id)
            if chance.random() < 0.1:
                poison.add(event_id)

    def trouble(message: Message) -> Exception | None:
        if message.event_id in poison:
            return RefusedError("never")
        dice = chance.random()
        if dice < 0.15:
            return PostponedError("not now")
        if dice < 0.2:
            return DeliveryError("down")
        return KeyError("a bug") if dice < 0.23 else None

    arrived: list[str] = []
    patience = Patience(first_s=0.005, channel_most_s=0.02, message_most_s=0.02)
    for _ in range(4):
        more()
        channel = Faltering(most_at_once=most_at_once, trouble=trouble)
        channel.arrived = arrived
        worker = running(channel, patience=patience)
        time.sleep(chance.random() * 0.3)
        worker.stop()
    channel = Faltering(most_at_once=most_at_once, trouble=trouble)
    channel.arrived = arrived
    running(channel, patience=patience)
    wait(lambda: not waiting(store))
    first = list(dict.fromkeys(arrived))
    assert set(first) == set(ids_in_order(store)) - poison
    assert {event_id for event_id, _ in dead(store)} == poison
    for ids in of_alarm.values():
        wanted = [event_id for event_id in ids if event_id not in poison]
        assert [event_id for event_id in first if event_id in wanted] == wanted
    if most_at_once == 1:
        assert arrived == first


def test_waits_grow_and_end_at_their_bounds() -> None:
    patience = Patience(first_s=1.0, message_most_s=60.0, retry_after_most_s=100.0)
    waits = [patience.message_wait_s(tries, None) for tries in range(12)]
    assert all(2.0**n <= wait <= 2.0**n + 1.0 for n, wait in enumerate(waits[:6]))
    assert all(60.0 <= wait <= 61.0 for wait in waits[6:])
    assert patience.message_wait_s(10_000, None) <= 61.0
    assert [patience.message_wait_s(3, asked) for asked in (0.0, 7.0, 1e9)] == [1.0, 7.0, 100.0]
