"""Links to PostgreSQL that end by themselves: by probes of the system, and by asking the server."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator

import pytest
from fault_campaign.proxy import Proxy
from sqlalchemy import text
from sqlalchemy.exc import OperationalError

from standingwatch.store import answers
from standingwatch.store.connect import Store


@pytest.fixture
def proxy(postgres_port: int, unused_port: int, monkeypatch: pytest.MonkeyPatch) -> Iterator[Proxy]:
    monkeypatch.setattr(answers, "ASK_AFTER_S", 1.0)
    made = Proxy(unused_port, postgres_port)
    yield made
    made.close()


@pytest.fixture
def through(proxy: Proxy) -> Iterator[Callable[[str], Store]]:
    """Stores whose links go through the proxy, by more options of their address."""
    made: list[Store] = []

    def make(options: str = "") -> Store:
        made.append(Store(f"postgresql+psycopg://watch@127.0.0.1:{proxy.port}/postgres?{options}"))
        return made[-1]

    yield make
    for store in made:
        store.close()


def ask(store: Store, question: str = "SELECT 1") -> object:
    with store.reading() as connection:
        return connection.execute(text(question)).scalar_one()


def system_says(store: Store) -> tuple[int, int, int, int, int]:
    """What the system does on our end of a link."""
    with store.reading() as connection:
        link = socket.socket(fileno=connection.connection.dbapi_connection.fileno())  # type: ignore[union-attr]  # psycopg's
        try:
            return (
                link.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE),
                *(
                    link.getsockopt(socket.IPPROTO_TCP, option)
                    for option in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
                ),
                link.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT),
            )
        finally:
            link.detach()


def test_both_ends_probe_a_silent_link(through: Callable[[str], Store]) -> None:
    store = through("")
    assert system_says(store) == (1, 10, 5, 2, 20_000)
    shown = ("tcp_keepalives_idle", "tcp_keepalives_interval", "tcp_keepalives_count", "tcp_user_timeout")
    assert [ask(store, f"SHOW {name}") for name in shown] == ["10", "5", "2", "20000"]


def test_an_option_of_the_address_holds_in_place_of_ours(through: Callable[[str], Store]) -> None:
    store = through("keepalives_idle=7&tcp_user_timeout=9000&options=-c%20tcp_keepalives_idle%3D8")
    assert system_says(store) == (1, 7, 5, 2, 9_000)
    assert ask(store, "SHOW tcp_keepalives_idle") == "8"


def test_a_link_that_swallows_answers_is_given_up(through: Callable[[str], Store], proxy: Proxy) -> None:
    store = through("")
    with store.engine.connect() as connection:
        connection.execute(text("SELECT 1"))
        proxy.swallow_all()
        with pytest.raises(OperationalError, match=r"no answer came within 1 s, and the server waits for"):
            connection.execute(text("SELECT 2"))
    assert ask(store) == 1


def test_with_no_server_to_ask_it_is_given_up_too(through: Callable[[str], Store], proxy: Proxy) -> None:
    store = through("")
    with store.engine.connect() as connection:
        connection.execute(text("SELECT 1"))
        proxy.swallow_all()
        proxy.target = 1  # nobody listens there
        with pytest.raises(OperationalError, match="and the server takes no question about it"):
            connection.execute(text("SELECT 2"))


def test_what_takes_long_is_waited_for(through: Callable[[str], Store]) -> None:
    store = through("")
    assert ask(store, "SELECT 7 FROM pg_sleep(2.5)") == 7
