"""The bulk paths beside paho: reading ahead, and acknowledging many messages in one write."""

from __future__ import annotations

import socket
import time
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from waiting import wait_until

from standingwatch.intake.client import READ_AHEAD, ReadingAhead
from standingwatch.intake.connection import BrokerConnection
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings


def test_reading_ahead_gives_the_bytes_in_their_order() -> None:
    here, there = socket.socketpair()
    sent = bytes(range(256)) * 40
    there.sendall(sent)
    ahead = ReadingAhead(here)
    got, sizes = b"", (1, 2, 3, 700, 1, READ_AHEAD - 1, READ_AHEAD)
    while len(got) < len(sent):
        before, size = ahead.ahead, sizes[len(got) % len(sizes)]
        piece = ahead.recv(size)
        assert len(piece) <= size
        if before:
            assert ahead.ahead == max(0, before - size) == ahead.pending()
        got += piece
    assert got == sent
    assert ahead.pending() == 0
    here.setblocking(False)
    with pytest.raises(BlockingIOError):
        ahead.recv(1)
    there.close()
    assert ahead.recv(1) == b""
    ahead.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_is_acknowledged_together_does_not_come_again(broker: Any, protocol: str) -> None:
    seen: list[tuple[bytes, int, int, int]] = []

    def start() -> BrokerConnection:
        seen.clear()
        connection = BrokerConnection(
            BrokerSettings(port=broker.port, protocol=protocol),
            "visitor",
            Metrics(CollectorRegistry()),
            ("field/#",),
            lambda m, number: seen.append((bytes(m.payload), m.mid, m.qos, number)),
        )
        connection.start()
        assert connection.wait_connected(5)
        return connection

    first = start()
    assert isinstance(first._client.socket(), ReadingAhead)
    sender = BrokerConnection(BrokerSettings(port=broker.port), "sender", Metrics(CollectorRegistry()))
    sender.start()
    assert sender.wait_connected(5)
    texts = [f"{number} {'x' * (number % 300)}".encode() for number in range(800)]
    sender.publish([("field/a", text, False) for text in texts])
    sender.stop()
    wait_until(lambda: len(seen) == 800, 30, "all messages came")
    assert [text for text, *_ in seen] == texts
    first.acknowledge_all([what for _, *what in seen[:500]])  # type: ignore[misc]  of three numbers each
    time.sleep(0.3)
    first.stop()
    second = start()
    wait_until(lambda: len(seen) >= 300, 30, "the rest comes again")
    time.sleep(0.3)
    assert [text for text, *_ in seen] == texts[500:]
    # Numbers of an older connection mean nothing to this one.
    second.acknowledge_all([(mid, qos, number - 1) for _, mid, qos, number in seen])
    time.sleep(0.2)
    second.stop()
    third = start()
    wait_until(lambda: len(seen) == 300, 30, "what was not acknowledged comes once more")
    third.stop()
