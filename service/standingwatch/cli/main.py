"""Arguments in, exit status out: 0 done, 1 a problem was found, 2 wrong use."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from standingwatch import __version__
from standingwatch.cli import (
    access,
    alarms,
    backup,
    check,
    clocks,
    data,
    describe,
    exporting,
    history,
    notify,
    profile,
    replay,
    review,
    serve,
    site,
    status,
    visits,
)
from standingwatch.cli.common import CommandError, complain


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="standingwatch",
        description="Watches the SWR of a fleet of transmitters: reports in over MQTT, alarms out.",
    )
    parser.add_argument("--version", action="version", version=f"standingwatch {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for part in (
        serve,
        status,
        check,
        clocks,
        data,
        history,
        exporting,
        site,
        backup,
        profile,
        replay,
        alarms,
        notify,
        review,
        access,
        visits,
        describe,
    ):
        part.register(commands)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Args:
        arguments: the command line without the program's name; that of the process if None.

    Returns:
        The exit status.
    """
    parsed = build_parser().parse_args(arguments)
    act: Callable[[argparse.Namespace], int] = parsed.act
    try:
        return act(parsed)
    except CommandError as error:
        complain(str(error))
    except KeyboardInterrupt:
        complain("stopped")
    except BrokenPipeError:
        # Whoever read our output has seen enough; the interpreter must not complain about it at its end.
        sys.stderr.close()
    return 1
