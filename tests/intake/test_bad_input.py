"""Bad input of every kind: nothing stops the intake, and each message is stored or kept with its reason."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select

from standingwatch.intake.service import Intake
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings import decode_report
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import refused_reports
from standingwatch.store.sites import replace_site_list

NOW_US = 1_795_000_000_000_000
SITES = "site,transmitter,frequency_mhz\nalder-ridge,rpt-1,155.34\nbirch-hill,rpt-1,453.2\n"
GOOD = {"time": 1_794_999_990, "forward_w": 50, "reflected_w": 1.2}
MEMBERS = (
    *("time", "forward_w", "forward_dbm", "reflected_w", "reflected_dbm", "swr", "return_loss_db", "keyed"),
    *("frequency_mhz", "channel", "set_power_w", "foldback", "pa_temperature_c", "ambient_temperature_c"),
    *("precipitation", "wind_mps", "sequence"),
)


@pytest.fixture
def writer(store: Store) -> Writer:
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(SITES, "test").rows, NOW_US)
    return Writer(
        store,
        IntakeSettings(),
        FleetDefaults(),
        "standingwatch",
        Metrics(CollectorRegistry()),
        lambda: NOW_US,
    )


scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["NaN", "1,5", "2026-11-25 08:00", "\x00", "'; DROP TABLE readings; --", "1e400"])
)
anything = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
)
near_reports = st.fixed_dictionaries({}, optional=dict.fromkeys(MEMBERS, anything)).map(
    lambda wrong: {**GOOD, **wrong}
)
payloads = st.one_of(
    st.binary(max_size=200),
    anything.map(lambda value: json.dumps(value).encode()),
    near_reports.map(lambda value: json.dumps(value).encode()),
    st.lists(near_reports | anything, max_size=4).map(lambda value: json.dumps(value).encode()),
    near_reports.map(lambda value: json.dumps(value).encode()[:-3]),
    st.integers(1, 3000).map(lambda depth: b"[" * depth),
    st.integers(1, 3000).map(lambda depth: b'{"a":' * depth),
)
topics = st.one_of(
    st.just("standingwatch/report/alder-ridge/rpt-1"),
    st.just("standingwatch/link/alder-ridge"),
    st.tuples(st.sampled_from(["report", "link", "other"]), st.text(max_size=10), st.text(max_size=10)).map(
        lambda parts: "standingwatch/" + "/".join(parts)
    ),
    st.text(max_size=30),
).map(lambda topic: topic.replace("\x00", "").encode("utf-8", "ignore").decode())


def counted(writer: Writer) -> dict[str, float]:
    """Samples of the writer's counters by name and reason."""
    found = {}
    for family in writer._metrics.registry.collect():
        for sample in family.samples:
            found[sample.name + "".join(sample.labels.values())] = sample.value
    return found


@settings(
    max_examples=600,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(topic=topics, payload=payloads)
def test_any_message_is_stored_or_kept(writer: Writer, topic: str, payload: bytes) -> None:
    """On each of the two databases: 1,200 kinds in all."""
    before = counted(writer)
    written = writer.write([Arrived(topic, payload, NOW_US)])
    after = counted(writer)
    assert (
        after["standingwatch_messages_received_total"] == before["standingwatch_messages_received_total"] + 1
    )
    refused = sum(v for k, v in after.items() if k.startswith("standingwatch_reports_refused_total")) - sum(
        v for k, v in before.items() if k.startswith("standingwatch_reports_refused_total")
    )
    assert refused == len(written.refused)
    for kept in written.refused:
        if kept.reason == "conflicting-repeat" and payload.lstrip()[:1] != b"{":
            # Out of an array: as a report of its own that says the same.
            [alone] = decode_report(kept.payload, NOW_US, time_if_absent="refuse").readings
            assert alone in decode_report(payload, NOW_US, time_if_absent="refuse").readings
        else:
            assert kept.payload in payload
        assert kept.topic == topic
        assert kept.reason
        assert kept.detail
    said_something = written.stored or written.repeated or written.refused
    quiet = topic.startswith("standingwatch/link/") or payload.strip() == b"[]"
    assert said_something or quiet
    # The good report after it is not held up.
    good = {**GOOD, "time": 1_794_000_000 + after["standingwatch_messages_received_total"]}
    follow = writer.write(
        [Arrived("standingwatch/report/birch-hill/rpt-1", json.dumps(good).encode(), NOW_US)]
    )
    assert (follow.stored, follow.refused) == (1, ())


def test_one_message_that_the_database_cannot_take_is_refused_alone(
    writer: Writer, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from standingwatch.intake import writer as module

    real = module.insert_readings

    def picky(connection: Any, arrival: int, readings: Any, *rest: Any) -> int:
        if (readings.forward_w == 13.0).any():
            raise ValueError("thirteen is not to be stored")
        return real(connection, arrival, readings, *rest)

    monkeypatch.setattr(module, "insert_readings", picky)
    batch = [
        Arrived(
            "standingwatch/report/alder-ridge/rpt-1",
            json.dumps({"time": 1_794_999_000 + i, "forward_w": watts, "reflected_w": 0.5}).encode(),
            NOW_US,
        )
        for i, watts in enumerate([10.0, 11.0, 13.0, 14.0, 15.0])
    ]
    written = writer.write(batch)
    assert written.stored == 4
    assert [r.reason for r in written.refused] == ["not-storable"]
    with store.reading() as connection:
        assert connection.execute(select(func.count()).select_from(tables.readings)).scalar_one() == 4
        (kept,) = refused_reports(connection)
    assert kept.payload == batch[2].payload
    assert "thirteen" in kept.detail


def test_a_repeat_changes_nothing_and_a_conflict_is_kept(writer: Writer, store: Store) -> None:
    topic = "standingwatch/report/alder-ridge/rpt-1"
    first = Arrived(topic, json.dumps(GOOD).encode(), NOW_US)
    other = Arrived(topic, json.dumps({**GOOD, "reflected_w": 9.9}).encode(), NOW_US)
    assert writer.write([first]).stored == 1
    again = writer.write([first, first])
    assert (again.stored, again.repeated, again.refused) == (0, 2, ())
    (conflict,) = writer.write([other]).refused
    assert conflict.reason == "conflicting-repeat"
    assert json.loads(conflict.payload)["reflected_w"] == 9.9


def test_a_refused_report_that_is_marked_as_delivered_again_is_kept_once(
    writer: Writer, store: Store
) -> None:
    topic = "standingwatch/report/alder-ridge/rpt-1"
    first, other = Arrived(topic, b"{", NOW_US), Arrived(topic, b"[", NOW_US)
    assert len(writer.write([first, first._replace(is_again=True)]).refused) == 1
    again = writer.write([first._replace(is_again=True), other._replace(is_again=True)])
    assert (again.repeated, [one.payload for one in again.refused]) == (1, [b"["])
    elsewhere = first._replace(topic="standingwatch/report/birch-hill/rpt-1", is_again=True)
    # A site that sends it again, another site, and the next day: each is a report of its own.
    for one in (first, elsewhere, first._replace(received_us=NOW_US + 86_400_000_001, is_again=True)):
        assert len(writer.write([one]).refused) == 1
    with store.reading() as connection:
        assert len(refused_reports(connection)) == 5


def test_a_broker_that_never_heard_of_it_delivers_a_refused_report_again(
    writer: Writer, store: Store, broker: Any, connect_client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    metrics = Metrics(CollectorRegistry())

    def received() -> float:
        return counted(writer)["standingwatch_messages_received_total"]

    for messages in (1, 2):
        intake = Intake(BrokerSettings(port=broker.port), IntakeSettings(), writer, metrics, lambda: NOW_US)
        if messages == 1:
            monkeypatch.setattr(intake.connection, "acknowledge_all", lambda _: None)
        intake.start()
        assert intake.connection.wait_connected(10)
        if messages == 1:
            topic = "standingwatch/report/alder-ridge/rpt-1"
            connect_client(broker.port).publish(topic, b"{", qos=1).wait_for_publish(10)
        end = time.monotonic() + 10
        while received() < messages and time.monotonic() < end:
            time.sleep(0.02)
        intake.stop()
    assert received() == 2
    with store.reading() as connection:
        assert len(refused_reports(connection)) == 1


def test_late_and_future_reports_are_kept_and_flagged(writer: Writer, store: Store) -> None:
    topic = "standingwatch/report/alder-ridge/rpt-1"
    for seconds in (-60, -600, 7200):
        body = {**GOOD, "time": NOW_US / 1e6 + seconds}
        assert writer.write([Arrived(topic, json.dumps(body).encode(), NOW_US)]).stored == 1
    with store.reading() as connection:
        rows = (
            connection.execute(select(tables.readings.c.flags).order_by(tables.readings.c.arrival))
            .scalars()
            .all()
        )
    assert rows == [0, 32, 16]


def test_hostile_payloads_through_a_real_broker(writer: Writer, broker: Any, connect_client: Any) -> None:
    hostile = [bytes([i, 255 - i]) * (i + 1) for i in range(100)]

    metrics = Metrics(CollectorRegistry())
    intake = Intake(BrokerSettings(port=broker.port), IntakeSettings(), writer, metrics, lambda: NOW_US)
    intake.start()
    assert intake.connection.wait_connected(10)
    client = connect_client(broker.port)
    infos = [client.publish("standingwatch/report/alder-ridge/rpt-1", body, qos=1) for body in hostile]
    infos.append(client.publish("standingwatch/report/alder-ridge/rpt-1", json.dumps(GOOD), qos=1))
    for info in infos:
        info.wait_for_publish(10)
    end = time.monotonic() + 10
    while counted(writer)["standingwatch_messages_received_total"] < 101 and time.monotonic() < end:
        time.sleep(0.02)
    intake.stop()
    samples = counted(writer)
    assert samples["standingwatch_messages_received_total"] == 101
    assert samples["standingwatch_readings_stored_total"] == 1
    refused = sum(v for k, v in samples.items() if k.startswith("standingwatch_reports_refused_total"))
    assert refused == 100


def test_a_small_window_of_the_broker_does_not_stall_the_intake(
    writer: Writer, tmp_path: Path, run_broker: Any, connect_client: Any
) -> None:
    """A batch larger than what the broker sends before an acknowledgement must not wait to be full."""

    with run_broker(tmp_path, inflight=5) as small:
        intake = Intake(
            BrokerSettings(port=small.port, protocol="3.1.1"),
            IntakeSettings(),
            writer,
            Metrics(CollectorRegistry()),
            lambda: NOW_US,
        )
        intake.start()
        assert intake.connection.wait_connected(10)
        client = connect_client(small.port)
        for i in range(500):
            body = json.dumps({**GOOD, "time": 1_794_900_000 + i})
            client.publish("standingwatch/report/alder-ridge/rpt-1", body, qos=1)
        begin = time.monotonic()
        while counted(writer)["standingwatch_readings_stored_total"] < 500 and time.monotonic() - begin < 20:
            time.sleep(0.02)
        intake.stop()
    assert counted(writer)["standingwatch_readings_stored_total"] == 500
