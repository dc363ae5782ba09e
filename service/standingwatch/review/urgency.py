"""How urgent an alarm is, and what one trip can see to. Weights: common practice, no source."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.alarms.words import GRAVE_LIMITS, REACHED, is_number
from standingwatch.detect.words import Condition, Severity
from standingwatch.readings.fleet import FloatArray
from standingwatch.review.overnight import URGENCIES, Stop, Trip
from standingwatch.review.proposals import PASSES_BY_ITSELF, STANDING_HOURS

#: Time left that is assumed where no forecast says less [d]: critical has none, major wants somebody within
#: days, minor within weeks.
ASSUMED_DAYS = {Severity.CRITICAL: 0.0, Severity.MAJOR: 3.0, Severity.MINOR: 30.0, Severity.WARNING: 120.0}

#: Below so many days an alarm has the urgency of the same place in `URGENCIES`.
URGENCY_DAYS = (1.0, 14.0, 90.0, math.inf)

#: Stands for a signal that is lost altogether [dB].
ALL_LOST_DB = 60.0

#: Each other alarm that the same trip could see to makes a trip more worth while by so much, up to so many.
SHARE_WEIGHT, SHARES_MOST = 0.1, 5

_EARTH_KM = 6371.0088  # mean radius: IUGG
_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Urgency:
    """What makes an alarm urgent; attributes as those of `Item`."""

    days_left: float
    is_forecast: bool
    lost_db: float | None
    forecast_days: float | None = None

    def days_that_count(self, shares: int) -> float:
        """Time left, shortened by what the fault costs and by what shares its trip [d].

        A fault that costs 3 dB counts as one with half the time: half of the signal is gone.
        """
        lost: float = 10.0 ** (-(self.lost_db or 0.0) / 10.0)
        return self.days_left * lost / (1.0 + SHARE_WEIGHT * min(shares, SHARES_MOST))


def urgency_of(alarm: Alarm, now_us: int) -> Urgency:
    """What makes a standing alarm urgent, at a time [Unix microseconds]."""
    assumed = 0.0 if alarm.key.condition is Condition.FOLDBACK_ACTIVE else ASSUMED_DAYS[alarm.severity]
    grave = [f for f in alarm.forecast if f.limit in GRAVE_LIMITS]
    told = [
        0.0 if f.says == REACHED else max(0.0, ((f.expected_us or 0) - now_us) / _DAY_US)
        for f in grave
        if f.says == REACHED or f.expected_us is not None
    ]
    forecast = min(told, default=math.inf)
    by_forecast = forecast if told else None
    return Urgency(min(assumed, forecast), forecast <= assumed and bool(told), _lost_db(alarm), by_forecast)


def urgency_word(days: float) -> str:
    """One of `URGENCIES` for the days that count [d], 0 or more."""
    return next(
        word for word, end in zip(URGENCIES, URGENCY_DAYS, strict=True) if days < end or end == math.inf
    )


def wants_a_crew(alarm: Alarm) -> bool:
    """Whether a crew at a site could mend it: not the weather, nor a part of this service."""
    passes = bool(alarm.causes) and alarm.causes[0].cause in PASSES_BY_ITSELF
    return bool(alarm.key.site) and alarm.key.condition in STANDING_HOURS and not passes


def _lost_db(alarm: Alarm) -> float | None:
    """What the fault costs, in the match or in the amplifier, whichever is more [dB]."""
    values, found = alarm.values, []
    lost, before, change = values.get("lost_db"), values.get("lost_db_baseline"), values.get("change_db")
    if is_number(lost):
        found.append(lost - (before if is_number(before) else 0.0))
    if is_number(change):
        found.append(-change)
    return min(max(0.0, *found), ALL_LOST_DB) if found else None


# Trips --------------------------------------------------------------------------------------------------

#: Latitude and longitude of a site [deg].
Place = tuple[float, float]


def distances_km(places: Sequence[Place | None]) -> FloatArray:
    """Distance of each site from each other along the ground, shape (n, n); infinite where one is not known.

    On a sphere, by the haversine formula (from memory): good to about 0.5 %.
    """
    known = np.array([place if place is not None else (np.nan, np.nan) for place in places], dtype=np.float64)
    latitude, longitude = np.radians(known.reshape(-1, 2)).T
    half = (
        np.sin((latitude[:, None] - latitude) / 2) ** 2
        + np.cos(latitude[:, None]) * np.cos(latitude) * np.sin((longitude[:, None] - longitude) / 2) ** 2
    )
    found: FloatArray = 2 * _EARTH_KM * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0)))
    found = np.where(np.isnan(found), np.inf, found)
    np.fill_diagonal(found, 0.0)
    return found


def shares(sites: Sequence[str], places: Mapping[str, Place], within_km: float) -> list[int]:
    """How many other alarms a trip to each one's site could see to: at the site, and at its neighbours.

    Args:
        sites: the site of each alarm; "" for one that no trip helps.
        places: where sites are, as far as known.
        within_km: how far a neighbour may be [km].
    """
    names = sorted({site for site in sites if site})
    if not names:
        return [0] * len(sites)
    near = distances_km([places.get(name) for name in names]) <= within_km
    at = {name: i for i, name in enumerate(names)}
    count = np.zeros(len(names), dtype=np.int64)
    for site in sites:
        if site:
            count[at[site]] += 1
    reached = near.astype(np.int64) @ count
    return [int(reached[at[site]]) - 1 if site else 0 for site in sites]


def trips(
    ranked: Sequence[tuple[int, str, str]],
    places: Mapping[str, Place],
    names: Mapping[str, str],
    within_km: float,
) -> tuple[Trip, ...]:
    """What one trip each could see to.

    The most urgent alarm that no trip sees to yet makes one; sites within reach of it come along. A trip does
    not grow from neighbour to neighbour: everything on it is near its first site.

    Args:
        ranked: rank, site and urgency of each alarm that wants a crew, by rank.
        places: where sites are, as far as known.
        names: what people call each site.
        within_km: how far a neighbour may be [km].
    """
    sites = list(dict.fromkeys(site for _, site, _ in ranked))
    distance = distances_km([places.get(site) for site in sites])
    ranks: dict[str, list[int]] = {}
    urgency: dict[str, str] = {}
    for rank, site, word in ranked:
        ranks.setdefault(site, []).append(rank)
        urgency.setdefault(site, word)
    left = np.ones(len(sites), dtype=np.bool_)
    result = []
    for first, site in enumerate(sites):
        if not left[first]:
            continue
        here = np.flatnonzero(left & (distance[first] <= within_km))
        # Of those as far away, within what is told of the distance, the more urgent.
        here = here[np.lexsort((here, np.round(distance[first][here], 1)))]
        # Another one on the same spot may be no farther away than the first itself.
        order = [first, *(int(i) for i in here if i != first)]
        left[order] = False
        stops = tuple(
            Stop(sites[i], names.get(sites[i], sites[i]), round(float(distance[first][i]), 1)) for i in order
        )
        result.append(Trip(stops, tuple(sorted(r for i in order for r in ranks[sites[i]])), urgency[site]))
    return tuple(result)
