"""`standingwatch describe`: what goes over the wire, for those who write programs at the other end of it,
and the metrics, for those who write rules about them.

Rooms are imported inside the function that uses them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import json
from typing import Any

from standingwatch.cli.common import add_settings_option, say, settings_of

WHAT = {
    "asyncapi": "the MQTT interface as an AsyncAPI 3.0 document",
    "report-schema": "JSON Schema of a report's payload",
    "event-schema": "JSON Schema of an event about alarms, the same on every channel",
    "metrics": "the reference of all Prometheus metrics, as Markdown; needs no settings",
}


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "describe",
        help="the MQTT interface and its payloads, as AsyncAPI and JSON Schema; the metrics",
        description="Prints a description made from the types that the service uses, for programs or, of the "
        "metrics, for people. The settings say what topics begin with, whether a report needs a time, and "
        "where the broker is.",
    )
    parser.add_argument(
        "what",
        choices=WHAT,
        metavar="WHAT",
        help="; ".join(f"{name}: {words}" for name, words in WHAT.items()),
    )
    add_settings_option(parser)
    parser.set_defaults(act=act)


def act(arguments: argparse.Namespace) -> int:
    """Print a description."""
    if arguments.what == "metrics":
        from standingwatch.metrics_reference import metrics_reference

        say(metrics_reference().rstrip("\n"))
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
