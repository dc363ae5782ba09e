"""What settings there are, in words: for `check`, the documentation and the messages about problems."""

from __future__ import annotations

import functools
import inspect
import json
import re
import types
import typing
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Annotated, Any, Literal, Union

import annotated_types
from pydantic import BaseModel, SecretStr
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from standingwatch.settings.model import ENVIRONMENT_PREFIX, NESTED, Settings
from standingwatch.settings.section import Wanted
from standingwatch.settings.toml_lines import KeyPath

#: What stands for the name that the file gives a table, such as `desk` in `[channels.webhook.desk]`.
NAME = "NAME"


@dataclass(frozen=True)
class SettingRow:
    """One setting in words.

    Attributes:
        section: section, as it stands between brackets in the file, such as `channels.mqtt`; with NAME where
            the file has a name of its own.
        key: key within the section.
        kind: what may stand there.
        default: default as it is written in the file; "" where there is none.
        required: whether it has to be given where its section stands.
        unit: unit, "" where there is none.
        description: what it means.
        variable: environment variable that overrides it; for NAME it has the name in capitals, with an
            underscore for each hyphen.
    """

    section: str
    key: str
    kind: str
    default: str
    required: bool
    unit: str
    description: str
    variable: str


def describe_settings() -> list[SettingRow]:
    """Return every setting there is, in the order of the sections."""
    rows = []
    for path, field in known_settings().items():
        words = re.fullmatch(r"(?P<text>.*?)(?: \[(?P<unit>[^\]]+)\])?", field.description or "", re.DOTALL)
        unit, text = (words["unit"] or "", words["text"]) if words else ("", "")
        rows.append(
            SettingRow(
                section=".".join(path[:-1]),
                key=path[-1],
                kind=wanted_words(field),
                default=toml_words(field.default),
                required=field.is_required(),
                unit=unit,
                description=text,
                variable=variable_name(path),
            )
        )
    return rows


@functools.cache
def known_settings() -> dict[KeyPath, FieldInfo]:
    """Return the field of every setting by its path, such as ("broker", "port")."""
    return dict(_walk(Settings, ()))


@functools.cache
def known_sections() -> dict[KeyPath, tuple[str, ...]]:
    """Return what stands directly in each section; () is the file itself."""
    sections: dict[KeyPath, dict[str, None]] = {}
    for path in known_settings():
        for depth in range(len(path)):
            sections.setdefault(path[:depth], {})[path[depth]] = None
    return {path: tuple(names) for path, names in sections.items()}


@functools.cache
def _section_docs() -> dict[str, str]:
    return {".".join(path): inspect.getdoc(model) or "" for path, model in _sections(Settings, ())}


def section_words(section: str) -> str:
    """Return what a section is for, as its model says it.

    Args:
        section: as in a `SettingRow`.

    Raises:
        KeyError: for a section that there is not.
    """
    return _section_docs()[section]


def variable_name(path: KeyPath) -> str:
    """Return the name of the environment variable that overrides a setting."""
    return ENVIRONMENT_PREFIX + NESTED.join(path).upper().replace("-", "_")


def bare_type(field: FieldInfo) -> Any:
    """Return the type of a field's values: a class, Literal[...] or tuple[...]; None left aside."""
    annotation = field.annotation
    if typing.get_origin(annotation) in (Union, types.UnionType):
        return next(a for a in typing.get_args(annotation) if a is not type(None))
    return annotation


def is_list(field: FieldInfo) -> bool:
    """Tell whether a field holds a list of values."""
    return typing.get_origin(bare_type(field)) is tuple


def is_secret(field: FieldInfo) -> bool:
    """Tell whether a field's value must not be shown."""
    kind = bare_type(field)
    return isinstance(kind, type) and issubclass(kind, SecretStr)


def choices(field: FieldInfo) -> tuple[str, ...]:
    """Return the words that a field, or an item of its list, accepts; empty where no list has them."""
    for item in field.metadata:
        if isinstance(item, Wanted) and item.known is not None:
            return tuple(item.known())
    kind = bare_type(field)
    if is_list(field):
        kind = typing.get_args(kind)[0]
        if typing.get_origin(kind) is Annotated:
            kind = typing.get_args(kind)[0]
        return tuple(item.value for item in kind) if issubclass(kind, Enum) else ()
    return typing.get_args(kind) if typing.get_origin(kind) is Literal else ()


def wanted_words(field: FieldInfo) -> str:
    """Say what may stand in a field."""
    # Where it may be left out as well, the words stand in what is not None of its annotation.
    inner = (getattr(one, "__metadata__", ()) for one in typing.get_args(field.annotation))
    for item in (*field.metadata, *(item for items in inner for item in items)):
        if isinstance(item, Wanted):
            return item.words
    kind = bare_type(field)
    if words := choices(field):
        return "one of " + ", ".join(json.dumps(word) for word in words)
    if kind is bool:
        return "true or false"
    if kind is int:
        return "a whole number" + _range_words(field)
    if kind is float:
        return "a number" + _range_words(field)
    if kind is Path:
        return "the path of a file, in quotes"
    return "text, in quotes"


def toml_words(value: object) -> str:
    """Return a setting's value as it is written in the file; a secret hidden, None as ""."""
    if value is None or value is PydanticUndefined:
        return ""
    if isinstance(value, tuple):
        return "[" + ", ".join(toml_words(item) for item in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False)


def _walk(model: type[BaseModel], path: KeyPath) -> typing.Iterator[tuple[KeyPath, FieldInfo]]:
    # What a section has of its own goes before what it has in common with others.
    common = {name for base in model.__bases__ for name in getattr(base, "model_fields", ())}
    for name, field in sorted(model.model_fields.items(), key=lambda item: item[0] in common):
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            yield from _walk(kind, (*path, name))
        elif typing.get_origin(kind) is dict:
            yield from _walk(typing.get_args(kind)[1], (*path, name, NAME))
        else:
            yield (*path, name), field


def _sections(model: type[BaseModel], path: KeyPath) -> typing.Iterator[tuple[KeyPath, type[BaseModel]]]:
    for name, field in model.model_fields.items():
        kind = field.annotation
        if typing.get_origin(kind) is dict:
            name, kind = f"{name}.{NAME}", typing.get_args(kind)[1]
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            yield (*path, name), kind
            yield from _sections(kind, (*path, name))


def _range_words(field: FieldInfo) -> str:
    low = high = ""
    for item in field.metadata:
        match item:
            case annotated_types.Ge(ge=bound):
                low = f" from {_plain(bound)}"
            case annotated_types.Gt(gt=bound):
                low = f" above {_plain(bound)}"
            case annotated_types.Le(le=bound):
                high = f" to {_plain(bound)}"
    return low + high


def _plain(bound: Any) -> str:
    return str(bound).removesuffix(".0")
