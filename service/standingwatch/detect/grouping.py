"""Transmitters that move together are one finding that names its members, not twenty.

Behind one antenna line (a combiner, duplexer or shared antenna) or all over a site, members that go wrong in
the same way within a few days have one cause. The first is told for itself, for nobody knows yet; with the
second the group is told instead, and what was told of the first ends in its favour. A region whose
transmitters rise on the same day is weather.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from standingwatch.detect.history import DAY_US
from standingwatch.detect.interface import (
    WHOLE_REGION,
    WHOLE_SITE,
    Block,
    Finding,
    LikelyCause,
    State,
)
from standingwatch.detect.words import HANDED_OVER, Cause, Condition, Severity
from standingwatch.readings.fleet import Fleet, IntArray

#: Conditions that members of a group can have in common.
TOGETHER = (
    Condition.SWR_HIGH,
    Condition.SWR_RISING,
    Condition.SWR_STEP,
    Condition.SWR_WEATHER,
    Condition.FEEDER_LOSS_RISING,
    Condition.FOLDBACK_ACTIVE,
)

#: Why a transmitter is told for itself that was told with its region before.
STAYED = "it stands on after most others of its region have ended"

#: Causes by the numbers that records hold; the first is that of a record that holds none yet.
CAUSES = (Cause.UNKNOWN, *(cause for cause in Cause if cause is not Cause.UNKNOWN))
ICE = CAUSES.index(Cause.ICE)

ALONE, IN_SITE_GROUP, IN_REGION_GROUP = 0, 1, 2

#: How far apart members of a group may begin: behind one line a slow fault passes each one's limit at its own
#: time; what a site or region has in common comes within days [us].
WITHIN_LINE_US = 40 * DAY_US
WITHIN_US = 4 * DAY_US
#: Members of a site, behind different lines, that make a group; and their part of the site.
SITE_MEMBERS, SITE_SHARE = 3, 0.6
#: Members and sites of a region that make a group when they begin on the same day, and their part of it.
REGION_MEMBERS, REGION_SITES, REGION_SHARE = 5, 3, 0.3
#: So many sites of a region that begin within so long of each other are one event, however large the region:
#: faults of their own do not come like that, and nobody needs them one by one (common practice, no source).
AT_ONCE_SITES, AT_ONCE_US = 10, 2 * 3_600_000_000


@dataclass(frozen=True)
class Grouping:
    """Gathers findings about transmitters into findings about what they have in common."""

    @property
    def state(self) -> np.dtype[Any]:
        """Per transmitter and condition: severity that stands, since when, how it was told, leading cause."""
        n = len(TOGETHER)
        return np.dtype(
            [("severity", np.int8, n), ("since_us", np.int64, n), ("told", np.int8, n), ("cause", np.int8, n)]
        )

    def gather(
        self, findings: Sequence[Finding], block: Block, fleet: Fleet, records: State
    ) -> list[Finding]:
        """Findings in order of time, with those of groups in place of their members'.

        Args:
            findings: in order of time.
            block: the block that they come from.
            fleet: the transmitters.
            records: a record of `state` per transmitter, brought up to date.
        """
        result: list[Finding] = []
        begin = 0
        while begin < len(findings):
            end = begin + 1
            while end < len(findings) and findings[end].time_us == findings[begin].time_us:
                end += 1
            result += self._at_once(findings[begin:end], fleet, records)
            begin = end
        return result

    def _at_once(self, findings: Sequence[Finding], fleet: Fleet, records: State) -> list[Finding]:
        """Findings of one moment."""
        result: list[Finding] = []
        for condition in dict.fromkeys(f.condition for f in findings):
            mine = [f for f in findings if f.condition is condition]
            if condition not in TOGETHER:
                result += mine
                continue
            result += self._of_condition(mine, TOGETHER.index(condition), fleet, records)
        return result

    def _of_condition(
        self, findings: list[Finding], place: int, fleet: Fleet, records: State
    ) -> list[Finding]:
        now = findings[0].time_us
        severity, since, told = (records[name][:, place] for name in ("severity", "since_us", "told"))
        cause = records["cause"][:, place]
        before, told_before = severity.copy(), told.copy()
        groups: dict[tuple[int, int], Finding] = {}
        for finding in findings:
            position = finding.transmitter
            begins = severity[position] == 0 and finding.severity is not Severity.CLEARED
            severity[position] = 0 if finding.severity is Severity.CLEARED else int(finding.severity)
            if begins:
                since[position] = now
            if finding.causes:
                cause[position] = CAUSES.index(finding.causes[0].cause)
        result: list[Finding] = []
        region_groups, joining = self._regions(findings, before, severity, since, told, fleet, now)
        result += _hand_over(joining, findings[0], before, told, fleet)
        told[joining] = IN_REGION_GROUP
        for finding in findings:
            position = finding.transmitter
            kind = int(told[position])
            if kind == ALONE and position in region_groups:
                kind = IN_REGION_GROUP
            if kind == IN_SITE_GROUP and _is_strange(position, fleet, severity, told, cause):
                kind = ALONE
            elif kind == ALONE:
                members = self._companions(position, fleet, severity, since, cause == ICE, now)
                if members is not None:
                    # Those that were told for themselves are told with the group from now on.
                    for member in members:
                        if told[member] == ALONE and before[member]:
                            result.append(_handed_over(finding, member, fleet))
                        told[member] = IN_SITE_GROUP
                    kind = IN_SITE_GROUP
            told[position] = kind
            if kind == ALONE:
                result.append(finding)
                continue
            key = (kind, int(fleet.site_of[position] if kind == IN_SITE_GROUP else fleet.region_of[position]))
            gravest = groups.get(key)
            if gravest is None or finding.severity > gravest.severity:
                groups[key] = finding
        for (kind, number), finding in groups.items():
            group = _group_finding(kind, number, finding, fleet, severity, told, before, told_before, cause)
            if group is not None:
                result.append(group)
        result += self._left_behind(findings, severity, told, told_before, cause, fleet)
        told[severity == 0] = ALONE
        return result

    @staticmethod
    def _left_behind(
        findings: list[Finding], severity: Any, told: Any, told_before: Any, cause: Any, fleet: Fleet
    ) -> list[Finding]:
        """What stays when the rest of its region has ended is told for itself: it was more than weather."""
        result = []
        ended = [
            f.transmitter
            for f in findings
            if f.severity is Severity.CLEARED and told_before[f.transmitter] == IN_REGION_GROUP
        ]
        for region in np.unique(fleet.region_of[ended]).tolist() if ended else ():
            of_group = (fleet.region_of == region) & (told == IN_REGION_GROUP)
            staying = np.flatnonzero(of_group & (severity > 0))
            if not 0 < len(np.unique(fleet.site_of[staying])) < REGION_SITES:
                continue
            told[staying] = ALONE
            over = _handed_over(findings[0], int(staying[0]), fleet)
            result.append(replace(over, site=WHOLE_REGION, transmitter=WHOLE_SITE, region=region))
            result += [
                Finding(
                    site=int(fleet.site_of[member]),
                    transmitter=member,
                    condition=over.condition,
                    severity=Severity(int(severity[member])),
                    time_us=over.time_us,
                    evidence={"why": STAYED},
                    causes=(LikelyCause(CAUSES[int(cause[member])], 0.5, STAYED),),
                )
                for member in staying.tolist()
            ]
        return result

    @staticmethod
    def _companions(
        position: int, fleet: Fleet, severity: Any, since: Any, iced: Any, now: int
    ) -> list[int] | None:
        """Members of the group that a transmitter belongs to, itself among them; None if it stands alone.

        What ice does to some and what happened to another at the same time have no cause in common. One that
        began too long before the others is none of them: it goes on for itself.
        """
        if severity[position] == 0:
            return None
        standing = (severity > 0) & (iced == iced[position])
        recent = standing & (since >= now - WITHIN_LINE_US)
        line = fleet.line_of[position]
        if line >= 0:
            on_line = fleet.line_of == line
            moving = on_line & recent
            if moving[position] and moving.sum() >= 2 and 2 * moving.sum() >= on_line.sum():
                return np.flatnonzero(moving).tolist()
        recent = standing & (since >= now - WITHIN_US)
        at_site = fleet.site_of == fleet.site_of[position]
        moving = at_site & recent
        enough = moving.sum() >= SITE_MEMBERS and moving.sum() >= SITE_SHARE * at_site.sum()
        if moving[position] and enough:
            return np.flatnonzero(moving).tolist()
        return None

    @staticmethod
    def _regions(
        findings: list[Finding], before: Any, severity: Any, since: Any, told: Any, fleet: Fleet, now: int
    ) -> tuple[set[int], IntArray]:
        """Transmitters that begin with many others of their region, and those that began shortly before."""
        begins = [f.transmitter for f in findings if not before[f.transmitter] and severity[f.transmitter]]
        result: set[int] = set()
        joining: list[int] = []
        regions = fleet.region_of[begins] if begins else np.empty(0, dtype=np.int64)
        for region in np.unique(regions).tolist():
            if not fleet.region_names[region]:
                continue
            of_region = fleet.region_of == region
            moving = of_region & (severity > 0) & (since >= now - WITHIN_US)
            many = (
                moving.sum() >= REGION_MEMBERS
                and len(np.unique(fleet.site_of[moving])) >= REGION_SITES
                and moving.sum() >= REGION_SHARE * of_region.sum()
            )
            at_once = moving & (since >= now - AT_ONCE_US)
            if len(np.unique(fleet.site_of[at_once])) >= AT_ONCE_SITES:
                joining += np.flatnonzero(at_once & (told != IN_REGION_GROUP)).tolist()
                many = True
            if many:
                result.update(p for p in begins if fleet.region_of[p] == region)
        return result, np.array(joining, dtype=np.int64)


def _hand_over(joining: IntArray, finding: Finding, before: Any, told: Any, fleet: Fleet) -> list[Finding]:
    """The ends of what was told of transmitters, and of groups of whole sites, that join their region's."""
    result = [
        _handed_over(finding, member, fleet)
        for member in joining.tolist()
        if told[member] == ALONE and before[member]
    ]
    of_groups = joining[(told[joining] == IN_SITE_GROUP) & (before[joining] > 0)]
    for site in np.unique(fleet.site_of[of_groups]).tolist():
        staying = (fleet.site_of == site) & (told == IN_SITE_GROUP) & (before > 0)
        staying[joining] = False
        if not staying.any():
            member = int(of_groups[fleet.site_of[of_groups] == site][0])
            result.append(replace(_handed_over(finding, member, fleet), transmitter=WHOLE_SITE))
    return result


def _handed_over(finding: Finding, member: int, fleet: Fleet) -> Finding:
    """The end of what was told of a member for itself."""
    return Finding(
        site=int(fleet.site_of[member]),
        transmitter=member,
        condition=finding.condition,
        severity=Severity.CLEARED,
        time_us=finding.time_us,
        evidence={"why": HANDED_OVER},
        is_final=True,
    )


def _mostly_ice(cause: Any) -> bool:
    """Whether more than half of some transmitters, at least one, are put down to ice."""
    return bool(2 * (cause == ICE).sum() > len(cause))


def _is_strange(position: int, fleet: Fleet, severity: Any, told: Any, cause: Any) -> bool:
    """Whether a member of a site's group stands for another reason than ice, and most of the others by it."""
    others = (fleet.site_of == fleet.site_of[position]) & (told == IN_SITE_GROUP) & (severity > 0)
    others[position] = False
    return bool(severity[position] > 0 and cause[position] != ICE and _mostly_ice(cause[others]))


def _group_finding(
    kind: int,
    number: int,
    finding: Finding,
    fleet: Fleet,
    severity: Any,
    told: Any,
    before: Any,
    told_before: Any,
    cause: Any,
) -> Finding | None:
    """The finding about a group, made from the gravest of its members' findings of this moment.

    None where it would say nothing new: the same severity, and no member more than before.
    """
    of_group = (fleet.site_of == number) if kind == IN_SITE_GROUP else (fleet.region_of == number)
    standing = of_group & (told == kind) & (severity > 0)
    members = tuple(np.flatnonzero(standing).tolist())
    gravest = Severity(int(severity[standing].max())) if members else Severity.CLEARED
    stood = of_group & (told_before == kind) & (before > 0)
    if stood.any() and members and int(before[stood].max()) == int(gravest):
        more = bool((standing & ~stood).any())
        new_cause = finding.severity is not Severity.CLEARED and int(before[finding.transmitter]) == int(
            finding.severity
        )
        if not more and not new_cause:
            return None
    causes = finding.causes
    if finding.severity is Severity.CLEARED:
        causes, evidence = (), dict(finding.evidence) | {"members": len(members)}
    elif members:
        lines = sorted({fleet.antenna_line[m] for m in members if fleet.line_of[m] >= 0})
        first = finding.causes[0].cause if finding.causes else Cause.UNKNOWN
        if kind == IN_REGION_GROUP:
            words = (
                f"{len(members)} transmitters of the region rose together: it is not their antennas that fail"
            )
            causes = (LikelyCause(Cause.REGIONAL_WEATHER, 0.8, words),)
        elif len(lines) != 1 and finding.evidence.get("temperature_told") is False:
            words = f"{len(members)} transmitters of the site moved together, behind different lines"
            told = "nobody tells the temperature: ice does that, and goes with the thaw"
            causes = (LikelyCause(Cause.ICE, 0.5, f"{words}; {told}"), *finding.causes[:1])
        elif _mostly_ice(cause[standing]):
            words = f"{len(members)} transmitters of the site moved together, most of them with ice"
            causes = finding.causes
            if first is not Cause.ICE:
                causes = (LikelyCause(Cause.ICE, 0.5, f"{words}: it goes with the thaw"), *causes[:1])
        elif len(lines) != 1 and finding.condition is Condition.SWR_WEATHER:
            words = f"{len(members)} transmitters of the site suffer from it together, behind different lines"
            causes = (LikelyCause(Cause.REGIONAL_WEATHER, 0.6, words), *finding.causes[:1])
        elif len(lines) == 1:
            words = (
                f"{len(members)} transmitters behind antenna line {lines[0]} moved together: "
                "what they share, "
                "antenna, feeder, combiner or duplexer"
            )
            causes = (LikelyCause(Cause.SHARED_ANTENNA_SYSTEM, 0.8, words), *finding.causes[:1])
        else:
            words = f"{len(members)} transmitters of the site moved together, behind different lines"
            causes = (LikelyCause(Cause.SHARED_ANTENNA_SYSTEM, 0.5, words), *finding.causes[:1])
        evidence = dict(finding.evidence) | {
            "members": len(members),
            "antenna_line": ", ".join(lines) or None,
        }
    else:
        causes, evidence = (), dict(finding.evidence)
    return replace(
        finding,
        site=number if kind == IN_SITE_GROUP else WHOLE_REGION,
        region=-1 if kind == IN_SITE_GROUP else number,
        transmitter=WHOLE_SITE,
        severity=gravest,
        evidence=evidence,
        causes=causes,
        members=members,
    )
