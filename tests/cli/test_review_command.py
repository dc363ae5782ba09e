"""`standingwatch review` on a store, through the real command line."""

from __future__ import annotations

import csv
import io
import time
from pathlib import Path

import pytest
from command_line import run
from databases import address_of

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store

ROOT = Path(__file__).parents[2]
SITES = "site,transmitter,frequency_mhz,region\nalder,rpt-1,155,Coast\nbirch,rpt-1,155,Inland\n"
DAY = 86_400_000_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("reviewed")
    (made / "sites.csv").write_text(SITES)
    assert run(made, "inventory", "import", "sites.csv").returncode == 0
    time_us = time.time_ns() // 1000 - DAY // 4
    key = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
    change = apply(None, Evidence(key, Severity.CRITICAL, time_us, {"swr": 4.0, "limit_swr": 3.0}), time_us)
    assert change is not None
    store = Store(address_of(made / "standingwatch.sqlite"))
    with store.writing() as connection:
        save_changes(connection, [change], "urn:test")
    store.close()
    return made


def test_it_writes_a_page_and_a_table(folder: Path) -> None:
    done = run(folder, "review", "--out", "morning")
    assert (done.returncode, done.stderr) == (0, "")
    summary, page, table = done.stdout.splitlines()
    assert "1 new. 1 alarm stands (1 critical). Most urgent: alder/rpt-1, SWR over its limit." in summary
    text = (folder / page).read_text()
    assert summary in text
    assert "alder/rpt-1: SWR over its limit, critical" in text
    [row] = csv.DictReader(io.StringIO((folder / table).read_bytes().decode(), newline=""))
    assert (row["site"], row["severity"], row["change"], row["rank"]) == ("alder", "critical", "new", "1")
    assert page.endswith(".html")
    # Nothing was kept: the next says the same.
    again = run(folder, "review", "--out", "morning").stdout
    assert again.splitlines()[0].partition("UTC: ")[2] == summary.partition("UTC: ")[2]


def test_of_one_region(folder: Path) -> None:
    done = run(folder, "review", "--region", "Inland", "--out", "inland")
    assert done.returncode == 0
    assert "No alarm stands." in done.stdout
    [table] = (folder / "inland").glob("*-inland.csv")
    assert len(table.read_text().splitlines()) == 1


def test_what_cannot_be_is_told(folder: Path) -> None:
    done = run(folder, "review", "--region", "coast")
    assert done.returncode == 1
    assert done.stderr == "there is no region 'coast' on the site list; there are: Coast, Inland\n"
    (folder / "in-the-way").write_text("")
    done = run(folder, "review", "--out", "in-the-way")
    assert done.returncode == 1
    assert "in-the-way: File exists" in done.stderr
