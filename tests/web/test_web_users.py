"""The page of users and tokens, and the audit of what is done there and elsewhere."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.store.access import Role, add_user, load_user
from standingwatch.store.audit import AuditLine, load_audit

PASSWORD = "correct horse 7 staple"


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    with fill.store.writing() as connection:
        add_user(connection, "Bo", Role.OPERATOR, "", fill.now_us)
    return client_of(fill)


def newest(fill: Any) -> AuditLine:
    with fill.store.reading() as connection:
        return load_audit(connection, 1)[0]


def test_a_user_is_added_promoted_disabled_and_enabled(fill: Any, client: Any) -> None:
    fields = {"name": "Cy", "role": "viewer", "password": PASSWORD}
    assert "Cy is added as viewer" in client.told(client.submit("/users", **fields))
    line = newest(fill)
    assert (line.by, line.role, line.address) == ("Ada", "administrator", "203.0.113.7")
    assert (line.act, line.about, line.outcome) == ("add a user", "Cy, viewer", "done: Cy is added as viewer")
    assert "Cy is engineer now" in client.told(client.submit("/users/role", name="Cy", role="engineer"))
    assert "Cy is disabled" in client.told(client.submit("/users/disable", name="Cy"))
    assert "Cy may sign in again" in client.told(client.submit("/users/enable", name="Cy"))
    with fill.store.reading() as connection:
        user = load_user(connection, "Cy")
    assert user is not None
    assert (user.role, user.disabled_us) == (Role.ENGINEER, None)


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("/users/disable", {"name": "Ada"}, "Ada is the only administrator"),
        ("/users/role", {"name": "Ada", "role": "viewer"}, "Ada is the only administrator"),
        ("/users/role", {"name": "Nobody", "role": "viewer"}, "there is no user “Nobody”"),
        ("/tokens/revoke", {"number": "x"}, "there is no token “x”"),
        ("/tokens", {"name": "t", "role": "viewer", "days": "400"}, "within 366 days"),
    ],
)
def test_what_is_refused_says_why_and_is_kept(
    fill: Any, client: Any, path: str, fields: dict[str, str], said: str
) -> None:
    assert said in html.unescape(client.told(client.submit(path, **fields)))
    assert newest(fill).outcome.startswith("refused: ")
    assert said in newest(fill).outcome


@pytest.mark.parametrize("change", [{"role": "king"}, {"password": "short"}])
def test_a_bad_form_adds_nobody(fill: Any, client: Any, change: dict[str, str]) -> None:
    fields = {"name": "Cy", "role": "viewer", "password": PASSWORD, **change}
    assert client.submit("/users", **fields).status_code == 422
    with fill.store.reading() as connection:
        assert load_user(connection, "Cy") is None


def test_a_token_is_shown_once_and_works_until_it_is_revoked(fill: Any, client: Any) -> None:
    answer = client.submit("/tokens", name="pager <1>", role="viewer", days="30")
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    found = re.search(r"swt_[\w-]{43}", answer.text)
    assert found is not None
    page = client.get("/users").text
    assert found[0] not in page
    assert "pager &lt;1&gt;" in page
    headers = {"Authorization": f"Bearer {found[0]}"}
    assert client.get("/api/alarms", headers=headers).status_code == 200
    assert "is revoked" in client.told(client.submit("/tokens/revoke", number="1"))
    assert client.get("/api/alarms", headers=headers).status_code == 401
    with fill.store.reading() as connection:
        assert found[0] not in str(load_audit(connection, 100))


# The audit -----------------------------------------------------------------------------------------------


def test_acts_are_kept_with_what_came_of_them(fill: Any, client: Any) -> None:
    client.sign_in("Bo")
    client.submit("/alarms/act", act="acknowledge", chosen=["swr-high S001/RPT-2", "swr-high S001/GONE"])
    line = newest(fill)
    assert (line.by, line.role, line.time_us) == ("Bo", "operator", fill.now_us)
    assert (line.act, line.about) == ("alarms: acknowledge", "swr-high S001/RPT-2; swr-high S001/GONE")
    assert line.outcome.startswith("partly done: Acknowledged: 1 alarm; ")
    assert "S001/GONE: swr-high: there is no such alarm" in line.outcome
    client.submit("/shelves", site="S999", length="1", unit="hours", up_to="major", reason="x")
    assert newest(fill).outcome.startswith("refused, 422 ")
    assert "site: “S999” is not on the site list" in newest(fill).outcome
    client.submit("/users", name="Eve", role="administrator", password=PASSWORD)
    line = newest(fill)
    assert (line.by, line.act) == ("Bo", "POST /users")
    assert line.outcome.startswith("refused, 403 Forbidden: This needs the role administrator")
    client.send("DELETE", "/api/shelves/77")
    assert (newest(fill).act, newest(fill).about) == ("DELETE /api/shelves/{number}", "number 77")
    client.post("/alarms/act", data={"token": "x"}, headers={"Origin": "http://evil.test"})
    assert "page of another site" in newest(fill).outcome


def test_reading_and_what_nobody_tries_is_not_kept(fill: Any, client: Any) -> None:
    client.get("/alarms")
    client.get("/users")
    client.cookies.clear()
    assert client.post("/alarms/act", data={}).status_code == 401
    assert client.post("/api/alarms/act", json={}).status_code == 401
    with fill.store.reading() as connection:
        assert load_audit(connection, 10) == []


def test_the_page_of_the_audit_filters_and_leads_on(fill: Any, client: Any) -> None:
    for number in range(103):
        client.send("DELETE", f"/api/shelves/{number + 1}")
    page = client.get("/audit").text
    assert page.count('<td class="time">') == 100
    older = re.search(r'href="(/audit\?[^"]+)" rel="next"', page)
    assert older is not None
    assert client.get(html.unescape(older[1])).text.count('<td class="time">') == 3
    found = client.get("/audit?words=number+103").text
    assert found.count('<td class="time">') == 1
    assert "No act fits." in client.get("/audit?by=Bo").text


# What viewers see ----------------------------------------------------------------------------------------


def test_a_viewer_is_offered_nothing_to_change(fill: Any, client: Any) -> None:
    fill.desk()
    client.sign_in("Vi", "viewer")
    for page in ("/alarms", "/alarm?subject=S001%2FRPT-2&condition=swr-high", "/shelves", "/work"):
        text = client.get(page).text
        assert not re.search(r'<button[^>]*name="(?:act|number)"', text)
        assert 'id="make"' not in text
        assert 'id="enter"' not in text
    assert "/users" not in client.get("/alarms").text
