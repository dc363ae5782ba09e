"""The pages as axe-core sees them, and what the board, map, intake and bench do in a real browser."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from fastapi import FastAPI
from playwright.sync_api import Browser, Page, sync_playwright
from prometheus_client import CollectorRegistry

from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import FleetDefaults
from standingwatch.settings import LimitsSettings
from standingwatch.store.access import Role, add_user, begin_session
from standingwatch.store.looks import keep_look
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.app import create_app

HERE = Path(__file__).parent
HOUR_US = 3_600_000_000
SIZES = {"desk": (1366, 768), "phone": (390, 844)}
BENCH = "/bench?forward=100&reflected=4&loss_db=2&directivity_db=25&protection=foldback"
UNKNOWN = "standingwatch/report/S003/NEW-9"
PAGES = {
    "board": "/",
    "narrowed board": "/?condition=swr-rising&state=unkeyed&sort=time-left",
    "nothing": "/?text=nowhere",
    "since": "/since",
    "map": "/map",
    "intake": "/intake",
    "accept": f"/intake/accept?topic={UNKNOWN}",
    "bench": "/bench",
    "sheet": BENCH,
    "bad sheet": "/bench?forward=x&reflected=4",
    "site": "/site/S004",
    "line": "/site/S004/RPT-2",
    "alarms": "/alarms",
    "alarm": "/alarm?subject=S001%2FRPT-2&condition=swr-high",
    "shelves": "/shelves",
    "work": "/work",
    "system": "/alarm-system",
    "review": "/review",
    "visits": "/visits",
    "account": "/account",
    "users": "/users",
    "missing": "/none",
    "sign-in": "/sign-in",
}


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The text of axe-core, as `package-lock.json` pins it."""
    script = Path("node_modules/axe-core/axe.min.js")
    if not (HERE / script).exists():
        folder = tmp_path_factory.mktemp("npm")
        for name in ("package.json", "package-lock.json"):
            shutil.copyfile(HERE / name, folder / name)
        command = ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
        subprocess.run(command, cwd=folder, check=True, timeout=120)
        return (folder / script).read_text(encoding="utf-8")
    return (HERE / script).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = shutil.which("chromium")
    assert found is not None, "chromium is not installed; tests/run installs what the tests need"
    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync"]
        browser = playwright.chromium.launch(executable_path=found, args=arguments)
        yield browser
        browser.close()


def application(fill: Any) -> FastAPI:
    return create_app(
        fill.store,
        clock=lambda: fill.now_us,
        registry=CollectorRegistry(),
        fleet_defaults=FleetDefaults(),
        limits=LimitsSettings(),
        notice="All data on these pages is invented.",
    )


@pytest.fixture
def served(fill: Any) -> Iterator[str]:
    """The address of a server with a store that has something of everything, and an unknown transmitter."""
    fill.everything()
    fill.groups()
    fill.desk()
    payload = b'{"forward_w": 40, "reflected_w": 1, "frequency_mhz": 153.2}'
    with fill.store.writing() as connection:
        reports = [
            RefusedReport(fill.now_us - n * 60_000_000, UNKNOWN, payload, "unknown-transmitter", "add it")
            for n in range(5)
        ]
        refuse(connection, reports)
        keep_look(connection, "Ada", fill.now_us - 3 * HOUR_US)
    app = application(fill)
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        assert thread.is_alive(), "the server did not start"
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    app.state.streams.close()
    server.should_exit = True
    thread.join(10)
    assert not thread.is_alive(), "the server did not stop"
    listening.close()


@pytest.fixture
def opened(browser: Browser, served: str, fill: Any) -> Iterator[Callable[..., Page]]:
    """Opens a page as Ada, an administrator; at the end no page may have asked another host for anything."""
    with fill.store.writing() as connection:
        add_user(connection, "Ada", Role.ADMINISTRATOR, "", fill.now_us)
        secret = begin_session(connection, "Ada", fill.now_us, fill.now_us + 48 * HOUR_US)
    contexts, strange = [], []

    def open_page(path: str, size: str = "desk", signed_in: bool = True, **more: Any) -> Page:
        width, height = SIZES[size]
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        if signed_in:
            context.add_cookies([{"name": SESSION_COOKIE, "value": secret, "url": served}])
        page = context.new_page()
        page.on("request", lambda request: strange.append(request.url))
        page.on("pageerror", lambda error: strange.append(f"error: {error}"))
        page.goto(served + path)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert [one for one in strange if not one.startswith((served, "blob:", "data:"))] == []


VIOLATIONS = """
async () => (await axe.run(document, { resultTypes: ['violations'] })).violations.map((one) =>
  `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)).join(' | ')}`)
"""


@pytest.mark.parametrize("size", list(SIZES))
@pytest.mark.parametrize("name", list(PAGES))
def test_axe_finds_no_violation(
    opened: Callable[..., Page], axe: str, tmp_path: Path, name: str, size: str
) -> None:
    # The policy that keeps strange scripts out keeps axe out too: it is lifted in this browser, nowhere else.
    scheme = "dark" if size == "phone" else "light"
    page = opened(PAGES[name], size, name != "sign-in", bypass_csp=True, color_scheme=scheme)
    shots = Path(os.environ.get("STANDINGWATCH_SHOTS", tmp_path))
    page.screenshot(path=shots / f"fleet-{name.replace(' ', '-')}-{size}.png", full_page=True)
    page.add_script_tag(content=axe)
    assert page.evaluate(VIOLATIONS) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]


def test_axe_would_find_a_violation(opened: Callable[..., Page], axe: str) -> None:
    page = opened("/bench", bypass_csp=True)
    page.add_script_tag(content=axe)
    page.evaluate("document.querySelector('main').innerHTML += '<img src=\"/static/mark.svg\"><input>'")
    found = page.evaluate(VIOLATIONS)
    assert {one.partition(":")[0] for one in found} >= {"image-alt", "label"}


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
