"""The pages and the API of the overnight review."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from sqlalchemy import update

from standingwatch.alarms.event import subject
from standingwatch.alarms.handling import Act
from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import FleetDefaults
from standingwatch.notify.review_mail import as_html
from standingwatch.review.overnight import CLEARED, NEW, SHELVED, UNDER_WORK, Review
from standingwatch.review.section_words import costs_db
from standingwatch.review.small_chart import small_chart
from standingwatch.review.visits import Visit, VisitState
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.reviews import Making, keep, make
from standingwatch.store.visits import keep_visit
from standingwatch.web.desk import AlarmChoice, chosen_alarms
from standingwatch.web.review_chart import HEIGHT, WIDTH, drawing
from standingwatch.web.roster import RosterCache

DAY_US = 86_400_000_000


def review(fill: Any, region: str = "", now_us: int | None = None) -> tuple[int, Review]:
    """Make a review and keep it."""
    now_us = fill.now_us if now_us is None else now_us
    with fill.store.reading() as connection:
        made = make(connection, region, "UTC", now_us, Making())
    with fill.store.writing() as connection:
        number = keep(connection, made)
    assert number is not None
    return number, made


def test_the_review_agrees_with_the_alarm_list_of_its_moment(fill_each: Any) -> None:
    fill_each.everything()
    fill_each.groups()
    fill_each.desk()
    with fill_each.store.reading() as connection:
        made = make(connection, "", "UTC", fill_each.now_us, Making())
        roster = RosterCache(FleetDefaults()).roster(connection)
        listed = chosen_alarms(connection, roster, fill_each.now_us, AlarmChoice())
    told = {
        (item.subject, item.condition): (
            item.severity,
            item.raised_us,
            item.text,
            item.region,
            item.operator_state,
            item.assigned_to,
            item.aside == SHELVED,
            item.aside == UNDER_WORK,
        )
        for item in made.standing
    }
    there = {
        (subject(one.key), one.key.condition.value): (
            one.alarm.severity.word,
            one.alarm.raised_us,
            one.text,
            one.region,
            one.handling.state.value,
            one.handling.assigned_to,
            one.shelf is not None,
            one.shelf is None and one.work is not None,
        )
        for one in listed
    }
    assert told == there
    assert len(there) > 8
    assert {item.aside for item in made.standing} == {"", SHELVED, UNDER_WORK}
    [ended] = made.section(CLEARED)
    assert (ended.site, ended.transmitter, ended.condition) == ("S000", "RPT-3", "swr-step")


def test_a_region_has_its_own_alarms_and_no_others(fill: Any) -> None:
    fill.everything()
    fill.groups()
    fill.desk()
    whole = review(fill)[1]
    parts = [review(fill, region)[1] for region in ("North Fells", "Coast", "Marches")]
    names = [{(i.subject, i.condition) for i in part.items} for part in parts]
    of_sites = {(i.subject, i.condition) for i in whole.items if not i.service}
    assert set.union(*names) == of_sites
    assert sum(map(len, names)) == len(of_sites)
    assert sum(part.transmitters for part in parts) == whole.transmitters == 24


def test_pages_say_what_the_review_says(fill: Any, client_of: Any) -> None:
    fill.everything()
    fill.groups()
    fill.desk()
    client = client_of(fill)
    none = client.get("/review")
    assert none.status_code == 200
    assert "No review has been made yet" in none.text
    number, made = review(fill)
    coast, _ = review(fill, "Coast")
    page = client.get("/review").text
    assert made.summary.replace("'", "&#39;") in page
    for item in made.items:
        assert (
            item.where.split("/")[0].replace("<", "&lt;").replace("&", "&amp;") in page
            or item.service in page
        )
    assert page.count('<svg class="chart course"') == sum(
        small_chart(item) is not None for item in made.items if item.rank
    )
    for rank in made.by_rank:
        assert f'id="rank-{rank}"' in page
    assert "<script" not in page.replace("<script>alert", "")
    assert "style=" not in page
    regional = client.get("/review", params={"region": "Coast"}).text
    assert "Overnight review of Coast, 2026-03-14" in regional
    assert client.get(f"/review/{coast}").text == regional
    assert "There is no review of Nowhere" in client.get("/review", params={"region": "Nowhere"}).text
    assert client.get("/review/99").status_code == 404
    past = client.get("/reviews").text
    assert f'href="/review/{number}"' in past
    assert f'href="/review/{coast}"' in past


def test_an_old_review_says_so(fill: Any, client_of: Any) -> None:
    fill.everything()
    review(fill)
    fill.now_us += 2 * DAY_US
    assert "This review is 2 d old" in client_of(fill).get("/review").text


def test_the_api_gives_reviews_with_times_and_pages(fill: Any, client_of: Any) -> None:
    fill.everything()
    fill.groups()
    numbers = [review(fill, now_us=fill.now_us - back * DAY_US)[0] for back in (2, 1, 0)]
    client = client_of(fill)
    first = client.get("/api/reviews", params={"limit": 2}).json()
    assert [one["id"] for one in first["reviews"]] == [numbers[2], numbers[1]]
    assert first["reviews"][0] == {
        "id": numbers[2],
        "region": "",
        "day": "2026-03-14",
        "made": "2026-03-14T09:26:53Z",
        "since": "2026-03-13T09:26:53Z",
    }
    rest = client.get("/api/reviews", params={"limit": 2, "cursor": first["next"]}).json()
    assert [one["id"] for one in rest["reviews"]] == [numbers[0]]
    assert rest["next"] is None
    answer = client.get(f"/api/reviews/{numbers[2]}").json()
    assert answer["id"] == numbers[2]
    assert "last_change" not in answer
    group = next(item for item in answer["items"] if item["subject"] == "S003" and item["forecast"])
    assert [f["limit"] for f in group["forecast"]] == ["swr-1.5", "foldback", "tolerance"]
    assert group["forecast"][1]["expected"] == "2026-04-01T09:26:53Z"
    for bad in ("/api/reviews/0", "/api/reviews/99", f"/api/reviews/{2**70}", "/api/reviews/99.csv"):
        assert client.get(bad).status_code == 404
    assert client.get("/api/reviews/x").status_code in (400, 422)


def test_the_table_has_a_row_for_each_alarm(fill: Any, client_of: Any) -> None:
    fill.everything()
    fill.groups()
    number, made = review(fill)
    answer = client_of(fill).get(f"/api/reviews/{number}.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert f"review-2026-03-14-{number}.csv" in answer.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [row["rank"] for row in rows] == [str(item.rank) if item.rank else "" for item in made.items]
    assert [row["severity"] for row in rows] == [item.severity for item in made.items]


def test_drawings_stay_inside_and_say_what_they_show(fill: Any) -> None:
    fill.everything()
    fill.groups()
    soon = LimitForecast("foldback", 2.5, "expected", *(fill.now_us + days * DAY_US for days in (6, 18, 400)))
    fill.alarm("S004", "RPT-1", Condition.SWR_STEP, Severity.MINOR, forecast=(soon,))
    made = review(fill)[1]
    charts = [chart for item in made.items if (chart := small_chart(item)) is not None]
    assert len(charts) > 4
    assert any(chart.fan is not None for chart in charts)
    for chart in charts:
        svg = str(drawing(chart))
        assert f"<title>{chart.label}</title>" in svg
        parts = "".join(re.findall(r' d="([^"]+)"', svg))
        places = [float(n) for n in re.findall(r"[MLH ](-?[0-9.]+)", parts)]
        assert len(places) > 20
        assert all(0 <= n <= WIDTH for n in places)
        heights = [float(n) for n in re.findall(r"[ML]-?[0-9.]+ (-?[0-9.]+)", parts)]
        assert all(0 <= n <= HEIGHT for n in heights)
        assert "nan" not in svg.lower()


def test_what_happens_after_a_review_is_in_the_next_one(fill: Any) -> None:
    fill.everything()
    review(fill)
    key = AlarmKey("S001", "RPT-2", Condition.SWR_HIGH)
    fill.now_us += DAY_US
    # Noted at the very moment of the review before, and committed after it.
    at_us = fill.now_us - DAY_US
    with fill.store.writing() as connection:
        worse = apply_all(
            load_alarms(connection), [Evidence(key, Severity.CRITICAL, at_us, {"swr": 4.0})], at_us
        )
        save_changes(connection, worse, "urn:test")
    made = review(fill)[1]
    assert [(i.site, i.transmitter, i.before, i.severity) for i in made.section("worse")] == [
        ("S001", "RPT-2", "major", "critical")
    ]
    assert made.section(NEW) == ()
    assert made.since_us == at_us


@pytest.mark.parametrize("name", ["S001", "S002"])
def test_acknowledged_ones_stay_in_the_review(fill: Any, name: str) -> None:
    fill.everything()
    where = {"S001": "RPT-2", "S002": "RPT-1"}
    fill.act(Act.ACKNOWLEDGE, name, where[name], Condition.SWR_HIGH)
    made = review(fill)[1]
    assert [i.operator_state for i in made.standing if i.site == name and i.condition == "swr-high"] == [
        "ack"
    ]


@pytest.mark.parametrize(("lost_db", "told"), [(None, False), (0.0, False), (0.09, False), (0.1, True)])
def test_what_a_fault_costs_is_told_from_a_tenth_of_a_decibel(
    fill: Any, client_of: Any, lost_db: float | None, told: bool
) -> None:
    fill.everything()
    number, made = review(fill)
    # All others cost nothing that is told.
    items = tuple(replace(item, lost_db=lost_db if item.rank == 1 else None) for item in made.items)
    made = replace(made, items=items)
    assert [item.rank for item in items if costs_db(item) is not None] == ([1] if told else [])
    assert ("Costs" in as_html(made, {})) == told
    with fill.store.writing() as connection:
        body = json.dumps(made.as_data())
        connection.execute(update(tables.reviews).where(tables.reviews.c.id == number).values(body=body))
    answer = client_of(fill).get("/review")
    assert answer.status_code == 200
    assert answer.text.count("It costs") == told


@pytest.mark.parametrize("days", [1, 5, 9, 20, 60])
def test_words_under_a_chart_stand_beside_each_other(fill: Any, days: int) -> None:
    fill.everything()
    soon = LimitForecast("foldback", 2.5, "expected", *(fill.now_us + days * DAY_US for _ in range(3)))
    fill.alarm("S004", "RPT-1", Condition.SWR_STEP, Severity.MINOR, forecast=(soon,))
    [item] = [item for item in review(fill)[1].items if item.forecast]
    chart = small_chart(item)
    assert chart is not None
    found = re.findall(r'<text x="([\d.]+)" y="90" ?(text-anchor="end")?>([^<]+)<', str(drawing(chart)))
    # Six pixels a character are more than any of the page's fonts takes at this size.
    spans = sorted(
        (float(x) - (6.0 * len(word) if end else 0.0), float(x) + (0.0 if end else 6.0 * len(word)))
        for x, end, word in found
    )
    assert [word for _, _, word in found] == ["90 days ago", f"+{chart.ahead:.0f} d", "review"]
    assert all(here[1] <= there[0] for here, there in pairwise(spans)), found


def test_a_visit_proposed_after_the_review_is_shown_with_the_newest(fill: Any, client_of: Any) -> None:
    fill.everything()
    first = review(fill)[0]
    with fill.store.writing() as connection:
        visit = Visit(0, "S002", VisitState.PROPOSED, fill.now_us, fill.now_us, ())
        keep_visit(connection, visit, by="Ada", text="", now_us=fill.now_us)
    client = client_of(fill)
    assert "visit 1, now proposed</a>" in client.get("/review").text
    review(fill, now_us=fill.now_us + DAY_US)
    assert "visit 1" not in client.get(f"/review/{first}").text
