"""Who gets in at the broker that deploy/mosquitto sets up, and what each may do there."""

from __future__ import annotations

import shutil
import signal
import socket
import ssl
import subprocess
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

SUCCESS, NOT_AUTHORIZED = "Success", "Not authorized"
V311, V5 = MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5

#: What connecting raises when the other side ends the handshake, sooner or later.
CUT_OFF = (ssl.SSLError, ConnectionError, TimeoutError)

# paho leaves the socket of a handshake that failed to the collector, which Python tells of.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


def gets_in(deployed: Any, *words: Any, **more: Any) -> bool:
    """Whether a client is let in."""
    try:
        with deployed.client(*words, **more) as client:
            return bool(client.connected.is_set() and not client.refused)
    except CUT_OFF:
        return False


def test_a_site_reports_for_itself_and_for_nobody_else(
    deployed: Any, service: Any, report: Callable[[int], bytes], wait: Callable[..., None], strange_name: str
) -> None:
    deployed.start()
    own, other = "standingwatch/report/alder-ridge/rpt-1", "standingwatch/report/birch-hill/rpt-1"
    with service.running():
        with deployed.client("alder-ridge") as site:
            assert site.publish(own, report(1)) == SUCCESS
            assert site.publish(other, report(2)) == NOT_AUTHORIZED
            assert site.publish("standingwatch/link/birch-hill", b'{"online": false}') == NOT_AUTHORIZED
            assert site.publish("standingwatch/alarm/alder-ridge", b"[]", retain=True) == NOT_AUTHORIZED
            assert site.publish("standingwatch/heartbeat", b"{}") == NOT_AUTHORIZED
            assert site.publish(f"{own}/more") == NOT_AUTHORIZED
        # MQTT 3.1.1 cannot say no: what is not allowed is acknowledged, and goes nowhere.
        with deployed.client("alder-ridge", version=V311) as site:
            site.publish(other, report(3))
            site.publish(own, report(4))
        with deployed.client(strange_name) as site:
            assert site.publish(f"standingwatch/report/{strange_name}/rpt-1", report(5)) == SUCCESS
        wanted = [("alder-ridge", 1), ("alder-ridge", 4), (strange_name, 5)]
        wait(lambda: len(service.stored()) >= len(wanted), 10, "stored")
    assert sorted(service.stored()) == sorted(wanted)
    assert service.refused() == []


def test_a_site_hears_nothing_and_others_what_is_theirs(
    deployed: Any, report: Callable[[int], bytes], wait: Callable[..., None]
) -> None:
    deployed.start()
    with (
        deployed.client("birch-hill") as nosy,
        deployed.client("alder-ridge") as site,
        deployed.client("standingwatch", "services", client_id="standingwatch") as watch,
        deployed.client("desk", "services") as desk,
        deployed.client("monitor", "services") as monitor,
    ):
        for client in (nosy, desk, monitor):
            client.subscribe("#", "$SYS/broker/version")
        watch.subscribe("standingwatch/report/+/+", "standingwatch/link/+", "#")
        site.publish("standingwatch/report/alder-ridge/rpt-1", report(1))
        site.publish("standingwatch/link/alder-ridge", b'{"online": true}', retain=True)
        topics = [
            f"standingwatch/{one}"
            for one in (
                *(
                    "event/alder-ridge/rpt-1",
                    "event/alder-ridge",
                    "event-region/north",
                    "event-service/store",
                ),
                *("event-fleet", "alarm/alder-ridge/rpt-1", "alarm/alder-ridge", "alarm-region/north"),
                *("alarm-service/store", "heartbeat"),
            )
        ]
        assert {watch.publish(topic) for topic in topics} == {SUCCESS}
        wait(lambda: len(desk.heard) >= len(topics) and len(watch.heard) >= 2, 10, "heard")
        assert {topic for topic, *_ in desk.heard} == set(topics)
        assert {topic.split("/")[1] for topic, *_ in watch.heard} == {"report", "link"}
        wait(lambda: monitor.heard, 10, "the broker's own state")
        assert {topic for topic, *_ in monitor.heard} == {"$SYS/broker/version"}
        for client in (desk, monitor, watch):
            assert client.publish("standingwatch/report/alder-ridge/rpt-1") == NOT_AUTHORIZED
        assert {desk.publish("standingwatch/event-fleet"), monitor.publish("$SYS/x")} == {NOT_AUTHORIZED}
        # What it sent itself has been round the broker by the time of the answer: no wait is needed.
        site.publish("standingwatch/report/alder-ridge/rpt-1", report(2))
        assert nosy.heard == []


def test_no_site_takes_over_a_session(
    deployed: Any,
    report: Callable[[int], bytes],
    wait: Callable[..., None],
    lasting_session: Callable[[], dict[str, Any]],
) -> None:
    deployed.start()
    topic = "standingwatch/report/birch-hill/rpt-1"
    with (
        deployed.client("standingwatch", "services", client_id="standingwatch", **lasting_session()) as watch,
        deployed.client("birch-hill", client_id="publisher-birch-hill") as other,
    ):
        watch.subscribe("standingwatch/report/+/+")
        for stolen in ("standingwatch", "birch-hill", "publisher-birch-hill"):
            with deployed.client("alder-ridge", client_id=stolen, **lasting_session()) as thief:
                assert not thief.refused
                thief.publish("standingwatch/report/alder-ridge/rpt-1", report(1))
                assert other.publish(topic, report(2)) == SUCCESS
        wait(lambda: len(watch.heard) == 6, 10, "the service hears all of both")
        assert watch.disconnects == other.disconnects == 0


def test_who_is_not_let_in(deployed: Any, helper: Any, tmp_path: Path) -> None:
    foreign = helper(tmp_path / "foreign")
    foreign("init")
    foreign("site", "alder-ridge")
    # A certificate that a stranger's authority made in the name of a site, and the right authority to trust.
    shutil.copy(
        tmp_path / "foreign/sites/issued/alder-ridge.crt", deployed.certificates / "sites/issued/own.crt"
    )
    shutil.copy(
        tmp_path / "foreign/sites/issued/alder-ridge.key", deployed.certificates / "sites/issued/own.key"
    )
    deployed.start()
    assert gets_in(deployed, "alder-ridge")
    assert gets_in(deployed, "standingwatch", "services")
    assert not gets_in(deployed, "own")
    assert not gets_in(deployed, "")
    assert not gets_in(deployed, "", "services")
    # Each listener has its own authority, whatever name the certificate bears.
    assert not gets_in(deployed, "alder-ridge", port=deployed.service_port)
    assert not gets_in(deployed, "standingwatch", "services", port=deployed.sites_port)
    # The broker's own certificate is none to come in with.
    assert not gets_in(deployed, "localhost", "services")
    for port in (deployed.sites_port, deployed.service_port):
        with closing(socket.create_connection(("127.0.0.1", port), timeout=5)) as plain:
            plain.sendall(bytes.fromhex("101000044d5154540402003c00047365656e"))
            with suppress(ConnectionError):
                assert not plain.recv(4).startswith(b"\x20"), "a greeting in clear was answered"


def test_no_site_passes_for_the_broker(certificates: Path) -> None:
    trusted = str(certificates / "services" / "ca.crt")

    def passes(path: str) -> bool:
        words = [
            "openssl",
            "verify",
            "-purpose",
            "sslserver",
            "-verify_hostname",
            "localhost",
            "-CAfile",
            trusted,
        ]
        return subprocess.run([*words, str(certificates / path)], capture_output=True).returncode == 0

    assert passes("services/issued/localhost.crt")
    assert not passes("sites/issued/alder-ridge.crt")
    assert not passes("services/issued/standingwatch.crt")


def test_a_revoked_certificate(deployed: Any, helper: Any, wait: Callable[..., None]) -> None:
    run = helper(deployed.certificates)
    deployed.start()
    with deployed.client("cedar-gap") as site:
        assert run("revoke", "cedar-gap") == [
            "1 revoked; now give sites/crl.pem and services/crl.pem to the broker and restart it"
        ]
        assert gets_in(deployed, "birch-hill")
        deployed.bring_certificates()
        # Read again, the list keeps it from coming back; who is in stays in until a restart.
        deployed.signal(signal.SIGHUP)
        wait(lambda: not gets_in(deployed, "cedar-gap"), 10, "refused")
        assert site.publish("standingwatch/report/cedar-gap/rpt-1") == SUCCESS
        deployed.end()
    deployed.start()
    assert not gets_in(deployed, "cedar-gap")
    assert gets_in(deployed, "alder-ridge")
    assert gets_in(deployed, "standingwatch", "services")
    # The site begins again with a new key, which the old list does not name.
    run("site", "cedar-gap")
    assert gets_in(deployed, "cedar-gap")


def test_renewed_certificates(deployed: Any, helper: Any) -> None:
    issued = deployed.certificates / "sites" / "issued"
    key, before = (issued / "alder-ridge.key").read_bytes(), (issued / "alder-ridge.crt").read_bytes()
    run = helper(deployed.certificates)
    run("renew", "alder-ridge", "localhost")
    assert (issued / "alder-ridge.key").read_bytes() == key
    assert (issued / "alder-ridge.crt").read_bytes() != before
    deployed.bring_certificates()
    deployed.start()
    assert gets_in(deployed, "alder-ridge")
    # Until it runs out the old one is good too: nothing has to change at the same moment.
    (issued / "alder-ridge.crt").write_bytes(before)
    assert gets_in(deployed, "alder-ridge")


def test_sites_with_passwords(deployed: Any, report: Callable[[int], bytes]) -> None:
    begin = "#listener 8885"

    def with_passwords(text: str) -> str:
        head, mark, rest = text.partition(begin)
        assert mark
        return head + "\n".join(line.removeprefix("#") for line in (mark + rest).splitlines()) + "\n"

    deployed.write(with_passwords)
    passwords = deployed.folder / "etc" / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "alder-ridge", "right"], check=True)
    deployed.start()
    port = deployed.passwords_port
    for version in (V5, V311):
        assert not gets_in(deployed, "alder-ridge", password="wrong", port=port, version=version)
        assert not gets_in(deployed, "", port=port, version=version)
    with deployed.client("alder-ridge", password="right", port=port) as site:
        assert site.publish("standingwatch/report/alder-ridge/rpt-1", report(1)) == SUCCESS
        assert site.publish("standingwatch/report/birch-hill/rpt-1", report(1)) == NOT_AUTHORIZED
    # The word is no way round the certificates of the other listeners.
    assert not gets_in(deployed, "alder-ridge", password="right", port=deployed.sites_port)


def test_a_second_computer_at_a_site(deployed: Any) -> None:
    rules = [line[1:] for line in (deployed.folder / "etc/acl-sites").read_text().splitlines()]
    deployed.write(
        site_rules="\n".join(r for r in rules if "tower-2" in r or r.startswith("topic write")) + "\n"
    )
    deployed.start()
    with deployed.client("alder-ridge.tower-2") as second, deployed.client("birch-hill") as other:
        assert second.publish("standingwatch/report/alder-ridge/rpt-9") == SUCCESS
        assert second.publish("standingwatch/report/birch-hill/rpt-9") == NOT_AUTHORIZED
        assert other.publish("standingwatch/report/alder-ridge/rpt-9") == NOT_AUTHORIZED
