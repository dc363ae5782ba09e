"""The overnight review in a real browser: both widths, light and dark, by keyboard, and for axe-core."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from fastapi import FastAPI
from playwright.sync_api import Page

from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.review.visits import Finding, Trouble, Visit, VisitState
from standingwatch.store.access import Role
from standingwatch.store.reviews import Making, keep, make
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.visits import keep_visit

DAY_US = 86_400_000_000


def night(fill: Any) -> None:
    """Two mornings' reviews of a fleet with something of everything, and one of a region."""

    def review(region: str = "") -> None:
        with fill.store.reading() as connection:
            made = make(connection, region, "Europe/Vienna", fill.now_us, Making())
        with fill.store.writing() as connection:
            assert keep(connection, made) is not None

    fill.sites(8, 3)
    with fill.store.writing() as connection:
        rows = [
            replace(row, latitude=54.0 + int(row.site[1:]) * 0.15, longitude=-3.0)
            for row in load_site_list(connection).rows
        ]
        replace_site_list(connection, rows, fill.now_us)
    fill.hours(88, rising=13)
    fill.now_us -= DAY_US
    fill.alarm("S001", "RPT-2", Condition.SWR_HIGH, Severity.MAJOR, Cause.LOOSE_CONNECTION)
    fill.alarm("S000", "RPT-3", Condition.SWR_STEP, Severity.MINOR, Cause.CONNECTOR)
    review()
    fill.now_us += DAY_US
    fill.clear("S000", "RPT-3", Condition.SWR_STEP)
    soon = LimitForecast("foldback", 2.5, "expected", *(fill.now_us + days * DAY_US for days in (9, 18, 40)))
    fill.alarm("S004", "RPT-2", Condition.SWR_RISING, Severity.MINOR, Cause.CONNECTOR, forecast=(soon,))
    fill.alarm("S002", "RPT-1", Condition.SWR_HIGH, Severity.CRITICAL, Cause.ANTENNA_DAMAGE)
    fill.alarm("S006", "RPT-3", Condition.REPORTS_MISSING, Severity.MINOR, Cause.UNKNOWN)
    fill.alarm("S007", "", Condition.SITE_UNREACHABLE, Severity.MAJOR, Cause.SITE_LINK)
    fill.alarm("", "", Condition.CHANNEL_FAILING, Severity.MAJOR, service="channel email.desk")
    fill.groups()
    fill.shelf(site="S006", up_to=Severity.MAJOR)
    fill.window("S005", "", -1.0, 3.0)
    fill.alarm("S005", "RPT-1", Condition.SWR_INTERMITTENT, Severity.MINOR)
    with fill.store.writing() as connection:
        planned = Visit(0, "S004", VisitState.PLANNED, fill.now_us, fill.now_us, ())
        keep_visit(connection, planned, by="Ada", text="", now_us=fill.now_us)
        trouble = Trouble(
            "RPT-3", Condition.SWR_STEP, (), "within-weeks", True, fill.now_us, found=Cause.CONNECTOR
        )
        over = Visit(0, "S000", VisitState.PROVEN, fill.now_us, fill.now_us, (trouble,), ended_us=fill.now_us)
        over = replace(over, finding=Finding("Ada", fill.now_us, "burnt pin"))
        keep_visit(connection, over, by="Ada", text="", now_us=fill.now_us)
    review()
    review("Coast")


@pytest.fixture
def served(fill: Any, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    night(fill)
    return serve(app_of(fill))


@pytest.fixture
def secret(fill: Any, served: str, session_of: Callable[..., str]) -> str:
    """Vi's, a viewer."""
    return session_of(fill, "Vi", Role.VIEWER)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["desk", "phone"])
@pytest.mark.parametrize("path", ["/review", "/review/1", "/review?region=Coast", "/reviews"])
def test_pages_fit_and_axe_finds_no_violation(
    opened: Callable[..., Page],
    violations: Callable[[Page], list[str]],
    keep_shot: Callable[..., None],
    path: str,
    size: str,
    scheme: str,
) -> None:
    # The policy that keeps strange scripts out keeps axe out too: it is lifted in this browser, nowhere else.
    page = opened(path, size, scheme, bypass_csp=True)
    name = "".join(c if c.isalnum() else "-" for c in path).strip("-")
    keep_shot(page, f"{name}-{size}-{scheme}")
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("innerWidth")
    assert violations(page) == []


def test_from_the_review_to_alarm_line_and_visit(opened: Callable[..., Page]) -> None:
    page = opened("/")
    page.get_by_role("navigation", name="Pages").get_by_role("link", name="Review").click()
    assert page.locator("h1").inner_text() == "Overnight review of the whole fleet, 2026-03-14"
    item = page.locator("li.finding", has_text="S004")
    assert (
        item.locator("svg.course")
        .get_attribute("aria-label")
        .endswith("foldback (2.5:1) expected in about 18 days")
    )
    assert item.get_by_role("link", name="visit 1, planned").get_attribute("href") == "/visit/1"
    item.get_by_role("link", name="RPT-2").click()
    assert page.url.endswith("/site/S004/RPT-2")
    assert "RPT-2" in page.locator("h1").inner_text()
    page.go_back()
    page.locator("li.finding", has_text="S004").get_by_role("link", name="SWR rising").click()
    assert "swr-rising" in page.url
    assert "RPT-2" in page.locator("h1").inner_text()


def test_by_keyboard_from_a_trip_to_its_alarm(opened: Callable[..., Page]) -> None:
    page = opened("/review")
    link = page.locator(".trip-list a[href='#rank-1']")
    link.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**#rank-1")
    top = page.locator("#rank-1").bounding_box()
    assert top is not None
    assert -1 <= top["y"] < page.evaluate("innerHeight")


def test_it_can_be_read_without_its_charts(opened: Callable[..., Page]) -> None:
    page = opened("/review", java_script_enabled=False)
    text = page.locator("main").inner_text()
    for words in (
        "New: ",
        "Ended: 1",
        "As before: 1",
        "Shelved: 1",
        "Under work: 1",
        "Visits decided: 1",
        "Without useful data",
    ):
        assert words in text
