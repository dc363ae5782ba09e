"""Metrics: on the registry that is handed in and nowhere else, in base units, with the fleet's own gauges."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from prometheus_client import REGISTRY, CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families

from standingwatch.inventory import FleetDefaults, build_fleet, read_inventory_text
from standingwatch.metrics import FleetState, Metrics

SITES = "site,transmitter,frequency_mhz\nalder-ridge,rpt-1,155.34\nbirch-hill,rpt-1,453.2\ncedar,rpt-9,155\n"


def state() -> FleetState:
    """One transmitter with a match, one that reflects everything, one that was never heard."""
    rows = read_inventory_text(SITES, "test").rows
    fleet = FleetState.unseen(build_fleet(rows, np.arange(3), FleetDefaults()))
    fleet.time_us[:2] = [1_795_000_000_500_000, 1_795_000_001_000_000]
    fleet.usable_us[:2] = fleet.time_us[:2]
    fleet.forward_w[:2] = [100.0, 50.0]
    fleet.reflected_w[:2] = [4.0, 50.0]
    fleet.keyed[:2] = [True, False]
    fleet.baseline_rho[0] = 0.15
    return fleet


@pytest.fixture
def metrics() -> Metrics:
    return Metrics(CollectorRegistry())


def exposition(metrics: Metrics) -> str:
    return generate_latest(metrics.registry).decode()


def sample(metrics: Metrics, name: str, **labels: str) -> float | None:
    return metrics.registry.get_sample_value(f"standingwatch_{name}", labels)


def test_nothing_is_on_the_default_registry(metrics: Metrics) -> None:
    metrics.fleet.show(state(), {})
    assert [f.name for f in REGISTRY.collect() if f.name.startswith("standingwatch")] == []


def test_two_services_do_not_share_their_numbers(metrics: Metrics) -> None:
    other = Metrics(CollectorRegistry())
    metrics.messages_received.inc(5)
    assert sample(metrics, "messages_received_total") == 5
    assert sample(other, "messages_received_total") == 0


def test_names_are_ours_and_in_base_units(metrics: Metrics) -> None:
    """Prometheus documentation, "Metric and label naming": a prefix, base units, _total on counters."""
    metrics.fleet.show(state(), {("alder-ridge", "rpt-1", "swr-high", "", ""): 5})
    families = list(metrics.registry.collect())
    assert len(families) > 25
    for family in families:
        assert re.fullmatch(r"standingwatch_[a-z_]+", family.name), family.name
        assert family.documentation.endswith("."), family.name
        words = set(family.name.split("_"))
        assert not words & {"us", "ms", "milliseconds", "minutes", "hours", "db", "dbm", "kw", "percent"}
        if "timestamp" in words:
            assert family.name.endswith("_timestamp_seconds")
        if "power" in words:
            assert family.name.endswith("_watts")
        if words & {"swr", "coefficient"}:
            assert family.name.endswith("_ratio")
        if family.type == "histogram":
            assert family.name.endswith("_seconds")
        if family.type == "counter":
            assert all(s.name.endswith(("_total", "_created")) for s in family.samples), family.name


def test_no_fleet_yet_is_no_gauge(metrics: Metrics) -> None:
    assert "swr_ratio" not in exposition(metrics)


def test_gauges_of_each_transmitter(metrics: Metrics) -> None:
    metrics.fleet.show(state(), {})
    where = {"site": "alder-ridge", "transmitter": "rpt-1"}
    assert sample(metrics, "forward_power_watts", **where) == 100.0
    assert sample(metrics, "reflected_power_watts", **where) == 4.0
    # rho = sqrt(4 / 100) = 0.2, SWR = 1.2 / 0.8 = 1.5
    assert sample(metrics, "reflection_coefficient_ratio", **where) == pytest.approx(0.2)
    assert sample(metrics, "swr_ratio", **where) == pytest.approx(1.5)
    assert sample(metrics, "baseline_reflection_coefficient_ratio", **where) == 0.15
    assert sample(metrics, "last_report_timestamp_seconds", **where) == 1_795_000_000.5
    assert sample(metrics, "last_usable_reading_timestamp_seconds", **where) == 1_795_000_000.5
    assert sample(metrics, "keyed", **where) == 1
    assert sample(metrics, "keyed", site="birch-hill", transmitter="rpt-1") == 0


def test_total_reflection_is_infinite(metrics: Metrics) -> None:
    metrics.fleet.show(state(), {})
    assert sample(metrics, "swr_ratio", site="birch-hill", transmitter="rpt-1") == math.inf
    assert 'standingwatch_swr_ratio{site="birch-hill",transmitter="rpt-1"} +Inf' in exposition(metrics)


def test_what_is_not_known_has_no_sample(metrics: Metrics) -> None:
    metrics.fleet.show(state(), {})
    text = exposition(metrics)
    assert "NaN" not in text
    assert 'site="cedar"' not in text
    assert (
        sample(metrics, "baseline_reflection_coefficient_ratio", site="birch-hill", transmitter="rpt-1")
        is None
    )


def test_standing_alarms_show_their_severity_and_go_with_their_end(metrics: Metrics) -> None:
    standing = {
        ("alder-ridge", "rpt-1", "swr-high", "", ""): 5,
        ("cedar", "", "site-unreachable", "", ""): 4,
        ("", "", "swr-weather", "Coast", ""): 3,
        ("", "", "channel-failing", "", "channel email.desk"): 4,
    }
    metrics.fleet.show(state(), standing)
    labels = ("site", "transmitter", "condition", "region", "service")
    for values, severity in standing.items():
        where = dict(zip(labels, values, strict=True))
        assert sample(metrics, "alarm_severity", **where) == severity
    metrics.fleet.show(state(), {})
    assert "standingwatch_alarm_severity{" not in exposition(metrics)


def test_metrics_of_the_desk_and_of_the_service_itself(metrics: Metrics) -> None:
    metrics.notifications.labels("email.desk", "raised").inc()
    metrics.alarms_held_back.labels("flood").set(12)
    metrics.alarm_flood.set(1)
    metrics.alarms_by_operator_state.labels("ack").set(3)
    metrics.outbox_dead.labels("email.desk").set(2)
    metrics.outbox_oldest_waiting.labels("email.desk").set(61.5)
    metrics.heartbeat.set(1_795_000_000.5)
    metrics.watch_last_pass.set(1_795_000_000.25)
    assert sample(metrics, "notifications_total", channel="email.desk", kind="raised") == 1
    assert sample(metrics, "alarms_held_back", reason="flood") == 12
    assert sample(metrics, "alarm_flood") == 1
    assert sample(metrics, "alarms_by_operator_state", state="ack") == 3
    assert sample(metrics, "outbox_dead", channel="email.desk") == 2
    assert sample(metrics, "outbox_oldest_waiting_seconds", channel="email.desk") == 61.5
    assert sample(metrics, "heartbeat_timestamp_seconds") == 1_795_000_000.5
    assert sample(metrics, "watch_last_pass_timestamp_seconds") == 1_795_000_000.25


def test_the_exposition_can_be_read_back(metrics: Metrics) -> None:
    metrics.fleet.show(state(), {("alder-ridge", "rpt-1", "swr-high", "", ""): 5})
    metrics.reports_refused.labels("not-json").inc()
    read = {f.name: f for f in text_string_to_metric_families(exposition(metrics))}
    assert len(read["standingwatch_swr_ratio"].samples) == 2
    assert read["standingwatch_reports_refused"].type == "counter"


def test_the_state_of_an_unheard_fleet_has_nothing_to_show(metrics: Metrics) -> None:
    metrics.fleet.show(FleetState.unseen(state().fleet), {})
    assert "standingwatch_swr_ratio{" not in exposition(metrics)
