"""The example file documents every setting, with its default, and nothing else."""

import re
import tomllib
from pathlib import Path
from typing import Any

from standingwatch.settings import Settings, describe_settings, inspect_settings

EXAMPLE = Path(__file__).parents[2] / "config" / "standingwatch.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8")


def flat(table: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, dict):
            out |= flat(value, f"{prefix}{key}.")
        else:
            out[prefix + key] = value
    return out


def test_every_key_stands_there_and_no_unknown_one() -> None:
    with_examples = re.sub(r"^#(\w+ = )", r"\1", TEXT, flags=re.MULTILINE)
    there = list(flat(tomllib.loads(with_examples)))
    assert there == [f"{row.section}.{row.key}" for row in describe_settings()]


def test_what_stands_there_are_the_defaults() -> None:
    there = flat(tomllib.loads(TEXT))
    rows = {f"{row.section}.{row.key}": row.default for row in describe_settings()}
    assert there == {
        key: flat(tomllib.loads(f"x = {default}"))["x"] for key, default in rows.items() if default
    }
    defaults = flat(Settings().model_dump(mode="python"))
    for key, value in there.items():
        meant = (
            defaults[key].get_secret_value() if hasattr(defaults[key], "get_secret_value") else defaults[key]
        )
        assert value == (str(meant) if isinstance(meant, Path) else meant), key
    assert {key for key, value in defaults.items() if value is None} == set(defaults) - set(there)


def test_it_loads_without_a_problem() -> None:
    report = inspect_settings(EXAMPLE, {})
    assert report.problems == ()


def test_every_setting_is_described_above_its_line() -> None:
    text = re.sub(r"\n# ", " ", TEXT)
    for row in describe_settings():
        assert row.description
        assert row.description[1:] in text, f"{row.section}.{row.key}"
        if row.unit:
            assert f"[{row.unit}]" in text


def test_keys_with_a_unit_in_their_name_carry_it() -> None:
    units = {"s": "s", "db": "dB", "w": "W", "days": "d", "hours": "h", "bytes": "B"}
    for row in describe_settings():
        ending = row.key.rpartition("_")[2]
        assert row.unit == units.get(ending, row.unit), row.key
