"""The MQTT interface as an AsyncAPI 3.0 document, made from the types and the functions that name topics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from standingwatch import __version__
from standingwatch.alarms import wire_schema
from standingwatch.readings import (
    alarm_topic,
    event_topic,
    heartbeat_topic,
    link_filter,
    report_filter,
    report_schema,
)

_SCHEMAS = "#/components/schemas/{name}"

_PARAMETERS = {
    "site": "Name of the site, as on the site list.",
    "transmitter": "Name of the transmitter, as on the site list.",
    "region": "Name of the region, percent-encoded where it has one of / + # % or a control character.",
    "part": "Part of the service, such as intake; percent-encoded like a region.",
}


@dataclass(frozen=True)
class Server:
    """Where a broker is.

    Attributes:
        host: name or address.
        port: TCP port.
        tls: whether the connection is encrypted.
        protocol: version of MQTT.
    """

    host: str
    port: int
    tls: bool
    protocol: Literal["5", "3.1.1"]


@dataclass(frozen=True)
class _Channel:
    """A topic: what it is called in the document, its address, what is on it, and who sends that.

    Attributes:
        name: key in the document.
        address: the topic, with parameters in braces.
        message: name of the message.
        schema: name of its schema.
        summary: one line.
        retained: whether the broker keeps the last message.
        comes_in: whether the service receives it.
    """

    name: str
    address: str
    message: str
    schema: str
    summary: str
    retained: bool
    comes_in: bool = False


def _channels(root: str) -> list[_Channel]:
    site, transmitter, region, part = "{site}", "{transmitter}", "{region}", "{part}"
    events = {
        "eventTransmitter": ("a transmitter", (site, transmitter)),
        "eventSite": ("a site as a whole", (site, "")),
        "eventRegion": ("a region", ("", "", region)),
        "eventService": ("a part of the service itself", ("", "", "", part)),
        "eventFleet": ("no one of these: summaries of the fleet, and tests of the channel", ("", "")),
    }
    named = [
        _Channel(
            name, event_topic(root, *names), "event", "Event", f"Alarm events about {about}.", retained=False
        )
        for name, (about, names) in events.items()
    ]
    named += [
        _Channel(
            name.replace("event", "alarm"),
            alarm_topic(root, *names),
            "presentAlarms",
            "PresentAlarms",
            f"The alarms that stand of {about}.",
            retained=True,
        )
        for name, (about, names) in events.items()
        if name != "eventFleet"
    ]
    reports = report_filter(root).replace("+", site, 1).replace("+", transmitter, 1)
    return [
        _Channel(
            *("report", reports, "report", "ReportPayload", "Reports of a transmitter."),
            retained=False,
            comes_in=True,
        ),
        _Channel(
            *("link", link_filter(root).replace("+", site), "link", "LinkState"),
            "Whether a site is in touch with the broker; also the MQTT will of the site.",
            retained=True,
            comes_in=True,
        ),
        *named,
        _Channel(
            *("heartbeat", heartbeat_topic(root), "heartbeat", "Heartbeat"),
            "That the service lives and how far it has come.",
            retained=True,
        ),
    ]


def asyncapi(root: str, *, time_required: bool = True, server: Server | None = None) -> dict[str, Any]:
    """The interface as an AsyncAPI 3.0 document (https://www.asyncapi.com/docs/reference/specification/v3.0.0).

    Parameters
    ----------
    root
        First level of the topics, or several joined by slashes.
    time_required
        Whether a report without a time is refused (the setting `intake.time_if_absent`).
    server
        The broker to name; None for none.

    Raises
    ------
    ValueError
        If `root` cannot begin a topic.
    """
    channels = _channels(root)
    schemas = {
        **report_schema.components(_SCHEMAS, time_required=time_required),
        **wire_schema.components(_SCHEMAS),
    }
    document: dict[str, Any] = {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Standing Watch over MQTT",
            "version": __version__,
            "description": (
                "Reports of transmitters in, alarms out. Everything goes at QoS 1: what is acknowledged is "
                "kept, and may come twice. A report that comes again changes nothing; events are told apart "
                "by their id. Payloads that devices send otherwise, and that a payload profile reads, are "
                "not described here."
            ),
            "license": {"name": "Apache-2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {channel.name: _described(channel) for channel in channels},
        "operations": {
            f"{_action(channel)}{channel.name[0].upper()}{channel.name[1:]}": {
                "action": _action(channel),
                "channel": {"$ref": f"#/channels/{channel.name}"},
                "summary": channel.summary,
                "messages": [{"$ref": f"#/channels/{channel.name}/messages/{channel.message}"}],
                "bindings": {"mqtt": {"qos": 1, "retain": channel.retained, "bindingVersion": "0.2.0"}},
            }
            for channel in channels
        },
        "components": {
            "messages": {
                channel.message: {
                    "name": channel.message,
                    "title": schemas[channel.schema]["title"],
                    "contentType": "application/json",
                    "payload": {"$ref": _SCHEMAS.format(name=channel.schema)},
                }
                for channel in channels
            },
            "schemas": schemas,
        },
    }
    if server is not None:
        document["servers"] = {
            "broker": {
                "host": f"[{server.host}]:{server.port}"
                if ":" in server.host
                else f"{server.host}:{server.port}",
                "protocol": "secure-mqtt" if server.tls else "mqtt",
                "protocolVersion": server.protocol,
                "description": "The MQTT broker between sites and service.",
            }
        }
    return document


def _action(channel: _Channel) -> str:
    """What the service does with a message: AsyncAPI describes an application from its own side."""
    return "receive" if channel.comes_in else "send"


def _described(channel: _Channel) -> dict[str, Any]:
    found: dict[str, Any] = {
        "address": channel.address,
        "description": f"{channel.summary} {'Retained.' if channel.retained else 'Not retained.'}",
        "messages": {channel.message: {"$ref": f"#/components/messages/{channel.message}"}},
    }
    parameters = {
        name: {"description": words}
        for name, words in _PARAMETERS.items()
        if f"{{{name}}}" in channel.address
    }
    if parameters:
        found["parameters"] = parameters
    return found
