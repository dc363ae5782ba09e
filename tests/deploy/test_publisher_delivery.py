"""What is measured at the site is stored by the service: through kills, outages and brokers that refuse."""

from __future__ import annotations

import json
import re
import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from typing import Any

from jsonschema import Draft7Validator

from standingwatch.alarms.asyncapi import asyncapi


def told(service: Any, name: str) -> list[int]:
    """The values of a counting meter that are stored, by time."""
    return [round(forward_w) for transmitter, _, forward_w, _ in service.stored() if transmitter == name]


def waiting(site: Any) -> int:
    """How many reports are on the site's disk."""
    if not site.spool.exists():
        return 0
    with closing(sqlite3.connect(site.spool, timeout=10)) as db:
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'reports'").fetchall():
            return 0
        return int(db.execute("SELECT count(*) FROM reports").fetchone()[0])


def check_all_there(service: Any, site: Any, lost_most: dict[str, set[int]]) -> None:
    """Every measured value is stored once, but for some that were on their way to the disk."""
    for name, may_lack in lost_most.items():
        found, measured = told(service, name), set(site.measured(name))
        assert len(found) == len(set(found)), "something is doubled"
        assert found == sorted(found), "something is out of order"
        assert set(found) <= measured
        assert measured - set(found) <= may_lack, name
        assert len(measured) > 20


def test_measured_is_stored_through_kills(
    durable_broker: Any, site_at: Any, service_at: Any, wait: Callable[..., None]
) -> None:
    service, site = service_at(durable_broker.port), site_at(durable_broker.port)
    names = ("rpt-1", "rpt-2")
    site.metered(*names)
    cut_short: dict[str, set[int]] = {name: set() for name in names}
    for tries in range(5):
        process = site.start()
        wait(lambda: all(len(site.measured(n)) > 8 * (tries + 1) for n in names), 30, site.said)  # noqa: B023  at once
        site.end(process, signal.SIGKILL)
        for name in names:
            # Of a value that was told at the very end nobody can say whether it reached the disk.
            cut_short[name].add(max(site.measured(name)))
    assert site.once() == 0, site.said()
    assert waiting(site) == 0
    wait(
        lambda: {max(site.measured(n)) for n in names} <= {*told(service, "rpt-1"), *told(service, "rpt-2")},
        30,
        lambda: str(service.refused()),
    )
    check_all_there(service, site, cut_short)
    assert service.refused() == []
    assert "Traceback" not in site.said()


def test_nothing_is_lost_while_the_link_is_down(
    durable_broker: Any, site_at: Any, service_at: Any, wait: Callable[..., None]
) -> None:
    broker = durable_broker
    service, site = service_at(broker.port), site_at(broker.port)
    site.metered("rpt-1", "rpt-2", more="[sending]\nmost_in_array = 7\nreports_per_s = 500")
    process = site.start()
    wait(lambda: len(told(service, "rpt-1")) > 3, 30, site.said)
    broker.stop()
    before = len(site.measured("rpt-1"))
    wait(lambda: len(site.measured("rpt-1")) > before + 20, 30, site.said)
    assert waiting(site) > 30
    site.end(process, signal.SIGKILL)
    cut_short = {name: {max(site.measured(name))} for name in ("rpt-1", "rpt-2")}
    process = site.start()
    wait(lambda: len(site.measured("rpt-1")) > before + 40, 30, site.said)
    kept = waiting(site)
    assert kept > 60
    broker.start()
    wait(lambda: waiting(site) < 5, 60, site.said)
    assert site.end(process) == 0
    assert site.once() == 0, site.said()
    last = max(site.measured("rpt-2"))
    wait(lambda: last in told(service, "rpt-2"), 30, lambda: str(service.refused()))
    check_all_there(service, site, cut_short)
    assert service.refused() == []


def test_all_that_goes_over_the_wire_is_as_described(
    durable_broker: Any, site_at: Any, service_at: Any, listen: Any, wait: Callable[..., None]
) -> None:
    document = asyncapi("standingwatch")
    schemas = document["components"]["schemas"]
    channels = {
        name: re.compile(re.sub(r"\\{\w+\\}", "[^/]+", re.escape(channel["address"])))
        for name, channel in document["channels"].items()
    }
    payloads = {"report": "ReportPayload", "link": "LinkState", "heartbeat": "Heartbeat"}
    site = site_at(durable_broker.port)
    site.metered("rpt-1", "rpt-2", more="[sending]\nmost_in_array = 5")
    # Something waits already, so that there are arrays too.
    durable_broker.stop()
    process = site.start()
    wait(lambda: waiting(site) > 10, 30, site.said)
    durable_broker.start()
    with listen(durable_broker.port, "standingwatch/#") as heard:
        service_at(durable_broker.port)
        wait(lambda: sum("/report/" in topic for topic, _, _ in heard.messages) > 30, 60, site.said)
        assert site.end(process) == 0
        wait(lambda: sum("heartbeat" in topic for topic, _, _ in heard.messages) > 2, 30, site.said)
    seen = set()
    arrays = 0
    for topic, body, _ in heard.messages:
        names = [name for name, form in channels.items() if form.fullmatch(topic)]
        assert len(names) == 1, topic
        seen.add(names[0])
        if names[0] in payloads:
            said = json.loads(body)
            schema = {**schemas[payloads[names[0]]], "components": {"schemas": schemas}}
            Draft7Validator(schema).validate(said)
            arrays += isinstance(said, list)
            assert not isinstance(said, list) or len(said) <= 5
    assert seen >= set(payloads)
    assert arrays > 0


def links(heard: Any) -> list[bool]:
    return [
        json.loads(body)["online"] for topic, body, _ in heard.messages if topic == "standingwatch/link/alder"
    ]


def test_the_link_is_told_and_the_will_takes_it_back(
    broker: Any, site_at: Any, listen: Any, wait: Callable[..., None]
) -> None:
    site = site_at(broker.port)
    site.metered("rpt-1")
    with listen(broker.port, "standingwatch/link/+") as heard:
        process = site.start()
        wait(lambda: links(heard) == [True], 20, site.said)
        site.end(process, signal.SIGKILL)
        wait(lambda: links(heard) == [True, False], 20, site.said)
        process = site.start()
        wait(lambda: links(heard) == [True, False, True], 20, site.said)
        # Whoever looks whether all is well does not throw out the one that runs.
        assert site.start("--check").wait(30) == 0, site.said()
        assert site.once("--wait", "1") == 1  # nobody asked for reports
        assert links(heard) == [True, False, True]
        assert site.end(process) == 0
        wait(lambda: links(heard) == [True, False, True, False], 20, site.said)
    with listen(broker.port, "standingwatch/link/+") as heard:
        wait(lambda: links(heard) == [False], 20, site.said)
        assert heard.messages[0][2], "the state is not retained"
        # A single run is no link that could be lost.
        assert site.once("--wait", "1") == 1  # nobody asked for reports
        assert links(heard) == [False]


def test_reports_wait_while_nobody_listens(
    durable_broker: Any, site_at: Any, service_at: Any, wait: Callable[..., None]
) -> None:
    site = site_at(durable_broker.port)
    site.metered("rpt-1", every_s=0.2)
    process = site.start()
    wait(lambda: "did not pass reports on: No matching subscribers" in site.said(), 20, site.said)
    wait(lambda: waiting(site) > 10, 20, site.said)
    service = service_at(durable_broker.port)
    wait(lambda: len(told(service, "rpt-1")) > 10, 60, site.said)
    site.end(process)
    assert told(service, "rpt-1")[0] == 1


def test_what_the_broker_refuses_is_kept(
    tmp_path: Any, run_broker: Any, site_at: Any, wait: Callable[..., None]
) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic write standingwatch/link/#\n")
    with run_broker(tmp_path, more_settings=f"allow_anonymous true\nacl_file {rules}\n") as broker:
        site = site_at(broker.port)
        site.metered("rpt-1")
        process = site.start()
        wait(lambda: "did not pass reports on: Not authorized" in site.said(), 20, site.said)
        wait(lambda: waiting(site) > 10, 20, site.said)
        assert site.end(process) == 0
        assert waiting(site) == len(site.measured("rpt-1"))


def test_backlog_goes_out_in_arrays_at_the_rate_that_is_set(
    broker: Any, site_at: Any, listen: Any, wait: Callable[..., None]
) -> None:
    site = site_at(broker.port)
    broker.stop()
    site.metered("rpt-1", "rpt-2", every_s=0.1)
    process = site.start()
    wait(lambda: waiting(site) >= 60, 60, site.said)
    site.end(process)
    kept = waiting(site)
    site.metered("rpt-1", "rpt-2", every_s=600, more="[sending]\nreports_per_s = 20\nmost_in_array = 10")
    broker.start()
    with listen(broker.port, "standingwatch/report/#") as heard:
        begin = time.monotonic()
        assert site.once() == 0
        took_s = time.monotonic() - begin
        wait(lambda: len(sequences(heard)) >= kept + 2, 20, site.said)
    # The first array may go at once, all others wait for their turn: no machine is so slow as to be faster.
    assert took_s >= (kept + 2 - 10) / 20
    assert max(sizes(heard)) <= 10
    assert len(sizes(heard)) < kept / 4
    for name in ("rpt-1", "rpt-2"):
        mine = [sequence for topic, sequence in sequences(heard) if topic.endswith(name)]
        assert mine == list(range(1, len(mine) + 1)), "out of order, or not whole"


def sizes(heard: Any) -> list[int]:
    return [len(said) if isinstance(said := json.loads(body), list) else 1 for _, body, _ in heard.messages]


def sequences(heard: Any) -> list[tuple[str, int]]:
    found = []
    for topic, body, _ in heard.messages:
        said = json.loads(body)
        found += [(topic, one["sequence"]) for one in (said if isinstance(said, list) else [said])]
    return found
