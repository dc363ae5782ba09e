"""The web server by itself: TLS, what a proxy says, slow clients, and more connections than it lets in."""

from __future__ import annotations

import select
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme

from standingwatch.settings.web import WebSettings
from standingwatch.store.access import Role, add_user
from standingwatch.store.passwords import hash_password
from standingwatch.web.doorway import Doorway
from standingwatch.web.serving import ServeError, WebServer

PASSWORD = "grey heron at dusk"

#: As short as the settings allow [s].
PATIENCE_S = 1.0


@pytest.fixture(scope="session")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def files(tmp_path: Path, authority: trustme.CA) -> Callable[..., dict[str, Path]]:
    """Writes a certificate for the loopback and its key; what the settings need of them."""

    def write(by: trustme.CA = authority) -> dict[str, Path]:
        issued, (cert, key) = by.issue_cert("127.0.0.1"), (tmp_path / "web.pem", tmp_path / "web.key")
        key.write_bytes(issued.private_key_pem.bytes())
        cert.write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))
        return {"cert_file": cert, "key_file": key}

    return write


@pytest.fixture
def trusting(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.fixture
def serve_by(fill: Any, app_of: Callable[..., Any]) -> Iterator[Callable[..., WebServer]]:
    """Serves the pages of a small store on a free port, with settings of the web server."""
    fill.sites(2, 1)
    with ExitStack() as running:

        def start(app: Any = None, hsts_s: int = 0, **settings: Any) -> WebServer:
            pages = app_of(fill, hsts_s=hsts_s)
            web = WebSettings(**{"request_timeout_s": PATIENCE_S, **settings}).model_copy(update={"port": 0})
            server = WebServer(app or pages, web, pages.state.streams.close)
            server.start()
            running.callback(server.stop)
            end = time.monotonic() + 10
            while time.monotonic() < end and not server.is_up:
                time.sleep(0.01)
            assert server.is_up
            return server

        yield start


def port_of(server: WebServer) -> int:
    return int(server.address.rstrip("/").rpartition(":")[2])


def connected(server: WebServer) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port_of(server)), timeout=10)


def until_cut(connection: socket.socket, dripping: bytes = b"") -> float:
    """How long a connection lives of which nothing, or a byte now and then, is sent [s]."""
    begin, drops = time.monotonic(), iter(dripping)
    connection.settimeout(0.15)
    while time.monotonic() - begin < 8 * PATIENCE_S:
        try:
            if connection.recv(65_536) == b"":
                return time.monotonic() - begin
        except TimeoutError:
            try:
                connection.sendall(bytes([next(drops, 120)]) if dripping else b"")
            except OSError:
                return time.monotonic() - begin
        except OSError:
            return time.monotonic() - begin
    pytest.fail("the connection was not cut")


# TLS -----------------------------------------------------------------------------------------------------


def sign_in(client: httpx.Client) -> httpx.Response:
    page = client.get("/sign-in").text
    token = page.partition('name="token" value="')[2].partition('"')[0]
    return client.post("/sign-in", data={"token": token, "name": "Ada", "password": PASSWORD, "next": "/"})


def test_over_tls_cookies_are_secure_and_hsts_is_said(
    fill: Any, serve_by: Callable[..., WebServer], files: Any, trusting: ssl.SSLContext
) -> None:
    with fill.store.writing() as connection:
        add_user(connection, "Ada", Role.VIEWER, hash_password(PASSWORD), fill.now_us)
    server = serve_by(hsts_s=365 * 86_400, **files())
    assert server.address.startswith("https://127.0.0.1:")
    with httpx.Client(base_url=server.address, verify=trusting) as client:
        answer = sign_in(client)
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        cookies = answer.headers.get_list("set-cookie") + client.get("/sign-in").headers.get_list(
            "set-cookie"
        )
        assert cookies
        assert all("; Secure" in cookie and "HttpOnly" in cookie for cookie in cookies)
        assert client.get("/").status_code == 200
        for path in ("/", "/livez", "/api/nothing", "/static/look.css"):
            said = client.get(path).headers["strict-transport-security"]
            assert said == "max-age=31536000"


def test_without_the_setting_and_without_tls_no_hsts_is_said(
    serve_by: Callable[..., WebServer], files: Any, trusting: ssl.SSLContext
) -> None:
    with httpx.Client(verify=trusting) as client:
        assert "strict-transport-security" not in client.get(serve_by(**files()).address + "livez").headers
        # Over HTTP it means nothing (RFC 6797, 7.2), and a proxy says it by itself.
        in_clear = serve_by(hsts_s=86_400)
        assert "strict-transport-security" not in client.get(in_clear.address + "livez").headers


@pytest.mark.parametrize(
    ("newest", "ciphers", "taken"),
    [
        ("TLSv1_3", "", True),
        ("TLSv1_2", "ECDHE+AESGCM", True),
        ("TLSv1_2", "ECDHE+AES:!AESGCM", False),
        ("TLSv1_2", "AES128-GCM-SHA256", False),
        ("TLSv1_1", "ALL:@SECLEVEL=0", False),
    ],
)
@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
def test_only_what_is_safe_is_spoken(
    serve_by: Callable[..., WebServer], files: Any, newest: str, ciphers: str, taken: bool
) -> None:
    server = serve_by(**files())
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    if ciphers:
        context.set_ciphers(ciphers)
    context.minimum_version = context.maximum_version = ssl.TLSVersion[newest]
    with connected(server) as plain:
        if taken:
            with context.wrap_socket(plain) as tls:
                assert tls.version() == newest.replace("_", ".")
        else:
            with pytest.raises(ssl.SSLError):
                context.wrap_socket(plain)


def test_a_renewed_certificate_is_taken_without_a_start_and_a_broken_one_is_not(
    serve_by: Callable[..., WebServer], files: Any, trusting: ssl.SSLContext, caplog: pytest.LogCaptureFixture
) -> None:
    server = serve_by(**files())
    address = server.address + "livez"
    assert httpx.get(address, verify=trusting).status_code == 200
    other = trustme.CA()
    trusting_other = ssl.create_default_context()
    other.configure_trust(trusting_other)
    with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
        httpx.get(address, verify=trusting_other)
    written = files(other)
    assert httpx.get(address, verify=trusting_other).status_code == 200
    written["cert_file"].write_text("half of")
    assert httpx.get(address, verify=trusting_other).status_code == 200
    assert "the certificate of before is used" in caplog.text


def test_a_key_that_cannot_be_used_is_told_in_a_sentence(files: Any, tmp_path: Path) -> None:
    good, other = files(), tmp_path / "other.key"
    other.write_bytes(trustme.CA().issue_cert("127.0.0.1").private_key_pem.bytes())
    locked, text = tmp_path / "locked.key", tmp_path / "text.pem"
    lock = ["openssl", "pkey", "-in", str(good["key_file"]), "-aes256", "-passout", "pass:kept", "-out"]
    subprocess.run([*lock, str(locked)], check=True, capture_output=True)
    text.write_text("no PEM at all")
    for change, said in (
        ({"key_file": other}, "is not the key of"),
        ({"key_file": locked}, "the private key is encrypted"),
        ({"cert_file": text}, "cannot be read as PEM"),
        ({"key_file": tmp_path / "absent"}, "No such file or directory"),
    ):
        with pytest.raises(ServeError, match=said) as caught:
            WebServer(object(), WebSettings(**{**good, **change}))
        assert "web.cert_file" in str(caught.value)
        assert "kept" not in str(caught.value)


# Behind a proxy ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("proxies", "believed"), [(["127.0.0.1"], True), (["192.0.2.0/24"], False)])
def test_a_proxy_is_believed_where_the_settings_have_it(
    serve_by: Callable[..., WebServer],
    monkeypatch: pytest.MonkeyPatch,
    proxies: list[str],
    believed: bool,
) -> None:
    monkeypatch.setenv("FORWARDED_ALLOW_IPS", "*")
    server = serve_by(proxies=proxies)
    headers = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9"}
    cookie = httpx.get(server.address + "sign-in", headers=headers).headers["set-cookie"]
    assert ("; Secure" in cookie) == believed


# Slow clients --------------------------------------------------------------------------------------------

HEAD = b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\n"


@pytest.mark.parametrize(
    ("first", "drip"),
    [
        (b"", b""),
        (b"GET / HT", b""),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ", b"slowloris"),
        (HEAD + b"Content-Length: 5000\r\n\r\n", b"token=drip"),
        (b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nGET /livez HTT", b"P/1.1"),
    ],
)
def test_a_request_that_does_not_come_to_an_end_is_cut(
    serve_by: Callable[..., WebServer], caplog: pytest.LogCaptureFixture, first: bytes, drip: bytes
) -> None:
    server = serve_by()
    with connected(server) as slow:
        slow.sendall(first)
        lived_s = until_cut(slow, drip)
    assert PATIENCE_S * 0.5 < lived_s < PATIENCE_S * 4
    assert httpx.get(server.address + "livez").status_code == 200
    assert "Traceback" not in caplog.text


async def _much(_scope: Any, _receive: Any, send: Any) -> None:
    """An application whose answer is more than the system's buffers hold."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    for _ in range(64):
        await send({"type": "http.response.body", "body": bytes(1_000_000), "more_body": True})
    await send({"type": "http.response.body", "body": b""})


def test_a_reader_that_does_not_read_is_cut(serve_by: Callable[..., WebServer]) -> None:
    server = serve_by(app=_much)
    with connected(server) as greedy:
        greedy.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert greedy.recv(12) == b"HTTP/1.1 200"
        begin = time.monotonic()
        while server.open and time.monotonic() - begin < 6 * PATIENCE_S:
            time.sleep(0.02)
        assert PATIENCE_S * 0.5 < time.monotonic() - begin < PATIENCE_S * 4
    # One that reads gets all of it, also where it takes longer than that.
    read, begin = 0, time.monotonic()
    with httpx.stream("GET", server.address) as answer:
        for part in answer.iter_bytes(4_000_000):
            read += len(part)
            time.sleep(0.1)
    assert read == 64_000_000
    assert time.monotonic() - begin > PATIENCE_S


def test_who_is_not_slow_is_not_cut(serve_by: Callable[..., WebServer]) -> None:
    server = serve_by()
    with httpx.Client(base_url=server.address) as client:
        begin = time.monotonic()
        while time.monotonic() - begin < 1.6 * PATIENCE_S:
            assert client.get("/livez").status_code == 200
            time.sleep(0.2)
        # One connection for all of them: it outlives what a single request may take.
        assert len(client._transport._pool.connections) == 1


def test_two_hundred_slow_clients_keep_nobody_out(serve_by: Callable[..., WebServer]) -> None:
    server = serve_by(connections_most=400)
    with ExitStack() as held:
        for _ in range(200):
            held.enter_context(closing(connected(server))).sendall(b"GET / HTTP/1.1\r\nX-Slow: ")
        assert httpx.get(server.address + "livez").status_code == 200
        time.sleep(PATIENCE_S + 0.5)
        assert server.open <= 1


# Too many connections ------------------------------------------------------------------------------------


def test_what_is_too_many_is_closed_and_leaves_files_for_the_watch(
    serve_by: Callable[..., WebServer], caplog: pytest.LogCaptureFixture
) -> None:
    server = serve_by(connections_most=10, request_timeout_s=20)
    with ExitStack() as held:
        flood = [held.enter_context(connected(server)) for _ in range(60)]
        end = time.monotonic() + 5
        while server.turned_away < 50 and time.monotonic() < end:
            time.sleep(0.01)
        assert (server.turned_away, server.open) == (50, 10)
        # Which of them come first is the system's to say; what was closed is at its end.
        closed, _, _ = select.select(flood, [], [], 1)
        assert len(closed) == 50
        told = [record.getMessage() for record in caplog.records if "turned away" in record.getMessage()]
        assert [message.partition(", ")[0][-2:] for message in told] == [" 1", "10"]
    while server.open:
        time.sleep(0.01)
    assert httpx.get(server.address + "livez").status_code == 200


def test_one_address_gets_half(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("standingwatch.web.doorway._is_loopback", lambda host: False)
    with Doorway(socket.AF_INET, 10) as door, ExitStack() as held:
        door.bind(("127.0.0.1", 0))
        door.listen()
        taken: list[Any] = []

        def come(from_host: str, times: int) -> int:
            """How many of so many are let in from an address of the loopback."""
            before = len(taken)
            for _ in range(times):
                one = held.enter_context(socket.socket())
                one.bind((from_host, 0))
                one.connect(door.getsockname())
                try:
                    taken.append(held.enter_context(door.accept()[0]))
                except BlockingIOError:
                    continue
            return len(taken) - before

        assert come("127.0.0.2", 8) == 5
        assert come("127.0.0.3", 3) == 3
        assert come("127.0.0.4", 4) == 2
        taken[0].close()
        assert come("127.0.0.2", 1) == 1
        assert door.turned_away == 3 + 2


def test_the_watchmen_of_a_proxy_are_not_held_to_half() -> None:
    with Doorway(socket.AF_INET, 10) as door, ExitStack() as held:
        door.bind(("127.0.0.1", 0))
        door.listen()
        for _ in range(10):
            held.enter_context(socket.create_connection(door.getsockname()))
            held.enter_context(door.accept()[0])
        held.enter_context(socket.create_connection(door.getsockname()))
        with pytest.raises(BlockingIOError):
            door.accept()


def test_the_end_of_an_answer_does_not_wait_for_its_begin() -> None:
    with Doorway(socket.AF_INET, 10) as door, ExitStack() as held:
        door.bind(("127.0.0.1", 0))
        door.listen()
        held.enter_context(socket.create_connection(door.getsockname()))
        taken = held.enter_context(door.accept()[0])
        assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


def test_it_stops_while_somebody_is_slow(serve_by: Callable[..., WebServer]) -> None:
    server = serve_by()
    with connected(server) as slow:
        slow.sendall(b"GET / HTTP/1.1\r\n")
        begin = time.monotonic()
        server.stop()
        assert time.monotonic() - begin < 8
    assert not any(thread.name == "web" for thread in threading.enumerate())
