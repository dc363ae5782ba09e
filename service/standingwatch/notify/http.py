"""POST over HTTP, and what an answer means for a message and its channel.

| answer | meaning |
| --- | --- |
| 2xx | arrived |
| 408, 425, 429, 5xx, no answer in time, connection lost | this message not now; `Retry-After` is heeded |
| any other 4xx | this message never |
| 401, 407, 3xx; no connection, no such host, certificate not trusted | the channel is down |

An answer 401 or 407 is about our credentials, and a redirect about the address in the settings: neither is
about the message. Redirects are not followed, because a signed event must not go where nobody decided that it
may. Proxies and credentials of the environment and of `.netrc` are not looked at.
"""

from __future__ import annotations

import logging
import ssl
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path

import httpx

from standingwatch import __version__
from standingwatch.notify.channel import DeliveryError, PostponedError, RefusedError
from standingwatch.notify.content import one_line
from standingwatch.notify.veil import veil

# They log each request with its whole address, and each answer with its headers; addresses of webhooks often
# are secrets, and so is what some receivers put into headers.
for _name in ("httpx", "httpcore"):
    logging.getLogger(_name).setLevel(logging.WARNING)

#: How much of an answer is read [B], and how much of it is shown [characters].
ANSWER_BYTES, ANSWER_SHOWN = 65_536, 200

_NOT_NOW = frozenset({408, 425, 429})
_CREDENTIALS = frozenset({401, 407})


class HttpSender:
    """Posts to one address.

    Args:
        url: http or https; its certificate is verified.
        timeout_s: how long to wait for the connection, and for each part of the answer [s].
        ca_file: certificates to trust in place of the system's (PEM).
        username, password: HTTP basic authentication; none where the user name is "".

    Raises:
        DeliveryError: if the address cannot be used.
    """

    def __init__(
        self,
        url: str,
        *,
        timeout_s: float = 10.0,
        ca_file: Path | None = None,
        username: str = "",
        password: str = "",
    ) -> None:
        try:
            self._url = httpx.URL(url)
        except httpx.InvalidURL as error:
            raise DeliveryError(f"url: cannot be read: {error}") from error
        if self._url.scheme not in ("http", "https") or not self._url.host:
            raise DeliveryError(f"url: got scheme {self._url.scheme!r}, wanted http or https and a host")
        #: The address without what may be secret in it.
        self.shown = f"{self._url.scheme}://{self._url.netloc.decode()}"
        self._hide = veil(password, username, url)
        self._timeout_s = timeout_s
        self._client = httpx.Client(
            verify=tls_context(ca_file),
            timeout=timeout_s,
            follow_redirects=False,
            trust_env=False,
            auth=(username, password) if username else None,
            # Answers are read raw, and only so much of them.
            headers={"User-Agent": f"standingwatch/{__version__}", "Accept-Encoding": "identity"},
        )

    def post(self, body: bytes, headers: Mapping[str, str]) -> None:
        """Post a body; when this returns the receiver has it.

        Raises:
            DeliveryError, MessageError: as the module says.
        """
        try:
            with self._client.stream("POST", self._url, content=body, headers=dict(headers)) as response:
                status = response.status_code
                shown = self._beginning(response)
                retry_after = response.headers.get("Retry-After", "")
                location = response.headers.get("Location", "")
        except (httpx.ConnectError, httpx.ConnectTimeout, httpx.UnsupportedProtocol) as error:
            raise DeliveryError(f"{self.shown}: {_words(error)}") from error
        except httpx.TransportError as error:
            raise PostponedError(f"{self.shown}: {_words(error)}") from error
        if 200 <= status < 300:
            return
        text = f"{self.shown} answered {status}" + (f": {shown}" if shown else "")
        if status in _CREDENTIALS:
            raise DeliveryError(f"{text}; check the credentials in the settings")
        if 300 <= status < 400:
            host = _host_of(location)
            raise DeliveryError(f"{text} and leads to {host}; redirects are not followed: correct the url")
        if 400 <= status < 500 and status not in _NOT_NOW:
            raise RefusedError(text)
        raise PostponedError(text, retry_after_s(retry_after))

    def _beginning(self, response: httpx.Response) -> str:
        """The beginning of the answer on one line; what comes slowly or cannot be read is left out."""
        end = time.monotonic() + self._timeout_s
        got = b""
        try:
            for chunk in response.iter_raw():
                got += chunk
                if len(got) >= ANSWER_BYTES or time.monotonic() > end:
                    break
        except httpx.TransportError as error:
            # The status was there, and says whether the message has arrived.
            logging.getLogger("standingwatch.notify").debug("%s: answer cut off: %s", self.shown, error)
        # Hidden before it is cut: the half of a secret is one too.
        return self._hide(one_line(got.decode("utf-8", "replace")))[:ANSWER_SHOWN]

    def close(self) -> None:
        """Close connections that are open."""
        self._client.close()


def tls_context(ca_file: Path | None) -> ssl.SSLContext:
    """A context that verifies certificate and host name, against the system's certificates or a file.

    Raises:
        DeliveryError: if the file cannot be read.
    """
    try:
        return ssl.create_default_context(cafile=str(ca_file) if ca_file is not None else None)
    except OSError as error:  # an ssl.SSLError is one as well
        raise DeliveryError(f"ca_file {ca_file}: {error.strerror or error}") from error


def retry_after_s(text: str) -> float | None:
    """What a header `Retry-After` asks for [s] (RFC 9110, 10.2.3); None where it cannot be read."""
    text = text.strip()
    if text.isascii() and text.isdigit():
        return float(text[:10])
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    moment = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
    return max(0.0, (moment - datetime.now(UTC)).total_seconds())


def _host_of(location: str) -> str:
    try:
        return httpx.URL(location).host or "another path"
    except httpx.InvalidURL:
        return "somewhere that cannot be read"


def _words(error: httpx.TransportError) -> str:
    text = str(error).strip()
    if isinstance(error, httpx.TimeoutException):
        return "no connection in time" if isinstance(error, httpx.ConnectTimeout) else "no answer in time"
    return text or type(error).__name__
