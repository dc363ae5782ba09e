"""`standingwatch readings`: history from files into the store, and back out again.

Rooms are imported inside the functions that use them, so that other commands start without them.
"""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from standingwatch.cli.arguments import now_us, number
from standingwatch.cli.common import (
    CommandError,
    add_settings_option,
    complain,
    open_store,
    raise_errors,
    say,
    settings_of,
    told,
)
from standingwatch.cli.replay import shown_progress

if TYPE_CHECKING:
    from standingwatch.intake.importing import FileResult, Importer, LineRefusal
    from standingwatch.readings.table_map import TableMap
    from standingwatch.settings import Settings
    from standingwatch.store.connect import Store

#: Refused lines of one reason that are shown of a file; all of them go to --refused.
SHOWN_LINES = 5


def register(commands: Any) -> None:
    """Add the commands."""
    readings = commands.add_parser("readings", help="history from files into the store")
    actions = readings.add_subparsers(dest="action", metavar="ACTION", required=True)
    parser = actions.add_parser(
        "import",
        help="put files of history in: CSV or Parquet, or folders of them",
        description="The site list has to be in the store. Stopped in the middle, the same command goes on "
        "where it was. Exit status 1 if a line could not be used. A service that runs takes the history in "
        "by itself; nothing of it is alarmed as if it were now.",
    )
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE_OR_FOLDER")
    parser.add_argument(
        "--columns",
        type=Path,
        metavar="MAP.toml",
        help="names and units of the columns, as in a payload profile",
    )
    parser.add_argument(
        "--refused", type=Path, metavar="FILE.csv", help="where every line that could not be used is listed"
    )
    parser.add_argument("--by", default="", metavar="NAME", help="who does it, for the audit")
    add_settings_option(parser)
    parser.set_defaults(act=act_import)
    parser = actions.add_parser("imports", help="show what was imported")
    add_settings_option(parser)
    parser.set_defaults(act=act_imports)
    parser = actions.add_parser("take-back", help="delete what an import brought, to put it in anew")
    parser.add_argument("number", type=number, metavar="NUMBER", help="its number in `readings imports`")
    parser.add_argument("--by", default="", metavar="NAME", help="who does it, for the audit")
    add_settings_option(parser)
    parser.set_defaults(act=act_take_back)


def act_import(arguments: argparse.Namespace) -> int:
    """Import files of history."""
    from standingwatch.cli.record import keep_act
    from standingwatch.intake.history_file import HistoryFileError, files_of
    from standingwatch.settings.table_map import load_table_map

    settings = settings_of(arguments)
    table_map: TableMap | None = None
    if arguments.columns is not None:
        table_map, problems = load_table_map(arguments.columns)
        raise_errors(problems)
    with told(HistoryFileError):
        files = files_of(arguments.files)
    with open_store(settings) as store, ExitStack() as stack:
        importer = importer_for(store, settings)
        if len(importer.fleet) == 0:
            raise CommandError("the site list is empty; put it in first: standingwatch inventory import FILE")
        refused = Refused(stack, arguments.refused)
        results, broken = _import_all(importer, files, table_map, refused)
        _roll_up(importer)
        _let_the_watch(store)
        stored, unusable = sum(r.stored for r in results), sum(r.refused.total() for r in results)
        if stored:
            about = f"{len(results)} files: {', '.join(str(path) for path in arguments.files)}"
            outcome = f"done: {stored} readings stored, {unusable} lines not usable"
            with store.writing() as connection:
                keep_act(connection, "readings import", about, by=arguments.by, outcome=outcome)
    _report(results, refused)
    complain(*broken)
    return 1 if broken or unusable else 0


def importer_for(store: Store, settings: Settings) -> Importer:
    """What puts files into a store."""
    from standingwatch.intake.importing import Importer
    from standingwatch.inventory import FleetDefaults

    defaults = FleetDefaults(**settings.defaults.model_dump())
    return Importer(store, defaults, settings.intake.future_tolerance_s, now_us)


def _import_all(
    importer: Importer, files: list[Path], table_map: TableMap | None, refused: Refused
) -> tuple[list[FileResult], list[str]]:
    """Import each file; one that cannot be read stops no other."""
    from standingwatch.intake.history_file import HistoryFileError

    results: list[FileResult] = []
    broken: list[str] = []
    with shown_progress("import", sum(file.stat().st_size for file in files)) as advance:
        for file in files:
            so_far = 0

            def progress(bytes_read: int) -> None:
                nonlocal so_far
                if bytes_read > so_far:
                    advance(bytes_read - so_far)
                    so_far = bytes_read

            try:
                results.append(importer.import_file(file, table_map, refused.take, progress))
            except HistoryFileError as error:
                broken.append(str(error))
            progress(file.stat().st_size)
    return results, broken


def _roll_up(importer: Importer) -> None:
    from standingwatch.intake.importing import merged

    spans = [(o.first_us, o.last_us) for o in importer.waiting() if o.first_us and o.last_us]
    total = sum(end - begin for begin, end in merged(spans))
    with shown_progress("hours", total) as advance:
        importer.roll_up(advance)


def _let_the_watch(store: Store) -> None:
    from standingwatch.store.imports import history_is_ready

    with store.writing() as connection:
        ready = history_is_ready(connection)
    if ready:
        say("the history is in; the watch takes it into its baselines as soon as it runs")


class Refused:
    """Lines that could not be used: some of each reason are kept to be shown, all go to a file."""

    def __init__(self, stack: ExitStack, path: Path | None) -> None:
        import csv

        self._shown: dict[tuple[str, str], list[LineRefusal]] = {}
        self.path = path
        self._writer = None
        if path is not None:
            try:
                stream = stack.enter_context(path.open("w", encoding="utf-8", newline=""))
            except OSError as error:
                raise CommandError(f"{path}: cannot be written: {error.strerror}") from error
            self._writer = csv.writer(stream)
            self._writer.writerow(("file", "line", "reason", "detail"))

    def take(self, refusal: LineRefusal) -> None:
        """Note one."""
        shown = self._shown.setdefault((refusal.file, refusal.reason), [])
        if len(shown) < SHOWN_LINES:
            shown.append(refusal)
        if self._writer is not None:
            self._writer.writerow(refusal)

    def examples(self) -> list[LineRefusal]:
        """Some of each file and reason."""
        return [one for some in self._shown.values() for one in some]


def _report(results: list[FileResult], refused: Refused) -> None:
    """Say what became of the files."""
    from collections import Counter

    by_reason: Counter[str] = sum((r.refused for r in results), Counter())
    complain(*(str(one) for one in refused.examples()))
    stored = sum(r.stored for r in results)
    before = sum(r.stored_before for r in results)
    repeated = sum(r.repeated for r in results)
    complete = sum(r.was_complete for r in results)
    say(
        f"{len(results)} files, {sum(r.rows for r in results)} rows: {stored} readings stored"
        + (f" ({before} before)" if before else "")
        + (f", {repeated} kept already" if repeated else "")
        + (f"; {complete} files had been imported before" if complete else "")
    )
    if by_reason:
        reasons = ", ".join(f"{count} {reason}" for reason, count in sorted(by_reason.items()))
        where = f"; all are in {refused.path}" if refused.path else "; --refused FILE.csv lists all"
        say(f"lines that could not be used: {reasons}{where}")


def act_imports(arguments: argparse.Namespace) -> int:
    """Show what was imported."""
    from standingwatch.alarms.words import instant
    from standingwatch.store.imports import list_imports

    with open_store(settings_of(arguments)) as store, store.reading() as connection:
        found = list_imports(connection)
    for one in found:
        span = ""
        if one.first_us is not None and one.last_us is not None:
            span = f", {instant(one.first_us)} to {instant(one.last_us)}"
        wrong = sum(one.refused.values())
        state = "" if one.ended_us is not None else "; not to its end: import it again to go on"
        say(
            f"{one.number}  {one.file}, begun {instant(one.begun_us)}: {one.rows} rows, {one.stored} stored, "
            f"{one.repeated} kept already, {wrong} not usable{span}{state}"
        )
    say(f"{len(found)} imports")
    return 0


def act_take_back(arguments: argparse.Namespace) -> int:
    """Delete what an import brought."""
    from standingwatch.cli.record import keep_act
    from standingwatch.intake.importing import roll_up_span
    from standingwatch.store.imports import list_imports, take_back

    settings = settings_of(arguments)
    with open_store(settings) as store:
        with store.writing() as connection:
            known = {one.number: one for one in list_imports(connection)}
            gone = take_back(connection, arguments.number)
            if gone is None:
                raise CommandError(
                    f"import: got {arguments.number}, wanted one of `standingwatch readings imports`"
                )
            about = f"import {arguments.number}, {known[arguments.number].file}"
            outcome = f"done: {gone} readings deleted"
            keep_act(connection, "readings take-back", about, by=arguments.by, outcome=outcome)
        one = known[arguments.number]
        if one.first_us is not None and one.last_us is not None:
            importer = importer_for(store, settings)
            roll_up_span(store, importer.fleet.key, one.first_us, one.last_us + 1, replace=True)
        _let_the_watch(store)
    say(f"import {arguments.number} taken back: {gone} readings deleted")
    return 0
