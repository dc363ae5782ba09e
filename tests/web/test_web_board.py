"""The board and what stands beside it: order, filters, states, figures."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.flags import Flag
from standingwatch.rf import return_loss_db_from_rho, rho_at_antenna, swr_from_rho

HOUR_US = 3_600_000_000


def board(client: Any, query: str = "") -> list[dict[str, Any]]:
    """The sites of the board as data."""
    return client.get(f"/api/board{query}").json()["sites"]


def transmitter(client: Any, site: str, name: str) -> dict[str, Any]:
    found = next(one for one in board(client) if one["site"] == site)
    return next(one for one in found["transmitters"] if one["transmitter"] == name)


def test_sites_stand_by_gravity_then_by_distance_from_baseline(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    fill.everything()
    sites = board(client_of(fill))
    gravity = [Severity.from_word(s["severity"]) if s["severity"] else Severity.CLEARED for s in sites]
    assert gravity == sorted(gravity, reverse=True)
    calm = [s for s in sites if s["severity"] is None]
    excess = [
        max(t["swr"] - t["baseline_swr"] for t in s["transmitters"] if t["baseline_swr"] is not None)
        for s in calm
    ]
    assert len(calm) == 3
    assert excess == sorted(excess, reverse=True)


def test_page_shows_the_same_order_as_the_data(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    client = client_of(fill)
    shown = re.findall(r'href="/site/([^"/]+)"', client.get("/").text)
    assert shown == [site["site"] for site in board(client)]


def test_figures_are_those_of_the_reading(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 2)
    fill.readings(np.array([0, 1]), np.array([30.0, 30.0]), np.array([1.5, 1.5]))
    known, unknown = board(client_of(fill))[0]["transmitters"]
    rho = 0.2  # (1.5 - 1) / (1.5 + 1)
    assert known["swr"] == pytest.approx(1.5, abs=1e-6)
    # 20 log10 5 = 13.979 dB.
    assert known["return_loss_db"] == pytest.approx(13.979, abs=1e-3)
    assert known["return_loss_db"] == pytest.approx(return_loss_db_from_rho(rho), abs=1e-5)
    assert known["swr_at_antenna"] == pytest.approx(swr_from_rho(rho_at_antenna(rho, 1.0)), abs=1e-5)
    assert unknown["swr_at_antenna"] is None


def test_total_reflection_does_not_hide_behind_an_older_good_reading(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    fill.sites(1, 1)
    fill.readings(np.array([0, 0]), np.array([120.0, 10.0]), np.array([1.1, np.inf]))
    client = client_of(fill)
    assert transmitter(client, "S000", "RPT-1")["swr"] == "infinite"
    assert "∞:1" in client.get("/board/rows").text


def test_unkeyed_report_keeps_the_last_swr_and_says_so(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    fill.readings(np.array([0]), np.array([120.0]), np.array([1.3]))
    fill.readings(np.array([0]), np.array([10.0]), np.array([1.0]), flags=np.array([int(Flag.NOT_KEYED)]))
    row = transmitter(client_of(fill), "S000", "RPT-1")
    assert row["state"] == "not keyed"
    assert row["swr"] == pytest.approx(1.3, abs=1e-6)
    assert row["last_report"] > row["measured"]


def test_long_silent_transmitter_shows_its_last_hour(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    fill.hours(3)
    fill.now_us += 30 * HOUR_US
    client = client_of(fill)
    row = transmitter(client, "S000", "RPT-1")
    assert row["last_report_within_hour_from_there"]
    assert row["last_report"] == "2026-03-14T08:00:00Z"
    assert row["state"] == "unknown"
    assert row["swr"] is not None
    assert "about 31 h ago" in client.get("/").text


def test_future_reading_is_not_the_newest(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    fill.readings(np.array([0, 0]), np.array([60.0, -7200.0]), np.array([1.2, 1.9]))
    assert transmitter(client_of(fill), "S000", "RPT-1")["swr"] == pytest.approx(1.2, abs=1e-6)


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("?severity=critical", {"S002"}),
        ("?severity=major", {"S002", "S001", "S007"}),
        ("?region=Coast", {"S001", "S004", "S007"}),
        ("?region=Coast&severity=major", {"S001", "S007"}),
        ("?text=LANTERN", {"S001", "S007"}),
        ("?text=reports-missing", {"S006"}),
        ("?text=%26+%3Cson", {"S000"}),
        ("?text=nowhere", set()),
    ],
)
def test_filters(fill: Any, client_of: Callable[..., Any], query: str, wanted: set[str]) -> None:
    fill.everything()
    client = client_of(fill)
    assert {site["site"] for site in board(client, query)} == wanted
    shown = set(re.findall(r'href="/site/([^"/]+)"', client.get(f"/{query}").text))
    assert shown == wanted
    assert ("No site matches" in client.get(f"/board/rows{query}").text) == (not wanted)


def test_live_part_asks_for_the_same_choice(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    text = client_of(fill).get("/?severity=major&region=Coast&text=a%26b").text
    assert 'data-from="/board/rows?severity=major&amp;region=Coast&amp;text=a%26b"' in text


def test_many_sites_come_in_pages(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(120, 1)
    fill.alarm("S119", "RPT-1", Condition.SWR_HIGH, Severity.MINOR)
    client = client_of(fill)
    found = [board(client, f"?page={page}") for page in (1, 2, 3)]
    assert [len(part) for part in found] == [50, 50, 20]
    assert found[0][0]["site"] == "S119"
    assert len({site["site"] for part in found for site in part}) == 120
    assert "Page 3 of 3" in client.get("/?page=99").text


def test_new_site_list_is_taken_up(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(2, 1)
    client = client_of(fill)
    assert len(board(client)) == 2
    fill.sites(3, 2)
    assert [len(site["transmitters"]) for site in board(client)] == [2, 2, 2]


def test_trend_follows_hours_that_are_closed_later(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    client = client_of(fill)
    assert 'class="spark"' not in client.get("/board/rows").text
    fill.hours(1)
    assert 'class="spark"' in client.get("/board/rows").text


class TestStates:
    """What the board says when there is nothing, or nothing new, to show."""

    def test_no_sites(self, fill: Any, client_of: Callable[..., Any]) -> None:
        assert "standingwatch inventory import FILE" in client_of(fill).get("/").text

    def test_waiting(self, fill: Any, client_of: Callable[..., Any]) -> None:
        fill.sites(2, 1)
        fill.horizon(1.0)
        text = client_of(fill).get("/").text
        assert "Waiting for the first report" in text
        assert "standingwatch/report/" in text

    @pytest.mark.parametrize(("age_s", "old"), [(599.0, False), (601.0, True)])
    def test_cut_off(self, fill: Any, client_of: Callable[..., Any], age_s: float, old: bool) -> None:
        fill.sites(2, 1)
        fill.readings(np.array([0]), np.array([1.0]), np.array([1.2]))
        fill.horizon(age_s)
        assert ("These figures are old" in client_of(fill).get("/").text) == old

    def test_silent(self, fill: Any, client_of: Callable[..., Any]) -> None:
        fill.sites(2, 1)
        fill.readings(np.array([0]), np.array([1.0]), np.array([1.2]))
        fill.now_us += 700_000_000
        fill.horizon(1.0)
        text = client_of(fill).get("/").text
        assert "No reports are coming in" in text
        assert 'role="alert"' in text

    def test_fresh(self, fill: Any, client_of: Callable[..., Any]) -> None:
        fill.everything()
        text = client_of(fill).get("/board/rows").text
        assert 'class="band' not in text
        assert "7 of 8" in text
        assert "2026-03-14 09:26:53 UTC" in text


def test_each_database_answers_alike(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill_each.everything()
    client = client_of(fill_each)
    assert transmitter(client, "S002", "RPT-1")["swr"] == "infinite"
    assert transmitter(client, "S001", "RPT-2")["swr"] == pytest.approx(2.31, abs=1e-6)
    assert transmitter(client, "S007", "RPT-1")["last_report"] == "2026-03-14T08:00:00Z"
    page = client.get("/").text
    assert page.count('class="spark"') == 24
    assert len(re.findall(r'<path class="base"', page)) == 20
    for path in ("/site/S004", "/alarms", "/intake", "/readyz"):
        assert client.get(path).status_code == 200
