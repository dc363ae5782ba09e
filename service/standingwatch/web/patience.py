"""HTTP/1.1 as uvicorn speaks it, with an end to patience.

uvicorn waits without end for a request that is begun and not finished, and for a reader that does not read:
whoever opens connections and sends a byte now and then (slowloris) keeps them all. Here a request has to be
there as a whole within a time, and what is sent has to be taken within the same time; what is slower is cut.
"""

from __future__ import annotations

import asyncio
from typing import ClassVar

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol


class PatientProtocol(H11Protocol):
    """A connection whose requests and answers have to move on.

    Attributes:
        seconds: the longest time from the first byte of a request, or the beginning of a new connection, to
            the last byte of its body; and that what is sent may wait for its reader [s].
    """

    seconds: ClassVar[float] = 20.0

    _arriving: asyncio.TimerHandle | None = None
    _leaving: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        """Begin; the first request is awaited from now on."""
        super().connection_made(transport)
        self._arriving = self.loop.call_later(self.seconds, self._cut)

    def connection_lost(self, exc: Exception | None) -> None:
        """End; nothing is awaited any more."""
        self._arrived()
        self.resume_writing()
        super().connection_lost(exc)

    def handle_events(self) -> None:
        """Take what has come, and see whether a request is there as a whole."""
        super().handle_events()
        state = self.conn.their_state
        begun = state is h11.SEND_BODY or (state is h11.IDLE and bool(self.conn.trailing_data[0]))
        if not begun:
            self._arrived()
        elif self._arriving is None:
            self._arriving = self.loop.call_later(self.seconds, self._cut)

    def pause_writing(self) -> None:
        """The reader does not keep up."""
        super().pause_writing()
        if self._leaving is None:
            self._leaving = self.loop.call_later(self.seconds, self._cut)

    def resume_writing(self) -> None:
        """The reader has taken most of it."""
        if self._leaving is not None:
            self._leaving.cancel()
            self._leaving = None
        if self.flow is not None:
            super().resume_writing()

    def timeout_keep_alive_handler(self) -> None:
        """Nothing more was asked; what was sent last may wait for its reader, but not without end."""
        super().timeout_keep_alive_handler()
        self.loop.call_later(self.seconds, self._cut)

    def _arrived(self) -> None:
        if self._arriving is not None:
            self._arriving.cancel()
            self._arriving = None

    def _cut(self) -> None:
        # Not `close`, which waits until everything is sent, and with TLS for an answer.
        self.transport.abort()


def patient(seconds: float) -> type[PatientProtocol]:
    """Return the protocol with its patience set.

    Args:
        seconds: see `PatientProtocol` [s].
    """
    return type("PatientProtocol", (PatientProtocol,), {"seconds": seconds})
