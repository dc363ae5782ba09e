"""The overnight review in a real browser: both widths, light and dark, by keyboard, and for axe-core."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright
from prometheus_client import CollectorRegistry
from sqlalchemy import insert

from standingwatch.detect.interface import LimitForecast
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import FleetDefaults
from standingwatch.review.visits import Finding, Trouble, Visit, VisitState
from standingwatch.settings import LimitsSettings
from standingwatch.store import tables
from standingwatch.store.access import Role, add_user, begin_session
from standingwatch.store.reviews import Making, keep, make
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.visits import keep_visit
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.app import create_app

HERE = Path(__file__).parent
DAY_US = 86_400_000_000
SIZES = {"desk": (1366, 768), "phone": (390, 844)}
VIOLATIONS = """
async () => (await axe.run(document, { resultTypes: ['violations'] })).violations.map((one) =>
  `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)).join(' | ')}`)
"""


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The text of axe-core, as `package-lock.json` pins it."""
    script = Path("node_modules/axe-core/axe.min.js")
    if (HERE / script).exists():
        return (HERE / script).read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("npm")
    for name in ("package.json", "package-lock.json"):
        shutil.copyfile(HERE / name, folder / name)
    command = ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
    subprocess.run(command, cwd=folder, check=True, timeout=120)
    return (folder / script).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = shutil.which("chromium")
    assert found is not None, "chromium is not installed; tests/run installs what the tests need"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


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
    visit = {
        "urgency": "within-weeks",
        "proposed_us": fill.now_us,
        "changed_us": fill.now_us,
        "reasons": "[]",
    }
    with fill.store.writing() as connection:
        connection.execute(insert(tables.visits).values(site="S004", state="planned", **visit))
        trouble = Trouble(
            "RPT-3", Condition.SWR_STEP, (), "within-weeks", True, fill.now_us, found=Cause.CONNECTOR
        )
        over = Visit(0, "S000", VisitState.PROVEN, fill.now_us, fill.now_us, (trouble,), ended_us=fill.now_us)
        over = replace(over, finding=Finding("Ada", fill.now_us, "burnt pin"))
        keep_visit(connection, over, by="Ada", text="", now_us=fill.now_us)
    review()
    review("Coast")


@pytest.fixture
def opened(browser: Browser, fill: Any) -> Iterator[Callable[..., Page]]:
    """Opens a page as a viewer; at the end no page may have complained, or asked another host."""
    night(fill)
    app = create_app(
        fill.store,
        clock=lambda: fill.now_us,
        registry=CollectorRegistry(),
        fleet_defaults=FleetDefaults(),
        limits=LimitsSettings(),
    )
    listening = socket.create_server(("127.0.0.1", 0))
    served = f"http://127.0.0.1:{listening.getsockname()[1]}"
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        assert thread.is_alive(), "the server did not start"
        time.sleep(0.01)
    with fill.store.writing() as connection:
        add_user(connection, "Vi", Role.VIEWER, "", fill.now_us)
        secret = begin_session(connection, "Vi", fill.now_us, fill.now_us + DAY_US)
    contexts, complaints = [], []

    def open_page(path: str, size: str = "desk", **more: Any) -> Page:
        width, height = SIZES[size]
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        context.add_cookies([{"name": SESSION_COOKIE, "value": secret, "url": served}])
        page = context.new_page()
        page.on("request", lambda request: complaints.append(request.url))
        page.on("pageerror", lambda error: complaints.append(f"error: {error}"))
        page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
        page.goto(served + path)
        return page

    yield open_page
    for context in contexts:
        context.close()
    server.should_exit = True
    thread.join(10)
    listening.close()
    assert [one for one in complaints if not one.startswith(served)] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("path", ["/review", "/review/1", "/review?region=Coast", "/reviews"])
def test_pages_fit_and_axe_finds_no_violation(
    opened: Callable[..., Page], axe: str, tmp_path: Path, path: str, size: str, scheme: str
) -> None:
    # The policy that keeps strange scripts out keeps axe out too: it is lifted in this browser, nowhere else.
    page = opened(path, size, color_scheme=scheme, bypass_csp=True)
    shots = Path(os.environ.get("STANDINGWATCH_SHOTS", tmp_path))
    name = "".join(c if c.isalnum() else "-" for c in path).strip("-")
    page.screenshot(path=shots / f"{name}-{size}-{scheme}.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]
    page.add_script_tag(content=axe)
    assert page.evaluate(VIOLATIONS) == []


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
    assert -1 <= top["y"] < SIZES["desk"][1]


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
