"""Others make way from the question until the answer begins: for what is read, not for a stream or a form."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from standingwatch.courtesy import Courtesy
from standingwatch.web.awaited import Awaited

Noted = list[tuple[str, int]]


def asked(method: str, kind: str = "http") -> tuple[Noted, int]:
    """How many were waiting at each step of an answer, and after it."""
    courtesy, noted = Courtesy(), Noted()

    async def app(_scope: Any, _receive: Any, send: Any) -> None:
        noted.append(("made", courtesy.waiting))
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for _ in range(2):
            noted.append(("goes on", courtesy.waiting))
            await send({"type": "http.response.body", "body": b"more", "more_body": True})

    async def receive() -> Any:
        raise AssertionError("nothing is asked for")

    async def send(message: Any) -> None:
        noted.append((message["type"].removeprefix("http.response."), courtesy.waiting))

    asyncio.run(Awaited(app, courtesy)({"type": kind, "method": method}, receive, send))
    return noted, courtesy.waiting


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_a_page_is_waited_for_until_it_begins(method: str) -> None:
    noted, after = asked(method)
    assert noted == [("made", 1), ("start", 0), ("goes on", 0), ("body", 0), ("goes on", 0), ("body", 0)]
    assert after == 0


@pytest.mark.parametrize(("kind", "method"), [("http", "POST"), ("http", "PUT"), ("lifespan", "")])
def test_nobody_makes_way_for_what_is_sent_to_us(kind: str, method: str) -> None:
    noted, after = asked(method, kind)
    assert {waiting for _, waiting in noted} == {0}
    assert after == 0


def test_an_answer_that_fails_is_not_waited_for_any_more() -> None:
    courtesy = Courtesy()

    async def app(_scope: Any, _receive: Any, _send: Any) -> None:
        assert courtesy.waiting == 1
        raise ValueError("broken")

    async def nothing(*_: Any) -> Any:
        raise AssertionError("nothing is sent")

    with pytest.raises(ValueError, match="broken"):
        asyncio.run(Awaited(app, courtesy)({"type": "http", "method": "GET"}, nothing, nothing))
    assert courtesy.waiting == 0
