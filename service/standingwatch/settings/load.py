"""Settings from one TOML file and the environment, with all problems at once.

The environment wins over the file, the file over the defaults. Relative paths, a relative SQLite file
included, are relative to the settings file; those from the environment to the working directory.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import SecretStr, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from standingwatch.readings.problem import Problem
from standingwatch.settings.cautions import warnings_of
from standingwatch.settings.describe import bare_type, is_list
from standingwatch.settings.files import (
    drop_overridden_secrets,
    missing_files,
    read_secrets,
    take_impossible_texts,
)
from standingwatch.settings.model import Settings
from standingwatch.settings.named import settings_in
from standingwatch.settings.sources import EnvironmentSource, FileSource, read_environment, read_file
from standingwatch.settings.toml_lines import KeyPath
from standingwatch.settings.translate import Places, problems_of, take_unknown_sections

_URL: KeyPath = ("store", "url")


class SettingsError(Exception):
    """The settings cannot be used. `problems` has all that is wrong, warnings too."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


@dataclass(frozen=True)
class SettingsReport:
    """What came of reading the settings: None for them when one of the problems is an error."""

    settings: Settings | None
    problems: tuple[Problem, ...]


def load_settings(path: Path | None, environ: Mapping[str, str] | None = None) -> Settings:
    """Return the settings of a file and the environment.

    Parameters
    ----------
    path
        Settings file (TOML); None for none.
    environ
        Environment variables; None for those of the process, read at this call.

    Raises
    ------
    SettingsError
        If there is an error in either, with every problem of both.
    """
    report = inspect_settings(path, environ)
    if report.settings is None:
        raise SettingsError(report.problems)
    return report.settings


def inspect_settings(path: Path | None, environ: Mapping[str, str] | None = None) -> SettingsReport:
    """Return the settings with warnings, or all that is wrong with them. Arguments as `load_settings`."""
    file = read_file(path)
    environment = read_environment(os.environ if environ is None else environ)
    places = Places(file.name, file.lines, frozenset(environment.texts))
    data = _merge(file, environment)
    problems = [
        *file.problems,
        *environment.problems,
        *take_impossible_texts(data, places),
        *read_secrets(data, places),
        *missing_files(data, places),
    ]
    if environment.texts:
        problems += _overridden_problems(file, environment)
    problems += take_unknown_sections(data, places)
    settings = None
    try:
        settings = Settings(**data)
    except ValidationError as error:
        problems += problems_of(error, data, places)
    else:
        problems += warnings_of(settings, places)
    if any(problem.severity == "error" for problem in problems):
        settings = None
    return SettingsReport(settings, tuple(sorted(problems, key=lambda p: (p.line is None, p.line or 0))))


def _merge(file: FileSource, environment: EnvironmentSource) -> dict[str, Any]:
    """Lay the environment over the file, texts turned into what each setting holds, paths made absolute."""
    data = _copied(file.data)
    drop_overridden_secrets(data, environment.texts)
    for path, field in settings_in(data, environment.texts):
        table = _table(data, path)
        if table is None:
            continue  # not a table where one has to be: reported with the rest
        if path in environment.texts:
            table[path[-1]] = _from_text(field, environment.texts[path])
        elif file.folder is not None:
            value = table.get(path[-1], field.default)
            if path == _URL:
                value = _anchored_url(value, file.folder)
            elif bare_type(field) is Path and isinstance(value, str | Path) and str(value):
                value = file.folder / value
            if value is not field.default:
                table[path[-1]] = value
    return data


def _from_text(field: FieldInfo, text: str) -> object:
    """Turn an environment variable's text into a setting's value; what cannot be turned stays text.

    A list is written as in the file, or as its items with commas between them.
    """
    kind = bare_type(field)
    if not text and field.default is None:
        return None
    if is_list(field):
        if not text.lstrip().startswith("["):
            return [item.strip() for item in text.split(",") if item.strip()]
        try:
            return tomllib.loads(f"list = {text}")["list"]
        except (ValueError, RecursionError):  # no TOML, a number of thousands of digits, or nested too deep
            return text
    if kind in (bool, int, float):
        try:
            return TypeAdapter(kind).validate_python(text)
        except ValidationError:
            return text
    if kind is Path:
        return Path(text) if text else text
    return text


def _anchored_url(value: object, folder: Path) -> object:
    """Return a SQLite address with its relative file under a folder; any other as it is."""
    text = value.get_secret_value() if isinstance(value, SecretStr) else value
    if not isinstance(text, str):
        return value
    scheme, separator, name = text.partition(":///")
    relative = separator and name and not name.startswith(("/", ":memory:", "file:"))
    if not relative or scheme.partition("+")[0] != "sqlite" or Path(name).is_absolute():
        return value
    return f"{scheme}:///{folder / name}"


def _overridden_problems(file: FileSource, environment: EnvironmentSource) -> list[Problem]:
    """Return what is wrong in the file with settings that the environment overrides."""
    data = _merge(file, EnvironmentSource())
    take_unknown_sections(data, Places(file.name, file.lines, frozenset()))
    try:
        Settings(**data)
    except ValidationError as error:
        # Values that do not go together may do so with the environment's, which may also give what lacks.
        places = Places(file.name, file.lines, frozenset())
        overridden = {".".join(path) for path in environment.texts}
        found = problems_of(error, data, places, values_only=True)
        return [problem for problem in found if problem.key in overridden]
    return []


def _copied(table: Mapping[str, Any]) -> dict[str, Any]:
    return {key: _copied(value) if isinstance(value, dict) else value for key, value in table.items()}


def _table(data: dict[str, Any], path: KeyPath) -> dict[str, Any] | None:
    """Return the table a setting stands in, made where there is none; None if something else is there."""
    for name in path[:-1]:
        inner = data.setdefault(name, {})
        if not isinstance(inner, dict):
            return None
        data = inner
    return data
