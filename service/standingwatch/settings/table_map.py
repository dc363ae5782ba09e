"""The column map for an import, read from its TOML file with all that is wrong with it."""

from __future__ import annotations

from pathlib import Path

from standingwatch.readings.problem import Problem
from standingwatch.readings.table_map import TableMap
from standingwatch.readings.table_map_read import build_table_map
from standingwatch.settings.sources import read_file


def load_table_map(path: Path) -> tuple[TableMap | None, list[Problem]]:
    """The column map in a file, or None and every problem with file, line and key."""
    file = read_file(path, "a column map")
    if file.problems:
        return None, list(file.problems)
    table_map, wrong = build_table_map(file.data)
    problems = []
    for one in wrong:
        # A key that is missing stands nowhere: the line is that of the table it belongs into.
        tables = (one.key[:length] for length in range(len(one.key), 0, -1))
        line = next((file.lines[key] for key in tables if key in file.lines), None)
        key = ".".join(one.key)
        problems.append(Problem("error", str(path), line, key, one.got, one.wanted, one.mend))
    return table_map, problems
