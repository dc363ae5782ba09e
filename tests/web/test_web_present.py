"""What pages say of now: the match beside an alarm's older words, units, and that figures are old."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.words import Condition
from standingwatch.web.chart import Course, Level, chart
from standingwatch.web.evidence import figures
from standingwatch.web.words import headline

HOUR_US = 3_600_000_000


def test_an_alarm_says_what_it_said_and_what_is_now(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    client = client_of(fill)
    # The alarm was raised two hours ago at 2.31:1; the newest reading is 70 s old, behind 1 dB of feeder.
    fill.readings(np.array([13]), np.array([5.0]), np.array([1.5]))
    page = client.get("/alarm?subject=S004%2FRPT-2&condition=swr-rising").text
    assert "SWR 2.31:1 at the transmitter" in page
    assert "As of 2026-03-14 07:26 UTC." in page
    assert re.search(r"<b>Now:</b> SWR 1\.50:1, return loss 14\.0 dB, 100 W forward; 5 s ago", page)
    for address in ("/alarms", "/site/S004", "/site/S004/RPT-2"):
        assert (
            "<b>Now:</b> SWR 1.50:1, return loss 14.0 dB, 100 W forward; 5 s ago" in client.get(address).text
        )


def test_both_ends_where_the_feeder_is_known(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    page = client_of(fill).get("/alarm?subject=S002%2FRPT-1&condition=swr-high").text
    # A total reflection behind 1 dB of feeder cannot be: nothing is said of that end.
    assert "<b>Now:</b> SWR ∞:1, return loss 0.0 dB" in page
    fill.readings(np.array([6]), np.array([2.0]), np.array([1.4]))
    page = client_of(fill).get("/alarm?subject=S002%2FRPT-1&condition=swr-high").text
    assert "<b>Now:</b> SWR 1.40:1, 1.53:1 at the antenna, return loss 15.6 dB" in page


def test_nothing_is_now_where_nothing_comes_in_or_it_is_over(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    fill.everything()
    client = client_of(fill)
    for subject, condition in (("S006%2FRPT-3", "reports-missing"), ("S007", "site-unreachable")):
        assert "<b>Now:</b>" not in client.get(f"/alarm?subject={subject}&condition={condition}").text
    fill.clear("S004", "RPT-2", Condition.SWR_RISING)
    assert "<b>Now:</b>" not in client.get("/alarm?subject=S004%2FRPT-2&condition=swr-rising").text


@pytest.mark.parametrize(
    "address",
    [
        "/",
        "/map",
        "/alarms",
        "/alarm?subject=S002%2FRPT-1&condition=swr-high",
        "/site/S002",
        "/site/S002/RPT-1",
    ],
)
def test_every_page_of_now_says_when_it_is_old(
    fill: Any, client_of: Callable[..., Any], address: str
) -> None:
    fill.everything()
    client = client_of(fill)
    assert "These figures are old" not in client.get(address).text
    fill.now_us += 11 * 60_000_000
    page = client.get(address).text
    assert page.count("These figures are old") == 1
    band = page[page.index("These figures are old") :][:400]
    assert "UTC. Silence" in band


def test_evidence_has_its_units() -> None:
    told = dict(
        figures(
            {
                "swr": 2.04,
                "swr_at_antenna_most": 2.343,
                "limit_swr": 2.0,
                "change_rho": 0.2068,
                "lost_db_baseline": 0.326,
                "return_loss_db": 9.315,
                "meter_step_w": 0.01,
                "burst_share": 0.125,
                "days_away": 15,
                "feeder_loss_known": True,
            }
        )
    )
    assert told == {
        "SWR": "2.04:1",
        "SWR at antenna at most": "2.34:1",
        "Limit of the SWR": "2.00:1",
        "Away from the baseline": "0.207 in rho",
        "Lost at the baseline": "0.3 dB",
        "Return loss": "9.3 dB",
        "Meter shows steps of": "0.01 W",
        "Burst share": "12.5 %",
        "Days away from the baseline": "15",
        "Feeder loss is listed": "yes",
    }


def test_a_text_is_shown_in_two_and_loses_nothing() -> None:
    text = "S1/a: SWR rising, minor, since 2026-03-14 07:26:53 UTC. SWR 2.31:1. Ended 2026-03-15 UTC. More."
    first, rest = headline(text)
    assert (first, rest) == (
        "S1/a: SWR rising, minor, since 2026-03-14 07:26:53 UTC.",
        "SWR 2.31:1. Ended 2026-03-15 UTC. More.",
    )
    assert headline("no time in it") == ("no time in it", "")


# The chart of a month -----------------------------------------------------------------------------------


def course(swr: float) -> Course:
    level = np.full(48, swr)
    hours = np.arange(48, dtype=np.int64) * HOUR_US
    return Course(hours, level, level, level, np.full(48, np.nan))


def height(drawn: str, kind: str) -> float:
    found = re.search(rf'<path class="{kind}" d="M[\d.]+ ([\d.]+)', drawn)
    assert found is not None
    return float(found[1])


def test_its_scale_is_that_of_the_antenna_line() -> None:
    # Linear in rho: from 1:1 a step to 1.5:1 (rho 0.2) is half of that to 2.333:1 (rho 0.4).
    drawn = [str(chart(course(2.333), [Level(v, "x", "limit")], 0, 48 * HOUR_US, "a")) for v in (1.0, 1.5)]
    low, half, full = height(drawn[0], "limit"), height(drawn[1], "limit"), height(drawn[0], "median")
    assert (low - half) / (low - full) == pytest.approx(0.5, abs=0.002)


def test_a_month_without_data_says_so_in_the_chart() -> None:
    nothing = course(np.nan)
    drawn = str(chart(nothing, [Level(1.5, "warning", "limit")], 0, 48 * HOUR_US, "a"))
    assert "nothing was measured in this time" in drawn
    assert "nothing was measured in this time</text>" not in str(chart(course(1.2), [], 0, 48 * HOUR_US, "a"))


def test_total_reflection_is_drawn_at_the_edge() -> None:
    drawn = str(chart(course(np.inf), [], 0, 48 * HOUR_US, "a"))
    assert height(drawn, "median") == pytest.approx(14.0, abs=0.05)
    assert "nan" not in drawn
