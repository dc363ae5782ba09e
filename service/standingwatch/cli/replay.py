"""`standingwatch replay`: a file of history through the watch, as if live.

Rooms are imported inside the functions that use them, so that other commands start without them, and this one
without store, broker, web page and, where nobody watches, progress bar.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from standingwatch.cli.common import (
    DEFAULT_FILE,
    CommandError,
    complain,
    raise_errors,
    say,
    settings_of,
    told,
    usable_inventory,
)

if TYPE_CHECKING:
    from standingwatch.detect.judged import Prepared
    from standingwatch.inventory.maintenance import MaintenanceRow
    from standingwatch.readings import Fleet
    from standingwatch.settings import Settings
    from standingwatch.watch.explain import Recorder
    from standingwatch.watch.history_parts import HistoryParts
    from standingwatch.watch.replay import Piece, Replay, ReplaySummary

#: Settings that are replayed side by side, at most.
MOST_SETTINGS = 2

COMPARISON = "comparison.json"


def register(commands: Any) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "replay",
        help="a file of history through the watch, as if live",
        description="Writes alarms.jsonl, visits.jsonl and summary.json into the folder of --out.",
    )
    parser.add_argument("--inventory", type=Path, required=True, metavar="FILE", help="site list, CSV")
    parser.add_argument(
        "--readings",
        type=Path,
        required=True,
        metavar="FILE",
        help="history: CSV, Parquet, or a folder of Parquet files",
    )
    parser.add_argument("--maintenance", type=Path, metavar="FILE", help="work on record, CSV")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the results")
    parser.add_argument(
        "--settings",
        type=Path,
        action="append",
        metavar="FILE",
        help=f"settings in TOML (default: {DEFAULT_FILE} if it is there, else all defaults); environment "
        "variables STANDINGWATCH_SECTION__KEY win. Given twice: both are replayed and compared, each into a "
        "folder of its own under --out, with comparison.json beside them",
    )
    parser.add_argument(
        "--explain",
        action="append",
        default=[],
        metavar="SITE/TRANSMITTER",
        help="what the detectors saw of this transmitter, as a chart (explain-SITE-TRANSMITTER.svg) and a "
        "row a day (.csv); may be given several times",
    )
    parser.set_defaults(act=act_replay)


def act_replay(arguments: argparse.Namespace) -> int:
    """Replay a file of history."""
    import numpy as np

    from standingwatch.inventory import FleetDefaults, build_fleet
    from standingwatch.inventory.maintenance import read_maintenance
    from standingwatch.watch.history import HistoryError
    from standingwatch.watch.history_parts import NotInPiecesError, open_history

    files: list[Path | None] = list(arguments.settings or [None])
    if len(files) > MOST_SETTINGS:
        complain(f"--settings: got {len(files)} files, wanted one, or two to compare")
        return 2
    settings = [settings_of(argparse.Namespace(settings=file)) for file in files]
    rows = usable_inventory(arguments.inventory)
    work: tuple[MaintenanceRow, ...] = ()
    if arguments.maintenance is not None:
        work, problems = read_maintenance(arguments.maintenance)
        raise_errors(problems)
    fleets = [
        build_fleet(rows, np.arange(len(rows)), FleetDefaults(**one.defaults.model_dump()))
        for one in settings
    ]
    explained: list[int] = []
    if arguments.explain:
        from standingwatch.cli.replay_explain import positions_of

        explained, wrong = positions_of(arguments.explain, fleets[0], arguments.inventory)
        if wrong:
            complain(*wrong)
            return 2
    folders = out_folders(arguments.out, files)

    def replayed(whole: bool) -> tuple[list[Run], list[ReplaySummary]]:
        with told(HistoryError):
            # The settings' defaults of a transmitter play no part in whose a reading is.
            history = open_history(arguments.readings, fleets[0], whole)
        with ExitStack() as stack:
            runs = [
                Run(stack, folder, fleet, one, work, explained)
                for folder, fleet, one in zip(folders, fleets, settings, strict=True)
            ]
            return runs, judged(history, runs)

    try:
        runs, summaries = replayed(whole=False)
    except NotInPiecesError:
        runs, summaries = replayed(whole=True)
    for run, summary in zip(runs, summaries, strict=True):
        if len(runs) > 1:
            say(f"{run.out}:")
        report(summary, run.fleet, run.out / "summary.json")
        if run.recorder is not None:
            from standingwatch.cli.replay_explain import write_explained

            say(*write_explained(run.out, run.fleet, run.work, run.recorder, summary.last_us))
    if len(runs) > 1:
        report_comparison(arguments.out, runs, [str(file) for file in files])
    return 0


class Ready(NamedTuple):
    """Readings that are ready to be judged.

    Attributes:
        rows: how many.
        pieces: the piece of each run; none at the end.
        rest: what is left for each run at the end.
        unknown, refused: rows so far that were left out.
    """

    rows: int
    pieces: list[Piece]
    rest: list[Prepared | None]
    unknown: int
    refused: Counter[str]


def made_ready(history: HistoryParts, runs: Sequence[Run]) -> Generator[Ready]:
    """All readings of a history, piece by piece, and what is left at the end."""
    for part in filter(len, history.slices()):
        pieces = [run.replay.prepare(part) for run in runs]
        yield Ready(len(part), pieces, [], history.unknown, history.refused)
    yield Ready(0, [], [run.replay.rest() for run in runs], history.unknown, history.refused)


def judged(history: HistoryParts, runs: Sequence[Run]) -> list[ReplaySummary]:
    """Judge a history; where it is long a second process reads and prepares what is judged here."""
    from standingwatch.watch.ahead import MakerLostError, ahead, can_be_apart
    from standingwatch.watch.history import HistoryError

    pieces = made_ready(history, runs)
    if history.is_long and can_be_apart():
        pieces = ahead(pieces)
    summaries = []
    with (
        told(HistoryError, MakerLostError),
        shown_progress("replay", history.rows) as advance,
        closing(pieces),
    ):
        for ready in pieces:
            for run, piece in zip(runs, ready.pieces, strict=False):
                run.replay.judge(piece)
            for run, rest in zip(runs, ready.rest, strict=False):
                summary = run.replay.finish(rest)
                summary.unknown, summary.refused = ready.unknown, ready.refused
                summaries.append(summary)
            advance(ready.rows)
    return summaries


class Run:
    """A replay with one set of settings, and where its results go."""

    def __init__(
        self,
        stack: ExitStack,
        out: Path,
        fleet: Fleet,
        settings: Settings,
        work: Sequence[MaintenanceRow],
        explained: list[int],
    ) -> None:
        from standingwatch.watch.judging import detection_settings, steady_settings, to_maintenance
        from standingwatch.watch.replay import Replay

        self.out, self.fleet = out, fleet
        self.work = to_maintenance(work, fleet)
        detection = detection_settings(settings)
        self.recorder: Recorder | None = None
        if explained:
            from standingwatch.watch.explain import Recorder

            self.recorder = Recorder(fleet, explained, detection.detectors.departure)
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise CommandError(f"{out}: cannot be made a folder: {error.strerror}") from error
        self.replay: Replay = Replay(
            fleet,
            detection,
            self.work,
            settings.intake.future_tolerance_s,
            stack.enter_context((out / "alarms.jsonl").open("w", encoding="utf-8")),
            stack.enter_context((out / "visits.jsonl").open("w", encoding="utf-8")),
            self.recorder,
            steady_settings(settings),
        )


def out_folders(out: Path, files: Sequence[Path | None]) -> list[Path]:
    """The folder of each replay: `out` for one, below it for two, by the files' names where those differ."""
    if len(files) == 1:
        return [out]
    names = [file.stem for file in files if file is not None]
    if len({name.casefold() for name in (*names, COMPARISON)}) <= len(files):
        names = ["a", "b"]
    return [out / name for name in names]


def report_comparison(out: Path, runs: Sequence[Run], names: Sequence[str]) -> None:
    """Write comparison.json, and say what it holds."""
    import json

    from standingwatch.watch.compare import Outcome, compare, in_words

    def lines(path: Path) -> list[dict[str, Any]]:
        with path.open(encoding="utf-8") as stream:
            return [json.loads(line) for line in stream]

    a, b = (
        Outcome(name, lines(run.out / "alarms.jsonl"), lines(run.out / "visits.jsonl"))
        for name, run in zip(names, runs, strict=True)
    )
    comparison = compare(a, b)
    (out / COMPARISON).write_text(json.dumps(comparison, indent=2) + "\n", encoding="utf-8")
    say("", *in_words(comparison))


@contextmanager
def shown_progress(what: str, total: int | None) -> Iterator[Callable[[int], None]]:
    """A progress bar on standard error when a person watches; what it gives takes the steps made.

    The total is None where nobody knows it before.
    """
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(what, total=total)
        yield lambda steps: progress.advance(task, steps)


def report(summary: ReplaySummary, fleet: Fleet, path: Path) -> None:
    """Write summary.json, and say what it holds."""
    import json

    data = summary.as_data(fleet)
    path.write_text(json.dumps(data, indent=2) + "\n", encoding="utf-8")
    raised = (
        ", ".join(f"{r['count']} {r['condition']} {r['severity']}" for r in data["alarms_raised"]) or "none"
    )
    say(
        f"{summary.readings} readings of {len(fleet)} transmitters over {data['days']:.1f} days",
        f"alarms raised: {raised}",
        f"visits proposed: {summary.visits}",
    )
    if summary.unknown:
        say(f"{summary.unknown} readings of transmitters that are not in the inventory were left out")
    if summary.refused:
        say("rows refused: " + ", ".join(f"{c} {r}" for r, c in sorted(summary.refused.items())))
