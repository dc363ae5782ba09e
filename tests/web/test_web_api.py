"""The API of alarms, shelves and work: what it gives, takes and refuses."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.store.handling import load_shelves
from standingwatch.store.windows import load_windows
from standingwatch.web.api_models import MOST_ALARMS

HIGH = {"subject": "S001/RPT-2", "condition": "swr-high"}
CRITICAL = {"subject": "S002/RPT-1", "condition": "swr-high"}
ACK = {"alarms": [HIGH], "act": "acknowledge"}
SHELF = {"site": "S001", "up_to": "major", "for_s": 3600, "reason": "crane"}
WORK = {
    "site": "S001",
    "start": "2026-03-15T06:00:00+01:00",
    "end": "2026-03-15T09:30:00Z",
    "kind": "visit",
    "note": "jumper",
}


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    fill.groups()
    return client_of(fill)


def problem(answer: Any, status: int) -> dict[str, Any]:
    """Problem details, which every refusal is."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["type"] == "about:blank"
    assert body["title"]
    assert body["detail"]
    return body


def test_an_alarm_with_all_that_is_known(fill: Any, client: Any) -> None:
    fill.desk()
    alarms = {(a["subject"], a["condition"]): a for a in client.get("/api/alarms").json()["alarms"]}
    one = alarms["S001/RPT-2", "swr-high"]
    assert (one["severity"], one["is_cleared"], one["operator_state"]) == ("major", False, "ack")
    assert (one["operator"], one["operator_time"]) == ("Ada", "2026-03-14T09:16:53Z")
    assert one["assigned_to"] == "Mast crew & <Co>"
    assert one["evidence"]["swr"] == 2.31
    assert one["shelf"] is None
    shelved = alarms["S006/RPT-3", "reports-missing"]
    assert (shelved["operator_state"], shelved["shelf"]) == ("shelved", 1)
    assert shelved["shelved_until"] == "2026-03-14T17:26:53Z"
    assert alarms["S004/RPT-2", "swr-rising"]["work"] == {
        "site": "S004",
        "transmitter": None,
        "kind": "visit",
        "start": "2026-03-14T08:26:53Z",
        "end": "2026-03-14T12:26:53Z",
    }
    assert alarms["service/channel email.desk", "channel-failing"]["service"] == "channel email.desk"
    assert len(alarms["region/Marches", "swr-weather"]["members"]) == 7
    [ended] = client.get("/api/alarms?state=ended").json()["alarms"]
    assert (ended["subject"], ended["is_cleared"]) == ("S000/RPT-3", True)


@pytest.mark.parametrize("limit", [1, 3, 5, 8, 100])
def test_paging_gives_each_alarm_once_in_order(client: Any, limit: int) -> None:
    whole = client.get("/api/alarms").json()
    assert whole["total"] == 8
    gravity = [Severity.from_word(one["severity"]) for one in whole["alarms"]]
    assert gravity == sorted(gravity, reverse=True)
    found, cursor, pages = [], "", 0
    while True:
        page = client.get("/api/alarms", params={"limit": limit, "cursor": cursor}).json()
        found += page["alarms"]
        pages += 1
        assert len(page["alarms"]) <= limit
        assert page["total"] == 8
        if page["next"] is None:
            break
        cursor = page["next"]
    assert [(a["subject"], a["condition"]) for a in found] == [
        (a["subject"], a["condition"]) for a in whole["alarms"]
    ]
    assert pages == -(-8 // limit)


def test_an_alarm_that_ends_between_two_pages_moves_no_other(fill: Any, client: Any) -> None:
    first = client.get("/api/alarms?limit=3").json()
    before = [one["subject"] for one in client.get("/api/alarms").json()["alarms"]]
    fill.clear("S002", "RPT-1", Condition.SWR_HIGH)
    rest = client.get("/api/alarms", params={"cursor": first["next"]}).json()["alarms"]
    assert [one["subject"] for one in rest] == before[3:]


@pytest.mark.parametrize("cursor", ["x", "%%%", "W10", "WzEsMiwzXQ", "bnVsbA", "é"])
def test_a_cursor_that_is_none(client: Any, cursor: str) -> None:
    assert "cursor" in problem(client.get("/api/alarms", params={"cursor": cursor}), 400)["detail"]


@pytest.mark.parametrize("query", ["severity=odd", "state=odd", "condition=odd", "limit=0", "limit=501"])
def test_bad_questions(client: Any, query: str) -> None:
    problem(client.get(f"/api/alarms?{query}"), 400)


def test_history_of_one_alarm(fill: Any, client: Any) -> None:
    client.post("/api/alarms/act", json={**ACK, "text": "seen"})
    fill.clear("S001", "RPT-2", Condition.SWR_HIGH)
    history = client.get("/api/alarms/history", params=HIGH).json()
    assert [one["kind"] for one in history["changes"]] == ["raised", "cleared"]
    assert history["handling"] == [
        {
            "time": "2026-03-14T09:26:53Z",
            "by": "Ada",
            "act": "acknowledge",
            "operator_state": "ack",
            "text": "seen",
        }
    ]


@pytest.mark.parametrize(
    ("act", "text", "state"),
    [
        ("acknowledge", "", "ack"),
        ("comment", "hm", "none"),
        ("assign", "Crew 3", "none"),
    ],
)
def test_acts_that_are_possible(client: Any, act: str, text: str, state: str) -> None:
    answer = client.post("/api/alarms/act", json={**ACK, "act": act, "text": text})
    assert answer.status_code == 200
    assert answer.json() == {"act": act, "done": [HIGH]}
    one = next(
        a
        for a in client.get("/api/alarms").json()["alarms"]
        if (a["subject"], a["condition"]) == tuple(HIGH.values())
    )
    assert one["operator_state"] == state
    assert one["assigned_to"] == (text if act == "assign" else None)


@pytest.mark.parametrize(
    ("act", "reason"),
    [
        ("take-back", "nothing can be taken back"),
        ("close", "it still stands"),
        ("comment", "the comment is empty"),
        ("assign", "it is assigned to nobody"),
    ],
)
def test_a_refused_act_says_why(client: Any, act: str, reason: str) -> None:
    body = problem(client.post("/api/alarms/act", json={**ACK, "act": act}), 409)
    assert body["done"] == []
    [refused] = body["refused"]
    assert {name: refused[name] for name in HIGH} == HIGH
    assert reason in refused["reason"]


def test_where_some_are_refused_the_others_are_done_and_both_are_named(client: Any) -> None:
    client.post("/api/alarms/act", json=ACK)
    gone = {"subject": "S001/GONE", "condition": "swr-high"}
    body = problem(client.post("/api/alarms/act", json={**ACK, "alarms": [HIGH, CRITICAL, gone]}), 409)
    assert body["done"] == [CRITICAL]
    reasons = {one["subject"]: one["reason"] for one in body["refused"]}
    assert "Ada has acknowledged it already" in reasons["S001/RPT-2"]
    assert reasons["S001/GONE"] == "there is no such alarm"


def test_taking_back_and_closing(fill: Any, client: Any) -> None:
    client.post("/api/alarms/act", json=ACK)
    assert client.post("/api/alarms/act", json={**ACK, "act": "take-back"}).status_code == 200
    fill.clear("S001", "RPT-2", Condition.SWR_HIGH)
    assert client.post("/api/alarms/act", json={**ACK, "act": "close"}).status_code == 200
    [closed] = client.get("/api/alarms?state=closed").json()["alarms"]
    assert closed["operator_state"] == "closed"


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({}, ["alarms: ", "act: "]),
        # Whoever has signed in acts, nobody in another's name.
        ({**ACK, "by": "Bo"}, ["by: "]),
        ({**ACK, "alarms": []}, ["alarms: "]),
        ({**ACK, "alarms": [HIGH] * (MOST_ALARMS + 1)}, ["alarms: "]),
        ({**ACK, "act": "shelve", "more": 1}, ["act: ", "more: "]),
        ({**ACK, "text": "x" * 2001}, ["text: "]),
        ({**ACK, "alarms": [{"subject": 1}]}, ["alarms.0.subject: ", "alarms.0.condition: "]),
        ([], [""]),
    ],
)
def test_a_bad_act_is_refused_with_every_problem(client: Any, body: Any, told: list[str]) -> None:
    problems = problem(client.post("/api/alarms/act", json=body), 422)["problems"]
    assert len(problems) == len(told)
    for one, start in zip(sorted(problems), sorted(told), strict=True):
        assert one.startswith(start)


def test_json_that_is_none(client: Any) -> None:
    headers = {"Content-Type": "application/json"}
    problem(client.post("/api/alarms/act", content=b"{", headers=headers), 400)


# Shelves and work ----------------------------------------------------------------------------------------


def test_a_shelf_is_made_listed_and_ended(fill: Any, client: Any) -> None:
    answer = client.post("/api/shelves", json=SHELF)
    assert answer.status_code == 201
    made = answer.json()
    assert made["takes"] == [HIGH, {"subject": "S001/RPT-2", "condition": "swr-rising"}]
    assert (made["since"], made["until"]) == ("2026-03-14T09:26:53Z", "2026-03-14T10:26:53Z")
    assert client.get("/api/shelves").json()["shelves"] == [made]
    path = f"/api/shelves/{made['number']}"
    assert client.send("DELETE", path).status_code == 204
    assert client.get("/api/shelves").json()["shelves"] == []
    problem(client.send("DELETE", path), 404)
    problem(client.send("DELETE", "/api/shelves/x"), 400)


def test_a_shelf_until_a_time(client: Any) -> None:
    body = {**SHELF, "for_s": None, "until": "2026-03-14T13:00:00+02:00"}
    assert client.post("/api/shelves", json=body).json()["until"] == "2026-03-14T11:00:00Z"


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"site": "S999"}, ["site: "]),
        ({"until": "2026-03-15T00:00:00Z"}, ["until, for_s: "]),
        ({"for_s": None}, ["until, for_s: "]),
        ({"for_s": None, "until": "tomorrow", "reason": ""}, ["until: ", "reason: "]),
        ({"for_s": None, "until": "2026-03-14T00:00:00Z"}, ["until: got a time that is over"]),
        ({"for_s": -1, "up_to": "cleared"}, ["for_s: ", "up_to: "]),
        ({"condition": "odd", "region": "Mars"}, ["condition: ", "region: "]),
        ({"site": "", "up_to": "critical"}, ["site, region, transmitter, condition: "]),
    ],
)
def test_a_bad_shelf(fill: Any, client: Any, more: dict[str, Any], told: list[str]) -> None:
    problems = problem(client.post("/api/shelves", json={**SHELF, **more}), 422)["problems"]
    assert len(problems) == len(told)
    for one, start in zip(sorted(problems), sorted(told), strict=True):
        assert one.startswith(start)
    with fill.store.reading() as connection:
        assert load_shelves(connection) == []


def test_a_window_is_entered_listed_and_ended(fill: Any, client: Any) -> None:
    answer = client.post("/api/work", json=WORK)
    assert answer.status_code == 201
    made = answer.json()
    assert (made["start"], made["end"]) == ("2026-03-15T05:00:00Z", "2026-03-15T09:30:00Z")
    assert (made["transmitter"], made["entered_by"]) == (None, "Ada")
    number = fill.window("S003", "", -1.0, 5.0, by="file")
    listed = client.get("/api/work").json()["work"]
    assert {one["entered_by"] for one in listed} == {"Ada", "file"}
    assert client.send("DELETE", f"/api/work/{made['number']}").status_code == 204
    problem(client.send("DELETE", f"/api/work/{made['number']}"), 404)
    assert "maintenance file" in problem(client.send("DELETE", f"/api/work/{number}"), 409)["detail"]
    with fill.store.reading() as connection:
        assert [one.entered_by for one in load_windows(connection)] == ["file"]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"site": "S999", "note": " "}, ["site: ", "note: "]),
        ({"start": "2026-03-15T06:00:00", "end": "x"}, ["start: ", "end: "]),
        ({"end": "2026-03-15T05:00:00Z"}, ["end: "]),
        ({"kind": "party", "by": "Bo"}, ["kind: ", "by: "]),
    ],
)
def test_a_bad_window(fill: Any, client: Any, more: dict[str, Any], told: list[str]) -> None:
    problems = problem(client.post("/api/work", json={**WORK, **more}), 422)["problems"]
    assert len(problems) == len(told)
    for one, start in zip(sorted(problems), sorted(told), strict=True):
        assert one.startswith(start)
    with fill.store.reading() as connection:
        assert load_windows(connection) == []


# All of it -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/nothing", 404),
        ("GET", "/api/board?page=0", 400),
        ("GET", "/api/board?severity=odd", 400),
        ("PUT", "/api/alarms", 405),
        ("GET", "/api/alarms/history?subject=S001&condition=swr-high", 404),
        ("GET", "/api/alarms/history", 400),
    ],
)
def test_every_refusal_is_problem_details(client: Any, method: str, path: str, status: int) -> None:
    headers = {"Content-Type": "application/json"} if method == "PUT" else {}
    problem(client.send(method, path, headers=headers), status)


def test_the_description_of_the_api(client: Any) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    schema = client.get("/openapi.json").json()["components"]["schemas"]
    assert {"Alarm", "AlarmName", "ActGiven", "Shelf", "WindowOfWork", "Report"} <= set(schema)
    refusals = paths["/api/alarms/act"]["post"]["responses"]
    assert set(refusals) >= {"200", "400", "401", "403", "409", "415", "422"}
    for status in ("400", "401", "403", "409", "415", "422"):
        assert set(refusals[status]["content"]) == {"application/problem+json"}


def test_each_database_acts(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill_each.everything()
    fill_each.desk()
    client = client_of(fill_each)
    assert client.post("/api/alarms/act", json={**ACK, "alarms": [CRITICAL]}).status_code == 200
    number = client.post("/api/shelves", json=SHELF).json()["number"]
    assert client.send("DELETE", f"/api/shelves/{number}").status_code == 204
    window = client.post("/api/work", json=WORK).json()["number"]
    assert client.send("DELETE", f"/api/work/{window}").status_code == 204
    for page in (
        "/alarms",
        "/shelves",
        "/work",
        "/alarm-system",
        "/alarm?subject=S001%2FRPT-2&condition=swr-high",
    ):
        assert client.get(page).status_code == 200
