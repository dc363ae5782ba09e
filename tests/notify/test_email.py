"""Mail to a real server with STARTTLS: what stands in it, who gets it, and what a refusal means."""

from __future__ import annotations

import email
import email.policy
import logging
import struct
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.notify.channel import DeliveryError, PostponedError, RefusedError
from standingwatch.notify.email import EmailChannel, MailServer
from standingwatch.notify.trial import trial_message
from standingwatch.store.connect import Store
from standingwatch.store.outbox import dead_messages, waiting_messages

NAME = "email.desk"
FROM, TO = "watch@example.org", ("desk@example.org", "crew@example.org")
#: The smallest PNG: one pixel.
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c6360000002000001e221bc330000000049454e44ae426082"
)


def parsed(data: bytes) -> EmailMessage:
    mail = email.message_from_bytes(data, policy=email.policy.default)
    assert isinstance(mail, EmailMessage)
    assert mail.defects == []
    return mail


def body(mail: EmailMessage, kind: str) -> str:
    part = mail.get_body((kind,))
    assert part is not None
    return str(part.get_content())


@pytest.fixture
def server(mail_receiver: Any, certificates: Any) -> MailServer:
    return MailServer(
        "127.0.0.1", mail_receiver.port, "starttls", "desk", "secret", certificates.ca_file, 5.0
    )


def test_a_mail_says_what_where_and_since_when(
    mail_receiver: Any, server: MailServer, event_message: Any
) -> None:
    message = event_message(Severity.MINOR, Severity.MAJOR, made_us=1_795_000_000_000_000)
    EmailChannel(NAME, server, FROM, TO, lambda _m: PIXEL).deliver([message])
    [(sender, recipients, data)] = mail_receiver.mails
    assert (sender, tuple(recipients)) == (FROM, TO)
    mail = parsed(data)
    assert mail["From"] == FROM
    assert mail["To"] == "desk@example.org, crew@example.org"
    assert mail["Subject"] == "major: alder-ridge/rpt-1: SWR over its limit"
    assert mail["Date"].datetime == datetime.fromtimestamp(1_795_000_000, tz=UTC)
    assert mail["Message-ID"] == f"<{message.event_id}@example.org>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content_type() == "multipart/alternative"
    text, html = body(mail, "plain"), body(mail, "html")
    for words in ("alder-ridge/rpt-1: SWR over its limit, major (worse: was minor)", "Severity before"):
        assert words in " ".join(text.split())
        assert words in html
    assert "<strong>major</strong>" in html
    [picture] = [part for part in mail.walk() if part.get_content_type() == "image/png"]
    assert picture.get_content() == PIXEL
    assert picture["Content-ID"].strip("<>") in html
    assert 'src="cid:' in html
    assert picture.get_content_disposition() == "inline"


def test_hostile_names_stay_text(mail_receiver: Any, server: MailServer, event_message: Any) -> None:
    site = 'x\r\nBcc: thief@example.net\r\n\r\n<script>alert("1")</script>'
    message = event_message(Severity.MAJOR, site=site, transmitter="<b>&amp;\x00 ü Ω")
    EmailChannel(NAME, server, FROM, TO).deliver([message])
    [(_, recipients, data)] = mail_receiver.mails
    assert tuple(recipients) == TO
    mail = parsed(data)
    assert mail["Bcc"] is None
    assert mail["Subject"] == (
        'major: x Bcc: thief@example.net <script>alert("1")</script>/<b>&amp; ü Ω: SWR over its limit'
    )
    html = body(mail, "html")
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "<b>" not in html
    assert "&lt;b&gt;&amp;amp;" in html


def test_mails_of_one_alarm_are_one_thread(
    mail_receiver: Any, server: MailServer, event_message: Any
) -> None:
    channel = EmailChannel(NAME, server, FROM, TO)
    raised, worse = event_message(Severity.MINOR), event_message(Severity.MINOR, Severity.MAJOR)
    other = event_message(Severity.MINOR, transmitter="rpt-2")
    again = event_message(Severity.MINOR, made_us=1_795_000_000_000_000 + 86_400_000_000)
    channel.deliver([raised, worse, other, again, raised])
    mails = [parsed(data) for _, _, data in mail_receiver.mails]
    ids = [mail["Message-ID"] for mail in mails]
    assert len(set(ids)) == 4
    assert ids[0] == ids[4]
    threads = [mail["References"] for mail in mails]
    assert threads[0] == threads[1] == threads[4]
    assert len(set(threads)) == 3
    assert mails[0].as_bytes() == mails[4].as_bytes().replace(
        mails[4].get_boundary("").encode(), mails[0].get_boundary("").encode()
    )


def test_a_summary_lists_its_alarms(mail_receiver: Any, server: MailServer, other_message: Any) -> None:
    listed = [
        {
            "site": f"site-{n}",
            "transmitter": "rpt-1",
            "region": None,
            "service": None,
            "condition": "swr-high",
            "severity": "major",
            "time_raised": "2026-11-18T00:00:00Z",
            "text": "x",
        }
        for n in range(3)
    ]
    data = {
        "site": None,
        "severity": "major",
        "counts": {"critical": 0, "major": 3, "minor": 9, "warning": 0, "cleared": 2},
        "alarms": listed,
        "more": 11,
        "why": "flood",
        "text": "Many alarms.",
    }
    EmailChannel(NAME, server, FROM, TO).deliver([other_message("summary", data)])
    mail = parsed(mail_receiver.mails[0][2])
    assert mail["Subject"] == "major: the fleet: 12 alarms (3 major, 9 minor), 2 ended"
    text, html = body(mail, "plain"), body(mail, "html")
    assert "- major; site-1/rpt-1; SWR over its limit; 2026-11-18T00:00:00Z" in text
    assert "(11 more not listed)" in text
    assert html.count("<tr>") == 4
    assert "11 more are not listed" in html


def test_a_reminder_and_a_test_say_what_they_are(
    mail_receiver: Any, server: MailServer, other_message: Any
) -> None:
    data = {
        "site": "alder-ridge",
        "transmitter": "rpt-1",
        "condition": Condition.SWR_HIGH.value,
        "severity": "critical",
        "text": "Nobody acknowledged.",
    }
    channel = EmailChannel(NAME, server, FROM, TO)
    channel.deliver([other_message("reminder", data), trial_message(NAME, "urn:x", 1_795_000_000_000_000)])
    reminder, trial = (parsed(data) for _, _, data in mail_receiver.mails)
    assert reminder["Subject"] == "critical: alder-ridge/rpt-1: SWR over its limit, not acknowledged"
    assert reminder["Importance"] == "high"
    assert trial["Subject"] == "warning: the fleet: test of this channel, no alarm"
    assert "there is no alarm" in body(trial, "plain")


def test_a_chart_that_fails_does_not_stop_the_mail(
    mail_receiver: Any, server: MailServer, event_message: Any, caplog: Any
) -> None:
    def broken(_message: Any) -> bytes:
        raise ZeroDivisionError("no scale")

    with caplog.at_level(logging.ERROR):
        EmailChannel(NAME, server, FROM, TO, broken).deliver([event_message()])
    mail = parsed(mail_receiver.mails[0][2])
    assert "The chart could not be drawn" in body(mail, "plain")
    assert "The chart could not be drawn" in body(mail, "html")
    assert "cid:" not in body(mail, "html")
    assert "no scale" in caplog.text


def test_a_certificate_is_verified(mail_receiver: Any, event_message: Any) -> None:
    channel = EmailChannel(NAME, MailServer("127.0.0.1", mail_receiver.port, timeout_s=5.0), FROM, TO)
    with pytest.raises(DeliveryError, match="certificate verify failed") as caught:
        channel.deliver([event_message()])
    assert type(caught.value) is DeliveryError
    assert mail_receiver.mails == []


def test_without_encryption_nothing_is_sent_where_it_is_wanted(
    plain_mail_receiver: Any, event_message: Any
) -> None:
    port = plain_mail_receiver.port
    wary = EmailChannel(NAME, MailServer("127.0.0.1", port, "starttls", timeout_s=5.0), FROM, TO)
    with pytest.raises(DeliveryError, match="STARTTLS") as caught:
        wary.deliver([event_message()])
    assert type(caught.value) is DeliveryError
    assert plain_mail_receiver.mails == []
    EmailChannel(NAME, MailServer("127.0.0.1", port, "none"), FROM, TO).deliver([event_message()])
    assert len(plain_mail_receiver.mails) == 1


def test_a_wrong_password_is_the_channel_s_trouble(
    mail_receiver: Any, certificates: Any, event_message: Any
) -> None:
    server = MailServer("127.0.0.1", mail_receiver.port, "starttls", "desk", "wrong", certificates.ca_file)
    with pytest.raises(DeliveryError, match="user name or password not accepted: 535") as caught:
        EmailChannel(NAME, server, FROM, TO).deliver([event_message()])
    assert type(caught.value) is DeliveryError
    assert "wrong" not in str(caught.value)


def test_nobody_there_is_the_channel_s_trouble(unused_port: int, event_message: Any, tmp_path: Path) -> None:
    channel = EmailChannel(NAME, MailServer("127.0.0.1", unused_port), FROM, TO)
    with pytest.raises(DeliveryError) as caught:
        channel.deliver([event_message()])
    assert type(caught.value) is DeliveryError
    with pytest.raises(DeliveryError, match="ca_file"):
        EmailChannel(NAME, MailServer("x", 25, ca_file=tmp_path / "absent"), FROM, TO)


@pytest.mark.parametrize(("answer", "error"), [("554 no", RefusedError), ("451 later", PostponedError)])
def test_what_an_answer_to_the_mail_means(
    mail_receiver: Any, server: MailServer, event_message: Any, answer: str, error: type[DeliveryError]
) -> None:
    mail_receiver.answer_data = lambda _data: answer
    with pytest.raises(error, match=f"answered {answer}"):
        EmailChannel(NAME, server, FROM, TO).deliver([event_message()])


def test_recipients_that_were_put_off_are_tried_again_alone(
    mail_receiver: Any, server: MailServer, event_message: Any
) -> None:
    channel = EmailChannel(NAME, server, FROM, TO)
    mail_receiver.answer_recipient = lambda address: "450 greylisted" if address == TO[1] else ""
    message = event_message()
    for _ in range(2):
        with pytest.raises(PostponedError, match=r"crew@example\.org: 450 greylisted"):
            channel.deliver([message])
    mail_receiver.answer_recipient = lambda _address: ""
    channel.deliver([message])
    assert [recipients for _, recipients, _ in mail_receiver.mails] == [[TO[0]], [TO[1]]]


def test_recipients_that_are_refused_do_not_stop_the_others(
    mail_receiver: Any, server: MailServer, event_message: Any, caplog: Any
) -> None:
    channel = EmailChannel(NAME, server, FROM, TO)
    mail_receiver.answer_recipient = lambda address: "550 unknown" if address == TO[0] else ""
    channel.deliver([event_message()])
    assert [recipients for _, recipients, _ in mail_receiver.mails] == [[TO[1]]]
    assert "desk@example.org: 550 unknown" in caplog.text
    # One is refused for good, the other first put off and then refused too: nobody has it.
    mail_receiver.answer_recipient = lambda address: "550 unknown" if address == TO[0] else "450 later"
    other = event_message(Severity.MINOR)
    with pytest.raises(PostponedError):
        channel.deliver([other])
    mail_receiver.answer_recipient = lambda _address: "550 unknown"
    with pytest.raises(RefusedError):
        channel.deliver([other])
    assert len(mail_receiver.mails) == 1


def test_each_mail_once_though_the_server_was_down_and_the_worker_made_anew(
    store: Store, make_desk: Any, mail_receiver: Any, server: MailServer, running: Any, wait: Any
) -> None:
    def waiting() -> int:
        with store.reading() as connection:
            return len(waiting_messages(connection, NAME, 1000))

    desk = make_desk(NAME)
    ids = desk.change(Severity.MINOR, Severity.MAJOR)
    worker = running(EmailChannel(NAME, server, FROM, TO))
    wait(lambda: len(mail_receiver.mails) == 2)
    mail_receiver.stop()
    ids += desk.change(Severity.CRITICAL, Severity.CLEARED)
    worker.wake()
    wait(lambda: waiting() == 2)
    worker.stop()
    ids += desk.change(Severity.MINOR)
    poison = ids[2]
    mail_receiver.answer_data = lambda data: "554 spam" if poison.encode() in data else ""
    running(EmailChannel(NAME, server, FROM, TO))
    mail_receiver.start()
    wait(lambda: not waiting())
    got = [parsed(data)["Message-ID"] for _, _, data in mail_receiver.mails]
    assert got == [f"<{event_id}@example.org>" for event_id in ids if event_id != poison]
    with store.reading() as connection:
        [letter] = dead_messages(connection, NAME)
    assert (letter.message.event_id, "554 spam" in letter.error) == (poison, True)


def test_the_pixel_is_a_png() -> None:
    assert struct.unpack(">II", PIXEL[16:24]) == (1, 1)
