"""The answers at /livez and /readyz, of a process that knows of itself."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import httpx
import pytest
from fastapi import FastAPI


class Known:
    """A process whose state is set."""

    hangs: tuple[str, ...] = ()
    answer: dict[str, Any] = {"ready": True, "reasons": [], "queue": 3}  # noqa: RUF012  replaced, not changed

    def still(self) -> list[str]:
        return list(self.hangs)

    def now(self) -> dict[str, Any]:
        return self.answer


def test_alive_and_ready_and_not(fill: Any, client_of: Callable[..., Any]) -> None:
    known = Known()
    client = client_of(fill, health=known)
    assert client.get("/livez").json() == {"alive": True}
    assert client.get("/readyz").json() == {"ready": True, "reasons": [], "queue": 3}

    known.hangs = ("the watch has not gone on for 130 s",)
    known.answer = {"ready": False, "reasons": ["one thing", "another"], "queue": 3}
    dead, waiting = client.get("/livez"), client.get("/readyz")
    for answer in (dead, waiting):
        assert answer.status_code == 503
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["type"] == "about:blank"
        assert answer.json()["status"] == 503
    assert dead.json()["reasons"] == ["the watch has not gone on for 130 s"]
    assert dead.json()["alive"] is False
    assert waiting.json()["detail"] == "one thing; another"
    assert (waiting.json()["ready"], waiting.json()["queue"]) == (False, 3)


def test_nobody_has_to_sign_in_and_nothing_inside_is_told(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill, signed_in=False)
    for path in ("/livez", "/readyz"):
        answer = client.get(path, headers={"Host": "10.1.2.3"})
        assert answer.status_code in (200, 503)
        assert "sqlite" not in answer.text
        assert str(fill.store.shown_url) not in answer.text


def test_without_memory_for_one_more_thread_it_says_so_and_goes_on(
    fill: Any, app_of: Callable[..., FastAPI], caplog: pytest.LogCaptureFixture
) -> None:
    app = app_of(fill, health=Known())

    async def ask(path: str) -> httpx.Response:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.get(path)

    before = threading.stack_size(1 << 46)  # more than a machine has addresses for
    try:
        program, person = asyncio.run(ask("/readyz")), asyncio.run(ask("/sign-in"))
    finally:
        threading.stack_size(before)
    assert (program.status_code, person.status_code) == (503, 503)
    assert "no more memory or threads" in program.json()["detail"]
    assert "No memory is left" in person.text
    assert "no memory or thread left for /readyz: can't start new thread" in caplog.text
    assert "Traceback" not in caplog.text
    assert asyncio.run(ask("/readyz")).json()["ready"] is True
