"""What every detector has to hold to: cuts, restarts, repeats and late readings change nothing."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.detect.baseline import BaselineSettings
from standingwatch.detect.bursts import BurstSettings
from standingwatch.detect.detectors import DetectorSettings, all_detectors
from standingwatch.detect.engine import DetectionSettings, Engine, Links
from standingwatch.detect.feeder import FeederSettings
from standingwatch.detect.interface import WHOLE_SITE, BaselineChange, Detector, Finding, Maintenance
from standingwatch.detect.wet import WetSettings
from standingwatch.detect.words import SERVICE_CONDITIONS, Cause, Condition, Severity
from standingwatch.readings import Flag, Fleet, Readings
from standingwatch.rf import rho_from_swr
from standingwatch.watch.records import all_records, changed_records, layout_text, restore

INVENTORY = """\
site,transmitter,frequency_mhz,antenna_line,region,feeder_loss_db,foldback_swr,expected_interval_s
amber,rises,446,,north,1,,1800
amber,steps,447,,north,,,1800
amber,retuned,448,,north,1,,1800
birch,one,446,top,north,0.5,,1800
birch,two,447,top,north,0.5,,1800
birch,three,448,top,north,0.5,,1800
cedar,silent,446,,north,1,,1800
cedar,away,447,,north,1,,1800
dune,bursts,446,,north,1,,1800
dune,improves,447,,north,1,,1800
elm,ages,446,,north,1,,1800
elm,folds,447,,north,1,2.2,1800
elm,meter,448,,north,1,,1800
fir,iced,446,,south,1,,1800
fir,idle,447,,south,1,,1800
gorse,soaked,446,,south,1,,1800
gorse,hops,447,,south,1,,1800
"""
NAMES_OF = [row.split(",")[1] for row in INVENTORY.splitlines()[1:]]
AT = {name: i for i, name in enumerate(NAMES_OF)}
START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
MINUTE_US = 60_000_000
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US
DAYS = 20
PER_DAY = 48
SETTINGS = DetectionSettings(
    baseline=BaselineSettings(full_days=4),
    detectors=DetectorSettings(
        bursts=BurstSettings(days_to_clear=5),
        feeder=FeederSettings(days_many=8),
        wet=WetSettings(days_to_clear=5),
    ),
)
NAMES = tuple(d.name for d in all_detectors(SETTINGS.detectors))
#: A condition that each detector tells in the stream.
TELLS = {
    "limits": {Condition.SWR_HIGH},
    "step": {Condition.SWR_STEP},
    "rising": {Condition.SWR_RISING},
    "feeder": {Condition.FEEDER_LOSS_RISING},
    "bursts": {Condition.SWR_INTERMITTENT},
    "wet": {Condition.SWR_WEATHER},
    "power": {Condition.FORWARD_POWER_LOW},
    "foldback": {Condition.FOLDBACK_ACTIVE},
    "silence": {Condition.REPORTS_MISSING, Condition.SITE_UNREACHABLE},
    "measurement": {Condition.MEASUREMENT_SUSPECT},
}
WORK = Maintenance(
    np.array([AT["retuned"], AT["steps"]]),
    START_US + np.array([10.3 * DAY_US, 15.1 * DAY_US]).astype(np.int64),
    START_US + np.array([10.53 * DAY_US, 15.2 * DAY_US]).astype(np.int64),
    np.array([True, False]),
)


@dataclass(frozen=True)
class Stream:
    """Readings in order of time, and the link reports of the same time."""

    readings: Readings
    links: Links

    def upto(self, count: int) -> Stream:
        """The first of them."""
        return Stream(self.readings.take(slice(0, count)), self.links)


def in_the_rain(day: Any) -> Any:
    """It rains for five hours, on every second day and from day 7 on every day."""
    every = np.where(day < 7, 2.0, 1.0)
    return (day - 0.2) % every < 5 / 24


def freezes(day: Any) -> Any:
    return (day > 12.3) & (day < 14.2)


def rho_of(name: str, day: Any) -> Any:
    rho = np.full(len(day), rho_from_swr(1.2))
    later = np.clip(day - 6, 0, None)
    if name == "rises":
        rho += 0.02 * later
    if name == "steps":
        rho[(day > 8.3) & (day < 8.8)] = 0.55
        rho[(day > 15.1) & (day < 15.2)] = 0.55
    if name == "retuned":
        rho[day > 10.4] = 0.17
    if name in ("one", "two", "three"):
        rho += 0.02 * np.clip(day - {"one": 6.0, "two": 6.5, "three": 9.0}[name], 0, 8)
        rho[(day > 16.3) & (day < 16.7)] = 0.6
    if name == "bursts":
        rho[(day > 5) & (day < 12) & (day % 1 > 0.4) & (day % 1 < 0.52)] += 0.35
    if name == "improves":
        rho += 0.15 - 0.02 * np.clip(day - 4, 0, 5) * (day < 14.5)
    if name == "folds":
        rho[(day > 9.2) & (day < 10.1)] = 0.4
    if name == "meter":
        rho[(day > 9.2) & (day < 13.4)] = 1.4
    if name == "iced":
        rho[freezes(day) & (day > 12.6)] = 0.45
    if name == "soaked":
        rho += np.where(in_the_rain(day), np.where(day < 7, 0.02, 0.25), 0.0)
    if name == "hops":
        rho += np.where(hops(day), 0.12, 0.0)
    return rho


def hops(day: Any) -> Any:
    return np.floor(day * 6) % 2 == 0


def forward_of(name: str, day: Any) -> Any:
    forward = np.full(len(day), 95.0)
    if name == "ages":
        forward *= 10 ** (-0.03 * np.clip(day - 5, 0, None) * (day < 14.5))
    if name == "folds":
        forward[(day > 9.2) & (day < 10.1)] = 50.0
    if name == "idle":
        forward[:] = 0.0
    return forward


def away(name: str, day: Any) -> Any:
    missing = np.zeros(len(day), dtype=bool)
    if name == "silent":
        missing |= (day > 3.2) & (day < 3.7)
    if name in ("silent", "away"):
        missing |= (day > 9.1) & (day < 9.6)
    if name == "iced":
        missing |= (day > 17) & (day < 17.4)
    if name == "retuned":
        # Heard again when the hour in which the work ended has closed.
        missing |= (day > 10.525) & (day < 10.55)
    return missing


@pytest.fixture(scope="module")
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    return fleet_of(INVENTORY)


@pytest.fixture(scope="module")
def stream(fleet: Fleet, stream_of: Callable[..., Readings]) -> Stream:
    """Something for each detector. Those of birch share a line and report at the same times."""
    rng = np.random.default_rng(4)
    parts: dict[str, list[Any]] = {}
    for owner, name in enumerate(NAMES_OF):
        time_us = START_US + np.arange(DAYS * PER_DAY) * 30 * MINUTE_US
        if fleet.site[owner] == "birch":
            time_us = time_us + 77
        else:
            time_us = time_us + rng.integers(0, MINUTE_US, len(time_us))
        day = (time_us - START_US) / DAY_US
        rho = np.abs(rho_of(name, day) + rng.normal(0, 0.004, len(day)))
        forward_w = np.round(forward_of(name, day) * rng.normal(1, 0.01, len(day)), 1)
        south = fleet.region[owner] == "south"
        precipitation = np.where(in_the_rain(day), 2.0, 0.0) if name == "soaked" else np.zeros(len(day))
        if fleet.site[owner] == "fir":
            precipitation = np.where(freezes(day) & (day < 12.9), 1.0, 0.0)
        temperature = np.where(freezes(day), -3.0, 9.0) + np.sin(2 * np.pi * day)
        columns = {
            "transmitter": np.full(len(day), owner),
            "time_us": time_us,
            "forward_w": forward_w,
            "reflected_w": np.round(forward_w * rho**2, 2),
            "precipitation": precipitation if south else np.full(len(day), np.nan),
            "ambient_temperature_c": temperature if south else np.full(len(day), np.nan),
            "channel": np.where((name == "hops") & hops(day), "c2", "" if name != "hops" else "c1").astype(
                object
            ),
            "foldback": np.where((name == "folds") & (day > 14.2) & (day < 14.6), 1.0, np.nan),
        }
        kept = ~away(name, day)
        for column, values in columns.items():
            parts.setdefault(column, []).append(values[kept])
    joined = {column: np.concatenate(values) for column, values in parts.items()}
    readings = stream_of(fleet, *(joined.pop(c) for c in list(joined)[:4]), **joined)
    cedar = fleet.site_names.index("cedar")
    link_us = START_US + np.array([13.2, 13.21, 18.4, 18.9]) * DAY_US
    links = Links(np.full(4, cedar), link_us.astype(np.int64), np.array([False, True, False, True]))
    return Stream(readings, links)


@dataclass
class Ran:
    """An engine that has seen a stream, and what it said."""

    engine: Engine
    findings: list[Finding]
    baselines: list[BaselineChange]


def feed(engine: Engine, stream: Stream, edges: Sequence[int], begin_us: int = -1) -> Ran:
    """Give an engine a stream in pieces; a cut between readings of one time says that more will come."""
    ran = Ran(engine, [], [])
    readings, since_us = stream.readings, int(stream.readings.time_us[0])
    before_us = begin_us
    for begin, end in itertools.pairwise(edges):
        until_us = until_of(readings, end)
        linked = (stream.links.time_us > before_us) & (stream.links.time_us <= until_us)
        links = Links(
            *(column[linked] for column in (stream.links.site, stream.links.time_us, stream.links.online))
        )
        result = engine.step(
            readings.take(slice(begin, end)),
            since_us=since_us,
            until_us=until_us,
            links=links,
            maintenance=WORK,
        )
        ran.findings += result.findings
        ran.baselines += result.baselines
        before_us = until_us
    return ran


def until_of(readings: Readings, end: int) -> int:
    """Up to when everything has been seen with the first `end` readings."""
    last = int(readings.time_us[end - 1])
    more = end < len(readings) and int(readings.time_us[end]) == last
    return last - 1 if more else last


def only(name: str) -> tuple[Detector, ...]:
    """One detector, or all."""
    return tuple(d for d in all_detectors(SETTINGS.detectors) if name in ("all", d.name))


@pytest.fixture(scope="module", params=["all", *NAMES])
def name(request: pytest.FixtureRequest) -> str:
    """All detectors together, and each alone."""
    chosen: str = request.param
    return chosen


@pytest.fixture(scope="module")
def whole(fleet: Fleet, stream: Stream, name: str) -> Ran:
    """What comes of the stream in one piece."""
    return feed(Engine(fleet, SETTINGS, only(name)), stream, [0, len(stream.readings)])


def seen(findings: list[Finding]) -> list[tuple[Any, ...]]:
    """All of a finding, in an order that does not depend on the blocks."""
    return sorted(
        (
            f.time_us,
            f.site,
            f.transmitter,
            f.region,
            f.condition,
            f.severity,
            f.members,
            *map(repr, (f.evidence, f.causes, f.forecast)),
        )
        for f in findings
    )


def learned(baselines: list[BaselineChange]) -> list[tuple[Any, ...]]:
    return sorted(
        (b.transmitter, b.time_us, b.kind, repr(b.rho), repr(b.spread), b.reason) for b in baselines
    )


def _same_records(one: Any, other: Any, where: str) -> None:
    """Equal field by field, so that a difference has a name."""
    if one.dtype.names is None:
        assert np.array_equal(one, other, equal_nan=one.dtype.kind == "f"), where
        return
    for field in one.dtype.names:
        _same_records(one[field], other[field], f"{where}.{field}")


def same_end(one: Engine, other: Engine) -> None:
    """Both engines ended in the same state, field by field and as the store would keep it."""
    for part, state in one.parts().items():
        _same_records(state, other.parts()[part], part)
    assert dict_of(one) == dict_of(other)
    assert one.closed_until_us == other.closed_until_us
    assert np.array_equal(
        one.pending.sorted_by_transmitter().time_us, other.pending.sorted_by_transmitter().time_us
    )


def dict_of(engine: Engine) -> dict[tuple[str, str, str], int]:
    """Lengths of all records by key: every transmitter and site has each of its parts once."""
    records = list(all_records(engine))
    kept = {(part, site, transmitter): len(record) for part, site, transmitter, record in records}
    assert len(kept) == len(records)
    return kept


def same(one: Ran, other: Ran) -> None:
    assert seen(one.findings) == seen(other.findings)
    assert learned(one.baselines) == learned(other.baselines)
    same_end(one.engine, other.engine)


def random_edges(readings: Readings, rng: np.random.Generator, pieces: int) -> list[int]:
    """Places to cut, anywhere."""
    inside = rng.choice(np.arange(1, len(readings)), size=min(pieces, len(readings) - 1), replace=False)
    return [0, *sorted(inside.tolist()), len(readings)]


# The stream -------------------------------------------------------------------------------------------------


def test_the_stream_makes_every_detector_speak(whole: Ran, name: str) -> None:
    told = {f.condition for f in whole.findings}
    wanted = set(Condition) - SERVICE_CONDITIONS if name == "all" else TELLS[name]
    assert told == wanted
    assert Severity.CLEARED in {f.severity for f in whole.findings}


def test_the_stream_has_what_the_suite_is_about(fleet: Fleet, stream: Stream) -> None:
    ran = feed(Engine(fleet, SETTINGS), stream, [0, len(stream.readings)])
    told = {(f.condition, f.transmitter) for f in ran.findings}
    assert {
        (Condition.SWR_RISING, AT["rises"]),
        (Condition.SWR_HIGH, AT["steps"]),
        (Condition.SWR_STEP, AT["steps"]),
        (Condition.REPORTS_MISSING, AT["silent"]),
        (Condition.SITE_UNREACHABLE, WHOLE_SITE),
        (Condition.SWR_INTERMITTENT, AT["bursts"]),
        (Condition.FEEDER_LOSS_RISING, AT["improves"]),
        (Condition.FORWARD_POWER_LOW, AT["ages"]),
        (Condition.FOLDBACK_ACTIVE, AT["folds"]),
        (Condition.MEASUREMENT_SUSPECT, AT["meter"]),
        (Condition.SWR_WEATHER, AT["iced"]),
        (Condition.SWR_WEATHER, AT["soaked"]),
    } <= told
    assert {f.transmitter for f in ran.findings}.isdisjoint({AT["idle"], AT["retuned"], AT["hops"]})
    assert {f.causes[0].cause for f in ran.findings if f.causes} >= {Cause.ICE, Cause.WATER}
    groups = [f for f in ran.findings if f.members]
    birch = tuple(AT[n] for n in ("one", "two", "three"))
    assert {f.condition for f in groups} >= {Condition.SWR_RISING, Condition.SWR_HIGH}
    assert {f.members for f in groups} >= {birch}
    assert {"provisional", "full", "opened"} == {b.kind for b in ran.baselines}
    # Readings of one time on a shared line, which a cut may part.
    time_us = stream.readings.time_us
    assert (np.diff(time_us) == 0).sum() > 1000


# Cuts -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seed", "pieces"), [(1, 1), (2, 5), (3, 25), (4, 120)])
def test_cuts_change_nothing(
    fleet: Fleet, stream: Stream, whole: Ran, name: str, seed: int, pieces: int
) -> None:
    edges = random_edges(stream.readings, np.random.default_rng(seed), pieces)
    same(feed(Engine(fleet, SETTINGS, only(name)), stream, edges), whole)


def test_hundreds_of_cuts_change_nothing(fleet: Fleet, stream: Stream) -> None:
    edges = random_edges(stream.readings, np.random.default_rng(6), 1500)
    whole = feed(Engine(fleet, SETTINGS), stream, [0, len(stream.readings)])
    same(feed(Engine(fleet, SETTINGS), stream, edges), whole)


def test_a_cut_between_readings_of_one_time_changes_nothing(fleet: Fleet, stream: Stream) -> None:
    """Around the hours in which the shared line steps, each cut parts readings of one time."""
    time_us = stream.readings.time_us
    together = np.flatnonzero(np.diff(time_us) == 0) + 1
    day = (time_us[together] - START_US) / DAY_US
    near = together[((day > 16.2) & (day < 16.8)) | (day % 1 < 0.03)]
    assert len(near) > 50
    whole = feed(Engine(fleet, SETTINGS), stream, [0, len(stream.readings)])
    same(feed(Engine(fleet, SETTINGS), stream, [0, *near.tolist(), len(stream.readings)]), whole)


#: Readings of the first ten days and some more.
BEGIN = 9_000


@pytest.fixture(scope="module")
def begun(fleet: Fleet, stream: Stream) -> Ran:
    """What comes of the begin of the stream in one piece."""
    return feed(Engine(fleet, SETTINGS), stream.upto(BEGIN), [0, BEGIN])


@given(inside=st.lists(st.integers(1, BEGIN - 1), max_size=12, unique=True))
@settings(max_examples=12)
def test_any_cuts_change_nothing(fleet: Fleet, stream: Stream, begun: Ran, inside: list[int]) -> None:
    edges = [0, *sorted(inside), BEGIN]
    same(feed(Engine(fleet, SETTINGS), stream.upto(BEGIN), edges), begun)


# Restarts and repeats ---------------------------------------------------------------------------------------


def test_restart_in_mid_stream_changes_nothing(fleet: Fleet, stream: Stream, whole: Ran, name: str) -> None:
    kept: dict[tuple[str, str, str], bytes] = {}
    ran = Ran(whole.engine, [], [])
    readings = stream.readings
    closed, before_us, layout = 0, -1, ""
    edges = random_edges(readings, np.random.default_rng(9), 25)
    for begin, end in itertools.pairwise(edges):
        engine = Engine(fleet, SETTINGS, only(name))
        if layout:
            restore(engine, layout, kept)
            engine.closed_until_us = closed
            # As from the store: all that came before, of hours that are still open, in another order.
            before = readings.take(slice(0, begin))
            engine.pending = before.take(before.time_us >= closed).sorted_by_transmitter()
        until_us = until_of(readings, end)
        linked = (stream.links.time_us > before_us) & (stream.links.time_us <= until_us)
        result = engine.step(
            readings.take(slice(begin, end)),
            since_us=int(readings.time_us[0]),
            until_us=until_us,
            links=Links(stream.links.site[linked], stream.links.time_us[linked], stream.links.online[linked]),
            maintenance=WORK,
        )
        ran.engine = engine
        ran.findings += result.findings
        ran.baselines += result.baselines
        for part, site, transmitter, record in changed_records(engine, result.touched):
            kept[part, site, transmitter] = record
        closed, before_us, layout = engine.closed_until_us, until_us, layout_text(engine)
    same(ran, whole)


def test_repeated_and_late_readings_change_no_finding(
    fleet: Fleet, stream: Stream, whole: Ran, name: str
) -> None:
    rng = np.random.default_rng(12)
    engine = Engine(fleet, SETTINGS, only(name))
    findings: list[Finding] = []
    readings, before_us = stream.readings, -1
    since_us = int(readings.time_us[0])
    for begin, end in itertools.pairwise(random_edges(readings, rng, 30)):
        # Any of what came, and with it the newest of each.
        places = np.r_[rng.integers(0, end, 50), np.arange(max(begin - 30, 0), begin)]
        again = readings.take(places)
        # Older than the newest of its transmitter, of a time that was never reported, and alarming.
        early = readings.take(np.flatnonzero(np.arange(len(readings)) < begin)[-300::7])
        early = replace(
            early,
            time_us=early.time_us - 7,
            reflected_w=early.forward_w * 0.9,
            flags=early.flags | int(Flag.LATE),
        )
        until_us = until_of(readings, end)
        linked = (stream.links.time_us > before_us) & (stream.links.time_us <= until_us)
        links = Links(stream.links.site[linked], stream.links.time_us[linked], stream.links.online[linked])
        block = Readings.concatenate([readings.take(slice(begin, end)), again])
        findings += engine.step(
            block, since_us=since_us, until_us=until_us, links=links, maintenance=WORK
        ).findings
        closed = early.take(early.time_us < engine.closed_until_us)
        findings += engine.step(closed, since_us=since_us, until_us=until_us, maintenance=WORK).findings
        before_us = until_us
    assert seen(findings) == seen(whole.findings)
    for part, state in engine.parts().items():
        _same_records(state, whole.engine.parts()[part], part)


def test_late_readings_without_a_flag_are_late_all_the_same(fleet: Fleet, stream: Stream) -> None:
    readings = stream.readings
    engine = feed(Engine(fleet, SETTINGS), stream, [0, len(readings)]).engine
    before = {part: state.tobytes() for part, state in engine.parts().items()}
    late = readings.take(slice(100, 900))
    late = replace(late, time_us=late.time_us + 1, reflected_w=late.forward_w)
    result = engine.step(
        late, since_us=int(readings.time_us[0]), until_us=int(readings.time_us[-1]), maintenance=WORK
    )
    assert result.findings == []
    assert {part: state.tobytes() for part, state in engine.parts().items()} == before


# Gaps and idle transmitters ---------------------------------------------------------------------------------


def test_months_without_readings(fleet: Fleet, stream: Stream) -> None:
    """Longer than the days that are remembered: what stood before is not mistaken for the last days."""
    head, tail = stream.upto(8_000).readings, stream.upto(3_000).readings
    gap_us = 150 * DAY_US
    readings = Readings.concatenate([head, replace(tail, time_us=tail.time_us + gap_us)])
    split = Stream(readings, Links.none())
    whole = feed(Engine(fleet, SETTINGS), split, [0, len(readings)])
    edges = random_edges(readings, np.random.default_rng(7), 20)
    same(feed(Engine(fleet, SETTINGS), split, edges), whole)
    # In the middle of the gap, as a clock that goes on shows it.
    engine = Engine(fleet, SETTINGS)
    ran = feed(engine, Stream(head, Links.none()), [0, len(head)])
    for days in (1, 3, 60, 130):
        until_us = int(head.time_us[-1]) + days * DAY_US
        result = engine.step(Readings.empty(), since_us=START_US, until_us=until_us, maintenance=WORK)
        ran.findings += result.findings
        if days > 3:
            assert {f.severity for f in result.findings} <= {Severity.CLEARED}
    rest = Stream(readings.take(slice(len(head), len(readings))), Links.none())
    ran.findings += feed(engine, rest, [0, len(rest.readings)]).findings
    assert seen(ran.findings) == seen(whole.findings)
    _same_records(engine.slow, whole.engine.slow, "slow")
    after = [f for f in whole.findings if f.time_us > START_US + gap_us]
    assert after
    assert Condition.SITE_UNREACHABLE in {f.condition for f in after}


def test_transmitters_that_never_key_say_nothing(fleet: Fleet, stream_of: Callable[..., Readings]) -> None:
    n = len(fleet)
    time_us = np.repeat(START_US + np.arange(6 * PER_DAY) * 30 * MINUTE_US, n)
    owner = np.tile(np.arange(n), 6 * PER_DAY)
    # What leaks through reads as a total reflection; it says nothing.
    readings = stream_of(fleet, owner, time_us, 0.01, 0.01, keyed=0.0)
    whole = feed(Engine(fleet, SETTINGS), Stream(readings, Links.none()), [0, len(readings)])
    assert whole.findings == []
    assert whole.baselines == []
    edges = random_edges(readings, np.random.default_rng(7), 40)
    same(feed(Engine(fleet, SETTINGS), Stream(readings, Links.none()), edges), whole)


def test_no_evidence_of_any_detector_is_nan(fleet: Fleet, stream: Stream) -> None:
    ran = feed(Engine(fleet, SETTINGS), stream, [0, len(stream.readings)])
    wrong = [
        (f.condition, k)
        for f in ran.findings
        for k, v in f.evidence.items()
        if isinstance(v, float) and np.isnan(v)
    ]
    assert wrong == []
