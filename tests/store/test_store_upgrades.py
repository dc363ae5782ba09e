"""A store of each released layout comes up with all that is in it, and the watch goes on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import select, text

from standingwatch.alarms.notice import ChannelRules
from standingwatch.detect.engine import DetectionSettings
from standingwatch.detect.words import Condition, Severity
from standingwatch.inventory import FleetDefaults
from standingwatch.metrics import Metrics
from standingwatch.store import tables
from standingwatch.store.alarming import load_alarms
from standingwatch.store.connect import Store, StoreError, known_layouts
from standingwatch.store.outbox import waiting_messages
from standingwatch.watch.desk import DeskOptions
from standingwatch.watch.live import Watch, WatchOptions

LAYOUTS = known_layouts()


def everything(store: Store) -> dict[str, list[dict[str, Any]]]:
    with store.reading() as connection:
        return {
            name: [dict(row) for row in connection.execute(select(table)).mappings()]
            for name, table in tables.metadata.tables.items()
        }


def test_every_released_layout_is_tried() -> None:
    assert LAYOUTS[:9] == tuple(f"{number:04}" for number in range(1, 10))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_an_upgrade_keeps_every_row(
    store_url: str, layout: str, filled: Any, store_of_layout: Callable[[str, str], Store]
) -> None:
    store = store_of_layout(store_url, layout)
    put = filled.put_in(store)
    # The first layout has 16 tables; none that a later one brought may be left out by mistake.
    assert len(put) >= 16
    assert (len(put) == len(tables.metadata.tables)) >= (layout == LAYOUTS[-1])
    store.migrate()
    kept = everything(store)
    for name, rows in put.items():
        assert len(kept[name]) == len(rows), name
        for row in rows:
            same = [one for one in kept[name] if row.items() <= one.items()]
            assert len(same) == 1, (name, row)
    with store.reading() as connection:
        assert store.layout(connection) == LAYOUTS[-1]
        standing = load_alarms(connection, standing_only=True)
        waiting = waiting_messages(connection, "log")
    assert {(k.site, k.condition, alarm.severity) for k, alarm in standing.items()} == {
        ("amber", Condition.SWR_HIGH, Severity.CRITICAL),
        ("amber", Condition.SWR_STEP, Severity.MAJOR),
    }
    assert [m.event_id for m in waiting] == [row["event_id"] for row in put["outbox"]]
    go_on(store)
    with store.reading() as connection:
        assert load_alarms(connection, standing_only=True) == standing
        told = [m.event_id for m in waiting_messages(connection, "log")]
    assert told[:2] == [m.event_id for m in waiting]
    # What channels were told is kept since 0003: before it, what stands is told once more after the upgrade.
    assert len(set(told)) == len(told) == (2 if layout >= "0003" else 4)


def go_on(store: Store) -> None:
    """Let the watch of this version take the store over."""
    desk = DeskOptions((ChannelRules("log", Severity.WARNING, is_calm=False),), source="test")
    options = WatchOptions(DetectionSettings(), FleetDefaults(), desk=desk)
    with store.reading() as connection:
        now_us = connection.execute(text("SELECT max(time_us) FROM readings")).scalar_one()
    watch = Watch(store, options, Metrics(CollectorRegistry()), lambda: now_us)
    passes = 1
    while watch.make_pass():
        passes += 1
        assert passes < 5


def test_what_counts_goes_on_after_an_upgrade(
    store_url: str, store_of_layout: Callable[[str, str], Store]
) -> None:
    """Numbers that a table gives by itself are not given twice, though rows came in with theirs."""
    store = store_of_layout(store_url, LAYOUTS[0])
    with store.writing() as connection:
        for _ in range(3):
            connection.execute(
                text(
                    "INSERT INTO refused (received_us, topic, payload, reason, detail) "
                    "VALUES (1, 't', :body, 'r', 'd')"
                ),
                {"body": b"\x01"},
            )
    store.migrate()
    with store.writing() as connection:
        row = {"received_us": 2, "topic": "t", "payload": b"", "reason": "r", "detail": "d"}
        connection.execute(tables.refused.insert().values(**row))
        assert connection.execute(select(tables.refused.c.id)).scalars().all() == [1, 2, 3, 4]


def test_a_later_layout_is_refused_and_nothing_is_changed(store: Store, filled: Any) -> None:
    filled.put_in(store)
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    before = everything(store)
    with pytest.raises(StoreError, match="its layout is 9999, which this version does not know") as caught:
        store.migrate()
    assert "\n" not in str(caught.value)
    assert everything(store) == before
