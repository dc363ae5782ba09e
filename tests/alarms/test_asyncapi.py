"""The AsyncAPI document against the published schema of AsyncAPI 3.0.0, and against the topics in use."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator

from standingwatch.alarms.asyncapi import Server, asyncapi
from standingwatch.readings import alarm_topic, event_topic, heartbeat_topic, parse_topic
from standingwatch.readings.topics import LinkTopic, ReportTopic

#: From the npm package of the AsyncAPI initiative; tests/run installs it.
SPECIFICATION = (
    Path(__file__).parents[1] / "web" / "node_modules" / "@asyncapi" / "specs" / "schemas" / "3.0.0.json"
)
ROOT = "north/watch"


@pytest.fixture(scope="module")
def specification() -> Draft7Validator:
    return Draft7Validator(json.loads(SPECIFICATION.read_text()))


@pytest.mark.parametrize(
    "server", [None, Server("broker.example.org", 8883, True, "5"), Server("::1", 1883, False, "3.1.1")]
)
def test_it_is_asyncapi_3(specification: Draft7Validator, server: Server | None) -> None:
    specification.validate(json.loads(json.dumps(asyncapi(ROOT, server=server))))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("asyncapi",), "2.6.0"),
        (("info", "version"), None),
        (("channels", "report", "address"), 5),
        (("operations", "receiveReport", "action"), "subscribe"),
        (("operations", "receiveReport", "bindings", "mqtt", "qos"), 3),
        (("servers", "broker", "host"), None),
    ],
)
def test_the_published_schema_would_see_it(
    specification: Draft7Validator, path: tuple[str, ...], value: Any
) -> None:
    document: Any = asyncapi(ROOT, server=Server("broker.example.org", 8883, True, "5"))
    inner = document
    for step in path[:-1]:
        inner = inner[step]
    assert path[-1] in inner
    inner[path[-1]] = value
    assert not specification.is_valid(document)


def test_every_reference_leads_somewhere() -> None:
    document = asyncapi(ROOT)
    found = []

    def follow(value: Any) -> None:
        if isinstance(value, dict):
            if "$ref" in value:
                found.append(value["$ref"])
                inner: Any = document
                for step in value["$ref"].removeprefix("#/").split("/"):
                    inner = inner[step]
            for part in value.values():
                follow(part)
        elif isinstance(value, list):
            for part in value:
                follow(part)

    follow(document)
    assert len(found) > 40
    used = {one.rpartition("/")[2] for one in found}
    assert set(document["components"]["schemas"]) <= used


def test_addresses_are_those_that_the_service_uses() -> None:
    channels = asyncapi(ROOT)["channels"]
    named = {
        name: channel["address"].format(site="alder", transmitter="rpt-1", region="Coast", part="intake")
        for name, channel in channels.items()
    }
    assert parse_topic(ROOT, named.pop("report")) == ReportTopic("alder", "rpt-1")
    assert parse_topic(ROOT, named.pop("link")) == LinkTopic("alder")
    assert named == {
        "eventTransmitter": event_topic(ROOT, "alder", "rpt-1"),
        "eventSite": event_topic(ROOT, "alder", ""),
        "eventRegion": event_topic(ROOT, "", "", "Coast"),
        "eventService": event_topic(ROOT, "", "", "", "intake"),
        "eventFleet": event_topic(ROOT, "", ""),
        "alarmTransmitter": alarm_topic(ROOT, "alder", "rpt-1"),
        "alarmSite": alarm_topic(ROOT, "alder", ""),
        "alarmRegion": alarm_topic(ROOT, "", "", "Coast"),
        "alarmService": alarm_topic(ROOT, "", "", "", "intake"),
        "heartbeat": heartbeat_topic(ROOT),
    }


def test_each_parameter_of_an_address_is_described_and_no_other() -> None:
    for channel in asyncapi(ROOT)["channels"].values():
        in_address = {part.partition("}")[0] for part in channel["address"].split("{")[1:]}
        assert set(channel.get("parameters", {})) == in_address


def test_a_time_is_asked_for_where_the_settings_do() -> None:
    def report(required: bool) -> Any:
        return asyncapi(ROOT, time_required=required)["components"]["schemas"]["Report"]

    assert report(True)["required"] == ["time"]
    assert "required" not in report(False)


def test_a_root_that_cannot_begin_a_topic_is_refused() -> None:
    with pytest.raises(ValueError, match="topic root"):
        asyncapi("north//watch")
