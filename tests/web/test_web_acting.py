"""Doing something with alarms on the pages: every act, what is refused, shelving, what is remembered."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.alarms.handling import Act, OperatorState
from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.handling import handling_history, load_handlings, load_shelves

HIGH = "swr-high S001/RPT-2"
CRITICAL = "swr-high S002/RPT-1"
KEYS = {
    HIGH: AlarmKey("S001", "RPT-2", Condition.SWR_HIGH),
    CRITICAL: AlarmKey("S002", "RPT-1", Condition.SWR_HIGH),
}


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    fill.groups()
    return client_of(fill)


def state_of(fill: Any, name: str) -> OperatorState:
    with fill.store.reading() as connection:
        handling = load_handlings(connection).get(KEYS[name])
    return OperatorState.NONE if handling is None else handling.state


def band(page: str) -> str:
    """What a page says came of a form, as a person reads it."""
    part = page.split('id="outcome"')[1].split("</div>")[0]
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", part)))


def row(page: str, name: str) -> str:
    """The row of an alarm in a list."""
    [found] = [
        one for one in re.findall(r"<tr.*?</tr>", page, re.S) if f'name="chosen" value="{name}"' in one
    ]
    return found


def test_acknowledging_several_and_taking_back(fill: Any, client: Any) -> None:
    answer = client.submit(
        "/alarms/act", act="acknowledge", chosen=[HIGH, CRITICAL], comment="on it", back="/alarms"
    )
    page = client.told(answer)
    assert "Acknowledged: 2 alarms" in band(page)
    assert "S001/RPT-2: SWR over its limit" in band(page)
    for name in (HIGH, CRITICAL):
        assert "acknowledged" in row(page, name)
        assert "by Ada" in row(page, name)
        assert "is-quiet" in row(page, name)
        assert state_of(fill, name) is OperatorState.ACK
    page = client.told(
        client.sign_in("Bo").submit("/alarms/act", act="take-back", chosen=HIGH, back="/alarms")
    )
    assert "Taken back: 1 alarm" in band(page)
    assert "taken back by Bo" in row(page, HIGH)
    assert state_of(fill, HIGH) is OperatorState.NONE
    with fill.store.reading() as connection:
        lines = handling_history(connection, KEYS[HIGH])
    assert [(line.act, line.by, line.text) for line in lines] == [
        (Act.ACKNOWLEDGE, "Ada", "on it"),
        (Act.TAKE_BACK, "Bo", ""),
    ]


def test_what_is_refused_is_told_with_its_reason_and_the_rest_is_done(fill: Any, client: Any) -> None:
    fill.act(Act.ACKNOWLEDGE, "S001", "RPT-2", Condition.SWR_HIGH)
    gone = "swr-high S001/GONE"
    answer = client.submit("/alarms/act", act="acknowledge", chosen=[HIGH, CRITICAL, gone])
    told = band(client.told(answer))
    assert "Acknowledged: 1 alarm" in told
    assert "Not done to 2 alarms" in told
    assert "S001/RPT-2: SWR over its limit: Ada has acknowledged it already" in told
    assert "S001/GONE: swr-high: there is no such alarm" in told
    assert state_of(fill, CRITICAL) is OperatorState.ACK


def test_closing_takes_an_alarm_that_has_ended(fill: Any, client: Any) -> None:
    told = band(client.told(client.submit("/alarms/act", act="close", chosen=HIGH)))
    assert "Nothing was done" in told
    assert "it still stands" in told
    fill.clear("S001", "RPT-2", Condition.SWR_HIGH)
    page = client.get("/alarms?state=ended").text
    assert "Ended, not closed: 1" in page
    assert "cleared" in row(page, HIGH)
    back = "/alarms?state=ended"
    page = client.told(client.submit("/alarms/act", act="close", chosen=HIGH, back=back))
    assert "Closed: 1 alarm" in band(page)
    assert "Ended, not closed: 0" in page
    assert "by Ada" in row(client.get("/alarms?state=closed").text, HIGH)


def test_assigning_and_commenting(fill: Any, client: Any) -> None:
    page = client.told(
        client.submit("/alarms/act", act="assign", chosen=HIGH, assign="Crew <3>", comment="not this")
    )
    assert "Assigned to Crew <3>: 1 alarm" in band(page)
    assert "assigned to Crew &lt;3&gt;" in row(page, HIGH)
    page = client.told(client.submit("/alarms/act", act="comment", chosen=HIGH, comment="one\r\ntwo"))
    assert "Commented: 1 alarm" in band(page)
    with fill.store.reading() as connection:
        lines = handling_history(connection, KEYS[HIGH])
    assert [(line.act, line.text) for line in lines] == [(Act.ASSIGN, "Crew <3>"), (Act.COMMENT, "one\ntwo")]
    page = client.told(client.submit("/alarms/act", act="assign", chosen=HIGH, assign=""))
    assert "Assigned to nobody any more" in band(page)
    assert "assigned to" not in row(page, HIGH)
    page = client.told(client.submit("/alarms/act", act="comment", chosen=HIGH))
    assert "the comment is empty" in band(page)


def test_shelving_moves_an_alarm_to_its_own_section_and_keeps_its_state(fill: Any, client: Any) -> None:
    fill.act(Act.ACKNOWLEDGE, "S001", "RPT-2", Condition.SWR_HIGH)
    client.sign_in("Bo")
    fields = {"chosen": HIGH, "reason": "crane <1>", "length": "2", "unit": "days", "up_to": ""}
    page = client.told(client.submit("/alarms/act", act="shelve", **fields))
    assert "Shelved: 1 alarm" in band(page)
    assert "site S001, transmitter RPT-2, condition swr-high; up to major" in band(page)
    standing, shelved = page.split('id="shelved"')
    assert f'value="{HIGH}"' not in standing
    assert "Shelved: 1</h2>" in shelved
    line = row(shelved, HIGH)
    assert "until 2026-03-16 09:26 UTC: crane &lt;1&gt;" in line
    assert "acknowledged by Ada" in line
    with fill.store.reading() as connection:
        [shelf] = load_shelves(connection)
    assert (shelf.up_to, shelf.by, shelf.until_us - fill.now_us) == (Severity.MAJOR, "Bo", 2 * 86_400_000_000)
    again = band(client.told(client.submit("/alarms/act", act="shelve", **fields)))
    assert "it lies on shelf 1 already" in again
    fill.now_us = shelf.until_us
    assert "acknowledged" in row(client.get("/alarms").text.split('id="past"')[0], HIGH)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"reason": ""}, "reason: empty"),
        ({"length": "soon"}, "for how long: got “soon”"),
        ({"length": "nan"}, "for how long: got “nan”"),
        ({"length": "-1"}, "for how long: got “-1”"),
        ({"unit": "weeks"}, "unit: got “weeks”"),
        ({"up_to": "huge"}, "up to: got “huge”"),
        ({"up_to": "warning"}, ""),
        ({"length": "9000"}, "more than 366 days"),
        ({"chosen": []}, "No alarm was chosen"),
        ({"act": "shelf"}, "What to do: got “shelf”"),
        ({"act": "un-shelve"}, "What to do: got “un-shelve”"),
    ],
)
def test_bad_input_of_shelving_changes_nothing(
    fill: Any, client: Any, fields: dict[str, Any], said: str
) -> None:
    whole = {"chosen": HIGH, "act": "shelve", "reason": "crane", "length": "1", "unit": "days"}
    told = band(client.told(client.submit("/alarms/act", **{**whole, "up_to": "major", **fields})))
    with fill.store.reading() as connection:
        shelves = load_shelves(connection)
    if said:
        assert said in told
        assert shelves == []
    else:
        assert "Shelved: 1 alarm" in told
        # It takes warnings only, and the alarm is a major one: the list shows it where it was.
        assert f'value="{HIGH}"' in client.get("/alarms").text.split('id="past"')[0]
        assert 'id="shelved"' not in client.get("/alarms").text


def test_all_shown_acts_on_what_the_page_showed(fill: Any, client: Any) -> None:
    fill.shelf(site="S006")
    page = client.get("/alarms?severity=major").text
    shown = re.findall(r'name="shown" value="([^"]+)"', page)
    assert len(shown) == 3
    told = band(client.told(client.submit("/alarms/act", act="acknowledge", all_shown="yes", shown=shown)))
    assert "Acknowledged: 3 alarms" in told
    assert "4 not acknowledged" in client.get("/alarms").text


def test_whoever_has_signed_in_acts_and_nobody_else(client: Any) -> None:
    client.sign_in('Åsa "Bee"')
    for page in ("/alarms", "/shelves", "/work", "/alarm?subject=S001%2FRPT-2&condition=swr-high"):
        shown = client.get(page).text
        assert '<a href="/account">Åsa &#34;Bee&#34;</a>' in shown
        assert 'name="by"' not in shown
    client.submit("/alarms/act", act="acknowledge", chosen=HIGH, by="Bo")
    assert "by Åsa &#34;Bee&#34;" in row(client.get("/alarms").text, HIGH)


@pytest.mark.parametrize(
    ("back", "path"),
    [
        ("/alarms?state=ended&text=a%26b", "/alarms?state=ended&text=a%26b&said="),
        (
            "/alarm?subject=S001%2FRPT-2&condition=swr-high",
            "/alarm?subject=S001%2FRPT-2&condition=swr-high&said=",
        ),
        ("https://elsewhere.test/alarms", "/alarms?said="),
        ("//elsewhere.test/alarms", "/alarms?said="),
        ("/metrics", "/alarms?said="),
        ("javascript:alert(1)", "/alarms?said="),
        ("/alarms?said=old", "/alarms?said="),
    ],
)
def test_a_form_leads_back_to_its_page_and_nowhere_else(client: Any, back: str, path: str) -> None:
    answer = client.submit("/alarms/act", act="comment", chosen=HIGH, comment="x", back=back)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith(path)
    assert answer.headers["location"].count("said=") == 1


def test_an_outcome_that_is_forgotten_is_not_shown(client: Any) -> None:
    page = client.get("/alarms?said=%3Cscript%3E")
    assert page.status_code == 200
    assert 'id="outcome"' not in page.text


# The list ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ("severity=major", {HIGH, CRITICAL, "site-unreachable S007"}),
        ("severity=critical", {CRITICAL}),
        ("condition=swr-weather", {"swr-weather region/Marches"}),
        ("region=Marches", {CRITICAL, "swr-weather region/Marches"}),
        ("text=rpt-3", {"reports-missing S006/RPT-3", "swr-weather region/Marches"}),
        ("text=UNREACHABLE", {"site-unreachable S007"}),
        ("state=acknowledged", {HIGH}),
        ("state=shelved", {"reports-missing S006/RPT-3"}),
        ("state=unacknowledged&severity=major", {CRITICAL, "site-unreachable S007"}),
        ("text=Mast+crew", {HIGH}),
        ("state=ended", set()),
        ("text=nowhere", set()),
    ],
)
def test_filters_of_the_list_and_of_the_data_agree(
    fill: Any, client: Any, query: str, names: set[str]
) -> None:
    fill.act(Act.ACKNOWLEDGE, "S001", "RPT-2", Condition.SWR_HIGH)
    fill.act(Act.ASSIGN, "S001", "RPT-2", Condition.SWR_HIGH, "Mast crew")
    fill.shelf(site="S006")
    page = client.get(f"/alarms?{query}")
    assert page.status_code == 200
    assert set(re.findall(r'name="chosen" value="([^"]+)"', page.text)) == names
    data = client.get(f"/api/alarms?{query}").json()["alarms"]
    assert {f"{one['condition']} {one['subject']}" for one in data} == names


@pytest.mark.parametrize("query", ["state=odd", "condition=odd", "severity=odd", "page=0"])
def test_unknown_words_are_answered_by_a_page(client: Any, query: str) -> None:
    answer = client.get(f"/alarms?{query}")
    assert answer.status_code == 400
    assert "odd" in answer.text or "page" in answer.text


def test_the_list_has_pages_of_fifty(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(60, 1)
    for site in range(60):
        fill.alarm(f"S{site:03d}", "RPT-1", Condition.SWR_STEP, Severity.MINOR)
    client = client_of(fill)
    pages = [client.get(f"/alarms?severity=minor&page={page}").text for page in (1, 2, 9)]
    names = [re.findall(r'name="chosen" value="([^"]+)"', page) for page in pages]
    assert [len(found) for found in names] == [50, 10, 10]
    assert not set(names[0]) & set(names[1])
    assert 'href="/alarms?severity=minor&amp;page=2" rel="next"' in pages[0]
    assert "Page 2 of 2" in pages[2]


def test_marks_of_an_alarm(fill: Any, client: Any) -> None:
    fill.desk()
    page = client.get("/alarms").text.split('id="past"')[0]
    assert "chatters" in row(page, "swr-intermittent S005/RPT-1")
    assert "work on record: visit until 2026-03-14 12:26 UTC" in row(page, "swr-rising S004/RPT-2")
    assert "work on record" not in row(page, CRITICAL)
    assert "assigned to Mast crew &amp; &lt;Co&gt;" in row(page, HIGH)
    assert "mast &lt;works&gt;" in row(page, "reports-missing S006/RPT-3")
    assert "Standing Watch itself" in row(page, "channel-failing service/channel email.desk")


def test_work_explains_an_alarm_for_as_long_as_the_watch_says(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    fill.everything()
    fill.window("S004", "", -3.0, -0.1)
    name = "swr-rising S004/RPT-2"
    assert "work on record" not in row(client_of(fill).get("/alarms").text, name)
    longer = client_of(fill, after_work_us=600_000_000)
    assert "work on record: visit until 2026-03-14 09:20 UTC" in row(longer.get("/alarms").text, name)


def test_the_board_tells_of_the_watch_itself_and_shows_what_is_seen_to(fill: Any, client: Any) -> None:
    assert "The watch itself is in trouble" not in client.get("/board/rows").text
    fill.desk()
    page = client.get("/board/rows").text
    own = page.split('class="band bad own"')[1].split("</div>")[0]
    assert "alarms do not get out" in own
    assert "channel email.desk" in own
    assert re.search(r'chip major seen"[^>]*>.*?SWR over its limit</a> · acknowledged', page, re.S)
    assert re.search(r'chip minor seen"[^>]*>.*?reports missing</a> · shelved', page, re.S)
    assert 'id="unseen">8</a>' in page
    board = client.get("/api/board").json()
    assert [one["service"] for one in board["service_alarms"]] == ["channel email.desk"]
    name = "channel-failing service/channel email.desk"
    client.submit("/alarms/act", act="acknowledge", chosen=name)
    page = client.get("/board/rows").text
    assert 'class="band bad own"' not in page
    assert 'class="band own"' in page


def test_the_page_of_one_alarm_tells_both_stories_in_order(fill: Any, client: Any) -> None:
    fill.desk()
    page = client.get("/alarm?subject=S001%2FRPT-2&condition=swr-high").text
    assert "<dt>Return loss</dt><dd>12.6 dB</dd>" in page
    story = page.split('id="story"')[1]
    assert story.index("assigned") < story.index("acknowledged") < story.index("raised")
    assert "on my way\nwith a &lt;ladder&gt;" in story
    assert "it fits &lt;what&gt; was seen" in page
    group = client.get("/alarm?subject=S003&condition=swr-rising").text
    assert "foldback (SWR 2.5): about 2026-04-01 (from 2026-03-20 to 2026-04-23)" in group
    region = client.get("/alarm?subject=region%2FMarches&condition=swr-weather")
    assert region.status_code == 200
    service = client.get("/alarm?subject=service%2Fchannel+email.desk&condition=channel-failing")
    assert service.status_code == 200
    ended = client.get("/alarm?subject=S000%2FRPT-3&condition=swr-step").text
    assert 'value="close"' in ended


@pytest.mark.parametrize(
    "query",
    [
        "subject=S001%2FRPT-9&condition=swr-high",
        "subject=&condition=swr-high",
        "subject=S001%2FRPT-2%2Fx&condition=swr-high",
        "subject=S001%2F&condition=swr-high",
        "subject=%3Cb%3E&condition=%3Ci%3E",
    ],
)
def test_an_alarm_that_there_is_not(client: Any, query: str) -> None:
    answer = client.get(f"/alarm?{query}")
    assert answer.status_code == 404
    assert "<b>" not in answer.text
    assert client.get(f"/api/alarms/history?{query}").status_code == 404


def test_a_site_that_is_called_region(fill: Any, client_of: Callable[..., Any]) -> None:
    from standingwatch.inventory import InventoryRow
    from standingwatch.store.sites import replace_site_list

    with fill.store.writing() as connection:
        replace_site_list(connection, [InventoryRow("region", "A", 450.0)], fill.now_us)
    fill.alarm("region", "A", Condition.SWR_HIGH, Severity.MAJOR)
    client = client_of(fill)
    assert "region/A: SWR over its limit" in client.get("/alarm?subject=region%2FA&condition=swr-high").text
    told = band(client.told(client.submit("/alarms/act", act="acknowledge", chosen="swr-high region/A")))
    assert "Acknowledged: 1 alarm" in told
