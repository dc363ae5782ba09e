"""Refused reports that a broker has delivered once more, since it never heard that they had arrived."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sqlalchemy import Connection, select

from standingwatch.store import tables
from standingwatch.store.reports import RefusedReport

#: So far back an earlier copy is looked for [us]; a broker delivers again as soon as we are connected again.
LOOK_BACK_US = 86_400_000_000

_TOPICS_AT_ONCE = 500


def without_kept(
    connection: Connection, reports: Sequence[RefusedReport], delivered_again: Iterable[tuple[str, int]]
) -> list[RefusedReport]:
    """Refused reports without those that are kept already, in their order.

    A refused report has no time of its own that it could be known by. A broker marks what it delivers again
    (MQTT 5.0, 3.3.1.1); of that only, one with topic and payload of a report kept in the last day is left
    out. What a site sends again is counted each time: its broker delivers that unmarked at first.

    Args:
        connection: any transaction.
        reports: refused now.
        delivered_again: topic and time of receipt of the messages that the broker marked.
    """
    marked = set(delivered_again)
    doubtful = [one for one in reports if (one.topic, one.received_us) in marked]
    if not doubtful:
        return list(reports)
    columns = tables.refused.c
    since_us = min(one.received_us for one in doubtful) - LOOK_BACK_US
    known: set[tuple[str, bytes]] = set()
    topics = sorted({one.topic for one in doubtful})
    for first in range(0, len(topics), _TOPICS_AT_ONCE):
        query = select(columns.topic, columns.payload).where(
            columns.received_us >= since_us, columns.topic.in_(topics[first : first + _TOPICS_AT_ONCE])
        )
        known.update((topic, bytes(payload)) for topic, payload in connection.execute(query))
    left = []
    for one in reports:
        key = (one.topic, one.payload)
        if (one.topic, one.received_us) in marked and key in known:
            continue
        known.add(key)
        left.append(one)
    return left
