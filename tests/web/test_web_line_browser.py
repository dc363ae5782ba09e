"""The page of an antenna line in a real browser: drawn under the strict policy, moved along, read out."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI
from playwright.sync_api import Page

from standingwatch.detect.interface import BaselineChange, LimitForecast
from standingwatch.detect.rollup import HOUR_US, Hours
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings.flags import Flag
from standingwatch.settings import AccessSettings
from standingwatch.store.sites import load_site_list
from standingwatch.store.watching import add_baselines, save_rollups

DAY_US = 24 * HOUR_US
RISING = "/site/S004/RPT-1"
PAGES = {
    "line-month": RISING,
    "line-year": f"{RISING}?from=2025-03-20",
    "line-raw": f"{RISING}?from=2026-03-13T12:00&as=return-loss",
    "line-no-loss": "/site/S001/RPT-2",
    "line-unkeyed": "/site/S005/RPT-1?from=2026-03-14T06:00",
    "line-infinite": "/site/S002/RPT-1?from=2026-03-14T06:00",
    "line-no-data": "/site/S007/RPT-3?from=2026-03-14T06:00",
}


def fourteen_months(fill: Any) -> None:
    """Hours of one transmitter over fourteen months: seasons, rain, a rise in the last weeks, two gaps."""
    with fill.store.writing() as connection:
        keys = load_site_list(connection).keys
        count = 420 * 24
        last_us = fill.now_us - fill.now_us % HOUR_US - HOUR_US
        hour_us = last_us - HOUR_US * np.arange(count - 1, -1, -1)
        day = np.arange(count) / 24
        rng = np.random.default_rng(3)
        rain = np.where(rng.random(count) < 0.04, rng.gamma(1, 1.2, count), 0.0)
        wet = np.convolve(rain, np.exp(-np.arange(24) / 6), "full")[:count] * 0.006
        outside_c = 9 + 10 * np.sin(2 * np.pi * (day - 100) / 365) + 4 * np.sin(2 * np.pi * day)
        rho = 0.07 + 0.0006 * (outside_c - 9) + wet + rng.normal(0, 0.003, count)
        rho = np.clip(rho + np.clip((day - 375) / 45, 0, 1) ** 1.5 * 0.14, 0.01, 1.0)
        columns = {
            "hour_us": hour_us,
            "forward_w": 96 + rng.normal(0, 0.6, count),
            "rho_low": rho * 0.93,
            "rho_median": rho,
            "rho_high": rho * 1.08,
            "rho_max": rho * 1.2,
            "rho_level": rho,
            "reflected_step_w": np.full(count, 0.1),
            "pa_temperature_c": outside_c + 20,
            "ambient_temperature_c": outside_c,
            "precipitation": rain,
            "wind_mps": rng.gamma(2, 2, count),
            "transmitter": np.full(count, 12),
            "channel": np.zeros(count, dtype=np.int64),
            "reports": np.full(count, 60),
            "usable": np.full(count, 31),
        }
        gap = (day > 395) & (day < 396.5)
        save_rollups(connection, Hours(**columns).take(~gap), np.full(int((~gap).sum()), keys[12]))
        versions = [
            (300, "full", 0.07),
            (200, "opened", np.nan),
            (199, "provisional", 0.071),
            (185, "full", 0.07),
        ]
        changes = [
            BaselineChange(12, fill.now_us - days * DAY_US, kind, rho, 0.003, "as planned")
            for days, kind, rho in versions
        ]
        add_baselines(connection, changes, keys)


@pytest.fixture
def served(fill: Any, app_of: Callable[..., FastAPI], serve: Callable[[FastAPI], str]) -> str:
    fill.everything()
    fill.desk()
    fourteen_months(fill)
    at = [fill.now_us + days * DAY_US for days in (5, 11, 24)]
    forecast = (LimitForecast("swr-1.5", 1.5, "reached"), LimitForecast("swr-2", 2.0, "expected", *at))
    fill.alarm(
        *("S004", "RPT-1", Condition.SWR_RISING, Severity.MAJOR, Cause.CONNECTOR),
        forecast=(*forecast, LimitForecast("tolerance", 3.0, "expected", at[1], at[2], None)),
    )
    fill.alarm("S004", "RPT-1", Condition.SWR_STEP, Severity.MINOR)
    fill.clear("S004", "RPT-1", Condition.SWR_STEP)
    minute = 60.0 * np.arange(1, 1_500)
    swr = 1.5 + 0.04 * np.sin(np.arange(len(minute)) / 50)
    swr[[400, 401]] = np.inf
    fill.readings(np.full(len(minute), 12), minute + 20, swr)
    idle = np.full(200, int(Flag.NOT_KEYED | Flag.LOW_FORWARD))
    fill.readings(np.full(200, 15), minute[:200] + 20, np.full(200, 1.0), flags=idle)
    fill.readings(np.full(90, 6), minute[:90] + 20, np.where(np.arange(90) < 60, np.inf, 1.15))
    return serve(app_of(fill, access=AccessSettings(required=False)))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["desk", "phone"])
def test_pages_fit_their_window_and_draw(
    opened: Callable[..., Page], keep_shot: Callable[..., None], size: str, scheme: str
) -> None:
    for name, path in PAGES.items():
        page = opened(path, size, scheme)
        keep_shot(page, f"{name}-{size}-{scheme}")
        width = page.evaluate("innerWidth")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        assert page.locator("h1").count() == 1
        # Taking the picture changes the window's size for a moment, after which the chart is drawn anew.
        drawing = page.locator("#drawing svg")
        box = next(filter(None, (drawing.bounding_box(timeout=30_000) for _ in range(100))))
        assert 300 < box["height"] < 900, name
        assert box["width"] <= width, name


def test_lines_are_drawn_where_the_values_are(opened: Callable[..., Page]) -> None:
    page = opened(RISING)
    spec = page.evaluate("fetch(document.getElementById('chart').dataset.from).then((a) => a.json())")
    # The longest path of the main part is the median: a corner for each hour, none over the gap.
    paths = page.evaluate(
        "[...document.querySelectorAll('#drawing path')].map((p) => p.getAttribute('d') || '')"
    )
    longest = max(paths, key=lambda d: d.count("L") if not d.endswith("Z") else 0)
    known = [row for row in spec["datasets"]["match"] if row["v"] is not None]
    breaks = len(spec["datasets"]["match"]) - len(known)
    assert breaks == 1
    assert longest.count("M") == 2
    assert longest.count("M") + longest.count("L") == len(known)
    heights = [float(y) for y in re.findall(r"[ML][\d.]+,([\d.]+)", longest)]
    # Height goes down as rho goes up, one scale for all: 270 pixels from 0 to the top of the axis.
    slope = (heights[0] - heights[-1]) / (known[-1]["v"] - known[0]["v"])
    assert heights[100] == pytest.approx(heights[0] - slope * (known[100]["v"] - known[0]["v"]), abs=0.1)


def test_dragging_over_the_chart_goes_there(opened: Callable[..., Page]) -> None:
    page = opened(f"{RISING}?from=2026-02-12&to=2026-03-14")
    box = page.locator("#drawing svg").bounding_box()
    assert box is not None
    y = box["y"] + 100
    page.mouse.move(box["x"] + 0.4 * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], y, steps=4)
    page.mouse.move(box["x"] + 0.6 * box["width"], y, steps=4)
    page.mouse.up()
    page.wait_for_url(re.compile(r"from=2026-02-2\d.*to=2026-03-0\d"), timeout=20_000)
    page.locator("#chart[data-drawn]").wait_for(timeout=60_000)
    assert "by hours" in page.locator("#span").inner_text()


def touch(page: Page, *places: tuple[float, float]) -> None:
    """A finger that is put down at the first place, drawn along the others, and lifted."""
    session = page.context.new_cdp_session(page)
    for number, (x, y) in enumerate(places):
        kind = "touchMove" if number else "touchStart"
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_a_finger_drags_along_the_chart(opened: Callable[..., Page]) -> None:
    page = opened(f"{RISING}?from=2026-02-12&to=2026-03-14", "phone", has_touch=True)
    page.locator("#chart").scroll_into_view_if_needed()
    box = page.locator("#drawing svg").bounding_box()
    assert box is not None
    y = box["y"] + 100
    touch(page, *((box["x"] + share * box["width"], y) for share in (0.4, 0.45, 0.5, 0.55, 0.6, 0.65)))
    page.wait_for_url(re.compile(r"from=2026-02-2\d.*to=2026-03-0\d"), timeout=20_000)
    page.locator("#chart[data-drawn]").wait_for(timeout=60_000)


def test_a_finger_that_taps_reads_out_and_stays(opened: Callable[..., Page]) -> None:
    page = opened(RISING, "phone", has_touch=True)
    page.locator("#chart").scroll_into_view_if_needed()
    box = page.locator("#drawing svg").bounding_box()
    assert box is not None
    before = page.url
    touch(page, (box["x"] + box["width"] / 2, box["y"] + 100))
    assert re.match(r"2026-0[23]-\d\d \d\d:30 UTC · SWR 1\.", page.locator("#readout").inner_text())
    page.wait_for_timeout(300)
    assert page.url == before


def test_keys_read_out_and_move(opened: Callable[..., Page]) -> None:
    page = opened(RISING)
    page.locator("#chart").focus()
    page.keyboard.press("ArrowLeft")
    last = page.locator("#readout").inner_text()
    assert last.startswith("2026-03-14 08:30 UTC · SWR 1.5")
    assert "at the antenna" in last
    assert "W forward" in last
    assert "major" in last
    page.keyboard.press("ArrowLeft")
    assert page.locator("#readout").inner_text().startswith("2026-03-14 07:30 UTC")
    assert page.locator("#cursor").is_visible()
    page.keyboard.press("+")
    page.wait_for_url("**from=2026-02-27T09*")
    page.locator("#chart[data-drawn]").wait_for(timeout=60_000)
    page.locator("#chart").focus()
    page.keyboard.press("Shift+ArrowLeft")
    page.wait_for_url("**to=2026-03-0*")


def test_pointer_reads_out(opened: Callable[..., Page]) -> None:
    page = opened(RISING)
    box = page.locator("#drawing svg").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 100)
    assert re.match(r"2026-0[23]-\d\d \d\d:30 UTC · SWR 1\.", page.locator("#readout").inner_text())


def test_links_work_without_script(opened: Callable[..., Page]) -> None:
    page = opened(RISING, java_script_enabled=False)
    assert page.locator("#waiting").is_visible()
    page.get_by_role("link", name="Return loss", exact=True).click()
    page.wait_for_url("**as=return-loss*")
    page.get_by_role("link", name="week", exact=True).click()
    page.wait_for_url("**from=2026-03-07*as=return-loss*")
    page.locator("summary", has_text="the newest first").click()
    assert "dB" in page.locator(".scroll tbody tr").first.inner_text()


def test_a_chart_that_cannot_be_drawn_says_so(opened: Callable[..., Page]) -> None:
    page = opened(RISING)
    page.route("**/chart?*", lambda route: route.fulfill(status=204, body=""))
    page.route("**/chart", lambda route: route.fulfill(status=204, body=""))
    page.reload()
    page.locator("#failed").wait_for(timeout=20_000)
    assert "The table below has its numbers" in page.locator("#failed").inner_text()


def test_another_scheme_is_drawn_anew(opened: Callable[..., Page]) -> None:
    page = opened(RISING)
    page.emulate_media(color_scheme="dark")
    page.locator("#chart[data-drawn='2']").wait_for(timeout=20_000)
    # The ink of the dark theme, and none of the light one's.
    assert page.locator("#drawing svg path[stroke='#dfe6ea']").count() > 0
    assert page.locator("#drawing svg path[stroke='#17212a']").count() == 0
