"""Settings of the web server: where it listens, with what certificate, and how patient it is."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from standingwatch.settings.section import Conflict, HostName, Port, Section, Wanted


def _check_network(text: str) -> str:
    ipaddress.ip_network(text)
    return text


Networks = Annotated[
    tuple[Annotated[str, AfterValidator(_check_network)], ...],
    Field(strict=False),
    Wanted('addresses or networks between brackets, as in ["127.0.0.1", "192.0.2.0/24"]'),
]


class WebSettings(Section):
    """The web pages, the HTTP API and the metrics."""

    host: HostName = Field(
        "127.0.0.1",
        description="address to listen on; 0.0.0.0 for all, then give a certificate or put a proxy with TLS "
        "in front",
    )
    port: Port = Field(8080, description="TCP port to listen on")
    enabled: bool = Field(True, description="serve pages, API and metrics")
    cert_file: Path | None = Field(
        None,
        description="certificate of the server, then those between it and the authority (PEM); absent for "
        "HTTP in clear; read again when it changes",
    )
    key_file: Path | None = Field(
        None, description="private key that belongs to cert_file, without a password (PEM)"
    )
    # Off at first: it holds for every port of the name, and a dashboard beside us may speak HTTP alone; where
    # the certificate is not one that browsers know, they let nobody past their warning any more.
    hsts_days: int = Field(
        0,
        ge=0,
        le=3650,
        description="tell browsers to ask this host by HTTPS alone for so long, on all of its ports; 0 for "
        "not [d]",
    )
    proxies: Networks = Field(
        ("127.0.0.1", "::1"),
        description="where a proxy is that says who asks and whether by HTTPS (X-Forwarded-For, "
        "X-Forwarded-Proto); nobody else is believed",
    )
    request_timeout_s: float = Field(
        20.0,
        ge=1,
        le=600,
        description="longest time that a request may take to arrive, and an answer to be taken; what is "
        "slower is cut [s]",
    )
    # Well below 1024, the number of files that a process may have open where nobody has said otherwise.
    connections_most: int = Field(
        400,
        ge=10,
        le=100_000,
        description="connections that may be open at a time, half of them from one address; more are closed",
    )

    def conflicts(self) -> Iterator[Conflict]:
        """Yield what does not go together about TLS."""
        if (self.cert_file is None) != (self.key_file is None):
            there, absent = ("cert_file", "key_file") if self.cert_file else ("key_file", "cert_file")
            yield Conflict((there,), f"no {absent}", "both or neither", f"give {absent} as well")
