"""Sessions of edge nodes, with messages of two encoders: births, deaths, numbers, aliases, rebirths.

The names of the specification's assertions stand beside what holds them (Eclipse Sparkplug 3.0.0).
"""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from standingwatch.readings.sparkplug.events import (
    Alive,
    AskRebirth,
    Event,
    Message,
    Stale,
    Unusable,
    Values,
)
from standingwatch.readings.sparkplug.sessions import LONGEST_ASK_PAUSE_US, MOST_WAITING, Sessions
from standingwatch.readings.sparkplug.topic import NodeName

NODE = NodeName("north", "hill-03")
WAIT_US = 5_000_000
EVERY_US = 60_000_000


@pytest.fixture
def sessions() -> Sessions:
    return Sessions(WAIT_US, EVERY_US)


def born(edge: Any, metric: Any, sessions: Sessions) -> None:
    """A node with a device, both with aliases."""
    sessions.receive(edge.birth(metric("Uptime", "Int64", 1, alias=1)))
    sessions.receive(
        edge.device_birth(
            "tx-1", metric("Fwd", "Double", 100.0, alias=2), metric("Offset", "Int16", -5, alias=3)
        )
    )


def told(events: list[Event]) -> list[tuple[str, str, Any]]:
    """Devices, names and values that were said."""
    return [(e.device, v.name, v.value) for e in events if isinstance(e, Values) for v in e.values]


def of(kind: type[Any], events: list[Event]) -> list[Any]:
    return [event for event in events if isinstance(event, kind)]


def test_births_then_data_by_alias(edge: Any, metric: Any, sessions: Sessions) -> None:
    events = sessions.receive(edge.birth(metric("Uptime", "Int64", -1, alias=1)))
    assert [type(e) for e in events] == [Stale, Alive, Values]
    assert events[1] == Alive(NODE, True, edge.time_ms * 1000)
    assert told(events) == [("", "bdSeq", 0), ("", "Node Control/Rebirth", False), ("", "Uptime", -1)]
    events = sessions.receive(edge.device_birth("tx-1", metric("Offset", "Int16", -5, alias=3)))
    (values,) = events
    assert isinstance(values, Values)
    assert (values.is_birth, values.sent_us) == (True, edge.time_ms * 1000)
    events = sessions.receive(edge.device_data("tx-1", metric("", "Int16", -7, alias=3)))
    (values,) = events
    assert isinstance(values, Values)
    assert not values.is_birth
    assert told(events) == [("tx-1", "Offset", -7)]
    assert told(sessions.receive(edge.data(metric("", "Int64", 2, alias=1)))) == [("", "Uptime", 2)]
    assert sessions.counts() == (1, 0, 1, 0)


def test_numbers_go_round(edge: Any, metric: Any, sessions: Sessions) -> None:
    """tck-id-payloads-sequence-num-incrementing, and a birth with any number from 0 to 255."""
    sessions.receive(edge.birth(metric("A", "Int32", 0), seq=250))
    for i in range(600):
        events = sessions.receive(edge.data(metric("A", "Int32", i)))
        assert told(events) == [("", "A", i)]
        assert of(AskRebirth, events) == []


def test_times_of_values(edge: Any, metric: Any, sessions: Sessions) -> None:
    sessions.receive(edge.birth())
    events = sessions.receive(edge.data(metric("A", "Int32", 1, timestamp=7), metric("B", "Int32", 2)))
    (values,) = of(Values, events)
    assert [v.time_us for v in values.values] == [7_000, edge.time_ms * 1000]


def test_death_makes_node_and_devices_offline_and_stale(edge: Any, metric: Any, sessions: Sessions) -> None:
    """tck-id-operational-behavior-edge-node-termination-host-action-ndeath-..., all four, by the receipt."""
    born(edge, metric, sessions)
    death = edge.death()
    events = sessions.receive(death)
    assert events == [Stale(NODE, None, death.received_us), Alive(NODE, False, death.received_us)]
    assert sessions.counts() == (0, 1, 0, 0)


def test_will_of_an_older_session_changes_nothing(edge: Any, metric: Any, sessions: Sessions) -> None:
    """bdSeq tells which birth a death belongs to (tck-id-payloads-ndeath-bdseq)."""
    edge.bd_seq = 4
    born(edge, metric, sessions)
    assert sessions.receive(edge.death(bd_seq=3)) == []
    assert told(sessions.receive(edge.device_data("tx-1", metric("", "Double", 1.0, alias=2)))) != []
    assert of(Alive, sessions.receive(edge.death(bd_seq=4))) != []


def test_death_of_a_device_by_its_own_time(edge: Any, metric: Any, sessions: Sessions) -> None:
    """tck-id-operational-behavior-edge-node-termination-host-action-ddeath-..., both."""
    born(edge, metric, sessions)
    events = sessions.receive(edge.device_death("tx-1"))
    assert events == [Stale(NODE, "tx-1", edge.time_ms * 1000)]
    assert sessions.counts() == (1, 0, 0, 0)
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 1.0, alias=2)))
    assert [e.reason for e in of(Unusable, events)] == ["no-birth"]
    assert len(of(AskRebirth, events)) == 1


def test_device_is_born_again_within_a_session(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    sessions.receive(edge.device_death("tx-1"))
    events = sessions.receive(edge.device_birth("tx-1", metric("Rfl", "Double", 4.0, alias=2)))
    assert told(events) == [("tx-1", "Rfl", 4.0)]
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 5.0, alias=2)))
    assert told(events) == [("tx-1", "Rfl", 5.0)]


def test_data_before_any_birth_asks_at_once_and_is_kept_apart(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    """What a host does that came later than the node: chapter 5, "Commands"."""
    edge.birth()
    lost = edge.device_data("tx-1", metric("Fwd", "Double", 1.0))
    events = sessions.receive(lost)
    assert events == [AskRebirth(NODE, "no birth of the node is known")]
    again = sessions.receive(edge.birth())
    assert of(Unusable, again)[0].source == lost
    assert [e.reason for e in of(Unusable, again)] == ["no-birth"]
    # After the birth nothing is missing: no more is asked for.
    assert sessions.tick(lost.received_us + 100 * WAIT_US) == []


def test_lost_birth_of_a_node_is_asked_for_and_what_waited_is_refused(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    edge.birth()
    waits = edge.device_birth("tx-1", metric("Fwd", "Double", 1.0))
    assert sessions.receive(waits) == []
    assert sessions.tick(waits.received_us + WAIT_US - 1) == []
    events = sessions.tick(waits.received_us + WAIT_US)
    assert [e.reason for e in of(Unusable, events)] == ["no-birth"]
    assert len(of(AskRebirth, events)) == 1


def test_lost_birth_of_a_device(edge: Any, metric: Any, sessions: Sessions) -> None:
    sessions.receive(edge.birth())
    edge.device_birth("tx-1", metric("Fwd", "Double", 1.0, alias=2))  # lost
    data = edge.device_data("tx-1", metric("", "Double", 2.0, alias=2))
    assert sessions.receive(data) == []
    events = sessions.tick(data.received_us + WAIT_US)
    assert [e.reason for e in of(Unusable, events)] == ["no-birth"]
    assert len(of(AskRebirth, events)) == 1
    # The births that are asked for put it right.
    sessions.receive(edge.birth())
    sessions.receive(edge.device_birth("tx-1", metric("Fwd", "Double", 3.0, alias=2)))
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 4.0, alias=2)))
    assert told(events) == [("tx-1", "Fwd", 4.0)]


def test_unknown_alias_keeps_the_rest(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    data = edge.device_data("tx-1", metric("", "Double", 8.0, alias=2), metric("", "Double", 9.0, alias=77))
    events = sessions.receive(data)
    assert told(events) == [("tx-1", "Fwd", 8.0)]
    (unusable,) = of(Unusable, events)
    assert (unusable.reason, unusable.source) == ("unknown-alias", data)
    assert "alias 77;" in unusable.detail
    assert len(of(AskRebirth, events)) == 1


def test_alias_for_two_metrics_is_read_as_neither(edge: Any, metric: Any, sessions: Sessions) -> None:
    """tck-id-payloads-alias-uniqueness, broken by the node."""
    sessions.receive(edge.birth())
    events = sessions.receive(
        edge.device_birth(
            "tx-1", metric("Fwd", "Double", 1.0, alias=2), metric("Rfl", "Double", 2.0, alias=2)
        )
    )
    assert told(events) == [("tx-1", "Fwd", 1.0), ("tx-1", "Rfl", 2.0)]
    assert [e.reason for e in of(Unusable, events)] == ["bad-sparkplug"]
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 3.0, alias=2)))
    assert told(events) == []
    assert [e.reason for e in of(Unusable, events)] == ["unknown-alias"]


def test_aliases_that_each_device_counts_anew(edge: Any, metric: Any, sessions: Sessions) -> None:
    sessions.receive(edge.birth())
    for device in ("tx-1", "tx-2"):
        sessions.receive(edge.device_birth(device, metric(f"Fwd of {device}", "Double", 1.0, alias=1)))
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 5.0, alias=1)))
    assert told(events) == [("tx-1", "Fwd of tx-1", 5.0)]


@pytest.mark.parametrize("order", list(itertools.permutations(range(4)))[1:])
def test_order_is_restored_within_the_wait(
    edge: Any, metric: Any, sessions: Sessions, order: tuple[int, ...]
) -> None:
    """tck-id-operational-behavior-host-reordering-start and -success, over the round of numbers."""
    sessions.receive(edge.birth(seq=253))
    messages = [edge.data(metric("A", "Int32", i)) for i in range(4)]
    events: list[Event] = []
    for i in order:
        events += sessions.receive(messages[i])
    assert told(events) == [("", "A", i) for i in range(4)]
    assert sessions.tick(messages[-1].received_us + 100 * WAIT_US) == []
    assert sessions.counts()[3] == 0


def test_births_that_overtake_each_other(edge: Any, metric: Any, sessions: Sessions) -> None:
    messages = [
        edge.birth(),
        edge.device_birth("tx-1", metric("Fwd", "Double", 1.0, alias=1)),
        edge.device_data("tx-1", metric("", "Double", 2.0, alias=1)),
    ]
    events: list[Event] = []
    for i in (1, 2, 0):
        events += sessions.receive(messages[i])
    assert [one for one in told(events) if one[0]] == [("tx-1", "Fwd", 1.0), ("tx-1", "Fwd", 2.0)]
    assert of(Unusable, events) == []


def test_missing_message_asks_for_births_when_the_wait_is_over(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    """tck-id-operational-behavior-host-reordering-rebirth; what came is used, what was known is stale."""
    born(edge, metric, sessions)
    edge.data(metric("", "Int64", 2, alias=1))  # lost
    first = edge.device_data("tx-1", metric("", "Double", 90.0, alias=2))
    assert sessions.receive(first) == []
    assert sessions.receive(edge.device_data("tx-1", metric("", "Double", 91.0, alias=2))) == []
    assert sessions.tick(first.received_us + WAIT_US - 1) == []
    events = sessions.tick(first.received_us + WAIT_US)
    assert events[0] == Stale(NODE, None, first.received_us + WAIT_US)
    assert told(events) == [("tx-1", "Fwd", 90.0), ("tx-1", "Fwd", 91.0)]
    assert [e.why for e in of(AskRebirth, events)] == ["message 2 did not come in time"]
    # It goes on from there, and after the birth all is well.
    assert told(sessions.receive(edge.device_data("tx-1", metric("", "Double", 92.0, alias=2)))) != []
    assert of(Unusable, sessions.receive(edge.birth())) == []


def test_what_waited_is_used_in_the_order_of_its_numbers(edge: Any, metric: Any, sessions: Sessions) -> None:
    sessions.receive(edge.birth(seq=254))
    edge.data(metric("A", "Int32", 0))  # lost, with the number 255
    one, two, three = (edge.data(metric("A", "Int32", i)) for i in (1, 2, 3))
    for message in (three, one, two):
        sessions.receive(message)
    events = sessions.tick(three.received_us + 2 * WAIT_US)
    assert told(events) == [("", "A", 1), ("", "A", 2), ("", "A", 3)]


def test_wait_begins_with_the_message_that_is_out_of_turn(edge: Any, metric: Any, sessions: Sessions) -> None:
    """tck-id-operational-behavior-host-reordering-success: a second gap has a wait of its own."""
    sessions.receive(edge.birth())
    a, b, c, d = (edge.data(metric("A", "Int32", i)) for i in range(4))
    late = [message._replace(received_us=message.received_us + 3_000_000) for message in (a, b, c, d)]
    sessions.receive(b)
    sessions.receive(late[3])  # the third is missing besides
    sessions.receive(late[0])  # closes the first gap
    assert sessions.tick(b.received_us + WAIT_US) == []
    assert of(AskRebirth, sessions.tick(late[3].received_us + WAIT_US)) != []


def test_many_messages_behind_a_gap_do_not_wait_for_ever(edge: Any, metric: Any, sessions: Sessions) -> None:
    sessions.receive(edge.birth())
    edge.data(metric("A", "Int32", -1))
    heard: list[Event] = []
    for i in range(MOST_WAITING):
        assert heard == []
        heard = sessions.receive(edge.data(metric("A", "Int32", i)))
    assert told(heard) == [("", "A", i) for i in range(MOST_WAITING)]


def test_many_messages_before_a_birth_do_not_wait_for_ever(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    heard = []
    for i in range(MOST_WAITING):
        heard = of(Unusable, sessions.receive(edge.data(metric("A", "Int32", i))))
    assert {one.reason for one in heard} == {"no-birth"}
    assert len(heard) == MOST_WAITING
    assert of(Unusable, sessions.receive(edge.data(metric("A", "Int32", 0)))) == []  # it waits anew


def test_what_a_node_may_have_remembered_ends(
    edge: Any, metric: Any, sessions: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    from standingwatch.readings.sparkplug import node

    monkeypatch.setattr(node, "MOST_DEVICES", 3)  # the node itself is one
    sessions.receive(edge.birth())
    told_of = []
    for name in ("tx-1", "tx-2", "tx-3", "tx-1"):
        events = sessions.receive(edge.device_birth(name, metric("Fwd", "Double", 1.0)))
        told_of += [(name, one.reason) for one in of(Unusable, events)]
    assert told_of == [("tx-3", "bad-sparkplug")]
    assert sessions.counts()[2] == 2
    monkeypatch.setattr(node, "MOST_NAMES", 4)  # two of its own birth, one of each device
    events = sessions.receive(
        edge.device_birth("tx-2", metric("Fwd", "Double", 1.0), metric("B", "Double", 1.0))
    )
    assert [one.reason for one in of(Unusable, events)] == ["bad-sparkplug"]
    assert told(sessions.receive(edge.device_data("tx-1", metric("Fwd", "Double", 2.0)))) == [
        ("tx-1", "Fwd", 2.0)
    ]


def test_wrong_number_after_a_restart_without_a_birth(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    for i in range(20):
        sessions.receive(edge.device_data("tx-1", metric("", "Double", float(i), alias=2)))
    edge.seq = 0
    strange = edge.device_data("tx-1", metric("", "Double", 50.0, alias=2))
    assert sessions.receive(strange) == []
    events = sessions.tick(strange.received_us + WAIT_US)
    assert len(of(AskRebirth, events)) == 1
    assert told(events) == [("tx-1", "Fwd", 50.0)]


def test_message_that_is_delivered_twice(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    data = edge.device_data("tx-1", metric("", "Double", 1.0, alias=2))
    sessions.receive(data)
    assert sessions.receive(data) == []
    assert sessions.tick(data.received_us + 2 * WAIT_US) == []


def test_new_session_voids_the_aliases_of_the_old_one(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    edge.bd_seq = 1
    sessions.receive(edge.birth())
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 1.0, alias=2)))
    assert [e.reason for e in of(Unusable, events)] == ["no-birth"]


def test_what_waited_from_the_old_session_is_used_before_the_new_birth(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    born(edge, metric, sessions)
    edge.data(metric("", "Int64", 2, alias=1))  # lost
    sessions.receive(edge.device_data("tx-1", metric("", "Double", 66.0, alias=2)))
    events = sessions.receive(edge.birth())
    assert told(events)[0] == ("tx-1", "Fwd", 66.0)


def test_rebirth_is_asked_for_ever_more_seldom_until_it_comes(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    edge.birth()
    now_us = edge.time_ms * 1000
    sessions.receive(edge.data(metric("A", "Int32", 1))._replace(received_us=now_us))
    asked = [s for s in range(1, 8 * 3600) if of(AskRebirth, sessions.tick(now_us + s * 1_000_000))]
    gaps = [after - before for before, after in itertools.pairwise([0, *asked])]
    assert gaps[:4] == [60, 120, 240, 480]
    assert max(gaps) * 1_000_000 == LONGEST_ASK_PAUSE_US
    sessions.receive(edge.birth()._replace(received_us=now_us + 8 * 3_600_000_000))
    assert sessions.tick(now_us + 80 * 3_600_000_000) == []


def test_many_data_ask_once(edge: Any, metric: Any, sessions: Sessions) -> None:
    edge.birth()
    events: list[Event] = []
    for i in range(50):
        events += sessions.receive(edge.data(metric("A", "Int32", i)))
    assert len(of(AskRebirth, events)) == 1


def test_our_own_connection_lost(edge: Any, metric: Any, sessions: Sessions) -> None:
    """Chapter 5: what a host knows is stale when its connection is lost; it asks for births afterwards."""
    born(edge, metric, sessions)
    now_us = edge.time_ms * 1000
    assert sessions.connection_lost(now_us) == [Stale(NODE, None, now_us)]
    assert sessions.connected(now_us + 1) == [AskRebirth(NODE, "this host was not connected")]
    events = sessions.receive(edge.device_data("tx-1", metric("", "Double", 1.0, alias=2)))
    assert told(events) == []
    assert told(sessions.receive(edge.birth())) != []


def test_nobody_is_asked_while_nobody_could_hear_it(edge: Any, metric: Any, sessions: Sessions) -> None:
    now_us = edge.time_ms * 1000
    sessions.expect([NODE], now_us)
    sessions.connection_lost(now_us)
    for minute in range(300):
        assert of(AskRebirth, sessions.tick(now_us + minute * EVERY_US)) == []
    assert sessions.connected(now_us + 300 * EVERY_US) == []  # it was never there: no haste
    (ask,) = sessions.tick(now_us + 300 * EVERY_US)
    assert ask == AskRebirth(NODE, "nothing has been heard of it")
    assert len(sessions.tick(now_us + 301 * EVERY_US)) == 1


def test_asks_in_vain_do_not_put_off_those_of_a_new_connection(
    edge: Any, metric: Any, sessions: Sessions
) -> None:
    edge.birth()
    now_us = edge.time_ms * 1000
    sessions.receive(edge.data(metric("A", "Int32", 1))._replace(received_us=now_us))
    for minute in range(300):  # asked ever less often, down to once an hour
        sessions.tick(now_us + minute * EVERY_US)
    later_us = now_us + 300 * EVERY_US
    sessions.connection_lost(later_us)
    sessions.connected(later_us)
    assert [m for m in range(3) if of(AskRebirth, sessions.tick(later_us + m * EVERY_US))] in ([0, 1], [1, 2])


def test_a_dead_node_is_not_asked(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    sessions.receive(edge.death())
    sessions.connection_lost(edge.time_ms * 1000)
    assert sessions.connected(edge.time_ms * 1000) == []


def test_foreign_nodes_are_left_alone(edge: Any, edge_named: Any, metric: Any) -> None:
    sessions = Sessions(WAIT_US, EVERY_US, wants=lambda node: node.group == "north")
    other = edge_named(group="plant", name="press-1")
    other.birth()
    assert sessions.receive(other.data(metric("A", "Int32", 1))) == []
    assert sessions.counts() == (0, 0, 0, 0)
    assert sessions.receive(edge.birth()) != []


@pytest.mark.parametrize(
    "topic",
    [
        "spBv1.0/STATE/standingwatch",
        "spBv1.0/north/NCMD/hill-03",
        "spBv1.0/north/DCMD/hill-03/tx-1",
        "spBv1.0/north/NDATA/hill-03/tx-1",
        "spBv1.0/north/DDATA/hill-03",
        "spAv1.0/north/NDATA/hill-03",
        "spBv1.0//NDATA/hill-03",
    ],
)
def test_topics_that_say_nothing(edge: Any, metric: Any, sessions: Sessions, topic: str) -> None:
    message = edge.birth()._replace(topic=topic)
    assert sessions.receive(message) == []


def test_what_cannot_be_used_is_told(edge: Any, metric: Any, sessions: Sessions) -> None:
    born(edge, metric, sessions)
    broken = Message("spBv1.0/north/NDATA/hill-03", b'{"seq": 1}', 5)
    (unusable,) = sessions.receive(broken)
    assert (unusable.reason, unusable.source) == ("bad-sparkplug", broken)
    (unusable,) = sessions.receive(broken._replace(payload=b""))
    assert "its number is None" in unusable.detail
    (unusable,) = sessions.receive(broken._replace(topic="spBv1.0/north/NDEATH/hill-03", payload=b""))
    assert "names no session" in unusable.detail
    assert sessions.counts()[:2] == (1, 0)
