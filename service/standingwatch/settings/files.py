"""Files that settings name: secrets that stand in one of their own, and certificates that have to be there.

Any secret `KEY` that has a `KEY_file` beside it may stand in that file in its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from standingwatch.readings.problem import Problem
from standingwatch.settings.describe import is_secret, known_settings
from standingwatch.settings.named import general, get, settings_in
from standingwatch.settings.toml_lines import KeyPath
from standingwatch.settings.translate import Places

#: Keys of files that are only named here and opened by others.
_MUST_EXIST = ("ca_file", "cert_file", "key_file")


def drop_overridden_secrets(data: dict[str, Any], given: Mapping[KeyPath, str]) -> None:
    """Let a secret, or its file, of the environment override both of the file: they are one setting."""
    for secret, file in _secrets(data):
        table = get(data, secret[:-1])
        if isinstance(table, dict) and (secret in given or file in given):
            table.pop(secret[-1], None)
            table.pop(file[-1], None)


def read_secrets(data: dict[str, Any], places: Places) -> list[Problem]:
    """Put the content of each secret's file in place of the secret."""
    problems = []
    for secret, file in _secrets(data):
        path, key = get(data, file), secret[-1]
        if not isinstance(path, Path):
            continue
        wanted = f"a file that holds the {key} and nothing else"
        if get(data, secret):
            mend = "take one of them away"
            problems.append(places.error((file,), f"{key} as well", f"{key} or {key}_file", mend))
            continue
        try:
            content = path.read_text(encoding="utf-8").rstrip("\r\n")
        except OSError as error:
            got, mend = _file_words(path, error), "correct the path or the rights"
        except UnicodeDecodeError:
            got, mend = f"{path}: not UTF-8", "save the file as UTF-8"
        else:
            if content:
                get(data, secret[:-1])[key] = content
                continue
            got, mend = f"{path}: empty", f"write the {key} into it"
        problems.append(places.error((file,), got, wanted, mend))
    return problems


def take_impossible_texts(data: dict[str, Any], places: Places) -> list[Problem]:
    """Take out the texts with a NUL, a problem for each: no file, host or database has one in its name."""
    problems = []
    for key, _ in settings_in(data):
        value = get(data, key)
        if isinstance(value, str | Path) and "\0" in str(value):
            del get(data, key[:-1])[key[-1]]
            problems.append(
                places.error((key,), "a text with a NUL character", "a text without one", "take it out")
            )
    return problems


def missing_files(data: dict[str, Any], places: Places) -> list[Problem]:
    """Return a problem for each certificate or key that cannot be read."""
    problems = []
    for key, _ in settings_in(data):
        path = get(data, key)
        if key[-1] in _MUST_EXIST and isinstance(path, Path):
            try:
                with path.open("rb"):
                    pass
            except OSError as error:
                got = _file_words(path, error)
                problems.append(
                    places.error((key,), got, "a file that can be read", "correct the path or the rights")
                )
    return problems


def _secrets(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, KeyPath]]:
    """Yield the secrets that may stand in a file, each with the setting that names the file."""
    for path, field in settings_in(data):
        file = (*path[:-1], f"{path[-1]}_file")
        if is_secret(field) and general(file) in known_settings():
            yield path, file


def _file_words(path: Path, error: OSError) -> str:
    return f"{path}: {error.strerror or type(error).__name__}"
