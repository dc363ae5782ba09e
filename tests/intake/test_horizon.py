"""How far the intake has come is said with the batch that brings it there, and never farther."""

from __future__ import annotations

import json
import time
from types import SimpleNamespace
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from waiting import wait_until

from standingwatch.intake import service
from standingwatch.intake.service import Intake
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store.connect import Store
from standingwatch.store.reports import horizon, last_arrival, readings_after
from standingwatch.store.sites import load_site_list, replace_site_list

SITES = "site,transmitter,frequency_mhz\nalder-ridge,rpt-1,155.34\nbirch-hill,rpt-1,453.2\n"
TOPIC = "standingwatch/report/alder-ridge/rpt-1"


def now_us() -> int:
    return time.time_ns() // 1000


@pytest.fixture
def intake_at(store: Store, monkeypatch: pytest.MonkeyPatch) -> Any:
    """An intake at a port that says nothing by itself, however long nothing comes."""
    monkeypatch.setattr(service, "HORIZON_EVERY_S", 1e12)
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(SITES, "test").rows, now_us())
    metrics = Metrics(CollectorRegistry())
    writer = Writer(store, IntakeSettings(), FleetDefaults(), "standingwatch", metrics, now_us)
    return lambda port: Intake(BrokerSettings(port=port), IntakeSettings(), writer, metrics, now_us)


def test_a_batch_says_how_far_it_comes(
    store: Store, broker: Any, connect_client: Any, intake_at: Any
) -> None:
    intake = intake_at(broker.port)
    intake.start()
    try:
        assert intake.connection.wait_connected(10)
        client = connect_client(broker.port)
        for kept in (1, 2):
            body = {"time": now_us() / 1e6, "forward_w": 50, "reflected_w": 1.2}
            client.publish(TOPIC, json.dumps(body), qos=1).wait_for_publish(10)

            def has_come(so_many: int = kept) -> bool:
                with store.reading() as connection:
                    return last_arrival(connection) == so_many

            wait_until(has_come, 30, f"report {kept} is kept")
    finally:
        intake.stop()
    with store.reading() as connection:
        said = horizon(connection)
        sites = load_site_list(connection)
        readings, _ = readings_after(connection, 1, 10, sites.position_of_key)
    # With the first one it was not known yet whether the broker had kept a backlog.
    assert said is not None
    assert said.until_us == intake.until_us
    assert int(readings.time_us[0]) <= said.until_us <= now_us()


def test_what_waits_is_not_passed(intake_at: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    intake = intake_at(1)
    monkeypatch.setattr(intake, "connection", SimpleNamespace(connected=True))
    intake._caught_up = True

    def come(site: str, at_us: int) -> None:
        intake.offer(Arrived(f"standingwatch/report/{site}/rpt-1", b"{}", at_us))

    for site, at_us in (("alder-ridge", 10), ("alder-ridge", 11), ("birch-hill", 12)):
        come(site, at_us)
    # Sites take turns, so that the second one's newer message goes before the first one's.
    batch = intake._queue.take(2, 0, 0.001)
    assert [message.received_us for message in batch] == [10, 12]
    found = intake._horizon_with(batch)
    assert found is not None
    assert found.until_us == 10
    intake._queue.safe()
    rest = intake._queue.take(2, 0, 0.001)
    found = intake._horizon_with(rest)
    assert found is not None
    assert found.until_us == 11
    intake._caught_up = False
    assert intake._horizon_with(rest) is None
