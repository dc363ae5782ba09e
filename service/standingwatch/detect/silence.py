"""`reports-missing` and `site-unreachable`: reports that should have come and did not.

A transmitter that is not keyed still reports; one that is silent does not. A site with several transmitters
is unreachable when none of them reports, or when its link says it is offline and stays so. One transmitter
of a site is missing when it is silent while the site is heard; a site that falls silent says nothing about
each of its transmitters, so it gives one finding and not one per transmitter.

A report that comes so late that its silence had been told by then says nothing about now: it neither ends a
silence nor begins another. So a site that sends what it kept during an outage stays unreachable until its
reports have caught up with the present.

Silence counts from the last report, but never from before reports could reach us: an interval in which our
own side was away proves nothing about a site.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from standingwatch.detect.cause import causes_of_silence
from standingwatch.detect.interface import WHOLE_SITE, Block, Finding, Outcome, Own, State
from standingwatch.detect.segments import Segments
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import BoolArray, Fleet, IntArray


@dataclass(frozen=True)
class SilenceSettings:
    """How long a silence has to be.

    Attributes:
        missed_intervals: expected intervals without a report.
        grace_s: added to that, for reports under way [s]; also how long a link may be offline.
    """

    missed_intervals: float = 3.0
    grace_s: float = 60.0


@dataclass(frozen=True)
class Silence:
    """The detector of `reports-missing` and `site-unreachable`.

    Array operations over the whole fleet find who has a silence in the block at all; only those are then
    followed report by report, so that a fleet in good order costs no loop.
    """

    settings: SilenceSettings = field(default_factory=SilenceSettings)
    name: str = "silence"

    @property
    def quick_state(self) -> np.dtype[Any]:
        """The last report, and whether it is missed."""
        return np.dtype([("last_us", np.int64), ("missing", np.bool_)])

    @property
    def site_state(self) -> np.dtype[Any]:
        """The last report of any transmitter, the last return, and why the site is unreachable, if it is."""
        return np.dtype(
            [
                ("last_us", np.int64),
                ("returned_us", np.int64),
                ("offline_us", np.int64),
                ("silent", np.bool_),
                ("offline", np.bool_),
            ]
        )

    @property
    def slow_state(self) -> np.dtype[Any]:
        """Nothing apart from what readings change."""
        return np.dtype([])

    def initial(self, own: Own) -> None:
        """Never heard: all zero."""

    def step(self, block: Block, fleet: Fleet, own: Own) -> Outcome:
        """Find silences that begin or end in the block."""
        transmitters, sites = own.quick, own.sites
        interval_us = fleet.expected_interval_s * 1e6
        # Of reports that come every minute, a minute's grace would be a whole one more.
        grace_us = np.minimum(self.settings.grace_s * 1e6, 0.25 * interval_us)
        deadline = (interval_us * self.settings.missed_intervals + grace_us).astype(np.int64)
        site_deadline = np.zeros(len(sites), dtype=np.int64)
        np.maximum.at(site_deadline, fleet.site_of, deadline)
        several = np.bincount(fleet.site_of, minlength=len(sites)) > 1

        owner, time_us = block.readings.transmitter, block.readings.time_us
        in_time = time_us + deadline[owner] > block.judged_us
        if not in_time.all():
            owner, time_us = owner[in_time], time_us[in_time]
        site = fleet.site_of[owner]
        order = np.lexsort((time_us, site))
        heard = _Heard.of(site[order], time_us[order])
        each = _Heard.of(owner, time_us)

        findings: list[Finding] = []
        returned: dict[int, list[int]] = {}
        for number in self._sites_to_follow(block, heard, sites, site_deadline):
            findings += self._follow_site(
                block,
                number,
                bool(several[number]),
                heard.of_owner(number),
                sites,
                int(site_deadline[number]),
                returned,
            )
        for number in self._transmitters_to_follow(block, each, transmitters, deadline):
            where = int(fleet.site_of[number])
            # The site's last report of earlier blocks counts too: it may lie past what was judged with them.
            clock = np.append(sites["last_us"][where], heard.of_owner(where))
            clock = clock if several[where] else clock[:0]
            findings += self._follow_transmitter(
                block,
                number,
                where,
                each.of_owner(number),
                clock,
                None if several[where] else block.until_us,
                transmitters,
                [int(sites["returned_us"][where]), *returned.get(where, [])],
                int(deadline[number]),
            )
        for seen, state in ((heard, sites), (each, transmitters)):
            newest = seen.time_us[seen.segments.last]
            state["last_us"][seen.segments.owner] = np.maximum(state["last_us"][seen.segments.owner], newest)
        for number, times in returned.items():
            sites["returned_us"][number] = max(times)
        return Outcome(findings=findings)

    @staticmethod
    def _overdue(block: Block, heard: _Heard, last_us: IntArray, deadline: IntArray) -> BoolArray:
        """Owners with a silence past their deadline before a report of the block, or at its end."""
        segments = heard.segments
        before = np.empty_like(heard.time_us)
        before[1:] = heard.time_us[:-1]
        before[segments.first] = last_us[segments.owner]
        allowed = deadline[segments.owner][segments.of_row]
        gap = (before > 0) & (np.maximum(before, block.since_us) + allowed < heard.time_us)
        newest = last_us.copy()
        newest[segments.owner] = heard.time_us[segments.last]
        overdue = (newest > 0) & (np.maximum(newest, block.since_us) + deadline <= block.until_us)
        overdue[segments.owner[segments.of_row[gap]]] = True
        return overdue

    def _sites_to_follow(self, block: Block, heard: _Heard, sites: State, deadline: IntArray) -> list[int]:
        follow = self._overdue(block, heard, sites["last_us"], deadline)
        spoke = np.zeros(len(sites), dtype=np.bool_)
        spoke[heard.segments.owner] = True
        follow &= ~sites["silent"] | spoke
        follow |= (sites["offline_us"] > 0) & (~sites["offline"] | spoke)
        follow |= sites["silent"] & spoke
        follow[block.link_site] = True
        return np.flatnonzero(follow).tolist()

    def _follow_site(
        self,
        block: Block,
        number: int,
        several: bool,
        heard_us: IntArray,
        sites: State,
        deadline: int,
        returned: dict[int, list[int]],
    ) -> list[Finding]:
        """Walk one site's reports and link reports in time order."""
        state = sites[number : number + 1]
        last, offline_us = int(state["last_us"][0]), int(state["offline_us"][0])
        silent, offline = bool(state["silent"][0]), bool(state["offline"][0])
        grace = int(self.settings.grace_s * 1e6)
        findings: list[Finding] = []

        def tell(time: int, unreachable: bool, why: str) -> None:
            findings.append(_site_finding(number, time, unreachable, why, last, deadline))
            if not unreachable:
                returned.setdefault(number, []).append(time)

        def let_pass(until: int) -> None:
            """What falls due by itself up to a time."""
            nonlocal silent, offline
            due = [(offline_us + grace, "offline")] if offline_us and not offline else []
            if several and last and not silent:
                due.append((max(last, block.since_us) + deadline, "silent"))
            for time, what in sorted(due):
                if time > until:
                    continue
                if not (silent or offline):
                    tell(time, True, "its link is offline" if what == "offline" else "no transmitter reports")
                silent |= what == "silent"
                offline |= what == "offline"

        link = np.flatnonzero(block.link_site == number)
        moments = [(int(t), 0, True) for t in heard_us]
        moments += [(int(block.link_time_us[i]), 1, bool(block.link_online[i])) for i in link]
        for time, kind, online in sorted(moments):
            # A report on the deadline itself is in time.
            let_pass(time - 1)
            if kind == 0 or online:
                was = silent or offline
                offline, offline_us = False, 0
                silent = silent and kind == 1
                if was and not silent:
                    tell(time, False, "reports again" if kind == 0 else "its link is online again")
                last = max(last, time) if kind == 0 else last
            elif not offline_us:
                offline_us = time
        let_pass(block.until_us)
        state["offline_us"], state["silent"], state["offline"] = offline_us, silent, offline
        return findings

    def _transmitters_to_follow(
        self, block: Block, own: _Heard, transmitters: State, deadline: IntArray
    ) -> list[int]:
        spoke = np.zeros(len(transmitters), dtype=np.bool_)
        spoke[own.segments.owner] = True
        overdue = self._overdue(block, own, transmitters["last_us"], deadline)
        return np.flatnonzero(
            (overdue & ~transmitters["missing"]) | (transmitters["missing"] & spoke)
        ).tolist()

    def _follow_transmitter(
        self,
        block: Block,
        number: int,
        site: int,
        own_us: IntArray,
        clock_us: IntArray,
        until_us: int | None,
        transmitters: State,
        returned_us: list[int],
        deadline: int,
    ) -> list[Finding]:
        """Walk one transmitter's reports against the clock: its site's reports, or, alone there, the time."""
        last, missing = int(transmitters["last_us"][number]), bool(transmitters["missing"][number])
        findings: list[Finding] = []

        def tell(time: int) -> None:
            findings.append(_transmitter_finding(number, site, time, missing, last, deadline))

        def check(time: int) -> None:
            """At a moment at which the site is known to be heard."""
            nonlocal missing
            back = max((t for t in returned_us if t <= time), default=0)
            due = max(last, block.since_us, back) + deadline
            if last and not missing and due <= time:
                missing = True
                tell(due)

        moments = [(int(t), 0) for t in own_us] + [(int(t), 1) for t in clock_us]
        for time, kind in sorted(moments):
            if kind == 0:
                if until_us is not None:
                    check(time - 1)
                if missing:
                    missing = False
                    tell(time)
                last = time
            else:
                check(time)
        if until_us is not None:
            check(until_us)
        transmitters["missing"][number] = missing
        return findings


@dataclass(frozen=True)
class _Heard:
    """When each owner was heard, sorted by owner and time."""

    time_us: IntArray
    segments: Segments

    @classmethod
    def of(cls, owner: IntArray, time_us: IntArray) -> _Heard:
        return cls(time_us, Segments.of(owner))

    def of_owner(self, owner: int) -> IntArray:
        at = int(np.searchsorted(self.segments.owner, owner))
        if at == len(self.segments) or self.segments.owner[at] != owner:
            return np.empty(0, dtype=np.int64)
        return self.time_us[self.segments.first[at] : self.segments.last[at] + 1]


def _site_finding(number: int, time: int, unreachable: bool, why: str, last: int, deadline: int) -> Finding:
    return Finding(
        site=number,
        transmitter=WHOLE_SITE,
        condition=Condition.SITE_UNREACHABLE,
        severity=Severity.MAJOR if unreachable else Severity.CLEARED,
        time_us=time,
        evidence={"why": why, "last_report_us": last or None, "allowed_silence_s": deadline / 1e6},
        causes=causes_of_silence(whole_site=True) if unreachable else (),
    )


def _transmitter_finding(
    number: int, site: int, time: int, missing: bool, last: int, deadline: int
) -> Finding:
    return Finding(
        site=site,
        transmitter=number,
        condition=Condition.REPORTS_MISSING,
        severity=Severity.MINOR if missing else Severity.CLEARED,
        time_us=time,
        evidence={"last_report_us": last or None, "allowed_silence_s": deadline / 1e6},
        causes=causes_of_silence(whole_site=False) if missing else (),
    )
