"""A real Alertmanager: alarms become alerts, stand as long as they are sent again, and end."""

from __future__ import annotations

import json
import time
from datetime import datetime
from typing import Any

import pytest
from sqlalchemy import insert

from standingwatch.detect.words import Condition, Severity
from standingwatch.notify.alertmanager import PATH, AlertmanagerChannel
from standingwatch.notify.channel import DeliveryError, RefusedError
from standingwatch.notify.http import HttpSender
from standingwatch.notify.trial import trial_message
from standingwatch.store import tables
from standingwatch.store.alarming import key_columns
from standingwatch.store.connect import Store
from standingwatch.store.outbox import waiting_messages

NAME = "alertmanager.main"


def now_us() -> int:
    return time.time_ns() // 1000


def shown(alertmanager: Any) -> list[tuple[str, str, str]]:
    """Condition, severity and transmitter of the alerts that stand."""
    found = [alert["labels"] for alert in alertmanager.alerts()]
    return sorted(
        (labels["alertname"], labels["severity"], labels.get("transmitter", "")) for labels in found
    )


def believe(store: Store, desk: Any) -> None:
    """Note what the channel was told, as the watch does."""
    rows = [
        {
            "channel": NAME,
            **key_columns(alarm.key),
            "severity": int(alarm.severity),
            "number": alarm.changes,
            "time_us": alarm.changed_us,
            "by_summary": False,
        }
        for alarm in desk.alarms.values()
        if not alarm.is_cleared
    ]
    with store.writing() as connection:
        connection.execute(tables.told.delete())
        if rows:
            connection.execute(insert(tables.told), rows)


def waiting(store: Store) -> int:
    with store.reading() as connection:
        return len(waiting_messages(connection, NAME, 1000))


def test_it_shows_the_alert_follows_its_severity_and_ends_it(
    store: Store, make_desk: Any, alertmanager: Any, running: Any, wait: Any
) -> None:
    desk = make_desk(NAME, start_us=now_us() - 3600_000_000)
    channel = AlertmanagerChannel(NAME, alertmanager.url, store, now_us)
    worker = running(channel, clock=now_us, refresh=channel.refresh)

    def tell(*severities: Severity) -> None:
        desk.change(*severities)
        believe(store, desk)
        worker.wake()
        wait(lambda: not waiting(store))

    tell(Severity.MINOR)
    [alert] = alertmanager.alerts()
    assert alert["labels"] == {
        "alertname": "swr-high",
        "severity": "minor",
        "site": "alder-ridge",
        "transmitter": "rpt-1",
    }
    assert alert["annotations"]["summary"] == "alder-ridge/rpt-1: SWR over its limit"
    assert alert["annotations"]["description"].startswith(
        "alder-ridge/rpt-1: SWR over its limit, minor, since"
    )
    assert alert["status"]["state"] == "active"
    raised_us = desk.changes[0].alarm.raised_us
    assert datetime.fromisoformat(alert["startsAt"]).timestamp() == pytest.approx(raised_us / 1e6, abs=0.01)
    assert datetime.fromisoformat(alert["endsAt"]).timestamp() > time.time() + 60
    tell(Severity.MAJOR)
    assert shown(alertmanager) == [("swr-high", "major", "rpt-1")]
    tell(Severity.MINOR)
    assert shown(alertmanager) == [("swr-high", "minor", "rpt-1")]
    tell(Severity.CRITICAL, Severity.MAJOR)
    assert shown(alertmanager) == [("swr-high", "major", "rpt-1")]
    tell(Severity.CLEARED)
    assert shown(alertmanager) == []
    tell(Severity.MAJOR)
    assert shown(alertmanager) == [("swr-high", "major", "rpt-1")]


def test_it_learns_again_what_stands_after_it_was_away(
    store: Store, make_desk: Any, alertmanager: Any, running: Any, wait: Any
) -> None:
    desk = make_desk(NAME, start_us=now_us() - 3600_000_000)
    channel = AlertmanagerChannel(NAME, alertmanager.url, store, now_us, resend_every_s=0.5)
    worker = running(channel, clock=now_us, refresh=channel.refresh)
    desk.change(Severity.MAJOR)
    desk.change(Severity.MINOR, transmitter="rpt-2")
    believe(store, desk)
    worker.wake()
    both = [("swr-high", "major", "rpt-1"), ("swr-high", "minor", "rpt-2")]
    wait(lambda: shown(alertmanager) == both)
    alertmanager.stop()
    desk.change(Severity.CLEARED, transmitter="rpt-2")
    desk.change(Severity.CRITICAL, transmitter="rpt-3")
    believe(store, desk)
    worker.wake()
    time.sleep(0.5)
    worker.stop()
    # It comes back without a memory of them; another worker goes on.
    again = AlertmanagerChannel(NAME, alertmanager.url, store, now_us, resend_every_s=0.5)
    running(again, clock=now_us, refresh=again.refresh)
    alertmanager.start()
    wait(lambda: not waiting(store))
    wanted = [("swr-high", "critical", "rpt-3"), ("swr-high", "major", "rpt-1")]
    wait(lambda: shown(alertmanager) == wanted)


def test_an_alarm_that_is_not_sent_again_ends_by_itself(
    store: Store, alertmanager: Any, event_message: Any, wait: Any
) -> None:
    # By a clock that is behind, so that the minute ahead is over in two seconds.
    behind_us = 58_000_000
    channel = AlertmanagerChannel(
        NAME, alertmanager.url, store, lambda: now_us() - behind_us, resend_every_s=1.0
    )
    channel.deliver([event_message(Severity.MAJOR, made_us=now_us() - behind_us - 1_000_000)])
    assert len(alertmanager.alerts()) == 1
    wait(lambda: alertmanager.alerts() == [])
    channel.close()


def test_summaries_and_reminders_are_its_own_business(
    store: Store, receiver: Any, other_message: Any
) -> None:
    channel = AlertmanagerChannel(NAME, f"http://127.0.0.1:{receiver.port}/", store, now_us)
    data = {"site": "a", "condition": "swr-high", "severity": "major", "text": "x", "alarms": []}
    channel.deliver([other_message("summary", data), other_message("reminder", data)])
    assert receiver.requests == []
    channel.deliver([trial_message(NAME, "urn:x", now_us())])
    channel.close()
    [(path, _, body)] = receiver.requests
    assert path == "/api/v2/alerts"
    assert json.loads(body)[0]["labels"] == {"alertname": "standingwatch-test", "severity": "warning"}


def test_a_region_a_part_of_the_service_and_strange_names_are_taken(
    store: Store, alertmanager: Any, event_message: Any
) -> None:
    made_us = now_us() - 60_000_000
    channel = AlertmanagerChannel(NAME, alertmanager.url, store, now_us)
    messages = [
        event_message(
            Severity.MAJOR,
            made_us=made_us,
            site="",
            transmitter="",
            condition=Condition.SWR_WEATHER,
            region='Nord "Küste" \n\x00',
        ),
        # A report of a clock that is ahead of ours.
        event_message(Severity.MINOR, made_us=now_us() + 3600_000_000, transmitter="ahead"),
        event_message(
            Severity.MINOR, Severity.CLEARED, made_us=now_us() + 3600_000_000, transmitter="ahead, over"
        ),
    ]
    channel.deliver(messages)
    channel.close()
    labels = sorted((a["labels"] for a in alertmanager.alerts()), key=lambda found: found["alertname"])
    assert [label.get("transmitter") for label in labels] == ["ahead", None]
    assert labels[1]["region"] == 'Nord "Küste" \n\x00'


def test_what_the_server_refuses_is_refused(alertmanager: Any) -> None:
    sender = HttpSender(alertmanager.url + PATH)
    headers = {"Content-Type": "application/json"}
    backwards = {"startsAt": "2026-01-02T00:00:00Z", "endsAt": "2026-01-01T00:00:00Z"}
    for bad in ({"labels": {}}, {"labels": {"alertname": "x"}, **backwards}, {"labels": "x"}):
        with pytest.raises(RefusedError, match="answered 4"):
            sender.post(json.dumps([bad]).encode(), headers)
    sender.close()
    assert alertmanager.alerts() == []


def test_a_refused_alert_does_not_keep_the_others_from_being_sent_again(
    store: Store, make_desk: Any, receiver: Any, http_answer: Any, caplog: Any
) -> None:
    desk = make_desk(NAME)
    for number in range(7):
        desk.change(Severity.MINOR, transmitter=f"rpt-{number}")
    believe(store, desk)
    receiver.answer = lambda _p, _h, body: http_answer(400 if b'"rpt-3"' in body else 200)
    channel = AlertmanagerChannel(NAME, f"http://127.0.0.1:{receiver.port}", store, now_us)
    channel.refresh()
    taken = [alert["labels"]["transmitter"] for _, _, body in receiver.requests for alert in json.loads(body)]
    assert sorted(taken) == [f"rpt-{n}" for n in (0, 1, 2, 4, 5, 6)]
    assert "rpt-3" in caplog.text
    # Not again before it is time.
    channel.refresh()
    assert len(taken) == 6
    receiver.stop()
    channel.close()
    away = AlertmanagerChannel(NAME, f"http://127.0.0.1:{receiver.port}", store, now_us)
    with pytest.raises(DeliveryError):
        away.refresh()
    away.close()
