"""Board and alarms at work in a real browser: script and none, keyboard, and a service that goes away."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import pytest
from fastapi import FastAPI
from page_looks import TOO_WIDE
from playwright.sync_api import Page

from standingwatch.detect.words import Condition, Severity

SIZES = ["desk", "phone"]


@pytest.fixture
def served(fill: Any, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    """The address of a server on this machine, with a store that has something of everything."""
    fill.everything()
    fill.groups()
    fill.desk()
    return serve(app_of(fill, automatic_user="Ada"))


FIRST_IN_SIGHT = """
() => [...document.querySelectorAll('th.site a')]
  .map((link) => ({ id: link.id, top: link.getBoundingClientRect().top }))
  .find((link) => link.top >= 0)
"""


def test_refresh_shows_a_new_alarm_and_keeps_focus_and_place(opened: Callable[..., Page], fill: Any) -> None:
    page = opened("/")
    page.locator("#to-S004").focus()
    page.evaluate("scrollTo(0, 260)")
    before = page.evaluate(FIRST_IN_SIGHT)
    # The site goes from the end of the board to a place above what is in sight.
    fill.alarm("S005", "RPT-1", Condition.SWR_HIGH, Severity.CRITICAL)
    page.locator("tbody.critical #to-S005").wait_for(timeout=15_000)
    assert page.evaluate("document.activeElement.id") == "to-S004"
    assert "2 critical" in page.locator("#said").inner_text()
    after = page.evaluate("(id) => document.getElementById(id).getBoundingClientRect().top", before["id"])
    assert after == pytest.approx(before["top"], abs=2.0)


def test_nothing_is_fetched_while_the_page_is_hidden(opened: Callable[..., Page]) -> None:
    page = opened("/")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.evaluate(
        "() => { Object.defineProperty(document, 'hidden', { value: true, configurable: true });"
        "document.dispatchEvent(new Event('visibilitychange')); }"
    )
    page.wait_for_timeout(6_500)
    assert asked == []
    page.evaluate(
        "() => { Object.defineProperty(document, 'hidden', { value: false, configurable: true });"
        "document.dispatchEvent(new Event('visibilitychange')); }"
    )
    page.wait_for_timeout(1_000)
    # The rows once, and the stream that says when there are others.
    assert sorted(urlsplit(address).path for address in asked) == ["/board/rows", "/events/board"]


def test_a_lost_service_is_told(opened: Callable[..., Page]) -> None:
    page = opened("/")
    page.route("**/board/rows*", lambda route: route.fulfill(status=503, body="no"))
    page.locator("#lost").wait_for(state="visible", timeout=20_000)
    assert "what you see is old" in page.locator("#lost").inner_text()
    page.unroute("**/board/rows*")
    page.locator("#lost").wait_for(state="hidden", timeout=20_000)


def test_board_works_without_script_and_by_keyboard(opened: Callable[..., Page]) -> None:
    page = opened("/", java_script_enabled=False)
    page.locator("select[name=severity]").select_option("major")
    page.locator("input[name=text]").focus()
    page.keyboard.type("unreachable")
    page.keyboard.press("Enter")
    page.wait_for_url("**/?severity=major*")
    assert page.locator("table.board tbody").count() == 1
    assert page.locator("table.board").get_by_text("site unreachable").count() == 1


# Handling alarms ----------------------------------------------------------------------------------------

CRITICAL = "swr-high S002/RPT-1"
UNREACHABLE = "site-unreachable S007"


def line(page: Page, name: str) -> Any:
    """The row of an alarm in the list, wherever it is."""
    return page.locator("tr", has=page.locator(f'input[name=chosen][value="{name}"]'))


def choose(page: Page, *names: str) -> None:
    for name in names:
        page.locator(f'input[name=chosen][value="{name}"]').check()


@pytest.mark.parametrize("script", [True, False])
@pytest.mark.parametrize("size", SIZES)
def test_two_alarms_are_chosen_and_acknowledged(opened: Callable[..., Page], size: str, script: bool) -> None:
    page = opened("/alarms", size, java_script_enabled=script)
    choose(page, CRITICAL, UNREACHABLE)
    if script:
        assert page.locator("#chosen-count").inner_text() == "2 chosen"
    page.get_by_role("button", name="Acknowledge", exact=True).click()
    page.wait_for_url("**said=**")
    assert "Acknowledged: 2 alarms" in page.locator("#outcome").inner_text()
    for name in (CRITICAL, UNREACHABLE):
        assert "acknowledged\nby Ada" in line(page, name).locator(".handled").inner_text()
    assert "not acknowledged" in line(page, "swr-rising S001/RPT-2").locator(".handled").inner_text()


@pytest.mark.parametrize("script", [True, False])
def test_an_alarm_is_shelved_and_moves(opened: Callable[..., Page], script: bool) -> None:
    page = opened("/alarms?severity=major", "desk", java_script_enabled=script)
    assert page.locator("#shelved").count() == 0
    choose(page, CRITICAL)
    page.locator("#more-acts summary").click()
    page.get_by_label("Reason").fill("crane at the mast")
    page.get_by_role("button", name="Shelve", exact=True).click()
    page.wait_for_url("**said=**")
    assert "severity=major" in page.url
    assert page.locator("#shelved").inner_text() == "Shelved: 1"
    shelved = page.locator("section", has=page.locator("#shelved"))
    assert "crane at the mast" in shelved.inner_text()
    assert shelved.locator(f'input[value="{CRITICAL}"][name=chosen]').count() == 1
    assert page.locator(f'input[value="{CRITICAL}"][name=chosen]').count() == 1
    page.goto(page.url.split("/alarms")[0] + "/shelves")
    page.get_by_role("button", name="End shelf 2").click()
    page.wait_for_url("**said=**")
    assert "Shelf 2 ended" in page.locator("#outcome").inner_text()


def test_all_shown_ticks_every_box_and_back(opened: Callable[..., Page]) -> None:
    page = opened("/alarms")
    boxes = page.locator("input[name=chosen]")
    page.locator("#all-shown").check()
    assert page.locator("input[name=chosen]:checked").count() == boxes.count() == 10
    boxes.first.uncheck()
    assert page.locator("#chosen-count").inner_text() == "9 chosen"
    assert page.locator("#all-shown").evaluate("(box) => box.indeterminate && !box.checked")
    page.locator("#all-shown").click()
    assert page.locator("input[name=chosen]:checked").count() == 10


def test_all_shown_works_without_script(opened: Callable[..., Page]) -> None:
    page = opened("/alarms?condition=swr-rising", java_script_enabled=False)
    page.locator("#all-shown").check()
    page.get_by_role("button", name="Acknowledge", exact=True).click()
    page.wait_for_url("**said=**")
    assert "Acknowledged: 3 alarms" in page.locator("#outcome").inner_text()


def test_the_enter_key_does_nothing_that_nobody_asked_for(opened: Callable[..., Page]) -> None:
    page = opened("/alarms")
    choose(page, CRITICAL)
    page.locator("#more-acts summary").click()
    for field in ("Person or crew", "Reason"):
        page.get_by_label(field).press("Enter")
    page.wait_for_timeout(300)
    assert "said=" not in page.url
    # By keyboard alone: the button is reached with Tab and pressed with Enter.
    page.get_by_role("button", name="Acknowledge", exact=True).focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**said=**")
    assert "Acknowledged: 1 alarm" in page.locator("#outcome").inner_text()


def test_a_window_of_work_is_entered(opened: Callable[..., Page]) -> None:
    page = opened("/work", "phone")
    page.get_by_label("Site").fill("S005")
    page.get_by_label("Start, in UTC").fill("2026-03-16T07:00")
    page.get_by_label("End, in UTC").fill("2026-03-16T11:00")
    page.get_by_label("Note").fill("new jumper")
    page.get_by_role("button", name="Enter the window").click()
    page.wait_for_url("**said=**")
    coming = page.locator("section", has=page.locator("#coming")).inner_text()
    assert "2026-03-16 07:00 UTC" in coming
    assert "2026-03-16 11:00 UTC" in coming
    assert page.evaluate(TOO_WIDE) <= 0


@pytest.mark.parametrize("size", SIZES)
def test_the_bar_of_acts_fits_when_it_is_open(opened: Callable[..., Page], size: str) -> None:
    page = opened("/alarms", size)
    page.locator("#more-acts summary").click()
    assert page.evaluate(TOO_WIDE) <= 0
    box = page.locator(".acts").bounding_box()
    assert box is not None
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= page.evaluate("innerHeight") + 1
