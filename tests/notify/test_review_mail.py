"""The overnight review by mail: through the outbox to a real server, with charts and the table."""

from __future__ import annotations

import csv
import email
import email.policy
import io
from dataclasses import replace
from email.message import EmailMessage
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import insert

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.interface import LikelyCause, LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.metrics import Metrics
from standingwatch.notify.channel import RefusedError
from standingwatch.notify.email import EmailChannel, MailServer
from standingwatch.notify.outbox import OutboxWorker
from standingwatch.notify.review_drawing import draw_apart
from standingwatch.notify.review_mail import MOST_CHARTS, ReviewMails, as_html, as_text, charts_of, is_review
from standingwatch.review.overnight import Review, VisitOver
from standingwatch.review.table import as_csv
from standingwatch.store import tables
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.outbox import dead_messages, waiting_messages
from standingwatch.store.review_due import Plan, Plans, make_due
from standingwatch.store.reviews import forget_reviews, list_reviews, load_review
from standingwatch.store.sites import load_site_list, replace_site_list

S = 1_000_000
HOUR, DAY = 3600 * S, 86_400 * S
NOW = 1_795_000_000 * S
NAME = "email.desk"
FROM, TO = "watch@example.org", ("desk@example.org", "crew@example.org")
HOSTILE = '<script>alert("1")</script>'


def morning(store: Store, alarms: int = 2) -> Review:
    """A review in the store and its message in the outbox."""
    rows = [
        InventoryRow(f"site-{i}" if i else HOSTILE.replace("/", "|"), "t", 150.0, site_name=f"Fell & Tor {i}")
        for i in range(alarms)
    ]
    with store.writing() as connection:
        replace_site_list(connection, rows, NOW)
        keys = load_site_list(connection).keys.tolist()
        hours = [
            {
                "transmitter": key,
                "hour_us": NOW - NOW % HOUR - back * HOUR,
                "reports": 9,
                "usable": 9,
                "rho_median": 0.2,
            }
            for key in keys
            for back in range(24, 240, 12)
        ]
        connection.execute(insert(tables.rollups), hours)
        for row in rows:
            evidence = Evidence(
                AlarmKey(row.site, "t", Condition.SWR_RISING),
                Severity.MINOR,
                NOW - HOUR,
                {"swr": 1.5, "lost_db": 2.0, "lost_db_baseline": 0.5},
                (LikelyCause(Cause.WATER, 0.8, "it rises with rain"),),
                forecast=(
                    LimitForecast("foldback", 2.5, "expected", NOW + DAY, NOW + 9 * DAY, NOW + 30 * DAY),
                ),
            )
            save_changes(connection, apply_all({}, [evidence], NOW - HOUR), "urn:test")
    [number] = make_due(
        store, Plans(Plan("", 0, 0, "UTC", (NAME,)), source="urn:x"), Plan("", 0, 0, "UTC", (NAME,)), NOW
    )
    with store.reading() as connection:
        review = load_review(connection, number)
    assert review is not None
    return review


def test_it_tells_visits_decided_and_how_often_the_likely_cause_was_right(store: Store) -> None:
    review = morning(store)
    for words in (as_text(review), as_html(review, {})):
        assert "Visits decided" not in words
        assert "likely cause was right" not in words
    over = VisitOver(4, "site-1", "Fell & Tor 1", "not-fixed", NOW, ("water", "connector"))
    review = replace(review, visits_over=(over,), causes_right=2, causes_told=3)
    score = "The likely cause was right in 2 of 3 (67 %) where a visit found the true cause"
    text = as_text(review)
    assert "Visits decided: 1\n- Visit 4, Fell & Tor 1: not fixed, true cause water, connector.\n" in text
    assert score in text
    html = as_html(review, {})
    assert "Visit 4, Fell &amp; Tor 1: <b>not fixed</b>, true cause water, connector." in html
    assert score in html


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


def test_a_review_goes_out_as_html_with_charts_and_a_table(
    store: Store, mail_receiver: Any, server: MailServer, wait: Any
) -> None:
    review = morning(store)
    channel = EmailChannel(NAME, server, FROM, TO, review=ReviewMails(store))
    worker = OutboxWorker(channel, store, Metrics(CollectorRegistry()), lambda: NOW)
    worker.start()
    try:
        wait(lambda: mail_receiver.mails)
    finally:
        worker.stop()
    [(sender, recipients, data)] = mail_receiver.mails
    assert (sender, tuple(recipients)) == (FROM, TO)
    mail = parsed(data)
    assert mail["Subject"] == f"Overnight review of the fleet, {review.day}: 2 alarms standing"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content_type() == "multipart/mixed"
    html, text = body(mail, "html"), body(mail, "plain")
    for item in review.items:
        assert " ".join(item.text.split()) in " ".join(text.split())
    assert "Fell &amp; Tor 1" in html
    assert "water" in html
    assert "foldback (SWR 2.5) about" in html
    assert "Costs 1.5 dB." in html
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    pictures = [part for part in mail.walk() if part.get_content_type() == "image/png"]
    assert len(pictures) == 2
    for picture in pictures:
        assert f'src="cid:{picture["Content-ID"].strip("<>")}"' in html
        assert picture.get_content().startswith(b"\x89PNG\r\n\x1a\n")
    [table] = mail.iter_attachments()
    assert table.get_content_type() == "text/csv"
    assert table.get_filename() == f"review-{review.day}.csv"
    got = table.get_payload(decode=True)
    assert got == as_csv(review).encode()
    assert len(list(csv.DictReader(io.StringIO(got.decode(), newline="")))) == 2
    with store.reading() as connection:
        assert waiting_messages(connection, NAME) == dead_messages(connection) == []


def test_a_review_that_is_gone_is_refused_for_good(store: Store, server: MailServer) -> None:
    morning(store)
    with store.writing() as connection:
        assert forget_reviews(connection, NOW + 1) == 1
        [message] = waiting_messages(connection, NAME)
    channel = EmailChannel(NAME, server, FROM, TO, review=ReviewMails(store))
    with pytest.raises(RefusedError, match="no review"):
        channel.deliver([message])
    with pytest.raises(RefusedError, match="makes no mails of reviews"):
        EmailChannel(NAME, server, FROM, TO).deliver([message])


def test_the_same_message_is_the_same_mail(store: Store, server: MailServer) -> None:
    morning(store)
    channel = EmailChannel(NAME, server, FROM, TO, review=ReviewMails(store, with_charts=False))
    with store.reading() as connection:
        [message] = waiting_messages(connection, NAME)
    first, second = channel.mail(message), channel.mail(message)
    assert first["Message-ID"] == second["Message-ID"]
    assert not [part for part in first.walk() if part.get_content_type() == "image/png"]


def test_alarms_are_no_reviews(event_message: Any) -> None:
    assert not is_review(event_message(Severity.MAJOR))
    assert not is_review(
        event_message(Severity.MAJOR, site="standingwatch.review.made", transmitter="review")
    )


def test_a_flood_has_charts_of_the_most_urgent_only(store: Store) -> None:
    review = morning(store, MOST_CHARTS + 3)
    charts = charts_of(review)
    assert sorted(charts) == list(range(1, MOST_CHARTS + 1))
    page = as_html(review, {rank: f"cid:{rank}" for rank in charts})
    assert page.count("<img ") == MOST_CHARTS
    assert as_text(review).count("\n- ") == MOST_CHARTS + 3


def test_charts_that_cannot_be_drawn_are_left_out_and_logged(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    review = morning(store)
    # A renderer that ends its process, as the real one does at some inputs.
    monkeypatch.setattr("sys.executable", "/bin/false")
    assert charts_of(review) == {}
    assert "no charts" in caplog.text


def test_nothing_to_draw_starts_no_process() -> None:
    assert draw_apart([]) == []


def test_reviews_that_are_listed_are_the_ones_mailed(store: Store) -> None:
    morning(store)
    with store.reading() as connection:
        [message] = waiting_messages(connection, NAME)
        [listed] = list_reviews(connection)
    assert f'"review": {listed.number},' in message.body
