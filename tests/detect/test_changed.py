"""Which records a step has changed, and what is pending: the same as by the plain way."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from standingwatch.detect.changed import changed
from standingwatch.detect.pending import Pending
from standingwatch.readings import Readings


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_just_the_records_that_differ(data: st.DataObject) -> None:
    size, count = data.draw(st.integers(1, 40)), data.draw(st.integers(0, 300))
    before = np.zeros(count, dtype=[("some", np.uint8, (size,))])
    after = before.copy()
    bytes_at = st.tuples(st.integers(0, max(0, count - 1)), st.integers(0, size - 1))
    places = data.draw(st.lists(bytes_at, max_size=count and 12))
    for record, byte in places:
        after["some"][record, byte] = 1
    assert changed(before, after).tolist() == sorted({record for record, _ in places})


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=40))
def test_what_is_pending_keeps_its_order(steps: list[tuple[int, bool]]) -> None:
    pending, plain, number = Pending(Readings.empty()), list[int](), 0
    for rows, is_asked in steps:
        times = np.arange(number, number + rows)
        nothing = np.zeros(rows)
        columns = {"transmitter": times % 3, "time_us": times, "forward_w": nothing, "reflected_w": nothing}
        pending.add(Readings.from_columns(columns))
        plain += times.tolist()
        number += rows
        if is_asked:
            assert pending.all().time_us.tolist() == plain
    assert pending.all().time_us.tolist() == plain
