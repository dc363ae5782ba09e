"""`standingwatch profile`: payload profiles tried on samples, drafted from them, and listed.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import now_us, time_us
from standingwatch.cli.common import CommandError, add_settings_option, complain, say, settings_of

if TYPE_CHECKING:
    from standingwatch.readings.profile import Profile
    from standingwatch.readings.profile.trace import TracedReport
    from standingwatch.settings import Settings

_FORMATS = ("json", "csv", "number", "sparkplug")


def register(commands: Any) -> None:
    """Add the commands."""
    profile = commands.add_parser("profile", help="payload profiles: how strange devices are read")
    actions = profile.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser(
        "try",
        help="show what a profile makes of a sample, field by field",
        description="Prints each field of each report: where it was looked for, what stood there, what was "
        "made of it, and what went wrong. Nothing is stored. Exit status 1 if anything is refused.",
    )
    parser.add_argument(
        "profile", metavar="PROFILE", help="its name in the folder intake.profiles, or a file that ends .toml"
    )
    _add_sample(parser)
    parser.add_argument(
        "--received",
        type=time_us,
        metavar="TIME",
        help="when the sample came, RFC 3339 with offset (default: now)",
    )
    parser.add_argument(
        "--most", type=int, default=20, metavar="N", help="so many reports at most are shown (default 20)"
    )
    add_settings_option(parser)
    parser.set_defaults(act=act_try)

    parser = actions.add_parser(
        "draft",
        help="write a start for a profile from a sample",
        description="Guesses from names and values where each field stands and in what unit. Every guess is "
        "marked as one in a comment; what cannot be guessed is marked as needed.",
    )
    _add_sample(parser)
    parser.add_argument("--format", choices=_FORMATS, help="of the sample (default: as it looks)")
    parser.add_argument(
        "--out", type=Path, metavar="FILE", help="write it to a new file, in place of standard output"
    )
    add_settings_option(parser)
    parser.set_defaults(act=act_draft)

    parser = actions.add_parser("list", help="show the profiles of the folder, and their problems")
    add_settings_option(parser)
    parser.set_defaults(act=act_list)


def _add_sample(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE", help="the sample: one message as it came; - for standard input"
    )
    parser.add_argument("--topic", required=True, metavar="TOPIC", help="topic that the message came on")


def act_try(arguments: argparse.Namespace) -> int:
    """Show what a profile makes of a sample."""
    from standingwatch.readings.samples import trace_sample

    settings = settings_of(arguments)
    profile = _profile(arguments.profile, settings)
    payload = _sample(arguments.file, settings.intake.max_payload_bytes)
    received_us = now_us() if arguments.received is None else arguments.received
    reports = trace_sample(
        profile, arguments.topic, payload, received_us, time_if_absent=settings.intake.time_if_absent
    )
    _show(reports, arguments.most)
    complain(*_not_listed(reports, settings))
    return 1 if any(report.refusal is not None for report in reports) else 0


def act_draft(arguments: argparse.Namespace) -> int:
    """Write a start for a profile."""
    import tomllib

    from standingwatch.readings.profile import build_profile
    from standingwatch.readings.samples import DraftError, draft_sample, trace_sample

    settings = settings_of(arguments)
    payload = _sample(arguments.file, settings.intake.max_payload_bytes)
    try:
        draft = draft_sample(arguments.topic, payload, format=arguments.format, places=_places(settings))
    except DraftError as error:
        raise CommandError(f"{arguments.file}: {error}") from error
    if arguments.out is None:
        sys.stdout.write(draft.text)
        sys.stdout.flush()
    else:
        _write_new(arguments.out, draft.text)
    complain(f"{draft.guesses} guesses, each marked GUESS: hold them against the device's manual or display")
    complain(*(f"needed: {what}" for what in draft.needed))
    profile, _ = build_profile("draft", tomllib.loads(draft.text))
    if profile is not None:
        reports = trace_sample(profile, arguments.topic, payload, now_us(), time_if_absent="receipt", most=1)
        complain(f"of the sample it makes: {_first_words(reports)}")
    return 0


def act_list(arguments: argparse.Namespace) -> int:
    """Show the profiles."""
    from standingwatch.settings.profiles import profiles_of

    settings = settings_of(arguments)
    profiles, problems = profiles_of(settings)
    rows = [(one.name, one.format, one.topic.text, one.title) for one in profiles]
    say(*_table(("Name", "Format", "Topic", "Title"), rows) if rows else ())
    complain(*(str(problem) for problem in problems))
    errors = sum(problem.severity == "error" for problem in problems)
    say(f"{len(profiles)} profiles in {settings.intake.profiles}, {errors} errors")
    return 1 if errors else 0


def _profile(given: str, settings: Settings) -> Profile:
    """The profile that a command names."""
    from standingwatch.settings.profiles import ENDING, load_profile

    if given.endswith(ENDING) or "/" in given:
        path = Path(given)
    else:
        path = settings.intake.profiles / f"{given}{ENDING}"
        if not path.exists():
            names = sorted(one.stem for one in settings.intake.profiles.glob(f"*{ENDING}"))
            known = ", ".join(names) or "none so far"
            raise CommandError(
                f"profile: got {given!r}, wanted one of those in {settings.intake.profiles} ({known}), or a "
                f"file that ends {ENDING}"
            )
    profile, problems = load_profile(path)
    complain(*(str(problem) for problem in problems))
    if profile is None:
        raise CommandError(f"{path}: {len(problems)} problems; mend them and try again")
    return profile


def _sample(name: str, most: int) -> bytes:
    """The bytes of a sample."""
    try:
        if name == "-":
            payload = sys.stdin.buffer.read(most + 1)
        else:
            with Path(name).open("rb") as file:
                payload = file.read(most + 1)
    except OSError as error:
        raise CommandError(f"{name}: {error.strerror or error}; give the file with the sample") from error
    if len(payload) > most:
        raise CommandError(
            f"{name}: more than {most} bytes, which the intake refuses as too-large; give one message, or "
            "raise intake.max_payload_bytes"
        )
    return payload


def _write_new(path: Path, text: str) -> None:
    try:
        # The first profile of all finds no folder of profiles.
        path.parent.mkdir(exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise CommandError(
            f"{path}: {error.strerror or error}; a draft goes into a new file in a folder that can be made"
        ) from error
    say(f"{path} is written; nobody has checked it yet")


def _places(settings: Settings) -> list[tuple[str, str]]:
    """Sites and transmitters of the site list, as far as the settings name a file of it."""
    from standingwatch.inventory import read_inventory

    if settings.inventory.file is None:
        return []
    return [(row.site, row.transmitter) for row in read_inventory(settings.inventory.file).rows]


def _not_listed(reports: Sequence[TracedReport], settings: Settings) -> list[str]:
    """Who is not on the site list, where the settings name a file of it."""
    if settings.inventory.file is None:
        return []
    listed = set(_places(settings))
    named = {(one.site, one.transmitter) for one in reports if one.site and one.transmitter}
    return [
        f"{site}/{transmitter} is not in {settings.inventory.file}: its reports would wait as "
        "unknown-transmitter; add it, or map the name in [sites] or [transmitters]"
        for site, transmitter in sorted(named - listed)
    ]


def _show(reports: Sequence[TracedReport], most: int) -> None:
    from standingwatch.readings.profile.trace_words import HEADINGS, field_words, outcome_words, place_words

    shown = reports[: max(most, 0)]
    for number, report in enumerate(shown, 1):
        place = place_words(report) or "no place"
        say(f"report {number} of {len(reports)}: {place}")
        words = [field_words(row) for row in report.fields]
        if words:
            cells = [one[:-1] if not one.problem else (*one[:-2], "wrong, see below") for one in words]
            say(*(f"  {line}" for line in _table(HEADINGS, cells)))
        said = "" if report.refusal is None else report.refusal.detail
        say(*(f"  {one.name}: {one.problem}" for one in words if one.problem and one.problem != said))
        say(f"  {outcome_words(report)}")
    if len(reports) > len(shown):
        say(f"{len(reports) - len(shown)} more are not shown (--most)")
    refused = sum(report.refusal is not None for report in reports)
    say(f"{len(reports)} {'report' if len(reports) == 1 else 'reports'}, {refused} refused")


def _first_words(reports: Sequence[TracedReport]) -> str:
    from standingwatch.readings.profile.trace_words import outcome_words, place_words

    if not reports:
        return "nothing"
    return ": ".join(filter(None, (place_words(reports[0]), outcome_words(reports[0]))))


def _table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table whose columns stand below each other."""
    all_rows = [headings, *rows]
    widths = [max(len(row[at]) for row in all_rows) for at in range(len(headings))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in all_rows
    ]
