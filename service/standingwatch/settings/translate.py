"""From the validator's findings to problems: place, got, wanted, how to mend. Secrets stay hidden."""

from __future__ import annotations

import datetime
import difflib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from standingwatch.readings.problem import Problem
from standingwatch.settings.describe import (
    bare_type,
    choices,
    is_secret,
    known_sections,
    known_settings,
    toml_words,
    variable_name,
    wanted_words,
)
from standingwatch.settings.secret_url import HIDDEN, SecretUrl, hide_password
from standingwatch.settings.toml_lines import KeyPath

_LONGEST_SHOWN = 80


@dataclass(frozen=True)
class Places:
    """Where each setting was given: in the environment, on a line of the file, or nowhere."""

    file: str
    lines: Mapping[KeyPath, int]
    from_environment: frozenset[KeyPath]

    def error(self, keys: tuple[KeyPath, ...], got: str, wanted: str, mend: str) -> Problem:
        """Return an error about the first of the keys, placed where the first given one of them stands."""
        return self._problem("error", keys, got, wanted, mend)

    def warning(self, keys: tuple[KeyPath, ...], got: str, wanted: str, mend: str) -> Problem:
        """Return a warning, as `error`."""
        return self._problem("warning", keys, got, wanted, mend)

    def is_given(self, key: KeyPath) -> bool:
        """Tell whether a setting was given at all."""
        return key in self.from_environment or key in self.lines

    def _problem(
        self,
        severity: Literal["error", "warning"],
        keys: tuple[KeyPath, ...],
        got: str,
        wanted: str,
        mend: str,
    ) -> Problem:
        place = next((key for key in keys if self.is_given(key)), keys[0])
        file, line = self.file or "defaults", self.lines.get(place)
        if place in self.from_environment:
            file, line = f"environment variable {variable_name(place)}", None
        return Problem(severity, file, line, ".".join(keys[0]), got, wanted, mend)


def problems_of(
    error: ValidationError, data: Mapping[str, Any], places: Places, conflicts: bool = True
) -> list[Problem]:
    """Return the problems behind a validation error of `Settings` made from `data`, or all but conflicts."""
    problems = []
    for finding in error.errors(include_url=False):
        path = tuple(str(part) for part in finding["loc"])
        if finding["type"] == "extra_forbidden":
            problems.append(_unknown_key(path, places))
        elif finding["type"] == "conflicts":
            for conflict in finding["ctx"]["conflicts"] if conflicts else ():
                keys = tuple((*path, key) for key in conflict.keys)
                got = conflict.got if places.is_given(keys[0]) else f"{conflict.got} (the default)"
                problems.append(places.error(keys, got, conflict.wanted, conflict.mend))
        elif path in known_settings():
            field, value = known_settings()[path], _look_up(data, path)
            problems.append(
                places.error((path,), shown(value, field), wanted_words(field), _mend(value, field))
            )
        else:  # a section that is not a table
            section = ".".join(path)
            got = shown(_look_up(data, path), None)
            problems.append(
                places.error((path,), got, "a section", f"write [{section}] and its keys under it")
            )
    return problems


def take_unknown_sections(data: dict[str, Any], places: Places) -> list[Problem]:
    """Take the sections that there are not out of `data` and return a problem for each.

    The settings class must not see them: it has arguments of its own, such as `_env_file`.
    """
    unknown = [name for name in data if name not in known_sections()[()]]
    for name in unknown:
        del data[name]
    return [_unknown_key((name,), places) for name in unknown]


def shown(value: object, field: FieldInfo | None) -> str:
    """Return a value as text for a message, without any secret in it."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an array"
    if field is None:
        return f"a {type(value).__name__}"
    if is_secret(field):
        masked = bare_type(field) is SecretUrl and isinstance(value, str) and "://" in value
        return _quoted(str(value)) if masked else HIDDEN
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, bool | int | float):
        return toml_words(value)
    return _quoted(str(value))


def _quoted(raw: str) -> str:
    text = hide_password(raw)
    if text == raw and re.search(r":.*@", text, re.DOTALL):
        return HIDDEN  # looks like user:password@host without being an address
    if len(text) > _LONGEST_SHOWN:
        text = text[:_LONGEST_SHOWN] + "..."
    return json.dumps(text, ensure_ascii=False)


def _mend(value: object, field: FieldInfo) -> str:
    kind = bare_type(field)
    if isinstance(value, str) and kind in (bool, int, float) and _is_plain(value, kind):
        return f"write {value.strip().lower()} without quotes"
    if words := choices(field):
        if isinstance(value, int | float) and str(value) in words:
            return f'write "{value}" in quotes'
        near = difflib.get_close_matches(str(value).lower(), words, n=1)
        if near:
            return f'did you mean "{near[0]}"?'
    if (
        not isinstance(value, str)
        and kind not in (bool, int, float)
        and isinstance(value, bool | int | float)
    ):
        return "put it in quotes"
    if is_secret(field):
        return "give it as text"
    default = toml_words(field.default)
    return f"the default is {default}" if default else "leave it out for none"


def _is_plain(text: str, kind: type) -> bool:
    if kind is bool:
        return text.strip().lower() in ("true", "false")
    pattern = r"\s*[+-]?\d+\s*" if kind is int else r"\s*[+-]?\d+(\.\d+)?\s*"
    return re.fullmatch(pattern, text, re.ASCII) is not None


def _unknown_key(path: KeyPath, places: Places) -> Problem:
    """Return the problem of an unknown key; its value is not shown, it may be a misspelt secret's."""
    section, key = path[:-1], path[-1]
    names = known_sections()[section]
    near = difflib.get_close_matches(key.lower(), names, n=1)
    elsewhere = [".".join(other[:-1]) for other in known_settings() if other[-1] == key]
    mends = []
    if near:
        mends.append(f"did you mean {near[0]}?")
    if elsewhere:
        *most, last = [f"[{name}]" for name in elsewhere]
        mends.append(f"{key} belongs in " + (f"{', '.join(most)} or {last}" if most else last))
    mend = " ".join(mends) or f"take it away; there is {', '.join(names)}"
    what = "key" if section else "section or key"
    return places.error((path,), f"an unknown {what}", f"a {what} that there is", mend)


def _look_up(data: Any, path: KeyPath) -> Any:
    for name in path:
        data = data[name]
    return data
