"""Runs, marks and switches along segments: held against a plain loop, whatever the cuts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.detect.segments import Latched, Segments, held, latch, run_length

rows = st.lists(st.tuples(st.integers(0, 4), st.booleans(), st.booleans(), st.booleans()), max_size=60)


def latched_by_loop(
    owner: list[int],
    over: list[bool],
    under: list[bool],
    ready: list[bool],
    to_raise: int,
    to_clear: int,
    carried: dict[int, tuple[int, int, bool]],
) -> list[bool]:
    """What `latch` says, a row at a time; `carried` is brought up to date."""
    result = []
    for i, who in enumerate(owner):
        over_run, under_run, on = carried.get(who, (0, 0, False))
        over_run = over_run + 1 if over[i] else 0
        under_run = under_run + 1 if under[i] else 0
        if over_run >= to_raise and ready[i]:
            on = True
        elif under_run >= to_clear:
            on = False
        carried[who] = (over_run, under_run, on)
        result.append(on)
    return result


@given(table=rows, cut=st.integers(0, 60), to_raise=st.integers(1, 4), to_clear=st.integers(1, 4))
@settings(max_examples=150)
def test_latch_is_the_loop_in_any_two_pieces(
    table: list[tuple[int, bool, bool, bool]], cut: int, to_raise: int, to_clear: int
) -> None:
    pieces = [sorted(table[:cut], key=lambda r: r[0]), sorted(table[cut:], key=lambda r: r[0])]
    by_loop: dict[int, tuple[int, int, bool]] = {}
    over_run, under_run = np.zeros(5, dtype=np.int64), np.zeros(5, dtype=np.int64)
    on = np.zeros(5, dtype=np.bool_)
    for piece in pieces:
        owner = [r[0] for r in piece]
        over = [r[1] for r in piece]
        under = [r[2] and not r[1] for r in piece]
        ready = [r[3] for r in piece]
        wanted = latched_by_loop(owner, over, under, ready, to_raise, to_clear, by_loop)
        segments = Segments.of(np.array(owner, dtype=np.int64))
        got: Latched = latch(
            np.array(over, dtype=np.bool_),
            np.array(under, dtype=np.bool_),
            segments,
            rows_to_raise=to_raise,
            rows_to_clear=to_clear,
            over_run=over_run[segments.owner],
            under_run=under_run[segments.owner],
            on=on[segments.owner],
            ready=np.array(ready, dtype=np.bool_),
        )
        assert got.on.tolist() == wanted
        over_run[segments.owner], under_run[segments.owner] = got.over_run, got.under_run
        on[segments.owner] = got.on_at_end
    for who, (over_count, under_count, state) in by_loop.items():
        assert (over_run[who], under_run[who], on[who]) == (over_count, under_count, state)


def test_runs_and_marks_by_hand() -> None:
    segments = Segments.of(np.array([3, 3, 3, 7, 7, 9]))
    assert segments.owner.tolist() == [3, 7, 9]
    assert (segments.first.tolist(), segments.last.tolist()) == ([0, 3, 5], [2, 4, 5])
    assert segments.first_of_row().tolist() == [0, 0, 0, 3, 3, 5]
    mask = np.array([True, False, True, True, True, False])
    assert run_length(mask, segments, np.array([4, 0, 8])).tolist() == [5, 0, 1, 1, 2, 0]
    mark = np.array([0, 2, 0, 0, -1, 0])
    assert held(mark, segments, np.array([5, 6, 7])).tolist() == [5, 2, 2, 6, -1, 7]


@pytest.mark.parametrize("function", [run_length, held])
def test_no_rows(function: object) -> None:
    assert callable(function)
    segments = Segments.of(np.empty(0, dtype=np.int64))
    assert len(segments) == 0
    assert len(function(np.empty(0, dtype=np.int64), segments, np.empty(0, dtype=np.int64))) == 0
