"""Visits in a real browser: from a proposal to a proven repair, and the pages at both sizes and schemes."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI
from page_looks import faults_of
from playwright.sync_api import Page
from pypdf import PdfReader

from standingwatch.detect.interface import BaselineChange
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.settings import AccessSettings
from standingwatch.store.access import Role
from standingwatch.store.sites import load_site_list
from standingwatch.store.visits import follow_alarms
from standingwatch.store.watching import Progress, add_baselines, save_progress, save_rollups

DAY_US = 24 * HOUR_US
#: The transmitter with the planted fault, its position in the fleet; rho without the fault and with it.
SITE, NAME, POSITION = "S001", "RPT-1", 3
HEALTHY_RHO, FAULTY_RHO = 0.06, 0.3


def put_hours(fill: Any, start_us: int, end_us: int, rho: float, seed: int) -> None:
    """Hours of the transmitter at one level, with noise from hour to hour and from day to day."""
    rng = np.random.default_rng(seed)
    hour_us = np.arange(start_us - start_us % HOUR_US, end_us - HOUR_US + 1, HOUR_US)
    count = len(hour_us)
    daily = np.repeat(rng.normal(0, 0.004, count // 24 + 1), 24)[:count]
    level = np.clip(rho + daily + rng.normal(0, 0.005, count), 0.005, 1.0)
    nothing = np.full(count, np.nan)
    hours = Hours(
        hour_us=hour_us,
        transmitter=np.full(count, POSITION),
        channel=np.zeros(count, dtype=np.int64),
        reports=np.full(count, 60),
        usable=np.full(count, 31),
        forward_w=np.full(count, 96.0),
        rho_low=level * 0.9,
        rho_median=level,
        rho_high=level * 1.1,
        rho_max=level * 1.2,
        rho_level=level,
        reflected_step_w=np.full(count, 0.01),
        pa_temperature_c=nothing,
        ambient_temperature_c=nothing,
        precipitation=nothing,
        wind_mps=nothing,
    )
    with fill.store.writing() as connection:
        keys = load_site_list(connection).keys
        save_rollups(connection, hours, keys[hours.transmitter])
        save_progress(connection, "main", Progress(0, end_us, end_us - end_us % HOUR_US, ""))


@pytest.fixture
def planted(fill: Any) -> Any:
    """A fault of 12 days on a line that was well for 40 days before, and the visit proposed for it."""
    fill.sites(3, 3)
    onset_us = fill.now_us - 12 * DAY_US
    put_hours(fill, fill.now_us - 52 * DAY_US, onset_us, HEALTHY_RHO, 1)
    put_hours(fill, onset_us, fill.now_us, FAULTY_RHO, 2)
    with fill.store.writing() as connection:
        keys = load_site_list(connection).keys
        learned = BaselineChange(
            POSITION, fill.now_us - 30 * DAY_US, "full", HEALTHY_RHO, 0.004, "fourteen days"
        )
        add_baselines(connection, [learned], keys)
    now_us, fill.now_us = fill.now_us, onset_us + 3 * HOUR_US
    fill.alarm(SITE, NAME, Condition.SWR_STEP, Severity.MAJOR, Cause.ANTENNA_DAMAGE)
    fill.now_us = now_us
    with fill.store.writing() as connection:
        follow_alarms(connection, fill.now_us)
    return fill


@pytest.fixture
def served(planted: Any, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    # The test's days pass within a minute, in which nobody asks for anything.
    return serve(app_of(planted, access=AccessSettings(session_idle_hours=8760.0)))


@pytest.fixture
def secret(planted: Any, session_of: Callable[..., str]) -> str:
    """Ada's, an engineer; longer than the test's weeks."""
    return session_of(planted, "Ada", Role.ENGINEER, 90.0)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["desk", "phone"])
@pytest.mark.parametrize("name", ["visits", "visit", "sheet"])
def test_page_fits_its_window(
    opened: Callable[..., Page], keep_shot: Callable[..., None], name: str, size: str, scheme: str
) -> None:
    page = opened({"visits": "/visits", "visit": "/visit/1", "sheet": "/visit/1/sheet"}[name], size, scheme)
    keep_shot(page, f"{name}-{size}-{scheme}")
    assert faults_of(page) == []


def test_from_proposal_to_proven(
    opened: Callable[..., Page], planted: Any, served: str, keep_shot: Callable[..., None]
) -> None:
    page = opened("/visits")
    assert "Proposed: 1" in page.locator("#in-proposed").inner_text()
    page.get_by_role("link", name="Lantern Hill 1").click()
    assert "SWR stepped away from its baseline" in page.locator("#why").locator("..").inner_text()
    page.get_by_label("When, in UTC").fill("2026-03-15T08:00")
    page.get_by_label("Crew").fill("Mast crew")
    page.get_by_label("Access").fill("key at the farm")
    page.get_by_label("Antenna gain").fill("6")
    page.get_by_role("button", name="Plan the visit").click()
    page.wait_for_url("**said=**")
    assert page.locator(".way [aria-current]").inner_text() == "planned"

    page.get_by_role("link", name="Visit sheet").click()
    body = page.locator(".sheet").inner_text()
    assert "Measure" in body
    # Chromium prints the same page on two sheets of paper, as the PDF of the service has.
    printed = page.pdf(format="A4", prefer_css_page_size=False)
    assert len(PdfReader(io.BytesIO(printed)).pages) == 2
    made = page.request.get(f"{served}/visit/1/sheet.pdf")
    pages = PdfReader(io.BytesIO(made.body())).pages
    assert len(pages) == 2
    assert "antenna damage" in pages[0].extract_text()

    page.goto(f"{served}/visit/1")
    planted.now_us += 23 * HOUR_US
    put_hours(planted, planted.now_us - 23 * HOUR_US, planted.now_us, FAULTY_RHO, 3)
    page.get_by_role("button", name="Begin the work").click()
    page.wait_for_url("**said=**")
    assert page.locator(".way [aria-current]").inner_text() == "under way"
    planted.now_us += 3 * HOUR_US
    page.get_by_role("button", name="The work is done").click()
    page.wait_for_url("**said=**")
    done_us = planted.now_us
    assert "cannot say yet" in page.locator("#proof").inner_text()

    # The repair, as the reports of the days after it show it; the watch has seen the work and ends the alarm.
    put_hours(planted, done_us + HOUR_US, done_us + 9 * DAY_US, HEALTHY_RHO, 4)
    planted.now_us = done_us + HOUR_US
    planted.clear(SITE, NAME, Condition.SWR_STEP)
    with planted.store.writing() as connection:
        keys = load_site_list(connection).keys
        opens = BaselineChange(POSITION, done_us, "opened", np.nan, np.nan, "a visit or retune ended")
        takes = BaselineChange(POSITION, done_us + DAY_US, "provisional", 0.061, 0.004, "first hours")
        add_baselines(connection, [opens, takes], keys)
    planted.now_us = done_us + 2 * DAY_US
    page.goto(f"{served}/visit/1")
    assert "it takes 5" in page.locator("table.proof").inner_text()
    planted.now_us = done_us + 8 * DAY_US
    page.goto(f"{served}/visit/1")
    keep_shot(page, "visit-proof-desk-light")
    assert page.locator("#proof").inner_text() == "Before and after: proven fixed"
    assert "version 3, provisional" in page.locator("#baselines").locator("..").inner_text()
    page.get_by_label("True cause, RPT-1").select_option("loose-connection")
    page.get_by_label("Found and done").fill("burnt centre pin, new connector")
    page.get_by_role("button", name="Keep the findings").click()
    page.wait_for_url("**said=**")
    # The new baseline is proposed to a person, who accepts it with a click.
    new = page.locator("table.baselines tr", has_text=NAME)
    assert "proposed" in new.inner_text()
    new.get_by_role("button", name="Accept SWR 1.13:1 for RPT-1").click()
    page.wait_for_url("**said=**")
    assert "New baseline accepted" in page.locator("#outcome").inner_text()
    assert "accepted by Ada, 2026-03-23 11:26 UTC" in new.inner_text()
    assert new.get_by_role("button").count() == 0
    page.get_by_role("button", name="Proven fixed", exact=True).click()
    page.wait_for_url("**said=**")
    assert page.locator(".way [aria-current]").inner_text() == "proven fixed"
    assert "new baseline of RPT-1 accepted: version 3" in page.locator("#story").locator("..").inner_text()
    page.goto(f"{served}/site/{SITE}/{NAME}")
    assert "accepted by Ada" in page.locator("#versions").locator("..").inner_text()
    page.goto(f"{served}/visit/1")
    page.get_by_role("link", name="Visits", exact=True).first.click()
    assert "0 of 1 (0 %)" in page.locator("#score").locator("..").inner_text()
    keep_shot(page, "visits-after-desk-light")


def test_what_was_not_mended_is_said(opened: Callable[..., Page], planted: Any, served: str) -> None:
    page = opened("/visit/1", java_script_enabled=False)
    page.get_by_role("button", name="Begin the work").click()
    planted.now_us += 3 * HOUR_US
    page.get_by_role("button", name="The work is done").click()
    put_hours(planted, planted.now_us, planted.now_us + 8 * DAY_US, FAULTY_RHO, 5)
    planted.now_us += 7 * DAY_US
    page.goto(f"{served}/visit/1")
    assert page.locator("#proof").inner_text() == "Before and after: not fixed"
    page.get_by_role("button", name="Not fixed", exact=True).click()
    assert page.locator(".way [aria-current]").inner_text() == "not fixed"
