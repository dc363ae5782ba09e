"""The files of deploy/monitoring by the tools that they are for, and against the code that they speak of."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from ports import free_port

from standingwatch.cli.main import build_parser, main
from standingwatch.metrics_reference import all_metrics, label_words
from standingwatch.settings import Settings

RULES = ("standingwatch-recording.yml", "standingwatch-service.yml", "standingwatch-alarms.yml")


def run(*words: str | Path, cwd: Path) -> str:
    """What a program says; its status has to be 0."""
    done = subprocess.run([str(w) for w in words], cwd=cwd, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def rules_of(monitoring: Path) -> list[dict[str, Any]]:
    files = [yaml.safe_load((monitoring / "rules" / name).read_text()) for name in RULES]
    return [rule for file in files for group in file["groups"] for rule in group["rules"]]


def expressions(monitoring: Path) -> list[str]:
    """All that rules and dashboard ask for."""
    board = json.loads((monitoring / "dashboard.json").read_text())
    asked = [target["expr"] for panel in board["panels"] for target in panel.get("targets", ())]
    return [rule["expr"] for rule in rules_of(monitoring)] + asked


def texts(monitoring: Path) -> str:
    """All words of the folder."""
    files = sorted(p for p in monitoring.rglob("*") if p.suffix in (".yml", ".md", ".py"))
    return "\n".join(p.read_text() for p in files)


def test_prometheus_takes_the_example_and_all_rules(monitoring: Path) -> None:
    assert {p.name for p in (monitoring / "rules").iterdir()} == set(RULES)
    run("promtool", "check", "config", "prometheus.yml", cwd=monitoring)
    # --lint-fatal: a rule that stands twice is an error.
    run("promtool", "check", "rules", "--lint-fatal", *(f"rules/{n}" for n in RULES), cwd=monitoring)


def test_rules_do_what_their_tests_say(monitoring: Path) -> None:
    tests = sorted((monitoring / "rule-tests").glob("*.yml"))
    run("promtool", "test", "rules", *(p.relative_to(monitoring) for p in tests), cwd=monitoring)


def test_each_rule_has_a_test_in_which_it_fires(monitoring: Path) -> None:
    files = [yaml.safe_load(p.read_text()) for p in (monitoring / "rule-tests").glob("*.yml")]
    tests = [test for file in files for test in file["tests"]]
    fires = {a["alertname"] for t in tests for a in t.get("alert_rule_test", ()) if a["exp_alerts"]}
    samples = [
        (e["expr"], s["labels"])
        for t in tests
        for e in t.get("promql_expr_test", ())
        for s in e["exp_samples"]
    ]
    fires |= {found for _, labels in samples for found in re.findall(r'alertname="(\w+)"', labels)}
    rules = rules_of(monitoring)
    assert {rule["alert"] for rule in rules if "alert" in rule} == fires
    asked = " ".join(expression for expression, _ in samples)
    assert [rule["record"] for rule in rules if "record" in rule and rule["record"] not in asked] == []


def test_the_healthy_service_has_all_that_alerts_ask_for(monitoring: Path) -> None:
    """That nothing fires proves something only where the series are there."""
    healthy = yaml.safe_load((monitoring / "rule-tests" / "service.yml").read_text())["tests"][0]
    series = {one["series"].partition("{")[0] for one in healthy["input_series"]}
    asked: set[str] = set()
    for rule in rules_of(monitoring):
        if "alert" in rule and "alarm_severity" not in rule["expr"]:
            asked |= set(re.findall(r"(?<![\w:])standingwatch_\w+", rule["expr"]))
    assert len(asked) > 15
    assert asked - series == set()


def test_rules_and_dashboard_ask_for_metrics_that_there_are(monitoring: Path) -> None:
    known = {one.name for one in all_metrics()}
    for one in all_metrics():
        if one.kind == "histogram":
            known |= {f"{one.name}_{part}" for part in ("bucket", "sum", "count")}
    recorded = {rule["record"] for rule in rules_of(monitoring) if "record" in rule}
    found: set[str] = set()
    for expression in expressions(monitoring):
        found |= set(re.findall(r"(?:\w+:)?standingwatch_\w+(?::\w+)?", expression))
    assert len(found) > 30
    assert found - known - recorded == set()


def test_words_of_alerts_name_labels_commands_and_settings_that_there_are(monitoring: Path) -> None:
    labels = {label for one in all_metrics() for label in one.labels} - {"job"}
    labels |= {"instance", "exported_job", "severity"}
    rules = rules_of(monitoring)
    for rule in rules:
        for text in rule.get("annotations", {}).values():
            assert set(re.findall(r"\$labels\.(\w+)", text)) <= labels, text
    said = texts(monitoring)
    commands = set(re.findall(r"`standingwatch ((?:[a-z][a-z-]* ?)+)", said))
    assert len(commands) > 3
    for words in commands:
        with pytest.raises(SystemExit) as ended:
            build_parser().parse_args([*words.split(), "--help"])
        assert ended.value.code == 0, words
    sections = "|".join(Settings.model_fields)
    named = set(re.findall(rf"\b({sections})\.([a-z]+_[a-z_]+)\b", said))
    assert len(named) > 3
    for section, key in named:
        model: Any = Settings.model_fields[section].annotation
        assert key in model.model_fields, f"{section}.{key}"


def test_the_commands_of_the_notes_do_what_they_say(monitoring: Path) -> None:
    (block,) = re.findall(r"```sh\n(.*?)```", (monitoring / "README.md").read_text(), flags=re.DOTALL)
    lines = block.splitlines()
    assert len(lines) == 4
    assert [run("sh", "-c", line, cwd=monitoring) for line in lines][-1].strip() == "on-call,desk"


def test_severities_are_those_of_alarms(monitoring: Path) -> None:
    severities = {rule["labels"]["severity"] for rule in rules_of(monitoring) if "alert" in rule}
    assert severities == {"warning", "minor", "major", "critical"}


def test_the_dashboard_is_what_its_program_makes(monitoring: Path) -> None:
    made = run(sys.executable, "dashboard.py", cwd=monitoring)
    assert (monitoring / "dashboard.json").read_text() == made
    panels = json.loads(made)["panels"]
    assert len({panel["id"] for panel in panels}) == len(panels)
    taken: set[tuple[int, int]] = set()
    for panel in panels:
        at = panel["gridPos"]
        cells = {(x, y) for x in range(at["x"], at["x"] + at["w"]) for y in range(at["y"], at["y"] + at["h"])}
        assert max(x for x, _ in cells) < 24, panel["title"]
        assert not taken & cells, panel["title"]
        taken |= cells


def test_the_reference_is_what_the_code_says(monitoring: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["describe", "metrics"]) == 0
    printed = capsys.readouterr().out
    assert (monitoring / "METRICS.md").read_text() == printed
    for one in all_metrics():
        assert f"| `{one.name}` | {one.kind} |" in printed
        for label in one.labels:
            assert label_words(one.name, label) in printed


# Alertmanager -------------------------------------------------------------------------------------------


def test_alertmanager_takes_the_example(monitoring: Path) -> None:
    run("amtool", "check-config", "alertmanager.yml", cwd=monitoring)


@pytest.mark.parametrize(
    ("labels", "receivers"),
    [
        ({"alertname": "StandingWatchDown", "severity": "critical"}, "on-call"),
        ({"alertname": "StandingWatchIntakeLate", "severity": "major"}, "desk"),
        ({"alertname": "StandingWatchStoreFilling", "severity": "minor"}, "morning"),
        ({"alertname": "swr-high", "severity": "critical", "site": "alder"}, "on-call,desk"),
        ({"alertname": "swr-step", "severity": "major", "site": "alder"}, "desk"),
        ({"alertname": "swr-rising", "severity": "warning", "site": "alder"}, "morning"),
        ({"alertname": "standingwatch-test", "severity": "warning"}, "desk"),
    ],
)
def test_who_is_told_of_what(monitoring: Path, labels: dict[str, str], receivers: str) -> None:
    words = [f"{name}={value}" for name, value in labels.items()]
    found = run(
        "amtool", "config", "routes", "test", "--config.file=alertmanager.yml", *words, cwd=monitoring
    )
    assert found.strip() == receivers


@pytest.fixture(scope="module")
def alertmanager(tmp_path_factory: pytest.TempPathFactory, monitoring: Path) -> Iterator[str]:
    """Address of a real Alertmanager with the example's settings; nothing posted is sent on so soon."""
    port = free_port()
    server = subprocess.Popen(
        [
            "prometheus-alertmanager",
            f"--config.file={monitoring / 'alertmanager.yml'}",
            f"--storage.path={tmp_path_factory.mktemp('alertmanager')}",
            f"--web.listen-address=127.0.0.1:{port}",
            "--cluster.listen-address=",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(200):
            try:
                urllib.request.urlopen(f"{address}/-/ready", timeout=5).close()
                break
            except OSError:
                time.sleep(0.05)
        yield address
    finally:
        server.terminate()
        server.wait(20)


def post(address: str, alerts: list[dict[str, str]]) -> None:
    ends = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    request = urllib.request.Request(
        f"{address}/api/v2/alerts",
        data=json.dumps([{"labels": labels, "endsAt": ends} for labels in alerts]).encode(),
        headers={"Content-Type": "application/json"},
    )
    urllib.request.urlopen(request, timeout=10).close()


def test_what_explains_the_rest_silences_it(alertmanager: str) -> None:
    here = {"job": "standingwatch", "instance": "w:8080"}
    post(
        alertmanager,
        [
            {"alertname": "site-unreachable", "severity": "major", "site": "alder"},
            {"alertname": "reports-missing", "severity": "minor", "site": "alder", "transmitter": "a"},
            {"alertname": "swr-high", "severity": "major", "site": "alder", "transmitter": "b"},
            {"alertname": "reports-missing", "severity": "minor", "site": "birch", "transmitter": "a"},
            {"alertname": "StandingWatchBrokerLost", "severity": "major", **here},
            {"alertname": "StandingWatchIntakeLate", "severity": "major", **here},
            {"alertname": "StandingWatchIntakeLate", "severity": "major", **here, "instance": "v:8080"},
            {"alertname": "StandingWatchStoreFull", "severity": "critical", **here},
            {"alertname": "StandingWatchWatchStands", "severity": "critical", **here},
            {"alertname": "StandingWatchBehind", "severity": "minor", **here},
        ],
    )
    with urllib.request.urlopen(f"{alertmanager}/api/v2/alerts", timeout=10) as answer:
        alerts = json.load(answer)
    assert len(alerts) == 10
    silenced = {
        (a["labels"]["alertname"], a["labels"].get("site", a["labels"].get("instance")))
        for a in alerts
        if a["status"]["inhibitedBy"]
    }
    assert silenced == {
        ("reports-missing", "alder"),
        ("StandingWatchIntakeLate", "w:8080"),
        ("StandingWatchBehind", "w:8080"),
    }
