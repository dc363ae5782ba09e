"""A host application for Sparkplug B, without its connection: messages in, reports and link states out.

`sessions` says what holds of nodes and devices, `joining` makes whole reports of metrics, `mapping` and the
payload profiles say whose they are and what they mean.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from standingwatch.readings.columns import Reading
from standingwatch.readings.decode import TimeIfAbsent
from standingwatch.readings.profile.records import placed_from_record
from standingwatch.readings.sparkplug.events import (
    Alive,
    AskRebirth,
    Event,
    Message,
    Stale,
    Unusable,
    Values,
)
from standingwatch.readings.sparkplug.joining import Joined, Joiner
from standingwatch.readings.sparkplug.kept import kept_record
from standingwatch.readings.sparkplug.mapping import Mapped, ProfileMap, site_of
from standingwatch.readings.sparkplug.node import FIRST_US, LAST_US
from standingwatch.readings.sparkplug.sessions import Sessions
from standingwatch.readings.sparkplug.topic import NodeName, SparkplugTopic, parse_sparkplug_topic
from standingwatch.readings.times import FIRST_YEAR, LAST_YEAR


class HostTimes(NamedTuple):
    """How long a host waits, in microseconds.

    Attributes:
        reorder_wait_us: for a message that is missing.
        rebirth_every_us: between two rebirth requests to one node.
        join_us: for the rest of a report's metrics.
        repeat_us: until a state that does not change is reported again; 0 for never.
    """

    reorder_wait_us: int
    rebirth_every_us: int
    join_us: int
    repeat_us: int


class Report(NamedTuple):
    """A reading of a transmitter, made of metrics; `is_repeat` where they were joined without a new one."""

    site: str
    transmitter: str
    reading: Reading
    is_repeat: bool
    source: Message


class Link(NamedTuple):
    """The link of a site is up or down, at this time [us since 1970-01-01 UTC]."""

    site: str
    is_online: bool
    time_us: int


Outcome = Report | Link | Unusable | AskRebirth


class Host:
    """What a host makes of everything that comes. It never raises over what a message holds.

    Args:
        profiles: which metrics of which devices are read, and as what.
        times: how long it waits for what.
        time_if_absent: what becomes of metrics that say no time, in a message that says none either.
    """

    def __init__(
        self, profiles: ProfileMap, times: HostTimes, time_if_absent: TimeIfAbsent = "refuse"
    ) -> None:
        self._profiles = profiles
        self._times = times
        self._time_if_absent = time_if_absent
        self._sessions = Sessions(times.reorder_wait_us, times.rebirth_every_us, profiles.wants)
        # By node and device, those of each profile that reads it.
        self._joiners: dict[NodeName, dict[str, list[tuple[Mapped, Joiner]]]] = {}
        self._sites: dict[NodeName, set[str]] = {}
        self._alive: dict[NodeName, Alive] = {}
        self._said: dict[str, bool] = {}

    def counts(self) -> tuple[int, int, int, int]:
        """As `Sessions.counts`."""
        return self._sessions.counts()

    def knows(self, topic: str) -> bool:
        """Whether a topic is of a node that is any of ours."""
        found = parse_sparkplug_topic(topic)
        return isinstance(found, SparkplugTopic) and self._profiles.wants(found.node)

    # What happens ---------------------------------------------------------------------------------------

    def receive(self, message: Message) -> list[Outcome]:
        """What follows from a message."""
        return self._follow(self._sessions.receive(message))

    def tick(self, now_us: int) -> list[Outcome]:
        """What follows from the passing of time; to be called a few times a second."""
        out = self._follow(self._sessions.tick(now_us))
        for devices in self._joiners.values():
            for several in devices.values():
                for mapped, joiner in several:
                    for joined in joiner.due(now_us):
                        self._report(mapped, joined, out)
        return out

    def connection_lost(self, now_us: int) -> list[Outcome]:
        """Our own connection is gone: all values are stale; what sites are doing is not known."""
        return self._follow(self._sessions.connection_lost(now_us))

    def choose(self, places: Iterable[tuple[str, str, str]]) -> None:
        """Take the profiles that the site list names; `places` as in `expect`.

        A device that is being read goes on as it is until it is born again.
        """
        named = {(site, transmitter): profile for site, transmitter, profile in places if profile}
        self._profiles.choose(named)

    def expect(self, places: Iterable[tuple[str, str, str]], now_us: int) -> None:
        """Nodes of the site list should be there: `tick` asks those that are not heard of.

        Args:
            places: site, transmitter and the profile that is named for it, "" for none.
            now_us: now [us since 1970-01-01 UTC].
        """
        known = list(places)
        self.choose(known)
        self._sessions.expect(self._profiles.nodes((one[0], one[1]) for one in known), now_us)

    def connected(self, now_us: int) -> list[Outcome]:
        """Our own connection is there (again)."""
        return self._follow(self._sessions.connected(now_us))

    # What follows ---------------------------------------------------------------------------------------

    def _follow(self, events: Sequence[Event]) -> list[Outcome]:
        out: list[Outcome] = []
        for event in events:
            if isinstance(event, Values):
                if event.is_birth:
                    self._forget_joiners(event.node, event.device, out)
                for mapped, joiner in self._joiners_of(event.node, event.device, out):
                    for joined in joiner.take(event):
                        self._report(mapped, joined, out)
            elif isinstance(event, Stale):
                devices = self._joiners.get(event.node, {})
                for device, several in devices.items():
                    if event.device is None or event.device == device:
                        for mapped, joiner in several:
                            for joined in joiner.go_stale():
                                self._report(mapped, joined, out)
            elif isinstance(event, Alive):
                self._turn(event, out)
            else:
                out.append(event)
        return out

    def _forget_joiners(self, node: NodeName, device: str, out: list[Outcome]) -> None:
        """A birth begins anew, also with which profile reads the device."""
        for mapped, joiner in self._joiners.get(node, {}).pop(device, ()):
            for joined in joiner.go_stale():
                self._report(mapped, joined, out)

    def _joiners_of(self, node: NodeName, device: str, out: list[Outcome]) -> Sequence[tuple[Mapped, Joiner]]:
        devices = self._joiners.setdefault(node, {})
        if device not in devices:
            times = self._times
            devices[device] = [
                (one, Joiner(one.names, one.powers, times.join_us, times.repeat_us))
                for one in self._profiles.of(node, device)
            ]
            for one, _ in devices[device]:
                if site := site_of(one.profile, {"transmitter": "?", **one.parts}):
                    self._belongs(node, site, out)
        return devices[device]

    def _report(self, mapped: Mapped, joined: Joined, out: list[Outcome]) -> None:
        source, time_us = joined.source, joined.time_us
        if joined.problems:
            name, problem = joined.problems[0]
            out.append(Unusable("bad-value", f"metric {name}: {problem}", source))
            return
        if time_us is not None and not FIRST_US <= time_us <= LAST_US:
            detail = (
                f"its time is {time_us // 1000} ms since 1970, which is outside the years {FIRST_YEAR} to "
                f"{LAST_YEAR}; set the clock of the edge node"
            )
            out.append(Unusable("bad-time", detail, source))
            return
        name = mapped.profile.name
        read = placed_from_record(
            mapped.profile,
            mapped.parts,
            joined.record,
            source.received_us if time_us is None else time_us,
            time_if_absent=self._time_if_absent if time_us is None else "receipt",
        )
        refused = [(refusal.reason, refusal.detail) for refusal in read.refusals]
        for placed in read.placed:
            if _cannot_be_level(placed.site) or _cannot_be_level(placed.transmitter):
                detail = (
                    f"site {placed.site!r}, transmitter {placed.transmitter!r}: a name has no / + # and is "
                    "not empty; map it in the profile"
                )
                refused.append(("unknown-place", detail))
            elif (chosen := self._profiles.chosen(placed.site, placed.transmitter)) not in ("", name):
                detail = (
                    f"the site list says profile {chosen} for {placed.site}/{placed.transmitter}, and this "
                    "one reads its metrics: correct the site list, or the topic of one of them"
                )
                refused.append(("unknown-place", detail))
            else:
                out.append(Report(placed.site, placed.transmitter, placed.reading, joined.is_repeat, source))
        if refused:
            kept = source._replace(payload=kept_record(name, time_us, joined.record))
            out += [Unusable(reason, f"profile {name}: {detail}", kept) for reason, detail in refused]

    # Links of sites -------------------------------------------------------------------------------------

    def _turn(self, event: Alive, out: list[Outcome]) -> None:
        node = event.node
        self._alive[node] = event
        sites = self._sites.setdefault(node, set())
        sites |= {site for site in self._profiles.sites(node) if not _cannot_be_level(site)}
        for site in sorted(sites):
            self._say_link(site, event, out)

    def _belongs(self, node: NodeName, site: str, out: list[Outcome]) -> None:
        """A device showed that its node reports for a site."""
        sites = self._sites.setdefault(node, set())
        if site not in sites and not _cannot_be_level(site):
            sites.add(site)
            if (alive := self._alive.get(node)) is not None:
                self._say_link(site, alive, out)

    def _say_link(self, site: str, turn: Alive, out: list[Outcome]) -> None:
        """A site is online while any node that reports for it is; said when it changes."""
        theirs = [
            self._alive[node] for node, sites in self._sites.items() if site in sites and node in self._alive
        ]
        is_online = any(alive.is_online for alive in theirs)
        if self._said.get(site) != is_online:
            self._said[site] = is_online
            out.append(Link(site, is_online, turn.time_us))


def _cannot_be_level(name: str) -> bool:
    return not name or any(character in name for character in "/+#\0")
