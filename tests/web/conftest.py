"""A small store for the pages: an invented fleet with two weeks of hours, one fault of each kind."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import uvicorn
from databases import address_of, address_of_copy, on_postgresql
from fastapi import FastAPI
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from prometheus_client import CollectorRegistry
from sqlalchemy import exists, insert, or_, select

from standingwatch.alarms.handling import Act
from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.detect.interface import BaselineChange, LikelyCause, LimitForecast
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import FleetDefaults, InventoryRow
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.readings import Readings
from standingwatch.readings.flags import Flag
from standingwatch.rf import reflected_from_rho, rho_from_swr
from standingwatch.settings import AccessSettings, LimitsSettings
from standingwatch.store import tables
from standingwatch.store.access import Role, add_user, begin_session, load_user
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.handling import act_on, add_shelf
from standingwatch.store.looks import keep_look
from standingwatch.store.reports import (
    Horizon,
    RefusedReport,
    insert_readings,
    new_arrival,
    refuse,
    set_horizon,
)
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import Progress, add_baselines, save_progress, save_rollups
from standingwatch.store.windows import add_window
from standingwatch.web.access import SESSION_COOKIE
from standingwatch.web.app import create_app

DAY_US = 24 * HOUR_US

#: 2026-03-14 09:26:53 UTC
NOW_US = 1_773_480_413_000_000
NAMES = ("Grey Tor", "Lantern Hill", "Ashby Mast", "Corran Head", "Fenwick Roof", "Long Barrow")
AWKWARD = "Grey Tor & <Sons>"
REGIONS = ("North Fells", "Coast", "Marches")


#: Files of stores with a morning in them, by its time, of this process.
_MORNINGS: dict[int, bytes] = {}


#: Whether any table has a row: one question, since each costs more to make than to answer.
_ANY_ROWS = select(or_(*(exists(select(1).select_from(table)) for table in tables.metadata.sorted_tables)))


@dataclass
class Fill:
    """A store and the means to put more into it."""

    store: Store
    now_us: int = NOW_US

    def sites(self, sites: int, each: int) -> None:
        """Make a site list of so many sites with so many transmitters each."""
        rows = [
            InventoryRow(
                site=f"S{site:03d}",
                transmitter=f"RPT-{number + 1}",
                frequency_mhz=152.5125 + 0.25 * number,
                site_name=f"{NAMES[site % len(NAMES)]} {site // len(NAMES) + 1}" if site else AWKWARD,
                region=REGIONS[site % len(REGIONS)],
                rated_power_w=100.0,
                feeder_loss_db=None if number == 1 else 1.0,
                expected_interval_s=60.0,
            )
            for site in range(sites)
            for number in range(each)
        ]
        with self.store.writing() as connection:
            replace_site_list(connection, rows, self.now_us)

    def hours(self, days: int, rising: int | None = None) -> None:
        """Roll-ups of all transmitters; the match of the one at `rising` gets worse over the time."""
        with self.store.writing() as connection:
            keys = load_site_list(connection).keys
            count = days * 24
            last = self.now_us - self.now_us % HOUR_US - HOUR_US
            hour = np.repeat(last - HOUR_US * np.arange(count - 1, -1, -1), len(keys))
            owner = np.tile(np.arange(len(keys)), count)
            rng = np.random.default_rng(7)
            level = rng.uniform(0.04, 0.11, len(keys))[owner] + rng.normal(0, 0.004, len(owner))
            if rising is not None:
                level = level + np.where(owner == rising, np.linspace(0.0, 0.16, len(owner)), 0.0)
            level = level.clip(0.005, 1.0)
            nothing = np.full(len(owner), np.nan)
            hours = Hours(
                hour_us=hour,
                transmitter=owner,
                channel=np.zeros(len(owner), dtype=np.int64),
                reports=np.full(len(owner), 60),
                usable=np.full(len(owner), 31),
                forward_w=np.full(len(owner), 96.0),
                rho_low=level * 0.9,
                rho_median=level,
                rho_high=level * 1.12,
                rho_max=level * 1.2,
                rho_level=level,
                reflected_step_w=np.full(len(owner), 0.01),
                pa_temperature_c=nothing,
                ambient_temperature_c=nothing,
                precipitation=nothing,
                wind_mps=nothing,
            )
            save_rollups(connection, hours, keys[owner])
            first = level.reshape(count, len(keys))[:48].mean(axis=0)
            learned = [
                BaselineChange(i, self.now_us, "full", float(rho), 0.004, "fourteen days")
                for i, rho in enumerate(first)
                if i % 5 != 4
            ]
            add_baselines(connection, learned, keys)
            save_progress(connection, "main", Progress(0, self.now_us, last + HOUR_US, ""))

    def readings(
        self, position: np.ndarray, age_s: np.ndarray, swr: np.ndarray, flags: np.ndarray | None = None
    ) -> None:
        """Keep readings of 100 W forward; infinite SWR is total reflection, a little over read."""
        with self.store.writing() as connection:
            keys = load_site_list(connection).keys
            reflected = reflected_from_rho(np.full(len(swr), 100.0), rho_from_swr(swr))
            marks = np.where(np.isinf(swr), int(Flag.REFLECTED_ABOVE_FORWARD), 0) if flags is None else flags
            readings = Readings.from_columns(
                {
                    "transmitter": position,
                    "time_us": self.now_us - (age_s * 1e6).astype(np.int64),
                    "forward_w": np.full(len(swr), 100.0),
                    "reflected_w": np.where(np.isinf(swr), 104.0, reflected),
                    "flags": marks,
                }
            )
            arrival = new_arrival(connection, self.now_us - 2_000_000, len(readings))
            insert_readings(connection, arrival, readings, keys[position], readings.time_us)

    def horizon(self, age_s: float) -> None:
        """Note that the intake has come up to so many seconds before now."""
        with self.store.writing() as connection:
            until_us = self.now_us - int(age_s * 1e6)
            set_horizon(connection, "main", Horizon(until_us - 10 * HOUR_US, until_us))

    def alarm(
        self,
        site: str,
        transmitter: str,
        condition: Condition,
        severity: Severity,
        cause: Cause | None = None,
        *,
        region: str = "",
        service: str = "",
        members: tuple[str, ...] = (),
        forecast: tuple[LimitForecast, ...] = (),
        chatters: bool = False,
    ) -> None:
        """Raise an alarm two hours ago."""
        causes = () if cause is None else (LikelyCause(cause, 0.6, "it fits <what> was seen"),)
        values = {
            "swr": 2.31,
            "limit_swr": 2.0,
            "forward_w": 98.0,
            "reflected_w": 15.4,
            "return_loss_db": 12.6,
            "baseline_kind": "full",
            "baseline_return_loss_db": 21.4,
        }
        at_us = self.now_us - 2 * HOUR_US
        key = AlarmKey(site, transmitter, condition, region, service)
        evidence = Evidence(
            key, severity, at_us, {} if service else values, causes, members, forecast, chatters=chatters
        )
        with self.store.writing() as connection:
            save_changes(connection, apply_all({}, [evidence], at_us), "urn:test")

    def clear(self, site: str, transmitter: str, condition: Condition) -> None:
        """End an alarm an hour ago."""
        key, at_us = AlarmKey(site, transmitter, condition), self.now_us - HOUR_US
        with self.store.writing() as connection:
            alarms = load_alarms(connection)
            cleared = apply_all(alarms, [Evidence(key, Severity.CLEARED, at_us)], at_us)
            save_changes(connection, cleared, "urn:test")

    def act(self, what: Act, site: str, transmitter: str, condition: Condition, text: str = "") -> None:
        """Do something with an alarm, as Ada."""
        key = AlarmKey(site, transmitter, condition)
        with self.store.writing() as connection:
            done = act_on(connection, [key], what, by="Ada", now_us=self.now_us - 600_000_000, text=text)
        assert done.refused == ()

    def shelf(self, *, up_to: Severity = Severity.CRITICAL, hours: float = 8.0, **names: str) -> int:
        """Make a shelf, an hour ago, for so long from now."""
        with self.store.writing() as connection:
            return add_shelf(
                connection,
                names,
                up_to=up_to,
                until_us=self.now_us + int(hours * HOUR_US),
                reason="mast <works>",
                by="Bo",
                now_us=self.now_us - HOUR_US,
            )

    def window(self, site: str, transmitter: str, from_h: float, until_h: float, by: str = "Cy") -> int:
        """Enter a window of work, in hours from now; "file" stands for what an import brought."""
        times = [self.now_us + int(hours * HOUR_US) for hours in (from_h, until_h)]
        with self.store.writing() as connection:
            if by != "file":
                return add_window(
                    connection,
                    MaintenanceRow(site, transmitter, *times, "visit"),
                    by=by,
                    note="jumper <x>",
                )
            row = {"site": site, "transmitter": transmitter, "start_us": times[0], "end_us": times[1]}
            statement = insert(tables.maintenance).values(**row, kind="outage", entered_by="file", note="")
            number = connection.execute(statement).inserted_primary_key
        assert number is not None
        return int(number[0])

    def desk(self) -> None:
        """What a desk does with the alarms of `everything`, and what else it has to know."""
        self.act(Act.ACKNOWLEDGE, "S001", "RPT-2", Condition.SWR_HIGH, "on my way\nwith a <ladder>")
        self.act(Act.ASSIGN, "S001", "RPT-2", Condition.SWR_HIGH, "Mast crew & <Co>")
        self.shelf(site="S006", up_to=Severity.MAJOR)
        self.window("S004", "", -1.0, 3.0)
        self.window("S002", "RPT-1", 20.0, 24.0)
        self.window("S003", "", -30.0, -20.0, by="file")
        self.alarm("S005", "RPT-1", Condition.SWR_INTERMITTENT, Severity.MINOR, chatters=True)
        self.alarm("S000", "RPT-3", Condition.SWR_STEP, Severity.MINOR, Cause.CONNECTOR)
        self.clear("S000", "RPT-3", Condition.SWR_STEP)
        self.alarm("", "", Condition.CHANNEL_FAILING, Severity.MAJOR, service="channel email.desk")

    def refuse(self, count: int, reason: str, payload: bytes) -> None:
        """Keep refused reports."""
        report = RefusedReport(self.now_us, "standingwatch/report/S000/RPT-1", payload, reason, "wanted JSON")
        with self.store.writing() as connection:
            refuse(connection, [report] * count)

    def strange(self) -> None:
        """Reports of a transmitter that is not on the site list, and a look that Ada has had at the board."""
        payload = b'{"forward_w": 40, "reflected_w": 1, "frequency_mhz": 153.2}'
        about = ("standingwatch/report/S003/NEW-9", payload, "unknown-transmitter", "add it")
        with self.store.writing() as connection:
            refuse(connection, [RefusedReport(self.now_us - n * 60_000_000, *about) for n in range(5)])
            keep_look(connection, "Ada", self.now_us - 3 * HOUR_US)

    def everything(self) -> None:
        """A morning with something of everything; an empty file gets one that was made before."""
        file = self.store.engine.url.database
        if self.store.engine.dialect.name != "sqlite" or not file or self._has_rows():
            self._everything()
            return
        flat = _MORNINGS.get(self.now_us)
        if flat is None:
            self._everything()
        # The last connection that closes puts everything into the one file.
        self.store.engine.dispose()
        if flat is None:
            _MORNINGS[self.now_us] = Path(file).read_bytes()
        else:
            Path(file).write_bytes(flat)

    def _has_rows(self) -> bool:
        with self.store.reading() as connection:
            return bool(connection.execute(_ANY_ROWS).scalar_one())

    def _everything(self) -> None:
        self.sites(8, 3)
        self.hours(16, rising=13)
        n = 24
        position, swr = np.arange(n), np.linspace(1.08, 1.3, n)
        heard = (position != 20) & (position // 3 != 7)
        swr[4], swr[13] = 2.31, 1.62
        self.readings(position[heard], np.full(int(heard.sum()), 70.0), swr[heard])
        self.readings(np.array([6]), np.array([8.0]), np.array([np.inf]))
        unkeyed = np.array([0, 9, 16])
        idle = np.full(3, int(Flag.NOT_KEYED | Flag.LOW_FORWARD))
        self.readings(unkeyed, np.full(3, 12.0), np.full(3, 1.0), flags=idle)
        self.horizon(2.0)
        self.alarm("S002", "RPT-1", Condition.SWR_HIGH, Severity.CRITICAL, Cause.ANTENNA_DAMAGE)
        self.alarm("S001", "RPT-2", Condition.SWR_HIGH, Severity.MAJOR, Cause.LOOSE_CONNECTION)
        self.alarm("S001", "RPT-2", Condition.SWR_RISING, Severity.MINOR, Cause.CONNECTOR)
        self.alarm("S004", "RPT-2", Condition.SWR_RISING, Severity.WARNING, Cause.WATER)
        self.alarm("S006", "RPT-3", Condition.REPORTS_MISSING, Severity.MINOR, Cause.UNKNOWN)
        self.alarm("S007", "", Condition.SITE_UNREACHABLE, Severity.MAJOR, Cause.SITE_LINK)
        self.refuse(4, "not-json", b'{"time": <script>alert(1)</script> \xff')

    def groups(self) -> None:
        """Alarms about two transmitters of a site, with a forecast, and about a region."""
        foldback = LimitForecast(
            "foldback", 2.5, "expected", *(self.now_us + d * DAY_US for d in (6, 18, 40))
        )
        weak = LimitForecast("tolerance", 3.0, "the trend is <too> weak")
        self.alarm(
            *("S003", "", Condition.SWR_RISING, Severity.MINOR, Cause.SHARED_ANTENNA_SYSTEM),
            members=("S003/RPT-1", "S003/RPT-2"),
            forecast=(LimitForecast("swr-1.5", 1.5, "reached"), foldback, weak),
        )
        self.alarm(
            *("", "", Condition.SWR_WEATHER, Severity.WARNING, Cause.REGIONAL_WEATHER),
            region=REGIONS[2],
            members=(*(f"S{site:03d}/RPT-{n}" for site in (2, 5) for n in (1, 2, 3)), "S005/<x>"),
        )


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory, _on_chosen_store: None) -> Path:
    """A store with its tables and nothing in them: copying it is faster than making it anew."""
    path = tmp_path_factory.mktemp("pages") / "empty.sqlite"
    store = Store(address_of(path))
    store.migrate()
    # The last connection that closes puts everything into the one file.
    store.close()
    assert list(path.parent.iterdir()) == ([] if on_postgresql() else [path])
    return path


@pytest.fixture(scope="session")
def filled(empty_store: Path) -> Callable[[Path], AbstractContextManager[Fill]]:
    """Makes a store in a folder: `with filled(folder) as fill`."""

    @contextmanager
    def make(folder: Path) -> Iterator[Fill]:
        store = Store(address_of_copy(empty_store, folder / "pages.sqlite"))
        yield Fill(store)
        store.close()

    return make


@pytest.fixture
def fill(tmp_path: Path, filled: Callable[[Path], AbstractContextManager[Fill]]) -> Iterator[Fill]:
    with filled(tmp_path) as fill:
        yield fill


class Client:
    """A browser without a window: asks an application without a server in between, and keeps cookies.

    A mistake in the application comes back as its answer.
    """

    def __init__(self, app: FastAPI, fill: Fill) -> None:
        self.app = app
        self.fill = fill
        self.cookies = httpx.Cookies()
        self.address = "203.0.113.7"

    def sign_in(self, name: str = "Ada", role: str = "administrator") -> Client:
        """Sign somebody in, who is added if need be, without a password: hashing takes long."""
        with self.fill.store.writing() as connection:
            if load_user(connection, name) is None:
                add_user(connection, name, Role(role), "", self.fill.now_us)
            end_us = self.fill.now_us + 366 * DAY_US
            secret = begin_session(connection, name, self.fill.now_us, end_us)
        self.cookies = httpx.Cookies()
        self.cookies.set(SESSION_COOKIE, secret, domain="board.test")
        return self

    def send(self, method: str, address: str, **more: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self.app, raise_app_exceptions=False, client=(self.address, 4711))
            async with httpx.AsyncClient(
                transport=transport, base_url="http://board.test", cookies=self.cookies
            ) as client:
                answer = await client.request(method, address, **more)
                self.cookies = client.cookies
                return answer

        return asyncio.run(ask())

    def get(self, address: str, **more: Any) -> httpx.Response:
        return self.send("GET", address, **more)

    def post(self, address: str, **more: Any) -> httpx.Response:
        return self.send("POST", address, **more)

    def token(self, page: str = "/alarms") -> str:
        """The token in the forms of a page."""
        found = re.search(r'name="token" value="([^"]+)"', self.get(page).text)
        assert found is not None
        return found[1]

    def submit(self, address: str, **fields: Any) -> httpx.Response:
        """Send a form as a page of ours would, without following where it leads."""
        return self.post(
            address, data={"token": self.token(), **fields}, headers={"Origin": "http://board.test"}
        )

    def told(self, answer: httpx.Response) -> str:
        """The page that a form led to."""
        assert answer.status_code == 303, answer.text
        return self.get(answer.headers["location"]).text


@pytest.fixture
def fill_each(store: Store) -> Fill:
    """As `fill`, on each kind of database in turn."""
    return Fill(store)


@pytest.fixture(scope="session")
def client_of() -> Callable[..., Client]:
    """Makes clients of the pages of a store: signed in as Ada, an administrator, unless told otherwise."""

    def make(fill: Fill, *, signed_in: bool = True, **more: Any) -> Client:
        options = {
            "clock": lambda: fill.now_us,
            "registry": CollectorRegistry(),
            "fleet_defaults": FleetDefaults(),
            "limits": LimitsSettings(),
            # Sessions outlive what tests do to the clock.
            "access": AccessSettings(
                allowed_hosts=("board.test",), session_idle_hours=8760.0, session_days=366.0
            ),
            **more,
        }
        client = Client(create_app(fill.store, **options), fill)
        return client.sign_in() if signed_in else client

    return make


# A real browser -----------------------------------------------------------------------------------------

#: Windows that every page is looked at in.
SIZES = {"desk": (1366, 768), "phone": (390, 844)}

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

VIOLATIONS = """
async () => (await axe.run(document, { resultTypes: ['violations'] })).violations.map((one) =>
  `${one.id}: ${one.help}: ${one.nodes.slice(0, 3).map((node) => node.html.slice(0, 200)).join(' | ')}`)
"""


@pytest.fixture(scope="module")
def shared_client(
    filled: Callable[[Path], AbstractContextManager[Fill]],
    client_of: Callable[..., Client],
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Client]:
    """A client of a morning with everything, for all tests of a module that change nothing in it."""
    with filled(tmp_path_factory.mktemp("morning")) as fill:
        fill.everything()
        yield client_of(fill, notice="All data is invented.")


@pytest.fixture(scope="session")
def chromium() -> Iterator[tuple[Browser, Any]]:
    """One Chromium for all tests of a process, and the loop that Playwright talks to it in."""
    found = shutil.which("chromium")
    assert found is not None, "chromium is not installed; tests/run installs what the tests need"
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        loop = asyncio._get_running_loop()
        asyncio._set_running_loop(None)
        yield started, loop
        asyncio._set_running_loop(loop)
        started.close()


@pytest.fixture
def browser(chromium: tuple[Browser, Any]) -> Iterator[Browser]:
    """The browser, for one test.

    Playwright leaves its loop marked as the one that runs in this thread. It is so while a test uses it, and
    not between: other tests of the process run loops of their own.
    """
    asyncio._set_running_loop(chromium[1])
    yield chromium[0]
    asyncio._set_running_loop(None)


@pytest.fixture(scope="session")
def app_of() -> Callable[..., FastAPI]:
    """Makes the application over a store, as the browser tests look at it."""

    def make(fill: Fill, **more: Any) -> FastAPI:
        options = {
            "clock": lambda: fill.now_us,
            "registry": CollectorRegistry(),
            "fleet_defaults": FleetDefaults(),
            "limits": LimitsSettings(),
            "notice": "All data on these pages is invented.",
            **more,
        }
        return create_app(fill.store, **options)

    return make


@pytest.fixture(scope="session")
def serving() -> Callable[[FastAPI], AbstractContextManager[str]]:
    """Serves an application on the loopback: `with serving(app) as address`."""

    @contextmanager
    def serve(app: FastAPI) -> Iterator[str]:
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

    return serve


@pytest.fixture
def serve(
    serving: Callable[[FastAPI], AbstractContextManager[str]],
) -> Iterator[Callable[[FastAPI], str]]:
    """Serves an application on the loopback until the test ends, and gives its address."""
    with ExitStack() as running:
        yield lambda app: running.enter_context(serving(app))


@pytest.fixture
def secret() -> str:
    """The session that pages are opened with; "" for none. Modules have their own."""
    return ""


@pytest.fixture(scope="session")
def session_of() -> Callable[..., str]:
    """Signs somebody in, without a password: the secret of the session, which holds for some days."""

    def begin(fill: Fill, name: str, role: Role, days: float = 2.0) -> str:
        with fill.store.writing() as connection:
            add_user(connection, name, role, "", fill.now_us)
            return begin_session(connection, name, fill.now_us, fill.now_us + int(days * DAY_US))

    return begin


@pytest.fixture
def opened(browser: Browser, served: str, secret: str) -> Iterator[Callable[..., Page]]:
    """Opens a page of the server; at the end none may have complained, or asked another host for anything."""
    complaints: list[str] = []
    contexts: list[BrowserContext] = []

    def asked(address: str) -> None:
        if not address.startswith((served, "blob:", "data:")):
            complaints.append(f"asked for {address}")

    def said(kind: str, text: str) -> None:
        # Pages that are not there, bad requests, and a service that is away are looked at on purpose.
        if kind in ("error", "warning") and not re.search(r"status of (400|404|503)", text):
            complaints.append(text)

    def open_page(
        path: str,
        size: str = "desk",
        scheme: Any = "light",
        *,
        signed_in: bool = True,
        wait: Any = "networkidle",
        **more: Any,
    ) -> Page:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            device_scale_factor=2 if size == "phone" else 1,
            **more,
        )
        contexts.append(context)
        if secret and signed_in:
            context.add_cookies([{"name": SESSION_COOKIE, "value": secret, "url": served}])
        page = context.new_page()
        page.on("request", lambda request: asked(request.url))
        page.on("console", lambda message: said(message.type, message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(served + path, wait_until=wait)
        if more.get("java_script_enabled", True) and page.locator("#chart").count():
            page.locator("#chart[data-drawn]").wait_for(timeout=60_000)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def keep_shot() -> Callable[[Page, str], None]:
    """Keeps a picture of a whole page where `STANDINGWATCH_SHOTS` says; none if it says nothing."""
    folder = os.environ.get("STANDINGWATCH_SHOTS", "")

    def keep(page: Page, name: str) -> None:
        if folder:
            page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)

    return keep


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The text of axe-core, as `package-lock.json` pins it."""
    here, script = Path(__file__).parent, Path("node_modules/axe-core/axe.min.js")
    if not (here / script).exists():
        folder = tmp_path_factory.mktemp("npm")
        for name in ("package.json", "package-lock.json"):
            shutil.copyfile(here / name, folder / name)
        command = ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
        subprocess.run(command, cwd=folder, check=True, timeout=120)
        here = folder
    return (here / script).read_text(encoding="utf-8")


@pytest.fixture
def violations(axe: str) -> Callable[[Page], list[str]]:
    """What axe-core has against a page, opened with `bypass_csp`: the policy keeps axe out too."""

    def find(page: Page) -> list[str]:
        page.add_script_tag(content=axe)
        found: list[str] = page.evaluate(VIOLATIONS)
        return found

    return find
