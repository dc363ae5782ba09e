"""Blocks cut at awkward moments, and other edges: each of these once gave a wrong or another answer."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.baseline import Baselines
from standingwatch.detect.engine import DetectionSettings, Engine
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Condition, Severity
from standingwatch.rf import rho_from_swr

START_US = 1_767_225_600_000_000
HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
HEAD = "site,transmitter,frequency_mhz,antenna_line,region,expected_interval_s\n"


def work(*ends: float) -> Maintenance:
    end = START_US + np.round(np.array(ends) * DAY_US).astype(np.int64)
    return Maintenance(
        np.zeros(len(end), dtype=np.int64), end - 2 * HOUR_US, end, np.ones(len(end), dtype=bool)
    )


def run(fleet: Any, readings: Any, edges: Any, **more: Any) -> Any:
    """Findings and baselines; until is one microsecond less where readings of the same time are to come."""
    engine = Engine(fleet, DetectionSettings())
    findings, baselines = [], []
    for a, b in itertools.pairwise(edges):
        until = int(readings.time_us[b - 1])
        if b < len(readings) and readings.time_us[b] == until:
            until -= 1
        result = engine.step(readings.take(slice(a, b)), since_us=START_US, until_us=until, **more)
        findings += result.findings
        baselines += result.baselines

    def key(f: Any) -> Any:
        return (f.time_us, f.site, f.transmitter, f.region, f.condition, f.severity, f.members)

    return sorted(map(key, findings)), sorted((b.transmitter, b.time_us, b.kind) for b in baselines)


def hourly(readings: Any) -> list[int]:
    """Edges at every change of the hour."""
    hour = readings.time_us // HOUR_US
    return [0, *(np.flatnonzero(np.diff(hour)) + 1).tolist(), len(readings)]


def test_the_old_baseline_ends_with_the_visit(line: Any, tell: Any) -> None:
    """Not only once the hour of its end has closed."""

    def rho(day: Any, _: int) -> Any:
        return np.where(day < 20.45, 0.1, 0.36)

    visit = work(20.5)
    told = tell(line(expected_interval_s=600), rho, 22, every_s=600, maintenance=visit)
    assert told.of(Condition.SWR_STEP) == []
    one = run(told.engine.fleet, told.readings, [0, len(told.readings)], maintenance=visit)
    cut = run(told.engine.fleet, told.readings, hourly(told.readings), maintenance=visit)
    assert cut == one


def test_two_visits_that_end_on_one_day(line: Any, tell: Any) -> None:
    visit = work(20.25, 20.6)
    told = tell(line(), 0.1, 22, maintenance=visit)
    one = run(told.engine.fleet, told.readings, [0, len(told.readings)], maintenance=visit)
    cut = run(told.engine.fleet, told.readings, hourly(told.readings), maintenance=visit)
    assert cut == one


def test_a_reading_at_the_very_close_of_an_hour(line: Any, tell: Any) -> None:
    """Reports every ten minutes fall on the hour's end and grace."""
    fleet = line(expected_interval_s=600)
    told = tell(fleet, lambda day, _: np.where(day < 0.25, 0.1, 0.2 + 0.2 * (day > 0.2567)), 1, every_s=600)
    readings = told.readings
    one = Engine(fleet, DetectionSettings())
    one.step(readings, since_us=START_US, until_us=int(readings.time_us[-1]))
    cut = Engine(fleet, DetectionSettings())
    for i in range(len(readings)):
        cut.step(readings.take(slice(i, i + 1)), since_us=START_US, until_us=int(readings.time_us[i]) - 1)
    cut.step(readings.take(slice(0, 0)), since_us=START_US, until_us=int(readings.time_us[-1]))
    for name in ("limits", "step"):
        for field in one.quick[name].dtype.names:
            a, b = one.quick[name][field], cut.quick[name][field]
            assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), (name, field, a, b)


def test_inferred_rain_on_the_day_of_the_first_baseline(fleet_of: Any, tell: Any) -> None:
    fleet = fleet_of(HEAD + "".join(f"s{i},main,44{i},,north,1800\n" for i in range(8)))

    def rho(day: Any, _: int) -> Any:
        return 0.1 + 0.1 * ((day > 0.6) & (day < 0.9))

    readings = tell(fleet, rho, 2).readings
    climates = []
    for edges in ([0, len(readings)], hourly(readings)):
        engine = Engine(fleet, DetectionSettings())
        for a, b in itertools.pairwise(edges):
            until = int(readings.time_us[b - 1])
            engine.step(readings.take(slice(a, b)), since_us=START_US, until_us=until)
        climates.append((engine.climate["weather"]["wet"].copy(), engine.slow["baseline"]["raw"].copy()))
    assert np.allclose(climates[0][0], climates[1][0])
    assert np.array_equal(climates[0][1], climates[1][1], equal_nan=True)


def test_ice_on_the_day_of_the_first_baseline(line: Any, tell: Any) -> None:
    columns = {
        "ambient_temperature_c": lambda day, _: np.full(len(day), -4.0),
        "precipitation": lambda day, _: np.where(day < 0.1, 1.0, 0.0),
    }

    def rho(day: Any, _: int) -> Any:
        return np.where((day > 0.04) & (day < 0.125), 0.5, 0.1)

    told = tell(line(), rho, 2, columns=columns)
    one = run(told.engine.fleet, told.readings, [0, len(told.readings)])
    assert run(told.engine.fleet, told.readings, hourly(told.readings)) == one


def test_a_site_group_cut_between_readings_of_one_time(fleet_of: Any, tell: Any) -> None:
    fleet = fleet_of(HEAD + "".join(f"amber,a{i},44{i},,north,1800\n" for i in range(4)))
    readings = tell(fleet, lambda day, i: np.where((day > 1.4) & (i < 3), 0.6, 0.1), 2).readings
    one = run(fleet, readings, [0, len(readings)])
    cut = run(fleet, readings, list(range(len(readings) + 1)))
    assert cut == one


def test_a_site_group_with_readings_ahead_of_the_others(fleet_of: Any, tell: Any) -> None:
    fleet = fleet_of(HEAD + "".join(f"amber,a{i},44{i},,north,1800\n" for i in range(3)))
    readings = tell(fleet, lambda day, i: np.where(day > 1.4 + 0.05 * (2 - i), 0.6, 0.1), 2).readings
    one = run(fleet, readings, [0, len(readings)])
    engine = Engine(fleet, DetectionSettings())
    until = START_US + round(1.3 * DAY_US)
    findings = []
    begun = readings.time_us <= until
    findings += engine.step(readings.take(begun), since_us=START_US, until_us=until).findings
    for owner in range(3):
        piece = readings.take(~begun & (readings.transmitter == owner))
        until = until if owner < 2 else int(readings.time_us[-1])
        findings += engine.step(piece, since_us=START_US, until_us=until).findings

    def key(f: Any) -> Any:
        return (f.time_us, f.site, f.transmitter, f.region, f.condition, f.severity, f.members)

    assert sorted(map(key, findings)) == one[0]


def test_a_slow_rise_is_no_step(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        return rho_from_swr(1.2 + 0.8 * np.clip((day - 20) / 60, 0, 1))

    told = tell(line(feeder_loss_db=1.0), rho, 83)
    assert told.of(Condition.SWR_RISING) != []
    assert told.course(Condition.SWR_STEP) == []


def test_a_step_that_went_back_is_not_raised_again(line: Any, tell: Any) -> None:
    """The levels of the days before still show it."""
    told = tell(line(), lambda day, _: np.where((day > 20.4) & (day < 22.4), 0.6, 0.1), 30)
    severities = [s for s, _ in told.course(Condition.SWR_STEP)]
    assert severities == [Severity.MAJOR, Severity.CLEARED], told.course(Condition.SWR_STEP)


def test_silence_is_no_quiet_of_bursts(line: Any, tell: Any) -> None:

    def rho(day: Any, _: int) -> Any:
        return 0.1 + 0.35 * ((day > 20) & (day < 26) & (day % 1 > 0.5) & (day % 1 < 0.6))

    told = tell(line(), rho, 50, away=lambda day, _: (day > 26) & (day < 49.5))
    course = told.course(Condition.SWR_INTERMITTENT)
    assert course
    assert course[-1][0] is not Severity.CLEARED, course


def test_a_region_without_a_name_is_no_region(fleet_of: Any, tell: Any) -> None:
    fleet = fleet_of(
        "site,transmitter,frequency_mhz,expected_interval_s\n"
        + "".join(f"s{i},main,44{i},1800\n" for i in range(6))
    )
    told = tell(fleet, lambda day, _: 0.1 + 0.09 * (day > 20), 60)
    assert [f for f in told.findings if f.site == -1 and fleet.region_names[f.region] == ""] == []


def test_an_amplifier_without_foldback(line: Any, tell: Any) -> None:
    assert tell(line(pa_protection="none"), 0.1, 3).findings == []


@pytest.mark.parametrize("which", ["forward", "reflected", "both"])
def test_infinite_power(line: Any, stream_of: Any, judge: Any, which: Any) -> None:
    fleet = line()
    n = 48 * 3
    forward, reflected = np.full(n, 95.0), np.full(n, 1.0)
    if which != "reflected":
        forward[::5] = np.inf
    if which != "forward":
        reflected[::5] = np.inf
    readings = stream_of(fleet, 0, START_US + np.arange(n) * HOUR_US // 2, forward, reflected)
    findings, _, _ = judge(fleet, readings)
    assert findings == []


def test_one_report_of_long_ago_does_not_close_every_day_since(
    line: Any, stream_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = []
    close_day = Baselines.close_day

    def counted(self: Any, end_us: int, *more: Any) -> Any:
        closed.append(end_us)
        return close_day(self, end_us, *more)

    monkeypatch.setattr(Baselines, "close_day", counted)
    fleet = line()
    readings = stream_of(fleet, 0, [946_771_200_000_000, START_US], 95.0, 1.0)
    engine = Engine(fleet, DetectionSettings())
    engine.step(readings, since_us=START_US, until_us=START_US)
    assert closed[-1] == START_US - DAY_US
    assert len(closed) < 1000
