"""The forecast: on planted trends the 80 % interval holds the true date in about 80 of 100 cases, and quiet
transmitters get no date.

The constants of the forecast were found on seeds 0 to 15 of the mixes `USUAL`, `HARD` and `CLEAR`, and on the
proving ground (`tests/detection`). The tests use other seeds of these, and the mixes `YOUNG` and `SLOW`, on
which nothing was tried.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, signal, stats

from standingwatch.detect._trend import autocorrelation_of, median_of_known, theil_sen_slope
from standingwatch.detect.forecast import FEWEST_DAYS, MEMORY_DAYS, RATE_DAYS, Forecasts, Says, forecast

CHECK_SEEDS = range(400, 424)
KINDS = ("linear", "exponential", "power", "slowing", "ratchet", "phasor")
#: The limits, in parts of the rise from the baseline to the start of foldback.
LIMIT_PARTS = np.array([0.4, 0.7, 1.0, 1.25])
MARGIN_DAYS = 2.0


@dataclass(frozen=True)
class Mix:
    """Ranges that planted trends are drawn from; rise, noise and memory evenly in their logarithm.

    `wander` is the standard deviation of what has grown about its course, as a part of it: a fault that heats
    up by 5 degrees C and more from day to day, at 0.8 % per degree, or is wet on one day and dry on the next.
    Its memory reaches from a windy day to a spell of warm weather.
    """

    duration_days: tuple[float, float] = (30.0, 130.0)
    rise_rho: tuple[float, float] = (0.05, 0.5)
    noise_rho: tuple[float, float] = (0.002, 0.015)
    autocorrelation: tuple[float, float] = (0.0, 0.7)
    missing: tuple[float, float] = (0.0, 0.5)
    quiet_days: tuple[int, int] = (0, 90)
    wander: tuple[float, float] = (0.0, 0.2)
    memory_days: tuple[float, float] = (1.0, 12.0)
    wet_days_left_out: bool = False


USUAL = Mix()
#: Behind a lossy feeder, a transmitter that keys seldom, history short, wet days left out.
HARD = Mix(
    rise_rho=(0.05, 0.15),
    noise_rho=(0.004, 0.01),
    autocorrelation=(0.3, 0.7),
    missing=(0.2, 0.5),
    quiet_days=(0, 20),
    wet_days_left_out=True,
)
#: A control channel on a low-loss feeder: every day known, little noise, fast faults.
CLEAR = Mix(
    duration_days=(30.0, 80.0),
    rise_rho=(0.15, 0.5),
    noise_rho=(0.002, 0.006),
    missing=(0.0, 0.1),
    quiet_days=(30, 90),
)


#: Fast faults on sites that are new as well.
YOUNG = Mix(duration_days=(30.0, 45.0), quiet_days=(0, 10), noise_rho=(0.003, 0.012))
#: Slow faults that began before the window or early in it, on a restless line.
SLOW = Mix(
    duration_days=(90.0, 130.0), noise_rho=(0.005, 0.015), autocorrelation=(0.2, 0.7), quiet_days=(0, 90)
)
MIXES = {"usual": USUAL, "hard": HARD, "clear": CLEAR, "young": YOUNG, "slow": SLOW}


@dataclass(frozen=True)
class Planted:
    """What the forecast is given, and the truth: `left_days`, at or below 0 where a limit is reached."""

    levels: Any
    baseline: Any
    spread: Any
    limits: Any
    left_days: Any
    kind: Any
    age_days: Any
    departure_rho: Any

    def forecast(self) -> Forecasts:
        return forecast(self.levels, self.baseline, self.spread, self.limits)


def ar1(rng: np.random.Generator, rows: int, days: int, phi: Any, sd: float = 1.0) -> Any:
    """Stationary AR(1) noise, (rows, days)."""
    innovation = np.sqrt(1 - phi**2) * rng.normal(size=(rows, days))
    innovation[:, 0] /= np.sqrt(1 - phi**2)
    return sd * signal.lfilter([1.0], [1.0, -phi], innovation, axis=1)


def course(
    rng: np.random.Generator, kind: str, duration: float, day: Any, rise: float, quiet_rho: float
) -> tuple[Any, Any]:
    """Noise-free progress on days since onset, 1 at the start of foldback; and which whole days are wet."""
    u = day / duration
    wet = np.zeros(int(day[-1]) + 2, dtype=bool)
    if kind == "phasor":
        # A second reflection grows at an angle to the first: only the size of their sum is seen.
        path, _ = course(rng, str(rng.choice(["linear", "exponential", "power"])), duration, day, 0.0, 0.0)
        angle = rng.uniform(-2.1, 2.1)
        along = quiet_rho * np.cos(angle)
        grown = np.sqrt(along**2 + (quiet_rho + rise) ** 2 - quiet_rho**2) - along
        seen = np.abs(quiet_rho + grown * path * np.exp(1j * angle))
        return (seen - quiet_rho) / rise, wet
    if kind == "linear":
        return u, wet
    if kind == "slowing":
        return u**0.8, wet
    if kind == "power":
        return u ** rng.uniform(1, 2), wet
    if kind == "exponential":
        k = rng.uniform(0.05, 3)
        return np.expm1(k * u) / np.expm1(k), wet
    chance, recovers, dries_days = rng.uniform(0.15, 0.35), rng.uniform(0.3, 0.7), rng.uniform(3, 8)
    wet = rng.random(len(wet)) < chance
    jump = rng.gamma(2, 0.5, len(wet)) * wet
    dry_again = np.exp(-np.subtract.outer(np.arange(len(wet)), np.arange(len(wet))) / dries_days)
    path = (1 - recovers) * np.cumsum(jump) + recovers * np.tril(dry_again) @ jump
    path /= chance * (1 - recovers) * duration
    return np.interp(day, np.arange(len(wet)) + 0.5, path, left=0.0), wet


def log_even(rng: np.random.Generator, between: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(between))))


def plant_one(rng: np.random.Generator, kind: str, mix: Mix) -> tuple[Any, ...] | None:
    duration = rng.uniform(*mix.duration_days)
    rise, noise_rho, quiet_rho = (
        log_even(rng, mix.rise_rho),
        log_even(rng, mix.noise_rho),
        rng.uniform(0.02, 0.15),
    )
    fine = np.arange(0, 3 * duration + 1, 0.25)
    progress, wet = course(rng, kind, duration, fine, rise, quiet_rho)
    if kind != "ratchet":  # which is uneven of itself
        memory_days = log_even(rng, mix.memory_days)
        daily = ar1(rng, 1, int(fine[-1]) + 2, np.exp(-1 / memory_days), rng.uniform(*mix.wander))[0]
        progress = progress * (1 + np.interp(fine, np.arange(len(daily)), daily))
    # A single day does not count as reached: half of the week around it must be above.
    week = ndimage.median_filter(progress, 4 * 7 + 1, mode="nearest")
    crossing = np.array([fine[np.argmax(week >= part)] for part in LIMIT_PARTS])
    # From 8 days after the departure is noticeable (twice the noise) until shortly before the last limit.
    first_day, last_day = fine[np.argmax(progress * rise >= 2 * noise_rho)] + 8, crossing[-1] - MARGIN_DAYS
    if crossing[-1] == 0 or first_day >= last_day:
        return None
    age, quiet, learning = (
        int(rng.uniform(first_day, last_day)),
        rng.integers(*mix.quiet_days),
        rng.integers(14, 29),
    )
    noise = ar1(rng, 1, learning + quiet + age, rng.uniform(*mix.autocorrelation), noise_rho)[0]
    noise += (rng.random(len(noise)) < 0.02) * rng.uniform(0.02, 0.06, len(noise))
    learned = quiet_rho + noise[:learning]
    baseline = np.median(learned)
    day = np.arange(quiet + age) + 0.5 - quiet
    level = quiet_rho + rise * np.interp(day, fine, progress, left=0.0) + noise[learning:]
    level[rng.random(len(level)) < rng.uniform(*mix.missing)] = np.nan
    if mix.wet_days_left_out:
        level[(day > 0) & wet[np.maximum(day, 0).astype(int)]] = np.nan
    padded = np.concatenate([np.full(MEMORY_DAYS, np.nan), level])[-MEMORY_DAYS:]
    return (
        padded,
        baseline,
        1.4826 * np.median(np.abs(learned - baseline)),
        quiet_rho + rise * LIMIT_PARTS,
        crossing - age,
        kind,
        age,
        rise * np.interp(age, fine, progress),
    )


def plant(seed: int, cases: int, mix: Mix) -> Planted:
    """As many cases of each kind."""
    rng = np.random.default_rng(seed)
    made: list[tuple[Any, ...]] = []
    while len(made) < cases:
        one = plant_one(rng, KINDS[len(made) % len(KINDS)], mix)
        if one is not None:
            made.append(one)
    return Planted(*(np.array(column) for column in zip(*made, strict=True)))


def plant_all(seeds: range, cases: int, mix: Mix) -> Planted:
    parts = [plant(seed, cases, mix) for seed in seeds]
    return Planted(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Planted)))


@dataclass(frozen=True)
class Judged:
    """Planted trends and what was said; (n, K) limits still ahead, those with a date, intervals that hold it.

    Limits that are said to be reached, while they are not, have a date: a wrong one.
    """

    planted: Planted
    said: Forecasts
    ahead: Any
    dated: Any
    held: Any


@pytest.fixture(scope="module", params=list(MIXES))
def judged(request: pytest.FixtureRequest) -> Judged:
    planted = plant_all(CHECK_SEEDS, 75, MIXES[request.param])
    said = planted.forecast()
    ahead = planted.left_days > 0
    held = (said.low_days <= planted.left_days) & (planted.left_days <= said.high_days)
    return Judged(planted, said, ahead, ahead & np.isfinite(said.low_days), held)


def test_the_interval_holds_the_true_date_in_80_of_100_cases(judged: Judged) -> None:
    assert judged.dated.sum() > 2500
    assert 0.75 <= judged.held[judged.dated].mean() <= 0.85


@pytest.mark.parametrize("kind", KINDS)
def test_no_kind_of_trend_is_left_out(judged: Judged, kind: str) -> None:
    dated = judged.dated & (judged.planted.kind == kind)[:, None]
    assert dated.sum() > 400
    assert 0.65 <= judged.held[dated].mean() <= 0.95


def test_a_clear_departure_gets_an_answer(judged: Judged) -> None:
    planted = judged.planted
    clear = (planted.departure_rho >= 6 * planted.spread) & (planted.age_days >= 15)
    asked = clear[:, None] & judged.ahead
    assert asked.sum() > 800
    answered = judged.said.says == Says.EXPECTED
    assert answered[asked].mean() >= 0.8
    # Water courses are the hardest: a dry spell looks like the end of the fault. About six in ten get a date
    # (measured 0.60 on the clear mix, 0.67 on other seeds): a known weakness, held from growing.
    assert answered[asked & (planted.kind == "ratchet")[:, None]].mean() >= 0.55


def test_dates_err_to_both_sides_and_are_worth_having(judged: Judged) -> None:
    dated = judged.dated
    left, low, mid, high = (
        a[dated]
        for a in (judged.planted.left_days, judged.said.low_days, judged.said.mid_days, judged.said.high_days)
    )
    assert 0.35 <= (mid < left).mean() <= 0.65
    assert (left < low).mean() <= 0.15
    assert (left > high).mean() <= 0.15
    assert error_over_guess(left, mid) < 0.8


def error_over_guess(left: Any, mid: Any) -> float:
    """Typical error of dates over that of one and the same guess for all, the best one."""
    errors = [np.abs(np.log((date + 1) / (left + 1))) for date in (mid, np.median(left))]
    return float(np.median(errors[0]) / np.median(errors[1]))


@pytest.mark.parametrize("name", list(MIXES))
def test_a_course_that_does_not_wander_is_dated_well(name: str) -> None:
    planted = plant_all(range(424, 430), 72, replace(MIXES[name], wander=(0.0, 0.0)))
    said = planted.forecast()
    dated = (planted.left_days > 0) & np.isfinite(said.low_days)
    assert dated.sum() > 500
    assert error_over_guess(planted.left_days[dated], said.mid_days[dated]) < 0.6


@pytest.mark.parametrize("phi", [0.6, 0.7])
@pytest.mark.parametrize("days", [20, 60, 120])
@pytest.mark.parametrize("learned", [True, False])
def test_stationary_noise_is_no_trend(phi: float, days: int, learned: bool) -> None:
    rows = 600
    rng = np.random.default_rng(int(1000 + 10 * phi + days))
    series = 0.1 + ar1(rng, rows, 28 + days, phi, 0.006)
    baseline, spread = np.full(rows, 0.1), np.full(rows, 0.006)
    if learned:
        baseline = np.median(series[:, :14], axis=1)
        spread = 1.4826 * np.median(np.abs(series[:, :14] - baseline[:, None]), axis=1)
    said = forecast(series[:, 28:], baseline, spread, np.tile([0.15, 0.2, 1 / 3, 0.5], (rows, 1)))
    with_date = np.isin(said.says, [Says.EXPECTED, Says.TOO_FAR]).any(axis=1)
    assert with_date.mean() <= 0.05


DAY = np.arange(MEMORY_DAYS) + 0.5
NO_TRENDS = {
    "flat": 0 * DAY,
    "falling": -0.001 * DAY,
    "a step 60 days ago": np.where(DAY > 60, 0.05, 0.0),
    "a step 20 days ago": np.where(DAY > 100, 0.05, 0.0),
    "rose for 30 days, flat for 40": 0.08 * np.clip((DAY - 50) / 30, 0, 1),
    "rose and falls": 0.08 * np.clip((DAY - 50) / 30, 0, 1) - 0.001 * np.clip(DAY - 80, 0, None),
    "ice, gone 10 days ago": np.where((DAY > 80) & (DAY < 110), 0.06, 0.0),
}


@pytest.mark.parametrize("name", list(NO_TRENDS))
def test_what_does_not_rise_now_is_no_trend(name: str) -> None:
    rng = np.random.default_rng(2000)
    levels = 0.1 + NO_TRENDS[name] + ar1(rng, 200, MEMORY_DAYS, 0.35, 0.006)
    said = forecast(levels, np.full(200, 0.1), np.full(200, 0.006), np.full((200, 1), 0.35))
    assert (said.says == Says.NO_TREND).mean() >= 0.9
    assert (said.says == Says.EXPECTED).mean() <= 0.02
    assert np.isnan(said.mid_days[said.says == Says.NO_TREND]).all()


def straight(rho_per_day: float = 0.002, days_ago: float = 40.0, days: int = MEMORY_DAYS) -> Any:
    """Levels without noise, (1, days): 0.1, and from a day on straight up."""
    return 0.1 + rho_per_day * np.clip(np.arange(-days, 0)[None] + 0.5 + days_ago, 0, None)


def one(levels: Any, limits: Any, baseline: float = 0.1, spread: float = 0.004, **more: Any) -> Forecasts:
    levels = np.asarray(levels, dtype=np.float64)
    return forecast(levels, np.array([baseline]), np.array([spread]), np.array([limits], dtype=float), **more)


def test_a_straight_line_without_noise_is_carried_on() -> None:
    said = one(straight(), [0.2, 0.24, 0.3], spread=0.0)
    assert (said.says == Says.EXPECTED).all()
    # 0.18 now, 0.002 a day more.
    truth = np.array([10.0, 30.0, 60.0])
    np.testing.assert_allclose(said.mid_days[0], truth, rtol=0.1)
    assert (said.low_days[0] <= truth).all()
    assert (truth <= said.high_days[0]).all()
    assert said.rate[0] == pytest.approx(0.002)


def test_limits_that_are_reached_far_or_absent_are_told_apart() -> None:
    said = one(straight(), [0.15, 0.2, 0.9, np.nan, np.inf], horizon_days=100.0)
    assert said.says[0].tolist() == [
        Says.REACHED,
        Says.EXPECTED,
        Says.TOO_FAR,
        Says.NO_LIMIT,
        Says.NO_LIMIT,
    ]
    assert said.low_days[0, 0] == said.mid_days[0, 0] == said.high_days[0, 0] == 0
    assert said.mid_days[0, 2] > 100
    assert np.isnan(said.low_days[0, 3:]).all()
    assert np.isnan(said.high_days[0, 3:]).all()


def test_a_level_that_stays_above_a_limit_has_reached_it() -> None:
    levels = np.random.default_rng(3).normal(0.3, 0.003, (1, MEMORY_DAYS))
    said = one(levels, [0.2, 0.4], baseline=0.3)
    assert said.says[0].tolist() == [Says.REACHED, Says.NO_TREND]
    assert said.high_days[0, 0] == 0


@pytest.mark.parametrize("days", [0, 1, 4])
def test_too_few_days_say_nothing(days: int) -> None:
    said = one(straight(days=days), [0.2])
    assert said.says[0, 0] == Says.TOO_FEW_DAYS
    assert np.isnan([said.low_days, said.mid_days, said.high_days]).all()
    assert np.isnan(said.rate).all()
    assert np.isnan(said.rate_error).all()


def test_days_without_a_level_lately_say_nothing() -> None:
    levels = straight()
    levels[0, -RATE_DAYS + FEWEST_DAYS - 1 :] = np.nan
    assert one(levels, [0.3]).says[0, 0] == Says.TOO_FEW_DAYS


@pytest.mark.parametrize(
    ("baseline", "spread"), [(np.nan, 0.004), (np.inf, 0.004), (0.1, np.nan), (0.1, np.inf), (0.1, -1.0)]
)
def test_no_baseline_says_nothing(baseline: float, spread: float) -> None:
    said = one(straight(), [0.3], baseline=baseline, spread=spread)
    assert said.says[0, 0] == Says.TOO_FEW_DAYS
    assert np.isnan(said.mid_days).all()


@pytest.mark.parametrize("value", [0.0, 0.1, 0.15, 1.0, 1e-200, 1e90])
@pytest.mark.parametrize("spread", [0.0, 0.004])
def test_equal_levels_are_no_trend(value: float, spread: float) -> None:
    said = one(np.full((1, MEMORY_DAYS), value), [1e95], spread=spread)
    assert said.says[0, 0] == Says.NO_TREND
    assert said.rate[0] == 0


def test_a_fleet_of_none_and_no_limits() -> None:
    said = forecast(np.empty((0, 30)), np.empty(0), np.empty(0), np.empty((0, 4)))
    assert said.low_days.shape == said.says.shape == (0, 4)
    assert said.rate.shape == (0,)
    assert one(straight(), []).mid_days.shape == (1, 0)


def test_infinite_levels_are_days_without_one() -> None:
    levels = straight()
    levels[0, 5::7] = np.nan
    infinite = np.where(np.isnan(levels), np.inf, levels)
    infinite[0, 5] = -np.inf
    same(one(levels, [0.2, 0.3]), one(infinite, [0.2, 0.3]))


def test_wrong_shapes_and_horizons_are_refused() -> None:
    good = (np.zeros((2, 9)), np.zeros(2), np.zeros(2), np.zeros((2, 3)))
    for place, wrong in (
        (0, np.zeros(9)),
        (0, np.zeros((3, 9))),
        (1, np.zeros(3)),
        (2, np.zeros(1)),
        (3, np.zeros(2)),
    ):
        given_ = list(good)
        given_[place] = wrong
        with pytest.raises(ValueError, match="wanted"):
            forecast(*given_)
    with pytest.raises(ValueError, match="got nan"):
        forecast(*good, horizon_days=float("nan"))


def same(first: Forecasts, second: Forecasts, rtol: float = 0.0) -> None:
    for f in fields(Forecasts):
        np.testing.assert_allclose(getattr(first, f.name), getattr(second, f.name), rtol=rtol, err_msg=f.name)


@pytest.fixture(scope="module")
def mixed() -> Planted:
    return plant(300, 40, USUAL)


def test_columns_before_the_first_day_change_nothing(mixed: Planted) -> None:
    short = mixed.levels[:, 40:]
    wide = np.concatenate([np.full((40, 55), np.nan), short], axis=1)
    given_ = (mixed.baseline, mixed.spread, mixed.limits)
    same(forecast(short, *given_), forecast(wide, *given_))


def test_days_before_the_memory_change_nothing(mixed: Planted) -> None:
    wide = np.concatenate([np.full((40, 9), 0.7), mixed.levels], axis=1)
    same(mixed.forecast(), forecast(wide, mixed.baseline, mixed.spread, mixed.limits))


def test_neighbours_in_the_fleet_change_nothing(mixed: Planted) -> None:
    times = 8  # more rows than are worked on at once
    tiled = forecast(
        np.tile(mixed.levels, (times, 1)),
        np.tile(mixed.baseline, times),
        np.tile(mixed.spread, times),
        np.tile(mixed.limits, (times, 1)),
    )
    alone = mixed.forecast()
    for f in fields(Forecasts):
        got = getattr(tiled, f.name).reshape(times, 40, -1)
        np.testing.assert_allclose(got, np.stack([getattr(alone, f.name).reshape(40, -1)] * times), rtol=1e-6)


@given(power=st.integers(-12, 12))
@settings(max_examples=8)
def test_a_scale_changes_only_the_rate(mixed: Planted, power: int) -> None:
    scale = 2.0**power  # exact, so that equal means equal
    scaled = forecast(
        mixed.levels * scale, mixed.baseline * scale, mixed.spread * scale, mixed.limits * scale
    )
    plain = mixed.forecast()
    for name in ("low_days", "mid_days", "high_days", "says"):
        np.testing.assert_array_equal(getattr(scaled, name), getattr(plain, name))
    np.testing.assert_array_equal(scaled.rate, plain.rate * scale)
    np.testing.assert_array_equal(scaled.rate_error, plain.rate_error * scale)


@given(shift=st.floats(-3, 3))
@settings(max_examples=8)
def test_a_shift_changes_nothing(mixed: Planted, shift: float) -> None:
    shifted = forecast(mixed.levels + shift, mixed.baseline + shift, mixed.spread, mixed.limits + shift)
    same(mixed.forecast(), shifted, rtol=1e-5)


@given(data=st.data())
@settings(max_examples=60)
def test_whatever_the_levels_the_answer_is_in_order(data: st.DataObject) -> None:
    days = data.draw(st.integers(1, 60))
    rng = np.random.default_rng(data.draw(st.integers(0, 9)))
    levels = 0.1 + data.draw(st.floats(-0.02, 0.02)) * np.arange(days)
    levels += data.draw(st.sampled_from([0.0, 0.001, 0.02])) * rng.normal(size=days)
    wild = st.one_of(st.floats(-1, 2), st.floats(allow_nan=True))
    for day, level in data.draw(st.dictionaries(st.integers(0, days - 1), wild, max_size=8)).items():
        levels[day] = level
    limits = np.sort(np.array([data.draw(st.lists(st.floats(-1, 3), min_size=4, max_size=4))]))
    spread = data.draw(st.sampled_from([0.0, 0.004, 0.1]))
    said = forecast(levels[None], np.array([0.1]), np.array([spread]), limits)
    told = np.isin(said.says, [Says.EXPECTED, Says.REACHED, Says.TOO_FAR])
    points = np.stack([said.low_days, said.mid_days, said.high_days])
    assert np.array_equal(~np.isnan(points), np.stack([told] * 3))
    assert (points[:, told] >= 0).all()
    assert (points[0, told] <= points[1, told]).all()
    assert (points[1, told] <= points[2, told]).all()
    assert (said.low_days[said.says == Says.REACHED] == 0).all()
    # A higher limit is never reached earlier; rounding may move a date by a thousand-millionth.
    for point in points:
        known = point[0][~np.isnan(point[0])]
        assert (known[1:] >= known[:-1] * (1 - 1e-9) - 1e-9).all()
    reached = said.says[0] == Says.REACHED
    assert (reached[1:] <= reached[:-1]).all()


@pytest.mark.parametrize("missing", [0.0, 0.5])
def test_the_slope_is_scipys(missing: float) -> None:
    rng = np.random.default_rng(5)
    levels = np.cumsum(rng.normal(size=(20, RATE_DAYS)), axis=1)
    levels[rng.random(levels.shape) < missing] = np.nan
    slope = theil_sen_slope(levels)
    for row, got in zip(levels, slope, strict=True):
        known = np.isfinite(row)
        assert got == pytest.approx(stats.theilslopes(row[known], np.flatnonzero(known)).slope, rel=1e-12)


@pytest.mark.parametrize("phi", [0.0, 0.35, 0.6])
def test_the_slope_is_as_good_as_its_error_says(phi: float) -> None:
    rows = 600
    rng = np.random.default_rng(int(10 * phi) + 7)
    levels = 0.1 + 0.0012 * DAY + ar1(rng, rows, MEMORY_DAYS, phi, 0.006)
    levels[rng.random(levels.shape) < 0.25] = np.nan
    said = forecast(levels, np.full(rows, 0.1), np.full(rows, 0.006), np.full((rows, 1), 0.5))
    # Of a normal distribution 68 % lie within one standard error.
    assert 0.60 <= (np.abs(said.rate - 0.0012) < said.rate_error).mean() <= 0.76


def test_the_median_of_what_is_known_is_numpys() -> None:
    rng = np.random.default_rng(8)
    values = rng.normal(size=(30, 9))
    values[rng.random(values.shape) < 0.4] = np.nan
    values[:, 0] = 1.0
    np.testing.assert_array_equal(median_of_known(values), np.nanmedian(values, axis=1))
    assert np.isnan(median_of_known(np.full((2, 3), np.nan))).all()
    assert np.isnan(median_of_known(np.empty((2, 0)))).all()


@pytest.mark.parametrize("phi", [0.0, 0.35, 0.7])
def test_the_autocorrelation_is_found(phi: float) -> None:
    noise = ar1(np.random.default_rng(9), 300, 120, phi)
    found = autocorrelation_of(noise - noise.mean(axis=1, keepdims=True), np.ones_like(noise))
    assert found.mean() == pytest.approx(phi, abs=0.06)


def test_one_odd_day_moves_no_date_much() -> None:
    levels = straight() + np.random.default_rng(11).normal(0, 0.003, (1, MEMORY_DAYS))
    odd = levels.copy()
    odd[0, -3] += 0.06
    plain, moved = one(levels, [0.25]), one(odd, [0.25])
    assert moved.mid_days[0, 0] == pytest.approx(plain.mid_days[0, 0], rel=0.1)
