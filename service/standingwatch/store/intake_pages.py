"""What the page of the intake asks of the store: rates, what was refused and why, who is not listed."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, func, select, tuple_

from standingwatch.store import tables
from standingwatch.store.reports import RefusedReport

#: Arrivals that are counted for rates at most, the newest.
MOST_ARRIVALS = 20_000

#: Reasons for which reports are refused of whom the site list does not know.
UNKNOWN_REASONS = ("unknown-transmitter", "unknown-site")


@dataclass(frozen=True)
class Rate:
    """Readings that came in some time.

    Attributes:
        span_us: how long [us].
        readings: how many readings; of the newest `MOST_ARRIVALS` arrivals at most.
        is_whole: whether all of that time is counted.
    """

    span_us: int
    readings: int
    is_whole: bool

    @property
    def a_second(self) -> float:
        """Readings a second."""
        return self.readings / (self.span_us / 1e6)


def rates(connection: Connection, now_us: int, spans_us: tuple[int, ...]) -> list[Rate]:
    """How many readings came in the last times [us] before now."""
    columns = tables.arrivals.c
    newest = select(columns.received_us, columns.rows).order_by(columns.arrival.desc()).limit(MOST_ARRIVALS)
    found = connection.execute(newest).all()
    oldest_us = found[-1].received_us if len(found) == MOST_ARRIVALS else 0
    return [
        Rate(
            span_us,
            sum(row.rows for row in found if row.received_us > now_us - span_us),
            oldest_us <= now_us - span_us,
        )
        for span_us in spans_us
    ]


@dataclass(frozen=True)
class RefusedReason:
    """Reports that wait, refused for one reason.

    Attributes:
        reason: the fixed word.
        count: how many.
        newest_us: when the last of them came [Unix microseconds].
    """

    reason: str
    count: int
    newest_us: int


def refused_reasons(connection: Connection) -> list[RefusedReason]:
    """Why reports were refused that wait, the most frequent reason first."""
    columns = tables.refused.c
    query = (
        select(columns.reason, func.count(), func.max(columns.received_us))
        .where(columns.accepted_us.is_(None))
        .group_by(columns.reason)
    )
    found = [
        RefusedReason(reason, int(count), int(newest_us))
        for reason, count, newest_us in connection.execute(query)
    ]
    return sorted(found, key=lambda one: (-one.count, one.reason))


@dataclass(frozen=True)
class UnlistedTopic:
    """A topic whose reports wait because the site list does not know who sends them.

    Attributes:
        topic: the whole topic.
        reason: one of `UNKNOWN_REASONS`.
        count: how many reports wait.
        first_us, newest_us: when the first and the last came [Unix microseconds].
    """

    topic: str
    reason: str
    count: int
    first_us: int
    newest_us: int


def unlisted_topics(connection: Connection, limit: int, topic: str = "") -> list[UnlistedTopic]:
    """Topics of unknown senders, the most frequent first.

    Args:
        connection: any transaction.
        limit: so many at most.
        topic: this one alone; "" for all.
    """
    columns, count = tables.refused.c, func.count()
    query = (
        select(
            columns.topic, columns.reason, count, func.min(columns.received_us), func.max(columns.received_us)
        )
        .where(columns.accepted_us.is_(None), columns.reason.in_(UNKNOWN_REASONS))
        .group_by(columns.topic, columns.reason)
        .order_by(count.desc(), columns.topic)
        .limit(limit)
    )
    if topic:
        query = query.where(columns.topic == topic)
    return [UnlistedTopic(*row) for row in connection.execute(query)]


def unlisted_by_topic(
    connection: Connection, limit: int, after: tuple[str, str] | None = None
) -> list[UnlistedTopic]:
    """Topics of unknown senders, by name.

    Args:
        connection: any transaction.
        limit: so many at most.
        after: only those behind this topic and reason.
    """
    columns = tables.refused.c
    times = func.min(columns.received_us), func.max(columns.received_us)
    query = (
        select(columns.topic, columns.reason, func.count(), *times)
        .where(columns.accepted_us.is_(None), columns.reason.in_(UNKNOWN_REASONS))
        .group_by(columns.topic, columns.reason)
        .order_by(columns.topic, columns.reason)
        .limit(limit)
    )
    if after is not None:
        query = query.where(tuple_(columns.topic, columns.reason) > after)
    return [UnlistedTopic(*row) for row in connection.execute(query)]


def refused_page(
    connection: Connection, limit: int, *, reason: str = "", topic: str = "", before: int | None = None
) -> list[RefusedReport]:
    """Refused reports that wait, the newest first.

    Args:
        connection: any transaction.
        limit: so many at most.
        reason, topic: only those of this reason and this topic; "" for all.
        before: only those with a number below it; None for all.
    """
    columns = tables.refused.c
    query = select(tables.refused).where(columns.accepted_us.is_(None))
    if reason:
        query = query.where(columns.reason == reason)
    if topic:
        query = query.where(columns.topic == topic)
    if before is not None:
        query = query.where(columns.id < before)
    return [
        RefusedReport(r.received_us, r.topic, bytes(r.payload), r.reason, r.detail, r.id, r.accepted_us)
        for r in connection.execute(query.order_by(columns.id.desc()).limit(limit))
    ]


def newest_of_topic(connection: Connection, topic: str) -> bytes | None:
    """What came last on a topic of an unknown sender and waits; None for nothing."""
    columns = tables.refused.c
    query = (
        select(columns.payload)
        .where(
            columns.topic == topic,
            columns.accepted_us.is_(None),
            columns.reason.in_(UNKNOWN_REASONS),
        )
        .order_by(columns.received_us.desc(), columns.id.desc())
        .limit(1)
    )
    found = connection.execute(query).scalar_one_or_none()
    return None if found is None else bytes(found)


def waiting_reports(
    connection: Connection, *, reason: str, topic: str, after: int, until: int, limit: int
) -> list[RefusedReport]:
    """Refused reports that wait, oldest first.

    Args:
        connection: any transaction.
        reason, topic: only those of this reason and this topic; "" for all.
        after, until: only those with a number above the one and not above the other.
        limit: so many at most.
    """
    columns = tables.refused.c
    query = (
        select(tables.refused)
        .where(columns.accepted_us.is_(None), columns.id > after, columns.id <= until)
        .order_by(columns.id)
        .limit(limit)
    )
    if reason:
        query = query.where(columns.reason == reason)
    if topic:
        query = query.where(columns.topic == topic)
    return [
        RefusedReport(r.received_us, r.topic, bytes(r.payload), r.reason, r.detail, r.id, r.accepted_us)
        for r in connection.execute(query)
    ]


def last_refused(connection: Connection) -> int:
    """Number of the newest refused report, 0 before the first."""
    return int(connection.execute(select(func.coalesce(func.max(tables.refused.c.id), 0))).scalar_one())
