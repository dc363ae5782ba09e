"""`standingwatch inventory`, `maintenance`, `refused` and `replay`: data in and out."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from prometheus_client import CollectorRegistry
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from standingwatch.cli.common import (
    CommandError,
    add_settings_option,
    open_store,
    raise_errors,
    say,
    settings_of,
    usable_inventory,
)
from standingwatch.daemon import fleet_defaults, wall_clock
from standingwatch.intake.writer import Arrived, Writer
from standingwatch.inventory import build_fleet, write_inventory
from standingwatch.inventory.maintenance import read_maintenance
from standingwatch.metrics import Metrics
from standingwatch.store.reports import refused_counts, refused_reports
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import replace_maintenance
from standingwatch.watch.history import read_history
from standingwatch.watch.judging import detection_settings, to_maintenance
from standingwatch.watch.replay import Replay


def register(commands: Any) -> None:
    """Add the commands."""
    inventory = commands.add_parser("inventory", help="the site list, into the store and out of it")
    actions = inventory.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser("import", help="make a CSV file the site list")
    parser.add_argument("file", type=Path)
    add_settings_option(parser)
    parser.set_defaults(act=act_inventory_import)
    parser = actions.add_parser("export", help="write the site list as CSV to standard output")
    add_settings_option(parser)
    parser.set_defaults(act=act_inventory_export)

    maintenance = commands.add_parser("maintenance", help="work on record")
    actions = maintenance.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser("import", help="make a CSV file the work on record")
    parser.add_argument("file", type=Path)
    add_settings_option(parser)
    parser.set_defaults(act=act_maintenance_import)

    refused = commands.add_parser("refused", help="reports that could not be used")
    actions = refused.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser("list", help="show them, oldest first")
    parser.add_argument("--reason", metavar="WORD", help="only those refused for this reason")
    parser.add_argument("--limit", type=int, default=100, metavar="N", help="so many at most (default 100)")
    add_settings_option(parser)
    parser.set_defaults(act=act_refused_list)
    parser = actions.add_parser("retry", help="put them in again, after a fix")
    parser.add_argument("--reason", metavar="WORD", help="only those refused for this reason")
    add_settings_option(parser)
    parser.set_defaults(act=act_refused_retry)

    replay = commands.add_parser(
        "replay",
        help="a file of history through the watch, as if live",
        description="Writes alarms.jsonl, visits.jsonl and summary.json into the folder of --out.",
    )
    replay.add_argument("--inventory", type=Path, required=True, metavar="FILE", help="site list, CSV")
    replay.add_argument(
        "--readings", type=Path, required=True, metavar="FILE", help="history, CSV or Parquet"
    )
    replay.add_argument("--maintenance", type=Path, metavar="FILE", help="work on record, CSV")
    replay.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the results")
    add_settings_option(replay)
    replay.set_defaults(act=act_replay)


def act_inventory_import(arguments: argparse.Namespace) -> int:
    """Make a file the site list."""
    settings = settings_of(arguments)
    rows = usable_inventory(arguments.file)
    with open_store(settings) as store, store.writing() as connection:
        change = replace_site_list(connection, rows, wall_clock())
    say(f"{len(rows)} transmitters: {change.added} added, {change.changed} changed, {change.removed} removed")
    return 0


def act_inventory_export(arguments: argparse.Namespace) -> int:
    """Write the site list."""
    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        rows = load_site_list(connection).rows
    sys.stdout.write(write_inventory(rows))
    return 0


def act_maintenance_import(arguments: argparse.Namespace) -> int:
    """Make a file the work on record."""
    settings = settings_of(arguments)
    rows, problems = read_maintenance(arguments.file)
    raise_errors(problems)
    with open_store(settings) as store, store.writing() as connection:
        replace_maintenance(connection, rows)
    say(f"{len(rows)} windows of work on record")
    return 0


def act_refused_list(arguments: argparse.Namespace) -> int:
    """Show refused reports."""
    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        counts = refused_counts(connection)
        reports = refused_reports(connection, reason=arguments.reason, limit=arguments.limit)
    for report in reports:
        payload = report.payload[:200].decode("utf-8", "backslashreplace")
        shown = json.dumps(payload) + (" ..." if len(report.payload) > 200 else "")
        say(f"{report.id}  {report.reason}  {report.topic}  {report.detail}", f"    {shown}")
    total = sum(counts.values())
    by_reason = ", ".join(f"{reason} {count}" for reason, count in sorted(counts.items()))
    say(f"{total} refused reports wait" + (f": {by_reason}" if total else ""))
    return 0


def act_refused_retry(arguments: argparse.Namespace) -> int:
    """Put refused reports in again; those refused once more are kept with their new reason."""
    settings = settings_of(arguments)
    with open_store(settings) as store:
        writer = Writer(
            store,
            settings.intake,
            fleet_defaults(settings),
            settings.broker.topic_root,
            Metrics(CollectorRegistry()),
            wall_clock,
        )
        with store.reading() as connection:
            reports = refused_reports(connection, reason=arguments.reason, limit=None)
        stored = refused = 0
        for begin in range(0, len(reports), settings.intake.batch_rows):
            part = reports[begin : begin + settings.intake.batch_rows]
            batch = [Arrived(r.topic, r.payload, r.received_us) for r in part]
            written = writer.write(batch, put_in_again=[r.id for r in part])
            stored, refused = stored + written.stored, refused + len(written.refused)
    say(f"{len(reports)} reports put in again: {stored} readings stored, {refused} reports refused once more")
    return 1 if refused else 0


def act_replay(arguments: argparse.Namespace) -> int:
    """Replay a file of history."""
    settings = settings_of(arguments)
    rows = usable_inventory(arguments.inventory)
    work: tuple[Any, ...] = ()
    if arguments.maintenance is not None:
        work, problems = read_maintenance(arguments.maintenance)
        raise_errors(problems)
    fleet = build_fleet(rows, np.arange(len(rows)), fleet_defaults(settings))
    history = read_history(arguments.readings, fleet)
    try:
        arguments.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(f"{arguments.out}: cannot be made a folder: {error.strerror}") from error
    progress = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        disable=not sys.stderr.isatty(),
    )
    with (
        (arguments.out / "alarms.jsonl").open("w", encoding="utf-8") as alarms_out,
        (arguments.out / "visits.jsonl").open("w", encoding="utf-8") as visits_out,
        progress,
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
        task = progress.add_task("replay", total=len(history.readings))
        for part in history.slices():
            replay.feed(part)
            progress.advance(task, len(part))
        summary = replay.finish()
    data = summary.as_data(fleet)
    (arguments.out / "summary.json").write_text(json.dumps(data, indent=2) + "\n", encoding="utf-8")
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
    return 0
