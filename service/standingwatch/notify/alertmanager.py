"""The Alertmanager channel: alarms as alerts of Prometheus Alertmanager, by its HTTP API v2.

`POST /api/v2/alerts` takes a list of alerts (api/v2/openapi.yaml of that project, and "Alerts API" of its
documentation; held to a real server of version 0.25 by a test). Labels tell alerts apart, and severity is one
of them, as is usual there: an alarm whose severity changes ends as one alert and goes on as another.

The server takes an alert to be over at its `endsAt`. An alarm that stands is sent with a time ahead of now,
and sent again and again before that: as the store has it, of every alarm that this channel was told of. So
the server knows what stands after it has lost its memory too, and an alarm that this service can no longer
watch ends there by itself. Summaries and reminders are the server's own business and count as delivered
unsent.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import and_, select

from standingwatch.alarms.event import rfc3339
from standingwatch.detect.words import Severity
from standingwatch.notify.channel import RefusedError
from standingwatch.notify.content import REMINDER, SUMMARY, TEST, Content, called, content_of, unix_us
from standingwatch.notify.http import HttpSender
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.outbox import Message
from standingwatch.store.tables import ALARM_KEY

log = logging.getLogger("standingwatch.notify")

PATH = "/api/v2/alerts"

#: An alert ends by itself so many intervals after it was sent last [1], and not before so long [s].
AHEAD_INTERVALS, AHEAD_LEAST_S = 4, 60.0

#: Alerts of one request when standing alarms are sent again.
ALERTS_A_POST = 500

#: The label `alertname` of an event that only proves the channel, and how long it stands [s].
TEST_NAME, TEST_STANDS_S = "standingwatch-test", 60.0


class AlertmanagerChannel:
    """Sends alarms as alerts.

    Args:
        name: the channel's name.
        url: address of the server, without the path of its API.
        store: where the standing alarms are that it was told of.
        clock: now [Unix microseconds].
        resend_every_s: how often standing alarms are sent again [s].
        timeout_s: how long to wait for the connection, and for each part of the answer [s].
        ca_file: certificates to trust in place of the system's (PEM).
        username, password: HTTP basic authentication; none where the user name is "".
        generator_url: address of a page about all of it, for the server to link to; "" for none.
    """

    most_at_once = 200

    def __init__(
        self,
        name: str,
        url: str,
        store: Store,
        clock: Callable[[], int],
        *,
        resend_every_s: float = 60.0,
        timeout_s: float = 10.0,
        ca_file: Path | None = None,
        username: str = "",
        password: str = "",
        generator_url: str = "",
    ) -> None:
        self.name = name
        self._store = store
        self._clock = clock
        self._resend_every_s = resend_every_s
        self._generator_url = generator_url
        self._sent: float | None = None
        self._sender = HttpSender(
            url.rstrip("/") + PATH, timeout_s=timeout_s, ca_file=ca_file, username=username, password=password
        )

    def deliver(self, messages: Sequence[Message]) -> None:
        """Send the alerts of messages, in order."""
        alerts = [alert for message in messages for alert in self.alerts_of(content_of(message))]
        if alerts:
            self._post(alerts)

    def refresh(self) -> None:
        """Send the alarms again that stand, if it is time."""
        if self._sent is not None and time.monotonic() < self._sent + self._resend_every_s:
            return
        alerts = self._standing()
        for begin in range(0, len(alerts), ALERTS_A_POST):
            self._send_again(alerts[begin : begin + ALERTS_A_POST])
        self._sent = time.monotonic()

    def _send_again(self, alerts: list[dict[str, Any]]) -> None:
        """Send standing alarms; one that the server refuses does not keep the others from it."""
        try:
            self._post(alerts)
        except RefusedError as error:
            if len(alerts) == 1:
                log.error("channel %s: a standing alarm was refused: %s: %s", self.name, alerts[0], error)
                return
            half = len(alerts) // 2
            self._send_again(alerts[:half])
            self._send_again(alerts[half:])

    def close(self) -> None:
        """Close connections that are open."""
        self._sender.close()

    def alerts_of(self, content: Content) -> list[dict[str, Any]]:
        """The alerts that a message makes: none, one, or the end of one and another."""
        now_us = self._clock()
        if content.kind in (SUMMARY, REMINDER):
            return []
        if content.kind == TEST:
            labels = {"alertname": TEST_NAME, "severity": content.severity}
            end_us = now_us + round(TEST_STANDS_S * 1e6)
            return [self._alert(labels, content.what, content.text, content.raised, end_us)]
        names = {name: getattr(content, name) for name in ("site", "transmitter", "region", "service")}
        before = content.previous if content.previous not in ("", Severity.CLEARED.word) else ""
        alerts = []
        if before and before != content.severity:
            labels = _labels(content.condition, before, names)
            alerts.append(self._alert(labels, content.what, content.text, content.raised, now_us))
        if content.severity != Severity.CLEARED.word:
            labels = _labels(content.condition, content.severity, names)
            alerts.append(
                self._alert(labels, content.what, content.text, content.raised, self._ahead_us(now_us))
            )
        return alerts

    def _standing(self) -> list[dict[str, Any]]:
        """Alerts of all alarms that this channel believes to stand, and that do."""
        alarms, told = tables.alarms.c, tables.told.c
        same = and_(*(alarms[name] == told[name] for name in ALARM_KEY))
        query = (
            select(
                *(alarms[name] for name in ALARM_KEY),
                alarms.raised_us,
                alarms.text,
                told.severity.label("told"),
            )
            .join_from(tables.told, tables.alarms, same)
            .where(told.channel == self.name, alarms.is_cleared.is_(False))
        )
        end_us = self._ahead_us(self._clock())
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
        return [
            self._alert(
                _labels(r.condition, Severity(r.told).word, {n: getattr(r, n) for n in ALARM_KEY}),
                called(r.condition),
                r.text,
                rfc3339(r.raised_us),
                end_us,
            )
            for r in rows
        ]

    def _ahead_us(self, now_us: int) -> int:
        """When an alarm that stands ends if it is not sent again [Unix microseconds]."""
        return now_us + round(max(AHEAD_INTERVALS * self._resend_every_s, AHEAD_LEAST_S) * 1e6)

    def _alert(
        self, labels: dict[str, str], what: str, text: str, starts_at: str, ends_us: int
    ) -> dict[str, Any]:
        # A report may be from a clock ahead of ours; an alert that ends before it began is refused.
        began_us = min(unix_us(starts_at) or ends_us, self._clock(), ends_us)
        where = "/".join(labels[n] for n in ("site", "transmitter", "region", "service") if n in labels)
        alert: dict[str, Any] = {
            "labels": labels,
            "annotations": {"summary": f"{where}: {what}" if where else what, "description": text},
            "startsAt": rfc3339(began_us),
            "endsAt": rfc3339(ends_us),
        }
        if self._generator_url:
            alert["generatorURL"] = self._generator_url
        return alert

    def _post(self, alerts: list[dict[str, Any]]) -> None:
        body = json.dumps(alerts, allow_nan=False).encode()
        self._sender.post(body, {"Content-Type": "application/json"})


def _labels(condition: str, severity: str, names: dict[str, str]) -> dict[str, str]:
    """The labels of an alarm; an empty one is none to the server."""
    known = {n: names[n] for n in ("site", "transmitter", "region", "service") if names[n]}
    return {"alertname": condition, "severity": severity, **known}
