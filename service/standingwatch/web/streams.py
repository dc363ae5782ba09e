"""Live updates over server-sent events: a stream says that there is something new, and the page fetches it.

So many streams are served at once and no more: each is a connection that stays open. Who finds them all
taken goes on asking at intervals. The event stream format is that of the HTML standard, "Server-sent events".
"""

from __future__ import annotations

import asyncio
import json
import logging
import threading
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool

log = logging.getLogger(__name__)

#: Streams that are served at once.
MOST_STREAMS = 64

#: The store is looked at so often for all streams together [s].
LOOK_EVERY_S = 1.0

#: A stream notices so soon that the service ends [s].
NOTICE_S = 0.25

#: Without news a line is sent after this time, so that nothing on the way takes the stream for dead [s].
ALIVE_EVERY_S = 15.0

#: Who reads a stream is looked at so often: a session that was ended reads on for so long at most [s].
MAY_EVERY_S = 2.0

#: A stream ends after this time, and the page asks for another [s].
LONGEST_S = 600.0


@dataclass(frozen=True)
class Version:
    """What there is to show, as two texts that change when it does.

    Attributes:
        alarms: of alarms and what people do with them: worth fetching at once.
        rest: of all else, such as readings: worth fetching soon.
    """

    alarms: str
    rest: str


class Streams:
    """The streams of one service.

    Args:
        version: reads what there is to show; called in a thread, at most every `LOOK_EVERY_S`.
        most: streams that are served at once.
    """

    def __init__(self, version: Callable[[], Version], most: int = MOST_STREAMS) -> None:
        self._version, self._most = version, most
        self._lock = threading.Lock()
        self._known: Version | None = None
        self._looked_s = -LOOK_EVERY_S
        self._closed = threading.Event()
        self.open = 0

    @property
    def is_full(self) -> bool:
        """Whether no more can be served."""
        return self._closed.is_set() or self.open >= self._most

    def close(self) -> None:
        """End all streams, soon: a server waits for its connections when it stops."""
        self._closed.set()

    async def events(self, may_go_on: Callable[[], bool]) -> AsyncIterator[str]:
        """One stream: what there is at first, and then each time that there is something new.

        Args:
            may_go_on: whether who reads it still may; asked in a thread, every `MAY_EVERY_S`.
        """
        # Those that were let in at the same moment are counted here, so that there are never more.
        if self.is_full:
            return
        self.open += 1
        try:
            async for event in self._events(may_go_on):
                yield event
        finally:
            self.open -= 1

    async def _events(self, may_go_on: Callable[[], bool]) -> AsyncIterator[str]:
        begin_s = spoke_s = asked_s = time.monotonic()
        told: Version | None = None
        while not self._closed.is_set() and time.monotonic() - begin_s < LONGEST_S:
            try:
                if time.monotonic() - asked_s >= MAY_EVERY_S:
                    if not await run_in_threadpool(may_go_on):
                        return
                    asked_s = time.monotonic()
                version = await self._look()
            except SQLAlchemyError as error:
                log.warning("web: a stream ends, the store cannot be read: %s", error)
                return
            now_s = time.monotonic()
            if version != told:
                # A browser that loses the stream waits so long before it asks for another [ms].
                retry = "retry: 5000\n" if told is None else ""
                told, spoke_s = version, now_s
                data = json.dumps({"alarms": version.alarms, "rest": version.rest})
                yield f"{retry}event: changed\ndata: {data}\n\n"
            elif now_s - spoke_s > ALIVE_EVERY_S:
                spoke_s = now_s
                yield ": here\n\n"
            await asyncio.sleep(NOTICE_S)

    async def _look(self) -> Version:
        if self._known is not None and time.monotonic() - self._looked_s < LOOK_EVERY_S:
            return self._known
        return await run_in_threadpool(self._read)

    def _read(self) -> Version:
        with self._lock:
            if self._known is None or time.monotonic() - self._looked_s >= LOOK_EVERY_S:
                self._known = self._version()
                self._looked_s = time.monotonic()
            return self._known
