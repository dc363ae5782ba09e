"""Transmitters that give no useful data: a desk that sees no alarm of them knows nothing of them either."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from standingwatch.readings import IntArray
from standingwatch.readings.fleet import BoolArray
from standingwatch.review.overnight import (
    NO_BASELINE,
    NO_DATA_KINDS,
    NOT_KEYED,
    SILENT,
    SUSPECT,
    NoData,
)

_DAY_US = 86_400_000_000

#: Without a report for so long a transmitter is silent; without a usable reading for so long it is not keyed
#: [d]. A repeater that nobody talks over for some days is no news (common practice, no source).
SILENT_DAYS, NOT_KEYED_DAYS = 1.0, 7.0

#: So many are named in a review; the others are counted.
MOST_NO_DATA = 300


@dataclass(frozen=True)
class Heard:
    """What is known of the data of the fleet, one element per transmitter.

    Attributes:
        site, site_name, transmitter, region: names.
        report_us: when the newest report came, known to the hour [Unix microseconds]; 0 for never.
        usable_us: the same of the newest reading that says something about the match.
        has_baseline: whether there is a baseline.
        opened_us: since when the baseline is being learned [Unix microseconds]; 0 where that is not known.
        silent_us, suspect_us: since when an alarm says that it is silent, or its measurement suspect [Unix
            microseconds], by site and transmitter, "" for the whole site.
    """

    site: Sequence[str]
    site_name: Sequence[str]
    transmitter: Sequence[str]
    region: Sequence[str]
    report_us: IntArray
    usable_us: IntArray
    has_baseline: BoolArray
    opened_us: IntArray
    silent_us: Mapping[tuple[str, str], int]
    suspect_us: Mapping[tuple[str, str], int]


def without_data(heard: Heard, until_us: int) -> list[NoData]:
    """Each transmitter without useful data, with the first reason that holds.

    Args:
        heard: what is known.
        until_us: up to when it is known [Unix microseconds].
    """
    count = len(heard.site)
    silent_alarm = _since(heard, heard.silent_us)
    suspect_alarm = _since(heard, heard.suspect_us)
    silent = (silent_alarm > 0) | (heard.report_us < until_us - int(SILENT_DAYS * _DAY_US))
    not_keyed = heard.usable_us < until_us - int(NOT_KEYED_DAYS * _DAY_US)
    # An alarm knows the moment; without one it is that of the last report.
    since = {
        SILENT: np.where(heard.report_us > 0, heard.report_us, silent_alarm),
        SUSPECT: suspect_alarm,
        NOT_KEYED: heard.usable_us,
        NO_BASELINE: heard.opened_us,
    }
    holds = {
        SILENT: silent,
        SUSPECT: suspect_alarm > 0,
        NOT_KEYED: not_keyed,
        NO_BASELINE: ~heard.has_baseline,
    }
    kind = np.full(count, -1, dtype=np.int64)
    for number, name in reversed(list(enumerate(NO_DATA_KINDS))):
        kind[holds[name]] = number
    found = []
    for i in np.flatnonzero(kind >= 0).tolist():
        name = NO_DATA_KINDS[kind[i]]
        since_us = int(since[name][i])
        found.append(
            NoData(
                heard.site[i],
                heard.site_name[i],
                heard.transmitter[i],
                heard.region[i],
                name,
                since_us if since_us > 0 else None,
            )
        )
    return found


def counted(found: Sequence[NoData]) -> tuple[tuple[NoData, ...], dict[str, int]]:
    """The first of them, by kind and name, and how many there are of each kind."""
    order = {kind: number for number, kind in enumerate(NO_DATA_KINDS)}
    ordered = sorted(found, key=lambda one: (order[one.kind], one.site, one.transmitter))
    counts = {kind: sum(one.kind == kind for one in ordered) for kind in NO_DATA_KINDS}
    return tuple(ordered[:MOST_NO_DATA]), counts


def _since(heard: Heard, alarms: Mapping[tuple[str, str], int]) -> IntArray:
    """Since when an alarm about each transmitter or its whole site stands; 0 for none."""
    if not alarms:
        return np.zeros(len(heard.site), dtype=np.int64)
    return np.array(
        [
            alarms.get((site, name), alarms.get((site, ""), 0))
            for site, name in zip(heard.site, heard.transmitter, strict=True)
        ],
        dtype=np.int64,
    )
