"""An intruder's list, tried on the whole application: nothing is got, and nothing is changed.

What each door is for has tests of its own; here every route of the application is tried, also those to come.
"""

from __future__ import annotations

import logging
import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from sqlalchemy import inspect, text

from standingwatch.alarms.handling import Act
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.store.access import Role, add_user
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.store.reviews import Making, keep, make
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.tokens import add_token
from standingwatch.store.visits import follow_alarms
from standingwatch.web.access import OPEN_PATHS, stated_role

DAY_US = 86_400_000_000

#: What stands at the end of a stream that has none.
STREAMS = ("/events/",)


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any], tmp_path: Path) -> Any:
    """An administrator's browser on a service with something of everything."""
    fill.everything()
    fill.desk()
    return client_of(fill, profiles=tmp_path / "profiles")


def flat(routes: Any) -> Iterator[Any]:
    """Routes, and those of routers among them."""
    for route in routes:
        if hasattr(route, "original_router"):
            yield from flat(route.original_router.routes)
        elif getattr(route, "dependant", None) is not None:
            yield route


def routes_of(client: Any) -> list[tuple[str, str, Any]]:
    """Method, address and route of all that the application has but streams."""
    found = []
    for route in flat(client.app.routes):
        if route.path.startswith(STREAMS):
            continue
        address = re.sub(r"\{number[^}]*\}", "1", route.path).replace("{site}", "S001")
        address = re.sub(r"\{[^}]+\}", "RPT-2", address)
        found += [(method, address, route) for method in sorted(route.methods) if method != "HEAD"]
    assert len(found) > 90
    return found


def rows(fill: Any, but: tuple[str, ...] = ()) -> dict[str, list[tuple[Any, ...]]]:
    """All that the store holds."""
    with fill.store.reading() as connection:
        names = [name for name in inspect(connection).get_table_names() if name not in but]
        return {
            name: sorted(map(tuple, connection.execute(text(f'SELECT * FROM "{name}"'))), key=repr)
            for name in names
        }


# Nobody, and somebody who may not ------------------------------------------------------------------------


def test_without_credentials_no_route_gives_or_does_anything(fill: Any, client: Any) -> None:
    before = rows(fill)
    for brings in ({}, {"Authorization": "Bearer " + "x" * 43}, {"Authorization": "Basic YTpi"}):
        for method, address, _ in routes_of(client):
            if address in (*OPEN_PATHS, "/metrics"):
                continue
            client.cookies.clear()
            body = {"json": {}} if address.startswith("/api/") else {"data": {"token": ""}}
            answer = client.send(method, address, headers=brings, **({} if method == "GET" else body))
            assert answer.status_code in (401, 303), (method, address)
            assert answer.status_code == 401 or answer.headers["location"].startswith("/sign-in?next=")
            assert "Grey Tor" not in answer.text
    assert rows(fill) == before


def test_a_viewer_s_token_does_no_act_of_others(fill: Any, client: Any) -> None:
    times = {"now_us": fill.now_us, "ends_us": fill.now_us + DAY_US, "longest_us": DAY_US}
    with fill.store.writing() as connection:
        _, token = add_token(connection, "look", Role.VIEWER, made_by="Ada", **times)
    client.cookies.clear()
    bring = {"Authorization": f"Bearer {token}"}
    assert client.get("/api/me", headers=bring).status_code == 200
    # That it was refused is kept.
    before, tried = rows(fill, but=("audit",)), 0
    for method, address, route in routes_of(client):
        role = stated_role(route)
        if role is None or Role.VIEWER.covers(role):
            continue
        tried += 1
        body = {"json": {}} if address.startswith("/api/") else {"data": {"token": ""}}
        answer = client.send(method, address, headers=bring, **({} if method == "GET" else body))
        assert answer.status_code == 403, (method, address, answer.status_code)
    assert tried > 40
    assert rows(fill, but=("audit",)) == before


# Requests that another site forges -----------------------------------------------------------------------


def test_no_act_can_be_forged_by_another_site(fill: Any, client: Any) -> None:
    token = client.token()
    before = rows(fill, but=("audit", "sessions"))
    for there in ({"Origin": "http://evil.test"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"}):
        for method, address, _ in routes_of(client):
            if method == "GET":
                continue
            body = {"json": {}} if address.startswith("/api/") else {"data": {"token": token}}
            answer = client.send(method, address, headers=there, **body)
            assert answer.status_code == 403, (method, address)
            assert "access-control-allow-origin" not in answer.headers
    for method, address, _ in routes_of(client):
        if method == "POST" and not address.startswith("/api/"):
            assert client.post(address, data={"token": "x" * 64}).status_code == 403, address
    assert rows(fill, but=("audit", "sessions")) == before


# Paths that lead elsewhere -------------------------------------------------------------------------------

TRAVERSALS = [
    *("../../app.py", "..%2f..%2fapp.py", "%2e%2e/app.py", "..%5capp.py", "..%252fapp.py", "....//app.py"),
    *("/etc/passwd", "%2fetc%2fpasswd", "../../../../../../../../etc/passwd", "..%c0%afapp.py"),
    "look.css%2f..%2f..%2f..%2fapp.py",
]


def test_no_path_leads_out(client: Any) -> None:
    for where in ("/static/", "/site/", "/site/S001/", "/review/", "/api/reviews/", "/visit/"):
        for path in TRAVERSALS:
            answer = client.get(where + path)
            assert answer.status_code in (400, 404, 405, 422), (where, path)
            assert "create_app" not in answer.text
            assert "root:" not in answer.text
    assert client.get("/static/look.css").status_code == 200
    # Folders are not listed, and no other methods are spoken.
    assert client.get("/static/").status_code == 404
    assert client.get("/.git/config").status_code == 404
    for method in ("TRACE", "CONNECT", "PROPFIND", "OPTIONS"):
        assert client.send(method, "/alarms").status_code == 405, method


# What is given as text -----------------------------------------------------------------------------------

PRODUCT = str(7_193 * 7_187)

HOSTILE = [
    "' OR '1'='1",
    "'; DROP TABLE users; --",
    '") UNION SELECT name, password_hash FROM users --',
    "%' OR 1=1 --",
    "{{ 7193 * 7187 }}${7193 * 7187}<%= 7193 * 7187 %>#{7193 * 7187}",
    "{0.__class__}%(x)s%n%s",
    "$(touch /tmp/x); `id` | id",
    "../../../../etc/passwd",
    "x\r\nX-Evil: 1\r\n\r\n<html>",
    "\N{RIGHT-TO-LEFT OVERRIDE}\N{ZERO WIDTH SPACE}\U0010ffff",
    "9" * 5_000,
    "-1",
    "NaN",
]


def test_no_question_of_any_page_is_taken_for_anything_but_text(fill: Any, client: Any) -> None:
    before, asked = rows(fill, but=("audit", "sessions", "looks")), 0
    for method, address, route in routes_of(client):
        parameters = [one.alias for one in route.dependant.query_params]
        if method != "GET" or not parameters:
            continue
        for hostile in HOSTILE:
            asked += 1
            answer = client.get(f"{address}?{urlencode(dict.fromkeys(parameters, hostile))}")
            assert answer.status_code < 500, (address, hostile)
            assert "x-evil" not in answer.headers
            assert PRODUCT not in answer.text
            assert "argon2" not in answer.text
    assert asked > 400
    assert rows(fill, but=("audit", "sessions", "looks")) == before


def test_no_field_of_any_form_is_taken_for_anything_but_text(fill: Any, client: Any) -> None:
    token = client.token()
    fields = [
        *("name", "password", "role", "number", "chosen", "act", "reason", "comment", "assign", "region"),
        *("site", "transmitter", "condition", "up_to", "length", "unit", "kind", "start", "end", "note"),
        *("when", "crew", "access", "gain", "topic", "payload", "profile", "days", "back", "next", "id"),
        *("frequency_mhz", "site_name", "old", "new", "again", "until", "finding"),
    ]
    # Too short to be hashed, which takes long.
    there, kept = set(rows(fill)), {"token": token, "password": "x", "new": "x"}
    for method, address, _ in routes_of(client):
        if method != "POST" or address.startswith("/api/") or address in ("/sign-out", "/account/password"):
            continue
        for hostile in (*HOSTILE[1:3], HOSTILE[4], HOSTILE[8]):
            answer = client.post(address, data={**dict.fromkeys(fields, hostile), **kept})
            assert answer.status_code < 500, (address, hostile)
            assert "x-evil" not in answer.headers
            assert PRODUCT not in answer.text
            location = answer.headers.get("location", "/")
            assert re.match(r"/(?![/\\])", location), (address, location)
    assert set(rows(fill)) == there
    # Still signed in, as the same one.
    assert client.get("/api/me").json()["name"] == "Ada"


BODIES = [
    b"[" * 200_000,
    b'{"a":' * 100_000,
    b'{"days": ' + b"9" * 20_000 + b"}",
    b'{"days": 1e999, "name": "\\ud800"}',
    b'{"name": "x", "name": "y"',
    b"\xff\xfe\x00\x00",
    b"",
    b"null",
    b'{"__proto__": {"role": "administrator"}, "role": ["administrator"], "is_admin": true}',
]


def test_no_body_breaks_an_operation(fill: Any, client: Any) -> None:
    before = rows(fill, but=("audit", "sessions", "looks"))
    for method, address, _ in routes_of(client):
        if method in ("POST", "PUT") and address.startswith("/api/") and address != "/api/since":
            for body in BODIES:
                headers = {"Content-Type": "application/json"}
                answer = client.send(method, address, content=body, headers=headers)
                assert 400 <= answer.status_code < 500, (method, address, answer.status_code)
    assert rows(fill, but=("audit", "sessions", "looks")) == before


def test_a_line_of_the_log_cannot_be_forged(client: Any, caplog: pytest.LogCaptureFixture) -> None:
    client.cookies.clear()
    with caplog.at_level(logging.DEBUG):
        client.post("/x%0d%0a2026-01-01 00:00:00,000 ERROR standingwatch: all is lost", data={})
    told = [record.getMessage() for record in caplog.records if "refused to nobody" in record.getMessage()]
    assert len(told) == 1
    assert "\n" not in told[0]
    assert "\r" not in told[0]


# Addresses that lead elsewhere ---------------------------------------------------------------------------


def test_no_page_sends_a_browser_elsewhere(client: Any) -> None:
    elsewhere = ("//evil.test", "https://evil.test", "/\\evil.test", "javascript:alert(1)")
    leads = re.compile(r'(?:href|action|content)="(?:javascript:|https?:|//|/\\)')
    for signed_in in (True, False):
        if not signed_in:
            client.cookies.clear()
        for name in ("next", "back", "to", "url", "return"):
            for to in elsewhere:
                for path in ("/sign-in", "/shelves"):
                    answer = client.get(f"{path}?{name}={quote(to, safe='')}")
                    assert re.match(r"/(?![/\\])", answer.headers.get("location", "/")), (path, name, to)
                    assert not leads.search(answer.text), (path, name, to)


# What shows text from outside ----------------------------------------------------------------------------

PROBE = """<xss-probe onxss=1>"onxss="1" 'onxss='1' </script></style></title><xss-probe>{{7193*7187}}"""
JAVASCRIPT = "javascript:onxss()"


class Found(HTMLParser):
    """What a page holds that only a probe can have brought."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []
        self.probes = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "xss-probe":
            self.wrong.append(tag)
        for name, value in attrs:
            if "onxss" in name or (name.startswith("on") and name != "on"):
                self.wrong.append(f"{tag} {name}")
            if name in ("href", "src", "action") and (value or "").strip().lower().startswith("javascript:"):
                self.wrong.append(f"{tag} {name}={value}")
            self.probes += "xss-probe" in (value or "")

    def handle_data(self, data: str) -> None:
        self.probes += "xss-probe" in data


def test_no_text_from_outside_is_more_than_text_on_any_page(
    fill: Any, client_of: Callable[..., Any], tmp_path: Path
) -> None:
    fill.everything()
    condition = Condition.SWR_HIGH
    with fill.store.writing() as connection:
        listed = load_site_list(connection).rows
        named = [
            replace(row, site_name=PROBE[:100], region=PROBE[:60], antenna_line=PROBE[:50]) for row in listed
        ]
        replace_site_list(connection, named, fill.now_us)
        follow_alarms(connection, fill.now_us + 20 * DAY_US)
        add_user(connection, "Bo", Role.OPERATOR, "", fill.now_us)
        topic = f"standingwatch/report/{JAVASCRIPT}/<xss-probe>"
        payload = PROBE.encode() + b"\xff"
        reports = [
            RefusedReport(fill.now_us, topic, payload, why, PROBE)
            for why in ("not-json", "unknown-transmitter")
        ]
        refuse(connection, reports)
    fill.alarm("S002", "RPT-1", condition, Severity.MAJOR, Cause.WATER, region=PROBE[:60])
    for act in (Act.COMMENT, Act.ASSIGN, Act.ACKNOWLEDGE):
        fill.act(act, "S002", "RPT-1", condition, PROBE[:90])
    with fill.store.reading() as connection:
        review = make(connection, "", "UTC", fill.now_us, Making())
    with fill.store.writing() as connection:
        keep(connection, review)
    client = client_of(fill, profiles=tmp_path / "profiles", notice=PROBE)
    token = client.token()
    for address, fields in (
        ("/shelves", {"site": "S001", "up_to": "major", "length": "1", "unit": "days", "reason": PROBE}),
        ("/work", {"site": "S001", "kind": "visit", "start": "2026-03-15T06:00", "end": "2026-03-15T09:30"}),
        ("/visit/1/plan", {"when": "2026-03-16T07:00", "crew": PROBE[:90], "access": PROBE, "gain": "6"}),
        ("/tokens", {"name": PROBE[:60], "role": "viewer", "days": "3"}),
        ("/users", {"name": PROBE[:60], "role": "viewer", "password": "long enough to be one"}),
    ):
        answer = client.post(address, data={"token": token, "note": PROBE, **fields})
        assert answer.status_code < 500, address
    pages, shown = [address for method, address, route in routes_of(client) if method == "GET"], 0
    pages = [address for address in pages if not address.endswith(".pdf")]
    pages += [
        f"/alarms?text={quote(PROBE)}",
        f"/map?text={quote(PROBE)}",
        f"/visits?text={quote(PROBE)}",
        f"/audit?words={quote(PROBE)}",
        f"/sign-in?next={quote(JAVASCRIPT)}",
        f"/site/{quote(PROBE, safe='')}",
        f"/intake/accept?topic={quote(topic, safe='')}",
        f"/alarm?subject={quote(PROBE)}&condition=swr-high",
        "/alarm?subject=S002/RPT-1&condition=swr-high",
        "/bench?forward=" + quote(PROBE),
        "/" + quote(PROBE, safe=""),
    ]
    for address in pages:
        answer = client.get(address)
        assert answer.status_code < 500, address
        assert "x-evil" not in answer.headers
        if not answer.headers.get("content-type", "").startswith("text/html"):
            # Nobody takes this for a page, whatever is in it.
            assert answer.headers["x-content-type-options"] == "nosniff"
            continue
        found = Found()
        found.feed(answer.text)
        assert found.wrong == [], address
        assert "script-src 'self'" in answer.headers["content-security-policy"]
        assert not re.search(r"<script(?![^>]*\bsrc=)[^>]*>", answer.text), f"{address} has a script in it"
        assert PRODUCT not in answer.text
        shown += found.probes > 0
    # The probes were there to be found, on most pages.
    assert shown > 15


# Messages that are read in two ways ----------------------------------------------------------------------


HEADS = [
    b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n"
    b"\r\n0\r\n\r\n",
    b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\nContent-Length: 5\r\n\r\n0000",
    b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
    b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.test\r\n\r\n",
    b"GET /livez HTTP/1.1\r\nHost : 127.0.0.1\r\n\r\n",
    b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\nX: a\0b\r\n\r\n",
    b"GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 200_000 + b"\r\n\r\n",
    b"GET /" + b"a" * 200_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
]


def test_what_can_be_read_in_two_ways_is_not_read(
    fill: Any, app_of: Callable[..., Any], serve: Callable[..., str]
) -> None:
    port = int(serve(app_of(fill)).rpartition(":")[2])
    for head in HEADS:
        with socket.create_connection(("127.0.0.1", port), timeout=5) as connection:
            try:
                connection.sendall(head)
                answer = connection.recv(4096)
            except ConnectionError:
                continue  # closed while it was still sent: not read either
            assert re.match(rb"HTTP/1\.1 (4\d\d|501) ", answer), (head[:200], answer[:100])


# What a browser keeps and offers --------------------------------------------------------------------------


def test_pages_are_not_kept_passwords_not_shown_and_the_way_out_is_near(client: Any) -> None:
    for path in ("/", "/alarms", "/shelves", "/visits", "/audit", "/account", "/users"):
        page = client.get(path)
        assert page.headers["cache-control"] == "no-store", path
        assert 'action="/sign-out"' in page.text, path
        for field in re.findall(r"<input[^>]*>", page.text):
            is_secret = re.search(r'name="(?:password|old|new|again)"', field)
            assert not is_secret or 'type="password"' in field, field
            assert "onpaste" not in field
    # Who was refused what, and when, in UTC.
    client.post("/shelves", data={"token": client.token(), "site": "S001"})
    assert re.search(r'<td class="time">[^<]*(?:<[^>]+>)?[^<]*UTC', client.get("/audit").text)
    client.cookies.clear()
    asked = client.get("/sign-in").text
    assert re.search(r'<input type="password" name="password"', asked)
