"""Pictures of every page, at both sizes, light and dark, by one command:

    python tests/web/screens.py OUT [--demo DIR] [--only NAME ...] [--size desk] [--scheme light]
    python tests/web/screens.py deploy/guide/pictures --demo DIR --guide

It runs the demo until a night's review is there, stops it, and serves its store again with a clock that
stands still: so all pictures are of one moment, and of pages with what an invented fleet of 40 sites has to
tell. A second run with the same `--demo` folder takes the store that is there: so a change is looked
at. Then the states that a running service does not show: nothing there yet, no data for 25 minutes, a store
that fails. It says which pages are wider than their window; else nothing is asserted: people look at them.
"""

from __future__ import annotations

import argparse
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import uvicorn
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select

from standingwatch.inventory import FleetDefaults, InventoryRow
from standingwatch.settings import AccessSettings, LimitsSettings
from standingwatch.store import tables
from standingwatch.store.access import Role, add_user, begin_session
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.reports import horizon
from standingwatch.store.reviews import list_reviews
from standingwatch.store.sites import replace_site_list
from standingwatch.store.visits import begin_visit, finish_visit, load_visits, plan_visit
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.app import create_app

SIZES = {"desk": (1366, 768), "phone": (390, 844)}
SCHEMES = ("light", "dark")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--hide-scrollbars"]
#: Pictures of the guide: one window of a page each, at a desk in the light.
GUIDE = {"board": "board", "line-rising": "line"}
COLOURS = 64
HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
NOTICE = "Demo: all data is invented, country, sites, weather, faults and readings."

#: What the demo is given to come to a night's review: its time runs 300 times as fast as life [s].
REVIEW_WITHIN_S = 420.0


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("out", type=Path, help="folder for the pictures")
    parser.add_argument("--demo", type=Path, help="folder of the demo's store, kept for the next run")
    parser.add_argument("--only", nargs="*", default=[], help="names of pages, or how they begin")
    parser.add_argument("--size", choices=list(SIZES), help="one size alone")
    parser.add_argument("--scheme", choices=SCHEMES, help="one scheme alone")
    parser.add_argument("--guide", action="store_true", help="those that README and guide show, and no other")
    given = parser.parse_args()
    if given.guide:
        given.size, given.scheme = "desk", "light"
    given.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        file = (given.demo or Path(folder)) / "demo.sqlite"
        if not file.exists():
            live(file)
        # The store is looked at in a copy: what people do on the pages stays out of the next run.
        copy = shutil.copyfile(file, Path(folder) / "looked-at.sqlite")
        store = Store(f"sqlite:///{copy}")
        # A folder that is kept may be of a time before the newest tables.
        store.migrate()
        take(given, store, Path(folder))


def live(file: Path) -> None:
    """Run the demo until it has made an overnight review, and stop it."""
    file.parent.mkdir(parents=True, exist_ok=True)
    with closing(socket.create_server(("127.0.0.1", 0))) as free:
        port = str(free.getsockname()[1])
    command = [sys.executable, "-m", "standingwatch", "demo", "--port", port, "--folder", str(file.parent)]
    process = subprocess.Popen(command)
    try:
        end = time.monotonic() + REVIEW_WITHIN_S
        while not _has_review(file):
            if process.poll() is not None or time.monotonic() > end:
                sys.exit(f"the demo made no review within {REVIEW_WITHIN_S:.0f} s")
            time.sleep(2.0)
    finally:
        process.terminate()
        process.wait(60)
    store = Store(f"sqlite:///{file}")
    # The last connection that closes puts everything into the one file.
    store.close()


def _has_review(file: Path) -> bool:
    if not file.exists():
        return False
    store = Store(f"sqlite:///{file}")
    try:
        with store.reading() as connection:
            return horizon(connection) is not None and bool(list_reviews(connection, None, 1))
    finally:
        store.close()


# Serving ------------------------------------------------------------------------------------------------


@contextmanager
def served(store: Store, now_us: int, access: AccessSettings | None = None) -> Iterator[str]:
    """The address of a server of a store, at one moment."""
    app = create_app(
        store,
        clock=lambda: now_us,
        registry=CollectorRegistry(),
        fleet_defaults=FleetDefaults(),
        limits=LimitsSettings(),
        notice=NOTICE,
        access=access,
    )
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        app.state.streams.close()
        server.should_exit = True
        thread.join(10)
        listening.close()


def sign_in(store: Store, now_us: int, name: str, role: Role) -> str:
    """Somebody who is signed in, without a password: the secret of the session."""
    with store.writing() as connection:
        add_user(connection, name, role, "", now_us)
        return begin_session(connection, name, now_us, now_us + 2 * DAY_US)


def newest_us(store: Store) -> int:
    """When the last report was taken in [Unix microseconds]."""
    with store.reading() as connection:
        return int(connection.execute(select(func.max(tables.arrivals.c.received_us))).scalar_one())


def walk_visits(store: Store, now_us: int) -> dict[str, int]:
    """Bring some of the proposed visits further, so that there is one of each state; numbers by state."""
    with store.writing() as connection:
        numbers = [visit.number for visit in load_visits(connection) if visit.is_open]
        named = dict(zip(("proposed", "planned", "under-way", "done"), sorted(numbers), strict=False))
        for state, number in named.items():
            if state != "proposed":
                plan_visit(
                    connection,
                    number,
                    by="Ada",
                    now_us=now_us - 30 * HOUR_US,
                    planned_for_us=now_us + 20 * HOUR_US,
                    crew="Mast crew North",
                    access="Key at the farm below the site; call the duty officer before the gate.",
                    antenna_gain_dbi=6.0,
                )
            if state in ("under-way", "done"):
                end_us = now_us + 8 * HOUR_US
                begin_visit(connection, number, by="Ada", now_us=now_us - 28 * HOUR_US, until_us=end_us)
            if state == "done":
                finish_visit(connection, number, by="Ada", now_us=now_us - 24 * HOUR_US)
    return named


# Pages --------------------------------------------------------------------------------------------------


def pages_of(store: Store, now_us: int) -> dict[str, str]:
    """The address of every page, by name; of those about one thing, about the one that tells most."""
    pages = {
        "board": "/",
        "board-narrowed": "/?severity=major&sort=time-left",
        "board-nothing": "/?text=nowhere",
        "since": "/since",
        "map": "/map",
        "alarms": "/alarms",
        "shelves": "/shelves",
        "work": "/work",
        "alarm-system": "/alarm-system",
        "review": "/review",
        "reviews": "/reviews",
        "visits": "/visits",
        "intake": "/intake",
        "bench": "/bench",
        "bench-filled": "/bench?forward=100&reflected=4&loss_db=2&directivity_db=25&protection=foldback",
        "bench-wrong": "/bench?forward=x&reflected=4",
        "account": "/account",
        "users": "/users",
        "audit": "/audit",
        "sign-in": "/sign-in?next=%2F",
        "problem-404": "/none",
        "problem-400": "/?severity=loud",
    }
    with store.reading() as connection:
        alarms = sorted(load_alarms(connection, standing_only=True).values(), key=lambda a: -a.severity)
    single = [alarm for alarm in alarms if alarm.key.transmitter]
    rising = [alarm for alarm in single if alarm.forecast] or single
    for name, alarm in (("", single[:1]), ("-rising", rising[:1])):
        for one in alarm:
            key = one.key
            pages[f"site{name}"] = f"/site/{key.site}"
            pages[f"line{name}"] = f"/site/{key.site}/{key.transmitter}"
            pages[f"alarm{name}"] = (
                f"/alarm?subject={key.site}%2F{key.transmitter}&condition={key.condition.value}"
            )
    if single:
        key = single[0].key
        pages["line-raw"] = f"/site/{key.site}/{key.transmitter}?as=return-loss&days=1"
    for state, number in walk_visits(store, now_us).items():
        pages[f"visit-{state}"] = f"/visit/{number}"
        if state == "planned":
            pages["sheet"] = f"/visit/{number}/sheet"
    return pages


def empty_pages() -> dict[str, str]:
    """Pages before anything was taken in."""
    names = (
        "map",
        "alarms",
        "shelves",
        "work",
        "alarm-system",
        "review",
        "reviews",
        "visits",
        "intake",
        "users",
    )
    return {"empty-board": "/", "empty-since": "/since", **{f"empty-{name}": f"/{name}" for name in names}}


class Camera:
    """Takes pictures, in every way that was asked for.

    Args:
        browser: what opens the pages.
        given: what was asked for.
    """

    def __init__(self, browser: Browser, given: argparse.Namespace) -> None:
        self._browser, self._given = browser, given

    def take(self, address: str, pages: dict[str, str], secret: str = "") -> None:
        """Pictures of pages of a server, as the person whose session it is."""
        for size, (width, height) in SIZES.items():
            for scheme in SCHEMES:
                if self._given.size not in (None, size) or self._given.scheme not in (None, scheme):
                    continue
                context = self._browser.new_context(
                    viewport={"width": width, "height": height},
                    color_scheme=scheme,
                    device_scale_factor=2 if size == "phone" else 1,
                )
                if secret:
                    context.add_cookies([{"name": SESSION_COOKIE, "value": secret, "url": address}])
                page = context.new_page()
                for name, path in pages.items():
                    if self._given.guide:
                        self._shoot(page, address + path, name)
                    elif not self._given.only or name.startswith(tuple(self._given.only)):
                        self._shoot(page, address + path, f"{name}-{size}-{scheme}")
                context.close()

    def _shoot(self, page: Page, address: str, name: str) -> None:
        page.goto(address, wait_until="load")
        if page.locator("#chart").count():
            # Drawn, or told why not.
            page.locator("#chart[data-drawn], #failed").first.wait_for(timeout=60_000)
        width = page.evaluate("document.documentElement.scrollWidth")
        wide = page.viewport_size["width"] if page.viewport_size else width
        page.screenshot(path=self._given.out / f"{name}.png", full_page=not self._given.guide)
        told = f": {width - wide} px wider than its window" if width > wide else ""
        sys.stdout.write(f"{name}.png{told}\n")


def take(given: argparse.Namespace, store: Store, folder: Path) -> None:
    """All pictures."""
    now_us = newest_us(store) + 5_000_000
    pages = pages_of(store, now_us)
    secret = sign_in(store, now_us, "Ada", Role.ADMINISTRATOR)
    viewer = sign_in(store, now_us, "Vi", Role.VIEWER)
    empty, broken = (
        Store(f"sqlite:///{folder / 'empty.sqlite'}"),
        Store(f"sqlite:///{folder / 'none.sqlite'}"),
    )
    empty.migrate()
    waiting = Store(f"sqlite:///{shutil.copyfile(_flat(empty, folder), folder / 'waiting.sqlite')}")
    with waiting.writing() as connection:
        rows = [InventoryRow(site="alder-ridge", transmitter="rpt-1", frequency_mhz=155.3)]
        replace_site_list(connection, rows, now_us)
    if given.guide:
        with sync_playwright() as playwright, served(store, now_us) as address:
            found = shutil.which("chromium")
            browser = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
            camera = Camera(browser, given)
            camera.take(address, {GUIDE[name]: pages[name] for name in GUIDE}, secret)
            browser.close()
        for file in GUIDE.values():
            # So few colours make it a third as large, and are all that the pages have.
            with Image.open(given.out / f"{file}.png") as picture:
                picture.quantize(COLOURS).save(given.out / f"{file}.png", optimize=True)
        return
    with sync_playwright() as playwright:
        found = shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        camera = Camera(browser, given)
        steps: list[tuple[Store, int, Callable[[str], None]]] = [
            (store, now_us, lambda at: camera.take(at, pages, secret)),
            (store, now_us, lambda at: camera.take(at, {"problem-403": "/users"}, viewer)),
            (store, now_us, lambda at: camera.take(at, {"signed-out": "/"})),
            (store, now_us + 25 * 60_000_000, lambda at: camera.take(at, _stale(pages), secret)),
        ]
        for of, at_us, shoot in steps:
            with served(of, at_us) as address:
                shoot(address)
        for name, of, some in (
            ("empty", empty, empty_pages()),
            ("waiting", waiting, {"waiting-board": "/", "waiting-site": "/site/alder-ridge"}),
            ("broken", broken, {"problem-500": "/"}),
        ):
            del name
            with served(of, now_us, AccessSettings(required=False)) as address:
                camera.take(address, some)
        browser.close()


def _flat(store: Store, folder: Path) -> Path:
    """The file of a store with nothing beside it."""
    store.close()
    return folder / "empty.sqlite"


def _stale(pages: dict[str, str]) -> dict[str, str]:
    """Pages that say so when no data has come for 25 minutes."""
    return {
        f"stale-{name}": pages[name] for name in ("board", "map", "intake", "site", "line") if name in pages
    }


if __name__ == "__main__":
    main()
