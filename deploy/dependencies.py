"""What the service depends on, and whether advisories are known for it.

    python deploy/dependencies.py list > deploy/DEPENDENCIES.md
    python deploy/dependencies.py audit FOLDER
    python deploy/dependencies.py digest

`list` makes the page from `deploy/constraints.txt`, `pyproject.toml`, `deploy/dependencies.toml`, and what
the installed packages say that they need. `audit` holds the versions of `deploy/constraints.txt` against
advisories in the OSV format (YAML or JSON, one a file), as a checkout of
`github.com/pypa/advisory-database` has them in `vulns`; it needs no network, PyYAML for YAML, and ends with
status 1 where an advisory holds. Their date is the date of the audit: what is later is not known. `digest`
is what the page knows the audited versions by.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import re
import sys
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.version import InvalidVersion, Version

ROOT = Path(__file__).parents[1]

HEAD = """\
# What the service depends on

Made by `python deploy/dependencies.py list`; a test holds it to `deploy/constraints.txt` and
`pyproject.toml`. The versions are those that the tests were run with.

**Last audit**: {on}, of {which} versions, by `python deploy/dependencies.py audit FOLDER`.
Data: {data}. Found: {found}.

What was published later than those data is not known to it. Some that are later stand at the end, from
memory; all were mended before the versions here. Nobody else has looked. To look with data of today: clone
the advisory database, and give its folder `vulns` to the command.

## Direct dependencies

| package | version | why it is there | what it meets from outside |
| --- | --- | --- | --- |
"""

NEEDED = """
## What those need

| package | version | needed by |
| --- | --- | --- |
"""

TESTS = """
## For tests alone

"""

LATER = """
## Advisories later than the data of the audit, from memory

| package | mended in | here | about |
| --- | --- | --- | --- |
"""


def canonical(name: str) -> str:
    """A package's name as it is compared (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned() -> dict[str, str]:
    """Version of each package by canonical name, from `deploy/constraints.txt`."""
    lines = (ROOT / "deploy" / "constraints.txt").read_text().splitlines()
    return {
        canonical(name): version for name, _, version in (line.partition("==") for line in lines) if version
    }


def project() -> Mapping[str, Any]:
    """The table `project` of `pyproject.toml`."""
    found: Mapping[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    return found


def reasons() -> Mapping[str, Any]:
    """`deploy/dependencies.toml`."""
    return tomllib.loads((ROOT / "deploy" / "dependencies.toml").read_text())


def direct() -> list[Requirement]:
    """What the service and its extras ask for, tests left out."""
    extras = project()["optional-dependencies"]
    optional = (one for name in ("cluster", "postgres", "traces") for one in extras[name])
    return [Requirement(one) for one in (*project()["dependencies"], *optional)]


def closure(wanted: Iterable[Requirement]) -> dict[str, set[str]]:
    """Every package that is needed in the end, and what needs it, as the installed packages say.

    Raises:
        importlib.metadata.PackageNotFoundError: if one is not installed.
    """
    found: dict[str, set[str]] = {}
    done: set[tuple[str, frozenset[str]]] = set()
    todo = [(one, "") for one in wanted]
    while todo:
        asked, by = todo.pop()
        name = canonical(asked.name)
        found.setdefault(name, set()).add(by)
        if (name, frozenset(asked.extras)) in done:
            continue
        done.add((name, frozenset(asked.extras)))
        for text in importlib.metadata.distribution(name).requires or []:
            one = Requirement(text)
            extras = asked.extras or {""}
            if one.marker is None or any(one.marker.evaluate({"extra": extra}) for extra in extras):
                todo.append((one, name))
    return found


def digest() -> str:
    """What versions are known by, whatever the order and the spelling of their lines."""
    text = "\n".join(f"{name}=={version}" for name, version in sorted(pinned().items()))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def page() -> str:
    """The page, as Markdown."""
    versions, said, needs = pinned(), reasons(), closure(direct())
    audit = said["audit"]
    which = "exactly these" if audit["versions"] == digest() else "other, earlier"
    lines = [HEAD.format(**{**audit, "which": which})]
    named = {canonical(name): about for name, about in said["direct"].items()}
    for one in sorted(direct(), key=lambda each: canonical(each.name)):
        about = named[canonical(one.name)]
        lines.append(
            f"| {one.name} | {versions[canonical(one.name)]} | {about['why']} | {about['meets']} |\n"
        )
    lines.append(NEEDED)
    lines += [
        f"| {name} | {versions[name]} | {', '.join(sorted(needs[name]))} |\n"
        for name in sorted(needs.keys() - named.keys())
    ]
    lines.append(TESTS)
    rest = [f"{name} {versions[name]}" for name in sorted(versions.keys() - needs.keys())]
    lines.append(", ".join(rest) + ".\n")
    lines.append(LATER)
    for name, about in said["later"].items():
        lines.append(f"| {name} | {about['mended']} | {versions[canonical(name)]} | {about['about']} |\n")
    return "".join(lines)


# Advisories ---------------------------------------------------------------------------------------------


def advisories(folder: Path) -> Iterator[Mapping[str, Any]]:
    """Every advisory of a folder in the OSV format."""
    for path in sorted(folder.rglob("*")):
        if path.suffix == ".json":
            yield json.loads(path.read_text(encoding="utf-8"))
        elif path.suffix in (".yaml", ".yml"):
            import yaml

            yield yaml.safe_load(path.read_text(encoding="utf-8"))


def holds(advisory: Mapping[str, Any], name: str, version: str) -> bool:
    """Whether an advisory holds for a version of a package, by its versions or its ranges (OSV schema).

    What cannot be compared counts as held, so that somebody looks.
    """
    if advisory.get("withdrawn"):
        return False
    for affected in advisory.get("affected", []):
        package = affected.get("package", {})
        if package.get("ecosystem") != "PyPI" or canonical(package.get("name", "")) != name:
            continue
        if version in affected.get("versions", []):
            return True
        for one in affected.get("ranges", []):
            if one.get("type") in ("ECOSYSTEM", "SEMVER") and _within(one.get("events", []), version):
                return True
    return False


def _within(events: Sequence[Mapping[str, str]], version: str) -> bool:
    try:
        mine = Version(version)
        inside = False
        for event in events:
            for kind, text in event.items():
                edge = Version("0" if text == "0" else text)
                if kind == "introduced" and mine >= edge:
                    inside = True
                elif (kind == "fixed" and mine >= edge) or (kind == "last_affected" and mine > edge):
                    inside = False
    except InvalidVersion:
        return True
    return inside


def audit(folder: Path) -> int:
    """Hold the pinned versions against a folder of advisories; 1 where one holds."""
    versions, looked, about, found, newest = pinned(), 0, 0, 0, ""
    for advisory in advisories(folder):
        looked += 1
        newest = max(newest, str(advisory.get("published", "")))
        names = {canonical(a.get("package", {}).get("name", "")) for a in advisory.get("affected", [])}
        for name in sorted(names & versions.keys()):
            about += 1
            if holds(advisory, name, versions[name]):
                found += 1
                also = ", ".join(advisory.get("aliases", []))
                sys.stdout.write(f"{name} {versions[name]}: {advisory['id']} {also}\n")
    for name, later in reasons()["later"].items():
        if Version(versions[canonical(name)]) < Version(later["mended"]):
            found += 1
            sys.stdout.write(
                f"{name} {versions[canonical(name)]}: {later['about']}, mended in {later['mended']}\n"
            )
    sys.stdout.write(
        f"{looked} advisories, the newest of {newest[:10]}; {about} about packages here; {found} hold for "
        f"one of the {len(versions)} versions\n"
    )
    if not looked:
        sys.stderr.write(f"no advisory in {folder}: give the folder vulns of an advisory database\n")
    return 1 if found or not looked else 0


def main(words: Sequence[str]) -> int:
    """The command."""
    if words == ["list"]:
        sys.stdout.write(page())
    elif words == ["digest"]:
        sys.stdout.write(digest() + "\n")
    elif len(words) == 2 and words[0] == "audit":
        return audit(Path(words[1]))
    else:
        sys.stderr.write("use: dependencies.py list | digest | audit FOLDER\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
