"""`refused list` and `refused retry`: what could not be used is put in again after a fix."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import run
from databases import address_of
from prometheus_client import CollectorRegistry
from sqlalchemy import select

from standingwatch.cli.main import build_parser
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store

SERVICE = Path(__file__).parents[2] / "service"
NOW_US = 1_795_000_000_000_000
TOPIC = "standingwatch/report/cedar-point/rpt-1"


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    """The store that the commands find in their folder, with three refused reports in it."""
    store = Store(address_of(tmp_path / "standingwatch.sqlite"))
    store.migrate()
    writer = Writer(
        store,
        IntakeSettings(),
        FleetDefaults(),
        "standingwatch",
        Metrics(CollectorRegistry()),
        lambda: NOW_US,
    )
    report = {"time": NOW_US / 1e6 - 10, "forward_w": 50, "reflected_w": 1.5}
    unusable = Arrived(TOPIC, b'{"forward_w": ', NOW_US)
    written = writer.write(
        [
            Arrived(TOPIC, json.dumps(report).encode(), NOW_US),
            unusable,
            Arrived("standingwatch/nothing", b"{}", NOW_US),
        ]
    )
    assert len(written.refused) == 3
    yield store
    store.close()


def readings(store: Store) -> list[tuple[float, float]]:
    with store.reading() as connection:
        rows = connection.execute(select(tables.readings)).all()
    return [(r.forward_w, r.reflected_w) for r in rows]


def test_an_empty_list_is_said(tmp_path: Path) -> None:
    done = run(tmp_path, "refused", "list")
    assert (done.returncode, done.stdout) == (0, "0 refused reports wait\n")


def test_list_shows_reason_topic_payload_and_what_to_do(tmp_path: Path, kept: Store) -> None:
    done = run(tmp_path, "refused", "list")
    assert done.returncode == 0
    assert TOPIC in done.stdout
    assert "standingwatch refused retry" in done.stdout
    assert "3 refused reports wait: unknown-topic 1, unknown-transmitter 2" in done.stdout
    only = run(tmp_path, "refused", "list", "--reason", "unknown-topic")
    assert TOPIC not in only.stdout
    assert "standingwatch/nothing" in only.stdout
    assert run(tmp_path, "refused", "list", "--limit", "1").stdout.count("  standingwatch/") == 1


def test_retry_without_a_fix_keeps_them_all(tmp_path: Path, kept: Store) -> None:
    done = run(tmp_path, "refused", "retry")
    assert done.returncode == 1
    assert "3 reports put in again: 0 readings stored, 3 reports refused once more" in done.stdout
    assert "3 refused reports wait" in run(tmp_path, "refused", "list").stdout
    assert readings(kept) == []


def test_retry_after_the_fix_stores_what_is_right(tmp_path: Path, kept: Store) -> None:
    (tmp_path / "sites.csv").write_text("site,transmitter,frequency_mhz\ncedar-point,rpt-1,154.1\n")
    assert run(tmp_path, "inventory", "import", "sites.csv").returncode == 0
    done = run(tmp_path, "refused", "retry", "--reason", "unknown-transmitter")
    # One was good; the other is not JSON, which is told now.
    assert "2 reports put in again: 1 readings stored, 1 reports refused once more" in done.stdout
    assert done.returncode == 1
    assert readings(kept) == [(50.0, 1.5)]
    listed = run(tmp_path, "refused", "list").stdout
    assert "2 refused reports wait: " in listed
    assert "unknown-transmitter" not in listed
    # Once more changes nothing about what is stored.
    run(tmp_path, "refused", "retry")
    assert readings(kept) == [(50.0, 1.5)]


def test_maintenance_import_tells_every_problem(tmp_path: Path) -> None:
    heading = "site,transmitter,start,end,kind\n"
    (tmp_path / "work.csv").write_text(
        heading
        + "alder-ridge,,2026-03-01T10:00:00Z,2026-03-01T09:00:00Z,visit\n"
        + "alder-ridge,,soon,2026-03-01T09:00:00Z,party\n"
    )
    done = run(tmp_path, "maintenance", "import", "work.csv")
    assert done.returncode == 1
    assert "work.csv:2" in done.stderr
    assert done.stderr.count("work.csv:3") == 2
    (tmp_path / "work.csv").write_text(
        heading + "alder-ridge,,2026-03-01T08:00:00Z,2026-03-01T09:00:00Z,visit\n"
    )
    done = run(tmp_path, "maintenance", "import", "work.csv")
    assert (done.returncode, done.stdout) == (0, "1 windows of work on record\n")


def commands(parser: argparse.ArgumentParser, name: str) -> Iterator[tuple[str, str | None, list[str]]]:
    """Each command below a parser: its name, its help, and its options that have none."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help for choice in action._choices_actions}
            for word, below in action.choices.items():
                bare = [
                    a.dest for a in below._actions if a.option_strings and not a.help and a.dest != "help"
                ]
                yield f"{name} {word}", helps.get(word), bare
                yield from commands(below, f"{name} {word}")


def test_every_command_and_option_has_a_help() -> None:
    found = list(commands(build_parser(), "standingwatch"))
    assert "standingwatch refused retry" in [name for name, _, _ in found]
    assert [(name, bare) for name, text, bare in found if not text or bare] == []
