"""What deploy/monitoring asks is asked of a real Prometheus that has scraped a service at work."""

from __future__ import annotations

import json
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_text

from standingwatch.metrics_reference import all_metrics

OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


def queries(monitoring: Path) -> list[tuple[str, str]]:
    """Title of the panel and expression of each query of the dashboard, with values for its variables."""
    board = json.loads((monitoring / "dashboard.json").read_text())
    variables = {"$__rate_interval": "20s", "$instance": ".*", "$site": ".*"}
    found = []
    for panel in board["panels"]:
        for target in panel.get("targets", ()):
            expression = target["expr"]
            for name, value in variables.items():
                expression = expression.replace(name, value)
            assert "$" not in expression, expression
            found.append((panel["title"], expression))
    return found


def test_every_query_of_the_dashboard_gives_series(monitored: Any, monitoring: Path) -> None:
    asked = queries(monitoring)
    assert len(asked) > 35
    empty = [(title, expression) for title, expression in asked if not monitored.ask(expression)]
    assert empty == []


def test_choices_at_the_top_of_the_dashboard(monitored: Any, monitoring: Path) -> None:
    variables = json.loads((monitoring / "dashboard.json").read_text())["templating"]["list"]
    asked = {v["name"]: v["query"]["query"] for v in variables if v["type"] == "query"}
    found = {}
    for name, ask in asked.items():
        series, label = ask.removeprefix("label_values(").removesuffix(")").rsplit(", ", 1)
        selector = series.replace("$instance", ".*")
        found[name] = monitored.api(f"label/{label}/values", **{"match[]": selector})
    assert found == {
        "instance": [f"127.0.0.1:{monitored.web_port}"],
        "site": ["alder-ridge", "birch-hill"],
    }


def test_values_are_those_of_the_reports(monitored: Any) -> None:
    (swr,) = monitored.ask('standingwatch_swr_ratio{site="birch-hill", transmitter="rpt-1"}')
    rho = (14.0 / 47.0) ** 0.5
    assert float(swr["value"][1]) == pytest.approx((1 + rho) / (1 - rho), rel=1e-4)
    (alarm,) = monitored.ask('standingwatch_alarm_severity{condition="swr-high"}')
    assert (alarm["metric"]["site"], alarm["value"][1]) == ("birch-hill", "6")
    (above,) = monitored.ask(
        'transmitter:standingwatch_reflection_coefficient:above_baseline{site="birch-hill"}'
    )
    # The history's rho is about 0.106, sqrt(0.54 W / 48.3 W).
    assert float(above["value"][1]) == pytest.approx(rho - 0.106, abs=0.01)
    assert monitored.ask('standingwatch_reports_refused_total{reason="not-json"}')[0]["value"][1] == "1"
    assert monitored.ask("standingwatch_readings_repeated_total")[0]["value"][1] == "1"


def test_every_rule_can_be_worked_out_and_what_is_wrong_is_all_that_is_told(monitored: Any) -> None:
    rules = [rule for group in monitored.api("rules")["groups"] for rule in group["rules"]]
    assert {rule["name"]: rule.get("lastError", "") for rule in rules if rule["health"] != "ok"} == {}
    recorded = [rule["name"] for rule in rules if rule["type"] == "recording"]
    assert len(recorded) == 10
    # A rate needs two samples within its five minutes, which the scrapes of this test give.
    assert [name for name in recorded if not monitored.ask(name)] == []
    firing = monitored.ask('ALERTS{alertstate="firing"}')
    told = {(one["metric"]["alertname"], one["metric"].get("site", "")) for one in firing}
    assert told == {("TransmitterAlarm", "birch-hill")}


def test_openmetrics_and_text_are_valid_and_say_the_same(monitored: Any) -> None:
    opened = monitored.metrics(OPENMETRICS)
    assert opened.endswith("# EOF\n")
    families = {family.name: family for family in read_openmetrics(opened)}
    plain = {family.name: family for family in read_text(monitored.metrics())}
    ours = {name for name in families if name.startswith("standingwatch_")}
    assert ours == {name for name in plain if name.startswith("standingwatch_")} - {
        name for name in plain if name.endswith("_created")
    }
    exposed = {
        one.name.removesuffix("_total") if one.kind == "counter" else one.name for one in all_metrics()
    }
    assert ours == exposed
    for one in all_metrics():
        family = families[one.name.removesuffix("_total") if one.kind == "counter" else one.name]
        assert (family.type, family.documentation) == (one.kind, one.text)
        for sample in family.samples:
            assert set(sample.labels) - {"le"} == set(one.labels), sample.name
    checked = subprocess.run(
        ["promtool", "check", "metrics"],
        input=monitored.metrics(),
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert [line for line in checked.stderr.splitlines() if line.startswith("standingwatch_")] == []


def test_spans_of_the_work_come_to_a_collector(monitored: Any, until: Any) -> None:
    collector, history = monitored.collector, 3 * 34 * 12

    def total(name: str, about: str) -> int:
        return sum(said[f"standingwatch.{about}"] for _, said, _ in collector.named(name))

    # Published were an array of three, one of these again, and what is no report; the history was there.
    until(lambda: total("batch", "messages") >= 3 and collector.named("delivery"), 30, "spans come")
    until(lambda: total("pass", "readings") >= history + 3, 30, "spans of all passes come")
    batches, passes, deliveries = (collector.named(name) for name in ("batch", "pass", "delivery"))
    assert total("batch", "messages") == 3
    assert total("pass", "readings") == history + 3
    assert total("pass", "changes") >= 1
    assert {about["standingwatch.channel"] for _, about, _ in deliveries} == {"mqtt"}
    for service, about, span in (*batches, *passes, *deliveries):
        assert (service["service.name"], service["service.instance.id"]) == ("standingwatch", "standingwatch")
        assert "error.type" not in about
        assert 0 < span.start_time_unix_nano <= span.end_time_unix_nano <= time.time_ns()
    assert {span.name for _, span in collector.spans} == {"batch", "pass", "delivery"}
