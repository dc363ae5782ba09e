"""The newest readings are followed, and searched for again only where that has to be."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sqlalchemy import event

from standingwatch.inventory import InventoryRow
from standingwatch.readings import Readings
from standingwatch.store.connect import Store
from standingwatch.store.newest import Newest
from standingwatch.store.reports import insert_readings, new_arrival
from standingwatch.store.sites import load_site_list, replace_site_list

SECOND_US = 1_000_000
NOW_US = 1_773_478_800 * SECOND_US


@pytest.mark.parametrize(
    ("behind_s", "searched"),
    [
        pytest.param(0.4, False, id="a thread that looked at the clock before another"),
        pytest.param(-20.0, False, id="as time goes on"),
        pytest.param(120.0, True, id="a clock that was set back"),
        pytest.param(-3000.0, True, id="after a pause"),
    ],
)
def test_an_hour_of_readings_is_searched_only_where_it_has_to_be(
    store: Store, behind_s: float, searched: bool
) -> None:
    with store.writing() as connection:
        replace_site_list(connection, [InventoryRow(site="A", transmitter="T1", frequency_mhz=150.0)], 0)
        keys = load_site_list(connection).keys
        times = NOW_US - np.array([90, 30]) * SECOND_US
        readings = Readings.from_columns(
            {
                "transmitter": np.zeros(2, dtype=np.int64),
                "time_us": times,
                "forward_w": np.full(2, 100.0),
                "reflected_w": np.array([1.0, 2.0]),
                "flags": np.zeros(2, dtype=np.int64),
            }
        )
        insert_readings(connection, new_arrival(connection, NOW_US, 2), readings, keys[[0, 0]], times)
    asked: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        if "GROUP BY" in statement:
            asked.append(statement)

    newest = Newest(keys)
    with store.reading() as connection:
        newest.follow(connection, NOW_US)
        event.listen(connection, "before_cursor_execute", note)
        newest.follow(connection, NOW_US - round(behind_s * SECOND_US))
    assert bool(asked) is searched
    assert newest.report.time_us.tolist() == [times[1]]
    assert newest.match.reflected_w.tolist() == [2.0]
