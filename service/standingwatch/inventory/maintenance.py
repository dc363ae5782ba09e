"""Work on record: reading maintenance.csv, all its problems at once."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from standingwatch.readings import BadTimeError, parse_time
from standingwatch.readings.problem import Problem

COLUMNS = ("site", "transmitter", "start", "end", "kind")
KINDS = ("visit", "retune", "outage")


@dataclass(frozen=True)
class MaintenanceRow:
    """A window of work.

    Attributes:
        site: where.
        transmitter: which; "" for all of the site.
        start_us, end_us: the window [Unix microseconds].
        kind: "visit" or "retune" (after which the match may be another one) or "outage".
    """

    site: str
    transmitter: str
    start_us: int
    end_us: int
    kind: str


def read_maintenance(path: Path) -> tuple[tuple[MaintenanceRow, ...], tuple[Problem, ...]]:
    """Rows of a maintenance file, and what is wrong with it; a row with a problem is left out.

    Args:
        path: CSV in UTF-8 with the columns site, transmitter, start, end, kind; times: RFC 3339 with offset.
    """
    name = str(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        return (), (Problem("error", name, None, "", str(error), "a readable file in UTF-8", ""),)
    reader = csv.DictReader(io.StringIO(text, newline=""))
    found = tuple(reader.fieldnames or ())
    problems = [
        Problem("error", name, 1, column, "no such column", f"the columns {', '.join(COLUMNS)}", "add it")
        for column in COLUMNS
        if column not in found
    ]
    problems += [
        Problem("error", name, 1, column, "an unknown column", f"only {', '.join(COLUMNS)}", "leave it out")
        for column in found
        if column not in COLUMNS
    ]
    if problems:
        return (), tuple(problems)
    rows = []
    for record in reader:
        before = len(problems)
        line = reader.line_num
        values = {column: (record[column] or "").strip() for column in COLUMNS}
        times = {}
        for column in ("start", "end"):
            try:
                times[column] = parse_time(values[column])
            except BadTimeError as error:
                problems.append(
                    Problem(
                        "error", name, line, column, repr(values[column]), "RFC 3339 with offset", str(error)
                    )
                )
        if not values["site"]:
            problems.append(Problem("error", name, line, "site", "nothing", "the name of a site", ""))
        if values["kind"] not in KINDS:
            problems.append(
                Problem("error", name, line, "kind", repr(values["kind"]), f"one of {', '.join(KINDS)}", "")
            )
        if len(times) == 2 and times["end"] < times["start"]:
            problems.append(
                Problem("error", name, line, "end", values["end"], f"not before {values['start']}", "")
            )
        if len(problems) == before:
            rows.append(
                MaintenanceRow(
                    values["site"], values["transmitter"], times["start"], times["end"], values["kind"]
                )
            )
    return tuple(rows), tuple(problems)
