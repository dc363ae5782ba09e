"""Strange devices at a real broker, on both databases: read by their profiles, or refused with a reason."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select

from standingwatch.intake.again import put_in_again
from standingwatch.intake.routes import Routes, profile_filters
from standingwatch.intake.service import Intake
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.readings.profile import Profile, build_profile
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, RefusedReport, refused_reports
from standingwatch.store.sites import replace_site_list

S = 1_000_000
NOW_US = 1_795_000_000 * S
SITES = """\
site,transmitter,frequency_mhz,profile
hill-03,tx-1,155.34,
hill-03,tx-2,155.34,second
birch,tx-1,453.2,
"""
GATEWAY = """
topic = "plant/{site}/rf/{transmitter}"
format = "json"
[json]
reports = "/data"
[fields]
time = { pointer = "/t", form = "unix_s" }
forward = { pointer = "/f", unit = "W" }
reflected = { pointer = "/r", unit = "W" }
[sites]
"0017" = "hill-03"
"""
LOGGER = """
topic = "log/{site}"
format = "csv"
[csv]
separator = ";"
[fields]
transmitter.column = "tx"
time = { column = "time", form = "%d.%m.%Y %H:%M", zone = "UTC" }
forward = { column = "fwd", unit = "dBm" }
reflected = { column = "swr", unit = "SWR" }
"""
METERS = """
topic = "meter/{site}/{transmitter}/{quantity}"
format = "number"
[number]
window_s = 5
[number.quantities]
FWD = "forward"
RFL = "reflected"
[fields]
forward.unit = "W"
reflected.unit = "W"
"""
TIMED_METERS = METERS.replace("meter/", "timed/").replace("window_s = 5", 'window_s = 5\npointer = "/v"') + (
    'time = { pointer = "/t", form = "unix_s" }\n'
)


def profiles(*texts: str, names: str = "first second third fourth") -> tuple[Profile, ...]:
    made = []
    for name, text in zip(names.split(), texts, strict=False):
        profile, problems = build_profile(name, tomllib.loads(text))
        assert problems == []
        assert profile is not None
        made.append(profile)
    return tuple(made)


class Clock:
    """Now, which a test can move."""

    now_us = NOW_US

    def __call__(self) -> int:
        return self.now_us


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def make_writer(store: Store, clock: Clock) -> Callable[..., Writer]:
    """Makes a writer with some profiles into a store with three transmitters."""
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(SITES, "test").rows, NOW_US)

    def make(*texts: str, **more: Any) -> Writer:
        registry = CollectorRegistry()
        settings = IntakeSettings(**more)
        made = profiles(*texts)
        return Writer(store, settings, FleetDefaults(), "standingwatch", Metrics(registry), clock, made)

    return make


def arrived(topic: str, payload: Any, second: float = 0.0, **more: Any) -> Arrived:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Arrived(topic, body, NOW_US + round(second * S), **more)


def kept(store: Store) -> list[tuple[str, str, float, float, float]]:
    """Site, transmitter, second, forward and reflected power of the readings, in order of time."""
    readings, names = tables.readings.c, tables.transmitters.c
    with store.reading() as connection:
        rows = connection.execute(
            select(names.site, names.transmitter, readings.time_us, readings.forward_w, readings.reflected_w)
            .join(tables.transmitters, names.key == readings.transmitter)
            .order_by(readings.time_us, names.site, names.transmitter)
        ).all()
    return [(r[0], r[1], (r[2] - NOW_US) / S, round(r[3], 6), round(r[4], 6)) for r in rows]


def refused(store: Store) -> list[RefusedReport]:
    with store.reading() as connection:
        return refused_reports(connection)


def waiting(store: Store) -> int:
    with store.reading() as connection:
        return int(connection.execute(select(func.count()).select_from(tables.pending_parts)).scalar_one())


def counted(writer: Writer) -> dict[str, float]:
    """What the writer's metrics say."""
    return {
        sample.name: sample.value
        for metric in writer._metrics.registry.collect()
        for sample in metric.samples
    }


def until(true: Callable[[], object], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "not in time"
        time.sleep(0.02)


REPORT = {"t": NOW_US / S - 10, "f": 50, "r": 1.5}


# Through a broker ---------------------------------------------------------------------------------------


@pytest.fixture
def run_intake(broker: Any) -> Iterator[Callable[..., Intake]]:
    started: list[Intake] = []

    def run(writer: Writer, clock: Callable[[], int]) -> Intake:
        metrics = Metrics(CollectorRegistry())
        intake = Intake(BrokerSettings(port=broker.port), IntakeSettings(), writer, metrics, clock)
        intake.start()
        started.append(intake)
        assert intake.connection.wait_connected(10)
        return intake

    yield run
    for intake in started:
        intake.stop()


def test_every_format_through_a_real_broker(
    store: Store,
    make_writer: Callable[..., Writer],
    run_intake: Callable[..., Intake],
    broker: Any,
    connect_client: Any,
    clock: Clock,
) -> None:
    run_intake(make_writer(GATEWAY, LOGGER, METERS), clock)
    client = connect_client(broker.port)
    own = {"time": NOW_US / S - 1, "forward_w": 7, "reflected_w": 0.5}
    messages = {
        "plant/0017/rf/tx-1": json.dumps({"data": [REPORT, {**REPORT, "t": NOW_US / S - 9}, {}]}).encode(),
        "log/hill-03": b"tx;time;fwd;swr\ntx-1;18.11.2026 11:06;50;1.5\ntx-9;18.11.2026 11:06;50;1.5\n",
        "meter/birch/tx-1/FWD": b"20.5",
        "meter/birch/tx-1/RFL": b"0.25",
        "meter/birch/tx-1/TEMP": b"40",
        "standingwatch/report/hill-03/tx-1": json.dumps(own).encode(),
    }
    for topic, payload in messages.items():
        client.publish(topic, payload, qos=1).wait_for_publish(10)
    until(lambda: len(kept(store)) == 5)
    assert kept(store) == [
        ("hill-03", "tx-1", -40.0, 100.0, 4.0),
        ("hill-03", "tx-1", -10.0, 50.0, 1.5),
        ("hill-03", "tx-1", -9.0, 50.0, 1.5),
        ("hill-03", "tx-1", -1.0, 7.0, 0.5),
        ("birch", "tx-1", 0.0, 20.5, 0.25),
    ]
    assert sorted((one.topic, one.reason) for one in refused(store)) == [
        ("log/hill-03", "unknown-transmitter"),
        ("meter/birch/tx-1/TEMP", "unknown-topic"),
        ("plant/0017/rf/tx-1", "no-time"),
    ]


def test_a_number_without_a_partner_is_refused_though_the_stream_stops(
    store: Store,
    make_writer: Callable[..., Writer],
    run_intake: Callable[..., Intake],
    broker: Any,
    connect_client: Any,
    clock: Clock,
) -> None:
    run_intake(make_writer(METERS), clock)
    client = connect_client(broker.port)
    client.publish("meter/birch/tx-1/FWD", "20.5", qos=1).wait_for_publish(10)
    until(lambda: waiting(store) == 1)
    clock.now_us += 5 * S
    time.sleep(1.5)  # several times as long as it takes the intake to look: nothing may come of it
    assert (waiting(store), refused(store)) == (1, [])
    clock.now_us += 1
    until(lambda: waiting(store) == 0)
    (report,) = refused(store)
    assert (report.topic, report.payload, report.reason) == ("meter/birch/tx-1/FWD", b"20.5", "incomplete")
    assert kept(store) == []


#: An intake that runs until it is killed.
RUN = """
import sys, time, tomllib
from prometheus_client import CollectorRegistry
from standingwatch.intake.service import Intake
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults
from standingwatch.metrics import Metrics
from standingwatch.readings.profile import build_profile
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store.connect import Store

url, port, text = sys.argv[1:]
metrics, clock = Metrics(CollectorRegistry()), lambda: time.time_ns() // 1000
profile, _ = build_profile("meters", tomllib.loads(text))
writer = Writer(Store(url), IntakeSettings(), FleetDefaults(), "standingwatch", metrics, clock, (profile,))
intake = Intake(BrokerSettings(port=int(port)), IntakeSettings(), writer, metrics, clock)
intake.start()
assert intake.connection.wait_connected(10)
print("ready", flush=True)
time.sleep(60)
"""


def start_intake(url: str, port: int, text: str) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, url, str(port), text], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def end(process: subprocess.Popen[str]) -> None:
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=20)
    assert process.returncode == -signal.SIGKILL


def test_a_kill_between_the_parts_of_a_report_and_it_is_joined(
    store: Store, store_url: str, make_writer: Callable[..., Writer], broker: Any, connect_client: Any
) -> None:
    make_writer(METERS)
    client = connect_client(broker.port)
    text = METERS.replace("window_s = 5", "window_s = 2")
    first = start_intake(store_url, broker.port, text)
    try:
        client.publish("meter/birch/tx-1/FWD", "20.5", qos=1).wait_for_publish(10)
        until(lambda: waiting(store) == 1)
        # Acknowledged as well: else it comes again, and finds its other half taken.
        time.sleep(1.0)
    finally:
        end(first)
    # What comes while nobody is there is kept by the broker; we are away for longer than the window.
    client.publish("meter/birch/tx-1/RFL", "0.25", qos=1).wait_for_publish(10)
    time.sleep(2.5)
    second = start_intake(store_url, broker.port, text)
    try:
        until(lambda: kept(store))
    finally:
        end(second)
    assert [(site, forward, back) for site, _, _, forward, back in kept(store)] == [("birch", 20.5, 0.25)]
    assert (waiting(store), refused(store)) == (0, [])


# What becomes of a batch --------------------------------------------------------------------------------


def test_parts_in_one_batch_and_in_two(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer(METERS)
    both = [arrived("meter/birch/tx-1/FWD", b"20"), arrived("meter/birch/tx-1/RFL", b"1", 1)]
    assert writer.write(both).stored == 1
    assert waiting(store) == 0
    assert writer.write([arrived("meter/birch/tx-1/RFL", b"2", 60)]).stored == 0
    assert waiting(store) == 1
    # By another writer, as after a restart, and past one of another transmitter.
    other = make_writer(METERS)
    other.write([arrived("meter/hill-03/tx-1/FWD", b"9", 61)])
    assert other.write([arrived("meter/birch/tx-1/FWD", b"30", 62)]).stored == 1
    assert kept(store) == [("birch", "tx-1", 0.0, 20.0, 1.0), ("birch", "tx-1", 60.0, 30.0, 2.0)]
    assert waiting(store) == 1
    other.write([arrived("meter/hill-03/tx-1/FWD", b"8", 70)])
    other.note_horizon("test", Horizon(NOW_US, NOW_US + 66 * S))
    assert (refused(store), waiting(store)) == ([], 2)
    other.note_horizon("test", Horizon(NOW_US, NOW_US + 66 * S + 1))
    assert [(one.payload, one.reason) for one in refused(store)] == [(b"9", "incomplete")]
    other.note_horizon("test", Horizon(NOW_US, NOW_US + 100 * S))
    assert [one.payload for one in refused(store)] == [b"9", b"8"]
    assert waiting(store) == 0


def test_a_batch_that_is_not_committed_leaves_no_part_behind(
    store: Store, make_writer: Callable[..., Writer], monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = make_writer(METERS)
    writer.write([arrived("meter/birch/tx-1/FWD", b"20")])

    def gone(*_: Any) -> None:
        raise OSError("the disk is gone")

    with monkeypatch.context() as broken:
        broken.setattr("standingwatch.intake.writer.refuse", gone)
        with pytest.raises(OSError, match="disk"):
            writer.write([arrived("meter/birch/tx-1/RFL", b"1", 1)])
    assert (kept(store), waiting(store)) == ([], 1)
    assert writer.write([arrived("meter/birch/tx-1/RFL", b"1", 1)]).stored == 1
    assert waiting(store) == 0


def test_the_site_list_says_which_profile_reads_a_transmitter(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    """Both patterns fit: the second, which doubles, is for the one that the site list names it for."""
    doubling = GATEWAY.replace('f", unit = "W"', 'f", unit = "W", scale = 2')
    writer = make_writer(GATEWAY, doubling)
    batch = [arrived(f"plant/0017/rf/{name}", {"data": REPORT}) for name in ("tx-1", "tx-2")]
    assert writer.write(batch).stored == 2
    assert [(name, forward) for _, name, _, forward, _ in kept(store)] == [("tx-1", 50.0), ("tx-2", 100.0)]


def test_the_site_list_says_so_also_where_only_the_payload_names_the_transmitter(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    first = (
        'topic = "box/{site}"\nformat = "json"\n[fields]\ntransmitter.pointer = "/x"\n'
        'time = { pointer = "/t", form = "unix_s" }\nforward = { pointer = "/f", unit = "W" }\n'
        'reflected = { pointer = "/r", unit = "W" }\n'
    )
    second = first.replace('"/f", unit = "W"', '"/g", unit = "W"')
    writer = make_writer(first, second)
    both = [{**REPORT, "x": "tx-1"}, {"t": REPORT["t"], "g": 99, "r": 1, "x": "tx-2"}]
    written = writer.write([arrived("box/hill-03", both), arrived("box/hill-03", both[1])])
    assert written.stored == 1 + 1
    assert [(name, forward) for _, name, _, forward, _ in kept(store)] == [("tx-1", 50.0), ("tx-2", 99.0)]
    # Of the array, the first profile could not read the report that was not meant for it, and says so.
    assert [one.reason for one in written.refused] == ["no-power"]


def test_a_transmitter_of_another_profile_is_not_read_by_chance(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    writer = make_writer(GATEWAY, METERS)
    written = writer.write([arrived("plant/0017/rf/tx-2", {"data": REPORT})])
    assert [(one.reason, one.topic) for one in written.refused] == [("unknown-place", "plant/0017/rf/tx-2")]
    assert "profile second for hill-03/tx-2" in written.refused[0].detail
    assert kept(store) == []


def test_own_topics_are_never_read_by_a_profile(store: Store, make_writer: Callable[..., Writer]) -> None:
    writer = make_writer(
        GATEWAY.replace("plant/{site}/rf/{transmitter}", "standingwatch/report/{site}/{transmitter}")
    )
    written = writer.write([arrived("standingwatch/report/hill-03/tx-1", {"data": REPORT})])
    assert [one.reason for one in written.refused] == ["no-time"]


def test_topics_that_nobody_reads_and_payloads_that_are_too_large(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    writer = make_writer(GATEWAY, max_payload_bytes=64)
    written = writer.write(
        [
            arrived("plant/0017", {}),
            arrived("plant/0017/rf/tx-1", {"data": [REPORT] * 9}),
            arrived("other", {}),
        ]
    )
    assert [one.reason for one in written.refused] == ["unknown-topic", "too-large", "unknown-topic"]
    assert "first: plant/{site}/rf/{transmitter}" in written.refused[0].detail


def test_mended_profiles_read_what_was_refused(store: Store, make_writer: Callable[..., Writer]) -> None:
    wrong = make_writer(GATEWAY.replace('"/f"', '"/forward"'))
    batch = [arrived("plant/0017/rf/tx-1", {"data": [REPORT, {**REPORT, "t": NOW_US / S - 9}]})]
    assert [one.reason for one in wrong.write(batch).refused] == ["no-power", "no-power"]
    assert put_in_again(store, wrong) == (0, 2)
    assert put_in_again(store, make_writer(GATEWAY)) == (2, 0)
    assert [second for _, _, second, _, _ in kept(store)] == [-10.0, -9.0]
    assert refused(store) == []


def test_incomplete_numbers_put_in_again_together_are_joined(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    writer = make_writer(TIMED_METERS)
    seconds = {"FWD": 0.0, "RFL": 60.0}
    for level, second in seconds.items():
        writer.write([arrived(f"timed/birch/tx-1/{level}", {"v": 3, "t": NOW_US / S - 5}, second)])
        writer.note_horizon("test", Horizon(NOW_US, NOW_US + round((second + 30) * S)))
    assert [one.reason for one in refused(store)] == ["incomplete", "incomplete"]
    # Their own times are the same: only they came too far apart.
    stored, again = put_in_again(store, make_writer(TIMED_METERS.replace("window_s = 5", "window_s = 90")))
    assert (stored, again) == (1, 0)
    assert kept(store) == [("birch", "tx-1", -5.0, 3.0, 3.0)]
    assert (refused(store), waiting(store)) == ([], 0)


def test_a_second_report_of_the_same_time_with_other_powers_is_kept_as_it_came(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    writer = make_writer(GATEWAY, LOGGER, TIMED_METERS)
    line = b"tx;time;fwd;swr\ntx-1;18.11.2026 11:06;%d;1.5\n"
    timed = [arrived(f"timed/birch/tx-1/{level}", {"v": 3, "t": 1_794_999_000}) for level in ("FWD", "RFL")]
    other = [arrived(f"timed/birch/tx-1/{level}", {"v": 4, "t": 1_794_999_000}) for level in ("FWD", "RFL")]
    first = [arrived("plant/0017/rf/tx-1", {"data": [REPORT]}), arrived("log/hill-03", line % 50), *timed]
    assert writer.write(first).stored == 3
    assert writer.write(first).repeated == 3
    changed = {"data": [{**REPORT, "f": 51}, {**REPORT, "t": 1_794_999_001}]}
    second = [arrived("plant/0017/rf/tx-1", changed), arrived("log/hill-03", line % 40), *other]
    written = writer.write(second)
    assert {one.reason for one in written.refused} == {"conflicting-repeat"}
    assert [(one.topic, one.payload) for one in written.refused] == [
        ("plant/0017/rf/tx-1", json.dumps({"data": [{**REPORT, "f": 51}]}, separators=(",", ":")).encode()),
        ("log/hill-03", line % 40),
        *((one.topic, one.payload) for one in other),
    ]


def test_what_the_broker_had_kept_is_only_read_where_it_says_when_it_was_measured(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    untimed = GATEWAY.replace("time = ", "sequence = ").replace(', form = "unix_s"', "")
    writer = make_writer(GATEWAY, METERS, time_if_absent="receipt")
    batch = [
        arrived("plant/0017/rf/tx-1", {"data": REPORT}, retained=True),
        arrived("plant/0017/rf/tx-1", {"data": {**REPORT, "t": None}}, retained=True),
        arrived("plant/0017/rf/tx-1", b"", retained=True),
        arrived("meter/birch/tx-1/FWD", b"20", retained=True),
    ]
    written = writer.write(batch)
    assert (written.stored, [one.reason for one in written.refused], waiting(store)) == (1, ["no-time"], 0)
    other = make_writer(untimed, time_if_absent="receipt")
    passed_over = other.write(batch[:1])
    assert (passed_over.stored, passed_over.refused) == (0, ())
    assert counted(other)["standingwatch_messages_passed_over_total"] == 1
    assert other.write([batch[0]._replace(retained=False)]).stored == 1


def test_what_is_subscribed_to() -> None:
    wide = GATEWAY.replace("plant/{site}", "{any}/{site}")
    sparkplug = 'topic = "{site}/{transmitter}"\nformat = "sparkplug"\n[fields]\n' + (
        'forward = { metric = "F", unit = "W" }\nreflected = { metric = "R", unit = "W" }\n'
    )
    assert profile_filters(profiles(GATEWAY, LOGGER, METERS, sparkplug)) == (
        "plant/+/rf/+",
        "log/+",
        "meter/+/+/+",
    )
    assert profile_filters(profiles(GATEWAY, wide, GATEWAY)) == ("+/+/rf/+",)


def test_a_site_list_that_changes_reads_what_waits_anew(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    writer = make_writer(METERS)
    writer.write([arrived("meter/birch/tx-1/FWD", b"20")])
    with store.writing() as connection:
        left = "".join(line for line in SITES.splitlines(keepends=True) if "birch" not in line)
        replace_site_list(connection, read_inventory_text(left, "test").rows, NOW_US)
    writer.write([arrived("meter/birch/tx-1/RFL", b"1", 1)])
    writer.note_horizon("test", Horizon(NOW_US, NOW_US + 9 * S))
    assert sorted((one.payload, one.reason) for one in refused(store)) == [
        (b"1", "unknown-transmitter"),
        (b"20", "unknown-transmitter"),
    ]
    assert waiting(store) == 0


def test_what_waits_for_a_profile_that_is_gone_is_refused(
    store: Store, make_writer: Callable[..., Writer]
) -> None:
    make_writer(METERS).write([arrived("meter/birch/tx-1/FWD", b"20")])
    make_writer(GATEWAY).note_horizon("test", Horizon(NOW_US, NOW_US + S))
    assert [(one.payload, one.reason) for one in refused(store)] == [(b"20", "unknown-topic")]
    assert waiting(store) == 0


def test_topics_are_looked_up_once_and_forgotten_beyond_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("standingwatch.intake.routes._MOST_TOPICS", 3)
    routes = Routes(profiles(GATEWAY))
    for i in range(10):
        found = routes.of(f"plant/{i}/rf/tx-1")
        assert [dict(route.parts) for route in found] == [{"site": str(i), "transmitter": "tx-1"}]
        assert routes.of(f"plant/{i}/rf/tx-1") is found
        assert 1 <= len(routes) <= 3
    assert routes.of("plant/0") == ()
