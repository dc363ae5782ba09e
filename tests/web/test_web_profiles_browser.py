"""Payload profiles tried and drafted in a real browser: with and without script, and as axe-core sees it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from playwright.sync_api import Page

from standingwatch.store.access import Role

DEVICES = Path(__file__).parents[2] / "fixtures" / "devices"
TOPIC = "scada/S000/rtu/RPT-1/telemetry"
SAMPLE = (DEVICES / "rtu-nested" / "sample.json").read_text()
BAD = '[{"ts": "soon", "rf": {"fwd": {"dbm": "much"}, "rev": {"dbm": 120}}}, ' + SAMPLE + "]"


@pytest.fixture
def served(fill: Any, tmp_path: Path, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    """The address of a server with two profiles."""
    fill.sites(2, 1)
    folder = tmp_path / "profiles"
    folder.mkdir()
    for name in ("rtu-nested", "csv-comma"):
        (folder / f"{name}.toml").write_text((DEVICES / name / "profile.toml").read_text())
    return serve(app_of(fill, profiles=folder))


@pytest.fixture
def secret(fill: Any, session_of: Callable[..., str]) -> str:
    """A viewer's session: more is not needed to try a sample."""
    return session_of(fill, "Vi", Role.VIEWER)


def enter(page: Page, payload: str, button: str, profile: str = "rtu-nested") -> None:
    form = page.locator("section", has=page.locator("#profile"))
    form.locator("select[name=profile]").select_option(profile)
    form.get_by_label("Topic it came on").fill(TOPIC)
    form.get_by_label("Payload as it came").fill(payload)
    with page.expect_navigation():
        form.get_by_role("button", name=button).click()


@pytest.mark.parametrize("script", [True, False])
def test_a_sample_is_tried(opened: Callable[..., Page], script: bool) -> None:
    page = opened("/intake", java_script_enabled=script)
    enter(page, SAMPLE, "Try the profile")
    result = page.locator("section", has=page.locator("#profile")).get_by_role("status")
    row = result.locator("tr", has_text="forward").first
    assert row.locator("td").all_inner_texts() == ["pointer '/rf/fwd/dbm'", "49.82", "dBm", "95.9401 W"]
    assert "Forward 95.94 W, reflected 0.912 W, SWR 1.216." in result.inner_text()
    # What was entered stands there for the next try.
    assert page.get_by_label("Topic it came on").input_value() == TOPIC
    assert page.get_by_label("Payload as it came").input_value() == SAMPLE


def test_a_draft_can_be_read_and_reached_by_keyboard(opened: Callable[..., Page]) -> None:
    page = opened("/intake")
    enter(page, SAMPLE, "Draft a profile from it", "")
    region = page.get_by_role("region", name="Drafted profile")
    assert 'pointer = "/rf/fwd/dbm"  # GUESS: ' in region.inner_text()
    region.focus()
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "Drafted profile"


@pytest.mark.parametrize("size", ["desk", "phone"])
@pytest.mark.parametrize("button", ["Try the profile", "Draft a profile from it"])
def test_the_result_as_axe_sees_it(
    opened: Callable[..., Page],
    violations: Callable[[Page], list[str]],
    keep_shot: Callable[..., None],
    size: str,
    button: str,
) -> None:
    page = opened("/intake", size, "dark" if size == "phone" else "light", wait="load", bypass_csp=True)
    enter(page, BAD, button)
    keep_shot(page, f"profile-{button.split()[0].lower()}-{size}")
    assert violations(page) == []
    # Long lines of a draft or of a table scroll within their own box.
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("innerWidth")
