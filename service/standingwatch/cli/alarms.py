"""`standingwatch alarms`: the alarm list, what people do with it, shelves, and the alarm system's own report.

An alarm is named by what it is about, as the CloudEvents `subject` has it, and its condition:
`alder/rpt-1 swr-high`, `alder site-unreachable`, `region/Coast swr-weather`, `service/intake intake-late`.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING, Any

from standingwatch.cli import alarm_report
from standingwatch.cli.arguments import condition, days, duration_us, now_us, number, severity
from standingwatch.cli.common import CommandError, add_settings_option, open_store, say, settings_of, told
from standingwatch.cli.record import keep_act

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from standingwatch.alarms.handling import Handling
    from standingwatch.alarms.lifecycle import AlarmKey
    from standingwatch.store.alarming import StandingAlarm

_DAY_US = 86_400_000_000

#: So many changes of an alarm are shown at most, the newest.
MOST_CHANGES = 10_000

#: What a person does with an alarm, and the help of the command.
ACTS = {
    "acknowledge": "say that somebody has seen it",
    "take-back": "take an acknowledgement or a closing back",
    "close": "put away one that has ended",
    "comment": "write something to it",
    "assign": "give it to a person or crew, or to nobody",
}


def register(commands: Any) -> None:
    """Add the commands."""
    alarms = commands.add_parser("alarms", help="the alarm list, and what people do with it")
    actions = alarms.add_subparsers(dest="action", metavar="ACTION", required=True)

    parser = actions.add_parser("list", help="show those that stand, gravest first")
    parser.add_argument("--severity", type=severity, help="only those of this severity or a graver one")
    parser.add_argument("--site", help="only those about this site and its transmitters")
    parser.add_argument("--region", help="only those about this region and its sites")
    parser.add_argument("--condition", type=condition, help="only those of this condition")
    parser.add_argument(
        "--cleared", action="store_true", help="those that have ended, in place of the others"
    )
    parser.add_argument("--json", action="store_true", help="as JSON")
    _finish(parser, act_list)

    for name, text in ACTS.items():
        parser = actions.add_parser(name, help=text)
        _name_alarm(parser)
        _name_person(parser)
        if name == "assign":
            parser.add_argument(
                "--to",
                "--text",
                dest="text",
                required=True,
                metavar="NAME",
                help='person or crew, "" for none',
            )
        else:
            parser.add_argument("--text", default="", help="a comment", required=name == "comment")
        _finish(parser, act_by_hand)

    parser = actions.add_parser("history", help="all that happened to one, and what was done with it")
    _name_alarm(parser)
    _finish(parser, act_history)

    parser = actions.add_parser("shelve", help="tell nobody of some alarms for a time")
    for name in ("site", "region", "transmitter"):
        parser.add_argument(f"--{name}", default="", help=f"only alarms about this {name}")
    parser.add_argument("--condition", type=condition, help="only alarms of this condition")
    parser.add_argument(
        "--up-to", type=severity, metavar="SEVERITY", help="only while they are no graver (default: critical)"
    )
    parser.add_argument(
        "--for",
        type=duration_us,
        required=True,
        dest="for_us",
        metavar="DURATION",
        help="such as 30m, 4h, 2d",
    )
    parser.add_argument("--reason", required=True, help="why")
    parser.add_argument("--first", action="store_true", help="before the other shelves, not behind them")
    _name_person(parser)
    _finish(parser, act_shelve)
    parser = actions.add_parser("shelves", help="show the shelves that hold, in their order")
    _finish(parser, act_shelves)
    parser = actions.add_parser("unshelve", help="take a shelf away before its time")
    parser.add_argument("number", type=number, metavar="NUMBER", help="its number in `alarms shelves`")
    _name_person(parser)
    _finish(parser, act_unshelve)

    parser = actions.add_parser("purge", help="delete ended alarms with their history")
    parser.add_argument(
        "--cleared-before",
        type=days,
        required=True,
        metavar="DAYS",
        help="those that ended so many days ago or earlier; none that stands or is shelved",
    )
    _finish(parser, act_purge)

    alarm_report.register(actions)


def _finish(parser: argparse.ArgumentParser, act: Any) -> None:
    add_settings_option(parser)
    parser.set_defaults(act=act)


def _name_alarm(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "subject",
        metavar="SUBJECT",
        help="what it is about: SITE/TRANSMITTER, SITE, region/NAME or service/PART",
    )
    parser.add_argument("condition", type=condition, metavar="CONDITION", help="such as swr-high")


def _name_person(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", required=True, metavar="NAME", help="who does it")


# The list -----------------------------------------------------------------------------------------------


def act_list(arguments: argparse.Namespace) -> int:
    """Show the alarms that stand, or those that have ended."""
    from standingwatch.alarms.event import subject
    from standingwatch.alarms.handling import UNTOUCHED
    from standingwatch.alarms.words import instant
    from standingwatch.store.alarming import standing_alarms
    from standingwatch.store.ended import EndedChoice, ended_page
    from standingwatch.store.handling import load_handlings
    from standingwatch.store.sites import load_site_list

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        found: list[StandingAlarm] = (
            [*ended_page(connection, EndedChoice(), None)]
            if arguments.cleared
            else standing_alarms(connection)
        )
        handlings = load_handlings(connection)
        regions = {row.site: row.region or "" for row in load_site_list(connection).rows}

    def is_wanted(key: AlarmKey, gravity: int) -> bool:
        region = key.region or regions.get(key.site, "")
        return (
            (arguments.severity is None or gravity >= arguments.severity)
            and arguments.site in (None, key.site)
            and arguments.region in (None, region)
            and arguments.condition in (None, key.condition.value)
        )

    found = [one for one in found if is_wanted(one.alarm.key, one.alarm.severity)]
    if arguments.json:
        data = [_as_data(one, handlings.get(one.alarm.key, UNTOUCHED)) for one in found]
        say(json.dumps(data, indent=2))
        return 0
    for one in found:
        alarm, handling = one.alarm, handlings.get(one.alarm.key, UNTOUCHED)
        say(
            f"{alarm.severity.word:<8}  {instant(alarm.raised_us)}  {subject(alarm.key)} "
            f"{alarm.key.condition.value}  [{_state(handling)}]",
            f"    {one.text}",
        )
    verb = "ended" if arguments.cleared else "stand"
    say(f"{len(found)} alarms {verb}")
    return 0


def _state(handling: Handling) -> str:
    """What was done with an alarm, in a few words."""
    words = [handling.state.value]
    if handling.is_seen and handling.is_shelved:
        words.append(f"{handling.before_shelf.value} before")
    if handling.is_seen:
        words.append(f"by {handling.by}")
    if handling.assigned_to:
        words.append(f"assigned to {handling.assigned_to}")
    return ", ".join(words)


def _as_data(one: StandingAlarm, handling: Handling) -> dict[str, Any]:
    """An alarm as JSON data: as on the wire, and what was done with it."""
    from standingwatch.alarms.event import present_alarm, rfc3339

    return {
        **present_alarm(one.alarm),
        "is_cleared": one.alarm.is_cleared,
        "operator_state": handling.state.value,
        "operator": handling.by or None,
        "time_operator_state": rfc3339(handling.time_us) if handling.time_us else None,
        "assigned_to": handling.assigned_to or None,
        "text": one.text,
    }


# One alarm ----------------------------------------------------------------------------------------------


def find_alarm(connection: Connection, subject: str, condition_word: str) -> AlarmKey:
    """The alarm of a name; a `CommandError` says which there are instead."""
    from standingwatch.alarms.event import subject as subject_of
    from standingwatch.alarms.lifecycle import AlarmKey
    from standingwatch.detect.words import Condition
    from standingwatch.store.alarming import load_alarms

    what = Condition(condition_word)
    before, _, after = subject.partition("/")
    meant = [AlarmKey(before, after, what)]
    if before == "region":
        meant.append(AlarmKey("", "", what, region=after))
    if before == "service":
        meant.append(AlarmKey("", "", what, service=after))
    known = load_alarms(connection)
    found = [key for key in meant if key in known]
    if not found:
        others = sorted(key.condition.value for key in known if subject_of(key) == subject)
        hint = (
            f"of {subject} there are: {', '.join(others)}"
            if others
            else "`alarms list` shows those there are"
        )
        raise CommandError(
            f"alarm: got {subject!r} {condition_word}, wanted one that there is or was; {hint}"
        )
    if len(found) > 1:
        raise CommandError(f"alarm: {subject!r} {condition_word} is the name of two; use the web page")
    return found[0]


def act_by_hand(arguments: argparse.Namespace) -> int:
    """Acknowledge an alarm, take that back, close it, comment on it, or assign it."""
    from standingwatch.alarms.handling import Act
    from standingwatch.store.handling import act_on, load_handling

    name = f"{arguments.subject} {arguments.condition}"
    with open_store(settings_of(arguments)) as store, store.writing() as connection:
        key = find_alarm(connection, arguments.subject, arguments.condition)
        outcome = act_on(
            connection,
            [key],
            Act(arguments.action),
            by=arguments.by,
            now_us=now_us(),
            text=arguments.text,
        )
        handling = load_handling(connection, key)
        if outcome.done:
            named = f"{arguments.condition} {arguments.subject}"
            keep_act(connection, f"alarms: {arguments.action}", named, by=arguments.by)
    for _, why in outcome.refused:
        raise CommandError(f"{name}: {why}")
    say(f"{name}: {_state(handling)}")
    return 0


def act_history(arguments: argparse.Namespace) -> int:
    """Show what happened to an alarm, and what people did with it."""
    from standingwatch.alarms.handling import UNTOUCHED
    from standingwatch.alarms.words import instant
    from standingwatch.store.desk_pages import changes_of_alarm
    from standingwatch.store.handling import handling_history, load_handlings

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        key = find_alarm(connection, arguments.subject, arguments.condition)
        changes = changes_of_alarm(connection, key, MOST_CHANGES)
        lines = [(c.time_us, f"{c.kind}: {c.text}") for c in reversed(changes)]
        for done in handling_history(connection, key):
            text = f": {done.text}" if done.text else ""
            lines.append((done.time_us, f"{done.act.value} by {done.by}{text} [{done.state.value}]"))
        handling = load_handlings(connection).get(key, UNTOUCHED)
    say(*(f"{instant(time_us)}  {line}" for time_us, line in sorted(lines, key=lambda one: one[0])))
    say(f"{arguments.subject} {arguments.condition}: {_state(handling)}")
    return 0


# Shelves ------------------------------------------------------------------------------------------------


def act_shelve(arguments: argparse.Namespace) -> int:
    """Make a shelf."""
    from standingwatch.alarms.words import instant
    from standingwatch.detect.words import Severity
    from standingwatch.store.handling import EntryError, add_shelf, unknown_names

    names = {name: getattr(arguments, name) or "" for name in ("site", "region", "transmitter", "condition")}
    if not any(names.values()) and arguments.up_to is None:
        raise CommandError(
            "shelve: got nothing that says which alarms, wanted at least one of --site, --region, "
            "--transmitter, --condition, --up-to"
        )
    at_us = now_us()
    until_us = at_us + arguments.for_us
    up_to = Severity.CRITICAL if arguments.up_to is None else arguments.up_to
    with open_store(settings_of(arguments)) as store, store.writing() as connection, told(EntryError):
        if problems := unknown_names(connection, names):
            raise EntryError(*problems)
        shelf = add_shelf(
            connection,
            names,
            up_to=up_to,
            until_us=until_us,
            reason=arguments.reason,
            by=arguments.by,
            now_us=at_us,
            first=arguments.first,
        )
        told_names = " ".join(filter(None, names.values()))
        keep_act(connection, "make a shelf", f"shelf {shelf} {told_names}".rstrip(), by=arguments.by)
    say(f"shelf {shelf} holds until {instant(until_us)}")
    return 0


def act_shelves(arguments: argparse.Namespace) -> int:
    """Show the shelves that hold."""
    from standingwatch.alarms.words import instant
    from standingwatch.store.handling import SHELF_NAMES, load_shelves

    at_us = now_us()
    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        shelves = [shelf for shelf in load_shelves(connection) if shelf.holds(at_us)]
    for shelf in shelves:
        names = [f"{name} {getattr(shelf, name)}" for name in SHELF_NAMES if getattr(shelf, name)]
        say(
            f"{shelf.number}  {', '.join(names) or 'all alarms'}, up to {shelf.up_to.word}, "
            f"until {instant(shelf.until_us)}, by {shelf.by}: {shelf.reason}"
        )
    say(f"{len(shelves)} shelves hold")
    return 0


def act_unshelve(arguments: argparse.Namespace) -> int:
    """Take a shelf away."""
    from standingwatch.store.handling import EntryError, end_shelf

    with open_store(settings_of(arguments)) as store, store.writing() as connection, told(EntryError):
        if not end_shelf(connection, arguments.number, by=arguments.by, now_us=now_us()):
            raise CommandError(
                f"shelf: got {arguments.number}, wanted one that holds; `alarms shelves` shows those"
            )
        keep_act(connection, "end a shelf", f"{arguments.number}", by=arguments.by)
    say(f"shelf {arguments.number} is gone")
    return 0


def act_purge(arguments: argparse.Namespace) -> int:
    """Delete alarms that ended long ago."""
    from standingwatch.store.purge import purge_alarms

    before_us = now_us() - round(arguments.cleared_before * _DAY_US)
    with open_store(settings_of(arguments)) as store, store.writing() as connection:
        gone = purge_alarms(connection, before_us)
        about = f"those that ended {arguments.cleared_before:g} d ago or earlier"
        keep_act(connection, "purge ended alarms", about, outcome=f"done: {gone} deleted")
    say(f"{gone} ended alarms deleted, with their history")
    return 0
