"""Baselines: what is learned, when, from what, and what is never learned from."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.history import FULL, NO_BASELINE, PROVISIONAL
from standingwatch.detect.interface import Maintenance
from standingwatch.detect.words import Condition
from standingwatch.rf import rho_from_swr

START_US = 1_767_225_600_000_000
DAY_US = 86_400_000_000


def visit(end_day: float, kind_renews: bool = True, hours: float = 2.0) -> Maintenance:
    end_us = START_US + round(end_day * DAY_US)
    start_us = end_us - round(hours * DAY_US / 24)
    return Maintenance(np.array([0]), np.array([start_us]), np.array([end_us]), np.array([kind_renews]))


def warmth(day: Any, _: int = 0) -> Any:
    """A temperature that goes up and down with the day, and from day to day."""
    return 12 + 7 * np.sin(2 * np.pi * (day - 0.4)) + 4 * np.sin(2 * np.pi * day / 5.3)


def rain(day: Any, _: int = 0) -> Any:
    return np.where((day - 0.3) % 3.0 < 0.3, 2.0, 0.0)


def wetness(day: Any) -> Any:
    since = (day - 0.3) % 3.0
    return np.where(day < 0.3, 0.0, np.where(since < 0.3, 1.0, np.exp(-(since - 0.3) * 24 / 8)))


def test_a_provisional_one_after_hours_and_a_full_one_after_days(line: Any, tell: Any) -> None:
    told = tell(line(), rho_from_swr(1.25), 20)
    provisional, full = told.baselines
    assert (provisional.kind, provisional.time_us) == ("provisional", START_US + DAY_US // 4)
    assert (full.kind, full.time_us) == ("full", START_US + 14 * DAY_US)
    assert provisional.reason == "from the first 6 usable hours"
    assert full.reason == "from 14 days with data that did not drift"
    for baseline in (provisional, full):
        assert baseline.transmitter == 0
        assert baseline.rho == pytest.approx(rho_from_swr(1.25), abs=0.006)
        assert 0 < baseline.spread < 0.02
    assert told.state()["kind"] == FULL


def test_the_kind_at_each_stage(line: Any, tell: Any) -> None:
    assert tell(line(), 0.1, 1, away=lambda day, _: day > 0.2).state()["kind"] == NO_BASELINE
    assert tell(line(), 0.1, 13).state()["kind"] == PROVISIONAL
    assert tell(line(), 0.1, 14).state()["kind"] == FULL


def test_days_without_readings_do_not_count(line: Any, tell: Any) -> None:
    told = tell(line(), 0.1, 40, away=lambda day, _: (day > 5) & (day < 15))
    assert [b.kind for b in told.baselines[:2]] == ["provisional", "full"]
    assert told.day(told.baselines[1]) == 24


@pytest.mark.parametrize("swr_per_day", [0.015, 0.03])
def test_never_from_a_line_that_already_moves(line: Any, tell: Any, swr_per_day: float) -> None:
    told = tell(line(), lambda day, _: rho_from_swr(1.2 + day * swr_per_day), 30)
    assert [b.kind for b in told.baselines] == ["provisional"]
    assert told.of(Condition.SWR_RISING)[0].evidence["baseline_kind"] == "provisional"


def test_taken_once_it_stands_still(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: 0.1 + 0.012 * np.clip(day, 0, 12), 45)
    full = next(b for b in told.baselines if b.kind == "full")
    assert 17 < told.day(full) < 32
    assert full.rho == pytest.approx(0.244, abs=0.02)


def test_a_slow_fault_does_not_move_the_full_baseline(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: 0.1 + 0.005 * np.clip(day - 15, 0, None), 60)
    assert told.state()["rho"] == pytest.approx(0.1, abs=0.005)


@pytest.mark.parametrize("spread", [0.002, 0.01])
def test_the_spread_is_that_of_the_days(line: Any, tell: Any, spread: float) -> None:
    daily = np.random.default_rng(5).normal(0, spread, 40)
    told = tell(line(), lambda day, _: 0.2 + daily[np.floor(day).astype(int)], 30, noise=0.002)
    assert told.state()["spread"] == pytest.approx(max(spread, 0.003), rel=0.6)


@pytest.mark.parametrize("per_c", [0.0, 0.0012, -0.0008])
def test_the_dependence_on_temperature_is_recovered(line: Any, tell: Any, per_c: float) -> None:
    told = tell(
        line(),
        lambda day, _: 0.2 + per_c * (warmth(day) - 12),
        30,
        columns={"ambient_temperature_c": warmth},
    )
    assert told.state()["per_c"] == pytest.approx(per_c, abs=0.0002)
    assert told.findings == []


@pytest.mark.parametrize("per_wet", [0.0, 0.04, 0.1])
def test_the_dependence_on_wetness_is_recovered(line: Any, tell: Any, per_wet: float) -> None:
    told = tell(line(), lambda day, _: 0.15 + per_wet * wetness(day), 30, columns={"precipitation": rain})
    # What is poorly known is drawn towards none.
    assert 0.65 * per_wet - 0.006 < told.state()["per_wet"] < 1.1 * per_wet + 0.006
    assert told.findings == []
    # Wet hours do not make the level.
    assert told.state()["rho"] == pytest.approx(0.15, abs=0.01)


def test_both_dependences_at_once_are_told_apart(line: Any, tell: Any) -> None:
    told = tell(
        line(),
        lambda day, _: 0.15 + 0.0012 * (warmth(day) - 12) + 0.06 * wetness(day),
        40,
        columns={"precipitation": rain, "ambient_temperature_c": warmth},
    )
    assert told.state()["per_c"] == pytest.approx(0.0012, abs=0.0004)
    assert told.state()["per_wet"] == pytest.approx(0.06, abs=0.02)


def two_channels(day: Any, _: int = 0) -> Any:
    """Channels taken in turn."""
    return np.where(np.arange(len(day)) % 2 == 0, "low", "high").astype(object)


def offset(by: float) -> Callable[[Any, int], Any]:
    return lambda day, _: np.where(np.arange(len(day)) % 2 == 0, 0.1, 0.1 + by)


def test_each_channel_has_its_own_offset(line: Any, tell: Any) -> None:
    told = tell(line(), offset(0.12), 30, columns={"channel": two_channels})
    state = told.state()
    used = state["channel"] != 0
    assert used.sum() == 2
    apart = state["channel_rho"][used]
    assert apart.max() - apart.min() == pytest.approx(0.12, abs=0.02)
    assert told.findings == []


def test_a_visit_opens_a_new_one(line: Any, tell: Any) -> None:
    told = tell(line(), lambda day, _: np.where(day < 20.45, 0.1, 0.2), 45, maintenance=visit(20.5))
    kinds = [(b.kind, told.day(b)) for b in told.baselines]
    (opened,) = [b for b in told.baselines if b.kind == "opened"]
    assert told.day(opened) == 20.5
    assert np.isnan(opened.rho)
    assert np.isnan(opened.spread)
    assert opened.reason == "a visit or retune ended"
    after = [(kind, day) for kind, day in kinds if day > 20.5]
    assert [kind for kind, _ in after[:2]] == ["provisional", "full"]
    assert after[0][1] < 21
    assert 33 < after[1][1] < 37
    assert told.state()["rho"] == pytest.approx(0.2, abs=0.01)
    assert told.findings == []


def test_other_work_opens_none_and_is_not_learned_from(line: Any, tell: Any) -> None:
    def rho(day: Any, _: int) -> Any:
        return np.where((day > 1.1) & (day < 18.5), 0.4, 0.1)

    told = tell(line(), rho, 36, maintenance=visit(18.5, False, hours=17.4 * 24))
    assert [b.kind for b in told.baselines] == ["provisional", "full"]
    assert told.state()["rho"] == pytest.approx(0.1, abs=0.01)
    assert told.day(told.baselines[1]) > 28
    assert told.findings == []


@pytest.mark.parametrize("kind", ["none", "outage", "visit"])
def test_a_visit_resets_the_meters_step(line: Any, tell: Any, stream_of: Any, judge: Any, kind: str) -> None:
    """A meter in whole watts hangs there after the work; without a visit the finer step is remembered."""
    fleet = line()
    fine = tell(fleet, 0.2, 30).readings
    day = (fine.time_us - START_US) / DAY_US
    reflected_w = np.where(day < 20.45, fine.reflected_w, np.rint(fine.reflected_w))
    readings = stream_of(fleet, 0, fine.time_us, fine.forward_w, reflected_w)
    maintenance = Maintenance.none() if kind == "none" else visit(20.5, kind == "visit")
    _, engine, _ = judge(fleet, readings, maintenance=maintenance)
    step_w = engine.slow["baseline"]["step_w"][0]
    assert step_w == 1.0 if kind == "visit" else step_w <= 0.01


def test_ice_is_not_learned_from(line: Any, tell: Any) -> None:
    columns = {
        "ambient_temperature_c": lambda day, _: np.where((day > 1) & (day < 18), -5.0, 5.0),
        "precipitation": lambda day, _: np.where((day > 1.1) & (day < 1.3), 1.0, 0.0),
    }
    told = tell(line(), lambda day, _: np.where((day > 1.2) & (day < 18), 0.5, 0.1), 36, columns=columns)
    full = next(b for b in told.baselines if b.kind == "full")
    assert told.day(full) > 28
    assert full.rho == pytest.approx(0.1, abs=0.01)
    assert full.spread < 0.01


def test_more_weather_is_learned_later_and_the_level_stays(line: Any, tell: Any) -> None:
    told = tell(line(), 0.1, 60, columns={"ambient_temperature_c": warmth})
    full = [b for b in told.baselines if b.kind == "full"]
    assert [round(told.day(b)) for b in full] == [14, 28, 56]
    assert len({b.rho for b in full}) == 1
    assert all("level as before" in b.reason for b in full[1:])


def test_nothing_usable_makes_no_baseline(line: Any, tell: Any) -> None:
    idle = tell(line(), 0.1, 20, forward_w=0.0)
    unknown = tell(line(), np.nan, 20)
    for told in (idle, unknown):
        assert told.baselines == []
        assert told.state()["kind"] == NO_BASELINE


def test_no_reflected_power_is_a_level_of_nothing(line: Any, tell: Any) -> None:
    told = tell(line(), 0.0, 20, noise=0.0)
    assert [b.rho for b in told.baselines] == [0.0, 0.0]
    assert told.findings == []


def test_fewer_days_by_setting(line: Any, tell: Any) -> None:
    base = DetectionSettings().baseline
    settings = DetectionSettings(baseline=type(base)(full_days=5, provisional_hours=3))
    told = tell(line(), 0.1, 8, settings=settings)
    assert [(b.kind, told.day(b)) for b in told.baselines] == [("provisional", 0.125), ("full", 5.0)]


def test_a_line_as_commissioned_is_held_against_that_from_the_first_day(line: Any, tell: Any) -> None:
    # 20 dB return loss is rho 0.1; the line already stands at 0.2 when the watch begins.
    told = tell(line(commissioned_return_loss_db=20), 0.2, 20)
    given, learned = told.baselines
    assert (given.kind, given.reason) == ("as-commissioned", "given in the site list")
    assert given.rho == pytest.approx(0.1, abs=1e-9)
    assert (learned.kind, learned.rho) == ("as-commissioned", given.rho)
    assert told.day(learned) == 14
    first = told.of(Condition.SWR_STEP)[0]
    assert told.day(first) <= 4.1
    assert first.evidence["baseline_kind"] == "as-commissioned"
    # Without it, the same line is what it always was.
    assert tell(line(), 0.2, 20).findings == []


def test_a_line_that_is_as_commissioned_raises_nothing(line: Any, tell: Any) -> None:
    told = tell(line(commissioned_return_loss_db=20), 0.1, 20)
    assert told.findings == []


def test_work_opens_a_new_baseline_in_place_of_the_commissioned_one(line: Any, tell: Any) -> None:
    told = tell(
        line(commissioned_return_loss_db=20),
        lambda day, _: np.where(day < 8.0, 0.1, 0.2),
        30,
        maintenance=visit(8.1),
    )
    assert [b.kind for b in told.baselines] == ["as-commissioned", "opened", "provisional", "full"]
    assert told.baselines[-1].rho == pytest.approx(0.2, abs=0.01)
    assert told.findings == []


def test_what_weather_does_to_all_channels_is_none_of_any_one(line: Any, tell: Any) -> None:
    """One channel is used in the iced hours, the other in those after; later it rains every night."""

    def iced(day: Any) -> Any:
        return (day > 3) & (day < 8) & (day % 1 < 0.6)

    def rains(day: Any, _: int = 0) -> Any:
        return np.where((day > 8) & (day % 1 < 0.25), 1.0, 0.0)

    def falls(day: Any, _: int = 0) -> Any:
        return np.where((day > 3) & (day < 3.3), 1.0, rains(day))

    def channel(day: Any, i: int) -> Any:
        by_ice = np.where(iced(day), "high", "low").astype(object)
        return np.where((day > 3) & (day < 8), by_ice, two_channels(day, i))

    def rho(day: Any, i: int) -> Any:
        own = np.where(channel(day, i) == "high", 0.16, 0.1)
        return own + np.where(iced(day), 0.3, 0.0) + 0.1 * rains(day)

    cold = {"ambient_temperature_c": lambda day, _: np.where((day > 3) & (day < 8), -4.0, 6.0)}
    told = tell(line(), rho, 30, columns=cold | {"channel": channel, "precipitation": falls})
    state = told.state()
    low, high = np.sort(state["channel_rho"][state["channel"] != 0])
    assert (low, high) == (pytest.approx(-0.03, abs=0.008), pytest.approx(0.03, abs=0.008))
    assert Condition.FEEDER_LOSS_RISING not in told.conditions()


def comes_and_goes(until: float) -> Callable[[Any, int], Any]:
    return lambda day, _: np.where((day < until) & (np.floor(day) % 3 > 0), 0.3, 0.1)


def test_not_from_days_that_lie_far_apart(line: Any, tell: Any) -> None:
    told = tell(line(), comes_and_goes(20), 40)
    full = next(b for b in told.baselines if b.kind == "full")
    assert 26 < told.day(full) < 36
    assert full.rho == pytest.approx(0.1, abs=0.01)
    assert full.spread < 0.03


def test_a_line_that_is_never_at_rest_gets_one_after_six_weeks(line: Any, tell: Any) -> None:
    told = tell(line(), comes_and_goes(99), 45)
    (full,) = (b for b in told.baselines if b.kind == "full")
    assert told.day(full) == pytest.approx(42, abs=1.5)
