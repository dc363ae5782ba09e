"""Reviews made when they are due, once each, and put into the outbox for those who get them by mail.

A review is due from a set local time on, each day. Whoever asks later, after a time in which the service was
down or slept, gets the one that was missed, and not a second one of that day.
"""

from __future__ import annotations

import json
import logging
import uuid
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from standingwatch.alarms.event import rfc3339
from standingwatch.review.overnight import Review
from standingwatch.settings import Settings
from standingwatch.store.connect import Store
from standingwatch.store.outbox import NewMessage, Subject, add_messages
from standingwatch.store.review_parts import Helpers, HelpersLostError
from standingwatch.store.reviews import Making, keep, make, review_of_day
from standingwatch.store.sites import load_site_list

log = logging.getLogger("standingwatch.review")

#: CloudEvents `type` of the message that a review was made.
REVIEW_TYPE = "standingwatch.review.made"

_NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:standingwatch:review")


@dataclass(frozen=True)
class Plan:
    """When the reviews of a region are made, and who gets them.

    Attributes:
        region: what they are about; "" for the whole fleet, and each region that has no plan of its own.
        hour, minute: local time from which on one is due.
        timezone: whose local time (IANA).
        email: names of the channels that get them, such as "email.desk"; reviews of the whole fleet, where
            the plan is for that.
    """

    region: str
    hour: int
    minute: int
    timezone: str
    email: tuple[str, ...] = ()


@dataclass(frozen=True)
class Plans:
    """All plans.

    Attributes:
        whole: that of the whole fleet.
        regions: those of regions of their own.
        how: how reviews are made.
        source: the CloudEvents `source` of this service.
    """

    whole: Plan
    regions: tuple[Plan, ...] = ()
    how: Making = field(default_factory=Making)
    source: str = ""


def plans_of(settings: Settings, source: str = "") -> Plans:
    """The plans of the settings; of the channels only those that are on.

    Args:
        settings: all of them.
        source: the CloudEvents `source` of this service.
    """
    review, channels = settings.review, settings.channels.by_name()

    def that_are_on(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(
            name for name in (f"email.{one}" for one in dict.fromkeys(names)) if channels[name].enabled
        )

    return Plans(
        whole=Plan("", review.hour, review.minute, review.timezone, that_are_on(review.email)),
        regions=tuple(
            Plan(one.region, one.hour, one.minute, one.timezone, that_are_on(one.email))
            for one in review.regions.values()
        ),
        how=Making(
            after_work_us=round(settings.desk.after_work_s * 1e6),
            trip_km=review.trip_km,
            helpers=Helpers(review.processes, review.cluster),
        ),
        source=source,
    )


def due_day(plan: Plan, now_us: int) -> str:
    """The newest local day whose review is due, as 2026-11-25.

    A time that a change of the clocks leaves out counts as it would without the change; of one that comes
    twice the first counts.
    """
    zone = ZoneInfo(plan.timezone)
    now = datetime.fromtimestamp(now_us / 1e6, tz=zone)
    due = datetime(now.year, now.month, now.day, plan.hour, plan.minute, tzinfo=zone)
    # As moments, and not by the clock on the wall, which runs twice through an hour in autumn.
    is_due = now_us / 1e6 >= due.timestamp()
    return (now.date() if is_due else now.date() - timedelta(days=1)).isoformat()


def make_due(store: Store, plans: Plans, plan: Plan, now_us: int) -> list[int]:
    """Make what is due by a plan and is not there yet; the numbers of the reviews made.

    Nothing is made of a site list that is empty, nor of a region that is not on it.
    """
    with store.reading() as connection:
        regions = _regions(connection, plans, plan)
        day = due_day(plan, now_us)
        missing = [region for region in regions if review_of_day(connection, region, day) is None]
    made = []
    for region, review in _reviews(store, missing, plan, now_us, plans.how, day):
        with store.writing() as connection:
            number = keep(connection, review)
            if number is None:
                continue
            if region == plan.region:
                add_messages(connection, messages(review, number, plan.email, plans.source))
        made.append(number)
    return made


def _reviews(
    store: Store, regions: Sequence[str], plan: Plan, now_us: int, how: Making, day: str
) -> Iterator[tuple[str, Review]]:
    """The reviews of some regions, each from a transaction of its own.

    Helpers that are lost are looked for once more; then the rest is made without them: a review late in
    the morning is worth more than a quick one that does not come.
    """
    left = list(regions)
    for helpers in (how.helpers, how.helpers, Helpers()):
        try:
            with helpers.hired() if left else nullcontext() as executor:
                while left:
                    with store.reading() as connection:
                        review = make(connection, left[0], plan.timezone, now_us, how, day, executor)
                    yield left.pop(0), review
            return
        except HelpersLostError as error:
            log.warning("review: helpers lost, %d reviews are still to make: %s", len(left), error)


def messages(review: Review, number: int, channels: tuple[str, ...], source: str) -> list[NewMessage]:
    """The messages to channels that a review was made; it itself is read from the store when one goes out."""
    name = "\n".join((source, review.region, review.day))
    event = {
        "specversion": "1.0",
        "id": str(uuid.uuid5(_NAMESPACE, name)),
        "source": source,
        "type": REVIEW_TYPE,
        "subject": f"review/{review.region}" if review.region else "review",
        "time": rfc3339(review.made_us),
        "datacontenttype": "application/json",
        "data": {
            "review": number,
            "region": review.region or None,
            "day": review.day,
            "text": review.summary,
        },
    }
    subject = Subject(region=review.region, condition="review")
    body = json.dumps(event)
    return [NewMessage(channel, str(event["id"]), subject, review.made_us, body) for channel in channels]


def _regions(connection: Connection, plans: Plans, plan: Plan) -> list[str]:
    """The regions that a plan makes reviews of, "" for the whole fleet."""
    listed = load_site_list(connection)
    there = sorted({row.region for row in listed.rows if row.region})
    if plan.region:
        return [plan.region] if plan.region in there else []
    if not listed.rows:
        return []
    own = {other.region for other in plans.regions}
    others = [region for region in there if region not in own]
    # A fleet of one region is that region.
    is_all_one = len(there) == 1 and all(row.region for row in listed.rows)
    return [""] if is_all_one else ["", *others]
