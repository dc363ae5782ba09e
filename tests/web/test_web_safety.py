"""What may change something: only forms of our own pages, and programs that speak JSON."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.store.handling import load_handlings, load_shelves
from standingwatch.web.form import TOKEN_COOKIE
from standingwatch.web.safety import LONGEST_BODY

FORMS = ("/alarms/act", "/shelves", "/shelves/end", "/work", "/work-end")
ACT = {
    "alarms": [{"subject": "S001/RPT-2", "condition": "swr-high"}],
    "act": "acknowledge",
}


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    return client_of(fill)


def nothing_changed_in(fill: Any) -> bool:
    with fill.store.reading() as connection:
        return load_handlings(connection) == {} and load_shelves(connection) == []


@pytest.fixture
def nothing_changed(fill: Any) -> Callable[[], bool]:
    return lambda: nothing_changed_in(fill)


FIELDS = {
    "act": "acknowledge",
    "chosen": "swr-high S001/RPT-2",
    "number": "1",
    "site": "S001",
    "up_to": "major",
    "length": "1",
    "unit": "days",
    "reason": "x",
}


@pytest.mark.parametrize("path", FORMS)
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.test"},
        {"Origin": "null"},
        {"Origin": "http://board.test.evil.test"},
        {"Origin": "http://board.test:81"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "http://board.test", "Sec-Fetch-Site": "cross-site"},
    ],
)
def test_forms_of_other_sites_are_refused_even_with_the_token(
    shared_client: Any, path: str, headers: dict[str, str]
) -> None:
    client = shared_client
    answer = client.post(path, data={"token": client.token(), **FIELDS}, headers=headers)
    assert answer.status_code == 403
    assert "page of another site" in answer.text
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert nothing_changed_in(client.fill)


@pytest.mark.parametrize("path", FORMS)
@pytest.mark.parametrize("token", ["", "wrong", "wröng", None])
def test_forms_without_the_token_are_refused(shared_client: Any, path: str, token: str | None) -> None:
    client = shared_client
    client.get("/alarms")
    fields = FIELDS if token is None else {**FIELDS, "token": token}
    answer = client.post(path, data=fields, headers={"Origin": "http://board.test"})
    assert answer.status_code == 403
    assert "nothing was changed" in answer.text
    assert nothing_changed_in(client.fill)


def test_a_token_without_its_cookie_is_refused(client: Any, nothing_changed: Callable[[], bool]) -> None:
    token = client.token()
    client.cookies.clear()
    answer = client.post("/alarms/act", data={"token": token, **FIELDS})
    assert answer.status_code == 401
    assert nothing_changed()


def test_a_form_of_one_session_is_refused_in_another(
    client: Any, nothing_changed: Callable[[], bool]
) -> None:
    token = client.token()
    client.sign_in("Bo")
    assert client.post("/alarms/act", data={"token": token, **FIELDS}).status_code == 403
    # Another session of the same user is another session too.
    client.sign_in("Ada")
    assert client.post("/alarms/act", data={"token": token, **FIELDS}).status_code == 403
    # Nor does a pair count that somebody else has put into browser and form.
    client.cookies.set(TOKEN_COOKIE, "x" * 40)
    assert client.post("/alarms/act", data={"token": "x" * 40, **FIELDS}).status_code == 403
    assert nothing_changed()


def test_the_token_of_a_session_is_in_no_cookie_and_stays_the_same(client: Any) -> None:
    assert "set-cookie" not in client.get("/alarms").headers
    assert client.token("/alarms") == client.token("/work")


def test_the_cookie_without_a_session_goes_nowhere_else_and_stays_the_same(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    client = client_of(fill, automatic_user="somebody")
    client.cookies.clear()
    cookie = client.get("/alarms").headers["set-cookie"]
    assert cookie.startswith(f"{TOKEN_COOKIE}=")
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "set-cookie" not in client.get("/shelves").headers
    assert client.token("/alarms") == client.token("/work")
    for token in ("", "x" * 40):
        assert client.post("/alarms/act", data={"token": token, **FIELDS}).status_code == 403
    assert client.submit("/alarms/act", **FIELDS).status_code == 303
    client.cookies.clear()
    # Two empty ones make no pair.
    assert client.post("/alarms/act", data={"token": "", **FIELDS}).status_code == 403


@pytest.mark.parametrize("headers", [{}, {"Origin": "http://board.test"}, {"Sec-Fetch-Site": "same-origin"}])
def test_our_own_forms_are_let_through(client: Any, headers: dict[str, str]) -> None:
    answer = client.post("/alarms/act", data={"token": client.token(), **FIELDS}, headers=headers)
    assert answer.status_code == 303


@pytest.mark.parametrize("kind", ["text/plain", "application/json", "multipart/form-data; boundary=x", ""])
def test_other_content_is_no_form(client: Any, nothing_changed: Callable[[], bool], kind: str) -> None:
    client.token()
    answer = client.post("/alarms/act", content=b"act=acknowledge", headers={"Content-Type": kind})
    assert answer.status_code == 415
    assert nothing_changed()


@pytest.mark.parametrize("body", [b"act=\xff%ff", "&".join(f"a={n}" for n in range(3000)).encode()])
def test_a_form_that_cannot_be_read(client: Any, body: bytes) -> None:
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    assert client.post("/alarms/act", content=body, headers=headers).status_code == 400


@pytest.mark.parametrize("path", ["/alarms/act", "/api/alarms/act"])
def test_a_body_that_is_too_long_is_not_read(client: Any, path: str) -> None:
    answer = client.post(
        path, content=b"x" * (LONGEST_BODY + 1), headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 413

    async def parts() -> Any:
        yield b"x"

    assert client.post(path, content=parts(), headers={"Content-Type": "application/json"}).status_code == 411


@pytest.mark.parametrize("path", [*FORMS[::2], "/api/alarms/act"])
def test_reading_changes_nothing(client: Any, nothing_changed: Callable[[], bool], path: str) -> None:
    client.get(path, params=FIELDS)
    assert nothing_changed()


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.test"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Type": "text/plain; application/json"}, 415),
    ],
)
@pytest.mark.parametrize("path", ["/api/alarms/act", "/api/shelves", "/api/work"])
def test_the_api_refuses_what_another_site_can_send(
    client: Any, nothing_changed: Callable[[], bool], path: str, headers: dict[str, str], status: int
) -> None:
    answer = client.post(path, json=ACT, headers=headers)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert nothing_changed()


def test_the_api_refuses_deleting_from_another_site(fill: Any, client: Any) -> None:
    number = fill.shelf(site="S001")
    answer = client.send("DELETE", f"/api/shelves/{number}", headers={"Origin": "http://evil.test"})
    assert answer.status_code == 403
    with fill.store.reading() as connection:
        assert len(load_shelves(connection)) == 1


@pytest.mark.parametrize(
    "headers", [{}, {"Origin": "http://board.test"}, {"Content-Type": "application/json; charset=utf-8"}]
)
def test_the_api_takes_json_of_programs_and_of_our_own_pages(client: Any, headers: dict[str, str]) -> None:
    assert client.post("/api/alarms/act", json=ACT, headers=headers).status_code == 200
