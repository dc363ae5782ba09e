"""What `deploy/SECURITY.md` says: every point of the standard has its place, every test it names is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOTES = (ROOT / "deploy" / "SECURITY.md").read_text(encoding="utf-8")

#: Numbers of the requirements of levels 1 and 2 of OWASP ASVS 5.0.0, as its own CSV file has them.
NUMBERS = """
1.1.1/2 1.2.1/2/3/4/5/6/7/8/9 1.3.1/2/3/4/5/6/7/8/9/10/11 1.4.1/2/3 1.5.1/2 2.1.1/2/3 2.2.1/2/3
2.3.1/2/3/4 2.4.1 3.2.1/2 3.3.1/2/3/4 3.4.1/2/3/4/5/6 3.5.1/2/3/4/5 3.7.1/2 4.1.1/2/3 4.2.1 4.3.1/2
4.4.1/2/3/4 5.1.1 5.2.1/2/3 5.3.1/2 5.4.1/2/3 6.1.1/2/3 6.2.1/2/3/4/5/6/7/8/9/10/11/12 6.3.1/2/3/4
6.4.1/2/3/4 6.5.1/2/3/4/5 6.6.1/2/3 6.8.1/2/3/4 7.1.1/2/3 7.2.1/2/3/4 7.3.1/2 7.4.1/2/3/4/5 7.5.1/2
7.6.1/2 8.1.1/2 8.2.1/2/3 8.3.1 8.4.1 9.1.1/2/3 9.2.1/2/3/4 10.1.1/2 10.2.1/2 10.3.1/2/3/4
10.4.1/2/3/4/5/6/7/8/9/10/11 10.5.1/2/3/4/5 10.6.1/2 10.7.1/2/3 11.1.1/2 11.2.1/2/3 11.3.1/2/3
11.4.1/2/3/4 11.5.1 11.6.1 12.1.1/2/3 12.2.1/2 12.3.1/2/3/4 13.1.1 13.2.1/2/3/4/5 13.3.1/2
13.4.1/2/3/4/5 14.1.1/2 14.2.1/2/3/4 14.3.1/2/3 15.1.1/2/3 15.2.1/2/3 15.3.1/2/3/4/5/6/7 16.1.1
16.2.1/2/3/4/5 16.3.1/2/3/4 16.4.1/2/3 16.5.1/2/3 17.1.1 17.2.1/2/3/4 17.3.1/2
"""


def numbers() -> set[str]:
    """The numbers one by one: `1.2.3/4` stands for 1.2.3 and 1.2.4."""
    found = set()
    for group in NUMBERS.split():
        section, _, last = group.rpartition(".")
        found |= {f"{section}.{one}" for one in last.split("/")}
    return found


def part(name: str) -> str:
    return NOTES.split(f"### {name}\n")[1].split("\n### ")[0]


def rows(name: str) -> list[list[str]]:
    """The rows of the table of a part."""
    lines = [line for line in part(name).splitlines() if line.startswith("| V")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


PARTS = ("Held, each with what holds it", "Not met, or not shown", "Do not apply")


def points(name: str) -> list[str]:
    found = [one.removeprefix("V") for row in rows(name) for one in row[0].split()]
    whole = [n for one in found if one.endswith(".*") for n in numbers() if n.startswith(one[:-1])]
    return [one for one in found if not one.endswith(".*")] + whole


def test_every_requirement_has_its_place_once() -> None:
    assert len(numbers()) == 253
    given = [one for name in PARTS for one in points(name)]
    assert sorted(given) == sorted(numbers())
    held, open_, not_ours = (len(points(name)) for name in PARTS)
    assert f"All {held + open_ + not_ours} requirements" in NOTES
    assert f"{held} are held, {open_} are not met or not shown, {not_ours} do not apply" in " ".join(
        NOTES.split()
    )


def named() -> list[str]:
    return sorted(set(re.findall(r"`(tests/[\w/.]+\.py(?:::\w+)?)`", NOTES)))


@pytest.mark.parametrize("name", PARTS[1:])
def test_what_is_not_held_says_why(name: str) -> None:
    assert rows(name)
    assert all(len(row) == 2 and len(row[1]) > 10 for row in rows(name))


def test_what_is_held_is_held_by_something_that_there_is() -> None:
    assert len(named()) > 60
    for row in rows(PARTS[0]):
        assert re.findall(r"`(tests/[^`]+|ruff check)`", row[2]), row
    for name in named():
        path, _, test = name.partition("::")
        text = (ROOT / path).read_text(encoding="utf-8")
        assert re.search(rf"^def {test}\(", text, re.MULTILINE) if test else "def test_" in text, name


def test_links_and_settings_are_there() -> None:
    for link in re.findall(r"\]\(([^)#]+)\)", NOTES):
        assert (ROOT / "deploy" / link).exists(), link
    settings = (ROOT / "config" / "standingwatch.toml").read_text(encoding="utf-8")
    for section, key in re.findall(r"`(web|access|broker)\.(\w+)(?: = \w+)?`", NOTES):
        table = settings.split(f"\n[{section}]\n")[1].split("\n[")[0]
        assert re.search(rf"^#?{key} = ", table, re.MULTILINE), f"{section}.{key}"


def test_the_security_rules_are_on() -> None:
    assert '"S"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8").split("select = [")[1].split("]")[0]
    assert "ruff check service" in (ROOT / "tests" / "run").read_text(encoding="utf-8")
