"""The three uses in one walk: an alarm at night, the review in the morning, the visit and its proof.

Real parts from the readings on: the store, the watch, the jobs' own functions and the pages in a browser.
Only the sites are simulated, and the clock is the test's own. Olu sits at the desk at night; Ada reads the
review in the morning, plans the visit, and gives her word on what came of it.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import uvicorn
from databases import address_of
from playwright.sync_api import Browser, Locator, Page, sync_playwright
from prometheus_client import CollectorRegistry
from pypdf import PdfReader

from standingwatch.alarms.lifecycle import AlarmKey
from standingwatch.alarms.notice import ChannelRules
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.words import Condition
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.jobs import Jobs
from standingwatch.metrics import Metrics
from standingwatch.readings import QualityCarry, Readings, qualify
from standingwatch.readings.fleet import IntArray
from standingwatch.review.proposals import STANDING_HOURS
from standingwatch.review.visits import VisitState
from standingwatch.settings import AccessSettings, LimitsSettings, StoreSettings
from standingwatch.store.access import Role, add_user, begin_session
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, insert_readings, new_arrival, set_horizon
from standingwatch.store.review_due import Plan, Plans
from standingwatch.store.reviews import list_reviews
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.visits import load_visits
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.app import create_app

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"]

#: 2026-03-01T00:00:00Z.
START_US = 1_772_323_200_000_000
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
#: Time between two reports of a transmitter.
EVERY_US = 30 * MINUTE_US

SITES = """\
site,site_name,transmitter,frequency_mhz,region,latitude,longitude,antenna_line,rated_power_w,feeder_loss_db,\
foldback_swr,pa_protection,coupler_directivity_db,expected_interval_s
alder-ridge,Alder Ridge,rpt-1,155.300,uplands,54.10,-2.40,north,50,1.0,2.0,foldback,30,1800
alder-ridge,Alder Ridge,rpt-2,158.725,uplands,54.10,-2.40,south,50,1.0,2.0,foldback,30,1800
birch-top,Birch Top,rpt-1,155.450,uplands,54.60,-2.90,north,50,1.4,2.0,foldback,30,1800
birch-top,Birch Top,rpt-2,159.100,uplands,54.60,-2.90,south,50,1.4,2.0,foldback,30,1800
cliff-end,Cliff End,rpt-1,156.000,coast,54.05,-3.40,north,50,0.8,2.0,foldback,30,1800
cliff-end,Cliff End,rpt-2,159.800,coast,54.05,-3.40,south,50,0.8,2.0,foldback,30,1800
dune-head,Dune Head,rpt-1,155.900,coast,53.60,-3.05,north,50,0.6,2.0,foldback,30,1800
dune-head,Dune Head,rpt-2,160.200,coast,53.60,-3.05,south,50,0.6,2.0,foldback,30,1800
"""
#: Position of the transmitter whose connector corrodes, and of the one whose antenna the storm damages.
CORRODING, STORMED = 0, 5
#: The history, and since when the connector corrodes [d]; what that adds to rho, at the transmitter, a day.
HISTORY_DAYS, CORRODES_FROM, CORRODES_A_DAY = 30, 16, 0.008
#: What the storm makes of rho, at the transmitter: an SWR of 2.6.
STORM_RHO = 0.45


class World:
    """The sites, which report into a store, the watch over them and the jobs; time passes as told."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.rng = np.random.default_rng(31)
        rows = tuple(read_inventory_text(SITES, "fleet.csv").rows)
        with store.writing() as connection:
            replace_site_list(connection, rows, START_US)
        with store.reading() as connection:
            sites = load_site_list(connection)
        self.keys = sites.keys
        self.fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
        self.normal_rho = self.rng.uniform(0.06, 0.10, len(self.fleet))
        self.carry = QualityCarry.empty(len(self.fleet))
        self.now_us = START_US
        self.repaired_us: int | None = None
        self.storm_us: int | None = None
        self.reported_us = START_US - EVERY_US
        desk = DeskOptions((ChannelRules("desk"),), source="urn:test")
        options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=desk)
        self.watch = Watch(store, options, Metrics(CollectorRegistry()), self.clock)
        plans = Plans(Plan("", 5, 30, "UTC"))
        self.jobs = Jobs(store, StoreSettings(), Metrics(CollectorRegistry()), self.clock, plans)

    def clock(self) -> int:
        return self.now_us

    def rho(self, time_us: IntArray) -> Any:
        """What each transmitter's match is at some times, shape (times, transmitters); no noise in it."""
        rho = np.tile(self.normal_rho, (len(time_us), 1))
        days = (time_us - START_US) / DAY_US
        worn = np.clip(days - CORRODES_FROM, 0.0, None) * CORRODES_A_DAY
        if self.repaired_us is not None:
            worn = np.where(time_us >= self.repaired_us, 0.0, worn)
        rho[:, CORRODING] += worn
        if self.storm_us is not None:
            rho[time_us >= self.storm_us, STORMED] = STORM_RHO
        return rho

    def report_until(self, until_us: int) -> None:
        """All transmitters report on the half hours up to a time, and the watch sees it."""
        times_us = np.arange(self.reported_us + EVERY_US, until_us + 1, EVERY_US)
        n, count = len(self.fleet), len(times_us)
        # The match wanders a little with the weather of the day, and with each reading.
        day = (times_us - START_US) // DAY_US
        wander = np.random.default_rng(7).normal(0, 0.002, (200, n))[day]
        rho = np.clip(self.rho(times_us) + wander + self.rng.normal(0, 0.002, (count, n)), 0.001, 1.0)
        forward_w = np.round(self.rng.normal(48, 0.4, (count, n)), 2)
        hour = (times_us % DAY_US) / HOUR_US
        temperature_c = 11.0 + 4.0 * np.sin((hour - 9.0) * np.pi / 12.0)
        # A wet day a week; it is none of what is wrong here.
        rain = np.where((day % 7 == 3) & (hour >= 6) & (hour < 15), 1.0, 0.0)
        readings = Readings.from_columns(
            {
                "transmitter": np.tile(np.arange(n), count),
                "time_us": np.repeat(times_us, n),
                "forward_w": forward_w.ravel(),
                "reflected_w": np.round(forward_w * rho**2, 4).ravel(),
                "ambient_temperature_c": np.repeat(temperature_c, n),
                "precipitation": np.repeat(rain, n),
            }
        )
        readings, self.carry = qualify(readings, self.fleet, readings.time_us, self.carry, 300.0)
        self.reported_us = int(times_us[-1])
        self.now_us = self.reported_us + 1_000_000
        with self.store.writing() as connection:
            arrival = new_arrival(connection, self.now_us, len(readings))
            insert_readings(connection, arrival, readings, self.keys[readings.transmitter], readings.time_us)
            set_horizon(connection, "one", Horizon(START_US, self.reported_us + 1))
        while self.watch.make_pass():
            pass

    def work(self, name: str) -> None:
        """What the scheduler runs at a set time, run now."""
        (job,) = (job for job in self.jobs._jobs if job.name == name)
        job.work()

    def live_until(self, until_us: int) -> None:
        """Time passes with all that belongs to it: reports, the review at half past five, visits followed."""
        while self.reported_us + EVERY_US <= until_us:
            # The quarters of the days meet half past five.
            next_us = (self.now_us + 30 * MINUTE_US) // (6 * HOUR_US) * 6 * HOUR_US + 330 * MINUTE_US
            self.report_until(min(next_us, until_us))
            self.work("visits")
            if (self.reported_us - START_US) % DAY_US == 330 * MINUTE_US:
                self.work("review")


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    store = Store(address_of(tmp_path / "walk.sqlite"))
    store.migrate()
    yield World(store)
    store.close()


def at(day: int, hour: int, minute: int = 0) -> int:
    return START_US + day * DAY_US + hour * HOUR_US + minute * MINUTE_US


@pytest.fixture
def served(world: World) -> Iterator[str]:
    """The address of the pages, on the loopback."""
    app = create_app(
        world.store,
        clock=world.clock,
        registry=CollectorRegistry(),
        fleet_defaults=FleetDefaults(),
        limits=LimitsSettings(),
        # The test's days pass within a minute, in which nobody asks for anything.
        access=AccessSettings(session_idle_hours=8760.0),
    )
    listening = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        assert thread.is_alive(), "the server did not start"
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join(10)
    listening.close()


@pytest.fixture
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield made
        made.close()


@pytest.fixture
def person(browser: Browser, served: str, world: World) -> Iterator[Callable[[str, Role], Page]]:
    """Signs somebody in; at the end no page may have complained, or asked another host for anything."""
    complaints: list[str] = []
    contexts = []

    def sign_in(name: str, role: Role) -> Page:
        with world.store.writing() as connection:
            add_user(connection, name, role, "", world.now_us)
            # Longer than the test's weeks.
            secret = begin_session(connection, name, world.now_us, world.now_us + 366 * DAY_US)
        context = browser.new_context(viewport={"width": 1366, "height": 768}, base_url=served)
        context.add_cookies([{"name": SESSION_COOKIE, "value": secret, "url": served}])
        contexts.append(context)
        page = context.new_page()
        page.on(
            "request",
            lambda r: None if r.url.startswith(served + "/") else complaints.append(f"asked for {r.url}"),
        )
        page.on(
            "console",
            lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "response", lambda r: complaints.append(f"{r.status} from {r.url}") if r.status >= 400 else None
        )
        return page

    yield sign_in
    for context in contexts:
        context.close()
    assert complaints == []


def follow(page: Page, link: Locator) -> None:
    """Follow a link, and wait until the whole page behind it is there."""
    with page.expect_navigation():
        link.click()


def go(page: Page, name: str) -> None:
    """Go to a page by the navigation at its top."""
    follow(page, page.get_by_role("navigation", name="Pages").get_by_role("link", name=name, exact=True))


def keep_shot(page: Page, name: str) -> None:
    """A picture of the page, where somebody wants to look at them."""
    if "STANDINGWATCH_SHOTS" in os.environ:
        page.screenshot(path=Path(os.environ["STANDINGWATCH_SHOTS"]) / f"walk-{name}.png", full_page=True)


def submit(page: Page, button: str) -> None:
    """Press a button of a form, and see that what it asked for was done."""
    with page.expect_navigation(url="**said=**"):
        page.get_by_role("button", name=button, exact=True).click()
    assert page.locator("#outcome").count() == 1
    assert page.locator("#problems").count() == 0


def answer(page: Page, address: str) -> Any:
    """What the API answers to whoever has the page open."""
    found = page.request.get(address)
    assert found.ok, found.text()
    return found.json()


def plain(text: str) -> str:
    """Text with all white space as single blanks: a PDF breaks lines where it likes."""
    return " ".join(text.split())


def pdf_text(document: bytes) -> list[str]:
    """The text of each page of a PDF."""
    return [plain(page.extract_text()) for page in PdfReader(io.BytesIO(document)).pages]


def decibels(text: str) -> float:
    """The first figure in dB in a text."""
    found = re.search(r"([+-]?\d+\.\d) dB", plain(text))
    assert found is not None, text
    return float(found[1])


def return_loss_db(rho: float) -> float:
    return float(-20.0 * np.log10(rho))


def test_from_an_alarm_at_night_to_a_proven_repair(world: World, person: Callable[[str, Role], Page]) -> None:
    world.live_until(at(HISTORY_DAYS, 0, 30))
    the_alarm_is_noticed_read_and_acknowledged(world, person("Olu", Role.OPERATOR))
    page = person("Ada", Role.ENGINEER)
    the_review_is_read_and_turned_into_a_planned_visit(world, page)
    the_sheet_is_printed(world, page)
    the_work_is_done_and_proven(world, page)
    the_review_after_it_tells(world, page)


def the_alarm_is_noticed_read_and_acknowledged(world: World, page: Page) -> None:
    page.goto("/")
    # The slow one stands since the week before; all else is well.
    assert page.locator("#count-critical b").inner_text() == "0"
    assert page.locator("table.board .chip").count() == 1
    assert page.locator("tbody.cleared").count() == 3

    world.storm_us = at(HISTORY_DAYS, 1)
    world.report_until(at(HISTORY_DAYS, 2))
    # It shows without a reload, and on top.
    page.locator("tbody.critical #to-cliff-end").wait_for(timeout=20_000)
    assert page.locator("table.board th.site a").first.inner_text() == "Cliff End"
    assert page.locator("#unseen").inner_text() == "3"
    keep_shot(page, "board")
    follow(page, page.locator("tbody.critical").locator('a[href*="condition=swr-high"]'))

    assert "Cliff End" in page.locator("h1 + p").inner_text()
    assert page.locator("h1").inner_text().strip() == "cliff-end/rpt-2: SWR over its limit"
    text = page.locator("#now").locator("..").inner_text()
    assert "critical since 2026-03-31" in plain(text)
    assert "SWR 2.6" in text
    # The newest reading stands beside what the alarm said when it was raised.
    assert re.search(r"Now: SWR 2\.[56]\d:1, ", text)
    assert "Reduce its power or take it off the air" in text
    assert "antenna damage" in page.locator("#causes").locator("..").inner_text()
    shown = plain(page.locator("#evidence").locator("..").inner_text())
    assert re.search(r"SWR 2\.6\d:1", shown)
    assert re.search(r"\d\.\d{4}", shown) is None
    assert page.locator(".op-state").inner_text() == "not acknowledged"
    page.get_by_label("Comment").fill("power down to 10 W by remote control; riggers called")
    submit(page, "Acknowledge")
    assert page.locator(".op-state").inner_text() == "acknowledged"
    assert "by Olu" in page.locator("#now").locator("..").inner_text()
    newest = page.locator("table.story tbody tr").first.inner_text()
    assert "Olu" in newest
    assert "riggers called" in newest
    keep_shot(page, "alarm")

    alarms = {(a["subject"], a["condition"]): a for a in answer(page, "/api/alarms")["alarms"]}
    mine = alarms.pop(("cliff-end/rpt-2", "swr-high"))
    assert (mine["operator_state"], mine["operator"]) == ("ack", "Olu")
    assert {a["operator_state"] for a in alarms.values()} == {"none"}
    go(page, "Board")
    assert "acknowledged" in page.locator("tbody.critical .chip.critical").inner_text()
    assert page.locator("#unseen").inner_text() == "2"
    # The board goes on listening; nobody sits before it any more.
    page.close()


def the_review_is_read_and_turned_into_a_planned_visit(world: World, page: Page) -> None:
    world.live_until(at(HISTORY_DAYS, 6))
    with world.store.reading() as connection:
        [visit] = load_visits(connection, site="alder-ridge")
        alarm = load_alarms(connection)[AlarmKey("alder-ridge", "rpt-1", Condition.SWR_RISING)]
    # Proposed when the rise had stood for as long as one of its severity has to, by the first run after that.
    wait_us = STANDING_HOURS[alarm.key.condition][alarm.severity] * HOUR_US
    assert 0 <= visit.proposed_us - (alarm.raised_us + wait_us) <= 6 * HOUR_US

    page.goto("/")
    go(page, "Review")
    assert page.locator("h1").inner_text() == "Overnight review of the whole fleet, 2026-03-31"
    assert "3 alarms stand (1 critical, 1 major, 1 minor)" in page.locator(".review-sum").inner_text()
    item = page.locator("li.finding", has_text="SWR rising")
    words = plain(item.inner_text())
    assert "alder-ridge rpt-1" in words
    assert item.get_attribute("id") == "rank-3"
    assert words.startswith("Rank 3")
    assert "Likely cause: connector" in words
    assert re.search(r"Time left: about \d+ days, by the forecast", words)
    assert re.search(r"foldback.*\d{4}-\d\d-\d\d|foldback.* in about \d+ days", words)
    course = item.locator("svg.course")
    assert "expected in about" in str(course.get_attribute("aria-label"))
    box = course.bounding_box()
    assert box is not None
    assert box["width"] > 100
    # What the storm did is more urgent, and comes first.
    first = page.locator("#rank-1")
    assert "cliff-end" in first.inner_text()
    keep_shot(page, "review")

    follow(page, item.get_by_role("link", name="visit 1, proposed"))
    assert page.locator(".way [aria-current]").inner_text() == "proposed"
    assert "SWR rising" in page.locator("#why").locator("..").inner_text()
    page.get_by_label("When, in UTC").fill("2026-04-03T08:00")
    page.get_by_label("Crew").fill("Riggers north")
    page.get_by_label("Access").fill("key at the farm below")
    page.get_by_label("Antenna gain").fill("6")
    submit(page, "Plan the visit")
    assert page.locator(".way [aria-current]").inner_text() == "planned"
    assert "2026-04-03 08:00 UTC" in page.locator("#do").locator("..").inner_text()
    with world.store.reading() as connection:
        [planned] = load_visits(connection, [VisitState.PLANNED])
    assert (planned.number, planned.crew, planned.planned_for_us) == (
        1,
        "Riggers north",
        at(33, 8),
    )


def the_sheet_is_printed(world: World, page: Page) -> None:
    follow(page, page.get_by_role("link", name="Visit sheet"))
    normal = page.locator('td[data-label="Normal at transmitter"]').first.inner_text()
    at_antenna = page.locator('td[data-label="Normal at antenna"]').first.inner_text()
    now = page.locator('td[data-label="Now at transmitter"]').first.inner_text()
    # As the simulation has it: the healthy line, the feeder's loss twice, and what corrosion has made of it.
    # The time left is counted from the sheet's morning, not from the night on which the alarm last changed.
    with world.store.reading() as connection:
        alarm = load_alarms(connection)[AlarmKey("alder-ridge", "rpt-1", Condition.SWR_RISING)]
    expected_us = next(one.expected_us for one in alarm.forecast if one.limit == "foldback")
    assert expected_us is not None
    told = re.search(
        r"Time left until foldback: about (\d+) days", plain(page.locator(".sheet").inner_text())
    )
    assert told is not None
    assert int(told[1]) == pytest.approx((expected_us - world.now_us) / DAY_US, abs=1.0)
    healthy = float(world.normal_rho[CORRODING])
    assert decibels(normal) == pytest.approx(return_loss_db(healthy), abs=0.5)
    assert decibels(at_antenna) == pytest.approx(decibels(normal) - 2.0, abs=0.15)
    worn = healthy + (HISTORY_DAYS - 1 - CORRODES_FROM) * CORRODES_A_DAY
    assert decibels(now) == pytest.approx(return_loss_db(worn), abs=0.8)
    figure = f"{decibels(normal):.1f} dB"

    printed = page.pdf(format="A4")
    made = page.request.get("/visit/1/sheet.pdf")
    assert made.headers["content-type"] == "application/pdf"
    for document in (printed, made.body()):
        pages = pdf_text(document)
        assert len(pages) == 2
        why, measure = pages
        for words in ("Alder Ridge", "alder-ridge", "Riggers north", "key at the farm below", "Bring"):
            assert words in why, words
        for words in ("Local codes", "lock it out", "47 CFR 1.1310", "Only trained climbers climb"):
            assert words in why, words
        for words in ("Measure", figure, "rpt-1", "True cause"):
            assert words in measure, words
    assert "tick one" in page.locator(".sheet-form").inner_text()
    keep_shot(page, "sheet")


def the_work_is_done_and_proven(world: World, page: Page) -> None:
    follow(page, page.get_by_role("link", name="Visit 1", exact=True))
    world.live_until(at(33, 8))
    submit(page, "Begin the work")
    assert page.locator(".way [aria-current]").inner_text() == "under way"
    world.repaired_us = at(33, 10)
    world.live_until(at(33, 11))
    submit(page, "The work is done")
    assert "cannot say yet" in page.locator("#proof").inner_text()
    page.get_by_label("True cause, rpt-1").select_option("connector")
    page.get_by_label("Found and done").fill(
        "green pins at the antenna's connector; new one fitted and taped"
    )
    submit(page, "Keep the findings")
    assert "green pins" in page.locator("#found").locator("..").inner_text()

    # Two days are too few to tell, whatever they show.
    world.live_until(at(35, 12))
    page.goto("/visit/1")
    assert page.locator("#proof").inner_text() == "Before and after: cannot say yet"
    world.live_until(at(49, 12))
    page.goto("/visit/1")
    assert page.locator("#proof").inner_text() == "Before and after: proven fixed"
    cells = page.locator("table.proof tbody tr").first.locator("td").all_inner_texts()
    said, normal, before, after, gain, because = (plain(cell) for cell in cells)
    assert said == "proven fixed"
    # The level of the last week before the work, growth taken off, lies within that week's.
    healthy = float(world.normal_rho[CORRODING])
    worn = [healthy + (day - CORRODES_FROM) * CORRODES_A_DAY for day in (26, 33.4)]
    gains = [20.0 * np.log10(rho / healthy) for rho in worn]
    assert gains[0] - 0.5 < decibels(gain) < gains[1] + 0.5
    assert "to" in gain
    swr = {
        name: float(re.split(r"[: ]", cell)[0])
        for name, cell in {"normal": normal, "before": before, "after": after}.items()
    }
    assert swr["normal"] == pytest.approx((1 + healthy) / (1 - healthy), abs=0.03)
    assert swr["after"] == pytest.approx(swr["normal"], abs=0.03)
    assert (1 + worn[0]) / (1 - worn[0]) - 0.03 < swr["before"] < (1 + worn[1]) / (1 - worn[1]) + 0.03
    assert "% of the way back to normal" in because
    assert "14 after" in because
    # The watch has learned a new baseline by itself; it is proposed to a person, who accepts it.
    new = page.locator("table.baselines tbody tr", has_text="rpt-1")
    assert "proposed" in new.inner_text()
    keep_shot(page, "proof")
    new.get_by_role("button", name=re.compile(r"^Accept SWR 1\.\d\d:1 for rpt-1$")).click()
    new.get_by_text("accepted").wait_for()
    assert "by Ada" in new.inner_text()
    with world.store.reading() as connection:
        [visit] = load_visits(connection, site="alder-ridge")
    [accepted] = visit.accepted
    assert accepted.rho == pytest.approx(healthy, abs=0.01)

    submit(page, "Proven fixed")
    assert page.locator(".way [aria-current]").inner_text() == "proven fixed"
    assert "Ada" in page.locator("#story + table tbody tr").first.inner_text()
    with world.store.reading() as connection:
        [visit] = load_visits(connection, site="alder-ridge")
    assert visit.state is VisitState.PROVEN
    assert visit.verdict["verdict"] == "proven-fixed"

    # The mended one is off the list; the damaged antenna, where nobody went, is still on it.
    go(page, "Alarms")
    standing = page.locator("input[name=chosen]").evaluate_all("(boxes) => boxes.map((one) => one.value)")
    assert {value.split()[1] for value in standing} == {"cliff-end/rpt-2"}
    alarms = answer(page, "/api/alarms")["alarms"]
    assert {a["subject"] for a in alarms} == {"cliff-end/rpt-2"}


def newest_review(world: World) -> int:
    with world.store.reading() as connection:
        return list_reviews(connection, "", 1)[0].number


def the_review_after_it_tells(world: World, page: Page) -> None:
    world.live_until(at(50, 6))
    go(page, "Review")
    assert page.locator("h1").inner_text() == "Overnight review of the whole fleet, 2026-04-20"
    assert page.locator("li.finding", has_text="alder-ridge").count() == 0
    over = page.locator("section", has=page.locator("#visits-over"))
    row = plain(over.locator("tbody tr").inner_text())
    assert "visit 1" in row
    assert "Alder Ridge" in row
    assert "proven fixed" in row
    assert "connector" in row
    assert "The likely cause was right in 1 of 1 (100 %)" in over.inner_text()
    keep_shot(page, "review-after")
    assert answer(page, f"/api/reviews/{newest_review(world)}")["visits_over"][0]["found"] == ["connector"]
    # The morning after it is no news any more, but still counts.
    world.live_until(at(51, 6))
    go(page, "Review")
    assert page.locator("h1").inner_text().endswith("2026-04-21")
    told = page.locator("section", has=page.locator("#visits-over")).inner_text()
    assert "None since the review before" in told
    assert "1 of 1 (100 %)" in told
    go(page, "Visits")
    assert "1 of 1 (100 %)" in page.locator("#score").locator("..").inner_text()
    assert "proven fixed" in page.locator("#over").locator("..").inner_text()
