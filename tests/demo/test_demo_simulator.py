from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.demo import faults as kinds
from standingwatch.demo.country import Country, build_country
from standingwatch.demo.faults import Fault, plan_faults
from standingwatch.demo.simulator import Simulator
from standingwatch.rf.feeder import swr_ceiling
from standingwatch.rf.reflection import swr_from_rho

START_S = 1_760_000_000
DAY_S = 86_400
LIVE_S = START_S + 120 * DAY_S
END_S = START_S + 150 * DAY_S


@lru_cache
def country() -> Country:
    return build_country(1)


@lru_cache
def planned() -> tuple[Fault, ...]:
    return tuple(plan_faults(country(), START_S, END_S, 1))


def fault(kind: str, position: int, onset_s: float = START_S, **more: object) -> Fault:
    t = country().transmitters[position]
    base = Fault(country().sites[t.site].name, t.name, kind, onset_s, "by hand", position, position + 1)
    return replace(base, **more)


def position_of(**wanted: object) -> int:
    """The first transmitter with a line of its own and such attributes."""
    shared = pd.Series([t.line.name for t in country().transmitters]).value_counts()
    for i, t in enumerate(country().transmitters):
        if shared[t.line.name] == 1 and all(getattr(t, k) == v for k, v in wanted.items()):
            return i
    raise AssertionError(f"no transmitter with {wanted}")


def readings_of(frame: pd.DataFrame, position: int) -> pd.DataFrame:
    t = country().transmitters[position]
    site = country().sites[t.site].name
    return frame[(frame["site"] == site) & (frame["transmitter"] == t.name)]


def measured_swr(frame: pd.DataFrame) -> pd.Series:
    return swr_from_rho(np.sqrt(frame["reflected_w"] / frame["forward_w"]))


def true_rho(simulator: Simulator, position: int, times_s: np.ndarray) -> np.ndarray:
    return np.abs(simulator.signals(np.full(len(times_s), position), times_s).rho)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_fleet_stays_in_a_sane_range_for_a_year(seed: int) -> None:
    land = build_country(seed)
    frame = Simulator(land, [], 7).frame(START_S, START_S + 365 * DAY_S, 3600)
    keyed = frame[frame["keyed"]]
    swr = measured_swr(keyed).groupby([keyed["site"], keyed["transmitter"]])
    assert swr.median().between(1.05, 1.5).all()
    assert swr.max().max() < 2.0
    # No healthy meter shows zero reflected power for long, and none shows the same ratio always.
    reflected = keyed.groupby(["site", "transmitter"])["reflected_w"]
    assert reflected.apply(lambda w: (w == 0).mean()).max() < 0.02
    assert swr.nunique().min() > 5


@settings(max_examples=25)
@given(st.lists(st.integers(0, 3 * DAY_S), min_size=1, max_size=6), st.sampled_from([None, 600, 7]))
def test_reports_do_not_depend_on_how_the_span_is_cut(cuts: list[int], interval_s: int | None) -> None:
    span_s = 3 * DAY_S if interval_s != 7 else DAY_S // 4
    edges = [0, *sorted(min(cut, span_s) for cut in cuts), span_s]
    simulator = Simulator(country(), planned(), 3)
    whole = simulator.frame(LIVE_S, LIVE_S + span_s, interval_s)
    parts = [simulator.frame(LIVE_S + a, LIVE_S + b, interval_s) for a, b in pairwise(edges)]
    joined = pd.concat([part for part in parts if len(part)], ignore_index=True)
    pd.testing.assert_frame_equal(joined, whole, check_exact=True)


def test_reports_are_the_same_each_time_and_others_for_another_seed() -> None:
    first = Simulator(country(), planned(), 3).frame(LIVE_S, LIVE_S + 7200)
    again = Simulator(build_country(1), plan_faults(build_country(1), START_S, END_S, 1), 3)
    pd.testing.assert_frame_equal(again.frame(LIVE_S, LIVE_S + 7200), first, check_exact=True)
    other = Simulator(country(), planned(), 4).frame(LIVE_S, LIVE_S + 7200)
    assert not other["forward_w"].equals(first["forward_w"])


def test_reports_come_at_each_sites_interval_in_order() -> None:
    frame = Simulator(country(), [], 3).frame(START_S, START_S + 7200)
    assert frame["time_us"].is_monotonic_increasing
    assert frame["time_us"].between(START_S * 1e6, (START_S + 7200) * 1e6, inclusive="left").all()
    for site in country().sites[:8]:
        one = frame[frame["site"] == site.name]
        for _, rows in one.groupby("transmitter"):
            assert (rows["time_us"].diff().dropna() == site.report_interval_s * 1e6).all()
            assert (rows["sequence"].diff().dropna() == 1).all()
            assert len(rows) == 7200 // site.report_interval_s


def test_an_empty_span_has_no_rows_and_a_wrong_one_is_refused() -> None:
    simulator = Simulator(country(), [], 3)
    assert len(simulator.frame(START_S, START_S)) == 0
    with pytest.raises(ValueError, match="lies before"):
        simulator.frame(START_S, START_S - 1)
    with pytest.raises(ValueError, match="interval_s is 0"):
        simulator.frame(START_S, START_S + 1, 0)
    with pytest.raises(ValueError, match="unknown kinds gremlin"):
        Simulator(country(), [fault("gremlin", 0)], 3)


def test_powers_are_whole_steps_of_the_meter() -> None:
    frame = Simulator(country(), planned(), 3).frame(LIVE_S, LIVE_S + DAY_S, 600)
    steps = {(country().sites[t.site].name, t.name): t.power_step_w for t in country().transmitters}
    assert set(steps.values()) == {0.01, 0.1, 1.0}
    step_w = np.array([steps[pair] for pair in zip(frame["site"], frame["transmitter"], strict=True)])
    for column in ("forward_w", "reflected_w"):
        in_steps = frame[column].to_numpy() / step_w
        assert np.abs(in_steps - np.round(in_steps)).max() < 1e-6
        assert (frame[column] >= 0).all()


def test_an_unkeyed_transmitter_shows_almost_no_forward_power_unless_its_meter_holds() -> None:
    frame = Simulator(country(), [], 3).frame(START_S, START_S + DAY_S)
    idle = frame[~frame["keyed"]]
    assert 0.2 < len(idle) / len(frame) < 0.9
    holds = {(country().sites[t.site].name, t.name) for t in country().transmitters if t.holds_last}
    assert holds
    pair = pd.MultiIndex.from_frame(idle[["site", "transmitter"]])
    still = idle[~pair.isin(list(holds))]
    rated = {(country().sites[t.site].name, t.name): t.rated_power_w for t in country().transmitters}
    rated_w = [rated[p] for p in zip(still["site"], still["transmitter"], strict=True)]
    assert (still["forward_w"] / rated_w).max() < 0.05
    held = frame[pd.MultiIndex.from_frame(frame[["site", "transmitter"]]).isin(list(holds))]
    for _, rows in held.groupby(["site", "transmitter"]):
        after = rows["keyed"].shift(fill_value=False) & ~rows["keyed"]
        assert (rows["forward_w"][after] == rows["forward_w"].shift()[after]).all()
        assert (rows["reflected_w"][after] == rows["reflected_w"].shift()[after]).all()


def test_always_keyed_services_are_always_keyed_and_the_rest_are_not() -> None:
    frame = Simulator(country(), [], 3).frame(START_S, START_S + DAY_S, 600)
    share = frame.groupby(["site", "transmitter"])["keyed"].mean()
    for t in country().transmitters:
        keyed = share[country().sites[t.site].name, t.name]
        assert (keyed == 1.0) == t.always_keyed


def test_rho_is_at_most_one_at_every_coupler_whatever_is_broken() -> None:
    simulator = Simulator(country(), planned(), 3)
    n = len(country().transmitters)
    for time_s in range(START_S, END_S, 2 * DAY_S):
        signals = simulator.signals(np.arange(n), np.full(n, time_s))
        assert np.abs(signals.rho).max() <= 1.0
        assert np.isfinite(signals.forward_w).all()


def test_an_open_antenna_shows_the_ceiling_of_the_loss_within_what_near_reflections_add() -> None:
    times_s = START_S + np.arange(0, 30 * DAY_S, 3600)
    tried = 0
    for position, t in enumerate(country().transmitters):
        if country().positions_of_line(position) != (position, position + 1):
            continue
        healthy = Simulator(country(), [], 3)
        broken = Simulator(country(), [fault(kinds.STORM_DAMAGE, position, START_S - 1, place="open")], 3)
        rho = true_rho(broken, position, times_s)
        loss_db = healthy.signals(np.full(len(times_s), position), times_s).feeder_loss_db
        expected = 10 ** (-(loss_db + t.jumper_loss_db + t.combiner_loss_db) / 10)
        # A connector of series z and shunt y reflects about |z + y| / 2, added to the far one or taken off.
        near = abs(t.near_series) / 2 + abs(t.near_shunt) / 2
        assert (np.abs(rho - expected) < 2 * near + 0.01).all()
        ceiling = swr_ceiling(loss_db + t.jumper_loss_db)
        assert (swr_from_rho(rho) > 0.4 * ceiling).all()
        tried += 1
    assert tried > 20


def test_water_in_the_feeder_lowers_the_swr_while_the_loss_rises() -> None:
    times_s = START_S + np.arange(0, 60 * DAY_S, 3 * 3600)
    position = next(
        i
        for i, t in enumerate(country().transmitters)
        if t.combiner_loss_db == 0
        and abs(t.near_series) + abs(t.near_shunt) < 0.06
        and abs(t.line.antenna_resistance - 1) > 0.17
        and country().positions_of_line(i) == (i, i + 1)
    )
    wet = fault(kinds.FEEDER_WATER, position, size=4.0, develops_s=60.0 * DAY_S)
    rows = np.full(len(times_s), position)
    before = Simulator(country(), [], 3).signals(rows, times_s)
    after = Simulator(country(), [wet], 3).signals(rows, times_s)
    added_db = after.feeder_loss_db - before.feeder_loss_db
    assert (added_db[1:] > 0).all()
    assert added_db[-1] > 2.4
    late = slice(-80, None)
    ratio = np.median(np.abs(after.rho[late])) / np.median(np.abs(before.rho[late]))
    assert ratio < 0.8
    # The radiated power falls although the match improves.
    assert (after.forward_w >= before.forward_w * 0.999).all()


def test_foldback_takes_power_back_as_the_curve_says_and_leaves_unprotected_ones() -> None:
    for protection, model in enumerate(("foldback", "foldback", "none")):
        position = position_of(protection=protection, combiner_loss_db=0.0)
        bad = fault(kinds.CORROSION, position, size=2.5, place="near", develops_s=1.0)
        times_s = START_S + DAY_S + np.arange(0, DAY_S, 1800)
        rows = np.full(len(times_s), position)
        healthy = Simulator(country(), [], 3).signals(rows, times_s)
        sick = Simulator(country(), [bad], 3).signals(rows, times_s)
        swr = swr_from_rho(np.abs(sick.rho))
        assert swr.min() > 2.0
        share = sick.forward_w / healthy.forward_w
        if model == "none":
            assert np.allclose(share, 1.0)
        else:
            start, full, floor = ((2.0, 4.0, 0.25), (1.7, 3.0, 0.3))[protection]
            line = 1 - (1 - floor) * np.clip((swr - start) / (full - start), 0, 1)
            assert np.allclose(share, line)
            assert share.min() < 0.9


def test_a_storm_step_shows_within_one_report() -> None:
    struck = next(f for f in planned() if f.kind == kinds.STORM_DAMAGE and f.place == "open")
    simulator = Simulator(country(), planned(), 3)
    frame = readings_of(simulator.frame(struck.onset_s - DAY_S, struck.onset_s + DAY_S), struck.first)
    frame = frame[frame["keyed"]]
    swr = measured_swr(frame)
    before = swr[frame["time_us"] < struck.onset_s * 1e6]
    after = swr[frame["time_us"] >= struck.onset_s * 1e6]
    assert before.max() < 2.0
    assert after.min() > 4.0


def test_a_slow_rise_departs_early_and_passes_its_limits_late() -> None:
    rise = next(f for f in planned() if f.kind == kinds.CORROSION and f.end_s == np.inf and f.place == "near")
    simulator = Simulator(country(), planned(), 3)
    frame = readings_of(simulator.frame(rise.onset_s - 30 * DAY_S, END_S, 600), rise.first)
    frame = frame[frame["keyed"]]
    swr = measured_swr(frame)
    swr.index = pd.to_datetime(frame["time_us"], unit="us", utc=True)
    daily = swr.resample("D").median()
    onset, live = (pd.to_datetime(s, unit="s", utc=True) for s in (rise.onset_s, LIVE_S))
    healthy = daily[:onset]
    normal = healthy.mean() + 4 * healthy.std()

    def first_lasting(limit: float) -> pd.Timestamp:
        over = daily[onset:] > limit
        below = over[~over].index
        return below[-1] if len(below) else onset

    departs, one_and_half, two = first_lasting(normal), first_lasting(1.5), first_lasting(2.0)
    assert departs < one_and_half < two
    assert live < one_and_half
    assert (two - departs).days >= 7
    assert two < pd.to_datetime(END_S, unit="s", utc=True) - pd.Timedelta(days=1)


def test_a_loose_connector_comes_in_bursts_more_in_wind() -> None:
    position = position_of(combiner_loss_db=0.0)
    times_s = START_S + np.arange(0, 90 * DAY_S, 600)
    loose = fault(kinds.LOOSE_CONNECTOR, position, size=1.6, place="near")
    bad = true_rho(Simulator(country(), [loose], 3), position, times_s)
    good = true_rho(Simulator(country(), [], 3), position, times_s)
    burst = np.abs(bad - good) > 0.1
    assert 0.005 < burst.mean() < 0.4
    assert np.array_equal(bad[~(bad != good)], good[~(bad != good)])
    assert (bad == good).mean() > 0.5
    site = country().columns.site[position]
    wind = country().weather.at(np.full(len(times_s), site), times_s.astype(float)).wind_mps
    windy = wind > np.quantile(wind, 0.8)
    assert burst[windy].mean() > 2 * burst[~windy].mean()


def test_water_in_an_antenna_follows_the_rain_and_dries_only_partly() -> None:
    # From May to July, when it rains and does not snow.
    first_s = START_S + 210 * DAY_S
    times_s = first_s + np.arange(0, 60 * DAY_S, 3600)
    dry = Simulator(country(), [], 3)
    for position in range(0, len(country().transmitters), 10):
        wet = fault(kinds.ANTENNA_WATER, position, first_s - DAY_S, size=0.5, develops_s=3600.0)
        rows = np.full(len(times_s), position)
        # As phasors: whether the magnitude rises or falls depends on what it adds to.
        bad = Simulator(country(), [wet], 3).signals(rows, times_s).rho
        change = np.abs(bad - dry.signals(rows, times_s).rho)
        site = np.full(len(times_s), country().columns.site[position])
        weather = country().weather.at(site, times_s.astype(float))
        rain = weather.film + weather.soak
        assert np.corrcoef(change, rain)[0, 1] > 0.8
        driest, wettest = change[rain < np.quantile(rain, 0.1)], change[rain > np.quantile(rain, 0.9)]
        assert driest.min() > 0.1 * wettest.max()
        assert driest.max() < wettest.min()


def test_ice_comes_with_frost_and_goes_with_the_thaw() -> None:
    icy = next(f for f in planned() if f.kind == kinds.ANTENNA_ICE)
    times_s = START_S + np.arange(0, 150 * DAY_S, 3600)
    bad = true_rho(Simulator(country(), [icy], 3), icy.first, times_s)
    good = true_rho(Simulator(country(), [], 3), icy.first, times_s)
    site = country().columns.site[icy.first]
    weather = country().weather.at(np.full(len(times_s), site), times_s.astype(float))
    assert np.abs(bad - good).max() > 0.15
    assert np.array_equal(bad[weather.ice_mm == 0], good[weather.ice_mm == 0])
    assert weather.temperature_c[np.abs(bad - good) > 0.1].max() < 6.0


def test_an_ageing_amplifier_loses_power_and_keeps_its_ratio() -> None:
    position = position_of(combiner_loss_db=0.0)
    times_s = START_S + np.arange(0, 30 * DAY_S, 3600)
    rows = np.full(len(times_s), position)
    old = fault(kinds.AMPLIFIER_AGEING, position, size=0.6, develops_s=30.0 * DAY_S)
    aged = Simulator(country(), [old], 3).signals(rows, times_s)
    new = Simulator(country(), [], 3).signals(rows, times_s)
    assert np.array_equal(aged.rho, new.rho)
    assert np.allclose(aged.forward_w / new.forward_w, 1 - 0.6 * (times_s - START_S) / (30 * DAY_S))


def test_a_coupler_fails_stuck_or_at_zero_and_forward_goes_on() -> None:
    position = position_of(combiner_loss_db=0.0, power_step_w=0.01)
    for kind, size, expected_w in (
        (kinds.COUPLER_ZERO, 0.0, 0.0),
        (kinds.COUPLER_STUCK, 0.02, 0.02 * country().transmitters[position].rated_power_w),
    ):
        broken = Simulator(country(), [fault(kind, position, START_S + DAY_S, size=size)], 3)
        frame = readings_of(broken.frame(START_S, START_S + 2 * DAY_S, 600), position)
        after = frame["time_us"] >= (START_S + DAY_S) * 1e6
        assert frame["reflected_w"][after].nunique() == 1
        step_w = country().transmitters[position].power_step_w
        assert frame["reflected_w"][after].iloc[0] == pytest.approx(expected_w, abs=step_w / 2 + 1e-9)
        assert frame["reflected_w"][~after].nunique() > 3
        assert frame["forward_w"][after].nunique() > 3


def test_a_link_outage_silences_the_site_and_nothing_else() -> None:
    out = next(f for f in planned() if f.kind == kinds.LINK_OUTAGE and f.onset_s > LIVE_S)
    simulator = Simulator(country(), planned(), 3)
    middle_s = (out.onset_s + out.end_s) / 2
    assert simulator.link_online(out.site, out.onset_s - 1)
    assert not simulator.link_online(out.site, middle_s)
    assert simulator.link_online(out.site, out.end_s)
    names = [site.name for site in country().sites]
    offline = ~simulator.sites_online(middle_s)
    assert [names[i] for i in np.flatnonzero(offline)] == [out.site]
    frame = simulator.frame(middle_s, middle_s + 1800)
    assert set(names) - set(frame["site"]) == {out.site}
    after = simulator.frame(out.end_s, out.end_s + 1800)
    assert out.site in set(after["site"])
    with pytest.raises(KeyError, match="nowhere"):
        simulator.link_online("nowhere", middle_s)


def test_a_silent_transmitter_stops_while_its_site_goes_on() -> None:
    silent = next(f for f in planned() if f.kind == kinds.TRANSMITTER_SILENT)
    frame = Simulator(country(), planned(), 3).frame(silent.onset_s - 3600, silent.onset_s + 3600)
    mine = readings_of(frame, silent.first)
    assert len(mine) > 5
    assert mine["time_us"].max() < silent.onset_s * 1e6
    site = frame[frame["site"] == silent.site]
    assert site["time_us"].max() > (silent.onset_s + 3000) * 1e6


def test_a_planned_retune_moves_the_frequency_while_on_record() -> None:
    moved = next(f for f in planned() if f.kind == kinds.PLANNED_RETUNE and f.onset_s > LIVE_S)
    simulator = Simulator(country(), planned(), 3)
    frame = readings_of(simulator.frame(moved.onset_s - DAY_S, moved.onset_s + DAY_S, 600), moved.first)
    before = frame["time_us"] < moved.onset_s * 1e6
    own_mhz = country().transmitters[moved.first].frequency_mhz
    assert frame["frequency_mhz"][before].unique().tolist() == [own_mhz]
    assert frame["frequency_mhz"][~before].unique() == pytest.approx([own_mhz + moved.size])
    assert moved.maintenance is not None
    assert moved.maintenance.start_s < moved.onset_s < moved.maintenance.end_s
    keyed = frame[frame["keyed"] & ~before]
    assert measured_swr(keyed).max() < 2.0


@settings(max_examples=20)
@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(0, 365))
def test_the_plan_has_every_kind_that_was_asked_for_on_lines_of_their_own(
    country_seed: int, plan_seed: int, day: int
) -> None:
    start_s = START_S + day * DAY_S
    land = build_country(country_seed)
    faults = plan_faults(land, start_s, start_s + 150 * DAY_S, plan_seed)
    live = [f.kind for f in faults if f.onset_s >= start_s + 120 * DAY_S]
    assert {
        kinds.STORM_DAMAGE, kinds.LINK_OUTAGE, kinds.TRANSMITTER_SILENT, kinds.LOOSE_CONNECTOR,
        kinds.AMPLIFIER_AGEING,
    } <= set(live)  # fmt: skip
    assert sum(f.end_s < start_s + 120 * DAY_S for f in faults) >= 5
    reached = [i for f in faults for i in range(f.first, f.stop)]
    assert len(set(reached)) == len(reached)
    assert len(set(reached)) < 0.5 * len(land.transmitters)


def test_a_plan_out_of_order_is_refused() -> None:
    with pytest.raises(ValueError, match="rising order"):
        plan_faults(country(), START_S, END_S, 1, live_start_s=END_S + 1)


def test_all_behind_a_shared_antenna_move_together() -> None:
    shared = next(f for f in planned() if f.kind == kinds.ANTENNA_WATER and f.stop - f.first > 1)
    times_s = np.full(1, int(END_S - 3600))
    for position in range(shared.first, shared.stop):
        bad = true_rho(Simulator(country(), planned(), 3), position, times_s)[0]
        good = true_rho(Simulator(country(), [], 3), position, times_s)[0]
        assert abs(bad - good) > 0.03
