"""The syslog channel: alarms as messages of RFC 5424, over TLS (RFC 5425), TCP (RFC 6587) or UDP (RFC 5426).

Written here because no library for it is kept: the widely used `rfc5424-logging-handler` had its last release
in 2019, `syslog-rfc5424-formatter` in 2022, and both are for records of `logging`.

- Severity of the message by perceived severity: RFC 5674, table 1 (critical 1 alert, major 2 critical,
  minor 3 error, warning 4 warning, cleared 5 notice).
- Structured data: the element `alarm` of RFC 5674, and one of our own, `standingwatch@32473`, whose number is
  the one that RFC 5612 reserves for examples, because this project has no enterprise number.
- Over TLS and TCP a message is framed by its length in octets (RFC 5425, 4.3; RFC 6587, 3.4.1).

Syslog has no acknowledgement. Over TLS and TCP each batch has a connection of its own, which is ended in
order: when the receiver has closed its side without an error it had read all of it. A receiver that does not
close in time is believed to have it. What UDP loses on the way is lost, and nobody is told, unless the
receiver's machine says at once that nobody listens.
"""

from __future__ import annotations

import os
import socket
import ssl
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, get_args

from standingwatch.notify.channel import DeliveryError
from standingwatch.notify.content import TEST, Content, content_of, one_line
from standingwatch.notify.http import tls_context
from standingwatch.settings.channels import Facility
from standingwatch.store.outbox import Message

#: Numerical codes of facilities by name (RFC 5424, table 1; names of RFC 5427), which stand in their order.
FACILITIES = {name: code for code, name in enumerate(get_args(Facility))}

#: Syslog severity of each perceived severity (RFC 5674, table 1).
SEVERITIES = {"critical": 1, "major": 2, "minor": 3, "warning": 4, "cleared": 5}

OWN_ID = "standingwatch@32473"

#: Longest message [B]: what every receiver should take (RFC 5424, 6.1), and over TLS (RFC 5425, 4.3.1).
LONGEST_DATAGRAM, LONGEST_FRAME = 2048, 8192

#: How long a receiver has to close its side of a connection [s].
CLOSE_WAIT_S = 2.0

_BOM = b"\xef\xbb\xbf"


class SyslogChannel:
    """Sends messages to a syslog server.

    Args:
        name: the channel's name.
        host, port: of the server.
        transport: "tls", "tcp" or "udp".
        facility: name of the facility.
        app_name: APP-NAME, 1 to 48 printable ASCII characters.
        ca_file: certificates to trust in place of the system's (PEM).
        timeout_s: how long to wait for the connection, and for each write [s].
        host_name: HOSTNAME; that of this machine if None.
    """

    most_at_once = 100

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        *,
        transport: Literal["tls", "tcp", "udp"] = "tls",
        facility: str = "daemon",
        app_name: str = "standingwatch",
        ca_file: Path | None = None,
        timeout_s: float = 10.0,
        host_name: str | None = None,
    ) -> None:
        self.name = name
        self._host, self._port = host, port
        self._transport = transport
        self._facility = FACILITIES[facility]
        self._app_name = app_name
        self._timeout_s = timeout_s
        self._host_name = _printable(host_name or socket.gethostname(), 255)
        self._context = tls_context(ca_file) if transport == "tls" else None

    def deliver(self, messages: Sequence[Message]) -> None:
        """Send messages in order."""
        limit = LONGEST_DATAGRAM if self._transport == "udp" else LONGEST_FRAME
        packets = [self.packet(message, limit) for message in messages]
        at = f"{self._host}:{self._port}"
        try:
            if self._transport == "udp":
                self._send_datagrams(packets)
            else:
                self._send_frames(packets)
        except OSError as error:  # those of TLS, of names and of time are among them
            raise DeliveryError(f"{at} ({self._transport}): {error or type(error).__name__}") from error

    def close(self) -> None:
        """Nothing is held open."""

    # The message ----------------------------------------------------------------------------------------

    def packet(self, message: Message, limit: int) -> bytes:
        """A message as RFC 5424 has it, its text cut off where it would be longer than a limit [B]."""
        content = content_of(message)
        priority = self._facility * 8 + SEVERITIES[content.severity]
        moment = datetime.fromtimestamp(message.made_us // 1_000_000, tz=UTC)
        timestamp = moment.strftime("%Y-%m-%dT%H:%M:%S") + f".{message.made_us % 1_000_000:06d}Z"
        kind = _printable(content.kind, 32)
        head = (
            f"<{priority}>1 {timestamp} {self._host_name} {self._app_name} {os.getpid()} {kind} "
            f"{structured_data(content)} "
        ).encode()
        # One line: many receivers write one message a line.
        text = content.text if content.kind == TEST else f"{content.headline}. {content.text}"
        return head + _BOM + _cut(one_line(text), limit - len(head) - len(_BOM))

    # Transports -----------------------------------------------------------------------------------------

    def _send_datagrams(self, packets: Sequence[bytes]) -> None:
        family, kind, protocol, _, address = socket.getaddrinfo(
            self._host, self._port, type=socket.SOCK_DGRAM
        )[0]
        with socket.socket(family, kind, protocol) as sock:
            sock.settimeout(self._timeout_s)
            # Connected, so that the machine's answer that nobody listens comes back as an error.
            sock.connect(address)
            for packet in packets:
                sock.send(packet)
            time.sleep(0.05)
            error = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if error:
                raise OSError(error, os.strerror(error))

    def _send_frames(self, packets: Sequence[bytes]) -> None:
        frames = b"".join(b"%d %s" % (len(packet), packet) for packet in packets)
        with socket.create_connection((self._host, self._port), self._timeout_s) as plain:
            if self._context is None:
                plain.sendall(frames)
                plain.shutdown(socket.SHUT_WR)
                _wait_for_end(plain)
                return
            with self._context.wrap_socket(plain, server_hostname=self._host) as encrypted:
                encrypted.sendall(frames)
                encrypted.settimeout(CLOSE_WAIT_S)
                try:
                    # Says that we have ended (RFC 5425, 4.4), and waits for the other to say so.
                    rest = encrypted.unwrap()
                except (TimeoutError, ssl.SSLEOFError, ssl.SSLZeroReturnError):
                    return  # it takes its time, or has just hung up; neither says that anything is lost
                rest.shutdown(socket.SHUT_WR)
                _wait_for_end(rest)
                rest.close()


def structured_data(content: Content) -> str:
    """STRUCTURED-DATA: `alarm` of RFC 5674 where the message is about an alarm, and our own element."""
    own = {
        "id": content.event_id,
        "kind": content.kind,
        "condition": content.condition,
        "severity": content.severity,
        "site": content.site,
        "transmitter": content.transmitter,
        "region": content.region,
        "service": content.service,
        "raised": content.raised,
    }
    elements = []
    if content.condition and content.probable_cause:
        alarm = {
            "resource": content.where,
            "probableCause": content.probable_cause,
            "perceivedSeverity": content.severity,
        }
        elements.append(_element("alarm", alarm))
    elements.append(_element(OWN_ID, {name: value for name, value in own.items() if value}))
    return "".join(elements)


def _element(name: str, values: dict[str, str]) -> str:
    parameters = "".join(f' {key}="{_escaped(value)}"' for key, value in values.items())
    return f"[{name}{parameters}]"


def _escaped(value: str) -> str:
    r"""A PARAM-VALUE: `"`, `\` and `]` are escaped (RFC 5424, 6.3.3), control characters left out."""
    return one_line(value).replace("\\", "\\\\").replace('"', '\\"').replace("]", "\\]")


def _printable(text: str, longest: int) -> str:
    """A field of the header: printable ASCII without blanks, "-" for nothing."""
    return "".join(c for c in text if "!" <= c <= "~")[:longest] or "-"


def _cut(text: str, limit: int) -> bytes:
    """Text as UTF-8, cut off between two characters where it would be too long [B]."""
    whole = text.encode("utf-8", "replace")
    if len(whole) <= limit:
        return whole
    return whole[: max(0, limit - 3)].decode("utf-8", "ignore").encode() + b"..."


def _wait_for_end(sock: socket.socket) -> None:
    """Wait until the receiver has closed its side; not for long."""
    end = time.monotonic() + CLOSE_WAIT_S
    try:
        while (left := end - time.monotonic()) > 0:
            sock.settimeout(left)
            if not sock.recv(4096):
                return
    except TimeoutError:
        return
