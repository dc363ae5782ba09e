"""`standingwatch visits`: what is proposed and planned, acts on one, and its sheet as a PDF.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import duration_us, now_us, number, time_us
from standingwatch.cli.common import CommandError, add_settings_option, open_store, say, settings_of, told
from standingwatch.cli.record import keep_act

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from standingwatch.review.visits import Visit

#: For how long windows of work are opened, if nobody says otherwise [us].
TWELVE_HOURS_US = 12 * 3_600_000_000

STATES = ("proposed", "planned", "under-way", "done", "proven", "not-fixed", "dropped")


def register(commands: Any) -> None:
    """Add the commands."""
    visits = commands.add_parser("visits", help="visits to sites: proposed, planned, under way, done")
    actions = visits.add_subparsers(dest="action", metavar="ACTION", required=True)

    parser = actions.add_parser("list", help="show them, the most urgent first")
    parser.add_argument("--state", choices=STATES, help="only those of this state (default: not over)")
    parser.add_argument("--site", default="", help="only those to this site")
    parser.add_argument("--json", action="store_true", help="as JSON")
    _finish(parser, act_list)

    parser = actions.add_parser("plan", help="plan one, or plan it anew")
    _name_visit(parser)
    parser.add_argument("--when", type=time_us, required=True, metavar="TIME", help="RFC 3339 with offset")
    parser.add_argument("--crew", required=True, metavar="NAME", help="who goes")
    parser.add_argument("--access", default="", metavar="TEXT", help="keys, road, whom to call")
    parser.add_argument(
        "--gain-dbi", type=float, metavar="DBI", help="antenna gain, for the exposure estimate"
    )
    _finish(parser, act_plan)

    parser = actions.add_parser("begin", help="the work begins: opens its windows of work")
    _name_visit(parser)
    parser.add_argument(
        "--for",
        type=duration_us,
        default=TWELVE_HOURS_US,
        dest="for_us",
        metavar="DURATION",
        help="when the windows end if nobody says before that it is done (default: 12h)",
    )
    _finish(parser, act_begin)
    parser = actions.add_parser("done", help="the work is done: ends its windows of work")
    _name_visit(parser)
    _finish(parser, act_done)
    parser = actions.add_parser("drop", help="nobody drives")
    _name_visit(parser)
    parser.add_argument("--reason", required=True, help="why")
    _finish(parser, act_drop)

    parser = actions.add_parser("sheet", help="write the visit sheet, two pages, as a PDF")
    parser.add_argument("number", type=number, metavar="ID", help="its number in `visits list`")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="the PDF to write")
    parser.add_argument(
        "--paper", choices=("A4", "Letter"), default="A4", help="size of the sheets (default A4)"
    )
    _finish(parser, act_sheet)


def _finish(parser: argparse.ArgumentParser, act: Any) -> None:
    add_settings_option(parser)
    parser.set_defaults(act=act)


def _name_visit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("number", type=number, metavar="ID", help="its number in `visits list`")
    parser.add_argument("--by", required=True, metavar="NAME", help="who does it")


def act_list(arguments: argparse.Namespace) -> int:
    """Show visits."""
    from standingwatch.alarms.words import day
    from standingwatch.review.visits import CLOSED, MOST_URGENT_FIRST, VisitState
    from standingwatch.store.visits import load_visits

    states = [VisitState(arguments.state)] if arguments.state else [s for s in VisitState if s not in CLOSED]
    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        found = load_visits(connection, states, arguments.site)
    found.sort(key=lambda v: (MOST_URGENT_FIRST.index(v.urgency), v.site))
    if arguments.json:
        from standingwatch.web.visit_api import visit_data

        say(json.dumps([visit_data(visit) for visit in found], indent=2))
        return 0
    for visit in found:
        why = "; ".join(
            f"{t.transmitter or 'whole site'} {t.condition} ({t.likely_cause})"
            for t in visit.troubles
            if t.calls
        )
        planned = f", {visit.crew} on {day(visit.planned_for_us)}" if visit.planned_for_us else ""
        say(f"{visit.number}  {visit.site}  {visit.state}, {visit.urgency}{planned}: {why}")
    say(f"{len(found)} visits")
    return 0


def act_plan(arguments: argparse.Namespace) -> int:
    """Plan a visit."""
    from standingwatch.review.visits import VisitError
    from standingwatch.store.visits import plan_visit

    with open_store(settings_of(arguments)) as store, store.writing() as connection, told(VisitError):
        visit = plan_visit(
            connection,
            arguments.number,
            by=arguments.by,
            now_us=now_us(),
            planned_for_us=arguments.when,
            crew=arguments.crew,
            access=arguments.access,
            antenna_gain_dbi=arguments.gain_dbi,
        )
        _keep(connection, "plan a visit", arguments)
    return _done(visit)


def act_begin(arguments: argparse.Namespace) -> int:
    """Begin the work."""
    from standingwatch.review.visits import VisitError
    from standingwatch.store.handling import EntryError
    from standingwatch.store.visits import begin_visit

    at_us = now_us()
    with (
        open_store(settings_of(arguments)) as store,
        store.writing() as connection,
        told(VisitError, EntryError),
    ):
        visit = begin_visit(
            connection,
            arguments.number,
            by=arguments.by,
            now_us=at_us,
            until_us=at_us + arguments.for_us,
        )
        _keep(connection, "begin a visit", arguments)
    return _done(visit)


def act_done(arguments: argparse.Namespace) -> int:
    """The work is done."""
    from standingwatch.review.visits import VisitError
    from standingwatch.store.handling import EntryError
    from standingwatch.store.visits import finish_visit

    with (
        open_store(settings_of(arguments)) as store,
        store.writing() as connection,
        told(VisitError, EntryError),
    ):
        visit = finish_visit(connection, arguments.number, by=arguments.by, now_us=now_us())
        _keep(connection, "finish a visit", arguments)
    return _done(visit)


def act_drop(arguments: argparse.Namespace) -> int:
    """Drop a visit."""
    from standingwatch.review.visits import VisitError
    from standingwatch.store.visits import drop_visit

    with open_store(settings_of(arguments)) as store, store.writing() as connection, told(VisitError):
        visit = drop_visit(
            connection, arguments.number, by=arguments.by, now_us=now_us(), reason=arguments.reason
        )
        _keep(connection, "drop a visit", arguments)
    return _done(visit)


def _keep(connection: Connection, act: str, arguments: argparse.Namespace) -> None:
    """Keep an act in the audit, in the words of the pages."""
    keep_act(connection, act, f"visit {arguments.number}", by=arguments.by)


def _done(visit: Visit) -> int:
    say(f"visit {visit.number} to {visit.site} is {visit.state}")
    return 0


def act_sheet(arguments: argparse.Namespace) -> int:
    """Write the sheet of a visit."""
    from standingwatch.inventory import FleetDefaults
    from standingwatch.web.pages import Pages
    from standingwatch.web.roster import RosterCache
    from standingwatch.web.sheet_pdf import PdfError
    from standingwatch.web.visit_sheet import sheet_pdf, sheet_view

    settings = settings_of(arguments)
    cache = RosterCache(FleetDefaults(**settings.defaults.model_dump()))
    with open_store(settings) as store, store.reading() as connection:
        view = sheet_view(connection, cache.roster(connection), arguments.number, now_us())
    if view is None:
        raise CommandError(f"visit: got {arguments.number}, wanted one that `visits list` shows")
    with told(PdfError):
        document = sheet_pdf(Pages("", now_us), view, arguments.paper)
    try:
        arguments.out.write_bytes(document)
    except OSError as error:
        raise CommandError(f"{arguments.out}: cannot be written: {error.strerror}") from error
    say(f"{arguments.out}: the sheet of visit {arguments.number}, {arguments.paper}")
    return 0
