"""`standingwatch alarms report`: the alarm system's own report against the published targets."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import now_us, people, some_days
from standingwatch.cli.common import add_settings_option, open_store, say, settings_of

if TYPE_CHECKING:
    from standingwatch.alarms.performance import Performance
    from standingwatch.alarms.rates import Line

_DAY_US = 86_400_000_000


def register(actions: Any) -> None:
    """Add the command."""
    parser = actions.add_parser(
        "report",
        help="what the alarm system asks of people, against the published targets",
        description="Targets of ANSI/ISA-18.2, IEC 62682, EEMUA 191. Exit status 0 whether met or not.",
    )
    parser.add_argument(
        "--days", type=some_days, default=30.0, metavar="N", help="of the last N days (default 30)"
    )
    parser.add_argument(
        "--operators", type=people, default=1.0, metavar="N", help="people who share the alarms (default 1)"
    )
    parser.add_argument("--json", action="store_true", help="as JSON")
    add_settings_option(parser)
    parser.set_defaults(act=act)


def act(arguments: argparse.Namespace) -> int:
    """Print the report."""
    from standingwatch.store.performance import alarm_performance

    at_us = now_us()
    start_us = at_us - round(arguments.days * _DAY_US)
    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        report = alarm_performance(connection, start_us, at_us, operators=arguments.operators)
    say(json.dumps(as_data(report), indent=2)) if arguments.json else say(*as_text(report))
    return 0


def as_data(report: Performance) -> dict[str, Any]:
    """The report as JSON data: times as RFC 3339, null where nothing can be said."""
    from standingwatch.alarms.event import rfc3339

    def lines(some: tuple[Line, ...]) -> list[dict[str, Any]]:
        return [{**asdict(line), "met": line.met} for line in some]

    return {
        "start": rfc3339(report.start_us),
        "end": rfc3339(report.end_us),
        "operators": report.operators,
        "alarms": report.alarms,
        "lines": lines(report.lines),
        "frequent": [asdict(f) for f in report.frequent],
        "by_severity": dict(report.by_severity),
        "notifications_since": rfc3339(report.notifications_since_us),
        "notifications": {channel: lines(some) for channel, some in report.notifications.items()},
    }


def as_text(report: Performance) -> list[str]:
    """The report as lines of text."""
    from standingwatch.alarms.words import instant

    severities = ", ".join(f"{count} {word}" for word, count in report.by_severity.items() if count)
    text = [
        f"{instant(report.start_us)} to {instant(report.end_us)}, for {report.operators:g} at a time",
        f"{report.alarms} alarms raised{': ' + severities if severities else ''}",
        "",
        *_table(report.lines),
    ]
    if report.frequent:
        text += ["", "Came most often:"]
        text += [f"{f.count:>8}  {f.share_percent:5.1f} %  {f.key}" for f in report.frequent]
    for channel, lines in report.notifications.items():
        since = instant(report.notifications_since_us)
        text += ["", f"Notifications by {channel}, made since {since} and still known:", *_table(lines)]
    return text


def _table(lines: tuple[Line, ...]) -> list[str]:
    """Lines of the report: figure, verdict, what, and in a second line the target and what is to be known."""
    text = []
    for line in lines:
        figure = "-" if line.value is None else f"{line.value:.6g}"
        text.append(f"{figure:>10} {line.unit:<6}  {line.verdict.value:<16}  {line.what}")
        target = []
        if line.target:
            limit = f", limit {line.limit}" if line.limit else ""
            target.append(f"target {line.target}{limit} ({line.source}; {line.status})")
        if line.note:
            target.append(line.note)
        if target:
            text.append(f"{'':>37}{'; '.join(target)}")
    return text
