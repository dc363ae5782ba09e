"""The heartbeat at a real broker: it goes on whatever the store does, and says how the service ended."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import event

from standingwatch import __version__
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.metrics import Metrics
from standingwatch.notify.heartbeat import (
    WATCH_STILL_S,
    Heartbeat,
    Probe,
    ServiceState,
    reasons_not_ready,
    will,
)
from standingwatch.settings import BrokerSettings
from standingwatch.store.connect import Store
from standingwatch.store.watchman import LEAST_FREE_BYTES, prove_writable

NOW_US = 1_795_000_000_250_000
WELL = ServiceState(
    watch_until_us=NOW_US - 2_000_000,
    watch_last_pass_us=NOW_US - 500_000,
    watch_lag_s=0.25,
    intake_until_us=NOW_US - 1_000_000,
    intake_connected=True,
    intake_queue=3,
    alarms={"critical": 0, "major": 2, "minor": 0, "warning": 1},
)


def wait(true: Callable[[], object], seconds: float = 15.0) -> None:
    end = time.monotonic() + seconds
    while not true() and time.monotonic() < end:
        time.sleep(0.02)
    assert true()


@contextmanager
def beating(
    port: int, prove: Callable[[], None] = lambda: None, state: ServiceState = WELL, every_s: float = 0.1
) -> Iterator[tuple[Heartbeat, Metrics]]:
    """A heartbeat as the daemon makes one."""
    metrics = Metrics(CollectorRegistry())
    settings = BrokerSettings(port=port, reconnect_min_s=0.2, reconnect_max_s=0.5)
    connection = BrokerConnection(
        settings, "watch-heartbeat", metrics, will=will("standingwatch", "watch", lambda: NOW_US)
    )
    heartbeat = Heartbeat(
        connection,
        BrokerError,
        "standingwatch",
        "watch",
        state=lambda: state,
        prove_store=prove,
        metrics=metrics,
        clock=lambda: NOW_US,
        every_s=every_s,
        intake_late_s=300.0,
    )
    connection.on_ready = heartbeat.beat_now
    connection.start()
    heartbeat.start()
    try:
        yield heartbeat, metrics
    finally:
        heartbeat.stop()
        connection.stop()


def bodies(heard: Any) -> list[dict[str, Any]]:
    assert {topic for topic, _, _ in heard.messages} <= {"standingwatch/heartbeat"}
    return [json.loads(body) for _, body, _ in heard.messages]


def test_it_beats_and_says_how_far_all_have_come(broker: Any, listen: Any) -> None:
    with listen(broker.port, "standingwatch/#") as heard:
        with beating(broker.port) as (_, metrics):
            wait(lambda: len(heard.messages) >= 3)
            assert metrics.registry.get_sample_value("standingwatch_heartbeat_timestamp_seconds") == (
                NOW_US / 1e6
            )
        wait(lambda: "ended" in bodies(heard)[-1])
    first = bodies(heard)[0]
    uptime_s = first.pop("uptime_s")
    assert 0.0 <= uptime_s < 15.0
    assert first == {
        "time": "2026-11-18T11:06:40.250000Z",
        "version": __version__,
        "client_id": "watch",
        "every_s": 0.1,
        "ready": True,
        "reasons": [],
        "watch": {
            "until": "2026-11-18T11:06:38.250000Z",
            "last_pass": "2026-11-18T11:06:39.750000Z",
            "lag_s": 0.25,
        },
        "intake": {"until": "2026-11-18T11:06:39.250000Z", "lag_s": 1.0, "connected": True, "queue": 3},
        "alarms": {"critical": 0, "major": 2, "minor": 0, "warning": 1},
    }
    # A clean stop leaves that it was one, and not the will.
    with listen(broker.port, "standingwatch/heartbeat") as late:
        wait(lambda: late.messages)
    (topic, body, retained) = late.messages[-1]
    assert (topic, retained, json.loads(body)["ended"]) == ("standingwatch/heartbeat", True, "stopped")
    assert len(late.messages) == 1


PROGRAM = """
import sys, time
from prometheus_client import CollectorRegistry
from standingwatch.intake.connection import BrokerConnection, BrokerError
from standingwatch.metrics import Metrics
from standingwatch.notify.heartbeat import Heartbeat, ServiceState, will
from standingwatch.settings import BrokerSettings

def clock():
    return time.time_ns() // 1000

metrics = Metrics(CollectorRegistry())
settings = BrokerSettings(port=int(sys.argv[1]), protocol=sys.argv[2])
last_words = will("standingwatch", "watch", clock)
connection = BrokerConnection(settings, "watch-heartbeat", metrics, will=last_words)
heartbeat = Heartbeat(
    connection, BrokerError, "standingwatch", "watch", state=ServiceState, prove_store=lambda: None,
    metrics=metrics, clock=clock, every_s=60.0, intake_late_s=300.0,
)
connection.on_ready = heartbeat.beat_now
connection.start()
heartbeat.start()
time.sleep(60)
"""


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_after_a_kill_the_broker_says_that_it_ended(broker: Any, listen: Any, protocol: str) -> None:
    with listen(broker.port, "standingwatch/heartbeat") as heard:
        service = subprocess.Popen([sys.executable, "-c", PROGRAM, str(broker.port), protocol])
        try:
            wait(lambda: heard.messages, 30.0)
            assert bodies(heard)[0]["ready"] is False
        finally:
            service.send_signal(signal.SIGKILL)
            service.wait(10)
        wait(lambda: "ended" in bodies(heard)[-1])
    assert bodies(heard)[-1]["ended"] == "unexpectedly"
    with listen(broker.port, "standingwatch/heartbeat") as late:
        wait(lambda: late.messages)
    assert late.messages[0][2]  # retained
    assert bodies(late)[0] == bodies(heard)[-1]


def test_after_the_broker_was_away_it_beats_again_at_once(broker: Any, listen: Any) -> None:
    with beating(broker.port, every_s=60.0):
        with listen(broker.port, "standingwatch/heartbeat") as heard:
            wait(lambda: heard.messages)
        broker.stop()
        broker.start()
        with listen(broker.port, "standingwatch/heartbeat") as heard:
            wait(lambda: heard.messages)
        assert "ended" not in bodies(heard)[-1]


def fill_up(store: Store, pages: int) -> None:
    """Let the store have so many pages and no more: a real full database."""

    @event.listens_for(store.engine, "begin")
    def limit(connection: Any) -> None:
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")

    with store.reading() as connection:
        connection.exec_driver_sql("SELECT 1")


@pytest.mark.sqlite_only("a file of it is full")
def test_it_goes_on_when_the_store_is_full_and_says_so(broker: Any, listen: Any, tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    store.migrate()
    full = threading.Event()

    def prove() -> None:
        prove_writable(store, NOW_US)
        if full.is_set():
            with store.writing() as connection:
                connection.exec_driver_sql("CREATE TABLE more (x)")
                connection.exec_driver_sql("INSERT INTO more VALUES (zeroblob(1000000))")

    with listen(broker.port, "standingwatch/heartbeat") as heard, beating(broker.port, prove):
        wait(lambda: heard.messages)
        assert bodies(heard)[-1]["ready"] is True
        fill_up(store, 1)
        full.set()
        wait(lambda: bodies(heard)[-1].get("ready") is False)
        count = len(heard.messages)
        wait(lambda: len(heard.messages) >= count + 3)
        assert bodies(heard)[-1]["reasons"] == ["the store cannot be written: database or disk is full"]
        full.clear()
        wait(lambda: bodies(heard)[-1].get("ready") is True)
    store.close()


@pytest.mark.sqlite_only("the disk of its file")
def test_a_disk_without_room_is_a_full_store_although_a_few_bytes_still_fit(tmp_path: Path) -> None:
    store = Store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    store.migrate()
    prove_writable(store, NOW_US, lambda _folder: LEAST_FREE_BYTES)
    with pytest.raises(OSError, match=r"its disk is full, 7\.9 MB are free"):
        prove_writable(store, NOW_US, lambda _folder: 7_900_000)
    store.close()


def test_it_goes_on_when_the_store_is_gone_or_never_answers(broker: Any, listen: Any) -> None:
    hang, hung = threading.Event(), threading.Event()

    def prove() -> None:
        if hang.is_set():
            hung.wait(60)
            return
        raise OSError("the server is gone")

    with listen(broker.port, "standingwatch/heartbeat") as heard, beating(broker.port, prove):
        wait(lambda: heard.messages)
        assert bodies(heard)[-1]["reasons"] == ["the store cannot be written: the server is gone"]
        hang.set()
        wait(lambda: "no answer for" in bodies(heard)[-1].get("reasons", [""])[0])
        count = len(heard.messages)
        wait(lambda: len(heard.messages) >= count + 3)
        hung.set()
        wait(lambda: bodies(heard)[-1].get("ready") is True)


def test_a_mistake_in_what_is_said_does_not_stop_it(
    broker: Any, listen: Any, caplog: pytest.LogCaptureFixture
) -> None:
    broken = replace(WELL, watch_until_us=10**30)
    with listen(broker.port, "standingwatch/heartbeat") as heard, beating(broker.port, state=broken):
        wait(lambda: len(heard.messages) >= 2)
    assert bodies(heard)[0]["reasons"] == ["see the log"]
    assert "cannot say how the service is" in caplog.text


def test_without_a_broker_the_metric_still_beats(unused_port: int) -> None:
    with beating(unused_port) as (_, metrics):
        wait(
            lambda: (
                metrics.registry.get_sample_value("standingwatch_heartbeat_timestamp_seconds") == NOW_US / 1e6
            )
        )


def test_a_probe_asks_once_at_a_time() -> None:
    asked: list[int] = []
    answer = threading.Event()

    def ask() -> None:
        asked.append(1)
        answer.wait(30)

    probe = Probe(ask)
    assert probe.problem(0.05).startswith("no answer for")
    assert probe.problem(0.05).startswith("no answer for")
    assert len(asked) == 1
    answer.set()
    assert probe.problem(10.0) == ""
    probe.stop()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({}, None),
        ({"intake_connected": False}, "the intake has no connection to the broker"),
        ({"intake_until_us": None}, "the intake has kept nothing since the start"),
        ({"intake_until_us": NOW_US - 301_000_000}, "the intake is 301 s behind"),
        ({"intake_until_us": NOW_US - 300_000_000}, None),
        ({"watch_last_pass_us": None}, "the watch has finished no pass since the start"),
        (
            {"watch_last_pass_us": NOW_US - round((WATCH_STILL_S + 1) * 1e6)},
            "the watch has finished no pass for 61 s",
        ),
        ({"watch_last_pass_us": NOW_US - round(WATCH_STILL_S * 1e6)}, None),
    ],
)
def test_reasons_not_to_be_ready(change: dict[str, Any], reason: str | None) -> None:
    got = reasons_not_ready(replace(WELL, **change), "", now_us=NOW_US, intake_late_s=300.0)
    assert got == ([] if reason is None else [reason])
