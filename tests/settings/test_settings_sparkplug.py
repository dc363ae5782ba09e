"""Settings of the host for Sparkplug B: names that can stand in a topic, waits within bounds."""

from __future__ import annotations

from pathlib import Path

import pytest

from standingwatch.settings import inspect_settings


def problems(folder: Path, line: str) -> list[tuple[str, str]]:
    path = folder / "watch.toml"
    path.write_text(f"[sparkplug]\n{line}\n")
    return [(p.key, p.wanted) for p in inspect_settings(path, {}).problems]


@pytest.mark.parametrize(
    "line",
    ['host_id = "ops-1"', 'groups = ["north", "south"]', "reorder_wait_s = 0", "join_s = 0", "repeat_s = 0"],
)
def test_what_is_right(tmp_path: Path, line: str) -> None:
    assert problems(tmp_path, line) == []


@pytest.mark.parametrize(
    ("line", "key", "wanted"),
    [
        ('host_id = "a/b"', "sparkplug.host_id", "a name without / + # or control characters"),
        ('host_id = ""', "sparkplug.host_id", "a name without / + # or control characters"),
        ('groups = ["+"]', "sparkplug.groups", 'names of groups between brackets, as in ["north"]'),
        ('groups = "north"', "sparkplug.groups", 'names of groups between brackets, as in ["north"]'),
        ("reorder_wait_s = -1", "sparkplug.reorder_wait_s", "a number from 0 to 3600"),
        ("rebirth_every_s = 0", "sparkplug.rebirth_every_s", "a number from 1 to 3600"),
        ("join_s = 61", "sparkplug.join_s", "a number from 0 to 60"),
        ("repeat_s = 100000", "sparkplug.repeat_s", "a number from 0 to 86400"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, line: str, key: str, wanted: str) -> None:
    ((found, words),) = problems(tmp_path, line)
    assert found.startswith(key)
    assert words.startswith(wanted)
