"""Two processes that serve the pages of one store: it does not matter which of them is asked.

Each is an application of its own on its own connections; nothing but the store is between them.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.store.connect import Store
from standingwatch.web.outcomes import KEPT_US, Outcome, Outcomes

HIGH = "swr-high S001/RPT-2"


@pytest.fixture
def pair(fill_each: Any, store_url: str, client_of: Callable[..., Any]) -> Iterator[tuple[Any, Any]]:
    """A browser at the one, and the same browser at the other."""
    fill_each.everything()
    one, other_store = client_of(fill_each), Store(store_url)
    other = client_of(type(fill_each)(other_store, fill_each.now_us), signed_in=False)
    other.cookies = one.cookies
    # Both have shown everything before, so that what they keep between requests is there.
    for client in (one, other):
        for page in ("/", "/alarms", "/shelves", "/work"):
            assert client.get(page).status_code == 200
    yield one, other
    other_store.close()


def test_a_form_of_one_is_sent_to_the_other_and_told_by_the_first(pair: tuple[Any, Any]) -> None:
    one, other = pair
    token = one.token()
    fields = {"act": "acknowledge", "chosen": HIGH, "comment": "on it", "back": "/alarms"}
    answer = other.post(
        "/alarms/act", data={"token": token, **fields}, headers={"Origin": "http://board.test"}
    )
    page = one.told(answer)
    band = page.split('id="outcome"')[1].split("</div>")[0]
    assert "Acknowledged: 1 alarm" in html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", band)))
    for client in pair:
        [row] = [r for r in re.findall(r"<tr.*?</tr>", client.get("/alarms").text, re.S) if HIGH in r]
        assert "acknowledged" in row
        assert "by Ada" in row
    # Loaded again much later it tells nothing of it.
    for client in pair:
        client.fill.now_us += KEPT_US + 1
    other.submit("/alarms/act", act="take-back", chosen=HIGH, back="/alarms")
    assert 'id="outcome"' not in one.get(answer.headers["location"]).text


def test_what_changes_by_one_is_shown_by_the_other(pair: tuple[Any, Any]) -> None:
    one, other = pair
    one.fill.alarm("S003", "RPT-2", Condition.SWR_HIGH, Severity.CRITICAL)
    row = {"frequency_mhz": 152.5, "site_name": "Cedar <Knoll>"}
    assert one.send("PUT", "/api/inventory/S003/RPT-1", json=row).status_code == 200
    for client in pair:
        assert "swr-high S003/RPT-2" in client.get("/alarms").text
        assert "Cedar &lt;Knoll&gt;" in client.get("/?q=Cedar").text
    # Who leaves by the one has left.
    one.submit("/sign-out")
    assert other.get("/alarms").status_code == 303


def test_an_outcome_comes_back_as_it_was(store: Store) -> None:
    now_us = 1_794_000_000_000_000
    outcomes = Outcomes(store, lambda: now_us)
    outcome = Outcome("Done “half”", ("a", "b"), (("c", "why"),), ("d\N{BULLET}",))
    name = outcomes.keep(outcome)
    assert outcomes.get(name) == outcome
    assert (outcomes.get(""), outcomes.get(name + "x"), outcomes.get("%")) == (None, None, None)
    now_us += KEPT_US + 1
    assert outcomes.keep(outcome) != name
    assert outcomes.get(name) is None


#: Nothing more can be put into `notes`.
NO_ROOM = {
    "sqlite": ("CREATE TRIGGER no_room BEFORE INSERT ON notes BEGIN SELECT RAISE(FAIL, 'no room'); END",),
    "postgresql": (
        "CREATE FUNCTION no_room() RETURNS trigger AS "
        "$$ BEGIN RAISE EXCEPTION USING ERRCODE = 'disk_full'; END $$ LANGUAGE plpgsql",
        "CREATE TRIGGER no_room BEFORE INSERT ON notes FOR EACH ROW EXECUTE FUNCTION no_room()",
    ),
}


def test_what_was_done_is_answered_where_its_outcome_cannot_be_kept(
    fill: Any, client_of: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, caplog: Any
) -> None:
    fill.everything()
    client = client_of(fill)
    token = client.token()
    with fill.store.engine.begin() as connection:
        for statement in NO_ROOM[connection.dialect.name]:
            connection.exec_driver_sql(statement)
    fields = {"token": token, "act": "acknowledge", "chosen": HIGH, "back": "/alarms"}
    answer = client.post("/alarms/act", data=fields, headers={"Origin": "http://board.test"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms")
    assert "acknowledged" in client.get("/alarms").text
    assert "the outcome of a form cannot be kept" in caplog.text
