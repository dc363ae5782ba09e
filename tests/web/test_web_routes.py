"""Every route: status, headers, escaping, and what it says when something is wrong."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from prometheus_client import CollectorRegistry, Gauge
from sqlalchemy import text

ALARM = "/alarm?subject=S001%2FRPT-2&condition=swr-high"
PAGES = (
    *("/", "/board/rows", "/site/S000", "/alarms", "/intake", "/map", "/since", "/bench"),
    *(ALARM, "/shelves", "/work", "/alarm-system", "/alarms?state=closed"),
)
ALL = (
    *PAGES,
    "/metrics",
    "/livez",
    "/readyz",
    "/api/board",
    "/api/alarms",
    "/api/nothing",
    "/openapi.json",
    "/static/look.css",
    "/nowhere",
    "/?severity=odd",
)


@pytest.mark.parametrize("path", ALL)
def test_headers_of_every_answer(shared_client: Any, path: str) -> None:
    headers = shared_client.get(path).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == "'none'"
    assert {policy[name] for name in ("script-src", "style-src", "img-src", "connect-src")} == {"'self'"}
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"


@pytest.mark.parametrize("path", [*PAGES, "/nowhere"])
def test_pages_hold_nothing_the_policy_forbids(shared_client: Any, path: str) -> None:
    page = shared_client.get(path).text
    assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?! src=)|javascript:", page)
    addresses = re.findall(r'(?:src|href|action)="([^"]+)"', page)
    assert all(address.startswith(("/", "#")) and not address.startswith("//") for address in addresses)
    if path != "/board/rows":
        assert "All data is invented." in page
        assert '<html lang="en">' in page


@pytest.mark.parametrize("path", PAGES)
def test_names_and_payloads_are_escaped(shared_client: Any, path: str) -> None:
    page = shared_client.get(path).text
    assert "<Sons>" not in page
    assert "<script>alert" not in page
    assert "<what>" not in page


def test_static_files_are_named_after_their_content(fill: Any, client_of: Callable[..., Any]) -> None:
    client = client_of(fill)
    addresses = re.findall(r'"(/static/[^"]+)"', client.get("/").text)
    assert len(addresses) == 4
    for address in addresses:
        assert re.search(r"\?v=[0-9a-f]{12}$", address)
        assert client.get(address).status_code == 200


def test_site_page_draws_what_is_known(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    page = client_of(fill).get("/site/S004").text
    assert page.count('<svg class="chart"') == 3
    rising = page.split('id="tx-2"')[1].split("</svg>")[0]
    for kind in ("band", "median", "limit", "baseline"):
        assert f'class="{kind}"' in rising
    # The feeder of this one is not on the site list.
    assert 'class="antenna"' not in rising
    assert 'class="antenna"' in page.split('id="tx-1"')[1].split("</svg>")[0]
    assert ">warning</text>" in rising
    assert ">10 Mar</text>" in rising
    assert ">1.2:1</text>" in rising


def test_site_with_an_awkward_name_has_its_page(fill: Any, client_of: Callable[..., Any]) -> None:
    from standingwatch.inventory import InventoryRow
    from standingwatch.store.sites import replace_site_list

    with fill.store.writing() as connection:
        replace_site_list(connection, [InventoryRow('Tor "ä" & 50 %?', "A", 450.0)], fill.now_us)
    client = client_of(fill)
    address = re.search(r'href="(/site/[^"]+)"', client.get("/").text)
    assert address is not None
    answer = client.get(address[1])
    assert answer.status_code == 200
    assert "Tor &#34;ä&#34; &amp; 50 %?" in answer.text


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/site/none", 404, "There is no site “none” on the site list."),
        ("/site/%3Cb%3E", 404, "“&lt;b&gt;”"),
        ("/nowhere", 404, "There is no page at this address."),
        ("/?severity=odd", 400, "wanted one of critical, major, minor, warning"),
        ("/?page=x", 400, "page: "),
        ("/?page=0", 400, "page: "),
        ("/docs", 404, "There is no page"),
        ("/redoc", 404, "There is no page"),
    ],
)
def test_wrong_addresses_are_answered_by_a_page(
    fill: Any, client_of: Callable[..., Any], path: str, status: int, said: str
) -> None:
    answer = client_of(fill).get(path)
    assert answer.status_code == status
    assert said in answer.text
    assert "Traceback" not in answer.text
    assert 'href="/"' in answer.text


def test_wrong_question_to_the_api_is_answered_as_data(fill: Any, client_of: Callable[..., Any]) -> None:
    answer = client_of(fill).get("/api/board?severity=odd")
    assert answer.status_code == 400
    assert "odd" in answer.json()["detail"]


def test_store_that_cannot_be_read(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    with fill.store.writing() as connection:
        connection.execute(text("DROP TABLE alarms"))
        connection.execute(text("DROP TABLE arrivals"))
    client = client_of(fill)
    answer = client.get("/")
    assert answer.status_code == 503
    assert "The store cannot be read" in answer.text
    assert "no such table" not in answer.text
    ready = client.get("/readyz")
    assert ready.status_code == 503
    assert ready.json()["store_reachable"] is False
    assert client.get("/livez").status_code == 200


def test_mistake_of_ours_shows_no_trace_and_keeps_the_headers(
    fill: Any, client_of: Callable[..., Any]
) -> None:
    calls = []

    def broken_once() -> int:
        calls.append(1)
        if len(calls) == 1:
            raise RuntimeError("secret inside")
        return int(fill.now_us)

    answer = client_of(fill, clock=broken_once).get("/")
    assert answer.status_code == 500
    assert "secret inside" not in answer.text
    assert "Something went wrong here" in answer.text
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("text/plain", "text/plain"),
        ("application/openmetrics-text; version=1.0.0", "application/openmetrics-text"),
    ],
)
def test_metrics(fill: Any, client_of: Callable[..., Any], accept: str, kind: str) -> None:
    registry = CollectorRegistry()
    Gauge("standingwatch_test", "A gauge.", registry=registry).set(3)
    answer = client_of(fill, registry=registry).get("/metrics", headers={"Accept": accept})
    assert answer.headers["content-type"].startswith(kind)
    assert "standingwatch_test 3.0" in answer.text


def test_readiness_gives_its_reasons(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.sites(1, 1)
    client = client_of(fill)
    waiting = client.get("/readyz")
    assert waiting.status_code == 503
    assert "has not stored anything yet" in waiting.json()["reasons"][0]
    fill.horizon(5.0)
    assert client.get("/readyz").json() == {
        "ready": True,
        "store_reachable": True,
        "horizon_age_s": 5.0,
        "reasons": [],
    }
    fill.now_us += 3_600_000_000
    late = client.get("/readyz")
    assert late.status_code == 503
    assert late.json()["horizon_age_s"] == 3605.0


def test_refused_reports_by_reason(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.refuse(2, "unknown-site", b"{}")
    fill.refuse(5, "not-json", b"x" * 900)
    page = client_of(fill).get("/intake").text
    assert page.index("not-json: 5 reports") < page.index("unknown-site: 2 reports")
    assert "The newest 3 of 5." in page
    assert "x" * 301 not in page
    assert "900 bytes" in page


def test_alarms_lists_standing_and_past(fill: Any, client_of: Callable[..., Any]) -> None:
    fill.everything()
    page = client_of(fill).get("/alarms").text
    assert "Standing: 6" in page
    assert "Last 6 changes" in page
    standing = page.split('id="past"')[0]
    assert (
        standing.index("<b>critical</b>") < standing.index("<b>major</b>") < standing.index("<b>warning</b>")
    )
