"""The webhook channel: each event as a CloudEvent over HTTP, signed.

CloudEvents HTTP Protocol Binding 1.0.2, structured content mode (3.2): a POST whose body is the event as JSON
and whose `Content-Type` is `application/cloudevents+json; charset=utf-8`. Any answer 2xx means that the
receiver has the event. A receiver can get an event more than once, always with the same `id`.

With a secret, two headers let the receiver check that the event comes from here and is not an old one played
again: `Standingwatch-Timestamp` (Unix seconds, of this try) and `Standingwatch-Signature` ("sha256=" and the
HMAC-SHA256, RFC 2104, of the timestamp, a full stop and the body, in lower-case hexadecimal). To check it:

    given = headers["Standingwatch-Signature"]
    stamp = headers["Standingwatch-Timestamp"]
    mac = hmac.new(secret.encode(), stamp.encode() + b"." + body, "sha256").hexdigest()
    if not hmac.compare_digest(given, "sha256=" + mac) or abs(time.time() - int(stamp)) > 300:
        refuse(401)
"""

from __future__ import annotations

import hashlib
import hmac
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from standingwatch.notify.http import HttpSender
from standingwatch.store.outbox import Message

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"


def sign(secret: str, timestamp: str, body: bytes) -> str:
    """The value of `Standingwatch-Signature`."""
    mac = hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256)
    return f"sha256={mac.hexdigest()}"


class WebhookChannel:
    """Posts events, one at a time.

    Args:
        name: the channel's name.
        url: where to.
        secret: shared with the receiver; "" signs nothing.
        timeout_s: how long to wait for the connection, and for each part of the answer [s].
        ca_file: certificates to trust in place of the system's (PEM).
        wall_clock: Unix seconds, for the receiver to compare with its own clock.
    """

    most_at_once = 1

    def __init__(
        self,
        name: str,
        url: str,
        *,
        secret: str = "",
        timeout_s: float = 10.0,
        ca_file: Path | None = None,
        wall_clock: Callable[[], float] = time.time,
    ) -> None:
        self.name = name
        self._secret = secret
        self._wall_clock = wall_clock
        self._sender = HttpSender(url, timeout_s=timeout_s, ca_file=ca_file)

    def deliver(self, messages: Sequence[Message]) -> None:
        """Post events in order."""
        for message in messages:
            body = message.body.encode()
            headers = {"Content-Type": CONTENT_TYPE}
            if self._secret:
                timestamp = str(int(self._wall_clock()))
                headers["Standingwatch-Timestamp"] = timestamp
                headers["Standingwatch-Signature"] = sign(self._secret, timestamp, body)
            self._sender.post(body, headers)

    def close(self) -> None:
        """Close connections that are open."""
        self._sender.close()
