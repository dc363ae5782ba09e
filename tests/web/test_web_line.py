"""The page of an antenna line, its chart, and the API of series."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from typing import Any

import altair as alt
import numpy as np
import pytest
import vl_convert

from standingwatch.detect.interface import BaselineChange, LimitForecast
from standingwatch.detect.rollup import HOUR_US
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.readings.flags import Flag
from standingwatch.store.sites import load_site_list
from standingwatch.store.watching import add_baselines
from standingwatch.web.line_library import LIBRARY
from standingwatch.web.line_span import moves, span_of

DAY_US = 24 * HOUR_US


@pytest.fixture
def client(fill: Any, client_of: Callable[..., Any]) -> Any:
    fill.everything()
    fill.groups()
    fill.desk()
    return client_of(fill)


def chart_of(client: Any, address: str) -> dict[str, Any]:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    spec: dict[str, Any] = answer.json()
    return spec


def test_page_of_a_line_says_what_goes_on(client: Any) -> None:
    page = client.get("/site/S004/RPT-2").text
    assert "The match is worse than its baseline" in page
    assert "SWR rising against its own baseline: warning, since 2026-03-14 07:26:53 UTC" in page
    assert "The feeder’s loss is not on the site list" in page
    assert 'href="/site/S004"' in page
    assert "&lt;what&gt;" in page
    assert "<what>" not in page


@pytest.mark.parametrize("path", ["/site/S004/NONE", "/site/NONE/RPT-1", "/site/S004/NONE/chart"])
def test_no_such_line(client: Any, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize(
    "query",
    ["from=odd", "to=odd", "from=2026-03-14&to=2026-03-13", "as=odd", "from=1999-01-01", "from=2001-01-01"],
)
@pytest.mark.parametrize("path", ["/site/S004/RPT-2", "/site/S004/RPT-2/chart"])
def test_bad_questions(client: Any, path: str, query: str) -> None:
    assert client.get(f"{path}?{query}").status_code == 400


def test_chart_is_vega_lite_and_can_be_drawn(client: Any) -> None:
    spec = chart_of(client, "/site/S003/RPT-1/chart")
    alt.Chart.from_dict(spec)
    svg = vl_convert.vegalite_to_svg(spec, config=spec["usermeta"]["themes"]["light"], allowed_base_urls=[])
    assert "SWR at the transmitter" in svg
    assert "SWR at the antenna" in svg
    assert "swr-rising" in svg


def test_chart_holds_the_hours_limits_and_baseline_as_rho(fill: Any, client: Any) -> None:
    spec = chart_of(client, "/site/S003/RPT-1/chart")
    sets = spec["datasets"]
    # 16 days of hours; the middle of the last one is 08:30.
    assert len(sets["match"]) == 16 * 24
    assert sets["match"][-1]["t"] == (fill.now_us - fill.now_us % HOUR_US - HOUR_US // 2) // 1000
    row = sets["match"][0]
    assert row["lo"] == pytest.approx(0.9 * row["v"], abs=1e-5)
    assert row["hi"] == pytest.approx(1.12 * row["v"], abs=1e-5)
    assert row["a"] < row["v"] < row["b"]
    # (1.5 - 1) / (1.5 + 1)
    assert sets["limits"][0] == {"v": 0.2, "text": "warning 1.5:1"}
    # 1 dB one way: rho at the antenna is 10^0.1 times that at the transmitter.
    assert spec["usermeta"]["to_antenna"] == pytest.approx(1.258925, abs=1e-6)


def test_chart_without_a_feeder_loss_has_one_end(client: Any) -> None:
    spec = chart_of(client, "/site/S001/RPT-2/chart")
    assert spec["usermeta"]["to_antenna"] is None
    assert "lost" not in spec["datasets"]
    assert "antenna" not in json.dumps(spec["vconcat"])


def test_gaps_are_no_bridges(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    position = np.zeros(6, dtype=np.int64)
    fill.readings(position, np.array([600.0, 540.0, 480.0, 120.0, 60.0, 1.0]), np.full(6, 1.5))
    spec = chart_of(client_of(fill), "/site/S000/RPT-1/chart?from=2026-03-14T09:00")
    values = [row["v"] for row in spec["datasets"]["match"]]
    # Six minutes without one, of reports each minute.
    assert values == [0.2, 0.2, 0.2, None, 0.2, 0.2, 0.2]


def test_alarms_are_spans_with_their_severity(fill: Any, client: Any) -> None:
    sets = chart_of(client, "/site/S000/RPT-3/chart?from=2026-03-14T00:00")["datasets"]
    assert [lane["text"] for lane in sets["lanes"]] == ["swr-step"]
    [bar] = sets["bars"]
    raised_ms, cleared_ms = ((fill.now_us - n * HOUR_US) // 1000 for n in (2, 1))
    assert (bar["t"], bar["t2"], bar["style"]) == (raised_ms, cleared_ms, "minor")
    work = chart_of(client, "/site/S004/RPT-1/chart?from=2026-03-14T00:00")["datasets"]
    assert [lane["text"] for lane in work["lanes"]] == ["no alarm in this time", "work and visits"]
    assert work["bars"][0]["style"] == "work"


def test_forecast_is_a_fan_from_the_present_level(fill: Any, client: Any) -> None:
    days = (6, 18, 40)
    fan = chart_of(client, "/site/S003/RPT-1/chart")["datasets"]["fan"]
    now_ms = fill.now_us // 1000
    assert (fan[0]["t"], fan[0]["mid"], fan[0]["t2"]) == (now_ms, now_ms, now_ms)
    # Foldback at 2.5: 1.5 / 3.5.
    assert fan[1]["v"] == pytest.approx(1.5 / 3.5, abs=1e-5)
    assert [fan[1][name] for name in ("t", "mid", "t2")] == [now_ms + d * 86_400_000 for d in days]
    assert len(fan) == 2
    past = chart_of(client, "/site/S003/RPT-1/chart?from=2026-03-01&to=2026-03-10")
    assert "fan" not in past["datasets"]


def test_versions_of_the_baseline(fill: Any, client: Any) -> None:
    with fill.store.writing() as connection:
        keys = load_site_list(connection).keys
        changes = [
            BaselineChange(0, fill.now_us - 9 * DAY_US, "opened", np.nan, np.nan, "a <visit>"),
            BaselineChange(0, fill.now_us - 8 * DAY_US, "provisional", 0.1, 0.01, "first hours"),
        ]
        add_baselines(connection, changes, keys)
    page = client.get("/site/S000/RPT-1").text
    assert "a &lt;visit&gt;" in page
    rows = chart_of(client, "/site/S000/RPT-1/chart")["datasets"]["baselines"]
    last = rows[-1]
    assert (last["v"], last["lo"], last["hi"], last["kind"]) == (0.1, 0.07, 0.13, "provisional")
    assert "v" not in rows[-2]


# What is told by little --------------------------------------------------------------------------------


def test_a_line_with_no_data(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    client = client_of(fill)
    page = client.get("/site/S000/RPT-1").text
    assert "Nothing has been heard of this transmitter yet." in page
    assert "No report of this transmitter is kept." in page
    spec = chart_of(client, "/site/S000/RPT-1/chart")
    assert "match" not in spec["datasets"]
    assert vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]).startswith("<svg")


def test_a_line_that_is_never_keyed(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    idle = np.full(30, int(Flag.NOT_KEYED | Flag.LOW_FORWARD))
    fill.readings(np.zeros(30, dtype=np.int64), 60.0 * np.arange(1, 31), np.full(30, 1.0), flags=idle)
    client = client_of(fill)
    page = client.get("/site/S000/RPT-1?from=2026-03-14T08:00").text
    assert "No match could be judged in this time" in page
    assert "30 reports came, none of them with the transmitter keyed" in page
    assert "none says anything about the match" in page
    assert "match" not in chart_of(client, "/site/S000/RPT-1/chart?from=2026-03-14T08:00")["datasets"]
    columns = client.get("/api/series/S000/RPT-1?from=2026-03-14T08:00").json()["columns"]
    assert columns["swr"] == [None] * 30


def test_an_infinite_swr(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    swr = np.array([np.inf, np.inf, 1.5, 1.5])
    fill.readings(np.zeros(4, dtype=np.int64), 60.0 * np.arange(1, 5), swr)
    fill.alarm("S000", "RPT-1", Condition.SWR_HIGH, Severity.CRITICAL, Cause.ANTENNA_DAMAGE)
    client = client_of(fill)
    page = client.get("/site/S000/RPT-1?from=2026-03-14T09:00").text
    assert "SWR infinite (return loss 0.0 dB)" in page
    assert "∞:1" in page
    spec = chart_of(client, "/site/S000/RPT-1/chart?from=2026-03-14T09:00")
    assert [row["v"] for row in spec["datasets"]["match"]] == [0.2, 0.2, 1.0, 1.0]
    assert "Infinity" not in json.dumps(spec)
    answer = client.get(
        "/api/series/S000/RPT-1?from=2026-03-14T09:00&quantity=swr,return_loss_db,lost_db"
    ).json()
    assert answer["columns"]["swr"] == [1.5, 1.5, "infinite", "infinite"]
    assert answer["columns"]["return_loss_db"] == [13.9794, 13.9794, 0.0, 0.0]
    # Behind 1 dB an open end cannot show all of it.
    assert answer["columns"]["lost_db"][2:] == [None, None]


# Spans -------------------------------------------------------------------------------------------------


def test_spans_of_queries() -> None:
    now_us = 1_773_480_413_000_000
    usual = span_of("", "", now_us)
    assert (usual.end_us, usual.length_us, usual.to_now) == (now_us, 30 * DAY_US, True)
    exact = span_of("2026-03-13T09:00", "2026-03-13T12:00:00+01:00", now_us)
    assert (exact.length_us, exact.to_now) == (2 * HOUR_US, False)
    assert span_of("2026-03-13", "2026-03-14", now_us).length_us == DAY_US


def test_moves_stay_at_now_and_leave_nothing_out() -> None:
    now_us = 1_773_480_413_000_000
    at_now = {move.label: move for move in moves(span_of("", "", now_us), now_us)}
    assert set(at_now) == {"Earlier", "Closer", "Wider"}
    assert (at_now["Closer"].start, at_now["Closer"].end) == ("2026-02-27T09:26:53Z", "")
    assert at_now["Wider"].start == "2026-01-13T09:26:53Z"
    past = {m.label: m for m in moves(span_of("2026-03-01", "2026-03-03", now_us), now_us)}
    assert (past["Later"].start, past["Later"].end) == ("2026-03-02T00:00:00Z", "2026-03-04T00:00:00Z")
    assert (past["Closer"].start, past["Closer"].end) == ("2026-03-01T12:00:00Z", "2026-03-02T12:00:00Z")
    least = span_of("2026-03-01T00:00", "2026-03-01T00:01", now_us)
    assert "Closer" not in {move.label for move in moves(least, now_us)}


@pytest.mark.parametrize(
    ("query", "told"),
    [("from=2026-03-14T00:00", "single readings"), ("", "hours"), ("from=2025-03-14", "days")],
)
def test_resolution_follows_the_span(client: Any, query: str, told: str) -> None:
    assert f", by {told}." in client.get(f"/site/S003/RPT-1?{query}").text


# The API ------------------------------------------------------------------------------------------------


def test_series_by_hours_and_days(fill: Any, client: Any) -> None:
    hours = client.get("/api/series/S003/RPT-1?quantity=rho,swr,swr_at_antenna,forward_w").json()
    assert (hours["resolution"], hours["next"]) == ("hour", None)
    assert len(hours["time"]) == len(hours["columns"]["rho"]) == 16 * 24
    assert hours["quantities"]["forward_w"]["unit"] == "W"
    rho = hours["columns"]["rho"][0]
    assert hours["columns"]["swr"][0] == pytest.approx((1 + rho) / (1 - rho), abs=1e-5)
    far = rho * 10**0.1
    assert hours["columns"]["swr_at_antenna"][0] == pytest.approx((1 + far) / (1 - far), abs=1e-5)
    days = client.get("/api/series/S003/RPT-1?resolution=day&quantity=rho,reports").json()
    assert days["time"][0] == "2026-02-26T00:00:00Z"
    # From 09:00 on the first day: 15 hours of 60 reports.
    assert days["columns"]["reports"][0] == 900
    assert days["columns"]["rho"][0] == pytest.approx(
        float(np.median(hours["columns"]["rho"][:15])), abs=2e-6
    )


@pytest.mark.parametrize(("resolution", "limit"), [("hour", 1), ("hour", 100), ("day", 5), ("day", 7)])
def test_paging_gives_each_row_once(client: Any, resolution: str, limit: int) -> None:
    query = {
        "resolution": resolution,
        "quantity": "rho",
        "from": "2026-03-10T05:30",
        "to": "2026-03-12T05:30",
    }
    whole = client.get("/api/series/S003/RPT-1", params=query).json()
    assert len(whole["time"]) == (49 if resolution == "hour" else 3)
    found: list[str] = []
    cursor = ""
    while cursor is not None:
        page = client.get("/api/series/S003/RPT-1", params={**query, "limit": limit, "cursor": cursor}).json()
        assert len(page["time"]) <= limit
        found += page["time"]
        cursor = page["next"]
    assert found == whole["time"]


def test_readings_over_a_long_span_come_in_pieces(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    age_s = np.array([9 * 86_400.0, 5 * 86_400.0, 5 * 86_400.0 - 60.0, 10.0])
    fill.readings(np.zeros(4, dtype=np.int64), age_s, np.full(4, 1.5))
    client, found, cursor, pages = client_of(fill), [], "", 0
    while cursor is not None:
        query = {"resolution": "raw", "from": "2026-03-04", "limit": 1, "cursor": cursor}
        page = client.get("/api/series/S000/RPT-1", params=query).json()
        assert page["resolution"] == "raw"
        found += page["time"]
        cursor, pages = page["next"], pages + 1
    assert len(found) == len(set(found)) == 4
    assert pages < 12


def test_a_known_answer_is_not_sent_again(fill: Any, client: Any) -> None:
    address = "/api/series/S003/RPT-1?from=2026-03-14T00:00&to=2026-03-15T00:00"
    first = client.get(address)
    tag = first.headers["etag"]
    assert first.headers["cache-control"] == "private, no-cache"
    again = client.get(address, headers={"If-None-Match": f'"other", W/{tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    fill.readings(np.array([9]), np.array([30.0]), np.array([1.9]))
    changed = client.get(address, headers={"If-None-Match": tag})
    assert changed.status_code == 200
    assert changed.headers["etag"] != tag


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("quantity=swr,odd", "quantity"),
        ("resolution=odd", "resolution"),
        ("cursor=odd", "cursor"),
        ("cursor=WyJyYXciLDEsMl0", "cursor"),
        ("limit=0", "limit"),
        ("from=odd", "from"),
    ],
)
def test_bad_questions_to_the_api(client: Any, query: str, wanted: str) -> None:
    answer = client.get(f"/api/series/S003/RPT-1?{query}")
    assert answer.status_code == 400
    assert answer.headers["content-type"] == "application/problem+json"
    assert wanted in answer.json()["detail"]


def test_pages_need_somebody_signed_in(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    client = client_of(fill, signed_in=False)
    assert client.get("/api/series/S000/RPT-1").status_code == 401
    for path in ("/site/S000/RPT-1", "/site/S000/RPT-1/chart", "/chart-library.js"):
        assert client.get(path).status_code in (303, 401)


def test_both_databases_give_the_same(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill_each.everything()
    client = client_of(fill_each)
    hours = client.get("/api/series/S003/RPT-1?quantity=rho,swr_least,swr_most").json()
    assert len(hours["time"]) == 16 * 24
    raw = client.get("/api/series/S003/RPT-1?from=2026-03-14T09:00&quantity=swr").json()
    assert raw["columns"]["swr"] == [pytest.approx(1.08 + 9 * 0.22 / 23, abs=1e-6), None]
    assert client.get("/site/S003/RPT-1").status_code == 200
    assert len(chart_of(client, "/site/S003/RPT-1/chart?from=2025-03-14")["datasets"]["match"]) == 17


def test_the_library_comes_packed_and_stays(client: Any) -> None:
    answer = client.get(f"/chart-library.js?v={LIBRARY.tag}")
    assert answer.headers["content-encoding"] == "gzip"
    assert "immutable" in answer.headers["cache-control"]
    assert b"window.vegaEmbed" in gzip.decompress(LIBRARY.packed())
    # What it is made of names other hosts in texts; the browser test sees that none is asked for anything.
    assert answer.text == gzip.decompress(LIBRARY.packed()).decode()


def test_forecast_that_may_never_be_reached(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    fill.hours(5)
    never = LimitForecast("swr-2", 2.0, "expected", fill.now_us + DAY_US, fill.now_us + 9 * DAY_US, None)
    fill.alarm("S000", "RPT-1", Condition.SWR_RISING, Severity.MINOR, forecast=(never,))
    spec = chart_of(client_of(fill), "/site/S000/RPT-1/chart?from=2026-03-10")
    fan = spec["datasets"]["fan"]
    assert fan[1]["t2"] > fan[1]["mid"]
    # The axis goes on by three tenths of the span, whatever the fan does.
    first, last = spec["usermeta"]["domain"]
    now_ms = fill.now_us // 1000
    assert last - now_ms == pytest.approx(0.3 * (now_ms - first), abs=2)
