"""The API of users, tokens, the audit and one's own account."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.settings import AccessSettings
from standingwatch.store.access import Role, add_user, load_user, set_password
from standingwatch.store.passwords import hash_password, password_fits

PASSWORD = "three blue owls sing"
OTHER = "four grey owls are still"


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.sites(1, 1)
    return client_of(fill)


def hash_of(client: Any, name: str) -> str:
    with client.fill.store.reading() as connection:
        user = load_user(connection, name)
    assert user is not None
    return str(user.password_hash)


def test_a_user_from_the_first_to_the_last(client: Any) -> None:
    given = {"name": "Bo", "role": "viewer", "password": PASSWORD}
    made = client.post("/api/users", json=given)
    assert made.status_code == 201, made.text
    assert made.json() == {
        "name": "Bo",
        "role": "viewer",
        "added": "2026-03-14T09:26:53Z",
        "disabled": None,
    }
    assert PASSWORD not in made.text
    assert password_fits(PASSWORD, hash_of(client, "Bo"))
    assert client.post("/api/users", json=given).status_code == 409
    acts = "/api/users/Bo/acts"
    assert client.post(acts, json={"act": "role", "role": "operator"}).json()["role"] == "operator"
    assert client.post(acts, json={"act": "role", "role": "operator"}).status_code == 409
    assert client.post(acts, json={"act": "disable"}).json()["disabled"] == "2026-03-14T09:26:53Z"
    assert client.post(acts, json={"act": "enable"}).json()["disabled"] is None
    assert client.post(acts, json={"act": "password", "password": OTHER}).status_code == 200
    assert password_fits(OTHER, hash_of(client, "Bo"))
    assert [one["name"] for one in client.get("/api/users").json()["users"]] == ["Ada", "Bo"]


@pytest.mark.parametrize(
    ("name", "body", "status", "told"),
    [
        ("Bo", {"act": "disable"}, 404, "no user"),
        ("Ada", {"act": "role"}, 422, "role: missing"),
        ("Ada", {"act": "password"}, 422, "password: missing"),
        ("Ada", {"act": "password", "password": "short"}, 422, "got 5 characters"),
        ("Ada", {"act": "role", "role": "viewer"}, 409, "only administrator"),
        ("Ada", {"act": "disable"}, 409, "only administrator"),
        ("Ada", {"act": "party"}, 422, "act: "),
    ],
)
def test_what_cannot_be_done_with_a_user(
    client: Any, name: str, body: dict[str, Any], status: int, told: str
) -> None:
    answer = client.post(f"/api/users/{name}/acts", json=body)
    assert (answer.status_code, told in answer.json()["detail"]) == (status, True), answer.text


@pytest.mark.parametrize("password", ["short", "aaaaaaaaaaaaaaaa", "\ud800" * 12])
def test_a_bad_password_is_refused_and_never_told(client: Any, password: str) -> None:
    # JSON can say half of a pair of surrogates, which is no character.
    body = json.dumps({"name": "Bo", "role": "viewer", "password": password})
    answer = client.post("/api/users", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422, answer.text
    assert "aaaa" not in answer.text
    audit = client.get("/api/audit").text
    assert "aaaa" not in audit
    assert PASSWORD not in audit


def test_a_token_from_its_making_to_its_end(client: Any, client_of: Callable[..., Any]) -> None:
    made = client.post("/api/tokens", json={"name": "wall", "role": "viewer", "days": 3})
    assert made.status_code == 201, made.text
    secret, number = made.json()["secret"], made.json()["number"]
    program = client_of(client.fill, signed_in=False)
    asks = {"Authorization": f"Bearer {secret}"}
    assert program.get("/api/me", headers=asks).json() == {
        "name": "token wall",
        "role": "viewer",
        "kind": "token",
    }
    assert program.get("/api/me/sessions", headers=asks).status_code == 403
    assert program.get("/api/users", headers=asks).status_code == 403
    listed = client.get("/api/tokens")
    assert secret not in listed.text
    assert [one["name"] for one in listed.json()["tokens"]] == ["wall"]
    assert client.post("/api/tokens", json={"name": "wall", "role": "viewer"}).status_code == 409
    assert client.post("/api/tokens", json={"name": "x", "role": "viewer", "days": 3000}).status_code == 409
    assert client.send("DELETE", f"/api/tokens/{number}").status_code == 204
    assert client.send("DELETE", f"/api/tokens/{number}").status_code == 404
    assert program.get("/api/me", headers=asks).status_code == 401
    assert client.get("/api/tokens").json()["tokens"] == []
    assert client.get("/api/tokens?ended=true").json()["tokens"][0]["revoked"] == "2026-03-14T09:26:53Z"


def test_the_audit_tells_who_did_what(client: Any) -> None:
    client.post("/api/users", json={"name": "Bo", "role": "viewer", "password": PASSWORD})
    client.send("DELETE", "/api/tokens/9")
    client.send("DELETE", "/api/work/9")
    lines = client.get("/api/audit").json()["lines"]
    assert [(line["by"], line["act"], line["about"]) for line in lines] == [
        ("Ada", "DELETE /api/work/{number}", "number 9"),
        ("Ada", "revoke a token", "9"),
        ("Ada", "add a user", "Bo, viewer"),
    ]
    assert lines[0]["outcome"].startswith("refused, 404")
    assert [line["act"] for line in client.get("/api/audit?words=token").json()["lines"]] == [
        "revoke a token"
    ]
    assert client.get("/api/audit?by=Bo").json()["lines"] == []


def test_ones_own_sessions_and_password(client: Any, fill: Any, client_of: Callable[..., Any]) -> None:
    with fill.store.writing() as connection:
        add_user(connection, "Vi", Role.VIEWER, hash_password(PASSWORD), fill.now_us)
    one, other = client_of(fill).sign_in("Vi"), client_of(fill).sign_in("Vi")
    assert one.get("/api/me").json() == {"name": "Vi", "role": "viewer", "kind": "session"}
    found = one.get("/api/me/sessions").json()["sessions"]
    assert sorted(session["is_this"] for session in found) == [False, True]
    [strange] = [session["id"] for session in found if not session["is_this"]]
    # Nobody ends the session of another.
    assert client.send("DELETE", f"/api/me/sessions/{strange}").status_code == 404
    assert one.send("DELETE", f"/api/me/sessions/{strange}").status_code == 204
    assert other.get("/api/me").status_code == 401
    password = "/api/me/password"
    wrong = one.send("PUT", password, json={"old": "not the one at all", "new": OTHER})
    assert (wrong.status_code, "it is wrong" in wrong.json()["detail"]) == (422, True)
    assert one.send("PUT", password, json={"old": PASSWORD, "new": "short"}).status_code == 422
    changed = one.send("PUT", password, json={"old": PASSWORD, "new": OTHER})
    assert changed.status_code == 204, changed.text
    assert password_fits(OTHER, hash_of(client, "Vi"))
    # Whoever changed it goes on in a new session.
    assert one.get("/api/me").json()["name"] == "Vi"
    assert len(one.get("/api/me/sessions").json()["sessions"]) == 1


def test_wrong_passwords_for_oneself_are_counted(client: Any, fill: Any) -> None:
    with fill.store.writing() as connection:
        set_password(connection, "Ada", hash_password(PASSWORD))
    client.sign_in()
    told = [
        client.send("PUT", "/api/me/password", json={"old": "not the one at all", "new": OTHER}).json()[
            "detail"
        ]
        for _ in range(6)
    ]
    assert ["too many" in one for one in told] == [False] * 5 + [True]
    assert [one["succeeded"] for one in client.get("/api/sign-ins").json()["sign_ins"]] == [False] * 5


def test_who_asks_where_nobody_signs_in(client: Any, client_of: Callable[..., Any]) -> None:
    access = AccessSettings(allowed_hosts=("board.test",), required=False)
    anybody = client_of(client.fill, signed_in=False, access=access)
    assert anybody.get("/api/me").json() == {"name": "anybody", "role": "engineer", "kind": "anybody"}
    assert anybody.get("/api/me/sessions").status_code == 403
    assert anybody.post("/api/since", json={"until": "2026-03-14T09:00:00Z"}).status_code == 403
