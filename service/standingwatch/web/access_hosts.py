"""Only requests that name this service are answered: against DNS rebinding.

A page of another site can have its own name point at this machine, and its script then talks to the service
as if it were its own. The header `Host` says by what name a browser asks; one that is not ours is refused.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterable

from fastapi import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from standingwatch.settings.hosts import is_every_address

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")

#: Paths that tell nothing and are asked by address: whether the service lives, and does its work.
FREE_PATHS = ("/livez", "/readyz")


def host_name(header: str) -> str:
    """The name in a header `Host`, without port, in small letters; "" for one that cannot be."""
    text = header.strip().casefold()
    if text.startswith("["):
        inside, closed, rest = text[1:].partition("]")
        return inside if closed and (not rest or _is_port(rest)) else ""
    name, colon, port = text.partition(":")
    return name.rstrip(".") if not colon or port.isdecimal() else ""


def _is_port(text: str) -> bool:
    return text.startswith(":") and text[1:].isdecimal()


def is_ours(name: str, allowed: Iterable[str], bind_host: str) -> bool:
    """Whether a service that listens on an address may be asked by a name.

    Args:
        name: as `host_name` gives it.
        allowed: the names of the settings; none: the loopback's, and the address it listens on. Where that is
            every address, every numeric one is: no name points at those.
        bind_host: where the service listens.
    """
    if not name:
        return False
    names = {one.casefold().strip("[]").rstrip(".") for one in allowed}
    if names:
        return name in names
    if name in LOOPBACK_NAMES or name == bind_host.casefold().strip("[]"):
        return True
    return is_every_address(bind_host) and _is_address(name)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class HostGate:
    """ASGI middleware that refuses requests by a name that is not this service's.

    Args:
        app: what comes behind.
        allowed, bind_host: see `is_ours`.
        refuse: makes the answer, of the request, a status and a reason.
    """

    def __init__(
        self,
        app: ASGIApp,
        allowed: tuple[str, ...],
        bind_host: str,
        refuse: Callable[[Request, int, str], Response],
    ) -> None:
        self._app, self._allowed, self._bind_host, self._refuse = app, allowed, bind_host, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it with status 421 (RFC 9110, 15.5.20)."""
        if scope["type"] == "http" and scope["path"] not in FREE_PATHS:
            request = Request(scope)
            given = request.headers.get("host", "")
            if not is_ours(host_name(given), self._allowed, self._bind_host):
                detail = (
                    f"This service does not go by the name “{given[:100]}”. If it should, add the name to "
                    "access.allowed_hosts in the settings."
                )
                await self._refuse(request, 421, detail)(scope, receive, send)
                return
        await self._app(scope, receive, send)
