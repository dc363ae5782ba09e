"""What the board, map, intake and bench do in a real browser."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from playwright.sync_api import Page

from standingwatch.detect.words import Condition, Severity
from standingwatch.store.access import Role


@pytest.fixture
def served(fill: Any, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    """The address of a server with a store that has something of everything, and an unknown transmitter."""
    fill.everything()
    fill.groups()
    fill.desk()
    fill.strange()
    return serve(app_of(fill))


@pytest.fixture
def secret(fill: Any, served: str, session_of: Callable[..., str]) -> str:
    """Ada's, an administrator."""
    return session_of(fill, "Ada", Role.ADMINISTRATOR)


def test_a_new_alarm_shows_by_the_stream(opened: Callable[..., Page], fill: Any) -> None:
    page = opened("/")
    with page.expect_request("**/events/board", timeout=10_000):
        pass
    page.wait_for_timeout(6_000)
    begin = time.monotonic()
    fill.alarm("S005", "RPT-1", Condition.SWR_HIGH, Severity.CRITICAL)
    page.locator("tbody.critical #to-S005").wait_for(timeout=15_000)
    # Asking at intervals alone would take up to ten seconds; this is no bound on speed, the wait above is.
    assert time.monotonic() - begin < 15
    assert page.locator("#since-new b").inner_text() == "11"


def test_pages_are_kept_fresh_where_no_stream_is_to_be_had(opened: Callable[..., Page], fill: Any) -> None:
    page = opened("/alarms")
    page.route("**/events/board", lambda route: route.fulfill(status=503, body="full"))
    page.goto(page.url.replace("/alarms", "/"))
    fill.alarm("S005", "RPT-1", Condition.SWR_HIGH, Severity.CRITICAL)
    page.locator("tbody.critical #to-S005").wait_for(timeout=20_000)


def test_what_is_known_already_is_not_sent_again(opened: Callable[..., Page]) -> None:
    page, answers = opened("/"), []
    page.on("response", lambda r: answers.append(r.status) if "/board/rows" in r.url else None)
    page.wait_for_timeout(17_000)
    assert answers[0] == 200
    assert 304 in answers


def test_arrows_go_from_site_to_site(opened: Callable[..., Page]) -> None:
    page = opened("/")
    links = page.locator("th.site a")
    links.first.focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowUp")
    assert page.evaluate("document.activeElement.id") == links.nth(1).get_attribute("id")


@pytest.mark.parametrize("script", [True, False])
def test_having_looked_is_kept(opened: Callable[..., Page], script: bool) -> None:
    page = opened("/", java_script_enabled=script)
    assert page.locator("#since-new b").inner_text() == "10"
    page.locator("#have-looked").click()
    page.wait_for_url("**said=**")
    assert page.locator("#since-new b").inner_text() == "0"
    assert "Seen: what changes after" in page.locator("#outcome").inner_text()


def test_an_unknown_transmitter_is_accepted_with_a_click(opened: Callable[..., Page]) -> None:
    page = opened("/intake", "phone")
    page.get_by_role("button", name="Accept S003/NEW-9 as suggested").click()
    page.wait_for_url("**said=**")
    assert "S003/NEW-9 is on the site list" in page.locator("#outcome").inner_text()
    page.goto(page.url.partition("/intake")[0] + "/?text=new-9")
    row = page.locator("table.board tr", has_text="NEW-9")
    assert "153.2 MHz" in row.inner_text()


def test_the_map_leads_to_a_site(opened: Callable[..., Page]) -> None:
    page = opened("/map")
    assert "Without coordinates: 8 sites" in page.locator("#without").inner_text()
    page.get_by_role("link", name="Lantern Hill 2").click()
    page.wait_for_url("**/site/S007")


def test_the_bench_works_without_script(opened: Callable[..., Page]) -> None:
    page = opened("/bench", java_script_enabled=False)
    page.get_by_label("Forward power", exact=True).fill("100")
    page.get_by_label("Reflected power", exact=True).fill("4")
    page.get_by_label("Reflected power", exact=True).press("Enter")
    page.wait_for_url("**/bench?forward=100**")
    row = page.locator("table.sheet tr", has_text="SWR").first
    assert "1.500:1" in page.locator("table.sheet tbody tr").first.inner_text()
    assert row.count() == 1
