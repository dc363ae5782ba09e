from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.readings import UNUSABLE, Flag, Fleet, QualityCarry, Readings, qualify
from standingwatch.readings.flags import STUCK_READINGS, STUCK_SPAN_US

NAN = float("nan")
SECOND = 1_000_000
DAY = 86_400 * SECOND
NOON = 1_740_830_400 * SECOND


def fleet(min_forward_w: list[float], rated_power_w: list[float]) -> Fleet:
    n = len(min_forward_w)
    unknown = np.full(n, NAN)
    return Fleet(
        key=np.arange(n, dtype=np.int64),
        site=("varn-hill",) * n,
        transmitter=tuple(f"tx{i}" for i in range(n)),
        region=("",) * n,
        antenna_line=("",) * n,
        frequency_mhz=np.full(n, 151.0),
        rated_power_w=np.array(rated_power_w),
        min_forward_w=np.array(min_forward_w),
        feeder_loss_db=unknown,
        directivity_db=unknown,
        foldback_swr=unknown,
        tolerance_swr=unknown,
        commissioned_rho=unknown,
        expected_interval_s=unknown,
    )


ORDINARY = fleet([5.0], [100.0])
UNRATED = fleet([NAN], [NAN])


def flags_of(
    of: Fleet = ORDINARY,
    *,
    received_us: Any = None,
    carry: QualityCarry | None = None,
    tolerance_s: float = 5.0,
    **columns: Any,
) -> list[int]:
    rows = len(columns["forward_w"])
    columns.setdefault("transmitter", [0] * rows)
    columns.setdefault("time_us", NOON + SECOND * np.arange(rows))
    columns.setdefault("reflected_w", [0.1] * rows)
    readings = Readings.from_columns(columns)
    received = readings.time_us if received_us is None else np.array(received_us, dtype=np.int64)
    flagged, _ = qualify(readings, of, received, carry or QualityCarry.empty(len(of)), tolerance_s)
    return flagged.flags.tolist()  # type: ignore[no-any-return]  # numpy's tolist has no element type


@pytest.mark.parametrize(
    ("keyed", "forward_w", "expected"),
    [
        (1, 50.0, 0),
        (None, 50.0, 0),
        (0, 50.0, Flag.NOT_KEYED),
        (0, 1.0, Flag.NOT_KEYED),
        (None, 2.49, Flag.NOT_KEYED | Flag.LOW_FORWARD),
        (None, 2.5, Flag.LOW_FORWARD),
        (None, 4.99, Flag.LOW_FORWARD),
        (1, 0.0, Flag.LOW_FORWARD),
        (1, 4.99, Flag.LOW_FORWARD),
        (1, 5.0, 0),
        (None, 5.0, 0),
    ],
)
def test_keying_and_low_power(keyed: int | None, forward_w: float, expected: int) -> None:
    assert flags_of(keyed=[keyed], forward_w=[forward_w], reflected_w=[0.0]) == [expected]


def test_without_a_least_power_nothing_is_low() -> None:
    assert flags_of(UNRATED, keyed=[1, None, None], forward_w=[0.0, 0.0, 1e-9]) == [
        0,
        0,
        Flag.REFLECTED_ABOVE_FORWARD,
    ]


@pytest.mark.parametrize(
    ("keyed", "forward_w", "reflected_w", "expected"),
    [
        (1, 50.0, 50.0, 0),
        (1, 50.0, 50.1, Flag.REFLECTED_ABOVE_FORWARD),
        (None, 5.0, 5.1, Flag.REFLECTED_ABOVE_FORWARD),
        (1, 4.9, 5.1, Flag.LOW_FORWARD),
        (
            0,
            50.0,
            50.1,
            Flag.NOT_KEYED,
        ),  # what a meter says of an unkeyed transmitter tells nothing of the meter
    ],
)
def test_reflected_above_forward(
    keyed: int | None, forward_w: float, reflected_w: float, expected: int
) -> None:
    assert flags_of(keyed=[keyed], forward_w=[forward_w], reflected_w=[reflected_w]) == [expected]


@pytest.mark.parametrize(
    ("of", "forward_w", "reflected_w", "out"),
    [
        (ORDINARY, 300.0, 1.0, False),
        (ORDINARY, 300.1, 1.0, True),
        (ORDINARY, 50.0, -5.0, False),
        (ORDINARY, 50.0, -5.1, True),
        (ORDINARY, -5.1, 0.0, True),
        (ORDINARY, NAN, 1.0, True),
        (ORDINARY, 50.0, NAN, True),
        (UNRATED, 1e7, 1.0, False),
        (UNRATED, 1.01e7, 1.0, True),
        (UNRATED, 50.0, 1.01e7, True),
        (UNRATED, 50.0, float("inf"), True),
        (UNRATED, -1.0, -1.0, False),
        (UNRATED, 50.0, -1.01, True),
        (UNRATED, -1.01, 1.0, True),
    ],
)
def test_out_of_range(of: Fleet, forward_w: float, reflected_w: float, out: bool) -> None:
    (flags,) = flags_of(of, keyed=[1], forward_w=[forward_w], reflected_w=[reflected_w])
    assert bool(flags & Flag.OUT_OF_RANGE) is out


def test_future_begins_past_the_tolerance() -> None:
    times = [NOON, NOON + 5 * SECOND, NOON + 5 * SECOND + 1]
    got = flags_of(forward_w=[50.0] * 3, time_us=times, received_us=[NOON] * 3)
    assert got == [0, 0, Flag.FUTURE]


def test_late_is_not_newer_than_the_newest_before() -> None:
    times = NOON + SECOND * np.array([10, 20, 20, 15, 30, 30, 29])
    got = flags_of(forward_w=[50.0] * 7, time_us=times)
    assert got == [0, 0, Flag.LATE, Flag.LATE, 0, Flag.LATE, Flag.LATE]


def test_a_reading_from_the_future_makes_none_late() -> None:
    times = NOON + SECOND * np.array([0, 1000, 1, 999, 1])
    received = np.full(5, NOON + 2 * SECOND)
    got = flags_of(forward_w=[50.0] * 5, time_us=times, received_us=received)
    assert got == [0, Flag.FUTURE, 0, Flag.FUTURE, Flag.LATE]


def test_transmitters_do_not_make_each_other_late() -> None:
    two = fleet([5.0, 5.0], [100.0, 100.0])
    times = NOON + SECOND * np.array([100, 1, 50, 2, 101])
    got = flags_of(two, forward_w=[50.0] * 5, transmitter=[1, 0, 1, 0, 1], time_us=times)
    assert got == [0, 0, Flag.LATE, 0, 0]


def test_times_a_century_apart_for_many_transmitters() -> None:
    n = 4000  # so many that the times themselves, lifted transmitter by transmitter, would overflow 64 bits
    many = fleet([5.0] * n, [100.0] * n)
    early, late = 946_684_800 * SECOND, 4_133_980_799 * SECOND
    got = flags_of(
        many,
        forward_w=[50.0] * (2 * n),
        transmitter=np.repeat(np.arange(n), 2),
        time_us=np.tile([late, early], n),
        received_us=np.full(2 * n, late),
    )
    assert got == [0, int(Flag.LATE)] * n


def run(rows: int, interval_us: int, **given: Any) -> list[bool]:
    columns: dict[str, Any] = {
        "forward_w": [50.0] * rows,
        "keyed": [1] * rows,
        "time_us": NOON + interval_us * np.arange(rows),
    } | given
    return [bool(flags & Flag.STUCK) for flags in flags_of(**columns)]


def test_a_pair_that_never_moves_is_stuck_once_long_enough_in_rows_and_time() -> None:
    per_hour = run(120, 3600 * SECOND)
    assert per_hour.index(True) == STUCK_READINGS - 1  # the span is long over
    assert all(per_hour[STUCK_READINGS - 1 :])
    per_minute = run(2000, 60 * SECOND)
    assert per_minute.index(True) == STUCK_SPAN_US // (60 * SECOND)  # the number is long over
    assert all(per_minute[per_minute.index(True) :])


def test_the_smallest_move_starts_anew() -> None:
    rows = 2 * STUCK_READINGS - 1
    for name, base in (("forward_w", 50.0), ("reflected_w", 0.1)):
        values = np.full(rows, base)
        values[STUCK_READINGS - 1 :] = np.nextafter(base, 60.0)
        stuck = run(rows, 3600 * SECOND, **{name: values})
        assert stuck.index(True) == rows - 1


def test_without_forward_power_nothing_is_stuck() -> None:
    assert not any(run(300, 3600 * SECOND, forward_w=[0.0] * 300, reflected_w=[0.0] * 300))


def test_a_steady_reflected_power_of_zero_is_not_stuck_while_forward_moves() -> None:
    assert not any(run(300, 3600 * SECOND, forward_w=50.0 + np.arange(300) % 2, reflected_w=[0.0] * 300))


@pytest.mark.parametrize("what", ["unkeyed", "late", "future"])
def test_rows_outside_the_run_neither_end_nor_lengthen_it(what: str) -> None:
    rows = 2 * STUCK_READINGS
    odd = np.arange(rows) % 2 == 1
    hours = NOON + 3600 * SECOND * np.arange(rows)
    columns: dict[str, Any] = {"forward_w": np.where(odd, 70.0, 50.0), "received_us": hours}
    if what == "unkeyed":
        columns["keyed"] = np.where(odd, 0, 1)
    elif what == "late":
        columns["time_us"] = np.where(odd, NOON - DAY, hours)
    else:
        columns["time_us"] = np.where(odd, hours + DAY, hours)
    stuck = run(rows, 3600 * SECOND, **columns)
    assert stuck.index(True) == 2 * (STUCK_READINGS - 1)
    assert sum(stuck) == 1


def test_unusable_holds_every_flag_but_that_of_the_clock() -> None:
    assert sum(Flag) == UNUSABLE | Flag.CLOCK_OFF == 255
    assert UNUSABLE == 127
    assert [flag.value for flag in Flag] == [1, 2, 4, 8, 16, 32, 64, 128]


def test_rows_come_back_as_they_went_in_and_the_carry_is_not_touched() -> None:
    two = fleet([5.0, 5.0], [100.0, 100.0])
    readings = Readings.from_columns(
        {
            "transmitter": [1, 0, 1],
            "time_us": [NOON, NOON, NOON - 1],
            "forward_w": [50.0, 60.0, 70.0],
            "channel": ["a", "b", "c"],
            "flags": [127, 127, 127],
        }
    )
    before = QualityCarry.empty(2)
    flagged, after = qualify(readings, two, readings.time_us, before, 0.0)
    assert flagged.forward_w is readings.forward_w
    assert flagged.channel.tolist() == ["a", "b", "c"]
    assert flagged.transmitter.tolist() == [1, 0, 1]
    assert flagged.flags.tolist() == [8, 8, 8 + 32]  # reflected power unknown; the old flags are gone
    assert readings.flags.tolist() == [127, 127, 127]
    assert before.newest_time_us.tolist() == QualityCarry.empty(2).newest_time_us.tolist()
    assert before.run_length.tolist() == [0, 0]
    assert after.newest_time_us.tolist() == [NOON, NOON]


def test_a_carry_follows_its_transmitters_into_a_changed_fleet() -> None:
    carry = QualityCarry(
        newest_time_us=np.array([10, 20], dtype=np.int64),
        last_forward_w=np.array([1.0, 2.0]),
        last_reflected_w=np.array([3.0, 4.0]),
        run_length=np.array([5, 6], dtype=np.int64),
        run_start_us=np.array([7, 8], dtype=np.int64),
    )
    moved = carry.rearranged(np.array([1, -1, 0]))
    assert moved.newest_time_us.tolist() == [20, QualityCarry.empty(1).newest_time_us[0], 10]
    assert moved.last_forward_w.tolist()[::2] == [2.0, 1.0]
    assert np.isnan(moved.last_forward_w[1])
    assert moved.last_reflected_w.tolist()[::2] == [4.0, 3.0]
    assert moved.run_length.tolist() == [6, 0, 5]
    assert moved.run_start_us.tolist() == [8, 0, 7]


def test_wrong_use_is_named() -> None:
    readings = Readings.from_columns({"transmitter": [0, 1], "time_us": [NOON, NOON]})
    carry = QualityCarry.empty(1)
    with pytest.raises(ValueError, match="2 readings but 1 receipt times"):
        qualify(readings, ORDINARY, readings.time_us[:1], carry, 5.0)
    with pytest.raises(ValueError, match="run from 0 to 1, wanted 0 to 0"):
        qualify(readings, ORDINARY, readings.time_us, carry, 5.0)
    with pytest.raises(ValueError, match="1 transmitters but the carry 2"):
        qualify(readings, ORDINARY, readings.time_us, QualityCarry.empty(2), 5.0)
    for tolerance_s in (-1.0, NAN, float("inf")):
        with pytest.raises(ValueError, match="future_tolerance_s is"):
            qualify(readings.take(slice(0, 1)), ORDINARY, readings.time_us[:1], carry, tolerance_s)


def test_no_rows_give_no_rows() -> None:
    carry = QualityCarry.empty(1)
    flagged, after = qualify(Readings.empty(), ORDINARY, np.empty(0, dtype=np.int64), carry, 5.0)
    assert len(flagged) == 0
    assert after is carry
