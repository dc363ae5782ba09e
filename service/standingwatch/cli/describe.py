"""`standingwatch describe`: what goes over the wire, for those who write programs at the other end of it,
and the reference pages for people: settings, site list, commands, conditions, topics, API and metrics.

Rooms are imported inside the function that uses them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from typing import Any

from standingwatch.cli.common import add_settings_option, say, settings_of

#: For programs, by what the settings say.
WIRE = {
    "asyncapi": "the MQTT interface as an AsyncAPI 3.0 document",
    "report-schema": "JSON Schema of a report's payload",
    "event-schema": "JSON Schema of an event about alarms, the same on every channel",
}

#: For people, as Markdown; these need no settings.
PAGES = {
    "settings": "every setting with its default",
    "site-list": "every column of the site list",
    "conditions": "every condition, with what to do",
    "topics": "every MQTT topic and what is on it",
    "api": "every operation of the HTTP API",
    "commands": "every command with its options",
    "metrics": "every Prometheus metric with its labels",
}


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "describe",
        help="the MQTT interface and its payloads, as AsyncAPI and JSON Schema; the reference pages",
        description="Prints a description made from what the service itself uses: for programs, where the "
        "settings say what topics begin with, whether a report needs a time, and where the broker is; or "
        "for people, as Markdown, of all defaults.",
    )
    told = WIRE | {name: f"{words}, as Markdown" for name, words in PAGES.items()}
    parser.add_argument(
        "what",
        choices=told,
        metavar="WHAT",
        help="; ".join(f"{name}: {words}" for name, words in told.items()),
    )
    add_settings_option(parser)
    parser.set_defaults(act=act)


def act(arguments: argparse.Namespace) -> int:
    """Print a description."""
    if arguments.what in PAGES:
        say(page(arguments.what).rstrip("\n"))
        return 0
    from standingwatch.alarms.asyncapi import Server, asyncapi
    from standingwatch.alarms.wire_schema import event_schema
    from standingwatch.readings.report_schema import report_schema

    settings = settings_of(arguments)
    broker, time_required = settings.broker, settings.intake.time_if_absent == "refuse"
    if arguments.what == "asyncapi":
        server = Server(broker.host, broker.port, broker.tls, broker.protocol)
        found = asyncapi(broker.topic_root, time_required=time_required, server=server)
    elif arguments.what == "report-schema":
        found = report_schema(time_required=time_required)
    else:
        found = event_schema()
    say(json.dumps(found, indent=2, ensure_ascii=False))
    return 0


def page(name: str) -> str:
    """A page of the reference as Markdown.

    Args:
        name: one of `PAGES`.

    Raises:
        KeyError: for another name.
    """
    return _MAKERS[name]()


def _settings() -> str:
    from standingwatch.cli.reference.settings_page import settings_page

    return settings_page()


def _site_list() -> str:
    from standingwatch.cli.reference.site_list_page import site_list_page

    return site_list_page()


def _conditions() -> str:
    from standingwatch.cli.reference.conditions_page import conditions_page

    return conditions_page()


def _topics() -> str:
    from standingwatch.cli.reference.topics_page import topics_page

    return topics_page()


def _api() -> str:
    from standingwatch.cli.reference.api_page import api_page

    return api_page()


def _commands() -> str:
    # The parser of all commands knows of this one.
    from standingwatch.cli.main import build_parser
    from standingwatch.cli.reference.commands_page import commands_page

    return commands_page(build_parser())


def _metrics() -> str:
    from standingwatch.metrics_reference import metrics_reference

    return metrics_reference()


_MAKERS: dict[str, Callable[[], str]] = {
    "settings": _settings,
    "site-list": _site_list,
    "conditions": _conditions,
    "topics": _topics,
    "api": _api,
    "commands": _commands,
    "metrics": _metrics,
}
