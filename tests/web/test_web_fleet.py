"""The board over a fleet: filters and orders, what is new, ETags, the stream, the map."""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from sqlalchemy import delete

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import FleetDefaults, InventoryRow
from standingwatch.readings.flags import Flag
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.looks import COMMITTED_WITHIN_US, courses_since, keep_look, last_look, seen_until_us
from standingwatch.store.sites import replace_site_list
from standingwatch.web.map_layout import (
    JOIN_PX,
    Box,
    box_around,
    degrees_text,
    frame_of,
    graticule,
    joined,
    scale_bar,
)
from standingwatch.web.roster import BINS, RosterCache
from standingwatch.web.streams import Streams, Version

HOUR_US = 3_600_000_000


def sites(client: Any, query: str = "") -> list[str]:
    return [site["site"] for site in client.get(f"/api/board{query}").json()["sites"]]


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("?condition=swr-rising", {"S001", "S004"}),
        ("?condition=swr-rising&severity=major", {"S001"}),
        ("?condition=foldback-active", set()),
        ("?state=silent", {"S006", "S007"}),
        ("?state=unkeyed", {"S000", "S003", "S005"}),
        ("?state=unkeyed&region=North+Fells", {"S000", "S003"}),
        # Every fifth transmitter has no baseline: numbers 4, 9, 14, 19 of three a site.
        ("?state=no-baseline", {"S001", "S003", "S004", "S006"}),
    ],
)
def test_narrowing(fill: Any, client_of: Callable[..., Any], query: str, wanted: set[str]) -> None:
    fill.everything()
    assert set(sites(client_of(fill), query)) == wanted


@pytest.mark.parametrize("query", ["?condition=odd", "?state=odd", "?sort=odd"])
def test_words_that_are_none_are_refused(fill: Any, client_of: Callable[..., Any], query: str) -> None:
    answer = client_of(fill).get(f"/api/board{query}")
    assert answer.status_code == 400
    assert "odd" in answer.json()["detail"]


def test_orders(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill_each.everything()
    fill_each.groups()
    client = client_of(fill_each)
    # By what people call them, the awkward one included.
    names = [site["site_name"] for site in client.get("/api/board?sort=name").json()["sites"]]
    assert names == sorted(names, key=str.casefold)
    # Only S003 has a date; the others follow worst first.
    ordered = sites(client, "?sort=time-left")
    assert ordered[0] == "S003"
    assert ordered[1:] == [name for name in sites(client) if name != "S003"]


def test_readings_are_followed_from_page_to_page(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill_each.sites(2, 2)
    client = client_of(fill_each)

    def rows() -> list[dict[str, Any]]:
        found = {site["site"]: site for site in client.get("/api/board").json()["sites"]}
        return [row for name in ("S000", "S001") for row in found[name]["transmitters"]]

    assert [row["swr"] for row in rows()] == [None] * 4
    fill_each.readings(np.array([0, 3]), np.array([50.0, 50.0]), np.array([1.4, 1.6]))
    assert [row["swr"] for row in rows()] == [pytest.approx(1.4), None, None, pytest.approx(1.6)]
    # An older one changes nothing; an unkeyed one is the newest report, and says nothing about the match.
    fill_each.readings(np.array([0]), np.array([200.0]), np.array([2.0]))
    idle = np.array([int(Flag.NOT_KEYED)])
    fill_each.readings(np.array([3]), np.array([5.0]), np.array([1.0]), flags=idle)
    found = rows()
    assert found[0]["swr"] == pytest.approx(1.4)
    assert (found[3]["swr"], found[3]["state"]) == (pytest.approx(1.6), "not keyed")
    # One ahead of the clock waits until the clock has come there.
    fill_each.readings(np.array([1]), np.array([-900.0]), np.array([1.9]))
    assert rows()[1]["swr"] is None
    fill_each.now_us += 700_000_000
    assert rows()[1]["swr"] == pytest.approx(1.9)
    # The same is found by who has followed nothing.
    fresh = client_of(fill_each).get("/api/board").json()["sites"]
    assert fresh == client.get("/api/board").json()["sites"]


def test_a_transmitter_that_falls_silent_is_known_by_its_hours(fill: Any, client_of: Any) -> None:
    fill.sites(1, 1)
    fill.readings(np.array([0]), np.array([30.0]), np.array([1.3]))
    client = client_of(fill)
    assert client.get("/api/board").json()["sites"][0]["transmitters"][0]["state"] == "keyed"
    fill.now_us += 2 * HOUR_US
    fill.hours(1)
    row = client.get("/api/board").json()["sites"][0]["transmitters"][0]
    assert row["state"] == "unknown"
    assert row["last_report_within_hour_from_there"]


def test_trends_are_read_for_the_asked_alone_and_as_all_at_once(fill_each: Any) -> None:
    fill_each.sites(4, 2)
    fill_each.hours(5)
    cache, every = RosterCache(FleetDefaults()), RosterCache(FleetDefaults())
    with fill_each.store.reading() as connection:
        whole = every.trends(connection, fill_each.now_us, np.arange(8))
        part = cache.trends(connection, fill_each.now_us, np.array([6, 1]))
        again = cache.trends(connection, fill_each.now_us, np.array([1, 2, 6]))
    assert whole.shape == (8, BINS)
    # Five days are twenty bins of six hours, and one more where they begin in the middle of one.
    assert set(np.isfinite(whole).sum(axis=1).tolist()) <= {20, 21}
    np.testing.assert_array_equal(part, whole[[6, 1]])
    np.testing.assert_array_equal(again, whole[[1, 2, 6]])


def test_what_has_not_changed_is_not_sent_again(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    client = client_of(fill)
    for path in ("/api/board", "/board/rows", "/api/board?severity=major"):
        first = client.get(path)
        etag = first.headers["etag"]
        assert client.get(path, headers={"If-None-Match": f'"x", {etag}'}).status_code == 304
        assert client.get(path, headers={"If-None-Match": 'W/"x"'}).status_code == 200
    etag = client.get("/api/board").headers["etag"]
    assert client.get("/api/board?severity=major", headers={"If-None-Match": etag}).status_code == 200
    fill.alarm("S005", "RPT-1", Condition.SWR_HIGH, Severity.MINOR)
    changed = client.get("/api/board", headers={"If-None-Match": etag})
    assert changed.status_code == 200
    fill.readings(np.array([3]), np.array([1.0]), np.array([1.2]))
    assert client.get("/api/board", headers={"If-None-Match": changed.headers["etag"]}).status_code == 200
    # How long ago things were is told anew even where nothing came.
    etag = client.get("/api/board").headers["etag"]
    fill.now_us += 11_000_000
    assert client.get("/api/board", headers={"If-None-Match": etag}).status_code == 200


# Since the last look --------------------------------------------------------------------------------------


def test_what_is_new_since_a_look(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill = fill_each
    fill.sites(4, 1)
    fill.alarm("S000", "RPT-1", Condition.SWR_HIGH, Severity.MINOR)
    fill.alarm("S001", "RPT-1", Condition.SWR_HIGH, Severity.MAJOR)
    client = client_of(fill)
    assert "say when you have looked" in client.get("/").text
    said = client.told(client.submit("/since/looked", until=str(fill.now_us)))
    assert "Seen: what changes after" in said
    assert [client.get("/api/since").json()["counts"][one] for one in ("new", "worse", "cleared")] == [0] * 3
    fill.now_us += 10 * HOUR_US
    worse = Evidence(AlarmKey("S000", "RPT-1", Condition.SWR_HIGH), Severity.CRITICAL, fill.now_us - HOUR_US)
    with fill.store.writing() as connection:
        changes = apply_all(load_alarms(connection), [worse], worse.time_us)
        save_changes(connection, changes, "urn:test")
    fill.alarm("S002", "RPT-1", Condition.SWR_STEP, Severity.MINOR)
    fill.clear("S001", "RPT-1", Condition.SWR_HIGH)
    fill.alarm("S003", "RPT-1", Condition.SWR_STEP, Severity.MINOR)
    fill.clear("S003", "RPT-1", Condition.SWR_STEP)
    found = client.get("/api/since").json()
    turns = {(one["subject"], one["turn"]) for one in found["alarms"]}
    assert turns == {
        ("S000/RPT-1", "worse"),
        ("S001/RPT-1", "cleared"),
        ("S002/RPT-1", "new"),
        ("S003/RPT-1", "came-and-went"),
    }
    text = client.get("/board/rows").text
    counts = {
        turn: re.search(rf'id="since-{turn}"[^>]*><b>(\d+)<', text) for turn in ("new", "worse", "cleared")
    }
    assert {turn: found[1] for turn, found in counts.items() if found} == dict.fromkeys(counts, "1")
    page = client.get("/since").text
    assert page.index("New: 1 alarm") < page.index("Worse: 1 alarm") < page.index("Cleared: 1 alarm")
    # Another person has looked at nothing yet.
    assert "say when you have looked" in client_of(fill).sign_in("Bo").get("/").text


def test_a_look_is_never_moved_back_nor_ahead_of_now(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill)
    client.submit("/since/looked", until=str(fill.now_us + 5 * HOUR_US))
    client.submit("/since/looked", until=str(fill.now_us - 5 * HOUR_US))
    with fill.store.reading() as connection:
        assert last_look(connection, "Ada") == fill.now_us
    for until in ("", "x", "-1", "9" * 30):
        assert client.submit("/since/looked", until=until).status_code == 400


def test_a_change_that_commits_after_the_page_is_not_lost(fill: Any) -> None:
    fill.sites(2, 1)
    fill.alarm("S000", "RPT-1", Condition.SWR_HIGH, Severity.MINOR)
    page_us = fill.now_us - 2 * HOUR_US + 500_000
    with fill.store.writing() as connection:
        until_us = seen_until_us(connection, page_us)
        keep_look(connection, "Ada", until_us)
    assert page_us - COMMITTED_WITHIN_US <= until_us < page_us
    # Noted before the page was made, committed after it.
    fill.now_us += 100_000
    fill.alarm("S001", "RPT-1", Condition.SWR_HIGH, Severity.MINOR)
    with fill.store.reading() as connection:
        assert [one.key.site for one in courses_since(connection, until_us)] == ["S001"]


def test_a_purged_history_leaves_no_news(fill: Any) -> None:
    with fill.store.writing() as connection:
        connection.execute(delete(tables.alarm_changes))
        assert seen_until_us(connection, fill.now_us) == fill.now_us - COMMITTED_WITHIN_US
        assert courses_since(connection, 0) == []


# The stream -----------------------------------------------------------------------------------------------


def test_a_stream_tells_of_news_and_ends_when_the_service_does() -> None:
    versions = [Version("1", "a")]

    async def listen() -> list[str]:
        streams = Streams(lambda: versions[-1], most=1)
        events, heard = streams.events(lambda: True), []
        heard.append(await anext(events))
        assert streams.is_full
        assert [one async for one in streams.events(lambda: True)] == []
        versions.append(Version("2", "a"))
        heard.append(await asyncio.wait_for(anext(events), 10))
        streams.close()
        heard += [one async for one in events]
        assert streams.open == 0
        return heard

    first, second = asyncio.run(listen())
    assert 'event: changed\ndata: {"alarms": "1", "rest": "a"}\n\n' in first
    assert second == 'event: changed\ndata: {"alarms": "2", "rest": "a"}\n\n'


def test_no_more_streams_than_can_be_served(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill)
    client.app.state.streams.close()
    answer = client.get("/events/board")
    assert answer.status_code == 503
    assert client_of(fill, signed_in=False).get("/events/board").status_code in (302, 303, 307, 401)


# The map --------------------------------------------------------------------------------------------------


def test_a_box_and_its_frame() -> None:
    box = box_around(np.array([50.0, 52.0]), np.array([4.0, 10.0]))
    assert box == Box(4.0, 50.0, 10.0, 52.0)
    frame = frame_of(box)
    assert frame.squeeze == pytest.approx(math.cos(math.radians(51.0)))
    assert float(frame.y(np.array(52.0))) < float(frame.y(np.array(50.0)))
    # A degree east is as long as cos(latitude) degrees north.
    east = float(frame.x(np.array(5.0)) - frame.x(np.array(4.0)))
    north = float(frame.y(np.array(50.0)) - frame.y(np.array(51.0)))
    assert east / north == pytest.approx(frame.squeeze)
    km, px = scale_bar(frame)
    # 111.195 km a degree on a sphere of 6,371 km.
    assert km / px * north == pytest.approx(111.195, abs=0.001)
    across = box_around(np.array([0.0, 1.0]), np.array([179.0, -179.0]))
    assert (across.west, across.east) == (179.0, 181.0)
    assert across.holds(np.array([0.5, 0.5]), np.array([-179.5, 0.0])).tolist() == [True, False]
    point = box_around(np.array([50.0]), np.array([4.0]))
    assert point.north > point.south
    assert point.east > point.west


def test_sites_that_overlap_are_joined_each_once() -> None:
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 400, 600), rng.uniform(0, 300, 600)
    severity = rng.choice([1, 3, 4, 5, 6], 600)
    marks = joined(x, y, severity)
    assert sorted(np.concatenate(marks).tolist()) == list(range(600))
    first = np.array([mark[0] for mark in marks])
    assert (np.diff(severity[first]) <= 0).all()
    for mark in marks:
        assert (np.hypot(x[mark] - x[mark[0]], y[mark] - y[mark[0]]) < JOIN_PX).all()
        assert severity[mark[0]] == severity[mark].max()
    apart = np.hypot(x[first][:, None] - x[first], y[first][:, None] - y[first])
    assert apart[~np.eye(len(first), dtype=bool)].min() >= JOIN_PX


def test_the_graticule() -> None:
    assert graticule(50.2, 53.1) == [50.5, 51.0, 51.5, 52.0, 52.5, 53.0]
    assert graticule(-0.05, 0.06) == pytest.approx([minute / 60 for minute in range(-3, 4)])
    assert degrees_text(-0.5, "E", "W") == "0° 30′ W"
    assert degrees_text(51.0, "N", "S") == "51° N"
    assert degrees_text(181.0, "E", "W") == "179° W"
    assert degrees_text(0.0, "N", "S") == "0°"


def place(site: str, latitude: float | None, longitude: float | None, region: str = "Coast") -> InventoryRow:
    return InventoryRow(
        site, "A", 150.0, site_name=f"Mast {site}", region=region, latitude=latitude, longitude=longitude
    )


def test_the_map_page(fill: Any, client_of: Callable[..., Any]) -> None:
    rows = [
        place("W", 50.0, 4.0),
        place("E<", 52.0, 8.0),
        place("N1", 52.0, 4.0, "Fells"),
        place("N2", 52.0001, 4.0001, "Fells"),
        place("LOST", None, None),
    ]
    with fill.store.writing() as connection:
        replace_site_list(connection, rows, fill.now_us)
    fill.alarm("N2", "A", Condition.SWR_HIGH, Severity.MAJOR)
    client = client_of(fill)
    text = client.get("/map").text
    svg = text[text.index('<svg class="map"') :]
    svg = svg[: svg.index("</svg>")]
    assert svg.count('class="at ') == 3
    assert 'aria-label="2 sites, Mast N2 and others: major"' in svg
    assert ">2</text>" in svg
    assert 'href="/site/W"' in svg
    assert "52° N" in svg
    assert ">Fells</text>" in svg
    assert re.search(r"\d+ km at the middle", svg)
    assert "Mast E<" not in text
    assert "Without coordinates: 1 site" in text
    nearer = re.search(r'href="(/map\?west[^"#]+)', svg)
    assert nearer is not None
    near = client.get(nearer[1].replace("&amp;", "&")).text
    assert "On the map: 2 sites" in near
    assert "No site here" in client.get("/map?text=nowhere").text
    for query in ("west=1", "west=5&east=4&south=1&north=2", "west=x", "west=1&east=nan&south=1&north=2"):
        assert client.get(f"/map?{query}").status_code == 400
