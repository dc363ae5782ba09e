"""The pages of visits without a browser: columns, forms, roles, sheet and PDF."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from typing import Any

import pytest
from pypdf import PdfReader

from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.review.visits import VisitState
from standingwatch.store.access import Role
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.visits import follow_alarms, load_visit, load_visits
from standingwatch.store.windows import load_windows

HOUR_US = 3_600_000_000


@pytest.fixture
def visited(fill: Any) -> Any:
    """A morning with something of everything, and the visits that follow from it two weeks on."""
    fill.everything()
    fill.groups()
    with fill.store.writing() as connection:
        follow_alarms(connection, fill.now_us + 20 * 24 * HOUR_US)
    return fill


def number_of(fill: Any, site: str) -> int:
    with fill.store.reading() as connection:
        return load_visits(connection, site=site)[0].number


def state_of(fill: Any, number: int) -> VisitState:
    with fill.store.reading() as connection:
        visit = load_visit(connection, number)
    assert visit is not None
    return visit.state


PLAN = {"when": "2026-03-16T07:00", "crew": "Mast <crew>", "access": "key at the farm", "gain": "6"}


def test_the_columns_and_their_filters(visited: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(visited)
    page = client.get("/visits").text
    assert "Proposed: 6" in page
    assert page.index("Lantern Hill") > page.index("Ashby Mast"), "the critical one comes first"
    assert "Proposed: 0" in client.get("/visits?text=nowhere").text
    assert "Proposed: 1" in client.get("/visits?text=s007").text
    assert client.get("/visits?state=never").status_code == 400


def test_from_proposed_to_done_by_forms(visited: Any, client_of: Callable[..., Any]) -> None:
    client, number = client_of(visited), number_of(visited, "S001")
    page = client.told(client.submit(f"/visit/{number}/plan", **PLAN))
    assert "Mast &lt;crew&gt;" in page
    assert "2026-03-16 07:00 UTC" in page
    assert state_of(visited, number) is VisitState.PLANNED
    client.told(client.submit(f"/visit/{number}/begin"))
    with visited.store.reading() as connection:
        kinds = {(w.window.transmitter, w.window.kind, w.entered_by) for w in load_windows(connection)}
    assert kinds == {("RPT-2", "visit", "Ada"), ("", "outage", "Ada")}
    visited.now_us += HOUR_US
    page = client.told(client.submit(f"/visit/{number}/done"))
    assert "Before and after: cannot say yet" in page
    assert "it takes 5" in page
    findings = {"cause RPT-2": "water", "findings": "water in the <jumper>"}
    page = client.told(client.submit(f"/visit/{number}/findings", **findings))
    assert "water in the &lt;jumper&gt;" in page
    refused = client.submit(f"/visit/{number}/judge", word="proven")
    assert refused.status_code == 422
    assert "so say why you decide otherwise" in refused.text
    page = client.told(client.submit(f"/visit/{number}/judge", word="not-fixed", reason="seen from the road"))
    assert state_of(visited, number) is VisitState.NOT_FIXED
    assert "0 of 1 (0 %)" in client.get("/visits").text


@pytest.mark.parametrize(
    ("act", "fields", "why"),
    [
        ("plan", {**PLAN, "when": "soon"}, "when: got “soon”"),
        ("plan", {**PLAN, "gain": "much"}, "antenna gain: got “much”"),
        ("plan", {**PLAN, "crew": ""}, "crew: nobody is named"),
        ("drop", {"reason": ""}, "reason: empty"),
        ("done", {}, "possible is plan, begin, drop"),
        ("findings", {"cause RPT-2": "gremlins"}, "cause: got “gremlins”"),
        ("judge", {"word": "maybe"}, "word: got “maybe”"),
    ],
)
def test_what_is_refused_changes_nothing(
    visited: Any, client_of: Callable[..., Any], act: str, fields: dict[str, str], why: str
) -> None:
    number = number_of(visited, "S001")
    answer = client_of(visited).submit(f"/visit/{number}/{act}", **fields)
    assert answer.status_code == 422
    assert why in answer.text
    assert state_of(visited, number) is VisitState.PROPOSED


def test_roles(visited: Any, client_of: Callable[..., Any]) -> None:
    number = number_of(visited, "S001")
    viewer = client_of(visited, signed_in=False).sign_in("Vi", Role.VIEWER)
    assert viewer.get(f"/visit/{number}").status_code == 200
    assert "Plan the visit" not in viewer.get(f"/visit/{number}").text
    assert viewer.submit(f"/visit/{number}/plan", **PLAN).status_code == 403
    operator = client_of(visited, signed_in=False).sign_in("Op", Role.OPERATOR)
    assert operator.submit(f"/visit/{number}/plan", **PLAN).status_code == 303
    for act in ("judge", "findings"):
        assert operator.submit(f"/visit/{number}/{act}").status_code == 403
    nobody = client_of(visited, signed_in=False)
    assert nobody.get("/api/visits").status_code == 401


@pytest.mark.parametrize("path", ["", "/sheet", "/sheet.pdf"])
def test_no_such_visit(visited: Any, client_of: Callable[..., Any], path: str) -> None:
    assert client_of(visited).get(f"/visit/999{path}").status_code == 404


def pages_of(document: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(document)).pages]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("site", ["S001", "S003", "S007"])
def test_the_sheet_has_two_pages(visited: Any, client_of: Callable[..., Any], site: str, paper: str) -> None:
    client, number = client_of(visited), number_of(visited, site)
    client.told(client.submit(f"/visit/{number}/plan", **PLAN))
    answer = client.get(f"/visit/{number}/sheet.pdf?paper={paper}")
    assert answer.headers["content-type"] == "application/pdf"
    first, second = pages_of(answer.content)
    assert "Likely causes, in order" in first
    assert "Local codes" in first
    assert "key at the farm" in first
    assert "True cause" in second
    width, height = PdfReader(io.BytesIO(answer.content)).pages[0].mediabox[2:]
    wanted = (595.3, 841.9) if paper == "A4" else (612.0, 792.0)
    assert (float(width), float(height)) == pytest.approx(wanted, abs=0.5)


def test_a_sheet_of_a_site_with_everything_wrong_has_two_pages_too(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    fill.sites(1, 8)
    with fill.store.writing() as connection:
        # The longest plan: a combiner, a directivity, a shared line.
        more = {"antenna_line": "north", "coupler_place": "behind-combiner", "coupler_directivity_db": 30.0}
        rows = [InventoryRow(**{**vars(row), **more}) for row in load_site_list(connection).rows]
        replace_site_list(connection, rows, fill.now_us)
    fill.hours(20, rising=2)
    for name in range(1, 9):
        fill.alarm("S000", f"RPT-{name}", Condition.SWR_HIGH, Severity.MAJOR, Cause.ANTENNA_DAMAGE)
        fill.alarm("S000", f"RPT-{name}", Condition.SWR_RISING, Severity.MINOR, Cause.WATER)
    with fill.store.writing() as connection:
        follow_alarms(connection, fill.now_us + 20 * 24 * HOUR_US)
    client = client_of(fill)
    for paper in ("A4", "Letter"):
        pages = pages_of(client.get(f"/visit/1/sheet.pdf?paper={paper}").content)
        assert len(pages) == 2
        assert "and 4 troubles more" in pages[0]


def test_figures_of_the_sheet(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    with fill.store.writing() as connection:
        row = load_site_list(connection).rows[0]
        changed = {**vars(row), "feeder_loss_db": 3.0, "coupler_directivity_db": 30.0, "latitude": 47.5}
        replace_site_list(connection, [InventoryRow(**{**changed, "longitude": 11.25})], fill.now_us)
    fill.hours(20)
    fill.alarm("S000", "RPT-1", Condition.SWR_HIGH, Severity.MAJOR, Cause.ANTENNA_DAMAGE)
    with fill.store.writing() as connection:
        follow_alarms(connection, fill.now_us + 20 * 24 * HOUR_US)
    client = client_of(fill)
    client.told(client.submit("/visit/1/plan", **PLAN))
    page = client.get("/visit/1/sheet").text
    # 3 dB one way: a short shows 6.0 dB, SWR 3.01; a load of 26 dB shows 32 dB.
    assert "6.0 dB<br>" in page
    assert "3.01:1" in page
    assert "at least 32.0 dB" in page
    assert "47.50000, 11.25000 (WGS 84)" in page
    # 100 W less 3 dB and 6 dBi: 199.5 W EIRP; 1 mW/cm² with 2.56 at 2.02 m, 0.2 mW/cm² at 4.51 m.
    assert (
        '<td data-label="EIRP">200 W</td><td data-label="Limit for people at work">2.0 m</td>'
        '<td data-label="Limit for everybody">4.5 m</td>'
    ) in page


def test_the_api(visited: Any, client_of: Callable[..., Any]) -> None:
    client, number = client_of(visited), number_of(visited, "S001")
    listed = client.get("/api/visits?state=proposed").json()["visits"]
    assert len(listed) == 6
    one = next(v for v in listed if v["number"] == number)
    assert (one["site"], one["state"], one["urgency"]) == ("S001", "proposed", "within-days")
    assert one["troubles"][0]["likely_causes"][0]["cause"] == "loose-connection"

    def act(**body: Any) -> Any:
        return client.post(
            f"/api/visits/{number}/acts",
            content=json.dumps(body),
            headers={"Content-Type": "application/json", "Origin": "http://board.test"},
        )

    planned = act(act="plan", planned_for="2026-03-16T07:00:00Z", crew="Mast crew")
    assert planned.status_code == 200, planned.text
    assert planned.json()["state"] == "planned"
    assert act(act="done").status_code == 409
    assert act(act="plan", crew="x").status_code == 422
    assert act(act="begin").json()["state"] == "under-way"
    assert act(act="done").json()["state"] == "done"
    assert act(act="findings", found={"RPT-2": "water"}, text="wet").json()["finding"]["text"] == "wet"
    assert act(act="proven").status_code == 409
    kept = act(act="proven", text="seen on the analyser").json()
    assert kept["state"] == "proven"
    full = client.get(f"/api/visits/{number}").json()
    assert full["verdict"]["verdict"] == "cannot-say-yet"
    assert full["story"][-1]["by"] == "Ada"
    assert client.get("/api/visits/999").status_code == 404
    score = client.get("/api/visits/causes").json()
    assert (score["right"], score["told"]) == (0, 1)
