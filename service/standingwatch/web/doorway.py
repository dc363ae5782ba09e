"""The listening socket of the web pages, which lets in no more connections than it was told.

Whoever opens connections without end takes file handles from the whole process, and the watch needs some too.
What is too many is closed at once, before TLS and HTTP: a flood may take the pages away, never the watch.
"""

from __future__ import annotations

import ipaddress
import logging
import socket
import weakref
from typing import Any

log = logging.getLogger(__name__)


class Doorway(socket.socket):
    """A listening socket with a limit.

    One address alone gets no more than half of the connections, so that one host that floods leaves room for
    others; the loopback is let off, because a proxy there brings everybody's.

    Attributes:
        most: connections that are open at a time, at most.
        turned_away: connections that were too many, since the start.
    """

    def __init__(self, family: int, most: int) -> None:
        super().__init__(family, socket.SOCK_STREAM)
        self.most = most
        self.turned_away = 0
        self._open: weakref.WeakKeyDictionary[socket.socket, str] = weakref.WeakKeyDictionary()

    def accept(self) -> tuple[socket.socket, Any]:
        """Take the next connection.

        Raises:
            BlockingIOError: if there is none, or it was one too many.
        """
        connection, address = super().accept()
        host = str(address[0])
        hosts = self._hosts()
        if len(hosts) >= self.most or (
            hosts.count(host) >= max(1, self.most // 2) and not _is_loopback(host)
        ):
            connection.close()
            self.turned_away += 1
            # The first, the tenth, the hundredth: a flood must not flood the log as well.
            if str(self.turned_away).rstrip("0") == "1":
                log.warning(
                    "web: connections turned away so far: %d, the last from %s; web.connections_most is %d",
                    self.turned_away,
                    host,
                    self.most,
                )
            raise BlockingIOError("too many connections")
        # asyncio does this for sockets that it has made itself, and not for those of others. Without it the
        # end of an answer waits until its begin is acknowledged: 40 ms where the reader puts that off.
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._open[connection] = host
        return connection, address

    @property
    def open(self) -> int:
        """Connections that are open."""
        return len(self._hosts())

    def _hosts(self) -> list[str]:
        # A copy of the keys: others read this from threads of their own.
        return [of for one, of in list(self._open.items()) if one.fileno() != -1]


def _is_loopback(host: str) -> bool:
    found = ipaddress.ip_address(host.partition("%")[0])
    mapped = getattr(found, "ipv4_mapped", None)
    return (mapped or found).is_loopback
