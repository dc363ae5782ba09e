"""The list of what the service depends on is that of the pinned versions, and the audit finds what holds."""

from __future__ import annotations

import json
import runpy
from pathlib import Path
from typing import Any

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
DEPENDENCIES = runpy.run_path(str(DEPLOY / "dependencies.py"))


def test_the_page_is_what_the_command_says() -> None:
    """From the pinned versions, the project's own list, and what the installed packages need."""
    assert (DEPLOY / "DEPENDENCIES.md").read_text() == DEPENDENCIES["page"]()


def test_each_direct_dependency_has_its_reason_and_nothing_else_has() -> None:
    canonical = DEPENDENCIES["canonical"]
    said = {canonical(name) for name in DEPENDENCIES["reasons"]()["direct"]}
    assert said == {canonical(one.name) for one in DEPENDENCIES["direct"]()}


def test_everything_that_is_needed_is_pinned() -> None:
    assert DEPENDENCIES["closure"](DEPENDENCIES["direct"]()).keys() <= DEPENDENCIES["pinned"]().keys()


def advisory(
    name: str, *events: dict[str, str], versions: tuple[str, ...] = (), **more: Any
) -> dict[str, Any]:
    ranges = [{"type": "ECOSYSTEM", "events": list(events)}]
    package = {"ecosystem": "PyPI", "name": name}
    affected = [{"package": package, "ranges": ranges, "versions": list(versions)}]
    return {"id": "TEST-1", "aliases": ["CVE-0"], "published": "2026-01-01", "affected": affected, **more}


@pytest.mark.parametrize(
    ("one", "holds"),
    [
        (advisory("Some_Package", {"introduced": "0"}, {"fixed": "2.0"}), True),
        (advisory("some-package", {"introduced": "0"}, {"fixed": "1.5"}), False),
        (advisory("some.package", {"introduced": "1.0"}, {"last_affected": "1.5"}), True),
        (advisory("some-package", {"introduced": "1.6"}), False),
        (
            advisory("some-package", {"introduced": "0"}, {"fixed": "1.1"}, {"introduced": "1.4"}),
            True,
        ),
        (advisory("some-package", versions=("1.4", "1.5")), True),
        (advisory("another-package", {"introduced": "0"}), False),
        (advisory("some-package", {"introduced": "0"}, withdrawn="2026-01-02"), False),
        (advisory("some-package", {"introduced": "no version"}), True),  # so that somebody looks
    ],
)
def test_whether_an_advisory_holds(one: dict[str, Any], holds: bool) -> None:
    assert DEPENDENCIES["holds"](one, "some-package", "1.5") is holds


def test_the_audit_tells_what_holds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    version = DEPENDENCIES["pinned"]()["starlette"]
    (tmp_path / "one.json").write_text(json.dumps(advisory("starlette", versions=(version,))))
    assert DEPENDENCIES["main"](["audit", str(tmp_path)]) == 1
    assert f"starlette {version}: TEST-1 CVE-0" in capsys.readouterr().out
    (tmp_path / "one.json").write_text(json.dumps(advisory("starlette", versions=("0.0.1",))))
    (tmp_path / "two.yaml").write_text("id: TEST-2\naffected: []\n")
    assert DEPENDENCIES["main"](["audit", str(tmp_path)]) == 0
    assert "2 advisories" in capsys.readouterr().out
    assert DEPENDENCIES["main"](["audit", str(tmp_path / "nothing")]) == 1
