"""A service at work with real data, and a real Prometheus that scrapes it as deploy/monitoring says."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import yaml
from command_line import environment
from databases import address_of, environment_of
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest
from opentelemetry.proto.common.v1.common_pb2 import KeyValue
from opentelemetry.proto.trace.v1.trace_pb2 import Span
from ports import free_port
from prometheus_client import CollectorRegistry
from waiting import wait_until

from standingwatch.intake.sorting import Arrived
from standingwatch.intake.writer import Writer
from standingwatch.inventory import FleetDefaults, read_inventory_text
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings
from standingwatch.store.connect import Store
from standingwatch.store.sites import replace_site_list

ROOT = Path(__file__).parents[2]
MONITORING = ROOT / "deploy" / "monitoring"

INVENTORY = """\
site,transmitter,frequency_mhz,region,rated_power_w,feeder_type,feeder_length_m
alder-ridge,rpt-1,155.34,north,100,7/8-in foam,40
alder-ridge,rpt-2,155.79,north,100,7/8-in foam,40
birch-hill,rpt-1,453.2,south,50,1/2-in foam,30
"""

SETTINGS = """
[broker]
port = {broker}
[inventory]
file = "inventory.csv"
[web]
port = {web}
[access]
open_metrics = false
[traces]
url = "http://127.0.0.1:{collector}/v1/traces"
"""

#: How long the history is that the service begins with: at any time of the day, one of its days (UTC) has
#: more than the hours of a provisional baseline.
HISTORY_HOURS = 34


@pytest.fixture(scope="session")
def until() -> Callable[[Callable[[], object], float, str], None]:
    """Waits for something to become true: `until(true, seconds, what)`."""
    return wait_until


@pytest.fixture(scope="session")
def monitoring() -> Path:
    """The folder under test."""
    return MONITORING


class Collector(ThreadingHTTPServer):
    """Takes traces by OTLP over HTTP, as a collector does, and keeps them."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Traces)
        self.port = self.server_address[1]
        self.spans: list[tuple[dict[str, str], Span]] = []

    def named(self, name: str) -> list[tuple[dict[str, str], dict[str, str | int], Span]]:
        """Spans of a name: what is said of the service, of the work, and the span itself."""
        return [(about, values(span.attributes), span) for about, span in self.spans if span.name == name]


def values(attributes: Iterable[KeyValue]) -> dict[str, Any]:
    return {a.key: getattr(a.value, a.value.WhichOneof("value")) for a in attributes}


class _Traces(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        assert self.path == "/v1/traces"
        assert isinstance(self.server, Collector)
        for resource in ExportTraceServiceRequest.FromString(body).resource_spans:
            about = values(resource.resource.attributes)
            self.server.spans += [(about, span) for scope in resource.scope_spans for span in scope.spans]
        self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing: tests read no log of it."""


@dataclass
class Monitored:
    """The service and the Prometheus that watches it."""

    broker_port: int
    web_port: int
    prometheus_port: int
    token: str
    collector: Collector

    def metrics(self, accept: str = "text/plain") -> str:
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.web_port}/metrics",
            headers={"Accept": accept, "Authorization": f"Bearer {self.token}"},
        )
        with urllib.request.urlopen(request, timeout=10) as answer:
            assert answer.headers["Content-Type"].startswith(accept.partition(";")[0])
            return str(answer.read().decode())

    def api(self, path: str, **parameters: str) -> Any:
        """What Prometheus answers; an expression that it cannot read is an error (status 400)."""
        address = f"http://127.0.0.1:{self.prometheus_port}/api/v1/{path}?"
        with urllib.request.urlopen(address + urllib.parse.urlencode(parameters), timeout=10) as answer:
            return json.load(answer)["data"]

    def ask(self, expression: str) -> list[dict[str, Any]]:
        """The series that an expression gives now."""
        return list(self.api("query", query=expression)["result"])


def fill(store: Store) -> None:
    """History of each transmitter, taken in by the service's own writer as if it were then."""
    now_us = time.time_ns() // 1000
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(INVENTORY, "inventory.csv").rows, now_us)
    begin_us = now_us - HISTORY_HOURS * 3_600_000_000
    writer = Writer(
        store,
        IntakeSettings(),
        FleetDefaults(),
        "standingwatch",
        Metrics(CollectorRegistry()),
        lambda: now_us,
    )
    messages = [
        Arrived(
            f"standingwatch/report/{place}",
            json.dumps(
                {"time": at_us / 1e6, "forward_w": 48.0 + (i % 7) / 10, "reflected_w": 0.5 + (i % 5) / 50}
            ).encode(),
            at_us + 200_000,
        )
        for i, at_us in enumerate(range(begin_us, now_us, 300_000_000))
        for place in ("alder-ridge/rpt-1", "alder-ridge/rpt-2", "birch-hill/rpt-1")
    ]
    assert writer.write(messages).stored == len(messages)


def publish(port: int, topic: str, body: str) -> None:
    subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic, "-m", body],
        check=True,
        timeout=10,
    )


def ended(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(20)


def make_token(folder: Path) -> str:
    """A viewer's token, as the notes say it is made."""
    done = subprocess.run(
        [sys.executable, "-m", "standingwatch", "token", "add", "prometheus", "--role", "viewer"],
        cwd=folder,
        env=environment(**environment_of(folder)),
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout.split()[-1]


def scrape_settings(folder: Path, web_port: int) -> Path:
    """The example with its rules, the service's own port and a token, every second; nobody to alert."""
    shutil.copytree(MONITORING / "rules", folder / "rules")
    settings = yaml.safe_load((MONITORING / "prometheus.yml").read_text())
    settings["global"] = {"scrape_interval": "1s", "evaluation_interval": "1s"}
    settings["rule_files"] = ["rules/*.yml"]
    del settings["alerting"]
    (job,) = settings["scrape_configs"]
    job["authorization"] = {"credentials_file": "standingwatch-token"}
    job["static_configs"] = [{"targets": [f"127.0.0.1:{web_port}"]}]
    path = folder / "prometheus.yml"
    path.write_text(yaml.safe_dump(settings))
    return path


@pytest.fixture(scope="module")
def monitored(tmp_path_factory: pytest.TempPathFactory, run_broker: Any) -> Iterator[Monitored]:
    folder = tmp_path_factory.mktemp("monitored")
    store = Store(address_of(folder / "standingwatch.sqlite"))
    store.migrate()
    fill(store)
    store.close()
    (folder / "inventory.csv").write_text(INVENTORY)
    web_port, prometheus_port = free_port(), free_port()
    with ExitStack() as stack:
        broker = stack.enter_context(run_broker(folder))
        collector = stack.enter_context(Collector())
        threading.Thread(target=collector.serve_forever, daemon=True).start()
        stack.callback(collector.shutdown)
        settings = SETTINGS.format(broker=broker.port, web=web_port, collector=collector.port)
        (folder / "standingwatch.toml").write_text(settings)
        token = make_token(folder)
        (folder / "standingwatch-token").write_text(token)
        log = stack.enter_context((folder / "log").open("wb"))
        daemon = subprocess.Popen(
            [sys.executable, "-m", "standingwatch", "run", "--settings", "standingwatch.toml"],
            cwd=folder,
            env=environment(**environment_of(folder)),
            stdout=log,
            stderr=log,
        )
        stack.callback(ended, daemon)
        prometheus = subprocess.Popen(
            [
                "prometheus",
                f"--config.file={scrape_settings(folder, web_port)}",
                f"--storage.tsdb.path={folder / 'tsdb'}",
                f"--web.listen-address=127.0.0.1:{prometheus_port}",
            ],
            stdout=log,
            stderr=log,
        )
        stack.callback(ended, prometheus)
        made = Monitored(broker.port, web_port, prometheus_port, token, collector)

        def has(expression: str) -> Callable[[], bool]:
            def given() -> bool:
                try:
                    return bool(made.ask(expression))
                except OSError:
                    return False  # Prometheus does not listen yet

            return given

        wait_until(has("count(standingwatch_broker_connected == 1) == 3"), 40, "connected, and scraped")
        # A line that breaks, a report that nobody can read, one that comes twice.
        now = time.time()
        high = [{"time": now - 30 + 10 * i, "forward_w": 47.0, "reflected_w": 14.0} for i in range(3)]
        publish(broker.port, "standingwatch/report/birch-hill/rpt-1", json.dumps(high))
        publish(broker.port, "standingwatch/report/birch-hill/rpt-1", json.dumps(high[:1]))
        publish(broker.port, "standingwatch/report/alder-ridge/rpt-1", "not a report")
        wait_until(has("standingwatch_alarm_severity"), 30, "the alarm is scraped")
        wait_until(
            has("count_over_time(standingwatch_reports_refused_total[10s]) > 2"), 30, "scraped twice more"
        )
        wait_until(has('standingwatch_deliveries_total{channel="mqtt"}'), 30, "the alarm is delivered")
        yield made
