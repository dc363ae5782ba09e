"""Settings from one TOML file and the environment, with all problems at once.

The environment wins over the file, the file over the defaults. Relative paths, a relative SQLite file
included, are relative to the settings file; those from the environment to the working directory.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import SecretStr, TypeAdapter, ValidationError

from standingwatch.readings.problem import Problem
from standingwatch.settings.describe import bare_type, known_settings
from standingwatch.settings.model import Settings
from standingwatch.settings.sources import EnvironmentSource, FileSource, read_environment, read_file
from standingwatch.settings.toml_lines import KeyPath
from standingwatch.settings.translate import Places, problems_of, take_unknown_sections

_PASSWORD: KeyPath = ("broker", "password")
_PASSWORD_FILE: KeyPath = ("broker", "password_file")
_URL: KeyPath = ("store", "url")
_MUST_EXIST: tuple[KeyPath, ...] = (("broker", "ca_file"), ("broker", "cert_file"), ("broker", "key_file"))
_LOOPBACK = ("localhost", "::1", "127.")


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
        *_read_password(data, places),
        *_missing_files(data, places),
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
        problems += _warnings(settings, places)
    if any(problem.severity == "error" for problem in problems):
        settings = None
    return SettingsReport(settings, tuple(sorted(problems, key=lambda p: (p.line is None, p.line or 0))))


def _merge(file: FileSource, environment: EnvironmentSource) -> dict[str, Any]:
    """Lay the environment over the file, texts turned into what each setting holds, paths made absolute."""
    data = _copied(file.data)
    _drop_overridden_password(data, environment.texts)
    for path, field in known_settings().items():
        table = _table(data, path)
        if table is None:
            continue  # not a table where one has to be: reported with the rest
        if path in environment.texts:
            table[path[-1]] = _from_text(bare_type(field), environment.texts[path], field.default)
        elif file.folder is not None:
            value = table.get(path[-1], field.default)
            if path == _URL:
                value = _anchored_url(value, file.folder)
            elif bare_type(field) is Path and isinstance(value, str | Path) and str(value):
                value = file.folder / value
            if value is not field.default:
                table[path[-1]] = value
    return data


def _from_text(kind: Any, text: str, default: object) -> object:
    """Turn an environment variable's text into a setting's value; what cannot be turned stays text."""
    if kind in (bool, int, float):
        try:
            return TypeAdapter(kind).validate_python(text)
        except ValidationError:
            return text
    if kind is Path:
        return Path(text) if text else (text if default is not None else None)
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


def _drop_overridden_password(data: dict[str, Any], given: Mapping[KeyPath, str]) -> None:
    """Let a password or password file of the environment override both of the file: they are one setting."""
    broker = data.get("broker")
    if isinstance(broker, dict) and (_PASSWORD in given or _PASSWORD_FILE in given):
        broker.pop("password", None)
        broker.pop("password_file", None)


def _read_password(data: dict[str, Any], places: Places) -> list[Problem]:
    """Put the content of the password file in place of the password."""
    path = _get(data, _PASSWORD_FILE)
    if not isinstance(path, Path):
        return []
    wanted = "a file that holds the password and nothing else"
    if _get(data, _PASSWORD):
        mend = "take one of them away"
        return [places.error((_PASSWORD_FILE,), "password as well", "password or password_file", mend)]
    try:
        password = path.read_text(encoding="utf-8").rstrip("\r\n")
    except OSError as error:
        return [
            places.error(
                (_PASSWORD_FILE,), _file_words(path, error), wanted, "correct the path or the rights"
            )
        ]
    except UnicodeDecodeError:
        return [places.error((_PASSWORD_FILE,), f"{path}: not UTF-8", wanted, "save the file as UTF-8")]
    if not password:
        return [places.error((_PASSWORD_FILE,), f"{path}: empty", wanted, "write the password into it")]
    data["broker"]["password"] = password
    return []


def _missing_files(data: dict[str, Any], places: Places) -> list[Problem]:
    problems = []
    for key in _MUST_EXIST:
        path = _get(data, key)
        if isinstance(path, Path):
            try:
                with path.open("rb"):
                    pass
            except OSError as error:
                got = _file_words(path, error)
                problems.append(
                    places.error((key,), got, "a file that can be read", "correct the path or the rights")
                )
    return problems


def _overridden_problems(file: FileSource, environment: EnvironmentSource) -> list[Problem]:
    """Return what is wrong in the file with settings that the environment overrides."""
    data = _merge(file, EnvironmentSource())
    take_unknown_sections(data, Places(file.name, file.lines, frozenset()))
    try:
        Settings(**data)
    except ValidationError as error:
        # Values that do not go together may well do so with the environment's: conflicts are left out.
        places = Places(file.name, file.lines, frozenset())
        overridden = {".".join(path) for path in environment.texts}
        found = problems_of(error, data, places, conflicts=False)
        return [problem for problem in found if problem.key in overridden]
    return []


def _warnings(settings: Settings, places: Places) -> list[Problem]:
    broker, intake = settings.broker, settings.intake
    problems = []
    if broker.password.get_secret_value() and not broker.tls and not broker.host.startswith(_LOOPBACK):
        problems.append(
            places.warning(
                (("broker", "tls"), _PASSWORD_FILE, _PASSWORD, ("broker", "host")),
                "tls = false with a password",
                "tls = true for a broker on another machine",
                "the password and every report cross the network in clear",
            )
        )
    if broker.receive_maximum > intake.queue_limit:
        problems.append(
            places.warning(
                (("intake", "queue_limit"), ("broker", "receive_maximum")),
                str(intake.queue_limit),
                f"at least broker.receive_maximum = {broker.receive_maximum}",
                "the broker may send more at once than the queue holds",
            )
        )
    if settings.departure.days_to_clear > settings.feeder.days_many:
        problems.append(
            places.warning(
                (("departure", "days_to_clear"), ("feeder", "days_many")),
                str(settings.departure.days_to_clear),
                f"at most feeder.days_many = {settings.feeder.days_many}",
                "feeder-loss-rising looks at no more days and clears after those",
            )
        )
    return problems


def _file_words(path: Path, error: OSError) -> str:
    return f"{path}: {error.strerror or type(error).__name__}"


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


def _get(data: Mapping[str, Any], path: KeyPath) -> Any:
    value: Any = data
    for name in path:
        value = value.get(name) if isinstance(value, Mapping) else None
    return value
