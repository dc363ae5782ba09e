"""How bursts began is the same however the readings are cut into blocks."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from standingwatch.detect.at_once import AT_ONCE_US, TAIL_FIELDS, beginnings
from standingwatch.detect.segments import Segments

MINUTE_US = 60_000_000


def empty(transmitters: int) -> Any:
    record = np.zeros(transmitters, np.dtype(TAIL_FIELDS))
    record["tail_rho"] = record["tail_least"] = np.nan
    return record


def begun(owner: Any, rho: Any, minute: Any, record: Any) -> list[tuple[int, int, bool, bool]]:
    """Transmitter, minute and kind of each beginning."""
    time_us = minute * MINUTE_US
    segments = Segments.of(owner)
    got = beginnings(rho, rho, time_us, rho > 0.25, segments, record, np.full(len(record), 0.3))
    return [
        (int(owner[i]), int(minute[i]), bool(a), bool(g))
        for i, a, g in zip(got.rows, got.at_once, got.grew, strict=True)
    ]


@pytest.mark.parametrize(
    ("rho", "apart", "expected"),
    [
        ([0.1, 0.1, 0.5, 0.5], 5, [(0, 15, True, False)]),
        # Half an hour between readings tells nothing of how it came.
        ([0.1, 0.1, 0.5, 0.5], 30, [(0, 90, False, False)]),
        ([0.1, 0.18, 0.26, 0.34], 5, [(0, 15, False, True)]),
        # Neither surely a jump nor surely growth.
        ([0.1, 0.1, 0.3, 0.35], 5, [(0, 15, False, False)]),
        # A single bad reading leads back to where it came from.
        ([0.1, 0.1, 0.5, 0.1, 0.1], 5, []),
        # Nothing leads away from nothing.
        ([0.5, 0.5], 5, [(0, 5, False, False)]),
    ],
)
def test_what_a_beginning_is(rho: list[float], apart: int, expected: list[Any]) -> None:
    minute = apart * np.arange(len(rho))
    assert begun(np.zeros(len(rho), dtype=np.int64), np.array(rho), minute, empty(1)) == expected
    assert AT_ONCE_US < 30 * MINUTE_US


@pytest.mark.parametrize("rows", [1, 2, 5])
def test_blocks_of_any_size_tell_the_same(rows: int) -> None:
    rng = np.random.default_rng(5)
    minute = np.cumsum(rng.integers(1, 25, 400))
    owner = rng.integers(0, 3, 400)
    rho = np.where(rng.random(400) < 0.4, 0.5, 0.1) + rng.uniform(0, 0.2, 400)
    whole, cut = empty(3), empty(3)
    by_owner = np.argsort(owner, kind="stable")
    expected = begun(owner[by_owner], rho[by_owner], minute[by_owner], whole)
    got = []
    for begin in range(0, 400, rows):
        part = begin + np.argsort(owner[begin : begin + rows], kind="stable")
        got += begun(owner[part], rho[part], minute[part], cut)
    assert sorted(got) == expected
    assert {kind[2:] for kind in got} == {(True, False), (False, True), (False, False)}
    assert whole.tobytes() == cut.tobytes()
