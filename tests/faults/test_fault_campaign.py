"""The short form of the fault campaign: faults of a dozen kinds in a row, and nothing lost, doubled or wrong.

The long form is a command: see fault_campaign/__init__.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fault_campaign.campaign import run
from fault_campaign.checks import check_told
from fault_campaign.table import outcome, table
from fault_campaign.world import Database, World

#: One of each of these, in an order that has the quick ones while the daemon comes back anyway.
SHORT = (
    "daemon killed",
    "broker killed",
    "store locked by another process",
    "receiver refuses",
    "broker replaced",
    "broker link torn",
    "daemon starved",
    "site and broker away, daemon killed",
    "receiver hangs up",
    "broker link half open",
    "store damaged, backup put back",
    "power lost",
)

OF_POSTGRESQL = (
    "database crashed",
    "database connections ended",
    "database table locked",
    "database deadlocked",
    "database away",
    "database slow",
    "daemon killed",
    "database link half open",
    "database failed over",
)


@pytest.mark.timeout(900)  # most of it is waiting for faults to last and processes to start
@pytest.mark.parametrize(
    ("database", "names"),
    [
        pytest.param(
            "sqlite", SHORT, id="sqlite", marks=pytest.mark.sqlite_only("those that a file may have")
        ),
        pytest.param("postgresql", OF_POSTGRESQL, id="postgresql", marks=pytest.mark.long),
    ],
)
def test_a_dozen_faults_and_nothing_is_lost_doubled_or_wrong(
    tmp_path: Path, database: Database, names: tuple[str, ...]
) -> None:
    # Without disks and clocks of our own: those ask for root and a compiler, and the command has them.
    world = World(tmp_path / "w", 5, database, small_disk=False, fake_clock=False)
    try:
        # Other tests run beside this one.
        reckoning = run(world, names, print, gap_s=(0.1, 0.5), patience=4.0)
    finally:
        world.close()
    said = f"{table(reckoning.faults)}\n{outcome(reckoning)}"
    assert reckoning.alarms > 10, said
    assert reckoning.reports > 500, said
    assert reckoning.is_well, said


class _Change:
    """A row of the alarm history, as far as the check looks at it."""

    def __init__(self, event_id: str) -> None:
        self.event_id = event_id
        self.site, self.transmitter, self.condition, self.region, self.service = "s", "t", "swr-high", "", ""


def test_the_check_of_what_was_told_finds_each_mistake() -> None:
    def event(event_id: str, at: str) -> dict[str, object]:
        data = {"site": "s", "transmitter": "t", "condition": "swr-high", "time_changed": at}
        return {"id": event_id, "type": "x.alarm.raised", "data": data}

    history = [_Change("1"), _Change("2"), _Change("3")]
    events = [event("1", "a"), event("2", "b"), event("3", "c")]
    assert check_told(history, events) == check_told(history, events, ["1"])
    assert check_told(history, events[:2]).missing == ["3"]
    assert check_told(history, events[:2], ["3"]).lost_by_broker == 1
    assert check_told(history, [events[1], events[0], events[2]]).out_of_order == 1
    assert check_told(history, [*events, events[0]]).repeated == 1
    assert check_told(history, [*events, event("4", "c")]).two_ids == 1
