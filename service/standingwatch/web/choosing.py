"""Which sites a choice keeps, and in which order they stand: over the whole fleet, nothing is read."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.detect.words import Severity
from standingwatch.readings import IntArray
from standingwatch.readings.fleet import BoolArray, FloatArray
from standingwatch.web import words
from standingwatch.web.choice import Choice
from standingwatch.web.desk import DeskAlarm
from standingwatch.web.fleet_now import FleetNow
from standingwatch.web.roster import Roster


def sites_of(alarm: Alarm) -> set[str]:
    """Names of the sites that an alarm is about; those of its members where it is about a region."""
    if alarm.key.region:
        return {member.partition("/")[0] for member in alarm.members}
    return {alarm.key.site}


def site_severity(roster: Roster, standing: Sequence[DeskAlarm]) -> IntArray:
    """Number of the gravest standing alarm of each site, `CLEARED` where there is none."""
    severity = np.full(len(roster.fleet.site_names), int(Severity.CLEARED), dtype=np.int64)
    for one in standing:
        for name in sites_of(one.alarm):
            site = roster.site_position.get(name)
            if site is not None:
                severity[site] = max(severity[site], int(one.alarm.severity))
    return severity


def time_left(roster: Roster, standing: Sequence[DeskAlarm]) -> FloatArray:
    """When each site reaches the first limit that a forecast names [Unix us]; infinite for never."""
    soonest = np.full(len(roster.fleet.site_names), np.inf)
    for one in standing:
        dates = [limit.expected_us for limit in one.alarm.forecast if limit.expected_us is not None]
        if dates:
            for name in sites_of(one.alarm):
                site = roster.site_position.get(name)
                if site is not None:
                    soonest[site] = min(soonest[site], min(dates))
    return soonest


def in_order(sort: str, now: FleetNow, severity: IntArray, standing: Sequence[DeskAlarm]) -> IntArray:
    """Positions of all sites in the order of a choice.

    Args:
        sort: a key of `choice.SORTS`. Worst first: gravest alarm, then SWR farthest over its baseline, then
            as
            listed. The others fall back on that where they leave sites equal, names never do.
        now: how the fleet stands.
        severity: of each site.
        standing: the standing alarms.
    """
    roster, listed = now.roster, np.arange(len(severity))
    if sort == "name":
        return np.argsort(roster.by_title)
    most = np.full(len(severity), -np.inf)
    np.fmax.at(most, roster.fleet.site_of, now.swr - now.baseline_swr)
    if sort == "time-left":
        return np.lexsort((listed, -most, -severity, time_left(roster, standing)))
    return np.lexsort((listed, -most, -severity))


def is_chosen(now: FleetNow, severity: IntArray, standing: Sequence[DeskAlarm], choice: Choice) -> BoolArray:
    """Which sites a choice keeps."""
    roster, sites = now.roster, len(severity)
    keep = np.ones(sites, dtype=np.bool_)
    if choice.site:
        keep[:] = False
        keep[roster.site_position[choice.site]] = True
    if choice.severity is not None:
        keep &= severity >= int(choice.severity)
    if choice.region:
        of_region = np.array([name == choice.region for name in roster.fleet.region], dtype=np.bool_)
        keep &= _any_of_site(roster, of_region)
    if choice.condition is not None:
        such = [one for one in standing if one.alarm.key.condition is choice.condition]
        keep &= site_severity(roster, such) > int(Severity.CLEARED)
    if choice.state:
        of_state = {"silent": now.is_late, "unkeyed": now.is_unkeyed, "no-baseline": now.has_no_baseline}
        keep &= _any_of_site(roster, of_state[choice.state])
    if choice.text:
        wanted = choice.text.casefold()
        found = np.array([wanted in text for text in roster.search_texts], dtype=np.bool_)
        such = [
            one
            for one in standing
            if wanted in one.alarm.key.condition.value
            or wanted in words.condition(one.alarm.key.condition).casefold()
        ]
        keep &= found | (site_severity(roster, such) > int(Severity.CLEARED))
    return keep


def is_region_chosen(alarm: Alarm, choice: Choice) -> bool:
    """Whether a choice keeps an alarm about a region."""
    key = alarm.key
    texts = [key.region, key.condition.value, words.condition(key.condition), *alarm.members]
    return (
        (not choice.site or choice.site in sites_of(alarm))
        and (choice.severity is None or alarm.severity >= choice.severity)
        and (not choice.region or choice.region == key.region)
        and (choice.condition is None or choice.condition is key.condition)
        and choice.text.casefold() in "\n".join(texts).casefold()
    )


def _any_of_site(roster: Roster, of_transmitter: BoolArray) -> BoolArray:
    """Which sites have such a transmitter."""
    found = np.zeros(len(roster.fleet.site_names), dtype=np.bool_)
    found[roster.fleet.site_of[of_transmitter]] = True
    return found
