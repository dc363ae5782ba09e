"""Clocks of sites, told from delays: planted errors are found, backlogs are not taken for them."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.readings.clocks import (
    CLOCK_STATE,
    POINTS,
    ClockSettings,
    Observed,
    drift_s_per_day,
    from_plain,
    is_known,
    observe,
    to_plain,
    unknown_clocks,
)

NOW_US = 1_795_000_000_000_000
SECOND, HOUR, DAY = 1_000_000, 3_600_000_000, 86_400_000_000
LIMITS = ClockSettings()


def live(
    behind_s: float, *, minutes: int = 60, every_s: float = 60.0, begin_us: int = NOW_US, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Receipts and times of a site that reports as it measures: up to 1 s on the way."""
    received_us = begin_us + np.arange(round(minutes * 60 / every_s)) * round(every_s * SECOND)
    on_the_way = np.random.default_rng(seed).uniform(0.05, 1.0, len(received_us))
    # Mostly quick: the least of a few is near to nothing.
    on_the_way = np.where(np.arange(len(received_us)) % 2, on_the_way, 0.1)
    return received_us, received_us - np.round((behind_s + on_the_way) * SECOND).astype(np.int64)


def one_site(received_us: np.ndarray, time_us: np.ndarray, state: np.ndarray | None = None) -> Observed:
    begun = unknown_clocks(1) if state is None else state
    return observe(begun, np.zeros(len(received_us), dtype=np.int64), received_us, time_us, LIMITS)


def test_a_clock_that_is_right_is_known_and_not_off() -> None:
    seen = one_site(*live(0.0))
    assert is_known(seen.state).tolist() == [True]
    assert 0 <= seen.state["behind_us"][0] < 2 * SECOND
    assert (seen.off_us == 0).all()
    assert seen.state["jumps"][0] == 0


@pytest.mark.parametrize("behind_s", [3600.0, -3600.0, 75.0, -75.0, 86_400.0 * 365 * 20])
def test_a_clock_that_is_off_is_found_to_within_its_delays(behind_s: float) -> None:
    received_us, time_us = live(behind_s)
    seen = one_site(received_us, time_us)
    assert seen.state["off_us"][0] == pytest.approx(behind_s * SECOND, abs=2 * SECOND)
    # Nothing is said before three groups have agreed, everything afterwards.
    assert (seen.off_us[:3] == 0).all()
    assert (seen.off_us[4:] != 0).all()
    assert np.abs(time_us + seen.off_us - received_us)[4:].max() < 5 * SECOND


@pytest.mark.parametrize("behind_s", [59.0, -59.0])
def test_within_the_tolerance_nothing_is_held_against_a_clock(behind_s: float) -> None:
    received_us, _ = live(behind_s)
    # All of them take the same on the way, so that the level is known to the microsecond.
    seen = one_site(received_us, received_us - round(behind_s * SECOND))
    assert seen.state["behind_us"][0] == behind_s * SECOND
    assert (seen.off_us == 0).all()


@pytest.mark.parametrize("pace", [1.1, 2.0, 10.0, 100.0])
@pytest.mark.parametrize("order", ["oldest first", "newest first", "shuffled"])
def test_a_backlog_is_not_taken_for_a_clock_that_is_off(pace: float, order: str) -> None:
    """Fourteen days, or as much of them as comes in three hours."""
    received_us = NOW_US + np.arange(0, 3 * HOUR, round(300 * SECOND / pace))
    measured = NOW_US - 14 * DAY + np.round((received_us - NOW_US) * pace).astype(np.int64)
    # What was measured is not after its receipt.
    measured = np.minimum(measured, received_us - SECOND // 10)
    if order == "newest first":
        # The last of the backlog first, then ever older ones: delays that grow.
        measured = received_us - SECOND - (received_us - NOW_US) * 2
    elif order == "shuffled":
        measured = np.random.default_rng(5).permutation(measured)
        measured = np.minimum(measured, received_us - SECOND // 10)
    before = one_site(*live(0.0, begin_us=NOW_US - 15 * DAY)).state
    seen = one_site(received_us, measured, before)
    assert (seen.off_us == 0).all()
    assert seen.state["jumps"][0] == 0


def test_a_backlog_beside_live_reports_leaves_the_level_as_it_is() -> None:
    received_us, time_us = live(0.0, minutes=120)
    old_received = np.repeat(received_us, 20) + np.tile(np.arange(20) * SECOND, len(received_us))
    old_time = NOW_US - 14 * DAY + np.arange(len(old_received)) * 60 * SECOND
    order = np.argsort(np.append(received_us, old_received), kind="stable")
    seen = one_site(
        np.append(received_us, old_received)[order], np.append(time_us, np.minimum(old_time, NOW_US))[order]
    )
    assert (seen.off_us == 0).all()
    assert is_known(seen.state)[0]


def test_a_jump_is_seen_and_what_it_was_by() -> None:
    first = one_site(*live(0.0))
    second = one_site(*live(1800.0, begin_us=NOW_US + 2 * HOUR, seed=2), first.state)
    assert second.state["jumps"][0] == 1
    assert second.state["jump_by_us"][0] == pytest.approx(1800 * SECOND, abs=2 * SECOND)
    assert NOW_US + 2 * HOUR < second.state["jump_us"][0] < NOW_US + 2 * HOUR + 10 * 60 * SECOND
    assert second.state["off_us"][0] == pytest.approx(1800 * SECOND, abs=2 * SECOND)
    # Set right again.
    third = one_site(*live(0.0, begin_us=NOW_US + 4 * HOUR, seed=3), second.state)
    assert third.state["jumps"][0] == 2
    assert third.state["off_us"][0] == 0


def test_a_drift_is_not_told_across_a_jump() -> None:
    received_us, _ = live(0.0, minutes=24 * 60)
    drifting = (received_us - NOW_US) * 9 // 86_400 + 1
    first = one_site(received_us, received_us - drifting)
    assert drift_s_per_day(first.state)[0] == pytest.approx(9, abs=0.1)
    after_us, _ = live(0.0, minutes=5 * 60, begin_us=NOW_US + DAY)
    second = one_site(after_us, after_us - 1800 * SECOND, first.state)
    assert second.state["jumps"][0] == 1
    assert np.isnan(drift_s_per_day(second.state)[0])
    later_us, _ = live(0.0, minutes=24 * 60, begin_us=NOW_US + DAY + 5 * HOUR)
    third = one_site(later_us, later_us - 1800 * SECOND, second.state)
    # Steady since the jump: neither the old drift nor the jump is taken for one.
    assert np.isnan(drift_s_per_day(third.state)[0])


def test_what_is_used_stays_until_the_clock_has_moved_by_half_the_tolerance() -> None:
    state = one_site(*live(100.0)).state
    used = int(state["off_us"][0])
    for number, behind_s in enumerate([110.0, 95.0, 125.0]):
        received_us, _ = live(0.0, begin_us=NOW_US + (number + 2) * 2 * HOUR)
        state = one_site(received_us, received_us - round(behind_s * SECOND), state).state
        assert state["off_us"][0] == used
    received_us, _ = live(0.0, begin_us=NOW_US + 20 * HOUR)
    state = one_site(received_us, received_us - 140 * SECOND, state).state
    assert state["off_us"][0] == 140 * SECOND
    assert state["jumps"][0] == 0


@pytest.mark.parametrize("planted", [3.0, -3.0, 17.3, 0.5])
def test_a_planted_drift_is_recovered(planted: float) -> None:
    """Seconds a day, over two days."""
    received_us, _ = live(0.0, minutes=2 * 24 * 60)
    rng = np.random.default_rng(7)
    late_us = np.round(
        planted * SECOND * (received_us - NOW_US) / DAY + rng.uniform(1, 2e5, len(received_us))
    )
    seen = one_site(received_us, received_us - late_us.astype(np.int64) - 1)
    assert drift_s_per_day(seen.state)[0] == pytest.approx(planted, abs=0.1)


def test_no_drift_is_told_from_scatter_or_from_too_little() -> None:
    received_us, _ = live(0.0, minutes=2 * 24 * 60)
    late_us = np.random.default_rng(8).uniform(1, 3e6, len(received_us)).astype(np.int64)
    assert np.isnan(drift_s_per_day(one_site(received_us, received_us - late_us).state)[0])
    assert np.isnan(drift_s_per_day(one_site(*live(0.0, minutes=300)).state)[0])


def test_reports_that_were_given_their_receipt_say_nothing() -> None:
    received_us, _ = live(0.0)
    seen = one_site(received_us, received_us)
    assert not is_known(seen.state)[0]
    known = one_site(*live(3600.0)).state
    later = one_site(received_us + 2 * HOUR, received_us + 2 * HOUR, known)
    assert (later.off_us == 0).all()


def test_our_own_clock_set_back_stops_nothing() -> None:
    first = one_site(*live(3600.0))
    again = one_site(*live(3600.0, begin_us=NOW_US - 5 * HOUR, seed=4), first.state)
    assert again.state["off_us"][0] == pytest.approx(3600 * SECOND, abs=2 * SECOND)
    assert again.state["jumps"][0] == 0
    assert again.state["open_us"][0] < NOW_US


@st.composite
def streams(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[int]]:
    """Reports of three sites with clocks of all kinds, and where the stream is cut."""
    count = draw(st.integers(1, 80))
    steps = draw(st.lists(st.integers(0, 90), min_size=count, max_size=count))
    received_us = NOW_US + np.cumsum(steps) * SECOND
    site = np.array(draw(st.lists(st.integers(0, 2), min_size=count, max_size=count)))
    error_s = np.array([0, 400, -400])[site] * draw(st.sampled_from([0, 1, 1]))
    late_s = np.array(draw(st.lists(st.sampled_from([0, 0, 0, 1, 7, 5000]), min_size=count, max_size=count)))
    cuts = sorted(set(draw(st.lists(st.integers(0, count), max_size=6))))
    return site, received_us, received_us - (error_s + late_s) * SECOND, cuts


@settings(max_examples=300)
@given(streams())
def test_any_cut_of_the_stream_gives_the_same(
    stream: tuple[np.ndarray, np.ndarray, np.ndarray, list[int]],
) -> None:
    site, received_us, time_us, cuts = stream
    whole = observe(unknown_clocks(3), site, received_us, time_us, LIMITS)
    state, parts, judged = unknown_clocks(3), [], set()
    for begin, end in zip([0, *cuts], [*cuts, len(site)], strict=True):
        piece = slice(begin, end)
        seen = observe(state, site[piece], received_us[piece], time_us[piece], LIMITS)
        # Kept and read again between any two.
        state = np.concatenate([from_plain(json.loads(json.dumps(to_plain(one)))) for one in seen.state])
        parts.append(seen.off_us)
        judged |= set(seen.judged.tolist())
    assert np.concatenate(parts).tolist() == whole.off_us.tolist()
    assert state.tobytes() == whole.state.tobytes()
    assert judged == set(whole.judged.tolist())


@settings(max_examples=200)
@given(
    st.lists(
        st.tuples(st.integers(0, 2), st.integers(-(2**60), 2**60), st.integers(-(2**60), 2**60)), max_size=30
    )
)
def test_no_times_are_too_wild(rows: list[tuple[int, int, int]]) -> None:
    columns = np.array(rows, dtype=np.int64).reshape(-1, 3)
    seen = observe(unknown_clocks(3), columns[:, 0], columns[:, 1], columns[:, 2], LIMITS)
    assert seen.off_us.shape == (len(rows),)
    drift_s_per_day(seen.state)


def test_wrong_use_says_what_is_wrong() -> None:
    received_us, time_us = live(1.0)
    with pytest.raises(ValueError, match="wanted 0 to 0"):
        observe(unknown_clocks(1), np.ones(len(time_us), dtype=np.int64), received_us, time_us, LIMITS)
    with pytest.raises(ValueError, match="one each"):
        one_site(received_us, time_us[1:])
    with pytest.raises(ValueError, match="above 0"):
        ClockSettings(tolerance_us=0)


def test_a_record_of_another_layout_is_read_as_far_as_it_goes() -> None:
    plain = to_plain(one_site(*live(3600.0)).state[0])
    plain["point_us"] = [1, 2]
    plain["of_later"] = 5
    del plain["jumps"]
    again = from_plain(plain)
    assert again["off_us"][0] == plain["off_us"]
    assert again["point_us"].tolist() == [[0] * POINTS]
    assert again["jumps"][0] == 0
    assert again.dtype == CLOCK_STATE
