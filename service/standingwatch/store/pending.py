"""Messages that wait for the others of their report: what a restart must not forget."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, delete, insert, select

from standingwatch.store import tables
from standingwatch.store.connect import lock_arrivals

#: So many names go into one question: SQLite takes no more than 999 by an older default.
_AT_ONCE = 500


class PendingMessage(NamedTuple):
    """A message that waits for others.

    Attributes:
        about: what the messages of one report have in common.
        received_us: when it came [Unix microseconds].
        topic, payload: as it came.
        id: its number in the store; 0 before it is there.
    """

    about: tuple[str, ...]
    received_us: int
    topic: str
    payload: bytes
    id: int = 0


def pending_messages(
    connection: Connection, about: Collection[tuple[str, ...]] | None = None
) -> list[PendingMessage]:
    """What waits, in the order in which it was kept. Nobody else changes it before this transaction ends.

    Args:
        connection: a writing transaction.
        about: only that of these reports; None for all.
    """
    lock_arrivals(connection)
    columns = tables.pending_parts.c
    query = select(tables.pending_parts).order_by(columns.id)
    if about is None:
        rows = list(connection.execute(query))
    else:
        names = sorted(json.dumps(one) for one in set(about))
        rows = [
            row
            for begin in range(0, len(names), _AT_ONCE)
            for row in connection.execute(query.where(columns.about.in_(names[begin : begin + _AT_ONCE])))
        ]
    return [
        PendingMessage(tuple(json.loads(r.about)), r.received_us, r.topic, bytes(r.payload), r.id)
        for r in rows
    ]


def any_pending(connection: Connection) -> bool:
    """Whether anything waits."""
    return connection.execute(select(tables.pending_parts.c.id).limit(1)).first() is not None


def keep_pending(connection: Connection, messages: Sequence[PendingMessage]) -> None:
    """Let messages wait."""
    if messages:
        connection.execute(
            insert(tables.pending_parts),
            [
                {
                    "about": json.dumps(one.about),
                    "received_us": one.received_us,
                    "topic": one.topic,
                    "payload": one.payload,
                }
                for one in messages
            ],
        )


def drop_pending(connection: Connection, ids: Iterable[int]) -> None:
    """Forget messages that wait no longer."""
    numbers = sorted(ids)
    for begin in range(0, len(numbers), _AT_ONCE):
        part = numbers[begin : begin + _AT_ONCE]
        connection.execute(delete(tables.pending_parts).where(tables.pending_parts.c.id.in_(part)))
