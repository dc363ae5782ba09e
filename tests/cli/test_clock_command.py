"""`standingwatch clocks`: which sites' clocks are off, from what the intake has kept."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command_line import run
from databases import address_of

from standingwatch.inventory import read_inventory_text
from standingwatch.readings.clocks import ClockSettings, observe, unknown_clocks
from standingwatch.store.clocks import save_records
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list

SERVICE = Path(__file__).parents[2] / "service"
NOW_US = 1_795_000_000_000_000
SITES = ("amber", "birch", "cedar", "dale")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Clocks: one is an hour behind, one gains, one is right, one is not known."""
    store = Store(address_of(tmp_path / "standingwatch.sqlite"))
    store.migrate()
    text = "site,transmitter,frequency_mhz\n" + "".join(f"{site},t1,446\n" for site in SITES)
    received_us = np.repeat(NOW_US + np.arange(24 * 60) * 60_000_000, 3)
    site = np.tile(np.arange(3), 24 * 60)
    passed_us = received_us - NOW_US
    behind_us = np.select([site == 0, site == 1], [3_600_000_000, 500_000 - passed_us * 9 // 86_400], 200_000)
    state = observe(
        unknown_clocks(len(SITES)), site, received_us, received_us - behind_us, ClockSettings()
    ).state
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(text, "fleet.csv").rows, NOW_US)
        save_records(connection, state, np.arange(3), SITES)
    store.close()
    return tmp_path


def test_clocks_are_told_the_worst_first(folder: Path) -> None:
    done = run(folder, "clocks")
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    assert lines[0].startswith("amber: off, 60 minutes behind, since 20")
    assert "birch: right, " in lines[1]
    assert "gains 9.0 s a day" in lines[1]
    assert lines[2] == "cedar: right, 0 seconds behind at most"
    assert lines[3] == "dale: not known yet"
    assert lines[4] == (
        "4 sites: 1 with a clock that is off by more than 60 s, 1 not known; "
        "their reports are marked, not corrected"
    )


def test_only_those_that_are_off_as_json(folder: Path) -> None:
    done = run(folder, "clocks", "--off", "--json")
    (one,) = json.loads(done.stdout)
    assert (one["site"], one["behind_s"], one["is_off"]) == ("amber", 3600.0, True)
    assert one["drift_s_per_day"] is None or abs(one["drift_s_per_day"]) < 0.1
    assert one["last_jump"] is None


def test_the_status_says_that_all_are_right(folder: Path) -> None:
    inventory = folder / "inventory.csv"
    inventory.write_text("site,transmitter,frequency_mhz\nbirch,t1,446\ncedar,t1,446\n")
    assert run(folder, "inventory", "import", str(inventory)).returncode == 0
    done = run(folder, "clocks")
    assert done.returncode == 0
    assert "2 sites: 0 with a clock that is off" in done.stdout
