"""Tables that the file names itself, such as `[channels.webhook.desk]`: how their settings are found.

`known_settings` has each of their settings once, with `NAME` where the file's own name stands. No name can
be that: names are of small letters.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from pydantic.fields import FieldInfo

from standingwatch.settings.describe import NAME, known_settings, variable_name
from standingwatch.settings.model import ENVIRONMENT_PREFIX, NESTED
from standingwatch.settings.toml_lines import KeyPath


@functools.cache
def named_tables() -> tuple[KeyPath, ...]:
    """Return what the file names tables in, such as ("channels", "webhook")."""
    return tuple(dict.fromkeys(path[: path.index(NAME)] for path in known_settings() if NAME in path))


def general(path: KeyPath) -> KeyPath:
    """Return a path with `NAME` in place of a name of the file's own; any other as it is."""
    for table in named_tables():
        depth = len(table)
        if path[:depth] == table and len(path) > depth:
            return (*table, NAME, *path[depth + 1 :])
    return path


def setting_at(path: KeyPath) -> tuple[KeyPath, FieldInfo] | None:
    """Return the setting that a path is of or leads into, as an item of a list does; None for neither."""
    for length in range(len(path), 0, -1):
        field = known_settings().get(general(path[:length]))
        if field is not None:
            return path[:length], field
    return None


def settings_in(
    data: Mapping[str, Any], given: Iterable[KeyPath] = ()
) -> Iterator[tuple[KeyPath, FieldInfo]]:
    """Yield every setting there is, those of named tables once for each name in the data or in `given`."""
    names: dict[KeyPath, dict[str, None]] = {}
    for table in named_tables():
        inner = get(data, table)
        names[table] = dict.fromkeys(inner if isinstance(inner, Mapping) else ())
    for path in given:
        table = general(path)[: len(path)]
        if NAME in table:
            depth = table.index(NAME)
            names[table[:depth]].setdefault(path[depth])
    for path, field in known_settings().items():
        if NAME in path:
            depth = path.index(NAME)
            for name in names[path[:depth]]:
                yield (*path[:depth], name, *path[depth + 1 :]), field
        else:
            yield path, field


def path_of_variable(variable: str) -> KeyPath | None:
    """Return the setting that an environment variable overrides; None where there is none.

    A name of the file's own stands in it in capitals, with an underscore for each hyphen: as no name has an
    underscore and no key two in a row, there is one way to read it.
    """
    path = _plain_variables().get(variable)
    if path is not None:
        return path
    for pattern, path in _named_variables():
        match = pattern.fullmatch(variable)
        if match:
            name = match["name"].lower().replace("_", "-")
            return tuple(name if part == NAME else part for part in path)
    return None


def variables_like(variable: str) -> list[str]:
    """Return the variables there are, those of named tables with the name that stands in a given one."""
    found = []
    for path in known_settings():
        likely = variable_name(path)
        if NAME in path:
            parts = variable.removeprefix(ENVIRONMENT_PREFIX).split(NESTED)
            depth = path.index(NAME)
            if len(parts) > depth + 1:
                likely = variable_name((*path[:depth], parts[depth], *path[depth + 1 :]))
        found.append(likely)
    return found


def get(data: Mapping[str, Any], path: KeyPath) -> Any:
    """Return what stands at a path; None where there is nothing."""
    value: Any = data
    for name in path:
        value = value.get(name) if isinstance(value, Mapping) else None
    return value


@functools.cache
def _plain_variables() -> dict[str, KeyPath]:
    return {variable_name(path): path for path in known_settings() if NAME not in path}


@functools.cache
def _named_variables() -> list[tuple[re.Pattern[str], KeyPath]]:
    patterns = []
    for path in known_settings():
        if NAME in path:
            depth = path.index(NAME)
            before, after = variable_name(path[:depth]), NESTED.join(path[depth + 1 :]).upper()
            pattern = f"{re.escape(before)}{NESTED}(?P<name>[A-Z0-9_]+){NESTED}{re.escape(after)}"
            patterns.append((re.compile(pattern), path))
    return patterns
