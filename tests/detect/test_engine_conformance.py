"""What every detector has to hold to: cuts, restarts, repeats and late readings change nothing."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.baseline import BaselineSettings
from standingwatch.detect.detectors import all_detectors
from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.interface import WHOLE_SITE, Detector, Finding
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings import Flag, Fleet, Readings
from standingwatch.rf import rho_from_swr
from standingwatch.watch.records import changed_records, layout_text, restore

INVENTORY = """\
site,transmitter,frequency_mhz,rated_power_w,feeder_loss_db,expected_interval_s
amber,a1,446,100,1,900
amber,a2,447,100,,900
birch,b1,446,100,0.5,900
birch,b2,447,100,2,900
cedar,c1,446,100,1,900
"""
START_US = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
MINUTE_US = 60_000_000
DAYS = 8
SETTINGS = DetectionSettings(baseline=BaselineSettings(full_days=3))
NAMES = tuple(d.name for d in all_detectors(SETTINGS.detectors))


@pytest.fixture(params=["all", *NAMES])
def detectors(request: pytest.FixtureRequest) -> tuple[Detector, ...]:
    """All detectors together, and each alone."""
    return tuple(d for d in all_detectors(SETTINGS.detectors) if request.param in ("all", d.name))


@pytest.fixture
def fleet(fleet_of: Callable[[str], Fleet]) -> Fleet:
    return fleet_of(INVENTORY)


@pytest.fixture
def stream(fleet: Fleet, stream_of: Callable[..., Readings]) -> Readings:
    """a1 rises slowly, a2 steps up and back, b2 falls silent, then all of birch; c1 is unkeyed and away."""
    rng = np.random.default_rng(4)
    parts = []
    for owner in range(5):
        time_us = START_US + np.arange(DAYS * 96) * 15 * MINUTE_US
        time_us = time_us + rng.integers(0, MINUTE_US, len(time_us))
        day = (time_us - START_US) / (1440 * MINUTE_US)
        swr = np.full(len(time_us), 1.2)
        if owner == 0:
            swr += np.clip(day - 3, 0, None) * 0.2
        if owner == 1:
            swr[(day > 5) & (day < 5.5)] = 3.4
        rho = np.abs(rho_from_swr(swr) + rng.normal(0, 0.004, len(swr)))
        forward_w = np.round(100 + rng.normal(0, 1, len(swr)), 1)
        reflected_w = np.round(forward_w * rho**2, 2)
        if owner == 4:
            forward_w[day > 2], reflected_w[day > 2] = 0.0, 0.0
        away = np.zeros(len(swr), dtype=bool)
        if owner in (2, 3):
            away |= (day > 6) & (day < 6.5)
        if owner == 3:
            away |= (day > 1.2) & (day < 1.6)
        if owner == 4:
            away |= (day > 4) & (day < 4.3)
        parts.append((np.full(len(swr), owner), time_us, forward_w, reflected_w, ~away))
    columns = [np.concatenate([p[i][p[4]] for p in parts]) for i in range(4)]
    return stream_of(fleet, *columns)


def seen(findings: list[Finding]) -> list[tuple[Any, ...]]:
    """All of a finding, in an order that does not depend on the blocks."""
    return sorted(
        (f.time_us, f.site, f.transmitter, f.condition, f.severity, repr(f.evidence), f.causes)
        for f in findings
    )


def _same_records(one: Any, other: Any, where: str) -> None:
    """Equal field by field, so that a difference has a name."""
    if one.dtype.names is None:
        assert np.array_equal(one, other, equal_nan=one.dtype.kind == "f"), where
        return
    for name in one.dtype.names:
        _same_records(one[name], other[name], f"{where}.{name}")


def same_end(one: Engine, other: Engine) -> None:
    """Both engines ended in the same state, bit for bit."""
    for part, state in one.parts().items():
        _same_records(state, other.parts()[part], part)
    assert one.closed_until_us == other.closed_until_us
    assert np.array_equal(
        one.pending.sorted_by_transmitter().time_us, other.pending.sorted_by_transmitter().time_us
    )


def random_cuts(readings: Readings, rng: np.random.Generator, pieces: int) -> list[int]:
    """Places to cut, never between readings of the same time."""
    apart = np.flatnonzero(np.diff(readings.time_us) > 0) + 1
    return sorted(rng.choice(apart, size=min(pieces, len(apart)), replace=False).tolist())


def test_the_stream_has_what_the_suite_is_about(fleet: Fleet, stream: Readings, judge: Any) -> None:
    findings, _, _ = judge(fleet, stream, settings=SETTINGS)
    told = {(f.condition, f.transmitter, f.severity) for f in findings}
    assert {
        (Condition.SWR_RISING, 0, Severity.MINOR),
        (Condition.SWR_HIGH, 1, Severity.CRITICAL),
        (Condition.SWR_HIGH, 1, Severity.CLEARED),
        (Condition.REPORTS_MISSING, 3, Severity.MINOR),
        (Condition.REPORTS_MISSING, 3, Severity.CLEARED),
        (Condition.SITE_UNREACHABLE, WHOLE_SITE, Severity.MAJOR),
        (Condition.SITE_UNREACHABLE, WHOLE_SITE, Severity.CLEARED),
        (Condition.REPORTS_MISSING, 4, Severity.MINOR),
    } <= told


@pytest.mark.parametrize(("seed", "pieces"), [(1, 1), (2, 3), (3, 12), (4, 60), (5, 400), (6, 3000)])
def test_cuts_change_nothing(
    fleet: Fleet,
    stream: Readings,
    judge: Any,
    detectors: tuple[Detector, ...],
    seed: int,
    pieces: int,
) -> None:
    whole, whole_engine, whole_steps = judge(fleet, stream, detectors=detectors, settings=SETTINGS)
    cuts = random_cuts(stream, np.random.default_rng(seed), pieces)
    cut, cut_engine, cut_steps = judge(fleet, stream, cuts=cuts, detectors=detectors, settings=SETTINGS)
    assert seen(cut) == seen(whole)
    assert whole
    same_end(cut_engine, whole_engine)

    def learned(steps: Any) -> list[Any]:
        return sorted((b.transmitter, b.time_us, b.kind, repr(b.rho)) for s in steps for b in s.baselines)

    assert learned(cut_steps) == learned(whole_steps)


def test_restart_in_mid_stream_changes_nothing(
    fleet: Fleet, stream: Readings, judge: Any, detectors: tuple[Detector, ...]
) -> None:
    since = int(stream.time_us[0])
    whole, whole_engine, _ = judge(fleet, stream, detectors=detectors, settings=SETTINGS)
    kept: dict[tuple[str, str, str], bytes] = {}
    findings: list[Finding] = []
    closed, begin, layout = 0, 0, ""
    for end in [*random_cuts(stream, np.random.default_rng(9), 25), len(stream)]:
        engine = Engine(fleet, SETTINGS, detectors)
        if layout:
            restore(engine, layout, kept)
            engine.closed_until_us = closed
            # As from the store: all that came before, of hours that are still open, in another order.
            before = stream.take(slice(0, begin))
            engine.pending = before.take(before.time_us >= closed).sorted_by_transmitter()
        block = stream.take(slice(begin, end))
        result = engine.step(block, since_us=since, until_us=int(stream.time_us[end - 1]))
        findings += result.findings
        for part, site, name, record in changed_records(engine, result.touched):
            kept[part, site, name] = record
        closed, begin, layout = engine.closed_until_us, end, layout_text(engine)
    assert seen(findings) == seen(whole)
    same_end(engine, whole_engine)


def test_repeated_and_late_readings_change_no_finding(
    fleet: Fleet, stream: Readings, judge: Any, detectors: tuple[Detector, ...]
) -> None:
    whole, _, _ = judge(fleet, stream, detectors=detectors, settings=SETTINGS)
    rng = np.random.default_rng(12)
    engine = Engine(fleet, SETTINGS, detectors)
    findings: list[Finding] = []
    edges = [0, *random_cuts(stream, rng, 40), len(stream)]
    for begin, end in itertools.pairwise(edges):
        again = stream.take(rng.integers(0, end, 50))
        # Older than the newest of its transmitter, of a time that was never reported, and alarming.
        early = stream.take(np.flatnonzero(np.arange(len(stream)) < begin)[-300::7])
        early = replace(
            early,
            time_us=early.time_us - 7,
            reflected_w=early.forward_w * 0.9,
            flags=early.flags | int(Flag.LATE),
        )
        block = Readings.concatenate([stream.take(slice(begin, end)), again])
        until = int(stream.time_us[end - 1])
        findings += engine.step(block, since_us=int(stream.time_us[0]), until_us=until).findings
        closed = early.take(early.time_us < engine.closed_until_us)
        findings += engine.step(closed, since_us=int(stream.time_us[0]), until_us=until).findings
    assert seen(findings) == seen(whole)


def test_late_readings_without_a_flag_are_late_all_the_same(
    fleet: Fleet, stream: Readings, judge: Any, detectors: tuple[Detector, ...]
) -> None:
    _whole, engine, _ = judge(fleet, stream, detectors=detectors, settings=SETTINGS)
    before = {part: state.tobytes() for part, state in engine.parts().items()}
    late = stream.take(slice(100, 400))
    late = replace(late, time_us=late.time_us + 1, reflected_w=late.forward_w)
    result = engine.step(late, since_us=int(stream.time_us[0]), until_us=int(stream.time_us[-1]))
    assert result.findings == []
    assert {part: state.tobytes() for part, state in engine.parts().items()} == before


@pytest.mark.parametrize(
    ("reflected_w", "swr"),
    [(100.0, np.inf), (110.0, np.inf), (124.9, np.inf), (99.9, None)],
    ids=["equal", "slightly above", "above", "just below"],
)
def test_total_reflection_is_critical_and_evidence_is_never_nan(
    fleet: Fleet,
    stream_of: Callable[..., Readings],
    judge: Any,
    reflected_w: float,
    swr: float | None,
) -> None:
    readings = stream_of(fleet, 0, START_US + np.arange(6) * 15 * MINUTE_US, 100.0, reflected_w)
    findings, _, _ = judge(fleet, readings)
    (found,) = [f for f in findings if f.condition is Condition.SWR_HIGH]
    assert found.severity is Severity.CRITICAL
    assert found.time_us == readings.time_us[2]
    got = found.evidence["swr"]
    assert isinstance(got, float)
    assert got == swr if swr is not None else 1000 < got < np.inf
    assert not [k for k, v in found.evidence.items() if isinstance(v, float) and np.isnan(v)]


def test_reflected_far_above_forward_is_a_fault_of_the_measurement(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    readings = stream_of(fleet, 0, START_US + np.arange(20) * 15 * MINUTE_US, 100.0, 130.0)
    findings, _, _ = judge(fleet, readings)
    assert [f for f in findings if f.condition is Condition.SWR_HIGH] == []


def test_no_reflected_power_is_a_perfect_match(
    fleet: Fleet, stream_of: Callable[..., Readings], judge: Any
) -> None:
    readings = stream_of(fleet, 4, START_US + np.arange(200) * 15 * MINUTE_US + np.arange(200), 100.0, 0.0)
    findings, engine, steps = judge(fleet, readings)
    assert findings == []
    assert engine.quick["limits"]["last_swr"][4] == 1.0
    (baseline,) = [b for s in steps for b in s.baselines]
    assert baseline.rho == 0.0
