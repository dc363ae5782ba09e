"""The names of the MQTT topics, both ways: the ones reports come on and the ones alarms go out on.

| topic | what is on it |
| --- | --- |
| ROOT/report/SITE/TRANSMITTER | reports, in |
| ROOT/link/SITE | state of a site's link, in, retained |
| ROOT/event/SITE/TRANSMITTER, ROOT/event/SITE, ROOT/event-region/REGION | alarm events, out |
| ROOT/event-service/PART, ROOT/event-fleet | events about the service itself, about the whole fleet, out |
| ROOT/alarm/SITE/TRANSMITTER, ROOT/alarm/SITE, ROOT/alarm-region/REGION | present alarms, out, retained |
| ROOT/alarm-service/PART | present alarms about the service itself, out, retained |
| ROOT/heartbeat | that the service lives, and how far it has come, out, retained |

The inventory refuses names of sites and transmitters that cannot be a level of a topic. Names of regions are
free text, so that REGION is percent-encoded (UTF-8, RFC 3986, 2.1) where it has one of / + # %, or a control
character; all else stands as it is, and any decoder of percent-encoding gives the name back.
"""

from __future__ import annotations

import unicodedata
from typing import NamedTuple
from urllib.parse import quote


class ReportTopic(NamedTuple):
    """Where a report came from: a transmitter of a site."""

    site: str
    transmitter: str


class LinkTopic(NamedTuple):
    """Where the state of a site's link came from."""

    site: str


def parse_topic(root: str, topic: str) -> ReportTopic | LinkTopic | None:
    """What a topic under `root` names; None when it is neither a report's nor a link's.

    Raises
    ------
    ValueError
        If `root` cannot begin a topic.
    """
    _check_root(root)
    if not topic.startswith(root + "/"):
        return None
    match topic[len(root) + 1 :].split("/"):
        case ["report", site, transmitter] if not _problem(site) and not _problem(transmitter):
            return ReportTopic(site, transmitter)
        case ["link", site] if not _problem(site):
            return LinkTopic(site)
    return None


def report_filter(root: str) -> str:
    """The filter to subscribe to for the reports of all transmitters."""
    _check_root(root)
    return f"{root}/report/+/+"


def link_filter(root: str) -> str:
    """The filter to subscribe to for the links of all sites."""
    _check_root(root)
    return f"{root}/link/+"


def heartbeat_topic(root: str) -> str:
    """The topic of the service's heartbeat."""
    _check_root(root)
    return f"{root}/heartbeat"


def event_topic(root: str, site: str, transmitter: str, region: str = "", service: str = "") -> str:
    """The topic of a transmitter's alarm events.

    With transmitter "" that of the site as a whole; with a region or a part of the service, whatever the
    other names are, that of the region or part, percent-encoded as the module says. Without any name it is
    that of messages about the whole fleet.

    Raises
    ------
    ValueError
        If a site or transmitter cannot be a level of a topic: empty, or with one of / + # or a NUL in it.
    """
    return _outgoing(root, "event", site, transmitter, region, service)


def alarm_topic(root: str, site: str, transmitter: str, region: str = "", service: str = "") -> str:
    """The topic a transmitter's present alarms are retained on.

    With other names as `event_topic`.

    Raises
    ------
    ValueError
        As `event_topic`.
    """
    return _outgoing(root, "alarm", site, transmitter, region, service)


def _outgoing(root: str, kind: str, site: str, transmitter: str, region: str, service: str) -> str:
    _check_root(root)
    if service:
        return f"{root}/{kind}-service/{_escaped(service)}"
    if region:
        return f"{root}/{kind}-region/{_escaped(region)}"
    if not site and not transmitter:
        return f"{root}/{kind}-fleet"
    levels = {"site": site, "transmitter": transmitter} if transmitter else {"site": site}
    for what, name in levels.items():
        if problem := _problem(name):
            raise ValueError(f"{kind} topic: {what} name {name!r} {problem}; rename it in the inventory")
    return "/".join([root, kind, *levels.values()])


def _escaped(name: str) -> str:
    """A name as one level of a topic name."""
    return "".join(
        quote(character, safe="")
        if character in "/+#%" or unicodedata.category(character) == "Cc"
        else character
        for character in name
    )


def _check_root(root: str) -> None:
    for level in root.split("/"):
        if problem := _problem(level):
            raise ValueError(
                f"topic root {root!r}: level {level!r} {problem}; give plain names joined by single slashes"
            )


def _problem(level: str) -> str:
    """Why a text cannot be one level of a topic name (MQTT 5.0, 4.7.1 and 4.7.3); "" when it can."""
    if not level:
        return "is empty"
    for character in "/+#\0":
        if character in level:
            return f"contains {character!r}"
    return ""
