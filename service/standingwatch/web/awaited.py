"""Answers that somebody waits for, so that other work of the process makes way."""

from __future__ import annotations

from contextlib import ExitStack

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from standingwatch.courtesy import Courtesy

#: What is read. What is sent to us may take as long as who sends it likes, and is waited for without work.
READS = frozenset({"GET", "HEAD"})


class Awaited:
    """ASGI application that tells a courtesy of each answer, from the question until the answer begins.

    A page is made by then. A stream of news goes on for hours, and nobody waits for its end.

    Args:
        app: what comes behind.
        courtesy: is told.
    """

    def __init__(self, app: ASGIApp, courtesy: Courtesy) -> None:
        self._app, self._courtesy = app, courtesy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] != "http" or scope["method"] not in READS:
            await self._app(scope, receive, send)
            return
        with ExitStack() as until:
            until.enter_context(self._courtesy.answering())

            async def send_begun(message: Message) -> None:
                until.close()
                await send(message)

            await self._app(scope, receive, send_begun)
