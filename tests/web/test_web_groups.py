"""Alarms about regions and groups, and forecasts, on every page and in the data."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from standingwatch.detect.interface import LimitForecast
from standingwatch.web import words

GROUP = "2 transmitters: RPT-1, RPT-2"
REGION = "7 transmitters: S002/RPT-1, S002/RPT-2, S002/RPT-3, S005/RPT-1, S005/RPT-2, S005/RPT-3 and 1 more"


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    fill.groups()
    return client_of(fill)


def row_of(page: str, site: str) -> str:
    """The board's part about a site."""
    [part] = [body for body in re.findall(r"<tbody.*?</tbody>", page, re.S) if f'"to-{site}"' in body]
    return part


def test_the_board_shows_a_region_once_and_names_it_at_its_sites(client: Any) -> None:
    page = client.get("/board/rows").text
    regions = page.split('id="regions"')[1].split("</section>")[0]
    assert "<b>Marches</b>" in regions
    assert REGION in regions
    assert "weather of the region" in regions
    assert page.count(REGION) == 1
    for site, is_member in (("S002", True), ("S005", True), ("S004", False)):
        assert ("region Marches" in row_of(page, site)) == is_member
    # A member without an alarm of its own carries the region's severity, and no tick.
    assert '<tbody role="rowgroup" class="warning"' in row_of(page, "S005")
    assert "in the region’s alarm" in row_of(page, "S005")


def test_the_board_shows_a_group_and_its_forecast(client: Any) -> None:
    row = row_of(client.get("/board/rows").text, "S003")
    assert "several transmitters" in row
    assert "whole site" not in row
    assert GROUP in row
    assert "foldback (SWR 2.5) about 2026-04-01" in row
    assert "whole site" in row_of(client.get("/board/rows").text, "S007")


def test_the_alarms_page_lists_members_and_the_limits_that_matter(client: Any) -> None:
    standing, past = client.get("/alarms").text.split('id="past"')
    assert "Standing: 8" in standing
    assert GROUP in standing
    assert REGION in standing
    assert 'href="/?region=Marches"' in standing
    # The others are on the alarm's own page.
    assert "<li>SWR 1.5: reached</li>" not in standing
    assert "<li>SWR 1.5: reached</li>" in client.get("/alarm?subject=S003&condition=swr-rising").text
    assert "<li>foldback (SWR 2.5): about 2026-04-01 (from 2026-03-20 to 2026-04-23)</li>" in standing
    assert "<li>tolerance (SWR 3.0): the trend is &lt;too&gt; weak</li>" in standing
    assert '<span class="quiet">region</span> Marches' in past
    # An alarm about one whole site has no members to list, and says so as before.
    assert standing.count('<span class="quiet">whole site</span>') == 1


@pytest.mark.parametrize(
    ("site", "region", "group"), [("S002", True, False), ("S003", False, True), ("S004", False, False)]
)
def test_a_site_page_shows_the_groups_that_the_site_is_in(
    client: Any, site: str, region: bool, group: bool
) -> None:
    standing = client.get(f"/site/{site}").text.split('id="matches"')[0]
    assert (REGION in standing) == region
    assert (GROUP in standing) == group
    assert ("foldback (SWR 2.5): about 2026-04-01" in standing) == group


def test_the_data_has_all_of_it(client: Any) -> None:
    board = client.get("/api/board").json()
    [region] = board["region_alarms"]
    assert (region["site"], region["transmitter"], region["region"]) == (None, None, "Marches")
    assert len(region["members"]) == 7
    sites = {site["site"]: site for site in board["sites"]}
    [group] = sites["S003"]["alarms"]
    assert (group["region"], group["members"]) == (None, ["S003/RPT-1", "S003/RPT-2"])
    assert [(f["limit"], f["expected"]) for f in group["forecast"]] == [
        ("swr-1.5", None),
        ("foldback", "2026-04-01T09:26:53Z"),
        ("tolerance", None),
    ]
    assert sites["S005"]["severity"] == "warning"
    assert sites["S005"]["alarms"] == []
    assert board["alarms"]["warning"] == 2


@pytest.mark.parametrize(
    ("query", "shown", "sites"),
    [
        ("", True, None),
        ("?region=Marches", True, {"S002", "S005"}),
        ("?region=Coast", False, {"S001", "S004", "S007"}),
        ("?severity=warning", True, {"S001", "S002", "S003", "S004", "S005", "S006", "S007"}),
        ("?severity=minor", False, {"S001", "S002", "S003", "S006", "S007"}),
        ("?text=swr-weather", True, {"S002", "S005"}),
        ("?text=nowhere", False, set()),
    ],
)
def test_a_choice_counts_for_regions_too(
    client: Any, query: str, shown: bool, sites: set[str] | None
) -> None:
    board = client.get(f"/api/board{query}").json()
    assert bool(board["region_alarms"]) == shown
    assert ('id="regions"' in client.get(f"/board/rows{query}").text) == shown
    if sites is not None:
        assert {site["site"] for site in board["sites"]} == sites


@pytest.mark.parametrize("path", ["/", "/alarms", "/site/S005", "/site/S003"])
def test_names_of_members_and_reasons_are_escaped(client: Any, path: str) -> None:
    page = client.get(path).text
    assert "<x>" not in page
    assert "<too>" not in page


@pytest.mark.parametrize(
    ("forecast", "said"),
    [
        (LimitForecast("swr-2", 2.0, "expected", None, 86_400_000_000, None), "SWR 2: about 1970-01-02"),
        (
            LimitForecast("foldback", 2.5, "expected", 0, 86_400_000_000, None),
            "foldback (SWR 2.5): about 1970-01-02 (from 1970-01-01 on, or never)",
        ),
        (LimitForecast("tolerance", 3.0, "reached", 0, 0, 0), "tolerance (SWR 3.0): reached"),
        (
            LimitForecast("foldback", 2.5, "expected", 0, 1, 2),
            "foldback (SWR 2.5): was expected about 1970-01-01",
        ),
    ],
)
def test_outlook_of_a_limit(forecast: LimitForecast, said: str) -> None:
    assert words.limit_outlook(forecast, 3_600_000_000) == said


def test_each_database_shows_groups(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill_each.everything()
    fill_each.groups()
    client = client_of(fill_each)
    assert REGION in client.get("/alarms").text
    assert GROUP in client.get("/site/S003").text
