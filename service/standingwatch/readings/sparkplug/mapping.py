"""Which payload profiles read which edge nodes and devices, and what of them is ours."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from standingwatch.readings.profile.model import FieldName, Profile, Record, UnusableError
from standingwatch.readings.profile.report import place_of
from standingwatch.readings.sparkplug.topic import NodeName

_POWERS: tuple[FieldName, ...] = ("forward", "reflected")


class Mapped(NamedTuple):
    """A device, or a node itself, as one profile reads it.

    Attributes:
        profile: the profile.
        parts: the levels of its address that have a name.
        names: the metrics that the profile reads.
        powers: those that say forward power and reflection.
    """

    profile: Profile
    parts: Mapping[str, str]
    names: frozenset[str]
    powers: frozenset[str]


class ProfileMap:
    """The profiles for Sparkplug.

    A device is read by every profile that fits it, and not by the first alone: one device may serve several
    transmitters, each with a profile that names its metrics. Of several for one transmitter the one that the
    site list names is taken, else the first.

    Args:
        profiles: those with `format = "sparkplug"`; others are passed over.
    """

    def __init__(self, profiles: Sequence[Profile]) -> None:
        self._profiles = [profile for profile in profiles if profile.format == "sparkplug"]
        self._chosen: Mapping[tuple[str, str], str] = {}

    def __len__(self) -> int:
        return len(self._profiles)

    def wants(self, node: NodeName) -> bool:
        """Whether any profile reads the node or a device of it."""
        return any(_fits_node(profile, node) for profile in self._profiles)

    def of(self, node: NodeName, device: str) -> list[Mapped]:
        """How a device is read, a node itself where the device is ""; [] where no profile reads it."""
        found: dict[tuple[str, str] | str, Mapped] = {}
        for profile in self._profiles:
            parts = profile.topic.match(_address(node, device))
            if parts is None:
                continue
            place = _place(profile, parts)
            # Where only the metrics say whose it is, it stands for itself.
            key = profile.name if place is None else place
            if key not in found or (place is not None and self.chosen(*place) == profile.name):
                found[key] = _mapped(profile, parts)
        return list(found.values())

    def choose(self, chosen: Mapping[tuple[str, str], str]) -> None:
        """Take the profiles that the site list names, by site and transmitter."""
        self._chosen = chosen

    def chosen(self, site: str, transmitter: str) -> str:
        """The profile that the site list names for a transmitter; "" for none."""
        return self._chosen.get((site, transmitter), "")

    def sites(self, node: NodeName) -> set[str]:
        """The sites that a node reports for, as far as its own names say, without those of its devices."""
        sites = set()
        for profile in self._profiles:
            if not _fits_node(profile, node):
                continue
            levels = profile.topic.levels
            if len(levels) == 3 and profile.topic.names[2] == "site":
                continue
            # The last level says nothing about the site, so that anything may stand there.
            parts = profile.topic.match(_address(node, "" if len(levels) == 2 else levels[2] or "?"))
            if parts is not None and (site := site_of(profile, {"transmitter": "?", **parts})):
                sites.add(site)
        return sites

    def nodes(self, places: Iterable[tuple[str, str]]) -> set[NodeName]:
        """The nodes that should report for some sites and transmitters, by our names.

        Those whose names follow from ours: where another part of the address is free, nobody can tell.
        """
        found = set()
        for profile in self._profiles:
            theirs_of_sites = {ours: theirs for theirs, ours in profile.sites.items()}
            # Keyed by our name, or by our site and our name.
            theirs_of_both = {
                ((theirs.partition("/")[0], ours) if "/" in theirs else ours): theirs.rpartition("/")[2]
                for theirs, ours in profile.transmitters.items()
            }
            for site, transmitter in places:
                their_site = theirs_of_sites.get(site, site)
                at_site = theirs_of_both.get((site, transmitter))
                their_transmitter = at_site or theirs_of_both.get(transmitter, transmitter)
                names = {"site": their_site, "transmitter": their_transmitter}
                levels = [
                    names.get(name, "") if level is None else level
                    for level, name in zip(profile.topic.levels, profile.topic.names, strict=True)
                ]
                if not (levels[0] and levels[1]):
                    continue
                # Only if the address leads back to where it was made from.
                parts = profile.topic.match("/".join(one or "?" for one in levels))
                if parts is not None and site_of(profile, {"transmitter": "?", **parts}) == site:
                    found.add(NodeName(levels[0], levels[1]))
        return found


def site_of(profile: Profile, parts: Mapping[str, str]) -> str:
    """The site that an address belongs to by our names; "" where only the metrics say it."""
    try:
        return place_of(profile, Record({}, {}, parts))[0]
    except UnusableError:
        return ""


def _place(profile: Profile, parts: Mapping[str, str]) -> tuple[str, str] | None:
    """Site and transmitter that an address belongs to; None where only the metrics say it."""
    try:
        return place_of(profile, Record({}, {}, parts))
    except UnusableError:
        return None


def _mapped(profile: Profile, parts: Mapping[str, str]) -> Mapped:
    place = _place(profile, parts)
    fields = (profile.rules if place is None else profile.rules_for(*place)).fields
    names = {
        name for field in fields.values() if field.source.kind == "metric" for name in field.source.names
    }
    powers = {name for one in _POWERS if one in fields for name in fields[one].source.names}
    return Mapped(profile, parts, frozenset(names), frozenset(powers & names))


def _address(node: NodeName, device: str) -> str:
    return "/".join((*node, device) if device else node)


def _fits_node(profile: Profile, node: NodeName) -> bool:
    levels = profile.topic.levels
    return len(levels) in (2, 3) and all(
        level is None or level == got for level, got in zip(levels, node, strict=False)
    )
