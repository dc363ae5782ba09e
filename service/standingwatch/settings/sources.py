"""The two places settings come from: the file and the environment. Reads them and reports what is wrong."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from standingwatch.readings.problem import Problem
from standingwatch.settings.model import ENVIRONMENT_PREFIX, NESTED
from standingwatch.settings.named import path_of_variable, variables_like
from standingwatch.settings.toml_lines import KeyPath, find_key_lines

#: Tables and lists in each other, at most; no settings and no profile come near it.
_MOST_LEVELS = 32

_TOO_DEEP = (
    None,
    "lists or tables nested too deep to read",
    "TOML of a few levels",
    "take the brackets away",
)


@dataclass(frozen=True)
class FileSource:
    """What stands in a settings file: values, the line of each key, and what is wrong with the file."""

    name: str = ""
    folder: Path | None = None
    data: dict[str, Any] = field(default_factory=dict)
    lines: Mapping[KeyPath, int] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class EnvironmentSource:
    """What the environment says: the text for each setting it overrides, and what is wrong.

    The texts are read here and not by the settings library, whose reading of nested variables turns some of
    them into values already and ignores variables that it does not know.
    """

    texts: Mapping[KeyPath, str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


def read_file(path: Path | None, what: str = "a settings file") -> FileSource:
    """Read a TOML file, of settings unless `what` says otherwise; without a path there is nothing in it."""
    if path is None:
        return FileSource()
    name, folder = str(path), path.parent.absolute()

    def failed(line: int | None, got: str, wanted: str, mend: str) -> FileSource:
        return FileSource(name, folder, problems=(Problem("error", name, line, "", got, wanted, mend),))

    try:
        raw = path.read_bytes()
    except OSError as error:
        return failed(None, error.strerror or type(error).__name__, what, "give the path of a TOML file")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return failed(line, f"byte 0x{raw[error.start]:02x}", "UTF-8", "save the file as UTF-8")
    try:
        data = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        return failed(*_syntax_problem(str(error), text))
    except RecursionError:
        return failed(*_TOO_DEEP)
    if _depth_passes(data, _MOST_LEVELS):
        return failed(*_TOO_DEEP)
    return FileSource(name, folder, data, find_key_lines(text))


def _depth_passes(data: dict[str, Any], most: int) -> bool:
    """Whether tables and lists lie in each other deeper than that; looked at level by level."""
    level: list[dict[str, Any] | list[Any]] = [data]
    for _ in range(most):
        inner = (v for one in level for v in (one.values() if isinstance(one, dict) else one))
        level = [value for value in inner if isinstance(value, dict | list)]
        if not level:
            return False
    return True


def read_environment(environ: Mapping[str, str]) -> EnvironmentSource:
    """Read the variables that override settings, `STANDINGWATCH_SECTION__KEY`.

    `STANDINGWATCH_CHANNELS__WEBHOOK__ON_CALL__URL` is about `[channels.webhook.on-call]`, and makes that
    table where the file has none.

    A variable with the prefix and a double underscore that names no setting is an error. One without a double
    underscore is left alone, since orchestrators make such variables up for a service's name; one that only
    lacks the double underscore gets a warning.
    """
    problems, texts = [], {}
    for variable in sorted(environ):
        if not variable.upper().startswith(ENVIRONMENT_PREFIX):
            continue
        path = path_of_variable(variable)
        if path is not None:
            texts[path] = environ[variable]
            continue
        place = f"environment variable {variable}"
        known = variables_like(variable.upper())
        with_one = {name.replace(NESTED, "_"): name for name in known}
        if NESTED in variable:
            near = difflib.get_close_matches(variable.upper(), known, n=1)
            mend = f"did you mean {near[0]}?" if near else "take it away; see the list of settings"
            problems.append(Problem("error", place, None, "", "an unknown setting", "a known one", mend))
        elif variable.upper() in with_one and "://" not in environ[variable]:
            mend = f"has no effect; did you mean {with_one[variable.upper()]}?"
            problems.append(Problem("warning", place, None, "", "a single underscore", "a double one", mend))
    return EnvironmentSource(texts, tuple(problems))


def _syntax_problem(message: str, text: str) -> tuple[int, str, str, str]:
    """Return line, got, wanted and mend of tomllib's message, which ends with the place."""
    place = re.search(r"\s*\(at line (\d+), column (\d+)\)$", message)
    if place:
        line, column = int(place[1]), f"column {place[2]}"
        what = message[: place.start()]
    else:
        line, column = text.count("\n") + 1, "end of file"
        what = message.replace(" (at end of document)", "")
    if "Cannot overwrite" in what or "Cannot declare" in what:
        mend = "the key or section stands twice: keep one"
    elif "'\\'" in what or "escape" in what.lower():
        mend = "put a path with backslashes between single quotes"
    elif "Invalid value" in what:
        mend = "text stands in quotes; numbers, true and false do not"
    else:
        mend = "correct the line"
    return line, f"{what} at {column}", "TOML", mend
