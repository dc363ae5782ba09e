"""The web server: uvicorn on a thread of its own, with TLS where there is a certificate, and with limits."""

from __future__ import annotations

import logging
import socket
import ssl
import threading
from collections.abc import Callable
from pathlib import Path

import uvicorn

from standingwatch.settings.certificates import CertificateError, server_context
from standingwatch.settings.web import WebSettings
from standingwatch.web.doorway import Doorway
from standingwatch.web.patience import patient

log = logging.getLogger(__name__)


class ServeError(Exception):
    """The pages cannot be served; the text says why and what to do."""


class Certificate:
    """Certificate and key of the server, read again when their files have changed.

    Args:
        cert_file, key_file: PEM.

    Raises:
        ServeError: if they cannot be used. Later, when they are changed to what cannot be used, the log says
            so, and those of before are used.
    """

    def __init__(self, cert_file: Path, key_file: Path) -> None:
        self._files = (cert_file, key_file)
        self._read = self._times()
        try:
            self.context = server_context(*self._files)
        except CertificateError as error:
            raise ServeError(f"web: {error}; see web.cert_file and web.key_file") from error
        self._newest = self.context
        self.context.sni_callback = self._choose

    def _times(self) -> tuple[int, ...]:
        return tuple(file.stat().st_mtime_ns if file.exists() else 0 for file in self._files)

    def _choose(self, connection: ssl.SSLObject, _name: str | None, _first: ssl.SSLContext) -> None:
        """Called at each handshake, with a name of the server or without one."""
        times = self._times()
        if times != self._read:
            self._read = times
            try:
                self._newest = server_context(*self._files)
                log.info("web: the certificate was read again")
            except CertificateError as error:
                log.error("web: the certificate of before is used: %s", error)
        connection.context = self._newest


class WebServer:
    """uvicorn on a thread of its own.

    Args:
        app: the ASGI application.
        settings: where it listens (port 0 takes a free one), with what certificate, and how patient it is.
        before_stop: ends what would go on for long, such as streams.

    Raises:
        ServeError: if it cannot listen there, or the certificate cannot be used.
    """

    def __init__(
        self, app: object, settings: WebSettings, before_stop: Callable[[], None] = lambda: None
    ) -> None:
        self._before_stop = before_stop
        host, port, certificate = settings.host, settings.port, None
        if settings.cert_file is not None and settings.key_file is not None:
            certificate = Certificate(settings.cert_file, settings.key_file)
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._socket = Doorway(family, settings.connections_most)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((host, port))
        except OSError as error:
            self._socket.close()
            raise ServeError(
                f"web: cannot listen on {host}:{port}: {error.strerror}; set web.port to a free one"
            ) from error
        scheme = "http" if certificate is None else "https"
        self.address = f"{scheme}://{host}:{self._socket.getsockname()[1]}/"
        config = uvicorn.Config(
            app,  # type: ignore[arg-type]  # any ASGI application
            http=patient(settings.request_timeout_s),
            ws="none",
            log_level="warning",
            access_log=False,
            server_header=False,
            # Given, so that no variable of the environment says otherwise.
            forwarded_allow_ips=list(settings.proxies),
            # uvicorn's own context would allow ciphers of TLS 1.0 and never read a new certificate.
            ssl_context_factory=None if certificate is None else lambda *_: certificate.context,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="web", daemon=True
        )

    @property
    def is_up(self) -> bool:
        """Whether it serves by now."""
        return self._server.started

    @property
    def open(self) -> int:
        """Connections that are open."""
        return self._socket.open

    @property
    def turned_away(self) -> int:
        """Connections that were too many, since the start."""
        return self._socket.turned_away

    def start(self) -> None:
        """Serve, on a thread of its own."""
        self._thread.start()

    def stop(self) -> None:
        """Stop serving."""
        self._before_stop()
        self._server.should_exit = True
        self._thread.join(10)
        self._socket.close()
