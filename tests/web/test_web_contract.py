"""What holds for every operation of the API: ETags, cursors, roles, what the gates answer; and that there is
one for all that the pages do."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.store.access import Role, add_user
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.store.reviews import Making, keep, make
from standingwatch.store.sign_ins import begin_try
from standingwatch.store.sites import put_on_site_list
from standingwatch.store.tokens import add_token
from standingwatch.store.visits import follow_alarms
from standingwatch.web.access import stated_role

DAY_US = 86_400_000_000

#: The role of each operation.
ROLES = {
    "viewer": {
        *("GET /api/board", "GET /api/since", "POST /api/since", "GET /api/sites", "GET /api/bench"),
        *("GET /api/alarms", "GET /api/alarms/changes", "GET /api/alarms/history", "GET /api/alarm-system"),
        *("GET /api/shelves", "GET /api/work", "GET /api/visits", "GET /api/visits/{number}"),
        "GET /api/visits/{number}/sheet.pdf",
        *("GET /api/visits/causes", "GET /api/reviews", "GET /api/reviews/{number}"),
        *("GET /api/reviews/{number}.csv", "GET /api/series/{site}/{transmitter}"),
        *("GET /api/readings/{site}/{transmitter}", "GET /api/lines/{site}/{transmitter}"),
        *("GET /api/inventory", "GET /api/inventory.csv", "GET /api/inventory/{site}/{transmitter}"),
        *("GET /api/intake", "GET /api/intake/refused", "GET /api/intake/unlisted", "POST /api/intake/try"),
        *("GET /api/profiles", "POST /api/profiles/try", "POST /api/profiles/draft"),
        *("GET /api/me", "GET /api/me/sessions", "DELETE /api/me/sessions/{id}", "PUT /api/me/password"),
        *("GET /api/asyncapi.json", "GET /api/report-schema.json", "GET /api/event-schema.json"),
    },
    "operator": {
        *("POST /api/alarms/act", "POST /api/shelves", "DELETE /api/shelves/{number}"),
        *("POST /api/work", "DELETE /api/work/{number}", "POST /api/visits/{number}/acts"),
    },
    "engineer": {
        *("POST /api/intake/retry", "POST /api/intake/accept"),
        *("PUT /api/inventory/{site}/{transmitter}", "DELETE /api/inventory/{site}/{transmitter}"),
    },
    "administrator": {
        *("GET /api/users", "POST /api/users", "POST /api/users/{name}/acts"),
        *("GET /api/tokens", "POST /api/tokens", "DELETE /api/tokens/{number}"),
        *("GET /api/audit", "GET /api/sign-ins"),
    },
}

#: What each page shows or does, and the operations that give the same to a program. "" stands for what is of
#: browsers alone: signing in and out, and where an address has moved to.
DONE_BY = {
    "GET /": "GET /api/board",
    "GET /board/rows": "GET /api/board",
    "GET /events/board": "GET /api/board",
    "GET /site/{site}": "GET /api/sites",
    "GET /site/{site}/{transmitter}": "GET /api/lines/{site}/{transmitter}",
    "GET /site/{site}/{transmitter}/chart": "GET /api/series/{site}/{transmitter}",
    "GET /map": "GET /api/sites",
    "GET /since": "GET /api/since",
    "POST /since/looked": "POST /api/since",
    "GET /alarms": "GET /api/alarms",
    "GET /alarm": "GET /api/alarms/history",
    "POST /alarms/act": "POST /api/alarms/act",
    "GET /alarm-system": "GET /api/alarm-system",
    "GET /shelves": "GET /api/shelves",
    "POST /shelves": "POST /api/shelves",
    "POST /shelves/end": "DELETE /api/shelves/{number}",
    "GET /work": "GET /api/work",
    "POST /work": "POST /api/work",
    "POST /work-end": "DELETE /api/work/{number}",
    "GET /visits": "GET /api/visits",
    "GET /visit/{number}": "GET /api/visits/{number}",
    "GET /visit/{number}/sheet": "GET /api/visits/{number}/sheet.pdf",
    "GET /visit/{number}/sheet.pdf": "GET /api/visits/{number}/sheet.pdf",
    "POST /visit/{number}/plan": "POST /api/visits/{number}/acts",
    "POST /visit/{number}/begin": "POST /api/visits/{number}/acts",
    "POST /visit/{number}/done": "POST /api/visits/{number}/acts",
    "POST /visit/{number}/drop": "POST /api/visits/{number}/acts",
    "POST /visit/{number}/findings": "POST /api/visits/{number}/acts",
    "POST /visit/{number}/baseline": "POST /api/visits/{number}/acts",
    "POST /visit/{number}/judge": "POST /api/visits/{number}/acts",
    "GET /review": "GET /api/reviews",
    "GET /review/{number}": "GET /api/reviews/{number}",
    "GET /reviews": "GET /api/reviews",
    "GET /intake": "GET /api/intake",
    "GET /refused": "",
    "POST /intake/try": "POST /api/intake/try",
    "POST /intake/profile": "POST /api/profiles/try",
    "POST /intake/retry": "POST /api/intake/retry",
    "GET /intake/accept": "GET /api/intake/unlisted",
    "POST /intake/accept": "POST /api/intake/accept",
    "GET /bench": "GET /api/bench",
    "GET /sign-in": "",
    "POST /sign-in": "",
    "POST /sign-out": "",
    "GET /account": "GET /api/me/sessions",
    "POST /account/password": "PUT /api/me/password",
    "POST /account/sessions/end": "DELETE /api/me/sessions/{id}",
    "GET /users": "GET /api/users",
    "POST /users": "POST /api/users",
    "POST /users/role": "POST /api/users/{name}/acts",
    "POST /users/disable": "POST /api/users/{name}/acts",
    "POST /users/enable": "POST /api/users/{name}/acts",
    "POST /users/password": "POST /api/users/{name}/acts",
    "POST /tokens": "POST /api/tokens",
    "POST /tokens/revoke": "DELETE /api/tokens/{number}",
    "GET /audit": "GET /api/audit",
}

#: Where the operation asks for another role than the page: a form before it is sent shows what everybody may
#: read, and of acts on a visit the operation itself finds out which are for engineers.
LOOKED_AT_CLOSER = (
    "GET /intake/accept",
    "POST /visit/{number}/findings",
    "POST /visit/{number}/judge",
    "POST /visit/{number}/baseline",
)

#: Addresses that are no pages.
NO_PAGES = ("/api/", "/livez", "/readyz", "/metrics", "/openapi", "/static", "/chart-library.js")

#: Where a list of the API has its rows.
ROWS_OF = {
    "/api/board": "sites",
    "/api/since": "alarms",
    "/api/alarms": "alarms",
    "/api/alarms/changes": "changes",
    "/api/alarms/history": "handling",
    "/api/shelves": "shelves",
    "/api/work": "work",
    "/api/visits": "visits",
    "/api/reviews": "reviews",
    "/api/sites": "sites",
    "/api/inventory": "rows",
    "/api/intake/refused": "reports",
    "/api/intake/unlisted": "topics",
    "/api/users": "users",
    "/api/tokens": "tokens",
    "/api/audit": "lines",
    "/api/sign-ins": "sign_ins",
    "/api/me/sessions": "sessions",
    "/api/readings/{site}/{transmitter}": "readings",
    "/api/series/{site}/{transmitter}": "time",
}

#: What some operations have to be asked with.
QUERY = {
    "/api/bench": "?forward=100&reflected=4",
    "/api/alarms/history": "?subject=S001/RPT-2&condition=swr-high",
    "/api/since": "?hours=48",
}


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any], tmp_path: Path) -> Any:
    """A client of a service that has several of everything; signed in as Ada, an administrator."""
    fill.everything()
    fill.groups()
    fill.desk()
    with fill.store.reading() as connection:
        reviews = [make(connection, region, "UTC", fill.now_us, Making()) for region in ("", "Coast")]
    strangers = [
        RefusedReport(fill.now_us, f"standingwatch/report/S000/NEW-{n}", b"{}", "unknown-transmitter", "no")
        for n in range(3)
    ]
    with fill.store.writing() as connection:
        for review in reviews:
            keep(connection, review)
        follow_alarms(connection, fill.now_us + 20 * DAY_US)
        refuse(connection, strangers)
        for name in ("Bo", "Cy"):
            add_user(connection, name, Role.OPERATOR, "", fill.now_us)
            times = {"now_us": fill.now_us, "ends_us": fill.now_us + DAY_US, "longest_us": DAY_US}
            add_token(connection, f"of {name}", Role.VIEWER, made_by="Ada", **times)
    fill.shelf(site="S005")
    fill.readings(np.full(9, 4), np.linspace(600.0, 60_000.0, 9), np.full(9, 1.3))
    one = client_of(fill, profiles=tmp_path / "profiles")
    for text in ("one", "two", "three"):
        body = {
            "alarms": [{"subject": "S001/RPT-2", "condition": "swr-high"}],
            "act": "comment",
            "text": text,
        }
        assert one.post("/api/alarms/act", json=body).status_code == 200
    with fill.store.writing() as connection:
        for _ in range(2):
            tries = {"known": True, "now_us": fill.now_us, "tries": 5, "window_us": DAY_US}
            begin_try(connection, "Bo", "192.0.2.7", **tries)
    return one.sign_in().sign_in()


def address_of(path: str) -> str:
    """An address that there is for a path of the description."""
    filled = path.replace("{site}", "S001").replace("{transmitter}", "RPT-2").replace("{number}", "1")
    return filled + QUERY.get(path, "")


def described(client: Any) -> dict[str, dict[str, Any]]:
    """The operations of the API by method and path."""
    return {
        f"{method.upper()} {path}": operation
        for path, operations in client.app.openapi()["paths"].items()
        for method, operation in operations.items()
        if path.startswith("/api/")
    }


def test_every_operation_has_the_role_that_it_should(client: Any) -> None:
    told = {name: operation["x-role"] for name, operation in described(client).items()}
    wanted = {name: role for role, names in ROLES.items() for name in names}
    assert told == wanted
    for operation in described(client).values():
        assert f"Needs the role {operation['x-role']}" in operation["description"]


def test_all_that_the_pages_do_can_be_done_by_a_program(client: Any) -> None:
    pages = {
        f"{method} {route.path}": stated_role(route)
        for route in client.app.routes
        for method in getattr(route, "methods", None) or ()
        if method != "HEAD" and not route.path.startswith(NO_PAGES)
    }
    assert set(pages) == set(DONE_BY)
    for page, operation in DONE_BY.items():
        if operation:
            asked = described(client)[operation]["x-role"]
            needed = pages[page]
            # What a program needs is no less than what a person needs for the same.
            assert needed is not None
            assert Role(asked) is needed or page in LOOKED_AT_CLOSER, (page, asked, needed)


def test_every_answer_that_is_read_has_an_etag(client: Any) -> None:
    wrong, asked = [], 0
    for name, operation in described(client).items():
        method, path = name.split(" ")
        if method != "GET":
            continue
        asked += 1
        answer = client.get(address_of(path))
        assert answer.status_code == 200, (path, answer.text)
        etag = answer.headers.get("etag", "")
        again = client.get(address_of(path), headers={"If-None-Match": f'"other", {etag}'})
        known = (again.status_code, again.content, again.headers.get("etag"))
        if not etag or known != (304, b"", etag) or again.headers["cache-control"] != "private, no-cache":
            wrong.append((path, etag, *known))
        if client.get(address_of(path), headers={"If-None-Match": '"other"'}).status_code != 200:
            wrong.append((path, "another tag"))
        if set(operation["responses"]["200"]["headers"]) != {"ETag"} or "304" not in operation["responses"]:
            wrong.append((path, "not described"))
    assert wrong == []
    assert asked > 30


def test_an_etag_does_not_hold_what_has_changed(fill: Any, client: Any) -> None:
    paths = (
        "/api/alarms",
        "/api/alarms/changes",
        "/api/work",
        "/api/shelves",
        "/api/inventory",
        "/api/audit",
    )
    before = {path: client.get(path).headers["etag"] for path in paths}
    fill.now_us += 5_000_000
    # Another time, and the same alarms: the same answer.
    for path in paths[:4]:
        assert client.get(path, headers={"If-None-Match": before[path]}).status_code == 304, path
    fill.alarm("S003", "RPT-1", Condition.SWR_HIGH, Severity.MINOR)
    fill.window("S005", "", 1.0, 2.0)
    fill.shelf(site="S004")
    assert client.send("DELETE", "/api/inventory/S007/RPT-3").status_code == 204
    for path in paths:
        answer = client.get(path, headers={"If-None-Match": before[path]})
        assert answer.status_code == 200, path
        assert answer.headers["etag"] != before[path]


def walk(client: Any, path: str, limit: int) -> list[Any]:
    """All rows of a list, by its pages."""
    rows, cursor, name = [], "", ROWS_OF[path]
    address = address_of(path)
    joint = "&" if "?" in address else "?"
    for _ in range(400):
        page = client.get(f"{address}{joint}limit={limit}&cursor={cursor}").json()
        assert len(page[name]) <= limit, path
        # The story of an alarm is told oldest first, and its pages lead back.
        rows = [*page[name], *rows] if path == "/api/alarms/history" else [*rows, *page[name]]
        if page["next"] is None:
            return rows
        cursor = page["next"]
    raise AssertionError(f"{path} has no last page")


def test_every_list_is_had_whole_by_its_pages(client: Any) -> None:
    lists = {
        name.removeprefix("GET ")
        for name, operation in described(client).items()
        if any(one["name"] == "cursor" for one in operation.get("parameters", ()))
    }
    assert lists == set(ROWS_OF)
    for path in sorted(lists - {"/api/board"}):
        whole = walk(client, path, 500)
        assert len(whole) >= 2, path
        assert walk(client, path, 1 if "/S" not in address_of(path) else 7) == whole, path
    # What is answered with a list and takes no cursor is one thing, or is bounded by what it counts.
    assert {
        name.removeprefix("GET ")
        for name in described(client)
        if name.startswith("GET ") and name.removeprefix("GET ") not in lists
    } == {
        "/api/profiles",
        *("/api/alarm-system", "/api/bench", "/api/intake", "/api/me", "/api/visits/causes"),
        "/api/visits/{number}/sheet.pdf",
        *("/api/visits/{number}", "/api/reviews/{number}", "/api/reviews/{number}.csv"),
        *("/api/inventory.csv", "/api/inventory/{site}/{transmitter}", "/api/lines/{site}/{transmitter}"),
        *("/api/asyncapi.json", "/api/report-schema.json", "/api/event-schema.json"),
    }


def test_the_board_goes_on_by_cursors(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(120, 1)
    client, found, cursor = client_of(fill), [], ""
    while True:
        page = client.get(f"/api/board?cursor={cursor}&sort=name").json()
        found += [site["site"] for site in page["sites"]]
        if page["next"] is None:
            break
        cursor = page["next"]
    assert (len(found), len(set(found)), page["page"]) == (120, 120, 3)


def test_a_row_that_goes_between_two_pages_moves_no_other(client: Any) -> None:
    first = client.get("/api/inventory?limit=5").json()
    names = [(row["site"], row["transmitter"]) for row in client.get("/api/inventory").json()["rows"]]
    assert client.send("DELETE", "/api/inventory/S000/RPT-1").status_code == 204
    with client.fill.store.writing() as connection:
        put_on_site_list(connection, InventoryRow("A000", "RPT-1", 152.5))
    rest = client.get("/api/inventory", params={"cursor": first["next"]}).json()["rows"]
    assert [(row["site"], row["transmitter"]) for row in rest] == names[5:]


def test_a_cursor_of_another_list_is_none(client: Any) -> None:
    of_changes = client.get("/api/alarms/changes?limit=1").json()["next"]
    of_rows = client.get("/api/inventory?limit=1").json()["next"]
    for path in ROWS_OF:
        strange = of_rows if path == "/api/alarms/changes" else of_changes
        address = address_of(path)
        joint = "&" if "?" in address else "?"
        for cursor in (strange, "x", "%%%", "W10", "bnVsbA"):
            answer = client.get(f"{address}{joint}cursor={cursor}")
            assert answer.status_code == 400, (path, cursor)
            assert "cursor" in answer.json()["detail"], path


# What the gates answer ------------------------------------------------------------------------------------


def test_what_the_gates_answer_is_described(client: Any) -> None:
    for name, operation in described(client).items():
        method = name.partition(" ")[0]
        answers = set(operation["responses"])
        assert answers >= {"400", "401", "403", "421", "503"}, name
        assert (answers >= {"411", "413"}) == (method != "GET"), name
        assert ("415" in answers) == (method in ("POST", "PUT")), name


def test_what_the_gates_answer_is_what_is_described(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill)
    told = described(client)["POST /api/alarms/act"]["responses"]

    async def parts() -> Any:
        yield b"{}"

    for headers, body, status in (
        ({"Host": "evil.test"}, b"{}", 421),
        ({"Content-Type": "text/plain"}, b"{}", 415),
        ({"Content-Length": "2000000"}, b"{}", 413),
        ({"Origin": "http://evil.test"}, b"{}", 403),
        ({}, parts(), 411),
    ):
        given = {"Content-Type": "application/json", **headers}
        answer = client.send("POST", "/api/alarms/act", content=body, headers=given)
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"
        assert str(status) in told


def test_answers_keep_to_their_models(client: Any) -> None:
    """Where an answer is not looked at on its way out, its model is held here: nothing more, nothing less."""
    schemas = client.app.openapi()["components"]["schemas"]
    for path, model in (("/api/board", "Board"), ("/api/series/{site}/{transmitter}", "Series")):
        answer = client.get(address_of(path)).json()
        assert set(answer) == set(schemas[model]["properties"]), path
    site = client.get("/api/board").json()["sites"][0]
    assert set(site) == set(schemas["BoardSite"]["properties"])
    assert set(site["transmitters"][0]) == set(schemas["BoardTransmitter"]["properties"])
    assert all(re.fullmatch(r"\d{4}-.*Z", one["measured"]) for one in site["transmitters"] if one["measured"])
