"""The demo: broker, store, an invented fleet and the whole service in one process, on this machine alone."""

from __future__ import annotations

import csv
import io
import shutil
import signal
import socket
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

from iotcore import Broker

from standingwatch.crew import fleet_defaults, watch_options
from standingwatch.daemon import Daemon, StartError
from standingwatch.demo.country import Country, build_country
from standingwatch.demo.faults import Fault, plan_faults
from standingwatch.demo.history import DAY_S, live_through
from standingwatch.demo.simulator import Simulator
from standingwatch.demo.sites import Sites
from standingwatch.inventory import COLUMNS, InventoryRow, build_fleet, read_inventory_text
from standingwatch.inventory.maintenance import MaintenanceRow
from standingwatch.readings import parse_time
from standingwatch.settings import Settings, load_settings
from standingwatch.store.connect import Store
from standingwatch.store.reports import horizon
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import replace_maintenance

#: Who acts on the demo's pages, an operator: there is nobody to keep out, and nothing of worth.
AUTOMATIC_USER = "demo operator"

#: How long the live part of the plan of faults is [d].
LIVE_DAYS = 40


@dataclass(frozen=True)
class DemoOptions:
    """What the demo can be told.

    Attributes:
        port: of the web page.
        broker_port: of the embedded broker, 0 for a free one.
        seed: of country, faults and noise.
        speed: how much faster than life time passes.
        days: days of history.
        folder: where the store goes; None for a temporary folder that is removed at the end.
    """

    port: int
    broker_port: int
    seed: int
    speed: float
    days: int
    folder: Path | None


class DemoClock:
    """A clock that begins at a given time and runs faster than life.

    Args:
        start_us: where it stands before `run` [Unix microseconds].
        speed: seconds a second.
    """

    def __init__(self, start_us: int, speed: float) -> None:
        self._start_us = start_us
        self._speed = speed
        self._began: float | None = None

    def run(self) -> None:
        """Let it run."""
        self._began = time.monotonic()

    def __call__(self) -> int:
        """Now, of the demo [Unix microseconds]."""
        if self._began is None:
            return self._start_us
        return self._start_us + int((time.monotonic() - self._began) * self._speed * 1e6)


def demo_settings(options: DemoOptions, folder: Path, broker_port: int) -> Settings:
    """Settings of the demo: all defaults but for where things are, and for time that runs fast."""
    # A report is under way for a fraction of a second, which is minutes of the demo's time.
    grace_s = max(60.0, 3.0 * options.speed)
    return load_settings(
        None,
        {
            "STANDINGWATCH_BROKER__PORT": str(broker_port),
            "STANDINGWATCH_BROKER__PROTOCOL": "3.1.1",
            "STANDINGWATCH_STORE__URL": f"sqlite:///{folder / 'demo.sqlite'}",
            # Not whatever a folder of that name where the demo is started holds.
            "STANDINGWATCH_INTAKE__PROFILES": str(folder / "profiles"),
            "STANDINGWATCH_WEB__PORT": str(options.port),
            "STANDINGWATCH_SILENCE__GRACE_S": str(grace_s),
            "STANDINGWATCH_WATCH__HOUR_GRACE_S": str(max(600.0, grace_s)),
            "STANDINGWATCH_CHANNELS__FILE__ENABLED": "true",
            "STANDINGWATCH_CHANNELS__FILE__PATH": str(folder / "alarms.jsonl"),
        },
    )


def inventory_of(country: Country) -> tuple[InventoryRow, ...]:
    """The country's site list, read as any site list is."""
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=[column.name for column in COLUMNS], lineterminator="\n")
    writer.writeheader()
    writer.writerows(country.inventory_rows())
    inventory = read_inventory_text(text.getvalue(), "invented inventory")
    errors = [str(problem) for problem in inventory.problems if problem.severity == "error"]
    if errors:
        raise StartError("\n".join(errors))
    return tuple(inventory.rows)


def maintenance_of(country: Country, faults: list[Fault]) -> list[MaintenanceRow]:
    """The work on record in the invented country."""
    return [
        MaintenanceRow(
            row["site"], row["transmitter"], parse_time(row["start"]), parse_time(row["end"]), row["kind"]
        )
        for row in country.maintenance_rows(faults)
    ]


def free_port() -> int:
    """A TCP port of this machine that nobody listens on."""
    with closing(socket.socket()) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def run_demo(options: DemoOptions, say: Callable[[str], None], wait: Callable[[], None]) -> int:
    """Run the demo until `wait` returns.

    Args:
        options: what was asked for.
        say: writes a line for the person who watches.
        wait: returns when the demo has to stop.

    Returns:
        The exit status.
    """
    with ExitStack() as started:
        folder = options.folder
        if folder is None:
            folder = Path(tempfile.mkdtemp(prefix="standingwatch-demo-"))
            started.callback(shutil.rmtree, folder)
        else:
            folder.mkdir(parents=True, exist_ok=True)
            if (folder / "demo.sqlite").exists():
                raise StartError(f"{folder} holds a demo already; give an empty folder to --folder")
        say("Standing Watch demo. All data is invented: country, sites, weather, faults and readings.")
        broker_port = options.broker_port or free_port()
        settings = demo_settings(options, folder, broker_port)
        live_s = int(time.time()) // 3600 * 3600
        start_s = live_s - options.days * DAY_S
        country = build_country(options.seed)
        faults = plan_faults(country, start_s, live_s + LIVE_DAYS * DAY_S, options.seed, live_s)
        simulator = Simulator(country, faults, options.seed)
        clock = DemoClock(live_s * 1_000_000, options.speed)

        store = Store(settings.store.url.get_secret_value())
        store.migrate()
        rows = inventory_of(country)
        with store.writing() as connection:
            replace_site_list(connection, rows, clock())
            replace_maintenance(connection, maintenance_of(country, faults))
            sites = load_site_list(connection)
        say(f"{country.name}: {len(country.sites)} sites, {len(rows)} transmitters")
        fleet = build_fleet(sites.rows, sites.keys, fleet_defaults(settings))
        live_through(store, fleet, simulator, watch_options(settings), start_s, live_s, say)

        broker = Broker(port=broker_port, listen="127.0.0.1")
        # Ctrl+C is for us: the broker's process has to outlive those who talk to it.
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)
        broker.start()
        signal.signal(signal.SIGINT, before)
        started.callback(broker.stop)
        daemon = Daemon(
            settings,
            clock=clock,
            notice="Demo: all data is invented, country, sites, weather, faults and readings. "
            f"Time runs {options.speed:g} times as fast as life.",
            automatic_user=AUTOMATIC_USER,
        )
        started.callback(daemon.stop)
        daemon.start()
        wait_until_listening(store)
        invented_sites = Sites(simulator, broker_port, settings.broker.topic_root, clock, live_s)
        started.callback(invented_sites.stop)
        # Not before: the seconds of a start are half an hour of the demo's time, in which every site would
        # seem silent.
        clock.run()
        invented_sites.start()
        store.close()
        say(f"web page: {daemon.web.address if daemon.web else 'off'}")
        say(f"broker:   mqtt://127.0.0.1:{broker_port}, topics {settings.broker.topic_root}/#")
        say(f"events:   {folder / 'alarms.jsonl'}")
        say("Stop with Ctrl+C.")
        wait()
    return 0


def wait_until_listening(store: Store, seconds: float = 20.0) -> None:
    """Wait until the intake hears the broker: a report before that would be nobody's."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with store.reading() as connection:
            if horizon(connection) is not None:
                return
        time.sleep(0.1)
    raise StartError(f"the intake has not reached the embedded broker within {seconds:g} s")
