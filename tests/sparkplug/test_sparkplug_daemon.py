"""The whole service with edge nodes, as a process; and what `check` says of settings and profiles."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from databases import url_in

SERVICE = Path(__file__).parents[2] / "service"
INVENTORY = """\
site,transmitter,frequency_mhz,rated_power_w,expected_interval_s
hill-03,tx-1,155.34,100,60
"""
PROFILE = """\
title = "Terminal units of the north that speak Sparkplug B"
topic = "north/{site}/{transmitter}"
format = "sparkplug"

[fields.forward]
metric = "Tx/Fwd"
unit = "dBm"
scale = 0.1

[fields.reflected]
metric = "Tx/SWR"
unit = "SWR"
"""


@dataclass
class Service:
    folder: Path
    broker_port: int
    web_port: int
    process: subprocess.Popen[bytes] | None = None

    def write(self, enabled: bool, with_profile: bool) -> None:
        (self.folder / "inventory.csv").write_text(INVENTORY)
        (self.folder / "standingwatch.toml").write_text(
            f"""
[broker]
port = {self.broker_port}
[store]
url = "{url_in(self.folder)}"
[inventory]
file = "inventory.csv"
[web]
port = {self.web_port}
[silence]
grace_s = 1
[sparkplug]
enabled = {str(enabled).lower()}
"""
        )
        if with_profile:
            (self.folder / "profiles").mkdir()
            (self.folder / "profiles" / "north.toml").write_text(PROFILE)

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "standingwatch", *words, "--settings", "standingwatch.toml"]

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        environment = {**os.environ, "PYTHONPATH": str(SERVICE)}
        return subprocess.run(
            self.command(*words), cwd=self.folder, env=environment, capture_output=True, text=True, timeout=60
        )

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                self.command("run"),
                cwd=self.folder,
                env={**os.environ, "PYTHONPATH": str(SERVICE)},
                stdout=log,
                stderr=log,
            )

    def metric(self, name: str) -> float:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.web_port}/metrics", timeout=5) as answer:
                lines = answer.read().decode().splitlines()
        except (urllib.error.URLError, OSError):
            return float("nan")
        return next((float(one.rsplit(" ", 1)[1]) for one in lines if one.startswith(name + " ")), 0.0)

    def until(self, true: Callable[[], object], what: str, seconds: float = 20.0) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if true():
                return
            time.sleep(0.05)
        pytest.fail(f"after {seconds:g} s still not: {what}\n{(self.folder / 'log').read_text()[-3000:]}")


@pytest.fixture
def service(tmp_path: Path, broker: Any, unused_port: int) -> Iterator[Service]:
    made = Service(tmp_path, broker.port, unused_port)
    yield made
    if made.process is not None:
        made.process.terminate()
        assert made.process.wait(20) == 0
        assert "Traceback" not in (tmp_path / "log").read_text()


def test_from_a_birth_to_the_metrics(
    service: Service, broker: Any, edge: Any, metric: Any, connect_client: Any, listen: Any
) -> None:
    service.write(enabled=True, with_profile=True)
    service.start()
    connection = 'standingwatch_broker_connected{connection="standingwatch-sparkplug"}'
    service.until(lambda: service.metric(connection) == 1.0, "the host is connected")
    edge.time_ms = time.time_ns() // 1_000_000 - 60_000
    client = connect_client(broker.port)
    messages = [
        edge.birth(),
        edge.device_birth(
            "tx-1", metric("Tx/Fwd", "Int16", 500, alias=1), metric("Tx/SWR", "Float", 1.5, alias=2)
        ),
        edge.device_data("tx-1", metric("", "Int16", 490, alias=1), metric("", "Float", 3.0, alias=2)),
    ]
    for message in messages:
        client.publish(message.topic, message.payload, qos=1).wait_for_publish(5)
    swr = 'standingwatch_swr_ratio{site="hill-03",transmitter="tx-1"}'
    service.until(lambda: service.metric(swr) == pytest.approx(3.0, abs=1e-6), "the watch has the last value")
    # 49 dBm, by the definition of the unit.
    forward = 'standingwatch_forward_power_watts{site="hill-03",transmitter="tx-1"}'
    assert service.metric(forward) == pytest.approx(10**1.9)
    service.until(lambda: service.metric("standingwatch_sparkplug_devices") == 1, "the device counts")
    death = edge.death()
    # The death of the only node of the site is the end of the site's link, which is an alarm.
    with listen(broker.port, "standingwatch/event/hill-03") as events:
        client.publish(death.topic, death.payload, qos=1).wait_for_publish(5)
        service.until(lambda: any(b"site-unreachable" in body for _, body, _ in events.messages), "the alarm")


def test_check_tells_what_does_not_go_together(service: Service) -> None:
    service.write(enabled=True, with_profile=False)
    found = service.run("check")
    assert found.returncode == 1
    assert "sparkplug.enabled" in found.stderr
    assert 'wanted a profile with format = "sparkplug"' in found.stderr
    refused = service.run("run")
    assert refused.returncode == 1
    assert "sparkplug.enabled" in refused.stderr
    service.write(enabled=False, with_profile=True)
    found = service.run("check")
    assert found.returncode == 0
    assert "nothing listens to edge nodes" in found.stderr
    service.write(enabled=True, with_profile=False)  # the profile stands there now
    found = service.run("check")
    assert found.returncode == 0
    assert "parkplug" not in found.stderr
