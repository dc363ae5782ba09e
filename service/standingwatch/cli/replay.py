"""`standingwatch replay`: a file of history through the watch, as if live.

Rooms are imported inside the functions that use them, so that other commands start without them, and this one
without store, broker, web page and, where nobody watches, progress bar.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.common import (
    CommandError,
    add_settings_option,
    raise_errors,
    say,
    settings_of,
    told,
    usable_inventory,
)

if TYPE_CHECKING:
    from standingwatch.readings import Fleet
    from standingwatch.watch.replay import ReplaySummary


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "replay",
        help="a file of history through the watch, as if live",
        description="Writes alarms.jsonl, visits.jsonl and summary.json into the folder of --out.",
    )
    parser.add_argument("--inventory", type=Path, required=True, metavar="FILE", help="site list, CSV")
    parser.add_argument(
        "--readings", type=Path, required=True, metavar="FILE", help="history, CSV or Parquet"
    )
    parser.add_argument("--maintenance", type=Path, metavar="FILE", help="work on record, CSV")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the results")
    add_settings_option(parser)
    parser.set_defaults(act=act_replay)


def act_replay(arguments: argparse.Namespace) -> int:
    """Replay a file of history."""
    import numpy as np

    from standingwatch.inventory import FleetDefaults, build_fleet
    from standingwatch.inventory.maintenance import MaintenanceRow, read_maintenance
    from standingwatch.watch.history import HistoryError, read_history
    from standingwatch.watch.judging import detection_settings, to_maintenance
    from standingwatch.watch.replay import Replay

    settings = settings_of(arguments)
    rows = usable_inventory(arguments.inventory)
    work: tuple[MaintenanceRow, ...] = ()
    if arguments.maintenance is not None:
        work, problems = read_maintenance(arguments.maintenance)
        raise_errors(problems)
    fleet = build_fleet(rows, np.arange(len(rows)), FleetDefaults(**settings.defaults.model_dump()))
    with told(HistoryError):
        history = read_history(arguments.readings, fleet)
    try:
        arguments.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(f"{arguments.out}: cannot be made a folder: {error.strerror}") from error
    with (
        (arguments.out / "alarms.jsonl").open("w", encoding="utf-8") as alarms_out,
        (arguments.out / "visits.jsonl").open("w", encoding="utf-8") as visits_out,
        shown_progress("replay", len(history.readings)) as advance,
    ):
        replay = Replay(
            fleet,
            detection_settings(settings),
            to_maintenance(work, fleet),
            settings.intake.future_tolerance_s,
            alarms_out,
            visits_out,
        )
        replay.summary.unknown, replay.summary.refused = history.unknown, history.refused
        for part in history.slices():
            replay.feed(part)
            advance(len(part))
        summary = replay.finish()
    report(summary, fleet, arguments.out / "summary.json")
    return 0


@contextmanager
def shown_progress(what: str, total: int) -> Iterator[Callable[[int], None]]:
    """A progress bar on standard error when a person watches; what it gives takes the steps made."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(what, total=total)
        yield lambda steps: progress.advance(task, steps)


def report(summary: ReplaySummary, fleet: Fleet, path: Path) -> None:
    """Write summary.json, and say what it holds."""
    import json

    data = summary.as_data(fleet)
    path.write_text(json.dumps(data, indent=2) + "\n", encoding="utf-8")
    raised = (
        ", ".join(f"{r['count']} {r['condition']} {r['severity']}" for r in data["alarms_raised"]) or "none"
    )
    say(
        f"{summary.readings} readings of {len(fleet)} transmitters over {data['days']:.1f} days",
        f"alarms raised: {raised}",
        f"visits proposed: {summary.visits}",
    )
    if summary.unknown:
        say(f"{summary.unknown} readings of transmitters that are not in the inventory were left out")
    if summary.refused:
        say("rows refused: " + ", ".join(f"{c} {r}" for r, c in sorted(summary.refused.items())))
