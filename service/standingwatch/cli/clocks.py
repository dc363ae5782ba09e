"""`standingwatch clocks`: how the clock of each site goes.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from standingwatch.cli.common import add_settings_option, open_store, say, settings_of

if TYPE_CHECKING:
    from standingwatch.store.clocks import SiteClock


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "clocks", help="how the clocks of the sites go: off, drifting, jumped; exit status 1 if one is off"
    )
    parser.add_argument("--off", action="store_true", help="only those that are off")
    parser.add_argument("--json", action="store_true", help="as JSON")
    add_settings_option(parser)
    parser.set_defaults(act=act_clocks)


def act_clocks(arguments: argparse.Namespace) -> int:
    """Show the clocks of all sites of the site list, the one that is furthest off first."""
    from standingwatch.store.clocks import site_clocks
    from standingwatch.store.sites import load_site_list

    settings = settings_of(arguments)
    with open_store(settings) as store, store.reading() as connection:
        names = tuple(dict.fromkeys(row.site for row in load_site_list(connection).rows))
        clocks = site_clocks(connection, names)
    off = [one for one in clocks if one.is_off]
    shown = sorted(off if arguments.off else clocks, key=lambda one: (-abs(one.behind_s or 0.0), one.site))
    if arguments.json:
        say(json.dumps([_plain(one) for one in shown], indent=2))
    else:
        for one in shown:
            say(f"{one.site}: {one.sentence()}")
        unknown = sum(one.behind_s is None for one in clocks)
        say(
            f"{len(clocks)} sites: {len(off)} with a clock that is off by more than "
            f"{settings.intake.clock_tolerance_s:g} s, {unknown} not known; their reports are "
            + ("corrected" if settings.intake.clock == "correct" else "marked, not corrected")
        )
    return 1 if off else 0


def _plain(one: SiteClock) -> dict[str, Any]:
    from standingwatch.alarms.event import rfc3339

    def moment(time_us: int) -> str | None:
        return rfc3339(time_us) if time_us else None

    return {
        "site": one.site,
        "behind_s": one.behind_s,
        "seen": moment(one.seen_us),
        "is_off": one.is_off,
        "off_s": one.off_s,
        "off_since": moment(one.off_since_us),
        "drift_s_per_day": one.drift_s_per_day,
        "jumps": one.jumps,
        "last_jump_by_s": one.jump_by_s if one.jumps else None,
        "last_jump": moment(one.jump_us),
    }
