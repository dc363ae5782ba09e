"""`standingwatch alarms` and `maintenance` on a store, through the real command line."""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from command_line import be_in, run, store_in, well
from databases import address_of_copy

from standingwatch.alarms.handling import Act, OperatorState, put_on_shelf
from standingwatch.alarms.lifecycle import AlarmKey, Evidence, apply
from standingwatch.cli.main import main
from standingwatch.detect.words import Condition, Severity
from standingwatch.store.alarming import load_alarms, save_changes
from standingwatch.store.connect import Store
from standingwatch.store.handling import (
    desk_version,
    handling_history,
    load_handling,
    load_handlings,
    load_shelves,
    save_handlings,
)
from standingwatch.store.outbox import NewMessage, Subject, add_messages
from standingwatch.store.windows import load_windows

ROOT = Path(__file__).parents[2]
SITES = """\
site,transmitter,frequency_mhz,region
alder,rpt-1,155,Coast
alder,rpt-2,155,Coast
birch,rpt-1,155,Inland
region,odd,155,
"""
S = 1_000_000
DAY = 86_400 * S
NOW = time.time_ns() // 1000
RPT = AlarmKey("alder", "rpt-1", Condition.SWR_HIGH)
STEP = AlarmKey("birch", "rpt-1", Condition.SWR_STEP)
SITE = AlarmKey("alder", "", Condition.SITE_UNREACHABLE)
COAST = AlarmKey("", "", Condition.SWR_WEATHER, region="Coast")
ENDED = AlarmKey("alder", "rpt-2", Condition.SWR_HIGH)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose store has a site list, four alarms that stand and one that has ended."""
    made = tmp_path_factory.mktemp("filled")
    (made / "sites.csv").write_text(SITES)
    well(made, "inventory", "import", "sites.csv")
    raised = [
        (RPT, Severity.CRITICAL, 3),
        (STEP, Severity.MINOR, 2),
        (SITE, Severity.MAJOR, 4),
        (COAST, Severity.WARNING, 1),
        (ENDED, Severity.MAJOR, 9),
    ]
    changes = []
    for key, severity, days in raised:
        time_us = NOW - days * DAY
        change = apply(None, Evidence(key, severity, time_us, {"swr": 4.0, "limit_swr": 3.0}), time_us)
        assert change is not None
        changes.append(change)
    ended = apply(changes[-1].alarm, Evidence(ENDED, Severity.CLEARED, NOW - 8 * DAY), NOW - 8 * DAY)
    assert ended is not None
    with store_in(made) as store, store.writing() as connection:
        save_changes(connection, [*changes, ended], "urn:test")
    return made


@pytest.fixture
def folder(filled: Path, tmp_path: Path) -> Path:
    """A copy of that folder, for one test."""
    here = Path(shutil.copytree(filled, tmp_path / "here"))
    # With the tree came its file, not a database that stands for it.
    address_of_copy(filled / "standingwatch.sqlite", here / "standingwatch.sqlite")
    return here


@pytest.fixture
def refused(filled: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Runs a command that can do nothing, in this process: its exit status, and what it complained of."""
    be_in(filled, monkeypatch)

    def run_here(*words: str) -> tuple[int, str]:
        try:
            status = main(words)
        except SystemExit as ended:
            status = int(str(ended.code))
        told = capsys.readouterr()
        assert told.out == ""
        return status, told.err

    return run_here


@pytest.fixture
def store(folder: Path) -> Iterator[Store]:
    """The store in the folder, beside the command line."""
    with store_in(folder) as opened:
        yield opened


# The list -----------------------------------------------------------------------------------------------


def listed(folder: Path, *words: str) -> list[str]:
    return [
        f"{a['site'] or a['region']} {a['condition']}"
        for a in json.loads(well(folder, "alarms", "list", "--json", *words))
    ]


def test_the_list_shows_what_stands_gravest_first(folder: Path) -> None:
    text = well(folder, "alarms", "list")
    heads = [line for line in text.splitlines() if not line.startswith(" ")]
    assert [re.sub(r"  .* UTC  ", " ", head) for head in heads] == [
        "critical alder/rpt-1 swr-high  [none]",
        "major alder site-unreachable  [none]",
        "minor birch/rpt-1 swr-step  [none]",
        "warning region/Coast swr-weather  [none]",
        "4 alarms stand",
    ]
    assert "    alder/rpt-1: SWR over its limit, critical, since " in text


def test_the_list_can_be_narrowed(folder: Path) -> None:
    assert listed(folder, "--severity", "major") == ["alder swr-high", "alder site-unreachable"]
    assert listed(folder, "--site", "birch") == ["birch swr-step"]
    assert listed(folder, "--region", "Coast") == [
        "alder swr-high",
        "alder site-unreachable",
        "Coast swr-weather",
    ]
    assert listed(folder, "--condition", "swr-high", "--site", "birch") == []
    assert listed(folder, "--cleared") == ["alder swr-high"]


def test_the_list_as_json_has_what_people_did(folder: Path) -> None:
    well(folder, "alarms", "acknowledge", "alder/rpt-1", "swr-high", "--by", "Kim")
    first, *others = json.loads(well(folder, "alarms", "list", "--json"))
    assert {k: first[k] for k in ("site", "transmitter", "region", "service", "severity", "is_cleared")} == {
        "site": "alder",
        "transmitter": "rpt-1",
        "region": None,
        "service": None,
        "severity": "critical",
        "is_cleared": False,
    }
    assert (first["operator_state"], first["operator"], first["assigned_to"]) == ("ack", "Kim", None)
    assert first["time_operator_state"] > first["time_raised"]
    assert [o["operator_state"] for o in others] == ["none"] * 3
    [ended] = json.loads(well(folder, "alarms", "list", "--cleared", "--json"))
    assert (ended["is_cleared"], ended["transmitter"], ended["operator"]) == (True, "rpt-2", None)


# What people do -----------------------------------------------------------------------------------------


def test_a_person_handles_an_alarm(folder: Path, store: Store) -> None:
    name = ("alder/rpt-1", "swr-high", "--by", "Kim")
    assert well(folder, "alarms", "acknowledge", *name) == "alder/rpt-1 swr-high: ack, by Kim\n"
    assert "assigned to east crew" in well(folder, "alarms", "assign", *name, "--to", "east crew")
    well(folder, "alarms", "comment", *name, "--text", "ladder is wet")
    assert well(folder, "alarms", "take-back", *name).endswith(": none, assigned to east crew\n")
    assert well(folder, "alarms", "assign", *name, "--to", "").endswith(": none\n")
    with store.reading() as connection:
        lines = handling_history(connection, RPT)
        assert load_handlings(connection)[RPT].state is OperatorState.NONE
    assert [(line.act, line.by, line.text) for line in lines] == [
        (Act.ACKNOWLEDGE, "Kim", ""),
        (Act.ASSIGN, "Kim", "east crew"),
        (Act.COMMENT, "Kim", "ladder is wet"),
        (Act.TAKE_BACK, "Kim", ""),
        (Act.ASSIGN, "Kim", ""),
    ]
    assert all(NOW <= line.time_us < NOW + 3600 * S for line in lines)
    history = well(folder, "alarms", "history", "alder/rpt-1", "swr-high").splitlines()
    assert "raised: alder/rpt-1: SWR over its limit" in history[0]
    assert [line.split("UTC  ")[1] for line in history[1:6]] == [
        "acknowledge by Kim [ack]",
        "assign by Kim: east crew [ack]",
        "comment by Kim: ladder is wet [ack]",
        "take-back by Kim [none]",
        "assign by Kim [none]",
    ]
    assert history[6] == "alder/rpt-1 swr-high: none"


def test_alarms_of_sites_regions_and_ended_ones_have_names(folder: Path) -> None:
    well(folder, "alarms", "acknowledge", "alder", "site-unreachable", "--by", "Kim")
    well(folder, "alarms", "acknowledge", "region/Coast", "swr-weather", "--by", "Kim")
    assert "closed, by Kim" in well(folder, "alarms", "close", "alder/rpt-2", "swr-high", "--by", "Kim")
    history = well(folder, "alarms", "history", "alder/rpt-2", "swr-high").splitlines()
    assert [re.sub(r".* UTC  (\w+).*", r"\1", line) for line in history[:3]] == ["raised", "cleared", "close"]


def test_a_site_called_region_is_not_mistaken_for_one(folder: Path, store: Store) -> None:
    odd = AlarmKey("region", "odd", Condition.SWR_HIGH)
    service = AlarmKey("", "", Condition.REPORTS_MISSING, service="intake")
    with store.writing() as connection:
        for key in (odd, service):
            change = apply(None, Evidence(key, Severity.MINOR, NOW), NOW)
            assert change is not None
            save_changes(connection, [change], "urn:test")
    well(folder, "alarms", "acknowledge", "region/odd", "swr-high", "--by", "Kim")
    well(folder, "alarms", "acknowledge", "service/intake", "reports-missing", "--by", "Kim")
    with store.reading() as connection:
        assert set(load_handlings(connection)) == {odd, service}


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (
            ["acknowledge", "alder/rpt-9", "swr-high", "--by", "Kim"],
            1,
            "got 'alder/rpt-9' swr-high, wanted one",
        ),
        (["acknowledge", "alder/rpt-1", "swr-step", "--by", "Kim"], 1, "of alder/rpt-1 there are: swr-high"),
        (["history", "", "swr-high"], 1, "`alarms list` shows those"),
        (["close", "alder/rpt-1", "swr-high", "--by", "Kim"], 1, "alder/rpt-1 swr-high: it still stands"),
        (["take-back", "alder/rpt-1", "swr-high", "--by", "Kim"], 1, "nothing can be taken back"),
        (["acknowledge", "alder/rpt-1", "swr-high", "--by", " "], 1, "give a name"),
        (
            ["acknowledge", "alder/rpt-1", "swr-hig", "--by", "Kim"],
            2,
            "got 'swr-hig', wanted one of swr-high",
        ),
        (["acknowledge", "alder/rpt-1", "swr-high"], 2, "--by"),
        (["comment", "alder/rpt-1", "swr-high", "--by", "Kim"], 2, "--text"),
        (
            ["list", "--severity", "cleared"],
            2,
            "got 'cleared', wanted one of warning, minor, major, critical",
        ),
        (["unshelve", "7", "--by", "Kim"], 1, "shelf: got 7, wanted one that holds"),
        (["unshelve", "99999999999999999999", "--by", "Kim"], 2, "wanted a number as the list shows it"),
        (["purge", "--cleared-before", "-1"], 2, "wanted a number of days"),
        (["purge"], 2, "--cleared-before"),
        (["report", "--days", "0"], 2, "wanted more than 0 days"),
        (["report", "--operators", "nan"], 2, "wanted a number of people above 0"),
        (["list", "--settings", "absent.toml"], 1, "absent.toml"),
        ([], 2, "ACTION"),
    ],
)
def test_what_cannot_be_done_is_said(refused: Any, words: list[str], status: int, said: str) -> None:
    got, complaint = refused("alarms", *words)
    assert got == status, complaint
    assert said in complaint


# Shelves ------------------------------------------------------------------------------------------------


def test_shelves_from_the_command_line(folder: Path, store: Store) -> None:
    for words in (
        ["--site", "alder", "--transmitter", "rpt-1", "--up-to", "minor", "--for", "4h"],
        ["--region", "Coast", "--condition", "swr-weather", "--for", "1.5d", "--first"],
    ):
        text = well(folder, "alarms", "shelve", *words, "--reason", "mast painted", "--by", "Kim")
        assert re.fullmatch(r"shelf \d+ holds until .* UTC\n", text)
    with store.reading() as connection:
        first, second = load_shelves(connection)
    assert (second.site, second.transmitter, second.up_to, second.by) == (
        "alder",
        "rpt-1",
        Severity.MINOR,
        "Kim",
    )
    assert second.until_us - second.from_us == 4 * 3600 * S
    assert (first.region, first.condition, first.up_to) == ("Coast", "swr-weather", Severity.CRITICAL)
    assert first.until_us - first.from_us == 36 * 3600 * S
    lines = well(folder, "alarms", "shelves").splitlines()
    assert lines[0].startswith(f"{first.number}  region Coast, condition swr-weather, up to critical, until ")
    assert lines[1].endswith(" UTC, by Kim: mast painted")
    assert lines[2] == "2 shelves hold"
    well(folder, "alarms", "unshelve", str(first.number), "--by", "Edda")
    assert run(folder, "alarms", "unshelve", str(first.number), "--by", "Edda").returncode == 1
    assert well(folder, "alarms", "shelves").splitlines()[-1] == "1 shelves hold"


def test_a_shelved_alarm_keeps_what_was_seen(folder: Path, store: Store) -> None:
    well(folder, "alarms", "acknowledge", "alder/rpt-1", "swr-high", "--by", "Kim")
    with store.writing() as connection:
        on = put_on_shelf(load_handling(connection, RPT), "mast painted", NOW)
        assert on is not None
        save_handlings(connection, [(RPT, *on)])
    assert "alder/rpt-1 swr-high  [shelved, ack before, by Kim]" in well(folder, "alarms", "list")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--for", "4h"], 1, "wanted at least one of --site"),
        (
            ["--site", "aldr", "--for", "4h"],
            1,
            "got 'aldr', wanted one of the site list; did you mean alder?",
        ),
        (["--site", "alder", "--for", "367d"], 1, "more than 366 days"),
        (["--site", "alder", "--for", "4"], 2, "got '4', wanted minutes, hours or days such as 30m, 4h, 2d"),
        (["--site", "alder", "--for", "0h"], 2, "got '0h'"),
        (["--site", "alder"], 2, "--for"),
    ],
)
def test_a_shelf_that_cannot_be_made(refused: Any, words: list[str], status: int, said: str) -> None:
    got, complaint = refused("alarms", "shelve", *words, "--reason", "paint", "--by", "Kim")
    assert got == status, complaint
    assert said in complaint


# Purge and report ---------------------------------------------------------------------------------------


def test_purge_takes_what_ended_long_ago(folder: Path, store: Store) -> None:
    assert well(folder, "alarms", "purge", "--cleared-before", "9").startswith("0 ended alarms")
    assert well(folder, "alarms", "purge", "--cleared-before", "7.5").startswith("1 ended alarms deleted")
    with store.reading() as connection:
        assert set(load_alarms(connection)) == {RPT, STEP, SITE, COAST}
    assert well(folder, "alarms", "list", "--cleared") == "0 alarms ended\n"


def test_the_report_as_text_and_as_json(folder: Path, store: Store) -> None:
    with store.writing() as connection:
        made = [NewMessage("email.desk", f"{i}", Subject.of(RPT), NOW - DAY + i, "{}") for i in range(12)]
        add_messages(connection, made)
    data = json.loads(well(folder, "alarms", "report", "--json"))
    lines = {line["name"]: line for line in data["lines"]}
    # All that the store knows began nine days ago.
    assert data["alarms"] == 5
    assert lines["per-day"]["value"] == pytest.approx(5 / 9, rel=0.01)
    # The youngest was raised a day ago when the test began, and that is more than a day ago now.
    assert lines["stale"]["value"] == 4
    assert lines["per-hour"]["met"] is True
    assert lines["split-low"]["value"] == 40
    assert (lines["split-high"]["met"], lines["top-ten"]["met"]) == (False, None)
    assert lines["per-hour"]["source"] == "ISA-18.2 / IEC 62682"
    assert "second hand" in lines["per-hour"]["status"]
    assert data["by_severity"] == {"warning": 1, "minor": 1, "major": 2, "critical": 1}
    peak = next(line for line in data["notifications"]["email.desk"] if line["name"] == "peak")
    assert (peak["value"], peak["met"]) == (12, False)
    half = json.loads(well(folder, "alarms", "report", "--json", "--days", "2.5", "--operators", "2"))
    assert (half["alarms"], half["operators"]) == (2, 2)
    text = well(folder, "alarms", "report")
    assert "5 alarms raised: 1 warning, 1 minor, 2 major, 1 critical" in text
    assert re.search(
        r"^ +4 alarms +met +alarms that have stood longer than 24 h, at the end$", text, re.MULTILINE
    )
    assert (
        "target ~6, limit ~12 (ISA-18.2 / IEC 62682; target read at second hand, limit from memory)" in text
    )
    assert re.search(r"^ +1 +20.0 %  region/Coast swr-weather$", text, re.MULTILINE)
    assert "Notifications by email.desk" in text


# Maintenance --------------------------------------------------------------------------------------------


def test_work_is_entered_shown_and_ended(folder: Path, store: Store) -> None:
    (folder / "work.csv").write_text(
        "site,transmitter,start,end,kind\nbirch,,2026-01-01T00:00:00Z,2090-01-01T00:00:00Z,outage\n"
        "birch,,2025-01-01T00:00:00Z,2025-01-02T00:00:00Z,retune\n"
    )
    with store.reading() as connection:
        before = desk_version(connection)
    well(folder, "maintenance", "import", "work.csv")
    times = ("--from", "2089-01-01T08:00:00Z", "--to", "2089-01-01T12:00:00+01:00")
    by = ("--by", "Kim", "--note", "new feeder")
    for place in ("alder/rpt-1", "alder"):
        well(folder, "maintenance", "add", place, *times, "--kind", "visit", *by)
    with store.reading() as connection:
        # The import counts as one: a watch that runs has to look.
        assert desk_version(connection) == before + 3
        windows = load_windows(connection)
    number, whole = (w.number for w in windows if w.entered_by == "Kim")
    imported = next(w.number for w in windows if w.window.kind == "outage")
    work = "2089-01-01 08:00:00 UTC to 2089-01-01 11:00:00 UTC"
    shown = well(folder, "maintenance", "list").splitlines()
    assert shown == [
        f"{imported}  birch, outage, 2026-01-01 00:00:00 UTC to 2090-01-01 00:00:00 UTC, by file",
        f"{number}  alder/rpt-1, visit, {work}, by Kim: new feeder",
        f"{whole}  alder, visit, {work}, by Kim: new feeder",
        "3 windows of work",
    ]
    assert well(folder, "maintenance", "list", "--all").splitlines()[-1] == "4 windows of work"
    well(folder, "maintenance", "end", str(number))
    for ended in (number, imported):
        done = run(folder, "maintenance", "end", str(ended))
        assert done.returncode == 1
        assert f"got {ended}, wanted one that somebody entered" in done.stderr
    assert well(folder, "maintenance", "list").splitlines()[-1] == "2 windows of work"


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (
            ["cedar", "2089-01-01T08:00:00Z", "2089-01-01T09:00:00Z"],
            1,
            "got 'cedar', wanted one of the site list",
        ),
        (["alder/rpt-9", "2089-01-01T08:00:00Z", "2089-01-01T09:00:00Z"], 1, "got 'alder/rpt-9'"),
        (["alder", "2089-01-01T08:00:00Z", "2089-01-01T08:00:00Z"], 1, "end: got a time not after the start"),
        (["alder", "2089-01-01T08:00:00", "2089-01-01T09:00:00Z"], 2, "has no offset"),
        (["alder", "tomorrow", "2089-01-01T09:00:00Z"], 2, "wanted the form 2025-03-01T12:00:00Z"),
    ],
)
def test_work_that_cannot_be_entered(refused: Any, words: list[str], status: int, said: str) -> None:
    place, start, end = words
    more = ("--from", start, "--to", end, "--kind", "visit", "--by", "Kim", "--note", "x")
    got, complaint = refused("maintenance", "add", place, *more)
    assert got == status, complaint
    assert said in complaint


def test_refusals_from_outside(folder: Path) -> None:
    """Two of them as a shell sees them."""
    done = run(folder, "alarms", "close", "alder/rpt-1", "swr-high", "--by", "Kim")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("alder/rpt-1 swr-high: it still stands")
    assert run(folder, "alarms", "close", "alder/rpt-1", "--by", "Kim").returncode == 2
