"""The pages of the intake and of a site say how the site's clock goes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from standingwatch.readings.clocks import ClockSettings, observe, unknown_clocks
from standingwatch.store.clocks import save_records

MINUTE_US = 60_000_000


def test_a_clock_that_is_off_is_shown(fill_each: Any, client_of: Callable[..., Any]) -> None:
    fill = fill_each
    fill.sites(3, 1)
    fill.readings(np.array([0]), np.array([60.0]), np.array([1.2]))
    client = client_of(fill)
    assert "No site’s clock is known to be off" in client.get("/intake").text
    assert 'id="clock"' not in client.get("/site/S001").text

    received_us = fill.now_us + np.repeat(np.arange(-20, 0) * MINUTE_US, 2)
    site = np.tile([1, 2], 20)
    time_us = received_us - np.where(site == 1, 7 * 60 * MINUTE_US, 300_000)
    state = observe(unknown_clocks(3), site, received_us, time_us, ClockSettings()).state
    with fill.store.writing() as connection:
        save_records(connection, state, np.array([1, 2]), ("S000", "S001", "S002"))

    page = client.get("/intake").text
    section = page[page.index('id="clocks"') : page.index('id="heard"')]
    assert "1 site with a clock that is off" in section
    assert "off, 7 hours behind, since" in section
    assert "S002" not in section
    page = client.get("/site/S001").text
    assert "off, 7 hours behind, since" in page
    assert "Mind the times of its reports" in page
    right = client.get("/site/S002").text
    assert "right, 0 seconds behind at most" in right
    assert "Mind the times" not in right
