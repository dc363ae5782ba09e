"""`standingwatch run` and `standingwatch demo`: what goes on until it is stopped.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.common import (
    CommandError,
    add_settings_option,
    open_store,
    refuse_damage,
    say,
    set_up_log,
    settings_of,
    told,
    usable_inventory,
)

if TYPE_CHECKING:
    from standingwatch.settings import Settings


def register(commands: Any) -> None:
    """Add the commands."""
    run = commands.add_parser(
        "run", help="the daemon", description="Takes reports in and watches, until stopped."
    )
    run.add_argument(
        "--parts",
        type=parts_of_work,
        metavar="PARTS",
        help="what this process does, joined by commas, of jobs, notify, watch, intake, web (default: all); "
        "several processes on one store need PostgreSQL, but for those that do web alone",
    )
    run.add_argument(
        "--name",
        type=name_of_process,
        metavar="NAME",
        help="what this process is called; each of several needs a name of its own",
    )
    add_settings_option(run)
    run.set_defaults(act=act_run)

    demo = commands.add_parser(
        "demo",
        help="an invented fleet with faults, all embedded",
        description="Starts a broker, a store, an invented fleet and the web page on this machine alone. All "
        "data is invented.",
    )
    demo.add_argument("--port", type=int, default=8080, metavar="N", help="of the web page (default 8080)")
    demo.add_argument(
        "--broker-port", type=int, default=0, metavar="N", help="of the embedded broker (default: a free one)"
    )
    demo.add_argument("--seed", type=int, default=1, metavar="N", help="another one gives another fleet")
    demo.add_argument(
        "--speed",
        type=float,
        default=300.0,
        metavar="X",
        help="how much faster than life time passes (default 300: five minutes a second)",
    )
    demo.add_argument(
        "--days", type=int, default=120, metavar="N", help="days of history before the start (default 120)"
    )
    demo.add_argument(
        "--folder", type=Path, metavar="DIR", help="where the store goes (default: a temporary folder)"
    )
    demo.set_defaults(act=act_demo)


def parts_of_work(words: str) -> tuple[str, ...]:
    """What a process is to do, of `--parts`."""
    known = ("jobs", "notify", "watch", "intake", "web")
    parts = tuple(word.strip() for word in words.split(","))
    unknown = [word for word in parts if word not in known]
    if unknown:
        raise argparse.ArgumentTypeError(f"got {unknown[0]!r}, wanted some of {', '.join(known)}")
    return parts


def name_of_process(word: str) -> str:
    """The name of a process, of `--name`."""
    if not (0 < len(word) <= 64 and word.isprintable() and "/" not in word):
        raise argparse.ArgumentTypeError(f"got {word!r}, wanted 1 to 64 characters, no slash")
    return word


def act_run(arguments: argparse.Namespace) -> int:
    """Run the daemon until it is told to stop."""
    from standingwatch.daemon import ALL_KINDS, Daemon, StartError
    from standingwatch.memory import spare_loaded
    from standingwatch.store.connect import StoreError

    settings = settings_of(arguments)
    set_up_log(settings.log.level)
    prepare(settings)
    with told(StartError, StoreError):
        daemon = Daemon(settings, kinds=arguments.parts or ALL_KINDS, called=arguments.name or "")
        try:
            daemon.start()
            spare_loaded()
            if daemon.web is not None:
                say(f"web page: {daemon.web.address}")
            wait_for_stop()
        finally:
            daemon.stop()
    return 0


def prepare(settings: Settings) -> None:
    """Bring the store up to date, and its site list to the file of the settings; before threads begin."""
    from standingwatch.daemon import wall_clock
    from standingwatch.memory import bound_arenas
    from standingwatch.store.sites import load_site_list, replace_site_list

    bound_arenas()
    refuse_damage(settings)
    with open_store(settings) as store:
        if settings.inventory.file is not None:
            rows = usable_inventory(settings.inventory.file)
            with store.writing() as connection:
                replace_site_list(connection, rows, wall_clock())
        with store.reading() as connection:
            if not load_site_list(connection).rows:
                raise CommandError(
                    "no transmitter is in the site list, so every report would be refused; "
                    "set inventory.file or run: standingwatch inventory import FILE"
                )


def wait_for_stop() -> None:
    """Wait for SIGTERM or SIGINT."""
    import signal
    import threading

    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    stop.wait()


def act_demo(arguments: argparse.Namespace) -> int:
    """Run the demo until it is told to stop."""
    from standingwatch.daemon import StartError
    from standingwatch.demo.run import DemoOptions, run_demo
    from standingwatch.settings import SettingsError
    from standingwatch.store.connect import StoreError

    set_up_log("warning")
    if arguments.speed <= 0 or arguments.days < 1:
        raise CommandError("demo: --speed has to be above 0, and --days 1 or more")
    with told(StartError, StoreError, SettingsError):
        return run_demo(
            DemoOptions(
                port=arguments.port,
                broker_port=arguments.broker_port,
                seed=arguments.seed,
                speed=arguments.speed,
                days=arguments.days,
                folder=arguments.folder,
            ),
            say,
            wait_for_stop,
        )
