"""The topics of Sparkplug B: namespace, group, kind of message, edge node, device.

Source: Eclipse Sparkplug 3.0.0, chapter 4; held are tck-id-topic-structure,
tck-id-topic-structure-namespace-a and the two about which kinds name a device.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

NAMESPACE = "spBv1.0"

Kind = Literal["NBIRTH", "NDEATH", "NDATA", "DBIRTH", "DDEATH", "DDATA", "NCMD", "DCMD"]

_OF_NODES: dict[str, Kind] = {"NBIRTH": "NBIRTH", "NDEATH": "NDEATH", "NDATA": "NDATA", "NCMD": "NCMD"}
_OF_DEVICES: dict[str, Kind] = {"DBIRTH": "DBIRTH", "DDEATH": "DDEATH", "DDATA": "DDATA", "DCMD": "DCMD"}


class NodeName(NamedTuple):
    """An edge node: the two names together are unique at a broker."""

    group: str
    node: str


class SparkplugTopic(NamedTuple):
    """Where a message of an edge node, or to one, belongs.

    Attributes:
        kind: what the message is.
        node: the edge node.
        device: the device behind it, "" for the node itself.
    """

    kind: Kind
    node: NodeName
    device: str


class StateTopic(NamedTuple):
    """Where a host application says whether it is online."""

    host_id: str


def parse_sparkplug_topic(topic: str) -> SparkplugTopic | StateTopic | None:
    """What a topic names; None when it is no topic of Sparkplug B."""
    match topic.split("/"):
        case ["spBv1.0", "STATE", host_id] if host_id:
            return StateTopic(host_id)
        case ["spBv1.0", group, kind, node] if group and node and kind in _OF_NODES:
            return SparkplugTopic(_OF_NODES[kind], NodeName(group, node), "")
        case ["spBv1.0", group, kind, node, device] if group and node and device and kind in _OF_DEVICES:
            return SparkplugTopic(_OF_DEVICES[kind], NodeName(group, node), device)
    return None


def state_topic(host_id: str) -> str:
    """The topic of a host application's STATE (tck-id-host-topic-phid-birth-topic)."""
    return f"{NAMESPACE}/STATE/{host_id}"


def node_command_topic(node: NodeName) -> str:
    """The topic of commands to an edge node (tck-id-topics-ncmd-topic)."""
    return f"{NAMESPACE}/{node.group}/NCMD/{node.node}"


def host_filters(host_id: str, groups: Sequence[str]) -> tuple[str, ...]:
    """The filters of a host: its own STATE first, then everything, or only these groups.

    tck-id-host-topic-phid-birth-sub-required.
    """
    rest = tuple(f"{NAMESPACE}/{group}/#" for group in groups) or (f"{NAMESPACE}/#",)
    return (state_topic(host_id), *rest)
