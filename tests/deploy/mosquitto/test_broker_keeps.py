"""What the broker that deploy/mosquitto sets up keeps while the service is away, and what it does not."""

from __future__ import annotations

import signal
import subprocess
from collections.abc import Callable
from typing import Any

Report = Callable[[int], bytes]
Wait = Callable[..., None]

TOPIC = "standingwatch/report/alder-ridge/rpt-1"
BURST = 60_000


def send(deployed: Any, first: int, count: int, report: Report) -> None:
    """So many reports of one site; each has been acknowledged by the broker when this returns."""
    issued = deployed.certificates / "sites" / "issued"
    subprocess.run(
        [
            *(
                "mosquitto_pub",
                "-h",
                "localhost",
                "-p",
                str(deployed.sites_port),
                "-q",
                "1",
                "-l",
                "-t",
                TOPIC,
            ),
            *("--cafile", str(deployed.certificates / "services" / "ca.crt")),
            *("--cert", str(issued / "alder-ridge.crt"), "--key", str(issued / "alder-ridge.key")),
        ],
        input=b"".join(report(second) + b"\n" for second in range(first, first + count)),
        check=True,
        timeout=120,
    )


def seconds(service: Any) -> list[int]:
    return sorted(second for _, second in service.stored())


def introduce(service: Any) -> None:
    """The service is there once: from then on the broker keeps for it."""
    with service.running():
        pass


def test_a_burst_with_the_service_away_and_a_restart(
    deployed: Any, service: Any, report: Report, wait: Wait
) -> None:
    deployed.start()
    introduce(service)
    send(deployed, 0, BURST, report)
    with deployed.client("alder-ridge") as site:
        site.publish("standingwatch/link/alder-ridge", b'{"online": true}', retain=True)
    deployed.end()
    deployed.start()
    with service.running():
        wait(lambda: service.count() >= BURST, 60, "all stored")
    assert seconds(service) == list(range(BURST))
    # What is retained has outlived it, with the rights of who wrote it.
    with deployed.client("standingwatch", "services", client_id="another") as watch:
        watch.subscribe("standingwatch/link/+")
        wait(lambda: watch.heard, 10, "the link's state")
        assert watch.heard == [("standingwatch/link/alder-ridge", b'{"online": true}', True)]


def test_what_a_kill_of_the_broker_takes(deployed: Any, service: Any, report: Report, wait: Wait) -> None:
    # Written when told to alone, so that it is certain what was.
    deployed.write(lambda text: text.replace("autosave_interval 10\n", "autosave_interval 0\n"))
    deployed.start()
    introduce(service)
    send(deployed, 0, 3000, report)
    deployed.save()
    # Acknowledged after the last writing: this is what is at risk.
    send(deployed, 3000, 500, report)
    deployed.end(signal.SIGKILL)
    deployed.start()
    with service.running() as intake:
        wait(lambda: service.count() >= 3000, 30, "what was written is stored")
        # The session lives on and nothing is stuck: what comes now is stored after it.
        send(deployed, 4000, 1, report)
        wait(lambda: 4000 in seconds(service), 10, "a report of after")
        assert intake.connection.connected
    assert seconds(service) == [*range(3000), 4000]


def test_it_writes_by_itself(deployed: Any, service: Any, report: Report, wait: Wait) -> None:
    deployed.write(lambda text: text.replace("autosave_interval 10\n", "autosave_interval 1\n"))
    deployed.start()
    introduce(service)
    send(deployed, 0, 200, report)
    before = deployed.kept.stat().st_mtime_ns if deployed.kept.exists() else 0
    wait(lambda: deployed.kept.exists() and deployed.kept.stat().st_mtime_ns > before, 10, "written")
    deployed.end(signal.SIGKILL)
    deployed.start()
    with service.running():
        wait(lambda: service.count() >= 200, 10, "stored")
    assert seconds(service) == list(range(200))


def test_a_message_too_large_is_not_kept(deployed: Any, service: Any, report: Report, wait: Wait) -> None:
    deployed.start()
    introduce(service)
    with deployed.client("alder-ridge") as site:
        site.client.publish(TOPIC, b"x" * 1_100_000, qos=1)
        wait(lambda: site.answers or site.disconnects, 10, "an answer")
        # Cut off, not acknowledged: so who sent it knows that it is not kept.
        assert (site.answers, site.disconnects) == ({}, 1)
    send(deployed, 1, 1, report)
    with service.running():
        wait(lambda: seconds(service) == [1], 10, "what came after it")
    assert service.refused() == []
