"""The flags of a stream are the same however it is cut, and the same as the rule applied row by row."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import standingwatch.readings.flags as flags_module
from standingwatch.readings import Flag, Fleet, QualityCarry, Readings, qualify

N = 3
UNKNOWN = np.full(N, np.nan)
FLEET = Fleet(
    key=np.arange(N, dtype=np.int64),
    site=("varn-hill",) * N,
    transmitter=("tx0", "tx1", "tx2"),
    region=("",) * N,
    antenna_line=("",) * N,
    frequency_mhz=UNKNOWN,
    rated_power_w=np.array([10.0, np.nan, 10.0]),
    min_forward_w=np.array([2.0, 2.0, np.nan]),
    feeder_loss_db=UNKNOWN,
    directivity_db=UNKNOWN,
    foldback_swr=UNKNOWN,
    tolerance_swr=UNKNOWN,
    commissioned_rho=UNKNOWN,
    expected_interval_s=UNKNOWN,
)
TOLERANCE_US = 3

row = st.tuples(
    st.integers(0, N - 1),
    st.integers(-3, 3),  # how far the time lies from the row's place in the stream
    st.sampled_from([5.0, 5.0, 5.0, 6.0, 0.0, 1.5, -2.0, 50.0, np.nan]),
    st.sampled_from([1.0, 1.0, 1.0, 2.0, 7.0, np.nan]),
    st.sampled_from([1, 1, 1, 0, -1]),
    st.integers(-6, 6),
)


@pytest.fixture(autouse=True, scope="module")
def _short_runs() -> Any:
    # The rule with smaller numbers, so that streams of a few rows get stuck.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flags_module, "STUCK_READINGS", 3)
        patch.setattr(flags_module, "STUCK_SPAN_US", 4)
        yield


def stream(rows: list[Any]) -> tuple[Readings, Any]:
    place = np.arange(len(rows), dtype=np.int64) * 2 + 10**15
    columns: list[Any] = list(zip(*rows, strict=True)) if rows else [()] * 6
    time_us = place + np.array(columns[1], dtype=np.int64)
    readings = Readings.from_columns(
        {
            "transmitter": columns[0],
            "time_us": time_us,
            "forward_w": columns[2],
            "reflected_w": columns[3],
            "keyed": columns[4],
        }
    )
    return readings, time_us + np.array(columns[5], dtype=np.int64)


def plainly(readings: Readings, received_us: Any) -> list[int]:
    """The rule once more, row by row, with nothing in common with the array code."""
    newest: dict[int, int] = {}
    last: dict[int, tuple[float, float]] = {}
    runs: dict[int, list[int]] = {}
    out = []
    for i in range(len(readings)):
        who, when = int(readings.transmitter[i]), int(readings.time_us[i])
        forward, reflected, keyed = readings.forward_w[i], readings.reflected_w[i], readings.keyed[i]
        least, rated = FLEET.min_forward_w[who], FLEET.rated_power_w[who]
        flags = Flag(0)
        if keyed == 0 or (keyed == -1 and forward < least / 2):
            flags |= Flag.NOT_KEYED
        if keyed != 0 and forward < least:
            flags |= Flag.LOW_FORWARD
        if keyed != 0 and reflected > forward > 0 and not forward < least:
            flags |= Flag.REFLECTED_ABOVE_FORWARD
        offset = -1.0 if np.isnan(rated) else -0.05 * rated
        if np.isnan(forward) or np.isnan(reflected) or min(forward, reflected) < offset:
            flags |= Flag.OUT_OF_RANGE
        if max(forward, reflected) > 1e7 or forward > 3 * rated:
            flags |= Flag.OUT_OF_RANGE
        if when > received_us[i] + TOLERANCE_US:
            flags |= Flag.FUTURE
        if who in newest and when <= newest[who]:
            flags |= Flag.LATE
        if Flag.FUTURE not in flags:
            newest[who] = max(newest.get(who, when), when)
        if not flags & (Flag.NOT_KEYED | Flag.FUTURE | Flag.LATE):
            if last.get(who) != (forward, reflected):
                runs[who] = []
            last[who] = (forward, reflected)
            runs[who].append(when)
            if len(runs[who]) >= 3 and when - runs[who][0] >= 4 and forward > 0:
                flags |= Flag.STUCK
        out.append(int(flags))
    return out


@settings(max_examples=400)
@given(st.lists(row, max_size=40), st.lists(st.integers(0, 40), max_size=6))
def test_cut_anywhere_and_as_the_plain_rule_says(rows: list[Any], cuts: list[int]) -> None:
    readings, received_us = stream(rows)
    tolerance_s = TOLERANCE_US * 1e-6
    whole, at_end = qualify(readings, FLEET, received_us, QualityCarry.empty(N), tolerance_s)
    assert whole.flags.tolist() == plainly(readings, received_us)

    for edges in (
        [0, *sorted(min(cut, len(rows)) for cut in cuts), len(rows)],
        list(range(len(rows) + 1)),
    ):
        carry = QualityCarry.empty(N)
        got: list[int] = []
        for start, end in pairwise(edges):
            part = readings.take(slice(start, end))
            flagged, carry = qualify(part, FLEET, received_us[start:end], carry, tolerance_s)
            got += flagged.flags.tolist()
        assert got == whole.flags.tolist()
        for field in fields(QualityCarry):
            np.testing.assert_array_equal(getattr(carry, field.name), getattr(at_end, field.name))


def test_the_streams_above_do_get_every_flag() -> None:
    # Guards this file: a stream in which nothing is ever stuck or late would prove nothing.
    rng = np.random.default_rng(4)
    rows = [
        (
            int(rng.integers(0, N)),
            int(rng.integers(-3, 4)),
            float(rng.choice([5.0, 5.0, 5.0, 5.0, 1.5, -2.0])),
            float(rng.choice([1.0, 1.0, 1.0, 7.0])),
            int(rng.choice([1, 1, 1, 0, -1])),
            int(rng.integers(-6, 7)),
        )
        for _ in range(2000)
    ]
    readings, received_us = stream(rows)
    flagged, _ = qualify(readings, FLEET, received_us, QualityCarry.empty(N), TOLERANCE_US * 1e-6)
    seen = Flag(int(np.bitwise_or.reduce(flagged.flags)))
    assert seen == Flag(127)
    assert flagged.flags.tolist() == plainly(readings, received_us)


def test_times_too_far_apart_for_the_quick_way() -> None:
    # One clock in the year 2026 and one at the ends of what 64 bits hold: the order still decides.
    ends = np.iinfo(np.int64)
    near = 10**15
    times = [near, near + 2, near + 1, ends.min + 1, near + 3, ends.max - 10, near + 4, near + 4]
    readings = Readings.from_columns(
        {
            "transmitter": [0, 0, 0, 1, 0, 1, 1, 0],
            "time_us": times,
            "forward_w": [5.0] * 8,
            "reflected_w": [1.0] * 8,
        }
    )
    received_us = readings.time_us.copy()
    flagged, after = qualify(readings, FLEET, received_us, QualityCarry.empty(N), TOLERANCE_US * 1e-6)
    assert ((flagged.flags & Flag.LATE) > 0).tolist() == [
        False,
        False,
        True,
        False,
        False,
        False,
        True,
        False,
    ]
    assert after.newest_time_us.tolist() == [near + 4, ends.max - 10, ends.min]
