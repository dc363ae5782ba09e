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
    NAME,
    bare_type,
    choices,
    is_list,
    is_secret,
    known_sections,
    known_settings,
    toml_words,
    variable_name,
    wanted_words,
)
from standingwatch.settings.named import general, get, named_tables, setting_at
from standingwatch.settings.secret_url import HIDDEN, SecretUrl, hide_password
from standingwatch.settings.section import NAME_WORDS
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

    def variables_in(self, section: KeyPath) -> list[KeyPath]:
        """Return the settings of a section that variables of the environment give."""
        return sorted(path for path in self.from_environment if path[: len(section)] == section)

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
    error: ValidationError, data: Mapping[str, Any], places: Places, values_only: bool = False
) -> list[Problem]:
    """Return the problems behind a validation error of `Settings` made from `data`.

    With `values_only` what does not go together and what is not there is left out.
    """
    problems = []
    for finding in error.errors(include_url=False):
        path = tuple(str(part) for part in finding["loc"])
        setting = setting_at(path)
        if finding["type"] == "extra_forbidden":
            problems.append(_unknown_key(path, places))
        elif finding["type"] == "missing":
            if not values_only:
                problems.append(_missing_key(path, places))
        elif finding["type"] == "conflicts":
            for conflict in () if values_only else finding["ctx"]["conflicts"]:
                keys = tuple((*path, key) for key in conflict.keys)
                is_default = conflict.is_value and not places.is_given(keys[0])
                got = f"{conflict.got} (the default)" if is_default else conflict.got
                problems.append(places.error(keys, got, conflict.wanted, conflict.mend))
        elif setting is not None:
            key, field = setting
            value, is_item = _look_up(data, finding["loc"]), len(path) > len(key)
            if finding["type"] == "too_short" and value:
                continue  # items that cannot be used are not counted, and told by themselves
            mend = _mend_item(value, field) if is_item else _mend(value, field, key[-1])
            problems.append(places.error((key,), shown(value, field), wanted_words(field), mend))
        elif path[-1] == "[key]":  # how the validator says that it is about the name and not what has it
            problems.append(_bad_name(path[:-1], places))
        else:
            problems.append(_not_a_section(path, get(data, path), places))
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
        return "an array" if value else "an empty array"
    if field is None:
        return f"a {type(value).__name__}"
    if is_secret(field):
        kind = bare_type(field)
        if issubclass(kind, SecretUrl) and isinstance(value, str) and "://" in value:
            return _quoted(value, str(kind(value)))
        return HIDDEN
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, bool | int | float):
        return toml_words(value)
    return _quoted(str(value))


def _quoted(raw: str, masked: str | None = None) -> str:
    text = hide_password(raw) if masked is None else masked
    if text == raw and re.search(r":.*@", text, re.DOTALL):
        return HIDDEN  # looks like user:password@host without being an address
    if len(text) > _LONGEST_SHOWN:
        text = text[:_LONGEST_SHOWN] + "..."
    return json.dumps(text, ensure_ascii=False)


def _mend(value: object, field: FieldInfo, name: str) -> str:
    kind = bare_type(field)
    words = choices(field)
    if is_list(field) and isinstance(value, str):
        return f"write [{_quoted(value)}]"
    if isinstance(value, str) and kind in (bool, int, float) and _is_plain(value, kind):
        return f"write {value.strip().lower()} without quotes"
    if isinstance(value, str) and kind in (int, float) and (mend := _time_as_number(value, name)):
        return mend
    if words:
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
    if is_secret(field) and not isinstance(value, str):
        return "give it as text"
    if field.is_required():
        return ""
    default = toml_words(field.default)
    return f"the default is {default}" if default else "leave it out for none"


#: Units that people write behind times [s], and the endings of our own names [s].
_TIMES_S = {"s": 1, "sec": 1, "min": 60, "m": 60, "h": 3600, "d": 86_400, "day": 86_400, "days": 86_400}
_ENDINGS = {"_s": (1, "seconds"), "_days": (86_400, "days"), "_hours": (3600, "hours")}


def _time_as_number(text: str, name: str) -> str:
    """How a time that came with its unit is written; "" where it is none, or does not come out even."""
    match = re.fullmatch(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*([a-z]+)\s*", text.lower(), re.ASCII)
    ending = next((one for one in _ENDINGS if name.endswith(one)), "")
    if match is None or not ending or match[2] not in _TIMES_S:
        return ""
    unit_s, words = _ENDINGS[ending]
    value = float(match[1]) * _TIMES_S[match[2]] / unit_s
    return f"it is a number of {words}: write {value:.10g}" if value == round(value) else ""


def _mend_item(value: object, field: FieldInfo) -> str:
    """Say how to mend one item of a list."""
    if not isinstance(value, str):
        return "put it in quotes"
    words = choices(field)
    near = difflib.get_close_matches(value.lower(), words, n=1)
    if near:
        return f'did you mean "{near[0]}"?'
    return "there is " + ", ".join(words) if words else ""


def _is_plain(text: str, kind: type) -> bool:
    if kind is bool:
        return text.strip().lower() in ("true", "false")
    pattern = r"\s*[+-]?\d+\s*" if kind is int else r"\s*[+-]?\d+(\.\d+)?\s*"
    return re.fullmatch(pattern, text, re.ASCII) is not None


def _unknown_key(path: KeyPath, places: Places) -> Problem:
    """Return the problem of an unknown key; its value is not shown, it may be a misspelt secret's."""
    section, key = path[:-1], path[-1]
    names = known_sections()[general(section)]
    near = difflib.get_close_matches(key.lower(), names, n=1)
    # A part of a name, such as "from" of from_address, is too short to be near it.
    near = near or [name for name in names if name.startswith(f"{key.lower()}_")][:1]
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


def _missing_key(path: KeyPath, places: Places) -> Problem:
    """Return the problem of a key that its section cannot be without, placed where that section is named."""
    section, key = path[:-1], path[-1]
    wanted = wanted_words(known_settings()[general(path)])
    return places.error((path, section, *places.variables_in(section)), "nothing", wanted, f"give {key}")


def _bad_name(path: KeyPath, places: Places) -> Problem:
    """Return the problem of a name that no table can have, with the nearest one that it can."""
    *table, name = path
    likely = re.sub(r"[^a-z0-9]+", "-", name.lower())[:40].strip("-") or "desk"
    mend = f"write [{'.'.join(table)}.{likely}], for example"
    return places.error((path, *places.variables_in(path)), _quoted(name), NAME_WORDS, mend)


def _not_a_section(path: KeyPath, value: object, places: Places) -> Problem:
    """Return the problem of something else in the place of a section, or of the name that a section lacks."""
    section, mend = ".".join(path), "{} and its keys under it"
    if path[:-1] in named_tables() and general((*path[:-1], NAME, path[-1])) in known_settings():
        section = ".".join((*path[:-1], NAME))
        mend = f"{{}} with a name of your choice, and {path[-1]} under it"
    elif path in named_tables():
        section, mend = f"{section}.{NAME}", "{} with a name of your choice, and its keys under it"
    return places.error((path,), shown(value, None), "a section", "write " + mend.format(f"[{section}]"))


def _look_up(data: Any, path: tuple[int | str, ...]) -> Any:
    for name in path:
        data = data[name]
    return data
