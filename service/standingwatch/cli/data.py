"""`standingwatch inventory`, `maintenance` and `refused`: data in and out of the store.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from standingwatch.cli.arguments import now_us, number, time_us
from standingwatch.cli.common import (
    CommandError,
    add_settings_option,
    open_store,
    raise_errors,
    say,
    settings_of,
    told,
    usable_inventory,
    usable_profiles,
)
from standingwatch.cli.record import command_line, keep_act

_TIME = "RFC 3339 with offset, such as 2026-03-01T08:00:00Z"


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
    parser = actions.add_parser("add", help="enter a window of work")
    parser.add_argument("place", metavar="SITE[/TRANSMITTER]", help="where; without a transmitter all of it")
    parser.add_argument("--from", type=time_us, required=True, dest="start_us", metavar="TIME", help=_TIME)
    parser.add_argument("--to", type=time_us, required=True, dest="end_us", metavar="TIME", help=_TIME)
    parser.add_argument(
        "--kind",
        required=True,
        choices=("visit", "retune", "outage"),
        help="after a visit or retune a new baseline is learned",
    )
    parser.add_argument("--by", required=True, metavar="NAME", help="who enters it")
    parser.add_argument("--note", required=True, metavar="TEXT", help="what is done")
    add_settings_option(parser)
    parser.set_defaults(act=act_maintenance_add)
    parser = actions.add_parser("list", help="show the work that has not ended")
    parser.add_argument("--all", action="store_true", help="what has ended too")
    add_settings_option(parser)
    parser.set_defaults(act=act_maintenance_list)
    parser = actions.add_parser("end", help="end a window of work now, or take it away before it begins")
    parser.add_argument("number", type=number, metavar="NUMBER", help="its number in `maintenance list`")
    parser.add_argument("--by", default="", metavar="NAME", help="who ends it (default: the command line)")
    add_settings_option(parser)
    parser.set_defaults(act=act_maintenance_end)

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


def act_inventory_import(arguments: argparse.Namespace) -> int:
    """Make a file the site list."""
    from standingwatch.daemon import wall_clock
    from standingwatch.settings.profiles import unknown_profiles
    from standingwatch.store.sites import replace_site_list

    settings = settings_of(arguments)
    rows = usable_inventory(arguments.file)
    profiles = {profile.name for profile in usable_profiles(settings)}
    named = [(row.site, row.transmitter, row.profile) for row in rows]
    raise_errors(unknown_profiles(named, profiles, str(arguments.file)))
    with open_store(settings) as store, store.writing() as connection:
        change = replace_site_list(connection, rows, wall_clock())
        told_change = f"{change.added} added, {change.changed} changed, {change.removed} removed"
        keep_act(connection, "import the site list", arguments.file.name, outcome=f"done: {told_change}")
    say(f"{len(rows)} transmitters: {told_change}")
    return 0


def act_inventory_export(arguments: argparse.Namespace) -> int:
    """Write the site list."""
    from standingwatch.inventory import write_inventory
    from standingwatch.store.sites import load_site_list

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        rows = load_site_list(connection).rows
    sys.stdout.write(write_inventory(rows))
    return 0


def act_maintenance_import(arguments: argparse.Namespace) -> int:
    """Make a file the work on record."""
    from standingwatch.inventory.maintenance import read_maintenance
    from standingwatch.store.desk_mark import moved_on
    from standingwatch.store.watching import replace_maintenance

    settings = settings_of(arguments)
    rows, problems = read_maintenance(arguments.file)
    raise_errors(problems)
    with open_store(settings) as store, store.writing() as connection:
        replace_maintenance(connection, rows)
        # A watch that runs has to see them.
        moved_on(connection)
        done = f"done: {len(rows)} windows"
        keep_act(connection, "import the work on record", arguments.file.name, outcome=done)
    say(f"{len(rows)} windows of work on record")
    return 0


def act_maintenance_add(arguments: argparse.Namespace) -> int:
    """Enter a window of work."""
    from standingwatch.inventory.maintenance import MaintenanceRow
    from standingwatch.store.handling import EntryError
    from standingwatch.store.windows import add_window

    site, _, transmitter = arguments.place.partition("/")
    row = MaintenanceRow(site, transmitter, arguments.start_us, arguments.end_us, arguments.kind)
    with open_store(settings_of(arguments)) as store, store.writing() as connection, told(EntryError):
        window = add_window(connection, row, by=arguments.by, note=arguments.note)
        about = f"{arguments.place.replace('/', ' ')}, {arguments.kind}"
        keep_act(connection, "enter a window of work", about, by=arguments.by)
    say(f"window of work {window} is on record")
    return 0


def act_maintenance_list(arguments: argparse.Namespace) -> int:
    """Show work on record."""
    from standingwatch.alarms.words import instant
    from standingwatch.store.windows import load_windows

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        windows = load_windows(connection, 0 if arguments.all else now_us())
    for one in windows:
        window = one.window
        place = f"{window.site}/{window.transmitter}" if window.transmitter else window.site
        note = f": {one.note}" if one.note else ""
        say(
            f"{one.number}  {place}, {window.kind}, {instant(window.start_us)} to {instant(window.end_us)}, "
            f"by {one.entered_by}{note}"
        )
    say(f"{len(windows)} windows of work")
    return 0


def act_maintenance_end(arguments: argparse.Namespace) -> int:
    """End a window of work."""
    from standingwatch.store.handling import EntryError
    from standingwatch.store.windows import end_window

    by = arguments.by or command_line()
    with open_store(settings_of(arguments)) as store, store.writing() as connection, told(EntryError):
        if not end_window(connection, arguments.number, by=by, now_us=now_us()):
            raise CommandError(
                f"window of work: got {arguments.number}, wanted one that somebody entered and that has not "
                "ended; `maintenance list` shows those; what an import brought is ended in its file"
            )
        keep_act(connection, "end a window of work", f"{arguments.number}", by=arguments.by)
    say(f"window of work {arguments.number} has ended")
    return 0


def act_refused_list(arguments: argparse.Namespace) -> int:
    """Show refused reports."""
    import json

    from standingwatch.store.reports import refused_counts, refused_reports

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
    from prometheus_client import CollectorRegistry

    from standingwatch.crew import fleet_defaults
    from standingwatch.daemon import wall_clock
    from standingwatch.intake.sorting import Arrived
    from standingwatch.intake.writer import Writer
    from standingwatch.metrics import Metrics
    from standingwatch.store.reports import refused_reports

    settings = settings_of(arguments)
    with open_store(settings) as store:
        writer = Writer(
            store,
            settings.intake,
            fleet_defaults(settings),
            settings.broker.topic_root,
            Metrics(CollectorRegistry()),
            wall_clock,
            usable_profiles(settings),
        )
        with store.reading() as connection:
            reports = refused_reports(connection, reason=arguments.reason, limit=None)
        stored = refused = 0
        for begin in range(0, len(reports), settings.intake.batch_rows):
            part = reports[begin : begin + settings.intake.batch_rows]
            batch = [Arrived(r.topic, r.payload, r.received_us) for r in part]
            written = writer.write(batch, put_in_again=[r.id for r in part])
            stored, refused = stored + written.stored, refused + len(written.refused)
        if reports:
            done = f"done: {stored} readings stored, {refused} refused once more"
            with store.writing() as connection:
                about = arguments.reason or "every reason"
                keep_act(connection, "put refused reports in again", about, outcome=done)
    say(f"{len(reports)} reports put in again: {stored} readings stored, {refused} reports refused once more")
    return 1 if refused else 0
