"""`standingwatch check`: every problem of settings, inventory and maintenance at once.

Rooms are imported inside the function that uses them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.common import add_settings_option, complain, say, settings_path

if TYPE_CHECKING:
    from standingwatch.readings.problem import Problem


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "check",
        help="read settings and inventory, look at the store, and print every problem",
        description="Prints each problem with file, line, key, what was got and what was wanted. "
        "Exit status 1 if there is an error; warnings alone give 0.",
    )
    add_settings_option(parser)
    parser.add_argument(
        "--inventory", type=Path, metavar="FILE", help="site list, in place of the settings' one"
    )
    parser.add_argument("--maintenance", type=Path, metavar="FILE", help="work on record to read as well")
    parser.set_defaults(act=act)


def act(arguments: argparse.Namespace) -> int:
    """Print all problems."""
    from standingwatch.cli.check_store import look_at_store
    from standingwatch.inventory import check_limits, read_inventory
    from standingwatch.inventory.maintenance import read_maintenance
    from standingwatch.settings import inspect_settings
    from standingwatch.settings.profiles import profiles_of, unknown_profiles

    file = settings_path(arguments.settings)
    report = inspect_settings(file, os.environ)
    problems: list[Problem] = list(report.problems)
    seen = [f"settings {file or '(all defaults)'}"]
    path = arguments.inventory
    if path is None and report.settings is not None:
        path = report.settings.inventory.file
    if path is not None:
        inventory = read_inventory(path)
        problems += inventory.problems
        seen.append(f"inventory {path}: {len(inventory.rows)} transmitters")
        if report.settings is not None:
            limits = report.settings.limits
            problems += check_limits(
                inventory.rows,
                limits.warning_swr,
                limits.minor_swr,
                limits.major_swr,
                limits.critical_swr,
                str(path),
                inventory.lines,
            )
    if report.settings is not None:
        profiles, of_profiles = profiles_of(report.settings)
        problems += of_profiles
        names = {profile.name for profile in profiles} | {Path(problem.file).stem for problem in of_profiles}
        if profiles or of_profiles:
            seen.append(f"profiles {report.settings.intake.profiles}: {len(profiles)} that can be used")
        if path is not None:
            named = [(row.site, row.transmitter, row.profile) for row in inventory.rows]
            problems += unknown_profiles(named, names, str(path), inventory.lines)
    if arguments.maintenance is not None:
        rows, found = read_maintenance(arguments.maintenance)
        problems += found
        seen.append(f"maintenance {arguments.maintenance}: {len(rows)} windows")
    if report.settings is not None:
        about, of_store = look_at_store(report.settings)
        problems += of_store
        seen.append(about)
    complain(*(str(problem) for problem in problems))
    errors = sum(p.severity == "error" for p in problems)
    say(*seen, f"{errors} errors, {len(problems) - errors} warnings")
    return 1 if errors else 0
