"""What "ready" and "alive" mean: each reason by itself, and nothing in them that nobody may know."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import text

from standingwatch.notify.heartbeat import ServiceState
from standingwatch.notify.readiness import KEEP_S, LAYOUT_WORDS, STILL_S, Health
from standingwatch.store.connect import Store
from standingwatch.store.layout_now import layout_is_ours
from standingwatch.store.watchman import prove_writable

NOW_US = 1_764_000_000_000_000

WELL = ServiceState(
    watch_until_us=NOW_US - 500_000,
    watch_last_pass_us=NOW_US - 200_000,
    watch_lag_s=0.25,
    intake_until_us=NOW_US - 400_000,
    intake_connected=True,
    intake_queue=7,
)


class Process:
    """A process whose health is asked."""

    def __init__(self, state: ServiceState = WELL) -> None:
        self.state = state
        self.now_s = 1000.0
        self.pulses = {"watch": lambda: self.now_s, "intake": lambda: 1000.0}
        self.wrong: Exception | None = None
        self.ours = True
        self.writes = 0
        self.health = Health(
            lambda: self.state,
            self._write,
            lambda: self.ours,
            lambda: self.pulses,
            clock=lambda: NOW_US,
            intake_late_s=300.0,
            monotonic=lambda: self.now_s,
        )

    def _write(self) -> None:
        self.writes += 1
        if self.wrong is not None:
            raise self.wrong

    def now(self) -> dict[str, Any]:
        """What is said when the answer of before does not hold any more."""
        self.now_s += KEEP_S
        return self.health.now()


@pytest.fixture
def process() -> Any:
    made = Process()
    yield made
    made.health.stop()


def test_ready_with_its_figures(process: Process) -> None:
    process.now_s = 1010.0
    assert process.health.now() == {
        "ready": True,
        "reasons": [],
        "store_reachable": True,
        "broker_connected": True,
        "watch_lag_s": 0.25,
        "queue": 7,
        "horizon_age_s": 0.4,
        "uptime_s": 10.0,
    }
    assert process.health.has_begun()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"intake_connected": False}, "the intake has no connection to the broker"),
        (
            {"intake_until_us": None},
            "the intake has kept nothing since the start, nor said that it is connected",
        ),
        ({"intake_until_us": NOW_US - 301_000_000}, "the intake is 301 s behind"),
        ({"watch_last_pass_us": None}, "the watch has finished no pass since the start"),
        ({"watch_last_pass_us": NOW_US - 61_000_000}, "the watch has finished no pass for 61 s"),
    ],
)
def test_each_reason_by_itself(process: Process, change: dict[str, Any], reason: str) -> None:
    process.state = replace(WELL, **change)
    assert process.now()["reasons"] == [reason]
    assert process.now()["ready"] is False
    process.state = WELL
    assert process.now()["ready"] is True


def test_errors_of_the_store_are_not_told_to_everybody(process: Process) -> None:
    process.wrong = RuntimeError('connection to "db.example" failed: password of "watch" is hush-hush')
    answer = process.now()
    assert answer["reasons"] == ["the store cannot be written; see the log"]
    assert answer["store_reachable"] is False
    assert "hush" not in str(answer)
    assert "db.example" not in str(answer)


def test_another_layout_is_said(process: Process) -> None:
    process.ours = False
    assert process.now()["reasons"] == [LAYOUT_WORDS]
    assert process.writes == 0  # nothing is written to a store that is not ours


def test_however_often_it_is_asked_the_store_is_written_to_now_and_then(process: Process) -> None:
    process.now()
    for _ in range(100):
        process.health.now()
    assert process.writes == 1
    process.now_s += KEEP_S - 0.01
    process.health.now()
    assert process.writes == 1
    process.now_s += 0.02
    process.health.now()
    assert process.writes == 2


def test_alive_while_the_loops_go_on(process: Process) -> None:
    process.now_s = 1000.0 + STILL_S
    assert process.health.still() == []
    process.now_s += 1.0
    assert process.health.still() == [f"the intake has not gone on for {STILL_S + 1:.0f} s"]
    process.pulses = {}
    assert process.health.still() == []


def test_before_the_first_pass_it_has_not_begun() -> None:
    process = Process(ServiceState())
    assert not process.health.has_begun()
    assert len(process.health.now()["reasons"]) == 3
    process.health.stop()


def test_of_a_real_store(store: Store) -> None:
    assert layout_is_ours(store)
    prove_writable(store, NOW_US)
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    assert not layout_is_ours(store)
