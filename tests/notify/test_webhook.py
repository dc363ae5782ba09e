"""Webhooks to a real receiver: CloudEvents as the binding has them, signed, once per id whatever happens."""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import signal
import socket
import subprocess
import sys
import threading
import time
from email.utils import formatdate
from pathlib import Path
from typing import Any

import pytest

from standingwatch.detect.words import Severity
from standingwatch.notify.channel import DeliveryError, PostponedError, RefusedError
from standingwatch.notify.http import ANSWER_BYTES, retry_after_s
from standingwatch.notify.webhook import WebhookChannel
from standingwatch.store.connect import Store
from standingwatch.store.outbox import dead_messages, send_again, waiting_messages

NAME = "webhook.desk"
STEPS = (Severity.MINOR, Severity.MAJOR, Severity.CRITICAL, Severity.CLEARED)


def waiting(store: Store) -> list[str]:
    with store.reading() as connection:
        return [m.event_id for m in waiting_messages(connection, NAME, 10_000)]


def test_an_event_goes_out_in_structured_mode_and_signed(receiver: Any, event_message: Any) -> None:
    channel = WebhookChannel(NAME, receiver.url, secret="geheim: ü", wall_clock=lambda: 1_800_000_000.9)
    message = event_message(Severity.MAJOR, site="Ümlaut", transmitter="3 Ω")
    channel.deliver([message])
    channel.close()
    [(path, headers, body)] = receiver.requests
    assert path == "/hook"
    assert headers["content-type"] == "application/cloudevents+json; charset=utf-8"
    event = json.loads(body.decode("utf-8"))
    assert event == json.loads(message.body)
    assert (event["specversion"], event["type"]) == ("1.0", "standingwatch.alarm.raised")
    assert headers["standingwatch-timestamp"] == "1800000000"
    # As a receiver would, from the words of the documentation.
    signed = b"1800000000." + body
    wanted = hmac.new("geheim: ü".encode(), signed, hashlib.sha256).hexdigest()
    assert headers["standingwatch-signature"] == "sha256=" + wanted
    assert hmac.new(b"another", signed, hashlib.sha256).hexdigest() != wanted


def test_nothing_is_signed_without_a_secret(receiver: Any, event_message: Any) -> None:
    channel = WebhookChannel(NAME, receiver.url)
    channel.deliver([event_message()])
    channel.close()
    assert not [name for name in receiver.requests[0][1] if name.startswith("standingwatch-")]


@pytest.mark.parametrize(
    ("status", "error"),
    [
        (400, RefusedError),
        (403, RefusedError),
        (404, RefusedError),
        (410, RefusedError),
        (413, RefusedError),
        (422, RefusedError),
        (408, PostponedError),
        (425, PostponedError),
        (429, PostponedError),
        (500, PostponedError),
        (503, PostponedError),
    ],
)
def test_what_an_answer_means_for_the_message(
    receiver: Any, http_answer: Any, event_message: Any, status: int, error: type[DeliveryError]
) -> None:
    receiver.answer = lambda *_: http_answer(status, {"Retry-After": "7"}, b"because\r\nof \x00 that")
    channel = WebhookChannel(NAME, receiver.url)
    with pytest.raises(error) as caught:
        channel.deliver([event_message()])
    channel.close()
    assert f"answered {status}: because of that" in str(caught.value)
    if isinstance(caught.value, PostponedError):
        assert caught.value.retry_after_s == 7.0


@pytest.mark.parametrize("status", [301, 302, 307, 308, 401, 407])
def test_what_an_answer_means_for_the_channel(
    receiver: Any, http_answer: Any, event_message: Any, status: int
) -> None:
    elsewhere = f"http://127.0.0.1:{receiver.port}/elsewhere?token=hidden"
    receiver.answer = lambda path, *_: http_answer(
        status if path == "/hook" else 204, {"Location": elsewhere}
    )
    channel = WebhookChannel(NAME, receiver.url)
    with pytest.raises(DeliveryError) as caught:
        channel.deliver([event_message()])
    channel.close()
    assert type(caught.value) is DeliveryError
    assert "hidden" not in str(caught.value)
    assert receiver.requests == []


def test_nobody_there_is_the_channel_s_trouble(unused_port: int, event_message: Any) -> None:
    for url in (f"http://127.0.0.1:{unused_port}/secret-path", "http://no-such-host.invalid/secret-path"):
        channel = WebhookChannel(NAME, url)
        with pytest.raises(DeliveryError) as caught:
            channel.deliver([event_message()])
        channel.close()
        assert type(caught.value) is DeliveryError
        assert "secret-path" not in str(caught.value)


def test_a_certificate_is_verified(tls_receiver: Any, certificates: Any, event_message: Any) -> None:
    stranger = WebhookChannel(NAME, tls_receiver.url)
    with pytest.raises(DeliveryError, match="certificate verify failed") as caught:
        stranger.deliver([event_message()])
    stranger.close()
    assert type(caught.value) is DeliveryError
    assert tls_receiver.requests == []
    channel = WebhookChannel(NAME, tls_receiver.url, ca_file=certificates.ca_file)
    channel.deliver([event_message()])
    channel.close()
    assert len(tls_receiver.requests) == 1


def test_a_bad_ca_file_or_address_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="ca_file"):
        WebhookChannel(NAME, "https://127.0.0.1/", ca_file=tmp_path / "absent.pem")
    (tmp_path / "bad.pem").write_text("no certificate")
    with pytest.raises(DeliveryError, match="ca_file"):
        WebhookChannel(NAME, "https://127.0.0.1/", ca_file=tmp_path / "bad.pem")
    with pytest.raises(DeliveryError, match="wanted http or https"):
        WebhookChannel(NAME, "ftp://127.0.0.1/")


def test_an_answer_that_does_not_come_in_time_is_the_message_s_trouble(
    receiver: Any, http_answer: Any, event_message: Any
) -> None:
    receiver.answer = lambda *_: http_answer(wait_s=1.0)
    channel = WebhookChannel(NAME, receiver.url, timeout_s=0.2)
    with pytest.raises(PostponedError, match="no answer in time"):
        channel.deliver([event_message()])
    channel.close()


def test_an_endless_answer_is_not_read_to_its_end(event_message: Any) -> None:
    sent = 0
    ended = threading.Event()

    def serve(listener: socket.socket) -> None:
        nonlocal sent
        connection, _ = listener.accept()
        with connection:
            connection.recv(65536)
            connection.sendall(b"HTTP/1.1 500 Internal\r\nContent-Length: 999999999\r\n\r\n")
            try:
                while sent < 999_999_999:
                    sent += connection.send(b"x" * 65536)
            except ConnectionError:
                ended.set()

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=serve, args=(listener,), daemon=True)
        thread.start()
        channel = WebhookChannel(NAME, f"http://127.0.0.1:{listener.getsockname()[1]}/")
        with pytest.raises(PostponedError) as caught:
            channel.deliver([event_message()])
        channel.close()
        thread.join(20)
    assert ended.is_set()
    # What the kernel's buffers held may have been sent besides what was read.
    assert sent < ANSWER_BYTES + 20_000_000
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("text", "seconds"), [("0", 0.0), (" 120 ", 120.0), ("soon", None), ("", None), ("-5", None), ("٣", None)]
)
def test_retry_after_as_seconds(text: str, seconds: float | None) -> None:
    assert retry_after_s(text) == seconds


def test_retry_after_as_a_date() -> None:
    ahead = retry_after_s(formatdate(time.time() + 90, usegmt=True))
    assert ahead is not None
    assert 80 < ahead <= 90
    assert retry_after_s("Sun, 06 Nov 1994 08:49:37 GMT") == 0.0


def test_addresses_do_not_get_into_the_log(receiver: Any, event_message: Any, caplog: Any) -> None:
    caplog.set_level(logging.INFO)
    channel = WebhookChannel(NAME, receiver.url + "?token=hidden")
    channel.deliver([event_message()])
    channel.close()
    assert receiver.requests[0][0] == "/hook?token=hidden"
    assert "hidden" not in caplog.text


def test_each_event_once_though_the_receiver_was_down_and_the_worker_made_anew(
    store: Store, make_desk: Any, receiver: Any, running: Any, wait: Any, first_seen: Any
) -> None:
    desk = make_desk(NAME)
    names = [f"rpt-{n}" for n in range(5)]

    def course() -> None:
        for name in names:
            desk.change(*STEPS, transmitter=name)

    course()
    worker = running(WebhookChannel(NAME, receiver.url))
    wait(lambda: len(receiver.ids) == 20)
    receiver.stop()
    course()
    worker.wake()
    time.sleep(0.5)
    worker.stop()
    course()
    worker = running(WebhookChannel(NAME, receiver.url))
    time.sleep(0.5)
    receiver.start()
    wait(lambda: not waiting(store))
    assert len(first_seen(receiver.ids)) == len(desk.changes) == 60
    for name in names:
        own = [json.loads(body)["data"] for _, _, body in receiver.requests]
        told = [d["severity"] for d in own if d["transmitter"] == name]
        assert told == [severity.word for severity in STEPS] * 3


#: A process that delivers, and is killed before it can note that it has.
KILLED = """
import os, signal, sys, time
from prometheus_client import CollectorRegistry
from standingwatch.metrics import Metrics
from standingwatch.notify import outbox
from standingwatch.notify.webhook import WebhookChannel
from standingwatch.store.connect import Store

outbox.mark_delivered = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
channel = WebhookChannel("webhook.desk", sys.argv[2])
metrics = Metrics(CollectorRegistry())
outbox.OutboxWorker(channel, Store(sys.argv[1]), metrics, lambda: 1_795_000_000_000_000).start()
time.sleep(60)
"""


def test_a_kill_between_delivery_and_note_repeats_the_same_id(
    store: Store, store_url: str, make_desk: Any, receiver: Any, running: Any, wait: Any
) -> None:
    [first, second] = make_desk(NAME).change(Severity.MINOR, Severity.MAJOR)
    killed = subprocess.run([sys.executable, "-c", KILLED, store_url, receiver.url], timeout=50, check=False)
    assert killed.returncode == -signal.SIGKILL
    assert receiver.ids == [first]
    assert waiting(store) == [first, second]
    running(WebhookChannel(NAME, receiver.url))
    wait(lambda: not waiting(store))
    assert receiver.ids == [first, first, second]
    assert receiver.requests[0][2] == receiver.requests[1][2]


def test_a_poison_event_is_a_dead_letter_and_can_be_sent_again(
    store: Store, make_desk: Any, receiver: Any, http_answer: Any, running: Any, wait: Any
) -> None:
    desk = make_desk(NAME)
    first, poison, third = desk.change(Severity.MINOR, Severity.MAJOR, Severity.CLEARED)
    [other] = desk.change(Severity.MINOR, transmitter="rpt-2")
    receiver.answer = lambda _p, _h, body: http_answer(422 if json.loads(body)["id"] == poison else 204)
    worker = running(WebhookChannel(NAME, receiver.url))
    wait(lambda: not waiting(store))
    assert receiver.ids == [first, third, other]
    with store.reading() as connection:
        [letter] = dead_messages(connection, NAME)
    assert letter.message.event_id == poison
    assert letter.error == f"http://127.0.0.1:{receiver.port} answered 422"
    receiver.answer = lambda *_: http_answer()
    with store.writing() as connection:
        assert send_again(connection, NAME, letter.message.id) == 1
    worker.wake()
    wait(lambda: not waiting(store))
    assert receiver.ids == [first, third, other, poison]
