"""The page of all settings."""

from __future__ import annotations

import itertools

from standingwatch.cli.reference.markdown import code, head, sentence, table
from standingwatch.settings import SettingRow, describe_settings, section_words


def settings_page() -> str:
    """All settings: a table for each section."""
    parts = [
        head(
            "Settings",
            "settings",
            "The file is TOML; a file needs only what differs from the defaults. "
            "`config/standingwatch.toml` is all of it as a file to start from. An environment variable "
            "`STANDINGWATCH_SECTION__KEY` wins over the file: `STANDINGWATCH_BROKER__HOST`. Relative paths "
            "are relative to the folder of the file. `standingwatch check` tells every problem at once; an "
            "unknown key is one.",
            "Where a section has NAME, give it a name of your own, as in `[channels.email.desk]`; there may "
            "be several.",
        )
    ]
    for section, rows in itertools.groupby(describe_settings(), key=lambda row: row.section):
        cells = [(code(row.key), _default(row), _kind(row), sentence(row.description)) for row in rows]
        parts.append(f"## [{section}]\n\n{section_words(section)}\n")
        parts.append(table(("key", "default", "may be", "says"), cells))
    return "\n".join(parts)


def _default(row: SettingRow) -> str:
    return "has to be given" if row.required else code(row.default)


def _kind(row: SettingRow) -> str:
    return f"{row.kind} [{row.unit}]" if row.unit else row.kind
