"""The pages of shelves, of work on record, and of the alarm system itself."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.alarms.handling import Act
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.handling import load_shelves
from standingwatch.store.windows import load_windows

SHELF = {
    "region": "",
    "site": "S001",
    "transmitter": "",
    "condition": "",
    "up_to": "major",
    "length": "1.5",
    "unit": "hours",
    "reason": "crane",
}
WORK = {
    "site": "S001",
    "transmitter": "RPT-2",
    "kind": "retune",
    "start": "2026-03-15T06:00",
    "end": "2026-03-15T09:30",
    "note": "new duplexer",
}


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    return client_of(fill)


def problems(answer: Any) -> str:
    """What a page says was wrong with what was entered."""
    assert answer.status_code == 422
    part = answer.text.split('id="problems"')[1].split("</div>")[0]
    return html.unescape(re.sub(r"<[^>]+>", " ", part))


# Shelves -------------------------------------------------------------------------------------------------


def test_a_shelf_is_made_says_what_it_takes_and_is_ended(fill: Any, client: Any) -> None:
    page = client.told(client.submit("/shelves", **SHELF))
    assert "Shelf 1 made; it takes 2 standing alarms now" in page
    assert "site S001; up to major" in page
    assert "2026-03-14 10:56 UTC" in page
    holding = page.split('id="make"')[0]
    assert "S001/RPT-2: SWR over its limit" in holding
    assert "S001/RPT-2: SWR rising against its own baseline" in holding
    assert "S002/RPT-1" not in holding
    page = client.told(client.submit("/shelves/end", number="1"))
    assert "Shelf 1 ended" in page
    assert "Holding now: 0" in page
    assert "Ended in the last 30 days: 1" in page
    again = client.told(client.submit("/shelves/end", number="1"))
    assert "There is no shelf “1” that still holds." in again


def test_an_alarm_lies_on_the_first_shelf_that_takes_it(fill: Any, client: Any) -> None:
    fill.shelf(condition="swr-high", up_to=Severity.MAJOR)
    client.submit("/shelves", **SHELF)
    both = client.get("/api/shelves").json()["shelves"]
    assert [[one["condition"] for one in shelf["takes"]] for shelf in both] == [["swr-high"], ["swr-rising"]]
    client.submit("/shelves", **{**SHELF, "first": "yes", "reason": "before them"})
    order = client.get("/api/shelves").json()["shelves"]
    assert [shelf["number"] for shelf in order] == [3, 1, 2]
    assert [len(shelf["takes"]) for shelf in order] == [2, 0, 0]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"site": "S999"}, ["site: “S999” is not on the site list"]),
        ({"site": "", "region": "Mars"}, ["region: the site list has no region “Mars”"]),
        ({"transmitter": "RPT-9"}, ["transmitter: “RPT-9” is not on the site list there"]),
        ({"condition": "odd"}, ["condition: got “odd”, wanted one of"]),
        ({"up_to": "cleared"}, ["up to: got “cleared”, wanted one of critical, major, minor, warning"]),
        ({"site": ""}, ["nothing is named", "up to minor at most"]),
        (
            {"length": "0", "unit": "x", "reason": " ", "site": "S999"},
            ["for how long", "unit: got", "reason: empty", "site: “S999”"],
        ),
        ({"length": "400", "unit": "days"}, ["more than 366 days"]),
        ({"reason": "x" * 2001}, ["reason: got 2001 characters"]),
    ],
)
def test_a_bad_shelf_is_refused_with_every_problem_and_keeps_what_was_entered(
    fill: Any, client: Any, fields: dict[str, str], said: list[str]
) -> None:
    answer = client.submit("/shelves", **{**SHELF, **fields})
    told = problems(answer)
    for part in said:
        assert part in told
    if "site" not in fields:
        assert 'name="site" value="S001"' in answer.text
    with fill.store.reading() as connection:
        assert load_shelves(connection) == []


def test_a_shelf_for_the_fleet_takes_small_alarms_only(client: Any) -> None:
    page = client.told(client.submit("/shelves", **{**SHELF, "site": "", "up_to": "minor"}))
    assert "it takes 3 standing alarms now" in page
    assert "any alarm; up to minor" in page


@pytest.mark.parametrize("number", ["", "x", "-1", "9" * 30, "7"])
def test_ending_a_shelf_that_there_is_not(client: Any, number: str) -> None:
    assert "Nothing was done" in client.told(client.submit("/shelves/end", number=number))


@pytest.mark.parametrize(
    ("role", "days", "made"), [("operator", 7, 1), ("operator", 8, 0), ("engineer", 8, 1)]
)
def test_a_long_shelf_wants_an_engineer(fill: Any, client: Any, role: str, days: int, made: int) -> None:
    client.sign_in(role.title(), role)
    answer = client.submit("/shelves", **{**SHELF, "length": str(days), "unit": "days"})
    if not made:
        assert "for how long: more than 7 days needs the role engineer" in problems(answer)
    acted = {
        "act": "shelve",
        "chosen": "swr-high S002/RPT-1",
        "reason": "x",
        "length": str(days),
        "unit": "days",
    }
    assert ("more than 7 days" in client.told(client.submit("/alarms/act", **acted))) is not bool(made)
    body = {"site": "S003", "up_to": "major", "for_s": days * 86_400, "reason": "crane"}
    assert client.post("/api/shelves", json=body).status_code == (201 if made else 422)
    with fill.store.reading() as connection:
        assert len(load_shelves(connection)) == 3 * made


# Work ----------------------------------------------------------------------------------------------------


def test_a_window_is_entered_in_utc_and_ended(fill: Any, client: Any) -> None:
    page = client.told(client.submit("/work", **WORK))
    assert "Window of work 1 entered" in page
    coming = page.split('id="coming"')[1].split('id="enter"')[0]
    assert "2026-03-15 06:00 UTC" in coming
    assert "2026-03-15 09:30 UTC" in coming
    assert "entered by Ada" in coming
    assert "Take away" in coming
    fill.now_us += 24 * 3_600_000_000 - 2 * 3_600_000_000
    assert "Under way: 1" in client.get("/work").text
    page = client.told(client.submit("/work-end", number="1"))
    assert "Window of work 1 ended" in page
    assert "Over in the last 30 days: 1" in page
    with fill.store.reading() as connection:
        [entered] = load_windows(connection)
    assert entered.window.end_us == fill.now_us


def test_a_window_that_has_not_begun_is_taken_away(fill: Any, client: Any) -> None:
    client.submit("/work", **WORK)
    client.submit("/work-end", number="1")
    with fill.store.reading() as connection:
        assert load_windows(connection) == []


def test_a_window_from_the_file_is_marked_and_stays(fill: Any, client: Any) -> None:
    number = fill.window("S003", "", -1.0, 5.0, by="file")
    page = client.get("/work").text
    assert "from the maintenance file" in page
    assert f'name="number" value="{number}"' not in page
    page = client.told(client.submit("/work-end", number=str(number)))
    assert "it came with the maintenance file" in page
    assert "Under way: 1" in page


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"site": ""}, ["site: “” is not on the site list"]),
        ({"transmitter": "RPT-9"}, ["transmitter: the site list has no “RPT-9” at S001"]),
        ({"kind": "party"}, ["kind: got “party”, wanted one of visit, retune, outage"]),
        ({"end": "2026-03-15T06:00"}, ["end: got a time not after the start"]),
        ({"start": "tomorrow", "end": ""}, ["start: got “tomorrow”", "end: got “”"]),
        ({"note": "", "kind": "x", "start": "1"}, ["note: empty", "kind:", "start:"]),
        ({"start": "1026-03-15T06:00"}, ["start: got “1026"]),
    ],
)
def test_a_bad_window_is_refused_with_every_problem_and_keeps_what_was_entered(
    fill: Any, client: Any, fields: dict[str, str], said: list[str]
) -> None:
    answer = client.submit("/work", **{**WORK, **fields})
    told = problems(answer)
    for part in said:
        assert part in told
    if "note" not in fields:
        assert 'name="note" value="new duplexer"' in answer.text
    with fill.store.reading() as connection:
        assert load_windows(connection) == []


def test_hostile_text_is_escaped_everywhere(fill: Any, client: Any) -> None:
    bad = "<script>alert(1)</script>"
    client.sign_in(bad)
    client.submit("/shelves", **{**SHELF, "reason": bad})
    client.submit("/work", **{**WORK, "note": bad})
    client.submit("/alarms/act", act="comment", chosen="swr-high S002/RPT-1", comment=bad)
    client.submit("/alarms/act", act="assign", chosen="swr-high S002/RPT-1", assign=bad)
    client.submit("/alarms/act", act="acknowledge", chosen="swr-high S002/RPT-1")
    wrong = client.submit("/shelves", **{**SHELF, "site": bad, "condition": bad, "length": bad, "unit": bad})
    pages = [wrong.text, client.submit("/work", **{**WORK, "site": bad, "start": bad, "kind": bad}).text]
    pages.append(client.told(client.submit("/shelves/end", number=bad)))
    pages.append(client.told(client.submit("/work-end", number=bad)))
    pages.append(client.told(client.submit("/alarms/act", act=bad, chosen=f"{bad} {bad}")))
    pages.append(client.told(client.submit("/alarms/act", act="acknowledge", chosen=f"{bad} {bad}")))
    addresses = (
        "/alarms",
        "/shelves",
        "/work",
        "/",
        "/site/S002",
        "/account",
        "/users",
        "/audit",
        f"/alarms?text={bad}",
    )
    pages += [client.get(address).text for address in addresses]
    pages.append(client.get("/alarm?subject=S002%2FRPT-1&condition=swr-high").text)
    for page in pages:
        assert bad not in page
        assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?! src=)|javascript:", page)
    assert html.escape(bad) in pages[-1]


# The alarm system ----------------------------------------------------------------------------------------


def test_the_report_of_the_alarm_system(fill: Any, client: Any) -> None:
    fill.act(Act.ACKNOWLEDGE, "S001", "RPT-2", Condition.SWR_HIGH)
    page = client.get("/alarm-system?days=2").text
    assert "6 alarms from 2026-03-14 07:26 UTC to 2026-03-14 09:26 UTC" in page
    assert "1 critical, 2 major, 2 minor, 1 warning" in page
    assert 'href="/alarm?subject=S001%2FRPT-2&amp;condition=swr-high"' in page or (
        'href="/alarm?subject=S001/RPT-2&amp;condition=swr-high"' in page
    )
    data = client.get("/api/alarm-system?days=2").json()
    assert data["alarms"] == 6
    assert data["by_severity"] == {"critical": 1, "major": 2, "minor": 2, "warning": 1}
    lines = {line["name"]: line for line in data["lines"]}
    # Six in the two hours since the history began.
    assert lines["per-hour"]["value"] == pytest.approx(3.0)
    assert lines["per-hour"]["verdict"] == "met"
    assert lines["acknowledged"]["value"] == 1
    shown = html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)))
    for line in data["lines"]:
        assert line["what"] in shown


def test_an_empty_store_has_a_report_too(client_of: Callable[..., Any], fill: Any) -> None:
    client = client_of(fill)
    assert "No alarm was raised in this time." in client.get("/alarm-system").text
    assert client.get("/api/alarm-system").json()["alarms"] == 0


@pytest.mark.parametrize("query", ["days=0", "days=367", "operators=0", "operators=nan", "days=x"])
def test_a_span_that_there_is_not(client: Any, query: str) -> None:
    assert client.get(f"/alarm-system?{query}").status_code == 400
    answer = client.get(f"/api/alarm-system?{query}")
    assert answer.status_code == 400
    assert answer.headers["content-type"] == "application/problem+json"
