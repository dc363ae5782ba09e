"""`standingwatch site forget`: delete all data of one site.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from standingwatch.cli.common import CommandError, add_settings_option, complain, open_store, say, settings_of
from standingwatch.cli.replay import shown_progress

if TYPE_CHECKING:
    from sqlalchemy import Connection


def register(commands: Any) -> None:
    """Add the command."""
    site = commands.add_parser("site", help="the data of one site")
    actions = site.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser(
        "forget",
        help="delete all data of a site; without --yes only count it",
        description="Readings, hours, baselines, alarms with their history, visits, refused reports, work on "
        "record, and what the watch remembers. The audit keeps that it was done. Take the site off the site "
        "list first and let the service run once: it then ends the site's alarms, and tells so where it has "
        "told of them.",
    )
    parser.add_argument("site", metavar="SITE")
    parser.add_argument("--yes", action="store_true", help="delete it")
    parser.add_argument(
        "--keep-watching",
        action="store_true",
        help="although it is on the site list: it begins anew, as a new one",
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who does it, for the audit")
    add_settings_option(parser)
    parser.set_defaults(act=act_forget)


def act_forget(arguments: argparse.Namespace) -> int:
    """Count or delete the data of a site."""
    from standingwatch.cli.record import keep_act
    from standingwatch.store.archive import archived_of_site, forget_in_archive
    from standingwatch.store.forget import SiteData

    settings = settings_of(arguments)
    data = SiteData(arguments.site, settings.broker.topic_root)
    with open_store(settings) as store:
        with store.reading() as connection:
            counts = data.count(connection)
            listed, standing = data.is_listed(connection), data.standing(connection)
            reviews = data.reviews_that_name_it(connection)
        archive = settings.store.archive
        if archive is not None and (archived := archived_of_site(archive, arguments.site)):
            counts["in the archive"] = archived
        if not counts and not listed:
            raise CommandError(f"site: got {arguments.site!r}, of which there is no data")
        if listed and not arguments.keep_watching:
            complain(
                f"{arguments.site} is on the site list; take it off (standingwatch inventory import), or "
                "give --keep-watching"
            )
        if standing:
            complain(
                f"{standing} alarms of it stand; channels would keep what they were told last: let the "
                "service run until they have ended"
            )
        if not arguments.yes or (listed and not arguments.keep_watching):
            say(*(f"{rows:>12}  {name}" for name, rows in counts.items()))
            say(f"{sum(counts.values())} rows of {arguments.site}; nothing was deleted")
            if arguments.yes:
                return 1
            return 0

        def note(connection: Connection, gone: dict[str, int]) -> None:
            outcome = "done: " + (
                ", ".join(f"{rows} {name}" for name, rows in gone.items()) or "no rows left"
            )
            keep_act(connection, "site forget", f"site {arguments.site}", by=arguments.by, outcome=outcome)

        with shown_progress("forget", sum(counts.values())) as advance:
            gone = data.forget(store, note, advance)
            # After the store: what the service archives meanwhile goes too.
            if archive is not None:
                try:
                    archived = forget_in_archive(archive, arguments.site)
                except OSError as error:
                    raise CommandError(f"{archive}: {error}; the command can be given again") from error
                if archived:
                    with store.writing() as connection:
                        outcome = f"done: {archived} readings in the archive"
                        about = f"site {arguments.site}"
                        keep_act(connection, "site forget", about, by=arguments.by, outcome=outcome)
                    gone["in the archive"] = archived
                    advance(archived)
    say(*(f"{rows:>12}  {name}" for name, rows in gone.items()))
    say(f"{sum(gone.values())} rows of {arguments.site} deleted")
    if reviews:
        days = settings.review.keep_days
        say(f"{reviews} overnight reviews name it; they stay as they were read, at most {days} days")
    return 0
