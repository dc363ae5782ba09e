"""A TCP proxy between the daemon and a server: it can be slow, cut connections, swallow, or be gone."""

from __future__ import annotations

import random
import socket
import struct
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field

#: Closes with a reset in place of a good-bye, as a router does that has forgotten the connection.
RESET = struct.pack("ii", 1, 0)


@dataclass(eq=False)
class _Pair:
    """A connection through the proxy: both of its ends, and whether what comes is passed on."""

    ends: tuple[socket.socket, socket.socket]
    swallows: bool = False

    def close(self, *, reset: bool) -> None:
        for end in self.ends:
            with suppress(OSError):
                if reset:
                    end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
                end.shutdown(socket.SHUT_RDWR)
            if reset:
                with suppress(OSError):
                    end.close()


@dataclass
class Proxy:
    """Passes connections from one port of the loopback to another.

    Attributes:
        port: where it listens.
        target: the port that it passes to; may be changed.
        delay_s: how long each piece of data is held [s].
        cuts: share of the pieces of data after which the connection is reset.
    """

    port: int
    target: int
    delay_s: float = 0.0
    cuts: float = 0.0
    random: random.Random = field(default_factory=lambda: random.Random(1))

    def __post_init__(self) -> None:
        self._pairs: set[_Pair] = set()
        self._lock = threading.Lock()
        self._server = socket.create_server(("127.0.0.1", self.port), backlog=64)
        self._ended = False
        threading.Thread(target=self._accept, name=f"proxy-{self.port}", daemon=True).start()

    def close(self) -> None:
        """Stop listening, and end all connections."""
        self._ended = True
        with suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.reset_all()

    def reset_all(self) -> None:
        """Cut all connections that there are."""
        with self._lock:
            pairs = list(self._pairs)
        for pair in pairs:
            pair.close(reset=True)

    def swallow_all(self) -> None:
        """Leave all connections open, and let nothing of what they say arrive any more: half-open links."""
        with self._lock:
            for pair in self._pairs:
                pair.swallows = True

    def be_well(self) -> None:
        """Pass on at once again; what is swallowed stays swallowed, as no lost segment ever comes back."""
        self.delay_s, self.cuts = 0.0, 0.0

    def _accept(self) -> None:
        while not self._ended:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self.target), timeout=5)
            except OSError:
                near.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
                near.close()
                continue
            far.settimeout(None)
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            pair = _Pair((near, far))
            with self._lock:
                self._pairs.add(pair)
            left = [2]
            for source, sink in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=(pair, source, sink, left), daemon=True).start()

    def _pass_on(self, pair: _Pair, source: socket.socket, sink: socket.socket, left: list[int]) -> None:
        try:
            while data := source.recv(65_536):
                if pair.swallows:
                    continue
                if self.delay_s:
                    time.sleep(self.delay_s * self.random.uniform(0.5, 1.5))
                if self.cuts and self.random.random() < self.cuts:
                    pair.close(reset=True)
                    return
                if not pair.swallows:
                    sink.sendall(data)
            if not pair.swallows:
                sink.shutdown(socket.SHUT_WR)
        except OSError:
            pair.close(reset=True)
        finally:
            with self._lock:
                left[0] -= 1
                if not left[0]:
                    self._pairs.discard(pair)
                    for end in pair.ends:
                        end.close()
