"""The sessions of all edge nodes: births, deaths, numbers, and when to ask for a rebirth.

Source: Eclipse Sparkplug 3.0.0, chapters 5 and 6. Held, and named in the tests, are the assertions about
what a host does with births, deaths and data, the four about reordering
(tck-id-operational-behavior-host-reordering-...), and the six about what a death makes offline and stale
(tck-id-operational-behavior-edge-node-termination-host-action-...).

What the specification leaves open is settled so: a message before its birth waits as one out of turn does;
when the wait is over, what waited is used as far as it can be read, everything known before counts as stale
until it comes again, and the births are asked for. So nothing that came is lost, and a value that a lost
message may have changed is joined to nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from standingwatch.readings.sparkplug.events import (
    Alive,
    AskRebirth,
    Event,
    Message,
    Stale,
    Unusable,
    Values,
)
from standingwatch.readings.sparkplug.node import (
    MOST_DEVICES,
    MOST_NAMES,
    ROUND,
    Node,
    Numbered,
    believable_us,
    in_us,
)
from standingwatch.readings.sparkplug.payload import BadPayloadError, Payload, decode_payload
from standingwatch.readings.sparkplug.topic import NodeName, SparkplugTopic, parse_sparkplug_topic

#: Beyond half a round nobody can tell what is ahead from what is behind.
MOST_WAITING = ROUND // 2

#: A node that does not answer is asked ever less often, down to once in this time [us].
LONGEST_ASK_PAUSE_US = 3_600_000_000


class Sessions:
    """What a host knows of its edge nodes. Messages in, events out; the caller brings the time.

    Args:
        reorder_wait_us: how long a missing message may take
            (tck-id-operational-behavior-host-reordering-param).
        rebirth_every_us: least time between two rebirth requests to one node; twice that after each one that
            is not answered.
        wants: whether a node is any of ours; nothing is kept, said or asked of others.
    """

    def __init__(
        self,
        reorder_wait_us: int,
        rebirth_every_us: int,
        wants: Callable[[NodeName], bool] = lambda node: True,
    ) -> None:
        self._wait_us = reorder_wait_us
        self._every_us = rebirth_every_us
        self._wants = wants
        self._nodes: dict[NodeName, Node] = {}
        self._can_ask = True

    def counts(self) -> tuple[int, int, int, int]:
        """Nodes online and offline, devices with a birth and no death, nodes with messages out of turn."""
        nodes = list(self._nodes.values())
        online = sum(node.is_online for node in nodes)
        devices = sum(len(node.types.keys() - {""}) for node in nodes)
        return online, len(nodes) - online, devices, sum(bool(node.waiting) for node in nodes)

    # What comes -----------------------------------------------------------------------------------------

    def receive(self, source: Message) -> list[Event]:
        """What follows from a message. Commands, STATE, foreign topics and foreign nodes say nothing."""
        topic = parse_sparkplug_topic(source.topic)
        if not isinstance(topic, SparkplugTopic) or topic.kind in ("NCMD", "DCMD"):
            return []
        if not self._wants(topic.node):
            return []
        try:
            payload = decode_payload(source.payload)
        except BadPayloadError as error:
            return [Unusable("bad-sparkplug", f"{topic.kind}: {error}", source)]
        node = self._nodes.get(topic.node)
        if node is None:
            node = self._nodes[topic.node] = Node(topic.node, ask_pause_us=self._every_us)
        events: list[Event] = []
        if topic.kind == "NDEATH":
            self._end_node(node, payload, source, events)
            return events
        seq = payload.seq
        if seq is None or seq >= ROUND:
            detail = f"{topic.kind}: its number is {seq}, wanted 0 to {ROUND - 1} (seq); mend the edge node"
            return [Unusable("bad-sparkplug", detail, source)]
        message = Numbered(seq, topic.kind, topic.device, payload, source)
        if topic.kind == "NBIRTH":
            self._begin_node(node, message, events)
        elif not node.is_born:
            node.wait_for_turn(message)
            if len(node.waiting) >= MOST_WAITING:
                self._give_up_waiting(node, source.received_us, events)
            elif topic.kind != "DBIRTH":
                # Its birth may be on its way still, or was before our time.
                self._ask(node, "no birth of the node is known", source.received_us, events)
        elif node.last == (source.topic, source.payload) and (seq + 1) % ROUND == node.next_seq:
            pass  # Delivered twice, which QoS 1 allows.
        elif seq != node.next_seq:
            node.wait_for_turn(message)
            if len(node.waiting) >= MOST_WAITING:
                self._give_up_waiting(node, source.received_us, events)
        else:
            self._apply(node, message, events)
            self._apply_waiting(node, events)
        return events

    def tick(self, now_us: int) -> list[Event]:
        """What follows from the passing of time alone; to be called a few times a second."""
        events: list[Event] = []
        for node in self._nodes.values():
            if node.waiting and now_us - node.waiting_since_us >= self._wait_us:
                self._give_up_waiting(node, now_us, events)
            elif node.wants_birth and self._can_ask and now_us >= node.may_ask_us:
                self._ask(node, node.wants_birth, now_us, events)
        return events

    def connection_lost(self, now_us: int) -> list[Event]:
        """Our own link to the broker is gone: all that is known goes stale; nobody is called offline."""
        self._can_ask = False
        events: list[Event] = []
        for node in self._nodes.values():
            self._use_waiting(node, events)
            node.end_session()
            events.append(Stale(node.name, None, now_us))
        return events

    def expect(self, names: Collection[NodeName], now_us: int) -> None:
        """These nodes should be there: those that are not heard of are asked for their births, one by one.

        A node that was born before this host came and has no change to tell would else stay unknown. The
        first asks are spread over the least time between two to one node.
        """
        unknown = sorted(name for name in names if name not in self._nodes)
        for number, name in enumerate(unknown):
            node = self._nodes[name] = Node(name, ask_pause_us=self._every_us)
            node.wants_birth = "nothing has been heard of it"
            node.may_ask_us = now_us + self._every_us * (number + 1) // len(unknown)

    def connected(self, now_us: int) -> list[Event]:
        """Our link to the broker is there (again): all that were known have to be born again."""
        self._can_ask = True
        events: list[Event] = []
        for node in self._nodes.values():
            # Asks that nobody could hear do not count.
            node.ask_pause_us = self._every_us
            node.may_ask_us = min(node.may_ask_us, now_us + self._every_us)
            if not node.is_born and node.is_online:
                self._ask(node, "this host was not connected", now_us, events)
        return events

    # Nodes ----------------------------------------------------------------------------------------------

    def _begin_node(self, node: Node, message: Numbered, events: list[Event]) -> None:
        sent_ms = message.payload.time_ms
        later: list[Numbered] = []
        if node.waiting:
            # What was sent after this birth and overtook it is of the new session, the rest of the old one.
            for one in node.take_all():
                is_later = sent_ms is None or one.payload.time_ms is None or one.payload.time_ms >= sent_ms
                (later if is_later else node.waiting).append(one)
            self._use_waiting(node, events)
        node.end_session()
        node.is_born = node.is_online = True
        node.bd_seq = message.payload.bd_seq()
        node.next_seq = (message.seq + 1) % ROUND
        node.wants_birth, node.ask_pause_us = "", self._every_us
        received_us = message.source.received_us
        events.append(Stale(node.name, None, received_us))
        # Nobody is born after the birth was heard: a clock that is ahead would outlast its own death.
        born_us = min(believable_us(sent_ms, received_us), received_us)
        events.append(Alive(node.name, True, born_us))
        self._begin_device(node, "", message, events)
        for one in later:
            node.wait_for_turn(one)
        self._apply_waiting(node, events)

    def _end_node(self, node: Node, payload: Payload, source: Message, events: list[Event]) -> None:
        bd_seq = payload.bd_seq()
        if bd_seq is None:
            detail = (
                "NDEATH: it names no session (bdSeq), so that it may be of an old one; mend the edge node"
            )
            events.append(Unusable("bad-sparkplug", detail, source))
            return
        if node.is_born and node.bd_seq is not None and bd_seq != node.bd_seq:
            return  # The will of an older connection, delivered late.
        self._use_waiting(node, events)
        node.end_session()
        node.is_online = False
        node.wants_birth = ""
        # Its payload was made when the node connected: only the receipt says when it went.
        events.append(Stale(node.name, None, source.received_us))
        events.append(Alive(node.name, False, source.received_us))

    # Turns ----------------------------------------------------------------------------------------------

    def _apply_waiting(self, node: Node, events: list[Event]) -> None:
        while (message := node.take_next()) is not None:
            self._apply(node, message, events)

    def _give_up_waiting(self, node: Node, now_us: int, events: list[Event]) -> None:
        """What is missing does not come any more (tck-id-operational-behavior-host-reordering-rebirth)."""
        why = "no birth of the node is known"
        if node.is_born:
            why = f"message {node.next_seq} did not come in time"
            events.append(Stale(node.name, None, now_us))
        self._use_waiting(node, events)
        self._ask(node, why, now_us, events)

    def _use_waiting(self, node: Node, events: list[Event]) -> None:
        """Use what waits as far as it can be read, whatever is missing."""
        for message in node.take_all():
            if node.is_born:
                self._apply(node, message, events)
            else:
                events.append(_without_birth(message, f"edge node {node.name.node}"))

    def _apply(self, node: Node, message: Numbered, events: list[Event]) -> None:
        """A message whose turn it is."""
        device, source = message.device, message.source
        node.next_seq, node.last = (message.seq + 1) % ROUND, (source.topic, source.payload)
        if message.kind == "DBIRTH":
            self._begin_device(node, device, message, events)
        elif device not in node.types:
            events.append(_without_birth(message, f"device {device}"))
            self._ask(node, f"no birth of device {device} is known", source.received_us, events)
        elif message.kind == "DDEATH":
            node.end_device(device)
            events.append(
                Stale(node.name, device, believable_us(message.payload.time_ms, source.received_us))
            )
        else:
            self._say(node, message, events, is_birth=False)

    def _begin_device(self, node: Node, device: str, message: Numbered, events: list[Event]) -> None:
        if not node.has_room_for(device, len(message.payload.metrics)):
            detail = (
                f"{message.kind}: its edge node has more than {MOST_DEVICES} devices or {MOST_NAMES} "
                "metrics, which is more than is remembered of one; spread them over several nodes"
            )
            events.append(Unusable("bad-sparkplug", detail, message.source))
            return
        for alias in node.begin_device(device, message.payload.metrics):
            detail = (
                f"{message.kind}: alias {alias} stands for two metrics, and nobody can tell for which; "
                "mend the edge node"
            )
            events.append(Unusable("bad-sparkplug", detail, message.source))
        self._say(node, message, events, is_birth=True)

    def _say(self, node: Node, message: Numbered, events: list[Event], is_birth: bool) -> None:
        values, unknown = node.read(message.device, message.payload)
        sent_us = in_us(message.payload.time_ms)
        if values or is_birth:
            events.append(Values(node.name, message.device, is_birth, sent_us, values, message.source))
        if unknown and not is_birth:
            shown = ", ".join(map(str, unknown[:5])) + (" and more" if len(unknown) > 5 else "")
            detail = f"{message.kind}: no birth names alias {shown}; its births are asked for"
            events.append(Unusable("unknown-alias", detail, message.source))
            self._ask(node, "an alias is not known", message.source.received_us, events)

    def _ask(self, node: Node, why: str, now_us: int, events: list[Event]) -> None:
        """Ask for the births, now or as soon as the last ask is long enough ago."""
        node.wants_birth = why
        if now_us >= node.may_ask_us:
            events.append(AskRebirth(node.name, why))
            node.may_ask_us = now_us + node.ask_pause_us
            node.ask_pause_us = min(2 * node.ask_pause_us, LONGEST_ASK_PAUSE_US)


def _without_birth(message: Numbered, whose: str) -> Unusable:
    detail = (
        f"{message.kind}: no birth of {whose} is known, so that its metrics have no meaning; it is asked for"
    )
    return Unusable("no-birth", detail, message.source)
