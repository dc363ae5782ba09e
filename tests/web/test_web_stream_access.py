"""Who reads the stream of the board may read it only for as long as they may read the board."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.store.access import Role, add_user, disable_user, end_sessions, load_user, set_role
from standingwatch.store.tokens import add_token, revoke_token
from standingwatch.web import streams
from standingwatch.web.streams import Streams, Version

DAY_US = 86_400_000_000

#: Longer than any stream here should last [s].
TOO_LONG_S = 60.0


def listen(client: Any, after: Callable[[], None], **headers: str) -> Any:
    """Read the stream, and do something while it is read; the whole answer once the stream has ended."""
    answers: list[Any] = []
    reader = threading.Thread(
        target=lambda: answers.append(client.get("/events/board", headers=headers)), daemon=True
    )
    reader.start()
    while client.app.state.streams.open == 0 and reader.is_alive():
        reader.join(0.05)
    assert reader.is_alive(), answers
    after()
    reader.join(TOO_LONG_S)
    assert not reader.is_alive(), "the stream goes on"
    assert client.app.state.streams.open == 0
    return answers[0]


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr(streams, "MAY_EVERY_S", 0.2)
    fill.sites(1, 1)
    with fill.store.writing() as connection:
        for name in ("Bo", "Root"):
            add_user(connection, name, Role.ADMINISTRATOR, "", fill.now_us)
    return client_of(fill)


@pytest.mark.parametrize("how", ["signed out", "disabled", "another role", "too long idle"])
def test_a_stream_ends_with_its_session(fill: Any, client: Any, how: str) -> None:
    client.sign_in("Bo")

    def end() -> None:
        if how == "too long idle":
            fill.now_us += 367 * DAY_US
            return
        with fill.store.writing() as connection:
            if how == "signed out":
                end_sessions(connection, "Bo")
            elif how == "disabled":
                disable_user(connection, "Bo", fill.now_us)
            else:
                set_role(connection, "Bo", Role.VIEWER, fill.now_us)

    answer = listen(client, end)
    assert answer.status_code == 200
    assert "event: changed" in answer.text
    # And another one is not to be had.
    assert client.get("/events/board", headers={"Sec-Fetch-Dest": "empty"}).status_code == 401


def test_a_stream_ends_with_its_token(fill: Any, client: Any) -> None:
    client.cookies.clear()
    with fill.store.writing() as connection:
        times = {"now_us": fill.now_us, "ends_us": fill.now_us + DAY_US, "longest_us": DAY_US}
        number, secret = add_token(connection, "wall", Role.VIEWER, made_by="Bo", **times)

    def revoke() -> None:
        with fill.store.writing() as connection:
            revoke_token(connection, number, fill.now_us)

    assert "event: changed" in listen(client, revoke, Authorization=f"Bearer {secret}").text


def test_a_stream_of_somebody_who_may_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "MAY_EVERY_S", 0.0)
    versions, asked = [Version("1", "a")], []

    def may() -> bool:
        asked.append(len(asked))
        return len(asked) < 5

    async def read() -> list[str]:
        one = Streams(lambda: versions[-1])
        heard = []
        async for event in one.events(may):
            heard.append(event)
            versions.append(Version(str(len(versions) + 1), "a"))
        return heard

    # It was told of news for as long as it might, and not once more.
    assert len(asyncio.run(asyncio.wait_for(read(), TOO_LONG_S))) >= 1
    assert len(asked) == 5


def test_nobody_is_asked_of_others(fill: Any, client: Any) -> None:
    """Somebody else who is disabled ends no stream but their own."""
    client.sign_in("Bo")

    def disable_another() -> None:
        with fill.store.writing() as connection:
            assert load_user(connection, "Root") is not None
            disable_user(connection, "Root", fill.now_us)
        reader_stays = threading.Event()
        assert not reader_stays.wait(1.0)
        assert client.app.state.streams.open == 1
        client.app.state.streams.close()

    assert listen(client, disable_another).status_code == 200
