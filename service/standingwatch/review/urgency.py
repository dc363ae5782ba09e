"""What one trip can see to. How urgent each alarm is: `review/time_left.py`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from standingwatch.alarms.lifecycle import Alarm
from standingwatch.readings.fleet import FloatArray
from standingwatch.review.overnight import URGENCIES, Stop, Trip
from standingwatch.review.proposals import PASSES_BY_ITSELF, STANDING_HOURS

_EARTH_KM = 6371.0088  # mean radius: IUGG


def wants_a_crew(alarm: Alarm) -> bool:
    """Whether a crew at a site could mend it: not the weather, nor a part of this service."""
    passes = bool(alarm.causes) and alarm.causes[0].cause in PASSES_BY_ITSELF
    return bool(alarm.key.site) and alarm.key.condition in STANDING_HOURS and not passes


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
        urgency[site] = min(urgency.get(site, word), word, key=URGENCIES.index)
    left = np.ones(len(sites), dtype=np.bool_)
    result = []
    for first in range(len(sites)):
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
        gravest = min((urgency[sites[i]] for i in order), key=URGENCIES.index)
        result.append(Trip(stops, tuple(sorted(r for i in order for r in ranks[sites[i]])), gravest))
    return tuple(result)
