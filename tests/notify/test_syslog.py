"""Syslog over real sockets: RFC 5424 as a parser of its own reads it, over TCP, TLS and UDP."""

from __future__ import annotations

import re
import socket
import threading
import time
from typing import Any

import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.notify.channel import DeliveryError
from standingwatch.notify.syslog import FACILITIES, LONGEST_DATAGRAM, SyslogChannel
from standingwatch.notify.trial import trial_message
from standingwatch.store.connect import Store
from standingwatch.store.outbox import waiting_messages

NAME = "syslog.main"
START_US = 1_795_000_000_000_000

HEADER = re.compile(
    rb"<(\d{1,3})>1 (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?Z) "
    rb"([!-~]{1,255}) ([!-~]{1,48}) ([!-~]{1,128}) ([!-~]{1,32}) "
)


def read(packet: bytes) -> tuple[dict[str, Any], dict[str, dict[str, str]], str]:
    """Header, structured data and text of a message, by the grammar of RFC 5424, 6."""
    head = HEADER.match(packet)
    assert head is not None
    priority, timestamp, host, app, process, kind = (g.decode("ascii") for g in head.groups())
    text = packet[head.end() :].decode("utf-8")
    elements: dict[str, dict[str, str]] = {}
    at = 0
    while text[at] == "[":
        name = re.compile(r"[!-~]+?(?=[ \]])").match(text, at + 1)
        assert name is not None
        at = name.end()
        values: dict[str, str] = {}
        while text[at] == " ":
            pair = re.compile(r' ([!-~]{1,32}?)="((?:[^"\\\]]|\\["\\\]])*)"').match(text, at)
            assert pair is not None
            values[pair[1]] = re.sub(r'\\(["\\\]])', r"\1", pair[2])
            at = pair.end()
        assert text[at] == "]"
        elements[name[0]] = values
        at += 1
    assert text[at : at + 2] == " \ufeff"
    header = {
        "facility": int(priority) // 8,
        "severity": int(priority) % 8,
        "timestamp": timestamp,
        "host": host,
        "app": app,
        "process": process,
        "kind": kind,
    }
    return header, elements, text[at + 2 :]


@pytest.fixture
def channel() -> SyslogChannel:
    return SyslogChannel(NAME, "127.0.0.1", 1, transport="tcp", facility="local3", host_name="watch-1")


def test_a_message_is_as_rfc_5424_has_it(channel: SyslogChannel, event_message: Any) -> None:
    message = event_message(Severity.MINOR, Severity.MAJOR, site='Ü "x]\\', made_us=START_US + 5)
    header, elements, text = read(channel.packet(message, 8192))
    assert header["facility"] == FACILITIES["local3"] == 19
    assert header["timestamp"] == "2026-11-18T11:06:40.000005Z"
    assert (header["host"], header["app"], header["kind"]) == ("watch-1", "standingwatch", "changed")
    assert elements["alarm"] == {
        "resource": 'Ü "x]\\/rpt-1',
        "probableCause": "thresholdCrossed",
        "perceivedSeverity": "major",
    }
    assert elements["standingwatch@32473"] == {
        "id": message.event_id,
        "kind": "changed",
        "condition": "swr-high",
        "severity": "major",
        "site": 'Ü "x]\\',
        "transmitter": "rpt-1",
        "raised": "2026-11-18T11:06:40.000005Z",
    }
    assert text.startswith(
        'major: Ü "x]\\/rpt-1: SWR over its limit. Ü "x]\\/rpt-1: SWR over its limit, major'
    )
    assert "\n" not in text


def test_severities_are_those_of_rfc_5674(channel: SyslogChannel, event_message: Any) -> None:
    # RFC 5674, table 1: ITU perceived severity to syslog severity.
    table = {Severity.CRITICAL: 1, Severity.MAJOR: 2, Severity.MINOR: 3, Severity.WARNING: 4}
    for severity, number in table.items():
        assert read(channel.packet(event_message(severity), 8192))[0]["severity"] == number
    cleared = event_message(Severity.MAJOR, Severity.CLEARED)
    assert read(channel.packet(cleared, 8192))[0]["severity"] == 5


def test_facilities_have_the_numbers_of_rfc_5424() -> None:
    known = {"kern": 0, "daemon": 3, "syslog": 5, "cron": 9, "ftp": 11, "local0": 16, "local7": 23}
    assert {name: FACILITIES[name] for name in known} == known
    assert len(FACILITIES) == 24


def test_hostile_text_stays_one_message(channel: SyslogChannel, event_message: Any) -> None:
    message = event_message(site='a\n<1>1 - - - - - -\x00"]', transmitter="b\r\nc")
    packet = channel.packet(message, 8192)
    assert b"\n" not in packet
    assert b"\x00" not in packet
    _, elements, _ = read(packet)
    assert elements["standingwatch@32473"]["site"] == 'a <1>1 - - - - - - "]'


def test_a_long_text_is_cut_between_characters(channel: SyslogChannel, other_message: Any) -> None:
    data = {"site": "a", "condition": "swr-high", "severity": "major", "text": "Ω" * 5000}
    for limit in range(2040, 2052):
        packet = channel.packet(other_message("raised", data), limit)
        assert limit - 2 <= len(packet) <= limit
        assert read(packet)[2].endswith("Ω...")


def test_a_test_event_is_no_alarm(channel: SyslogChannel) -> None:
    header, elements, text = read(channel.packet(trial_message(NAME, "urn:x", START_US), 8192))
    assert header["kind"] == "test"
    assert list(elements) == ["standingwatch@32473"]
    assert text.startswith("A test of channel syslog.main")


@pytest.mark.parametrize("transport", ["tcp", "tls"])
def test_frames_arrive_in_order(
    syslog_receivers: Any, certificates: Any, event_message: Any, wait: Any, transport: Any
) -> None:
    receiver = syslog_receivers[transport]
    ca_file = certificates.ca_file if transport == "tls" else None
    channel = SyslogChannel(NAME, "127.0.0.1", receiver.port, transport=transport, ca_file=ca_file)
    messages = [event_message(Severity.MAJOR, transmitter=f"Ω {n}", number=n) for n in range(100)]
    channel.deliver(messages)
    channel.deliver(messages[:1])
    wait(lambda: len(receiver.packets) == 101)
    ids = [read(packet)[1]["standingwatch@32473"]["id"] for packet in receiver.packets]
    assert ids == [m.event_id for m in [*messages, messages[0]]]


def test_a_certificate_is_verified(syslog_receivers: Any, event_message: Any) -> None:
    channel = SyslogChannel(NAME, "127.0.0.1", syslog_receivers["tls"].port)
    with pytest.raises(DeliveryError, match="certificate verify failed"):
        channel.deliver([event_message()])
    time.sleep(0.1)
    assert syslog_receivers["tls"].packets == []


def test_datagrams_hold_a_message_each(
    datagrams: socket.socket, event_message: Any, other_message: Any
) -> None:
    channel = SyslogChannel(NAME, "127.0.0.1", datagrams.getsockname()[1], transport="udp")
    data = {"site": "a", "condition": "swr-high", "severity": "major", "text": "Ω" * 5000}
    channel.deliver([event_message(Severity.MAJOR), other_message("raised", data)])
    first, second = datagrams.recv(65536), datagrams.recv(65536)
    assert read(first)[0]["severity"] == 2
    assert len(second) <= LONGEST_DATAGRAM
    assert read(second)[2].endswith("...")


@pytest.mark.parametrize("transport", ["tcp", "tls", "udp"])
def test_nobody_there_is_the_channel_s_trouble(unused_port: int, event_message: Any, transport: Any) -> None:
    channel = SyslogChannel(NAME, "127.0.0.1", unused_port, transport=transport)
    with pytest.raises(DeliveryError, match=f"127.0.0.1:{unused_port} .{transport}.: .*refused"):
        channel.deliver([event_message()])


def test_a_receiver_that_hangs_up_in_the_middle_has_not_got_it(event_message: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        channel = SyslogChannel(NAME, "127.0.0.1", listener.getsockname()[1], transport="tcp")

        # The kernel takes the connection and the bytes; then it is closed with bytes unread.
        def hang_up() -> None:
            connection, _ = listener.accept()
            time.sleep(0.2)
            connection.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        with pytest.raises(DeliveryError, match="reset"):
            channel.deliver([event_message()])
        thread.join()


def test_a_receiver_that_does_not_close_is_believed(event_message: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        channel = SyslogChannel(NAME, "127.0.0.1", listener.getsockname()[1], transport="tcp")
        channel.deliver([event_message()])
        connection, _ = listener.accept()
        with connection:
            assert connection.recv(65536).split(b" ")[1].startswith(b"<26>1")


@pytest.mark.parametrize("transport", ["tcp", "tls"])
def test_each_event_once_though_the_receiver_was_down_and_the_worker_made_anew(
    store: Store,
    make_desk: Any,
    syslog_receivers: Any,
    certificates: Any,
    running: Any,
    wait: Any,
    transport: Any,
) -> None:
    receiver = syslog_receivers[transport]
    ca_file = certificates.ca_file if transport == "tls" else None

    def channel() -> SyslogChannel:
        return SyslogChannel(NAME, "127.0.0.1", receiver.port, transport=transport, ca_file=ca_file)

    def waiting() -> int:
        with store.reading() as connection:
            return len(waiting_messages(connection, NAME, 1000))

    desk = make_desk(NAME)
    ids = desk.change(Severity.MINOR, Severity.MAJOR)
    worker = running(channel())
    wait(lambda: not waiting())
    receiver.stop()
    ids += desk.change(Severity.MINOR, condition=Condition.SWR_STEP)
    worker.wake()
    time.sleep(0.3)
    worker.stop()
    ids += desk.change(Severity.CLEARED)
    running(channel())
    receiver.start()
    wait(lambda: not waiting())
    wait(lambda: len(receiver.packets) == 4)
    assert [read(packet)[1]["standingwatch@32473"]["id"] for packet in receiver.packets] == ids
