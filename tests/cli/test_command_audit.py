"""Every command that changes something is in the audit, with who: the name of `--by`, or the command line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_line import be_in
from databases import address_of

from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.cli import main
from standingwatch.cli.record import command_line
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.alarming import save_changes
from standingwatch.store.audit import load_audit
from standingwatch.store.connect import Store
from standingwatch.store.reports import RefusedReport, refuse
from standingwatch.store.visits import follow_alarms

DAY_US = 86_400_000_000
NOW_US = 1_790_000_000_000_000

LIST = "site,transmitter,frequency_mhz\nalder,rpt-1,152.5\n"
WORK = "site,transmitter,start,end,kind\nalder,,2026-03-01T08:00:00Z,2026-03-01T10:00:00Z,visit\n"


@contextmanager
def store_in(folder: Path) -> Iterator[Store]:
    store = Store(address_of(folder / "standingwatch.sqlite"))
    store.migrate()
    yield store
    store.close()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a site list, an alarm that stands, one that has ended, a visit and a refused report."""
    be_in(tmp_path, monkeypatch)
    (tmp_path / "list.csv").write_text(LIST)
    (tmp_path / "work.csv").write_text(WORK)
    assert main(("inventory", "import", "list.csv")) == 0
    raised = apply(
        None,
        Evidence(AlarmKey("alder", "rpt-1", Condition.SWR_HIGH), Severity.CRITICAL, NOW_US - 20 * DAY_US),
        NOW_US,
    )
    ended = apply(
        None,
        Evidence(AlarmKey("alder", "rpt-1", Condition.SWR_STEP), Severity.MAJOR, NOW_US - DAY_US),
        NOW_US,
    )
    assert raised is not None
    assert ended is not None
    over = apply(ended.alarm, Evidence(ended.alarm.key, Severity.CLEARED, NOW_US), NOW_US)
    assert over is not None
    with store_in(tmp_path) as store, store.writing() as connection:
        save_changes(connection, [raised, ended, over], "urn:test")
        follow_alarms(connection, NOW_US)
        unknown = RefusedReport(NOW_US, "standingwatch/report/alder/rpt-9", b"{", "not-json", "no JSON")
        refuse(connection, [unknown])
    return tmp_path


def test_acts_are_in_the_audit(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    alarm, by = ("alder/rpt-1", "swr-high"), ("--by", "Kim")
    far = ("--from", "2026-03-01T08:00:00Z", "--to", "2099-03-01T08:00:00Z")
    acts: list[tuple[tuple[str, ...], str, str]] = [
        (("maintenance", "import", "work.csv"), "import the work on record", "work.csv"),
        (
            ("maintenance", "add", "alder/rpt-1", *far, "--kind", "visit", "--note", "jumper", *by),
            "enter a window of work",
            "alder rpt-1, visit",
        ),
        (("maintenance", "end", "2", *by), "end a window of work", "2"),
        (("alarms", "acknowledge", *alarm, *by), "alarms: acknowledge", "swr-high alder/rpt-1"),
        (("alarms", "take-back", *alarm, *by), "alarms: take-back", "swr-high alder/rpt-1"),
        (("alarms", "comment", *alarm, "--text", "hm", *by), "alarms: comment", "swr-high alder/rpt-1"),
        (("alarms", "assign", *alarm, "--to", "crew 3", *by), "alarms: assign", "swr-high alder/rpt-1"),
        (("alarms", "close", "alder/rpt-1", "swr-step", *by), "alarms: close", "swr-step alder/rpt-1"),
        (
            ("alarms", "shelve", "--site", "alder", "--for", "2h", "--reason", "mast", *by),
            "make a shelf",
            "shelf 1 alder",
        ),
        (("alarms", "unshelve", "1", *by), "end a shelf", "1"),
        (
            ("alarms", "purge", "--cleared-before", "0"),
            "purge ended alarms",
            "those that ended 0 d ago or earlier",
        ),
        (
            ("visits", "plan", "1", "--when", "2099-03-01T08:00:00Z", "--crew", "north", *by),
            "plan a visit",
            "visit 1",
        ),
        (("visits", "drop", "1", "--reason", "no road", *by), "drop a visit", "visit 1"),
        (("refused", "retry"), "put refused reports in again", "every reason"),
    ]
    for words, _, _ in acts:
        # What is put in again is refused once more, which the exit status says.
        assert main(words) == (1 if words[0] == "refused" else 0), capsys.readouterr().err
    with store_in(folder) as store, store.reading() as connection:
        kept = load_audit(connection, 100)[::-1]
    assert [(line.act, line.about) for line in kept] == [
        ("import the site list", "list.csv"),
        *((act, about) for _, act, about in acts),
    ]
    for line, words in zip(kept, [("inventory",), *(words for words, _, _ in acts)], strict=True):
        named = "--by" in words
        who = ("Kim", command_line()) if named else (command_line(), "")
        assert (line.by, line.address, line.role) == (*who, "administrator")
        assert line.outcome.startswith("done")
    assert kept[0].outcome == "done: 1 added, 0 changed, 0 removed"
    assert kept[-1].outcome == "done: 0 readings stored, 1 refused once more"


def test_what_is_refused_leaves_no_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (
        ("alarms", "close", "alder/rpt-1", "swr-high", "--by", "Kim"),
        ("alarms", "unshelve", "9", "--by", "Kim"),
        ("maintenance", "end", "9", "--by", "Kim"),
        ("visits", "done", "1", "--by", "Kim"),
        ("refused", "retry", "--reason", "no-such"),
    ):
        status = main(words)
        assert status == (0 if words[0] == "refused" else 1)
    assert capsys.readouterr().err
    with store_in(folder) as store, store.reading() as connection:
        assert [line.act for line in load_audit(connection, 9)] == ["import the site list"]


def test_who_ended_a_window_stays_with_it(folder: Path) -> None:
    far = ("--from", "2026-03-01T08:00:00Z", "--to", "2099-03-01T08:00:00Z")
    for place in ("alder", "alder/rpt-1"):
        add = ("maintenance", "add", place, *far, "--kind", "outage", "--by", "Kim", "--note", "x")
        assert main(add) == 0
    assert main(("maintenance", "end", "1")) == 0
    assert main(("maintenance", "end", "2", "--by", "Edda")) == 0
    with store_in(folder) as store, store.reading() as connection:
        rows = connection.exec_driver_sql("SELECT entered_by, ended_by FROM maintenance ORDER BY id").all()
    assert [tuple(row) for row in rows] == [("Kim", command_line()), ("Kim", "Edda")]
