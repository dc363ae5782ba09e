"""The words of deploy/mosquitto/README.md, done."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from prometheus_client import CollectorRegistry

from standingwatch.intake.connection import BrokerConnection
from standingwatch.metrics import Metrics
from standingwatch.settings import IntakeSettings, load_settings

ROOT = Path(__file__).parents[3]
GUIDE = (ROOT / "deploy" / "mosquitto" / "README.md").read_text()


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", GUIDE, re.MULTILINE | re.DOTALL)


@pytest.fixture
def done(tmp_path: Path) -> Path:
    """A copy of the repository's files in which the guide's commands were run; /etc is in it too."""
    top = tmp_path / "top"
    shutil.copytree(ROOT / "deploy/mosquitto", top / "deploy/mosquitto")
    shutil.copytree(ROOT / "fixtures/inventory", top / "fixtures/inventory")
    (tmp_path / "etc/mosquitto").mkdir(parents=True)
    commands = "".join(blocks("sh"))
    # Who runs the tests need not be root: then all belongs to whoever it is.
    for old, new in {
        "192.0.2.7": "127.0.0.1",
        "sudo ": "",
        "-o mosquitto -g mosquitto ": "",
        "/etc/": f"{tmp_path}/etc/",
    }.items():
        assert old in commands
        commands = commands.replace(old, new)
    subprocess.run(["bash", "-euc", commands], cwd=top / "deploy/mosquitto", check=True, capture_output=True)
    return tmp_path


def test_the_commands_give_what_the_broker_reads(done: Path) -> None:
    conf = (done / "etc/mosquitto/mosquitto.conf").read_text()
    for path in re.findall(r"^(?:\w+file|acl_file) (\S+)$", conf, re.MULTILINE):
        assert (done / path.removeprefix("/")).is_file(), path
    certs = done / "etc/mosquitto/certs"
    assert {path.stat().st_mode & 0o77 for path in certs.iterdir()} == {0}
    check = ("openssl", "verify", "-verify_hostname", "mqtt.example.org", "-CAfile")
    subprocess.run([*check, str(certs / "services-ca.crt"), str(certs / "broker.crt")], check=True)
    sites = sorted(
        unquote(p.stem) for p in (done / "top/deploy/mosquitto/certificates/sites/issued").glob("*.crt")
    )
    rows = (done / "top/fixtures/inventory/six-transmitters.csv").read_text().splitlines()[1:]
    assert sites == sorted({row.partition(",")[0] for row in rows})


def test_the_settings_get_the_service_in(done: Path, deployed: Any, tmp_path: Path) -> None:
    """The service, with the guide's settings, at the broker with the certificates of the guide's commands."""
    made = done / "top/deploy/mosquitto/certificates"
    (text,) = blocks("toml")
    said = tomllib.loads(text)["broker"]
    for key, source in {
        "ca_file": "services/ca.crt",
        "cert_file": "services/issued/standingwatch.crt",
        "key_file": "services/issued/standingwatch.key",
    }.items():
        text = text.replace(said[key], str(made / source))
    path = tmp_path / "standingwatch.toml"
    path.write_text(text)
    settings = load_settings(path, {}).broker
    conf = (done / "etc/mosquitto/mosquitto.conf").read_text()
    assert f"\nmax_inflight_messages {settings.receive_maximum}\n" in conf
    (largest,) = re.findall(r"^max_packet_size (\d+)$", conf, re.MULTILINE)
    # MQTT's own limit of a topic is 65,535 bytes; those of a fleet are far from it.
    assert 0 < int(largest) - IntakeSettings().max_payload_bytes < 65_535
    assert f"\nlistener {settings.port}\n" in conf
    shutil.copytree(done / "etc/mosquitto/certs", deployed.folder / "etc/certs", dirs_exist_ok=True)
    deployed.start()
    here = settings.model_copy(update={"host": "127.0.0.1", "port": deployed.service_port})
    connection = BrokerConnection(here, "standingwatch-notify", Metrics(CollectorRegistry()))
    connection.start()
    try:
        assert connection.wait_connected(10), deployed.log()
        connection.publish([("standingwatch/heartbeat", b"{}", True)])
    finally:
        connection.stop()


def test_the_publisher_of_a_site_gets_in(deployed: Any, service: Any, tmp_path: Path) -> None:
    """deploy/publisher with the three files that the guide gives a site."""
    (tmp_path / "meter.json").write_text('{"forward": 98.2, "reflected": 1.13}')
    issued = deployed.certificates / "sites/issued"
    settings = tmp_path / "publisher.toml"
    settings.write_text(
        f"""site = "alder-ridge"
[broker]
host = "127.0.0.1"
port = {deployed.sites_port}
ca_file = "{deployed.certificates}/services/ca.crt"
cert_file = "{issued}/alder-ridge.crt"
key_file = "{issued}/alder-ridge.key"
[spool]
file = "{tmp_path}/reports.sqlite"
[clock]
wait_for_synchronised = false
[[transmitter]]
name = "rpt-1"
every_s = 60
source = {{ file = "{tmp_path}/meter.json" }}
[transmitter.values]
forward = {{ from = "forward", unit = "W" }}
reflected = {{ from = "reflected", unit = "W" }}
"""
    )
    deployed.start()
    service.clock = lambda: time.time_ns() // 1000
    script = ROOT / "deploy/publisher/standingwatch_publisher.py"
    with service.running():
        done = subprocess.run(
            [sys.executable, str(script), "--settings", str(settings), "--once", "--wait", "20"],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0, done.stderr
        # Acknowledged to the site by the broker, which may be before the service has it.
        end = time.monotonic() + 10
        while not service.count() and time.monotonic() < end:
            time.sleep(0.05)
    assert [site for site, _ in service.stored()] == ["alder-ridge"]
