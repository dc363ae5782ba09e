"""Signing in and out: sessions, their ends, wrong passwords, where the browser goes, what is kept."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from argon2 import PasswordHasher, extract_parameters
from databases import held, on_postgresql
from sqlalchemy import event, select

from standingwatch.settings import AccessSettings
from standingwatch.store import passwords, tables
from standingwatch.store.access import (
    Role,
    add_user,
    disable_user,
    hash_of,
    load_user,
    set_password,
    set_role,
)
from standingwatch.store.audit import load_audit
from standingwatch.store.connect import NOTE_WAIT_S, WAIT_S
from standingwatch.store.tokens import add_token, revoke_token
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.sign_in import safe_next

PASSWORD = "correct horse 7 staple"
#: Parameters that take no time; those that are used are held in tests/store/test_store_access.py.
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
HASH = QUICK.hash(PASSWORD)
MIN_US = 60_000_000
HOUR_US = 60 * MIN_US
ACCESS = AccessSettings(allowed_hosts=("board.test",))


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passwords, "_HASHER", QUICK)
    monkeypatch.setattr(passwords, "_nobody", [])


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    """A browser without a session, of a service with the users Ada and Bo."""
    fill.everything()
    with fill.store.writing() as connection:
        add_user(connection, "Ada", Role.ADMINISTRATOR, HASH, fill.now_us)
        add_user(connection, "Bo", Role.OPERATOR, HASH, fill.now_us)
    return client_of(fill, signed_in=False, access=ACCESS)


def sign_in(client: Any, name: str = "Ada", password: str = PASSWORD, to: str = "/alarms") -> Any:
    """Fill in the form of the sign-in."""
    token = client.token("/sign-in") if SESSION_COOKIE not in client.cookies else "none"
    fields = {"token": token, "name": name, "password": password, "next": to}
    return client.post("/sign-in", data=fields, headers={"Origin": "http://board.test"})


def audit(fill: Any) -> list[tuple[str, str, str, str]]:
    with fill.store.reading() as connection:
        return [(one.by, one.act, one.about, one.outcome) for one in load_audit(connection, 100)]


def test_from_a_page_to_the_sign_in_and_back(fill: Any, client: Any) -> None:
    asked = client.get("/alarms?state=closed")
    page = client.get(asked.headers["location"])
    assert page.status_code == 200
    assert 'name="next" value="/alarms?state=closed"' in page.text
    answer = sign_in(client, to="/alarms?state=closed")
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms?state=closed")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{SESSION_COOKIE}=")
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Secure" not in cookie
    assert "expires" not in cookie.lower()
    assert "max-age" not in cookie.lower()
    assert client.get("/alarms").status_code == 200
    # Who has signed in has no use for the form.
    assert client.get("/sign-in?next=%2Fwork").headers["location"] == "/work"
    with fill.store.reading() as connection:
        kept = str(connection.execute(select(tables.sessions)).all())
    assert client.cookies[SESSION_COOKIE] not in kept
    assert ("Ada", "sign in", "", "done") in audit(fill)


def test_the_cookie_is_secure_over_https(client: Any) -> None:
    token = client.token("/sign-in")
    fields = {"token": token, "name": "Ada", "password": PASSWORD}
    cookies = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
    answer = client.post("https://board.test/sign-in", data=fields, headers={"Cookie": cookies})
    assert answer.status_code == 303
    assert "Secure" in answer.headers["set-cookie"]


def test_a_session_that_somebody_gave_the_browser_is_not_taken_over(fill: Any, client: Any) -> None:
    given = "x" * 43
    client.cookies.set(SESSION_COOKIE, given, domain="board.test")
    page = client.get("/sign-in")
    token = re.search(r'name="token" value="([^"]+)"', page.text)
    assert token is not None
    fields = {"token": token[1], "name": "Ada", "password": PASSWORD}
    answer = client.post("/sign-in", data=fields)
    made = re.match(rf"{SESSION_COOKIE}=([^;]+);", answer.headers["set-cookie"])
    assert made is not None
    assert made[1] != given
    assert len(made[1]) >= 43
    client.cookies.clear()
    client.cookies.set(SESSION_COOKIE, given, domain="board.test")
    assert client.get("/alarms").status_code == 303


def test_signing_in_anew_ends_the_session_that_the_browser_had(fill: Any, client: Any) -> None:
    sign_in(client)
    old = client.cookies[SESSION_COOKIE]
    client.sign_in("Bo")
    fields = {"token": client.token("/alarms"), "name": "Ada", "password": PASSWORD}
    before = client.cookies[SESSION_COOKIE]
    assert client.post("/sign-in", data=fields).status_code == 303
    assert client.cookies[SESSION_COOKIE] not in (old, before)
    with fill.store.reading() as connection:
        users = connection.execute(select(tables.sessions.c.user)).scalars().all()
    assert users == ["Ada", "Ada"]


@pytest.mark.parametrize(
    ("name", "password"),
    [("Ada", "wrong"), ("Ada", ""), ("Nobody", PASSWORD), ("", ""), ("Ada\x00", PASSWORD), ("ada", PASSWORD)],
)
def test_wrong_names_and_passwords_are_told_alike(client: Any, name: str, password: str) -> None:
    answer = sign_in(client, name, password)
    assert answer.status_code == 401
    assert "Name or password is wrong, or the user is disabled." in answer.text
    assert SESSION_COOKIE not in answer.headers.get("set-cookie", "")


def test_who_is_disabled_or_has_no_password_is_told_the_same(fill: Any, client: Any) -> None:
    with fill.store.writing() as connection:
        disable_user(connection, "Bo", fill.now_us)
        add_user(connection, "Cy", Role.VIEWER, "", fill.now_us)
    for name, password in (("Bo", PASSWORD), ("Cy", ""), ("Cy", "nobody has this password")):
        assert sign_in(client, name, password).status_code == 401


def test_the_same_work_is_done_for_a_name_that_nobody_has(
    client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked = []
    verify = PasswordHasher.verify

    def counted(self: PasswordHasher, hashed: str, password: str) -> bool:
        checked.append(extract_parameters(hashed))
        return verify(self, hashed, password)

    monkeypatch.setattr(PasswordHasher, "verify", counted)
    sign_in(client, "Ada", "wrong")
    sign_in(client, "Nobody", "wrong")
    assert len(checked) == 2
    assert checked[0] == checked[1]


# Too many tries -----------------------------------------------------------------------------------------


def test_after_five_wrong_passwords_even_the_right_one_waits(
    fill: Any, client: Any, client_of: Callable[..., Any]
) -> None:
    for _ in range(5):
        assert sign_in(client, "Ada", "wrong").status_code == 401
    answer = sign_in(client)
    assert answer.status_code == 429
    assert answer.headers["retry-after"] == "900"
    assert "Wait up to 15 min" in answer.text
    # A restart forgets none of it.
    again = client_of(fill, signed_in=False, access=ACCESS)
    assert sign_in(again).status_code == 429
    # Another name from there, and the same name from elsewhere, may try.
    assert sign_in(again, "Bo").status_code == 303
    elsewhere = client_of(fill, signed_in=False, access=ACCESS)
    elsewhere.address = "198.51.100.9"
    assert sign_in(elsewhere).status_code == 303
    fill.now_us += 15 * MIN_US
    assert sign_in(client).status_code == 303


def test_an_address_may_not_try_many_names(client: Any) -> None:
    for number in range(20):
        assert sign_in(client, f"name {number}", "wrong").status_code == 401
    assert sign_in(client).status_code == 429


def test_a_name_may_not_be_tried_from_many_addresses(client: Any) -> None:
    for number in range(20):
        client.address = f"198.51.100.{number + 1}"
        assert sign_in(client, "Ada", "wrong").status_code == 401
    client.address = "192.0.2.1"
    assert sign_in(client).status_code == 429


def test_who_has_signed_in_from_there_before_is_not_kept_out_by_others(fill: Any, client: Any) -> None:
    assert sign_in(client).status_code == 303
    client.cookies.clear()
    fill.now_us += HOUR_US
    for number in range(20):
        client.address = f"198.51.100.{number + 1}"
        sign_in(client, "Ada", "wrong")
    client.address = "203.0.113.7"
    assert sign_in(client).status_code == 303


def test_one_network_of_ipv6_counts_as_one_address(client: Any) -> None:
    for number in range(5):
        client.address = f"2001:db8:1:2::{number + 1}"
        assert sign_in(client, "Ada", "wrong").status_code == 401
    client.address = "2001:db8:1:2:ffff::1"
    assert sign_in(client).status_code == 429
    client.address = "2001:db8:1:3::1"
    assert sign_in(client).status_code == 303


def test_what_was_typed_for_a_name_is_not_kept(fill: Any, client: Any) -> None:
    sign_in(client, "my secret password", "Ada")
    sign_in(client, "Ada", "wrong")
    with fill.store.reading() as connection:
        kept = str(connection.execute(select(tables.sign_ins)).all())
    assert "secret" not in kept
    page = client.sign_in("Ada").get("/audit").text
    assert "a name that nobody has" in page
    assert "Last sign-ins that were refused: 2" in page


# The end of a session -----------------------------------------------------------------------------------


def test_a_session_ends_when_it_is_idle_and_at_the_latest(fill: Any, client: Any) -> None:
    sign_in(client)
    for _ in range(3):
        fill.now_us += 11 * HOUR_US
        assert client.get("/alarms").status_code == 200
    fill.now_us += 12 * HOUR_US
    assert client.get("/alarms").status_code == 303
    client.cookies.clear()
    sign_in(client)
    for _ in range(15):
        fill.now_us += 11 * HOUR_US
        assert client.get("/alarms").status_code == 200
    fill.now_us += 3 * HOUR_US
    assert client.get("/alarms").status_code == 303


def test_signing_out_ends_the_session_for_good(fill: Any, client: Any) -> None:
    sign_in(client)
    secret = client.cookies[SESSION_COOKIE]
    answer = client.submit("/sign-out")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert SESSION_COOKIE not in client.cookies
    client.cookies.set(SESSION_COOKIE, secret, domain="board.test")
    assert client.get("/alarms").status_code == 303
    assert ("Ada", "sign out", "", "done") in audit(fill)


def test_signing_out_takes_a_form_of_the_session(client: Any) -> None:
    sign_in(client)
    assert client.post("/sign-out", data={"token": "x"}).status_code == 403
    assert client.get("/sign-out").status_code == 405
    assert client.get("/alarms").status_code == 200


@pytest.mark.parametrize(
    "change",
    [
        lambda c, now_us: set_password(c, "Bo", HASH),
        lambda c, now_us: set_role(c, "Bo", Role.ENGINEER, now_us),
        lambda c, now_us: disable_user(c, "Bo", now_us),
    ],
)
def test_all_sessions_end_at_a_change_of_password_or_role_and_at_disabling(
    fill: Any, client: Any, change: Callable[..., None]
) -> None:
    secrets = []
    for _ in range(2):
        secrets.append(client.sign_in("Bo").cookies[SESSION_COOKIE])
        assert client.get("/alarms").status_code == 200
    with fill.store.writing() as connection:
        change(connection, fill.now_us)
    for secret in secrets:
        client.cookies.clear()
        client.cookies.set(SESSION_COOKIE, secret, domain="board.test")
        assert client.get("/alarms").status_code == 303
        assert client.get("/api/alarms").status_code == 401


def test_a_role_taken_away_counts_at_once(fill: Any, client: Any) -> None:
    client.sign_in("Ada")
    assert client.get("/users").status_code == 200
    with fill.store.writing() as connection:
        add_user(connection, "Di", Role.ADMINISTRATOR, HASH, fill.now_us)
        set_role(connection, "Ada", Role.VIEWER, fill.now_us)
    client.sign_in("Ada")
    assert client.get("/users").status_code == 403


# Where the browser goes ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("to", "path"),
    [
        ("/alarms?a=b%26c&x=%2F", "/alarms?a=b%26c&x=%2F"),
        ("/site/S%20%C3%A4", "/site/S%20%C3%A4"),
        ("/?region=Coast", "/?region=Coast"),
        ("", "/"),
        ("alarms", "/"),
        ("https://evil.test/", "/"),
        ("//evil.test/", "/"),
        ("///evil.test/", "/"),
        ("/\\evil.test/", "/"),
        ("\\\\evil.test", "/"),
        ("/\t/evil.test", "/"),
        ("/\n/evil.test", "/"),
        ("/x\r\nSet-Cookie: a=b", "/"),
        ("javascript:alert(1)", "/"),
        ("/sign-in?next=/x", "/"),
        ("/sign-out", "/"),
        ("/api/board", "/"),
        ("/" + "x" * 3000, "/"),
    ],
)
def test_the_sign_in_leads_to_our_own_pages_only(client: Any, to: str, path: str) -> None:
    assert safe_next(to) == path
    assert (
        f'name="next" value="{path.replace("&", "&amp;")}"'
        in client.get("/sign-in", params={"next": to}).text
    )


def test_a_form_with_another_next_leads_home(client: Any) -> None:
    assert sign_in(client, to="//evil.test/").headers["location"] == "/"


def test_the_sign_in_takes_a_form_of_its_own_page_only(client: Any) -> None:
    fields = {"name": "Ada", "password": PASSWORD}
    assert client.post("/sign-in", data=fields).status_code == 403
    token = client.token("/sign-in")
    headers = {"Origin": "http://evil.test"}
    assert client.post("/sign-in", data={**fields, "token": token}, headers=headers).status_code == 403


def test_without_any_user_nothing_is_open_and_it_says_what_to_do(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    client = client_of(fill, signed_in=False, access=ACCESS)
    assert client.get("/").status_code == 303
    page = client.get("/sign-in").text
    assert "standingwatch user add NAME --role administrator" in page
    assert 'name="password"' not in page
    assert "user add NAME" in client.get("/api/alarms").json()["detail"]


# Tokens --------------------------------------------------------------------------------------------------


def bearer(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


@pytest.fixture
def token(fill: Any, client: Any) -> str:
    with fill.store.writing() as connection:
        _, secret = add_token(
            connection,
            "pager",
            Role.OPERATOR,
            made_by="Ada",
            now_us=fill.now_us,
            ends_us=fill.now_us + 24 * HOUR_US,
            longest_us=24 * HOUR_US,
        )
    return secret


ACT = {"alarms": [{"subject": "S001/RPT-2", "condition": "swr-high"}], "act": "acknowledge"}


def test_a_token_acts_within_its_role_and_by_its_name(fill: Any, client: Any, token: str) -> None:
    assert client.post("/api/alarms/act", json=ACT, headers=bearer(token)).status_code == 200
    assert "by token pager" in client.sign_in("Ada").get("/alarms").text
    client.cookies.clear()
    answer = client.get("/users", headers=bearer(token))
    assert answer.status_code == 403
    assert 'error="insufficient_scope"' in answer.headers["www-authenticate"]
    named = "swr-high S001/RPT-2"
    assert ("token pager", "alarms: acknowledge", named, "done") in audit(fill)


def test_the_use_of_a_token_is_noted_once_a_minute(fill: Any, client: Any, token: str) -> None:
    def used_us() -> int | None:
        with fill.store.reading() as connection:
            return connection.execute(select(tables.tokens.c.used_us)).scalar_one()

    assert used_us() is None
    client.get("/api/alarms", headers=bearer(token))
    first = fill.now_us
    assert used_us() == first
    fill.now_us += MIN_US - 1
    client.get("/api/alarms", headers=bearer(token))
    assert used_us() == first
    fill.now_us += 1
    client.get("/api/alarms", headers=bearer(token))
    assert used_us() == first + MIN_US


def test_who_reads_is_let_in_while_that_cannot_be_noted(
    fill: Any, client: Any, token: str, caplog: pytest.LogCaptureFixture
) -> None:
    client.sign_in("Ada")
    fill.now_us += MIN_US
    said: list[str] = []
    event.listen(fill.store.engine, "before_cursor_execute", lambda *given: said.append(given[2]))
    with held(fill.store.engine.url.render_as_string(hide_password=False)):
        assert client.get("/alarms").status_code == 200
        client.cookies.clear()
        assert client.get("/api/alarms", headers=bearer(token)).status_code == 200
    why = "canceling statement due to lock timeout" if on_postgresql() else "database is locked"
    assert caplog.text.count(f"not noted who reads: {why}") == 2
    if on_postgresql():
        shortly = f"SET LOCAL lock_timeout = '{round(1000 * NOTE_WAIT_S)}ms'"
        assert [one for one in said if "lock_timeout" in one] == [shortly, shortly]
        return
    # It waited shortly; what has to be written waits for others as before.
    waits = [f"PRAGMA busy_timeout = {round(1000 * wait_s)}" for wait_s in (NOTE_WAIT_S, WAIT_S)]
    assert [one for one in said if "busy_timeout" in one] == [*waits, *waits]
    with fill.store.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar_one() == 1000 * WAIT_S


@pytest.mark.parametrize("how", ["ended", "revoked", "wrong", "empty", "basic", "of one who is disabled"])
def test_a_token_that_does_not_hold(fill: Any, client: Any, token: str, how: str) -> None:
    headers = bearer(token)
    if how == "ended":
        fill.now_us += 24 * HOUR_US
    elif how == "wrong":
        headers = bearer(token[:-1] + ("A" if token[-1] != "A" else "B"))
    elif how == "empty":
        headers = {"Authorization": "Bearer "}
    elif how == "basic":
        headers = {"Authorization": f"Basic {token}"}
    with fill.store.writing() as connection:
        if how == "revoked":
            revoke_token(connection, 1, fill.now_us)
        elif how == "of one who is disabled":
            add_user(connection, "Di", Role.ADMINISTRATOR, HASH, fill.now_us)
            disable_user(connection, "Ada", fill.now_us)
    answer = client.get("/api/alarms", headers=headers)
    assert answer.status_code == 401
    assert 'error="invalid_token"' in answer.headers["www-authenticate"]
    # Nor does a session help out: what is brought has to hold.
    client.sign_in("Bo")
    assert client.post("/api/alarms/act", json=ACT, headers=headers).status_code == 401


def test_a_token_is_no_session(fill: Any, client: Any, token: str) -> None:
    client.cookies.set(SESSION_COOKIE, token, domain="board.test")
    assert client.get("/alarms").status_code == 303


# Passwords ----------------------------------------------------------------------------------------------


def change(client: Any, old: str, new: str, again: str | None = None) -> str:
    answer = client.submit("/account/password", old=old, new=new, again=new if again is None else again)
    return str(client.told(answer))


NEW = "another long word 9"


def test_one_changes_ones_own_password(fill: Any, client: Any) -> None:
    other = client.sign_in("Bo").cookies[SESSION_COOKIE]
    client.sign_in("Bo")
    assert "The password is changed" in change(client, PASSWORD, NEW)
    assert client.get("/alarms").status_code == 200
    client.cookies.clear()
    client.cookies.set(SESSION_COOKIE, other, domain="board.test")
    assert client.get("/alarms").status_code == 303
    client.cookies.clear()
    assert sign_in(client, "Bo").status_code == 401
    assert sign_in(client, "Bo", NEW).status_code == 303
    lines = audit(fill)
    assert any(act == "change one's own password" and done.startswith("done") for _, act, _, done in lines)
    assert not any(NEW in part or PASSWORD in part for line in lines for part in line)


@pytest.mark.parametrize(
    ("old", "new", "again", "said"),
    [
        ("wrong", NEW, NEW, "old password: it is wrong"),
        (PASSWORD, "short", "short", "got 5 characters, wanted 12 to 200"),
        (PASSWORD, NEW, NEW + "x", "not typed alike twice"),
        (PASSWORD, "a" * 20, "a" * 20, "fewer than 5 different characters"),
    ],
)
def test_a_password_that_is_not_changed(
    fill: Any, client: Any, old: str, new: str, again: str, said: str
) -> None:
    client.sign_in("Bo")
    assert said in change(client, old, new, again)
    with fill.store.reading() as connection:
        user = load_user(connection, "Bo")
    assert user is not None
    assert user.password_hash == HASH
    [line] = [one for one in audit(fill) if one[1] == "change one's own password"]
    assert line[3].startswith("refused: The password was not changed")


def test_an_open_browser_does_not_help_to_guess_the_password(client: Any) -> None:
    client.sign_in("Bo")
    for _ in range(5):
        assert "it is wrong" in change(client, "wrong", NEW)
    assert "too many wrong tries" in change(client, PASSWORD, NEW)


def test_one_sees_and_ends_ones_own_sessions_only(fill: Any, client: Any) -> None:
    others = client.sign_in("Ada").cookies[SESSION_COOKIE]
    client.sign_in("Bo")
    mine = client.sign_in("Bo").cookies[SESSION_COOKIE]
    page = client.get("/account").text
    keys = re.findall(r'name="session" value="([0-9a-f]{64})"', page)
    assert len(keys) == 2
    assert mine not in page
    told = client.told(client.submit("/account/sessions/end", session=hash_of(others)))
    assert "No other session was there to end" in told
    assert "Signed out there" in client.told(client.submit("/account/sessions/end", session="others"))
    assert client.get("/account").text.count('name="session"') == 1
    client.cookies.clear()
    client.cookies.set(SESSION_COOKIE, others, domain="board.test")
    assert client.get("/alarms").status_code == 200


# The demo's own user -------------------------------------------------------------------------------------


def test_the_automatic_user_is_an_operator_and_a_session_comes_before(
    fill: Any, client: Any, client_of: Callable[..., Any]
) -> None:
    demo = client_of(fill, signed_in=False, access=ACCESS, automatic_user="demo operator")
    assert "demo operator" in demo.get("/").text
    assert demo.submit("/alarms/act", act="acknowledge", chosen="swr-high S001/RPT-2").status_code == 303
    assert "by demo operator" in demo.get("/alarms").text
    assert demo.get("/users").status_code == 403
    assert demo.get("/", headers={"Host": "evil.test"}).status_code == 421
    assert sign_in(demo).status_code == 303
    assert demo.get("/users").status_code == 200
