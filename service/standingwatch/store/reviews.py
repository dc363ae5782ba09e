"""Overnight reviews: what one is made of, read from the store; kept, listed and deleted.

A review is made from one reading transaction, so that it shows the alarm list of one moment. What it costs
does not grow with fleet times days: alarms that stand and those that changed, a day of hours of the whole
fleet for what is silent, and the hours of the transmitters that it shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, delete, select

from standingwatch.review.overnight import Review, VisitOver
from standingwatch.review.ranking import Frame, Surroundings, make_review
from standingwatch.review.visits import VisitState
from standingwatch.store import tables
from standingwatch.store.board import closed_until_us
from standingwatch.store.performance import alarm_performance
from standingwatch.store.review_alarms import Since, known_alarms, newest_change
from standingwatch.store.review_fleet import data_of_fleet, trends_of
from standingwatch.store.review_parts import Helpers
from standingwatch.store.sites import load_site_list
from standingwatch.store.visits import cause_score, load_visits

_DAY_US = 86_400_000_000

#: The review before is one made at least so long ago: a second one of a morning tells of the night too [us].
BEFORE_US = 12 * 3_600_000_000

#: The alarm system's own report goes over so many days: on one day a figure by the hour says little [d].
PERFORMANCE_DAYS = 7

#: So many alarms get a course: the most urgent, and in a flood no others.
MOST_TRENDS = 500


@dataclass(frozen=True)
class Making:
    """How reviews are made.

    Attributes:
        after_work_us: how long after its end a window of work still explains an alarm [us]; as the watch.
        trip_km: how far neighbours on a trip may be [km].
        helpers: who helps to make them.
    """

    after_work_us: int = 0
    trip_km: float = 30.0
    helpers: Helpers = field(default_factory=Helpers)


def make(
    connection: Connection,
    region: str,
    timezone: str,
    now_us: int,
    how: Making,
    day: str = "",
    executor: Executor | None = None,
) -> Review:
    """The review of a region now; nothing is kept.

    Args:
        connection: one reading transaction.
        region: what it is about; "" for the whole fleet.
        timezone: whose day it is of (IANA).
        now_us: now [Unix microseconds].
        how: how it is made.
        day: the day that it is of, where that is not the local day of now.
        executor: who helps with it; None for nobody.

    Raises:
        HelpersLostError: if those who help are not there any more.
    """
    listed = load_site_list(connection)
    rows = [row for row in listed.rows if not region or row.region == region]
    wanted = {(row.site, row.transmitter) for row in rows}
    keys = {
        (row.site, row.transmitter): key
        for row, key in zip(listed.rows, listed.keys.tolist(), strict=True)
        if (row.site, row.transmitter) in wanted
    }
    since = _since(connection, region, now_us)
    closed_us = min(closed_until_us(connection) or now_us, now_us)
    region_of = {row.site: row.region or "" for row in listed.rows}
    known = known_alarms(connection, region, region_of, since, now_us, how.after_work_us)
    # In a flood the gravest are sure to be among the most urgent.
    shown = sorted(known, key=lambda k: (k.alarm.is_cleared, -k.alarm.severity, k.alarm.key))
    names = dict.fromkeys((k.alarm.key.site, k.alarm.key.transmitter) for k in shown)
    score = cause_score(connection)
    around = Surroundings(
        places={
            row.site: (row.latitude, row.longitude)
            for row in rows
            if row.latitude is not None and row.longitude is not None
        },
        site_names={row.site: row.site_name or row.site for row in listed.rows},
        trends=trends_of(
            connection, {n: keys[n] for n in list(names)[:MOST_TRENDS] if n in keys}, closed_us, executor
        ),
        no_data=data_of_fleet(
            connection, rows, [keys[row.site, row.transmitter] for row in rows], closed_us, executor
        ),
        performance=alarm_performance(connection, now_us - PERFORMANCE_DAYS * _DAY_US, now_us),
        trip_km=how.trip_km,
        visits_over=_visits_over(connection, {row.site: row.site_name or row.site for row in rows}, since),
        causes_right=score.right,
        causes_told=score.told,
    )
    frame = Frame(
        region=region,
        day=day or local_day(now_us, timezone),
        timezone=timezone,
        made_us=now_us,
        since_us=since.time_us,
        data_until_us=closed_us,
        sites=len({row.site for row in rows}),
        transmitters=len(rows),
        last_change=newest_change(connection),
    )
    return make_review(frame, known, around)


def local_day(time_us: int, timezone: str) -> str:
    """The day of a time [Unix microseconds] in a time zone, as 2026-11-25."""
    return datetime.fromtimestamp(time_us / 1e6, tz=ZoneInfo(timezone)).strftime("%Y-%m-%d")


def _since(connection: Connection, region: str, now_us: int) -> Since:
    """Since when a review tells what changed: since the one before, or for a day where there is none."""
    columns = tables.reviews.c
    query = (
        select(columns.body)
        .where(columns.region == region, columns.made_us <= now_us - BEFORE_US)
        .order_by(columns.made_us.desc(), columns.id.desc())
        .limit(1)
    )
    body = connection.execute(query).scalar_one_or_none()
    if body is None:
        return Since(now_us - _DAY_US)
    before = Review.from_json(body)
    return Since(before.made_us, before.last_change)


def _visits_over(connection: Connection, site_names: Mapping[str, str], since: Since) -> list[VisitOver]:
    """Visits to some sites, given by name, that somebody has given their word on since a time."""
    decided = load_visits(connection, (VisitState.PROVEN, VisitState.NOT_FIXED))
    return [
        VisitOver(
            visit.number,
            visit.site,
            site_names[visit.site],
            visit.state.value,
            visit.changed_us,
            tuple(dict.fromkeys(t.found.value for t in visit.troubles if t.found is not None)),
        )
        for visit in decided
        if visit.site in site_names and visit.changed_us >= since.time_us
    ]


# Kept ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kept:
    """A kept review without its body; attributes as those of `Review`."""

    number: int
    region: str
    day: str
    made_us: int
    since_us: int


def keep(connection: Connection, review: Review) -> int | None:
    """Keep a review; its number, or None where the region has one of that day already."""
    if review_of_day(connection, review.region, review.day) is not None:
        return None
    row = {
        "region": review.region,
        "day": review.day,
        "made_us": review.made_us,
        "since_us": review.since_us,
        "body": review.to_json(),
    }
    made = connection.execute(tables.reviews.insert().values(**row)).inserted_primary_key
    if made is None:
        raise RuntimeError("reviews: the database gave no number for the row that was just inserted")
    return int(made[0])


def review_of_day(connection: Connection, region: str, day: str) -> int | None:
    """The number of a region's review of a day; None where there is none."""
    columns = tables.reviews.c
    query = select(columns.id).where(columns.region == region, columns.day == day)
    found = connection.execute(query).scalar_one_or_none()
    return None if found is None else int(found)


def load_review(connection: Connection, number: int) -> Review | None:
    """A kept review; None where there is none of this number."""
    query = select(tables.reviews.c.body).where(tables.reviews.c.id == number)
    body = connection.execute(query).scalar_one_or_none()
    return None if body is None else Review.from_json(body)


def list_reviews(
    connection: Connection, region: str | None = None, limit: int = 100, before: int | None = None
) -> list[Kept]:
    """Kept reviews, the newest first.

    Args:
        connection: any transaction.
        region: only those of this region, "" those of the whole fleet; None for all.
        limit: so many at most.
        before: only those with a number below it; None for all.
    """
    columns = tables.reviews.c
    query = select(columns.id, columns.region, columns.day, columns.made_us, columns.since_us)
    if region is not None:
        query = query.where(columns.region == region)
    if before is not None:
        query = query.where(columns.id < before)
    found = connection.execute(query.order_by(columns.id.desc()).limit(limit))
    return [Kept(r.id, r.region, r.day, r.made_us, r.since_us) for r in found]


def regions_reviewed(connection: Connection) -> list[str]:
    """The regions that there are reviews of, "" for the whole fleet, by name."""
    columns = tables.reviews.c
    return list(connection.execute(select(columns.region).distinct().order_by(columns.region)).scalars())


def forget_reviews(connection: Connection, before_us: int) -> int:
    """Delete reviews made before a time [Unix microseconds]; how many."""
    statement = delete(tables.reviews).where(tables.reviews.c.made_us < before_us)
    return int(connection.execute(statement).rowcount)
