"""What cannot be used is kept up to a share of its source, and what is left out is counted and said."""

from __future__ import annotations

import json
import logging
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from sqlalchemy import func, select

from standingwatch.intake import shedding
from standingwatch.intake.shedding import DAY_US, Shares
from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.reports import RefusedReport
from standingwatch.store.sites import replace_site_list

NOW_US = 1_795_000_000_000_000


def kept_of(shares: Shares, refused: list[RefusedReport], now_us: int = NOW_US) -> list[RefusedReport]:
    found = shares.within(refused, now_us)
    shares.take()
    return found


def bad(topic: str, size: int = 900) -> RefusedReport:
    return RefusedReport(NOW_US, topic, b"x" * (size - len(topic)), "not-json", "")


def test_each_source_has_its_share_and_a_new_one_each_day(caplog: pytest.LogCaptureFixture) -> None:
    shares = Shares(10_000, "top/sw")  # ten of a thousand bytes with their rows
    amber, birch = "top/sw/report/amber/t1", "top/sw/report/birch/t1"
    with caplog.at_level(logging.WARNING):
        assert len(kept_of(shares, [bad(amber)] * 8 + [bad("top/sw/link/amber")] * 4)) == 10
        assert kept_of(shares, [bad(amber)]) == []
        assert len(kept_of(shares, [bad(birch)] * 3)) == 3
    assert caplog.text.count("only counted") == 1
    assert "'amber'" in caplog.text
    assert len(kept_of(shares, [bad(amber)], NOW_US + DAY_US)) == 1


def test_one_that_is_larger_than_the_share_is_kept_and_no_second() -> None:
    shares = Shares(10_000, "top/sw")
    large = bad("plant/amber/rf", 50_000)
    assert kept_of(shares, [large, large]) == [large]


def test_a_batch_that_is_tried_again_counts_once() -> None:
    shares = Shares(10_000, "top/sw")
    batch = [bad("top/sw/report/amber/t1")] * 6
    for _ in range(5):
        assert shares.within(batch, NOW_US) == batch
    shares.take()
    assert len(shares.within(batch, NOW_US)) == 4


def test_topics_without_end_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """By all together, and with one share for those that come after many."""
    shares = Shares(10_000, "top/sw")
    kept = kept_of(shares, [bad(f"plant/{number}") for number in range(2000)])
    assert len(kept) == 10 * shedding.ALL_SHARES
    monkeypatch.setattr(shedding, "MOST_SOURCES", 5)
    shares = Shares(10_000, "top/sw")
    kept = kept_of(shares, [bad(f"plant/{number}") for number in range(2000)])
    assert len(kept) == 5 + 10
    assert len(shares._of) == 6


def test_readings_go_on_while_refused_ones_are_left_out(store: Store) -> None:
    with store.writing() as connection:
        rows = read_inventory_text("site,transmitter,frequency_mhz\namber,a1,155\n", "test").rows
        replace_site_list(connection, rows, NOW_US)
    metrics = Metrics(CollectorRegistry())
    settings = IntakeSettings(refused_limit_bytes=65_536)
    writer = Writer(store, settings, FleetDefaults(), "standingwatch", metrics, lambda: NOW_US)

    def message(number: int) -> Arrived:
        good: Any = {"time": 1_794_900_000 + number, "forward_w": 50, "reflected_w": 1}
        body = json.dumps(good).encode() if number % 2 else b"noise" * 200
        return Arrived("standingwatch/report/amber/a1", body, NOW_US)

    for first in range(0, 400, 100):
        writer.write([message(first + i) for i in range(100)])
    with store.reading() as connection:
        counts = [
            connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (tables.readings, tables.refused)
        ]

    def value(name: str, **labels: str) -> float:
        return metrics.registry.get_sample_value(f"standingwatch_{name}", labels) or 0.0

    assert counts[0] == 200
    assert 40 < counts[1] < 70
    assert value("reports_refused_total", reason="not-json") == 200
    assert value("reports_refused_left_out_total") == 200 - counts[1]
