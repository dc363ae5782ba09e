"""A site comes back after fourteen days and sends what it kept, at a hundred times the pace, in any order.

Through a real broker, the intake and the watch, on both databases: nothing is lost, doubled or told as new,
hours and days are put right, and the reports of other sites do not wait.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select

from standingwatch.alarms.event import rfc3339
from standingwatch.alarms.notice import ChannelRules
from standingwatch.alarms.steady import SteadySettings
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.rollup import HOUR_US, in_order, roll_up
from standingwatch.intake.service import Intake
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import BrokerSettings, IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import Horizon, readings_between
from standingwatch.store.sites import load_site_list, replace_site_list
from standingwatch.store.watching import rollup_frame
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions

SECOND, DAY_US = 1_000_000, 86_400_000_000
#: The end of a day, and a little: days before it are closed.
NOW_US = 1_795_046_400_000_000 + 3 * HOUR_US
BACK = ("amber/a1", "amber/a2", "amber/a3", "amber/a4", "amber/a5")
OTHERS = ("birch/b1", "cedar/c1", "cedar/c2")
INVENTORY = "site,transmitter,frequency_mhz,rated_power_w\n" + "".join(
    f"{place.replace('/', ',')},446,100\n" for place in (*BACK, *OTHERS)
)
#: Days that the site was away for, and the reports that it kept: 20,160.
AWAY_DAYS = 14
EVERY_US = 300 * SECOND


def report(place: str, time_us: int, swr_high: bool = False) -> dict[str, Any]:
    """A healthy report, or one of a broken antenna; the same for a place and time."""
    noise = (time_us // EVERY_US * 7919 + len(place) + ord(place[-1]) * 31) % 1000 / 1000
    forward_w = 90.0 + round(4 * noise, 1)
    share = 0.3 if swr_high else 0.01 + 0.002 * noise
    return {
        "time": time_us / 1e6,
        "forward_w": forward_w,
        "reflected_w": round(forward_w * share, 3),
        "ambient_temperature_c": 15.0,
        "sequence": time_us // EVERY_US,
    }


@dataclass
class Service:
    """Intake's writer and watch without a broker, with a clock of the test's own."""

    store: Store
    now_us: int = NOW_US
    writer: Writer = field(init=False)
    watch: Watch = field(init=False)
    metrics: Metrics = field(init=False)

    def __post_init__(self) -> None:
        with self.store.writing() as connection:
            replace_site_list(connection, read_inventory_text(INVENTORY, "fleet.csv").rows, NOW_US)
        self.metrics = Metrics(CollectorRegistry())
        self.begin()

    def begin(self) -> None:
        """As a start does."""
        self.writer = Writer(
            self.store, IntakeSettings(), FleetDefaults(), "standingwatch", self.metrics, lambda: self.now_us
        )
        options = WatchOptions(
            DetectionSettings(),
            FleetDefaults(),
            SteadySettings(),
            DeskOptions((ChannelRules("desk"), ChannelRules("log", is_calm=False)), source="urn:test"),
        )
        self.watch = Watch(self.store, options, self.metrics, lambda: self.now_us)

    def take(self, messages: list[Arrived]) -> None:
        """Messages come; the watch makes its passes."""
        for begin in range(0, len(messages), 500):
            part = messages[begin : begin + 500]
            self.now_us = max(self.now_us, part[-1].received_us)
            self.writer.write(part, ("intake", Horizon(0, self.now_us)))
            while self.watch.make_pass():
                pass

    def pause(self) -> None:
        """Nothing comes for two minutes."""
        self.now_us += 120 * SECOND
        self.writer.note_horizon("intake", Horizon(0, self.now_us))
        while self.watch.make_pass():
            pass


def message(
    place: str, received_us: int, *times_us: int, swr_high: Callable[[int], bool] | None = None
) -> Arrived:
    """One report, or an array of them."""
    bad = swr_high or (lambda _: False)
    said = [report(place, us, bad(us)) for us in times_us]
    return Arrived(
        f"standingwatch/report/{place}", json.dumps(said if len(said) > 1 else said[0]).encode(), received_us
    )


def live(places: tuple[str, ...], begin_us: int, end_us: int) -> list[Arrived]:
    """What healthy sites send as they measure it."""
    return [message(place, us + 200_000, us) for us in range(begin_us, end_us, EVERY_US) for place in places]


def episode(place: str, us: int) -> bool:
    """Broken for three hours on the fifth day, at one transmitter; at another from the tenth day on."""
    if place == "amber/a1":
        return FIFTH_US <= us < FIFTH_US + 3 * HOUR_US
    return place == "amber/a2" and us >= TENTH_US


LOST_US = NOW_US
FIFTH_US = LOST_US + 5 * DAY_US
TENTH_US = LOST_US + 10 * DAY_US
RETURN_US = LOST_US + AWAY_DAYS * DAY_US


def kept_reports(order: str, seed: int = 3) -> list[Arrived]:
    """What the site kept, some of it twice, a hundred times faster than it was measured; with live ones."""
    rng = np.random.default_rng(seed)
    rows = [(us, place) for us in range(LOST_US, RETURN_US, EVERY_US) for place in BACK]
    if order == "newest first":
        rows.reverse()
    elif order == "shuffled":
        rows = [rows[i] for i in rng.permutation(len(rows))]
    # A tenth is sent again, somewhat later.
    again = [(i + int(rng.integers(1, 400)), rows[i]) for i in range(0, len(rows), 10)]
    numbered = sorted([*enumerate(rows), *again], key=lambda one: one[0])
    step_us = EVERY_US // 100 // len(BACK)
    messages = [
        message(place, RETURN_US + i * step_us, us, swr_high=lambda at, p=place: episode(p, at))
        for i, (us, place) in numbered
    ]
    # The other sites go on; the one that came back too, unless what it kept goes first.
    end_us = messages[-1].received_us
    if order == "oldest first":
        rest = live(OTHERS, RETURN_US, end_us)
        messages += [
            message(p, end_us + 100_000, us, swr_high=lambda at, p=p: episode(p, at))
            for us in range(RETURN_US, end_us, EVERY_US)
            for p in BACK
        ]
    else:
        rest = live(OTHERS, RETURN_US, end_us) + [
            message(p, us + 200_000, us, swr_high=lambda at, p=p: episode(p, at))
            for us in range(RETURN_US, end_us, EVERY_US)
            for p in BACK
        ]
    return sorted([*messages, *rest], key=lambda m: m.received_us)


def expected(messages: list[Arrived]) -> set[tuple[str, float, float]]:
    """Each report once: place, time, reflected power."""
    result = set()
    for m in messages:
        said = json.loads(m.payload)
        for one in said if isinstance(said, list) else [said]:
            result.add((m.topic.split("/", 2)[2], round(one["time"] * 1e6), one["reflected_w"]))
    return result


def stored(store: Store) -> list[tuple[str, int, float]]:
    with store.reading() as connection:
        names = {r.key: f"{r.site}/{r.transmitter}" for r in connection.execute(select(tables.transmitters))}
        columns = tables.readings.c
        query = select(columns.transmitter, columns.time_us, columns.reflected_w)
        return [(names[r.transmitter], r.time_us, r.reflected_w) for r in connection.execute(query)]


def told(store: Store, channel: str) -> list[dict[str, Any]]:
    """Events that a channel was told of, in order."""
    columns = tables.outbox.c
    with store.reading() as connection:
        query = select(columns.body).where(columns.channel == channel).order_by(columns.id)
        return [json.loads(body) for body in connection.execute(query).scalars()]


def mentions(events: list[dict[str, Any]]) -> list[tuple[str, str, str]]:
    """What events tell, alone or in a summary: transmitter, condition, severity."""
    alarms = [one for e in events for one in e["data"].get("alarms", [e["data"]])]
    return [(a["transmitter"] or "the site", a["condition"], a["severity"]) for a in alarms]


def changes(store: Store) -> list[tuple[str, str, str, int]]:
    """Place, condition, kind and time of each change in the history of alarms."""
    columns = tables.alarm_changes.c
    with store.reading() as connection:
        rows = connection.execute(
            select(tables.alarm_changes).order_by(columns.noted_us, columns.number)
        ).all()
    return [(f"{r.site}/{r.transmitter}", r.condition, r.kind, r.time_us) for r in rows]


@pytest.fixture
def service(store: Store) -> Service:
    """A fleet that has reported for a day and a half when one of its sites falls silent."""
    made = Service(store, LOST_US - 36 * HOUR_US)
    made.take(live((*BACK, *OTHERS), LOST_US - 36 * HOUR_US, LOST_US))
    return made


@pytest.mark.parametrize("order", ["oldest first", "shuffled", "newest first"])
def test_fourteen_days_come_back(service: Service, order: str) -> None:
    store = service.store
    before = len(stored(store))
    others = live(OTHERS, LOST_US, RETURN_US)
    service.take(others)
    assert [(c[0], c[1], c[2]) for c in changes(store)] == [("amber/", "site-unreachable", "raised")]

    backlog = kept_reports(order)
    half = len(backlog) // 2
    service.take(backlog[:half])
    # Killed and started again in the middle.
    service.begin()
    service.take(backlog[half:])
    for _ in range(3):
        service.pause()

    # Nothing lost, nothing doubled.
    now = stored(store)
    assert len(now) == len(set(now))
    wanted = expected(backlog) | expected(others)
    assert len(now) == before + len(wanted)
    assert wanted <= set(now)

    # No person is called for what is over; what stands is told once, and so are the site's loss and return.
    desk, log = told(store, "desk"), told(store, "log")
    assert "amber/a1" not in json.dumps(desk)
    assert sorted(mentions(desk)) == [
        ("a2", "swr-high", "critical"),
        ("a2", "swr-step", "major"),
        ("the site", "site-unreachable", "cleared"),
        ("the site", "site-unreachable", "major"),
    ]
    assert {e["data"]["site"] for e in log} == {"amber"}
    (bad,) = [
        e["data"] for e in log if e["data"]["condition"] == "swr-high" and e["data"]["transmitter"] == "a2"
    ]
    history = changes(store)
    assert [c[2] for c in history if c[1] == "site-unreachable"] == ["raised", "cleared"]
    if order == "oldest first":
        # The alarm says since when it was true; the history has what was over, with its true times.
        assert bad["time_raised"] == rfc3339(TENTH_US + 2 * EVERY_US)
        assert "came 4 days late" in bad["text"]
        of_a1 = [c[2:] for c in history if c[0] == "amber/a1" and c[1] == "swr-high"]
        # Both with the third reading that says so.
        third_us = 2 * EVERY_US
        assert of_a1 == [("raised", FIFTH_US + third_us), ("cleared", FIFTH_US + 3 * HOUR_US + third_us)]
    else:
        # Live reports were there before: they had told it already.
        assert bad["time_raised"] >= rfc3339(RETURN_US)
        assert not [c for c in history if c[0] == "amber/a1"]

    # Hours are those of all reports.
    end_us = RETURN_US
    with store.reading() as connection:
        sites = load_site_list(connection)
        kept = rollup_frame(connection, LOST_US - 36 * HOUR_US, end_us)
        readings = readings_between(
            connection, LOST_US - 36 * HOUR_US, end_us, 1 << 60, sites.position_of_key
        )
        assert connection.execute(select(func.count()).select_from(tables.late_days)).scalar_one() == 0
    hours = roll_up(in_order(readings))
    fleet = build_fleet(sites.rows, sites.keys, FleetDefaults())
    by_key = np.lexsort((hours.hour_us, fleet.key[hours.transmitter]))
    assert kept["hour_us"].tolist() == hours.hour_us[by_key].tolist()
    for name in ("reports", "usable", "rho_level", "forward_w"):
        assert kept[name].tolist() == getattr(hours, name)[by_key].tolist(), name


def in_arrays(messages: list[Arrived], most: int) -> list[tuple[str, bytes]]:
    """The reports of each topic put together, so many in a message, as a site does that has kept them."""
    by_topic: dict[str, list[bytes]] = {}
    for one in messages:
        by_topic.setdefault(one.topic, []).append(one.payload)
    return [
        (topic, b"[" + b",".join(parts[i : i + most]) + b"]")
        for topic, parts in by_topic.items()
        for i in range(0, len(parts), most)
    ]


def test_a_burst_through_a_real_broker_with_a_restart_in_its_middle(
    store: Store, broker: Any, connect_client: Any
) -> None:
    """20,160 old reports in arrays and one by one, a tenth twice, with live ones of other sites between."""
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(INVENTORY, "fleet.csv").rows, NOW_US)
    backlog = [m for m in kept_reports("shuffled") if m.topic.startswith("standingwatch/report/amber/")]
    others = live(OTHERS, RETURN_US, RETURN_US + 3 * HOUR_US)
    half = len(backlog) // 2
    messages = in_arrays(backlog[:half], 100) + [(m.topic, m.payload) for m in backlog[half:]]
    mixed = np.random.default_rng(4).permutation(len(messages)).tolist()
    stream = [messages[i] for i in mixed]
    every = len(stream) // len(others)
    for i, m in enumerate(others):
        stream.insert(i * (every + 1), (m.topic, m.payload))

    def begin() -> tuple[Intake, Metrics]:
        metrics = Metrics(CollectorRegistry())
        settings = IntakeSettings()
        writer = Writer(store, settings, FleetDefaults(), "standingwatch", metrics, lambda: RETURN_US)
        broker_settings = BrokerSettings(port=broker.port)
        intake = Intake(broker_settings, settings, writer, metrics, lambda: RETURN_US)
        intake.start()
        assert intake.connection.wait_connected(10)
        return intake, metrics

    intake, metrics = begin()
    client = connect_client(broker.port)
    infos = [client.publish(topic, payload, qos=1) for topic, payload in stream[: len(stream) // 2]]
    wanted = expected(backlog) | expected(others)
    until(lambda: metrics.readings_stored._value.get() > len(wanted) // 10, "a part is stored")
    intake.stop()
    infos += [client.publish(topic, payload, qos=1) for topic, payload in stream[len(stream) // 2 :]]
    for info in infos:
        info.wait_for_publish(30)
    intake, metrics = begin()
    until(lambda: len(stored(store)) >= len(wanted), "all are stored")
    intake.stop()
    now = stored(store)
    assert len(now) == len(set(now))
    assert set(now) == wanted
    assert not [s for f in metrics.reports_refused.collect() for s in f.samples if s.name.endswith("_total")]


def until(true: Callable[[], object], what: str) -> None:
    end = time.monotonic() + 60
    while not true():
        assert time.monotonic() < end, f"after 60 s still not: {what}"
        time.sleep(0.05)
