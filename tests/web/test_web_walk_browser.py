"""Pages by keyboard alone, and what has to fit on one line at a desk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from playwright.sync_api import Page

from standingwatch.store.access import Role

PAGES = {
    "board": "/",
    "map": "/map",
    "alarms": "/alarms",
    "alarm": "/alarm?subject=S001%2FRPT-2&condition=swr-high",
    "line": "/site/S004/RPT-2",
    "site": "/site/S004",
    "bench": "/bench",
    "intake": "/intake",
    "users": "/users",
}


@pytest.fixture
def served(fill: Any, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    fill.everything()
    fill.groups()
    fill.desk()
    return serve(app_of(fill))


@pytest.fixture
def secret(fill: Any, served: str, session_of: Callable[..., str]) -> str:
    """Ada's, an administrator."""
    return session_of(fill, "Ada", Role.ADMINISTRATOR)


#: Numbers everything that a mouse can use; what has no number of its own lies in something closed.
NUMBERED = """
() => {
  const all = 'a[href], button, input:not([type=hidden]), select, textarea, summary';
  const found = [...document.querySelectorAll(all)]
    .filter((e) => e.checkVisibility({ visibilityProperty: true }) && e.tabIndex >= 0 && !e.disabled);
  found.forEach((e, i) => { e.dataset.walk = i; });
  return found.length;
}
"""

#: The number of what has the focus, and whether that can be seen; null outside of the page.
FOCUSED = """
() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const style = getComputedStyle(e);
  const seen = parseFloat(style.outlineWidth) >= 2 && style.outlineStyle !== 'none'
    || e.matches('.skip, [type=checkbox], [type=radio]') || e.closest('svg.map') !== null;
  return [e.dataset.walk === undefined ? -1 : Number(e.dataset.walk), seen, e.outerHTML.slice(0, 120)];
}
"""


def walked(page: Page, count: int) -> tuple[list[int], list[str]]:
    """Press Tab from top to end of a page: numbers in their order, and what does not show its focus."""
    reached: list[int] = []
    unseen = []
    # What can be scrolled and the fields of a date are stops of their own.
    for _ in range(3 * count + 20):
        page.keyboard.press("Tab")
        focused = page.evaluate(FOCUSED)
        if focused is None:
            break
        number, seen, html = focused
        if not seen:
            unseen.append(html)
        if number >= 0 and (not reached or reached[-1] != number):
            reached.append(number)
    return reached, unseen


@pytest.mark.parametrize("name", list(PAGES))
def test_tab_reaches_everything_in_order_and_shows_where_it_is(
    opened: Callable[..., Page], name: str
) -> None:
    for _ in range(3):
        page = opened(PAGES[name])
        count = page.evaluate(NUMBERED)
        reached, unseen = walked(page, count)
        # Where the board was made anew meanwhile, the numbers are gone: then once more from the beginning.
        if page.evaluate("document.querySelectorAll('[data-walk]').length") == count:
            break
    assert reached == list(range(count))
    assert unseen == []


def test_the_skip_link_leads_to_the_content(opened: Callable[..., Page]) -> None:
    page = opened("/alarms")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    inside = page.evaluate("document.getElementById('main').contains(document.activeElement)")
    assert inside


@pytest.mark.parametrize("address", ["/", "/?text=RPT", "/alarms"])
def test_filters_stand_in_one_row_at_a_desk(opened: Callable[..., Page], address: str) -> None:
    page = opened(address)
    tops = page.evaluate(
        "[...document.querySelectorAll('form.filter > *')].map((e) => e.getBoundingClientRect())"
        ".map((box) => Math.round(box.top + box.height / 2))"
    )
    assert len(tops) >= 6
    assert max(tops) - min(tops) <= 6


def test_a_text_opens_and_closes_by_keyboard(opened: Callable[..., Page]) -> None:
    page = opened("/alarms")
    details = page.locator("details.words").first
    assert not details.locator("p").is_visible()
    details.locator("summary").focus()
    page.keyboard.press("Enter")
    assert details.locator("p").is_visible()
