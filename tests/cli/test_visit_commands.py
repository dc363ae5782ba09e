"""`standingwatch visits`: the list, acts on one, its sheet as a PDF; what is refused and how it exits."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from databases import address_of
from pypdf import PdfReader

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply_all
from standingwatch.cli import main
from standingwatch.detect.interface import LikelyCause
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.inventory import InventoryRow
from standingwatch.store.alarming import save_changes
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list
from standingwatch.store.visits import follow_alarms
from standingwatch.store.windows import load_windows

HOUR_US = 3_600_000_000

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def url(tmp_path: Path) -> str:
    """A store with one visit proposed, from an alarm of four days ago."""
    now_us = time.time_ns() // 1000
    url = address_of(tmp_path / "visits.sqlite")
    store = Store(url)
    store.migrate()
    key = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
    causes = (LikelyCause(Cause.WATER, 0.6, "it follows the rain"),)
    evidence = Evidence(key, Severity.MAJOR, now_us - 96 * HOUR_US, {}, causes)
    with store.writing() as connection:
        replace_site_list(connection, [InventoryRow("alder", "rpt-1", 160.0, feeder_loss_db=1.5)], now_us)
        save_changes(connection, apply_all({}, [evidence], now_us), "urn:test")
        assert follow_alarms(connection, now_us) == 1
    store.close()
    return url


@pytest.fixture
def run(url: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.setenv("STANDINGWATCH_STORE__URL", url)

    def command(*words: str) -> tuple[int, str, str]:
        status = main(["visits", *words])
        said = capsys.readouterr()
        return status, said.out, said.err

    return command


def test_from_the_list_to_done(run: Run, url: str) -> None:
    assert run("list") == (0, "1  alder  proposed, within-days: rpt-1 swr-high (water)\n1 visits\n", "")
    status, said, _ = run("plan", "1", "--by", "Ada", "--when", "2031-03-16T07:00:00Z", "--crew", "Mast crew")
    assert (status, said) == (0, "visit 1 to alder is planned\n")
    assert "Mast crew on 2031-03-16" in run("list", "--state", "planned")[1]
    assert run("begin", "1", "--by", "Ada", "--for", "4h")[:2] == (0, "visit 1 to alder is under-way\n")
    store = Store(url)
    with store.reading() as connection:
        spans = {w.window.end_us - w.window.start_us for w in load_windows(connection)}
    store.close()
    assert spans == {4 * HOUR_US}
    assert run("done", "1", "--by", "Ada")[:2] == (0, "visit 1 to alder is done\n")
    (one,) = json.loads(run("list", "--json")[1])
    assert (one["site"], one["state"], one["crew"]) == ("alder", "done", "Mast crew")


def test_a_dropped_one_is_not_listed_any_more(run: Run) -> None:
    assert run("drop", "1", "--by", "Ada", "--reason", "the site is given up")[0] == 0
    assert run("list")[1] == "0 visits\n"
    assert run("list", "--state", "dropped")[1].endswith("1 visits\n")


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet(run: Run, tmp_path: Path, paper: str) -> None:
    out = tmp_path / "sheet.pdf"
    status, said, _ = run("sheet", "1", "--out", str(out), "--paper", paper)
    assert (status, said) == (0, f"{out}: the sheet of visit 1, {paper}\n")
    first, second = PdfReader(out).pages
    assert "water" in first.extract_text()
    # Twice 1.5 dB.
    assert "3.0 dB" in second.extract_text()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("done", "1", "--by", "Ada"), "visit 1 is proposed: got done, possible is plan, begin, drop"),
        (("begin", "9", "--by", "Ada"), "there is no visit 9"),
        (("drop", "1", "--by", "Ada", "--reason", " "), "reason: empty"),
        (("sheet", "9", "--out", "x.pdf"), "visit: got 9, wanted one that"),
        (("sheet", "1", "--out", "/nowhere/x.pdf"), "/nowhere/x.pdf: cannot be written"),
    ],
)
def test_what_cannot_be_is_said(run: Run, words: tuple[str, ...], why: str) -> None:
    status, _, said = run(*words)
    assert status == 1
    assert why in said


def test_a_wrong_word_exits_with_two(run: Run) -> None:
    with pytest.raises(SystemExit) as ended:
        run("list", "--state", "lost")
    assert ended.value.code == 2
