"""Reading and writing the inventory file, with all problems at once."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from standingwatch.inventory.columns import COLUMN_BY_NAME, COLUMNS, BadCell, nearest, read_cell, shown
from standingwatch.inventory.rows import InventoryRow, row_problems
from standingwatch.readings.problem import Problem

_OTHER_SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}
_OF_THE_SITE = ("site_name", "region", "latitude", "longitude")


@dataclass(frozen=True)
class Inventory:
    """What an inventory file says.

    Attributes:
        rows: the rows that can be used.
        problems: all that is wrong, in the order of the lines.
        lines: line of the file that each row begins on.
        file: name of the file.
    """

    rows: tuple[InventoryRow, ...]
    problems: tuple[Problem, ...] = ()
    lines: tuple[int, ...] = ()
    file: str = ""

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that are errors."""
        return tuple(problem for problem in self.problems if problem.severity == "error")


def read_inventory(path: Path) -> Inventory:
    """Read an inventory file: UTF-8, with or without byte order mark, any line ends.

    Nothing is raised for what is wrong with the file, one that cannot be read included: see `problems`.
    """
    name = str(path)
    try:
        raw = path.read_bytes()
    except OSError as error:
        return _failed(
            name, None, error.strerror or type(error).__name__, "an inventory file", "correct the path"
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _failed(name, 1, "UTF-16", "UTF-8", "save the file as CSV in UTF-8")
    if raw.startswith(b"PK\x03\x04"):
        return _failed(name, 1, "a spreadsheet or archive", "CSV", "save the sheet as CSV in UTF-8")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return _failed(name, line, f"byte 0x{raw[error.start]:02x}", "UTF-8", "save the file as CSV in UTF-8")
    return read_inventory_text(text, name)


def read_inventory_text(text: str, name: str) -> Inventory:
    """Read the text of an inventory; `name` is what problems call the file."""
    return _Reader(text.removeprefix("\ufeff"), name).read()


def write_inventory(rows: Iterable[InventoryRow]) -> str:
    """Return the text of an inventory with all columns; reading it gives the same rows.

    Raises
    ------
    ValueError
        If a row holds what an inventory cannot: every such cell is named.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column.name for column in COLUMNS])
    wrong = []
    for row in rows:
        values = asdict(row)
        cells = {name: _cell_text(value) for name, value in values.items()}
        for column in COLUMNS:
            back = read_cell(column, cells[column.name])
            if back != values[column.name]:
                wanted = back.wanted if isinstance(back, BadCell) else column.wanted
                place = f"{row.site}/{row.transmitter}: {column.name}"
                wrong.append(f"{place}: got {values[column.name]!r}, wanted {wanted}")
        writer.writerow([cells[column.name] for column in COLUMNS])
    if wrong:
        raise ValueError("inventory: " + "; ".join(wrong))
    return out.getvalue()


def _cell_text(value: str | float | None) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else repr(value).removesuffix(".0")


def _failed(name: str, line: int | None, got: str, wanted: str, mend: str) -> Inventory:
    return Inventory((), (Problem("error", name, line, "", got, wanted, mend),), (), name)


class _Reader:
    """Goes through one file and gathers rows and problems."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self.rows: list[InventoryRow] = []
        self.lines: list[int] = []
        self.problems: list[Problem] = []
        self.first_line: dict[tuple[str, str], int] = {}

    def read(self) -> Inventory:
        records = self._records()
        line, heading = next(records, (1, []))
        if heading:
            if self._is_separated_by_commas(line, heading):
                names = self._column_names(line, heading)
                for line, cells in records:
                    self._row(line, names, cells)
                if not self.rows and not self.problems:
                    self._note("warning", line, "", "no rows", "a row per transmitter", "")
                self._compare_names()
                self._compare_sites()
        elif not self.problems:
            wanted = "a first line with the names of the columns"
            self._note("error", 1, "", "an empty file", wanted, f"begin with {','.join(_required())}")
        problems = sorted(self.problems, key=lambda problem: problem.line or 0)
        return Inventory(tuple(self.rows), tuple(problems), tuple(self.lines), self.name)

    def _records(self) -> Iterator[tuple[int, list[str]]]:
        """Yield each record that is not blank with the line it begins on."""
        reader = csv.reader(io.StringIO(self.text, newline=""), strict=True)
        line = 1
        try:
            for cells in reader:
                if any(cell.strip() for cell in cells):
                    yield line, cells
                line = reader.line_num + 1
        except csv.Error as error:
            mend = "close the quotes; a quote inside quotes is written twice"
            self._note("error", line, "", str(error), "CSV", mend)

    def _is_separated_by_commas(self, line: int, heading: list[str]) -> bool:
        for separator, words in _OTHER_SEPARATORS.items():
            if len(heading) == 1 and separator in heading[0]:
                mend = "save the file as CSV with commas, and numbers with a decimal point"
                self._note("error", line, "", f"columns separated by {words}", "commas", mend)
                return False
        return True

    def _column_names(self, line: int, heading: list[str]) -> list[str]:
        """Return the heading's names, with "" for those that are not to be read."""
        names: list[str] = []
        while not heading[-1].strip():  # spreadsheets leave empty columns at the end
            heading = heading[:-1]
        for position, cell in enumerate(heading, 1):
            name = cell.strip()
            if name and name in names:
                self._note("error", line, name, "the column twice", "once", "take one of them away")
                names.append("")
            elif name in COLUMN_BY_NAME:
                names.append(name)
            elif name:
                mend = nearest(name, tuple(COLUMN_BY_NAME)) or f"there is {', '.join(COLUMN_BY_NAME)}"
                self._note("error", line, "", f"the unknown column {shown(name)}", "a known column", mend)
                names.append("")
            else:
                self._note(
                    "error", line, "", f"column {position} without a name", "a name", "name or remove it"
                )
                names.append("")
        for name in _required():
            if name not in names:
                self._note("error", line, name, "no such column", "the column", "add it; every row needs it")
        return names

    def _row(self, line: int, names: list[str], cells: list[str]) -> None:
        before = len(self.problems)
        surplus = [cell for cell in cells[len(names) :] if cell.strip()]
        if surplus or len(cells) < len(names):
            mend = (
                "is a text with a comma, or a decimal comma, without quotes?"
                if surplus
                else "is the line cut off?"
            )
            self._note("error", line, "", f"{len(cells)} cells", f"{len(names)} as in the first line", mend)
            return
        values: dict[str, Any] = {}
        unread: set[str] = set()
        for name, cell in zip(names, cells, strict=False):
            if not name:
                continue
            value = read_cell(COLUMN_BY_NAME[name], cell)
            if isinstance(value, BadCell):
                self._note("error", line, name, value.got, value.wanted, value.mend)
                unread.add(name)
            else:
                values[name] = value
        self._note_twice(line, values)
        if any(name not in values for name in _required()):
            return
        row = InventoryRow(**values)
        for found in row_problems(row):
            if unread.isdisjoint(found.keys):  # a cell that cannot be read is not an empty one
                self._note(found.severity, line, found.keys[0], found.got, found.wanted, found.mend)
        if all(problem.severity != "error" for problem in self.problems[before:]):
            self.rows.append(row)
            self.lines.append(line)

    def _note_twice(self, line: int, values: dict[str, Any]) -> None:
        if "site" in values and "transmitter" in values:
            pair = (values["site"], values["transmitter"])
            first = self.first_line.setdefault(pair, line)
            if first != line:
                got = f"{pair[0]}/{pair[1]}, which is on line {first} already"
                self._note("error", line, "transmitter", got, "a name once per site", "rename or remove one")

    def _compare_names(self) -> None:
        """Warn of names that differ in case only: they are two transmitters here, hardly so in the field."""
        seen: dict[tuple[str, str], tuple[str, str]] = {}
        for row, line in zip(self.rows, self.lines, strict=True):
            pair = (row.site, row.transmitter)
            other = seen.setdefault((row.site.casefold(), row.transmitter.casefold()), pair)
            if other != pair:
                wanted = f"a name that differs from {'/'.join(other)} in more than case"
                self._note(
                    "warning", line, "transmitter", "/".join(pair), wanted, "is it the same transmitter?"
                )

    def _compare_sites(self) -> None:
        """Warn where rows of one site contradict each other about the site."""
        said: dict[tuple[str, str], tuple[object, int]] = {}
        for row, line in zip(self.rows, self.lines, strict=True):
            for key in _OF_THE_SITE:
                value = getattr(row, key)
                if value is None:
                    continue
                first, first_line = said.setdefault((row.site, key), (value, line))
                if value != first:
                    wanted = f"{first} as on line {first_line}, for site {row.site}"
                    self._note(
                        "warning", line, key, str(value), wanted, "give a site the same in all its rows"
                    )

    def _note(
        self, severity: Literal["error", "warning"], line: int, key: str, got: str, wanted: str, mend: str
    ) -> None:
        self.problems.append(Problem(severity, self.name, line, key, got, wanted, mend))


def _required() -> list[str]:
    return [column.name for column in COLUMNS if column.required]
