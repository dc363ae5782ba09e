"""What the map shows: the chosen sites with their gravest alarms, drawn and as a table."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

import numpy as np
from markupsafe import Markup
from sqlalchemy import Connection

from standingwatch.detect.words import Severity
from standingwatch.readings import IntArray
from standingwatch.readings.fleet import FloatArray
from standingwatch.web import words
from standingwatch.web.choice import Choice
from standingwatch.web.choosing import in_order, is_chosen, site_severity, sites_of
from standingwatch.web.desk import Desk
from standingwatch.web.map_layout import LEAST_SPAN_DEG, Box, box_around, frame_of, joined
from standingwatch.web.map_svg import Mark, drawing
from standingwatch.web.pages import site_address
from standingwatch.web.roster import Roster, RosterCache

#: Sites that the table lists.
MOST_LISTED = 200


@dataclass(frozen=True)
class Place:
    """A site in the table; coordinates [degrees], NaN where not known."""

    site: str
    title: str
    region: str
    severity: Severity
    alarms: int
    latitude: float
    longitude: float


@dataclass(frozen=True)
class MapView:
    """The map at one moment.

    Attributes:
        choice: which sites were asked for.
        box: the part that was asked for; None for all.
        svg: the drawing; "" where no chosen site has coordinates.
        shown: the first sites in the box, worst first; `shown_count` how many there are.
        without: the first chosen sites without coordinates; `without_count` how many there are.
        counts: sites in the box by their gravest alarm.
        regions: all regions, for the form.
    """

    now_us: int
    choice: Choice
    box: Box | None
    svg: Markup
    shown: tuple[Place, ...]
    shown_count: int
    without: tuple[Place, ...]
    without_count: int
    counts: dict[Severity, int]
    regions: list[str]


def map_view(
    connection: Connection, cache: RosterCache, now_us: int, choice: Choice, box: Box | None
) -> MapView:
    """The map.

    Args:
        connection: one reading transaction.
        cache: what is kept between requests.
        now_us: now [Unix microseconds].
        choice: which sites.
        box: which part; None for all of it.
    """
    roster = cache.roster(connection)
    now = cache.fleet.now(connection, roster, now_us)
    standing = Desk(connection, roster, now_us).sees(cache.fleet.standing(connection))
    severity = site_severity(roster, standing)
    alarms = np.zeros(len(severity), dtype=np.int64)
    for one in standing:
        for name in sites_of(one.alarm):
            if name in roster.site_position:
                alarms[roster.site_position[name]] += 1
    order = in_order("", now, severity, standing)
    chosen = order[is_chosen(now, severity, standing, choice)[order]]
    latitude, longitude = roster.coordinates
    known = ~np.isnan(latitude[chosen])
    there, without = chosen[known], chosen[~known]
    if box is not None:
        there = there[box.holds(latitude[there], longitude[there])]

    def place(site: int) -> Place:
        return Place(
            roster.fleet.site_names[site],
            roster.site_title(site),
            roster.site_region(site),
            Severity(int(severity[site])),
            int(alarms[site]),
            float(latitude[site]),
            float(longitude[site]),
        )

    return MapView(
        now_us=now_us,
        choice=choice,
        box=box,
        svg=_svg(roster, there, severity, latitude, longitude, box, choice),
        shown=tuple(place(site) for site in there[:MOST_LISTED].tolist()),
        shown_count=len(there),
        without=tuple(place(site) for site in without[:MOST_LISTED].tolist()),
        without_count=len(without),
        counts={
            level: int(np.count_nonzero(severity[there] == level))
            for level in (*words.GRAVEST_FIRST, Severity.CLEARED)
        },
        regions=roster.regions,
    )


def _svg(
    roster: Roster,
    there: IntArray,
    severity: IntArray,
    latitude: FloatArray,
    longitude: FloatArray,
    box: Box | None,
    choice: Choice,
) -> Markup:
    if not len(there):
        return Markup("")
    frame = frame_of(box if box is not None else box_around(latitude[there], longitude[there]))
    x, y = frame.x(longitude[there]), frame.y(latitude[there])
    marks = []
    for members in joined(x, y, severity[there]):
        first, sites = int(members[0]), there[members]
        site = int(there[first])
        gravest = Severity(int(severity[site]))
        state = "no alarm" if gravest is Severity.CLEARED else gravest.word
        title = roster.site_title(site)
        if len(members) == 1:
            label, address = f"{title}: {state}", site_address(roster.fleet.site_names[site])
        else:
            label = f"{words.several(len(members), 'site')}, {title} and others: {state}"
            address = _nearer(latitude[sites], longitude[sites], box, choice)
        marks.append(Mark(float(x[first]), float(y[first]), gravest, len(members), title, label, address))
    of_region = np.array([roster.site_region(site) for site in there.tolist()])
    regions = [
        (str(name), float(np.median(x[of_region == name])), float(y[of_region == name].min()) - 14.0)
        for name in np.unique(of_region)
        if name
    ]
    return drawing(frame, marks, regions)


def _nearer(latitude: FloatArray, longitude: FloatArray, box: Box | None, choice: Choice) -> str:
    """The address of the map around some sites; the table where there is nothing nearer."""
    around = box_around(latitude, longitude, 0.2)
    if box is not None and box.north - box.south <= 1.5 * LEAST_SPAN_DEG:
        return "#sites"
    return f"/map?{urlencode({**box_query(around), **choice_pairs(choice)})}#map"


def box_query(box: Box) -> dict[str, str]:
    """A box as the query of an address."""
    return {name: f"{getattr(box, name):.5f}" for name in ("west", "south", "east", "north")}


def choice_pairs(choice: Choice) -> dict[str, str]:
    """What of a choice the map takes, as the query of an address."""
    pairs = {
        "severity": choice.severity.word if choice.severity is not None else "",
        "region": choice.region,
        "text": choice.text,
    }
    return {name: value for name, value in pairs.items() if value}
