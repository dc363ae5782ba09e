"""Every page as people and axe-core see it: at a desk in light and on a phone in the dark."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from page_looks import faults_of
from playwright.sync_api import Page

from standingwatch.store.access import Role

BENCH = "/bench?forward=100&reflected=4&loss_db=2&directivity_db=25&protection=foldback"
PAGES = {
    "board": "/",
    "narrowed board": "/?condition=swr-rising&state=unkeyed&sort=time-left",
    "nothing": "/?text=nowhere",
    "since": "/since",
    "map": "/map",
    "intake": "/intake",
    "accept": "/intake/accept?topic=standingwatch/report/S003/NEW-9",
    "bench": "/bench",
    "sheet": BENCH,
    "bad sheet": "/bench?forward=x&reflected=4",
    "site": "/site/S004",
    "line": "/site/S004/RPT-2",
    "alarms": "/alarms",
    "alarm": "/alarm?subject=S001%2FRPT-2&condition=swr-high",
    "shelves": "/shelves",
    "work": "/work",
    "system": "/alarm-system",
    "review": "/review",
    "visits": "/visits",
    "account": "/account",
    "users": "/users",
    "missing": "/none",
    "sign-in": "/sign-in",
}


@pytest.fixture(scope="module")
def fill(filled: Callable[[Path], AbstractContextManager[Any]], tmp_path_factory: Any) -> Iterator[Any]:
    """A store that has something of everything, an unknown transmitter too. No test here changes it."""
    with filled(tmp_path_factory.mktemp("looks")) as fill:
        fill.everything()
        fill.groups()
        fill.desk()
        fill.strange()
        yield fill


@pytest.fixture(scope="module")
def served(
    fill: Any,
    app_of: Callable[..., FastAPI],
    serving: Callable[[FastAPI], AbstractContextManager[str]],
) -> Iterator[str]:
    """The address of a server with it."""
    with serving(app_of(fill)) as address:
        yield address


@pytest.fixture(scope="module")
def secret(fill: Any, session_of: Callable[..., str]) -> str:
    """Ada's, an administrator."""
    return session_of(fill, "Ada", Role.ADMINISTRATOR)


@pytest.mark.parametrize(("size", "scheme"), [("desk", "light"), ("phone", "dark")])
@pytest.mark.parametrize("name", list(PAGES))
def test_page_looks_well(
    opened: Callable[..., Page],
    violations: Callable[[Page], list[str]],
    keep_shot: Callable[..., None],
    name: str,
    size: str,
    scheme: str,
) -> None:
    # The policy that keeps strange scripts out keeps axe out too: it is lifted in this browser, nowhere else.
    page = opened(PAGES[name], size, scheme, signed_in=name != "sign-in", wait="load", bypass_csp=True)
    keep_shot(page, f"{name.replace(' ', '-')}-{size}-{scheme}")
    assert faults_of(page) == []
    assert violations(page) == []


def test_what_looks_bad_would_be_found(
    opened: Callable[..., Page], violations: Callable[[Page], list[str]]
) -> None:
    page = opened("/bench", bypass_csp=True)
    page.evaluate(
        "document.querySelector('main').innerHTML += '<img src=\"/static/mark.svg\"><input>"
        '<h1 style="color: #999; background: #888; width: 3000px">Faint</h1>\''
    )
    found = violations(page)
    assert {one.partition(":")[0] for one in found} >= {"image-alt", "label"}
    kinds = [fault.split()[0] for fault in faults_of(page) if "elements" not in fault]
    assert "faint:" in kinds
    assert "nameless:" in kinds
    assert any("wider" in fault for fault in faults_of(page))
    assert "2 elements h1" in faults_of(page)
