"""Parts of the overnight review: courses, who gives no data, the small chart, the table."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np
import pytest

from standingwatch.review.no_data import MOST_NO_DATA, Heard, counted, without_data
from standingwatch.review.overnight import (
    NO_BASELINE,
    NO_DATA_KINDS,
    NOT_KEYED,
    SILENT,
    SUSPECT,
    TREND_DAYS,
    Item,
    NoData,
    Outlook,
    Review,
    Trend,
)
from standingwatch.review.small_chart import AHEAD_LEAST, AHEAD_MOST, small_chart
from standingwatch.review.table import HEADINGS, as_csv
from standingwatch.review.trend import trend_of
from standingwatch.rf import rho_from_swr

DAY_US = 86_400_000_000
HOUR_US = DAY_US // 24
NOW_US = 20_000 * DAY_US


# Courses ------------------------------------------------------------------------------------------------


def course(**days: float) -> np.ndarray:
    """A course that is known on some days only, counted back from the last."""
    rho = np.full(TREND_DAYS, np.nan)
    for name, value in days.items():
        rho[-1 - int(name.removeprefix("d"))] = value
    return rho


def test_figures_of_a_full_course() -> None:
    rho = np.linspace(0.05, 0.139, TREND_DAYS)
    trend = trend_of(0, rho, 0.05, 0.004, "full")
    assert (trend.now_rho, trend.week_rho, trend.month_rho) == (0.139, 0.132, 0.109)
    assert (trend.baseline_rho, trend.baseline_spread, trend.baseline_kind) == (0.05, 0.004, "full")
    assert len(trend.daily_rho) == TREND_DAYS


def test_figures_of_a_course_with_gaps() -> None:
    trend = trend_of(0, course(d1=0.3, d6=0.2, d10=0.21, d28=0.1, d34=0.11), np.nan, np.nan, "")
    # Of d10 and d6 both are two days off d8, of d28 and d34 both three off d31: the earlier counts.
    assert (trend.now_rho, trend.week_rho, trend.month_rho) == (0.3, 0.21, 0.11)
    assert trend.baseline_rho is None


@pytest.mark.parametrize("days", [{}, {"d3": 0.2, "d9": 0.2}])
def test_an_old_level_is_not_that_of_now(days: dict[str, float]) -> None:
    trend = trend_of(0, course(**days), np.nan, np.nan, "")
    assert (trend.now_rho, trend.week_rho, trend.month_rho) == (None, None, None)


def test_a_course_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="got 3 days, wanted 90"):
        trend_of(0, np.zeros(3), 0.1, 0.1, "full")


# No data ------------------------------------------------------------------------------------------------


def heard(rows: list[tuple[str, int, int, bool, int]], **more: Any) -> Heard:
    """Transmitters as name, last report and last usable reading [h ago, -1 never], baseline, opened."""

    def ago(hours: int) -> int:
        return 0 if hours < 0 else NOW_US - hours * HOUR_US

    return Heard(
        site=["s"] * len(rows),
        site_name=["S"] * len(rows),
        transmitter=[row[0] for row in rows],
        region=[""] * len(rows),
        report_us=np.array([ago(row[1]) for row in rows]),
        usable_us=np.array([ago(row[2]) for row in rows]),
        has_baseline=np.array([row[3] for row in rows]),
        opened_us=np.array([row[4] for row in rows]),
        silent_us=more.get("silent_us", {}),
        suspect_us=more.get("suspect_us", {}),
    )


def test_the_first_reason_that_holds_is_told_with_since_when() -> None:
    found = without_data(
        heard(
            [
                ("well", 0, 0, True, 0),
                ("idle", 0, 160, True, 0),
                ("not-keyed", 0, 200, True, 0),
                ("never-keyed", 0, -1, False, 0),
                ("silent", 30, 300, False, 0),
                ("never", -1, -1, False, 0),
                ("alarmed", 2, 2, True, 0),
                ("suspect", 0, 0, False, 0),
                ("new", 0, 0, False, 0),
                ("opened", 0, 0, False, 77),
            ],
            silent_us={("s", "alarmed"): NOW_US - HOUR_US},
            suspect_us={("s", "suspect"): 55},
        ),
        NOW_US,
    )
    assert {one.transmitter: (one.kind, one.since_us) for one in found} == {
        "not-keyed": (NOT_KEYED, NOW_US - 200 * HOUR_US),
        "never-keyed": (NOT_KEYED, None),
        "silent": (SILENT, NOW_US - 30 * HOUR_US),
        "never": (SILENT, None),
        "alarmed": (SILENT, NOW_US - 2 * HOUR_US),
        "suspect": (SUSPECT, 55),
        "new": (NO_BASELINE, None),
        "opened": (NO_BASELINE, 77),
    }


def test_an_unreachable_site_silences_all_of_it() -> None:
    found = without_data(
        heard([("a", 1, 1, True, 0), ("b", 1, 1, True, 0)], silent_us={("s", ""): NOW_US}), NOW_US
    )
    assert [one.kind for one in found] == [SILENT, SILENT]


def test_many_are_counted_and_the_first_named() -> None:
    many = [NoData(f"s{i:04}", "", "t", "", NO_DATA_KINDS[i % 4], None) for i in range(2 * MOST_NO_DATA)]
    named, counts = counted(many)
    assert len(named) == MOST_NO_DATA
    assert sum(counts.values()) == 2 * MOST_NO_DATA
    assert [one.kind for one in named] == sorted((o.kind for o in named), key=NO_DATA_KINDS.index)


# Chart and table ----------------------------------------------------------------------------------------


def item(**more: Any) -> Item:
    given = {
        "rank": 1,
        "change": "new",
        "aside": "",
        "subject": "s/t",
        "site": "s",
        "transmitter": "t",
        "region": "",
        "service": "",
        "condition": "swr-rising",
        "site_name": "S",
        "severity": "minor",
        "before": "",
        "raised_us": NOW_US,
        "changed_us": NOW_US,
        "raisings": 1,
        "causes": (),
        "forecast": (),
        "days_left": 30.0,
        "is_forecast": False,
        "lost_db": None,
        "shares_trip": 0,
        "urgency": "within-weeks",
        "first_step": "Look.",
        "text": "words",
    }
    return Item(**{**given, **more})


def trend(swr: float, baseline: float | None = None, spread: float = 0.005) -> Trend:
    rho = float(rho_from_swr(swr))
    level = None if baseline is None else float(rho_from_swr(baseline))
    return Trend(
        NOW_US - TREND_DAYS * DAY_US, (None, *[rho] * (TREND_DAYS - 1)), level, spread if level else None
    )


def outlook(limit: str, swr: float, days: float, latest: float | None = None) -> Outlook:
    at = int(NOW_US + days * DAY_US)
    return Outlook(limit, swr, "expected", at, at, None if latest is None else int(NOW_US + latest * DAY_US))


def test_without_readings_there_is_no_chart() -> None:
    assert small_chart(item()) is None
    assert small_chart(item(trend=Trend(0, (None,) * TREND_DAYS))) is None


def test_a_chart_has_its_band_and_a_forecast_of_the_nearest_grave_limit() -> None:
    found = small_chart(
        item(
            trend=trend(1.3, 1.2),
            forecast=(
                outlook("swr-1.5", 1.5, 2),
                outlook("tolerance", 3.0, 30),
                outlook("foldback", 2.5, 20, 40),
            ),
        )
    )
    assert found is not None
    assert found.fan is not None
    assert (found.fan.limit, found.fan.expected, found.fan.latest) == ("foldback", 20.0, 40.0)
    assert found.ahead == pytest.approx(46.0)
    assert found.low < found.baseline < found.high < 1.3
    assert found.baseline == pytest.approx(1.2)
    assert found.top == 2.5
    assert np.isnan(found.swr[0])
    assert found.swr[1:] == pytest.approx(np.full(TREND_DAYS - 1, 1.3))
    assert found.label == (
        "SWR over 90 days from 1.30:1 to 1.30:1; baseline 1.20:1; foldback (2.5:1) expected in about 20 days"
    )


@pytest.mark.parametrize(("days", "ahead"), [(1.0, AHEAD_LEAST), (300.0, AHEAD_MOST), (-5.0, AHEAD_LEAST)])
def test_the_axis_goes_neither_too_far_nor_too_near(days: float, ahead: float) -> None:
    found = small_chart(item(trend=trend(1.3), forecast=(outlook("foldback", 2.5, days),)))
    assert found is not None
    assert found.ahead == ahead


def test_an_infinite_swr_is_drawn_at_the_edge_and_told_as_it_is() -> None:
    flat = Trend(NOW_US - TREND_DAYS * DAY_US, (0.1, *[1.0] * (TREND_DAYS - 1)))
    found = small_chart(item(trend=flat))
    assert found is not None
    assert found.top == found.swr[-1] == 10.0
    assert "to infinite:1" in found.label


def test_the_table_can_be_read_back_and_runs_nothing() -> None:
    made = Review(
        *("", "2024-10-04", "UTC", NOW_US, NOW_US, NOW_US, 1, 1, "s"),
        items=(
            item(site="=cmd|'x'", text='a "quoted", line\nand another', trend=trend(1.5, 1.2)),
            item(rank=0, change="cleared", forecast=(outlook("foldback", 2.5, 3),), lost_db=2.5),
        ),
        trips=(),
        no_data=(),
        no_data_counts={},
        performance_days=0.0,
        performance=(),
    )
    text = as_csv(made)
    assert text.startswith(",".join(HEADINGS) + "\r\n")
    first, second = csv.DictReader(io.StringIO(text, newline=""))
    assert first["site"] == "'=cmd|'x'"
    assert first["text"] == 'a "quoted", line\nand another'
    assert (first["rank"], first["days_left"], first["days_left_from"]) == ("1", "30.0", "severity")
    assert first["swr_baseline"] == "1.200"
    assert first["raised"] == "2024-10-04T00:00:00Z"
    assert (second["rank"], second["days_left"], second["lost_db"]) == ("", "", "2.50")
    assert second["foldback_or_tolerance_expected"] == "2024-10-07T00:00:00Z"


def test_text_that_is_no_review_is_refused() -> None:
    with pytest.raises(ValueError, match="region"):
        Review.from_json("{}")
