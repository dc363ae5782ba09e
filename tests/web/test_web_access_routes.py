"""Every route by every role: each states what it needs, and lets nobody else through."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry

from standingwatch.inventory import FleetDefaults
from standingwatch.settings import AccessSettings, LimitsSettings
from standingwatch.store.access import Role
from standingwatch.store.connect import Store
from standingwatch.web.access import OPEN_PATHS, stated_role
from standingwatch.web.app import create_app

#: Routes that need nobody. The rest has to say what it needs; what does not exist needs a viewer.
OPEN = {*OPEN_PATHS, "/metrics"}

#: The application's own route to its description states no role, and asks for a viewer at the gate.
BY_THE_GATE = {"/openapi.json"}

#: What everybody who has signed in may do: see to their own session, password and last look; try a payload.
OWN = {
    *("/sign-out", "/account/password", "/account/sessions/end", "/since/looked", "/intake/try"),
    *("/intake/profile", "/api/profiles/try", "/api/profiles/draft"),
    *("/api/me/password", "/api/me/sessions/{id}", "/api/since", "/api/intake/try"),
}

#: What needs more than an operator; the issue's own list of roles.
ADMINISTRATORS = ("/users", "/tokens", "/audit")
ADMINISTRATORS_API = ("/api/users", "/api/tokens", "/api/audit", "/api/sign-ins")

SAFE = {"GET", "HEAD"}


def all_routes() -> list[tuple[str, str, Role | None]]:
    """Method, path and stated role of every route that the application has."""
    app = create_app(
        Store("sqlite://"),
        clock=lambda: 1,
        registry=CollectorRegistry(),
        fleet_defaults=FleetDefaults(),
        limits=LimitsSettings(),
        profiles=Path("profiles"),
    )
    found = []
    for route in flat(app.routes):
        methods = sorted(getattr(route, "methods", None) or {"GET"})
        found += [(method, route.path, stated_role(route)) for method in methods]
    return found


def flat(routes: Any) -> Iterator[Any]:
    """Routes, and those of routers among them."""
    for route in routes:
        if hasattr(route, "original_router"):
            yield from flat(route.original_router.routes)
        else:
            yield route


ROUTES = [one for one in all_routes() if one[0] != "HEAD" and one[1] != "/static"]


def test_there_are_routes() -> None:
    assert len(ROUTES) > 30
    assert {path for _, path, _ in ROUTES} >= {"/", "/alarms", "/users", "/audit", "/api/alarms/act"}


@pytest.mark.parametrize(("method", "path", "role"), ROUTES)
def test_every_route_states_its_role(method: str, path: str, role: Role | None) -> None:
    if path in OPEN or path in BY_THE_GATE:
        assert role is None
        return
    assert role is not None, f"{method} {path} states no role: give it dependencies=VIEWER or more"
    if path.startswith((*ADMINISTRATORS, *ADMINISTRATORS_API)):
        assert role is Role.ADMINISTRATOR
    elif method not in SAFE and path not in OWN:
        assert role.covers(Role.OPERATOR), f"{method} {path} changes something, and lets a viewer do it"


def ask(client: Any, method: str, path: str, form_token: str) -> Any:
    """Ask for a route with what its gate wants, and nothing that it could do."""
    address = re.sub(r"\{number[^}]*\}", "1", path)
    address = re.sub(r"\{[^}]+\}", "S001", address)
    if method in SAFE:
        return client.send(method, address)
    if path.startswith("/api/"):
        return client.send(method, address, json={})
    return client.send(method, address, data={"token": form_token})


def is_stream(path: str) -> bool:
    """Whether an answer never ends: such a one is asked for only where it is refused."""
    return path.startswith("/events/")


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.sites(2, 1)
    access = AccessSettings(allowed_hosts=("board.test",), open_metrics=False)
    return client_of(fill, access=access, profiles=Path("profiles"))


@pytest.mark.parametrize("has", [None, *Role])
def test_every_role_at_every_route(fill: Any, client: Any, has: Role | None) -> None:
    wrong, asked = [], 0
    for method, path, needs in ROUTES:
        if path in OPEN_PATHS:
            continue
        # Each route by a session of its own: some of them end it.
        client.cookies.clear()
        token = ""
        if has is not None:
            client.sign_in(has.value, has.value)
            token = client.token("/account")
        lets_in = has is not None and has.covers(needs or Role.VIEWER)
        if lets_in and is_stream(path):
            continue
        asked += 1
        answer = ask(client, method, path, token)
        refused = answer.status_code in (401, 403)
        to_sign_in = answer.headers.get("location", "").startswith("/sign-in?next=")
        # One that everybody may use for themselves says so after a look at who asks.
        if has is None and not (refused or to_sign_in):
            wrong.append((method, path, answer.status_code, "was open to nobody"))
        elif has is not None and lets_in == refused:
            wrong.append((method, path, answer.status_code, f"{has} for {needs}"))
        if refused and (path.startswith("/api/") or path in ("/metrics", "/openapi.json")):
            is_problem = answer.headers["content-type"] == "application/problem+json"
            if path.startswith("/api/") and not is_problem:
                wrong.append((method, path, answer.headers["content-type"], "is no problem details"))
    assert wrong == []
    assert asked > 30


@pytest.mark.parametrize("path", ["/", "/alarms?state=closed", "/site/S001", "/nowhere", "/sign-in/"])
def test_a_page_leads_to_the_sign_in_and_back(fill: Any, client_of: Callable[..., Any], path: str) -> None:
    answer = client_of(fill, signed_in=False).get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in?next=%2F")
    assert "%3Fstate%3Dclosed" in answer.headers["location"] or "?" not in path


@pytest.mark.parametrize("path", ["/api/alarms", "/api/nothing", "/openapi.json"])
def test_the_api_tells_nobody_what_to_bring(fill: Any, client_of: Callable[..., Any], path: str) -> None:
    client = client_of(fill)
    client.cookies.clear()
    answer = client.get(path)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Bearer ")
    assert "Authorization: Bearer TOKEN" in answer.text


def test_what_script_fetches_is_not_led_to_the_sign_in(fill: Any, client_of: Callable[..., Any]) -> None:
    answer = client_of(fill, signed_in=False).get("/board/rows", headers={"Sec-Fetch-Dest": "empty"})
    assert answer.status_code == 401


def test_a_link_of_another_site_is_asked_for_again(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill, signed_in=False)
    first = client.get("/alarms", headers={"Sec-Fetch-Site": "cross-site"})
    assert (first.status_code, "http-equiv" in first.text) == (200, True)
    assert len(first.text) < 400
    again = client.get("/alarms", headers={"Sec-Fetch-Site": "same-origin"})
    assert again.headers["location"] == "/sign-in?next=%2Falarms"


@pytest.mark.parametrize(("is_open", "status"), [(True, 200), (False, 401)])
def test_metrics_are_open_as_the_settings_say(
    fill: Any, client_of: Callable[..., Any], is_open: bool, status: int
) -> None:
    access = AccessSettings(allowed_hosts=("board.test",), open_metrics=is_open)
    client = client_of(fill, signed_in=False, access=access)
    assert client.get("/metrics").status_code == status
    assert client.get("/livez").status_code == 200
    assert client.get("/static/look.css").status_code == 200


def test_without_sign_in_all_is_open_but_users_tokens_and_audit(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    fill.everything()
    access = AccessSettings(allowed_hosts=("board.test",), required=False)
    client = client_of(fill, signed_in=False, access=access)
    assert "anybody: no sign-in is asked for" in client.get("/").text
    body = {"alarms": [{"subject": "S001/RPT-2", "condition": "swr-high"}], "act": "acknowledge"}
    assert client.post("/api/alarms/act", json=body).status_code == 200
    assert "by anybody" in client.get("/alarms").text
    for path in ADMINISTRATORS[::2]:
        assert client.get(path).status_code == 403


# Names of the service ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "bind", "allowed", "status"),
    [
        ("127.0.0.1:8080", "127.0.0.1", (), 303),
        ("localhost", "127.0.0.1", (), 303),
        ("LOCALHOST.", "127.0.0.1", (), 303),
        ("[::1]:8080", "127.0.0.1", (), 303),
        ("evil.test", "127.0.0.1", (), 421),
        ("localhost.evil.test", "127.0.0.1", (), 421),
        ("127.0.0.1.evil.test", "127.0.0.1", (), 421),
        ("evil.test:8080", "0.0.0.0", (), 421),
        ("192.0.2.7:8080", "0.0.0.0", (), 303),
        ("[2001:db8::1]", "::", (), 303),
        ("192.0.2.7:8080", "192.0.2.7", (), 303),
        ("192.0.2.8", "192.0.2.7", (), 421),
        ("watch.example.org", "0.0.0.0", ("watch.example.org",), 303),
        ("Watch.Example.org:443", "0.0.0.0", ("watch.example.org",), 303),
        ("127.0.0.1", "0.0.0.0", ("watch.example.org",), 421),
        ("", "127.0.0.1", (), 421),
        ("localhost:x", "127.0.0.1", (), 421),
        ("[::1", "127.0.0.1", (), 421),
        ("user@localhost", "127.0.0.1", (), 421),
    ],
)
def test_only_its_own_names_are_answered(
    fill: Any, client_of: Callable[..., Any], host: str, bind: str, allowed: tuple[str, ...], status: int
) -> None:
    access = AccessSettings(allowed_hosts=allowed)
    client = client_of(fill, signed_in=False, access=access, bind_host=bind)
    answer = client.get("/alarms", headers={"Host": host})
    assert answer.status_code == status
    if status == 421:
        assert "access.allowed_hosts" in answer.text
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert client.get("/livez", headers={"Host": host}).status_code == 200
